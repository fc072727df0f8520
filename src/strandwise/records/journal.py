"""What each change of a folder's records took the place of, so that it can be taken back.

`.journal/` beside the records holds a file a change, written to the disk before the record itself:
the name of the record, all that stood in it before, and the SHA-256 of what stands in it after.
A record that is not as its entry left it was edited since, and is not touched. Raw traces are not
in the journal: taking back a firing gives its trace another name, and nothing here deletes one.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import re
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from strandwise.errors import RequestError, UnitError
from strandwise.records.alike import entry_alike, refuse_alike
from strandwise.records.field import PressureScale, shorten
from strandwise.records.fields import TEST_FIELD
from strandwise.records.journal_entries import (
    Entry,
    RawTrace,
    entry_text,
    read_entry,
    settled,
)
from strandwise.records.textfiles import LARGEST, LARGEST_TRACE, is_absent, read_plain
from strandwise.records.write import (
    cannot_write,
    folder_lock,
    make_folder,
    refuse_open_in_spreadsheet,
    remove_file,
    rename_file,
    sweep,
    sync_folder,
    temporaries,
    write_bytes,
    write_new,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from strandwise.records.folder import Bench, CampaignFolder

__all__ = ["Journal", "journal_of", "lock_of", "shared_journal"]

_MOST_ENTRIES = 200
_MOST_BYTES = 10_000_000
_FOLDER = ".journal"
_ENTRY_NAME = re.compile(r"([0-9]{6,9})\.json")
_TRACE_NAME = re.compile(r"[^./\\\0][^/\\\0]{0,199}")
_RECORDS = (
    "campaign.toml",
    "formulations.toml",
    "ingredients.toml",
    "instruments.toml",
    "batches.csv",
    "strands.csv",
)


@dataclass(frozen=True, slots=True)
class Journal:
    """The journal of the records in one folder.

    Parameters
    ----------
    home
        A campaign's folder, or that of the tables which campaigns share.
    bench
        The bench folder, out of which nothing is written.
    """

    home: Path
    bench: Path

    @property
    def path(self) -> Path:
        """Folder of the entries."""
        return self.home / _FOLDER

    def change(
        self,
        what: str,
        path: Path,
        content: bytes,
        *,
        raw: Sequence[tuple[Path, bytes]] = (),
        is_new: bool = False,
    ) -> None:
        """Write a record, with what it takes the place of in the journal; hold the folder's lock.

        Parameters
        ----------
        what
            The change, for people.
        path, content
            The record and what it is to hold.
        raw
            Raw traces that are to come with it, and their contents.
        is_new
            Whether the record must not be there yet.

        Raises
        ------
        RequestError
            The record is open in a spreadsheet, lies outside the bench folder, or cannot be
            written; it and the journal are then as they were.
        """
        if is_new:
            refuse_alike(path)
        traces = [
            RawTrace(self._relative(place), None, hashlib.sha256(data).hexdigest())
            for place, data in raw
        ]
        entry = Entry(
            number=0,
            time="",
            kind="change",
            what=what,
            file=self._relative(path),
            before=None,
            after=hashlib.sha256(content).hexdigest(),
            raw=tuple(traces),
        )
        self._commit(entry, content, [data for _, data in raw])

    def entries(self) -> tuple[Entry, ...]:
        """Every entry that happened, oldest first.

        Raises
        ------
        RequestError
            An entry cannot be read.
        """
        found = [self._read(number) for number in self._numbers()]
        if found and self._never_happened(found[-1]):
            found.pop()
        return tuple(found)

    def next_undo(self) -> Entry | None:
        """The entry that undoing takes back; None where there is none."""
        done, _ = settled(self.entries())
        return done[-1] if done else None

    def next_redo(self) -> Entry | None:
        """The undoing that doing again takes back; None where there is none."""
        _, undone = settled(self.entries())
        return undone[-1] if undone else None

    def take_back(self, entry: Entry) -> Entry:
        """Take back the last change or the last undoing; hold the folder's lock.

        Parameters
        ----------
        entry
            As of `next_undo` or `next_redo`.

        Returns
        -------
        Entry
            The new entry of the taking back.

        Raises
        ------
        RequestError
            Another change came in between, the record was edited since, is open in a spreadsheet,
            or cannot be written. Nothing was changed.
        """
        if entry not in (self.next_undo(), self.next_redo()):
            msg = "another change was made in the meantime"
            raise RequestError(msg, hint="look at it and try again; nothing was changed")
        self.refuse_if_edited(entry)
        content = None if entry.before is None else entry.before.encode("utf-8")
        new = Entry(
            number=0,
            time="",
            kind="redo" if entry.kind == "undo" else "undo",
            what=entry.what,
            of=entry.number,
            file=entry.file,
            before=None,
            after=None if content is None else hashlib.sha256(content).hexdigest(),
            raw=tuple(self._trace_back(one) for one in entry.raw),
        )
        return self._commit(new, content, [])

    def refuse_if_edited(self, entry: Entry) -> None:
        """Refuse to take back a change whose record is not as it left it.

        Raises
        ------
        RequestError
            It is not, or a trace that goes with it is gone.
        """
        path = self._place(entry.file)
        if _digest(self._content(path)) != entry.after:
            msg = f"{self.shown(path)} was edited since `{entry.what}`"
            raise RequestError(
                msg,
                expected="the file as that change left it, so that no edit is lost",
                hint="take the record out by hand; what stood there before is in "
                f"{self.shown(self._file(entry.number))}; nothing was changed",
            )
        refuse_open_in_spreadsheet(path, self.shown(path))
        for raw in entry.raw if entry.kind == "undo" else ():
            # Where the power went in between, it has the name still that it is to have again.
            places = [file for file in (raw.file, raw.before) if file is not None]
            if not any(self._holds(file, raw.sha256) for file in places):
                msg = f"the raw trace {raw.file} is not there any more, or was changed"
                raise RequestError(msg, hint="log the firing anew; nothing was changed")

    def cut_short(self) -> tuple[Path, Path] | None:
        """A record that is gone, and the temporary file beside it that was to replace it, whole.

        Not every file system renames over a file in one step: the disk went away in between.
        """
        left = [*temporaries(self.home), *temporaries(self.home / "firings")]
        numbers = self._numbers() if left else []
        if not numbers:
            return None
        try:
            entry = self._read(numbers[-1])
            path = self._place(entry.file)
            if entry.before is not None and entry.after is not None and is_absent(path):
                for temporary in left:
                    beside = temporary.parent == path.parent
                    if beside and _digest(self._content(temporary)) == entry.after:
                        return path, temporary
        except RequestError:
            return None
        return None

    def new_text(self, entry: Entry) -> tuple[str | None, str | None]:
        """What stands in the record now, and what taking `entry` back puts there."""
        now = self._content(self._place(entry.file))
        return None if now is None else now.decode("utf-8", errors="replace"), entry.before

    def traces_renamed(self, entry: Entry) -> list[tuple[str, str]]:
        """Names for people of the traces that taking `entry` back renames, before and after."""
        held = [raw for raw in entry.raw if self._holds(raw.file, raw.sha256)]
        return [
            (self.shown(self._place(raw.file)), self.shown(self._place(self._trace_back(raw).file)))
            for raw in held
        ]

    def shown(self, path: Path) -> str:
        """Name of a file for people."""
        return path.relative_to(self.bench).as_posix()

    def shown_record(self, entry: Entry) -> str:
        """Name of an entry's record for people."""
        return self.shown(self._place(entry.file))

    def _commit(self, entry: Entry, content: bytes | None, raw: Sequence[bytes]) -> Entry:
        """Write an entry, then what it says; on a failure both are as they were."""
        path = self._place(entry.file)
        refuse_open_in_spreadsheet(path, self.shown(path))
        self._refuse_cut_short()
        places = [path] if content is not None else []
        places += [self._place(one.file) for one in entry.raw]
        for place in dict.fromkeys(place for file in places for place in (file.parent, file)):
            if is_absent(place):
                refuse_alike(place)
        self._clean_up()
        before = self._content(path)
        entry = replace(
            entry,
            number=max(self._numbers(), default=0) + 1,
            time=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            before=None if before is None else _text(before, self.shown(path)),
        )
        had_folder = not is_absent(self.path)
        # A trace comes before the record that names it, and goes after it.
        steps: list[Callable[[], None]] = [
            lambda: self._settle_traces(entry, raw),
            lambda: self._settle_record(path, content),
        ]
        if entry.after is None:
            steps.reverse()
        try:
            self._write_entry(entry)
            for step in steps:
                step()
        except BaseException:
            self._withdraw(entry, raw, had_folder=had_folder)
            raise
        self._prune()
        return entry

    def _refuse_cut_short(self) -> None:
        found = self.cut_short()
        if found is not None:
            path, temporary = found
            msg = f"{self.shown(path)} is gone: the disk went away while it was being replaced"
            raise RequestError(
                msg,
                hint=f"all of it is in `{temporary.name}` beside it: rename that to "
                f"`{path.name}`, and look at its end; nothing was changed",
            )

    def _write_entry(self, entry: Entry) -> None:
        if self.path.is_symlink():
            msg = f"{self.shown(self.path)} is a link, which a journal is not"
            raise RequestError(msg, hint="delete the link; nothing was changed")
        try:
            make_folder(self.path)
            text = entry_text(entry).encode("utf-8")
            write_new(self._file(entry.number), text, within=self.bench)
        except OSError as error:
            raise cannot_write(self.path, error) from error
        except RequestError as error:
            msg = f"the version before cannot be kept: {error.message}"
            raise RequestError(msg, expected=error.expected, hint="nothing was changed") from error

    def _settle_record(self, path: Path, content: bytes | None) -> None:
        if content is None:
            remove_file(path, within=self.bench)
            return
        try:
            make_folder(path.parent)
        except OSError as error:
            raise cannot_write(path, error) from error
        write_bytes(path, content, within=self.bench)

    def _settle_traces(self, entry: Entry, contents: Sequence[bytes]) -> None:
        if contents:
            for raw, content in zip(entry.raw, contents, strict=True):
                write_new(self._place(raw.file), content, within=self.bench)
            return
        for raw in entry.raw:
            if raw.before is not None and self._holds(raw.before, raw.sha256):
                rename_file(self._place(raw.before), self._place(raw.file), within=self.bench)

    def _withdraw(self, entry: Entry, raw: Sequence[bytes], *, had_folder: bool) -> None:
        """Bring all to what it was before an entry whose change failed, as far as that goes."""
        with contextlib.suppress(OSError, RequestError):
            path = self._place(entry.file)
            # Taken back; or lost where a rename over a file first removes it, and then fails.
            if entry.before is not None and is_absent(path):
                write_bytes(path, entry.before.encode("utf-8"), within=self.bench)
            if not self._never_happened(entry):
                return
            if raw:
                for trace in entry.raw:
                    if self._holds(trace.file, trace.sha256):
                        remove_file(self._place(trace.file), within=self.bench)
            else:
                back = [self._trace_back(one) for one in entry.raw if one.before is not None]
                self._settle_traces(replace(entry, raw=tuple(back)), [])
            remove_file(self._file(entry.number), within=self.bench)
            if not had_folder:
                self.path.rmdir()

    def _clean_up(self) -> None:
        """Remove what a writer left that was killed, or lost its power."""
        for folder in (self.home, self.home / "firings", self.home / "traces", self.path):
            sweep(folder)
        numbers = self._numbers()
        if not numbers:
            return
        try:
            last = self._read(numbers[-1])
        except RequestError:
            return
        if self._never_happened(last):
            remove_file(self._file(last.number), within=self.bench)

    def _never_happened(self, entry: Entry) -> bool:
        before = None if entry.before is None else entry.before.encode("utf-8")
        now = _digest(self._content(self._place(entry.file)))
        return now == _digest(before) != entry.after

    def _prune(self) -> None:
        """Forget the oldest entries beyond what is kept; the last one stays, however large."""
        numbers = self._numbers()
        total = 0
        with contextlib.suppress(OSError, RequestError):
            for place, number in enumerate(reversed(numbers)):
                total += self._file(number).stat().st_size
                if place and (place >= _MOST_ENTRIES or total > _MOST_BYTES):
                    self._file(number).unlink()
            sync_folder(self.path)

    def _trace_back(self, raw: RawTrace) -> RawTrace:
        if raw.before is not None:
            return RawTrace(raw.before, raw.file, raw.sha256)
        place = PurePosixPath(raw.file)
        number = 1
        while True:
            aside = place.with_name(f"{place.stem}.undone-{number}{place.suffix}")
            if entry_alike(self.home / aside) is None:
                return RawTrace(str(aside), raw.file, raw.sha256)
            number += 1

    def _holds(self, file: str, sha256: str) -> bool:
        """Whether a trace is there, with the content that it was logged with."""
        path = self._place(file)
        with contextlib.suppress(OSError):
            return _digest(read_plain(path, LARGEST_TRACE)) == sha256
        return False

    def _content(self, path: Path) -> bytes | None:
        if is_absent(path):
            return None
        try:
            return read_plain(path, LARGEST)
        except OSError as error:
            msg = f"{self.shown(path)} cannot be read: {error.strerror or error}"
            raise RequestError(msg, hint="nothing was changed") from error

    def _relative(self, path: Path) -> str:
        file = path.relative_to(self.home).as_posix()
        self._place(file)
        return file

    def _place(self, file: str) -> Path:
        """Path of a record or trace that an entry names; nothing else is ever written."""
        folder, _, name = file.rpartition("/")
        known = file in _RECORDS
        if folder == "firings" and name.endswith(".toml"):
            with contextlib.suppress(UnitError):
                known = TEST_FIELD.parse(name[:-5], PressureScale()) == name[:-5]
        elif folder == "traces":
            known = _TRACE_NAME.fullmatch(name) is not None
        if not known:
            msg = f"the journal names `{shorten(file)}`, which is no record"
            raise RequestError(msg, hint=f"delete {self.shown(self.path)}; nothing was changed")
        return self.home / file

    def _file(self, number: int) -> Path:
        return self.path / f"{number:06d}.json"

    def _numbers(self) -> list[int]:
        try:
            names = [entry.name for entry in self.path.iterdir()]
        except (FileNotFoundError, NotADirectoryError):
            return []
        except OSError as error:
            msg = f"{self.shown(self.path)} cannot be read: {error.strerror or error}"
            raise RequestError(msg, hint="nothing was changed") from error
        return sorted(int(match[1]) for name in names if (match := _ENTRY_NAME.fullmatch(name)))

    def _read(self, number: int) -> Entry:
        path = self._file(number)
        try:
            entry = read_entry(read_plain(path, 8 * LARGEST), number)
        except (OSError, ValueError) as error:
            msg = f"{self.shown(path)} cannot be read as an entry of the journal"
            raise RequestError(
                msg, hint="delete it if it was damaged; nothing was changed"
            ) from error
        self._place(entry.file)
        for raw in entry.raw:
            for file in (raw.file, raw.before):
                if file is not None:
                    self._place(file)
        return entry


def journal_of(folder: CampaignFolder) -> Journal:
    """The journal of a campaign."""
    return Journal(folder.path, folder.bench)


def shared_journal(bench: Bench) -> Journal:
    """The journal of the tables that campaigns share."""
    return Journal(bench.instruments.parent, bench.path)


def lock_of(journal: Journal) -> contextlib.AbstractContextManager[None]:
    """Hold the lock of a journal's folder, as `folder_lock`."""
    return folder_lock(journal.home)


def _text(content: bytes, shown: str) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        msg = f"{shown} is not UTF-8 text"
        raise RequestError(msg, hint="save it as UTF-8; nothing was changed") from error


def _digest(content: bytes | None) -> str | None:
    return None if content is None else hashlib.sha256(content).hexdigest()
