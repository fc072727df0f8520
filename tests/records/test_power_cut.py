"""Whatever the disk did when the power went, a campaign is as before a change or as after it.

Every call that changes the disk is a place at which the power goes. A disk keeps what was flushed;
of the rest it may keep nothing, or the names and not the content, or all of it (a killed program).
Own computation: the model is that of POSIX fsync(2), for files and for folders.
"""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from strandwise.records import Bench, CampaignFolder, journal_of, read_campaign, shared_journal
from strandwise.workflow.calibrate import NewCalibration, calibrate_instrument
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.recording import log_strand
from strandwise.workflow.undoing import campaign_taking_back, take_back

pytestmark = pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="needs /proc")

STRAND = {"test": "S-9", "batch": "B-1", "length": "80 mm", "time": "11.2 s", "pressure": "2 MPa"}
GRAIN = {
    "shape": "hollow-cylinder",
    "outer_diameter": "38 mm",
    "core_diameter": "12 mm",
    "length": "75 mm",
    "segments": 2,
}
TRACE = b"millis,p\n0,0\n10,300\n20,290\n30,0\n"
KINDS = ("nothing unflushed", "names without content", "everything")


class PowerCutError(BaseException):
    """The power is gone: nothing that a program still tries has an effect."""


class Disk:
    """A disk below `root` that loses its power at one call, and what it then holds."""

    def __init__(self, root: Path, cut_at: int) -> None:
        self.root = root
        self.cut_at = cut_at
        self.calls = 0
        self.dark = False
        self.blobs: dict[int, list[bytes]] = {}
        self.flushed: dict[str, dict[str, list[bytes] | None]] = {}
        for folder in (root, *(path for path in root.rglob("*") if path.is_dir())):
            for path in folder.iterdir():
                if path.is_file():
                    self.blobs[path.stat().st_ino] = [path.read_bytes()]
            self._flush_folder(folder)

    def _flush_folder(self, folder: Path) -> None:
        # A file whose content was never flushed has a name, and nothing in it.
        self.flushed[str(folder)] = {
            path.name: None if path.is_dir() else self.blobs.setdefault(path.stat().st_ino, [b""])
            for path in folder.iterdir()
        }

    def guard(self, real: Callable[..., Any], *, after: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            if any(isinstance(a, str | Path) and str(a).endswith(".lock") for a in args):
                return real(*args, **more)
            self.calls += 1
            if self.dark or self.calls == self.cut_at:
                self.dark = True
                raise PowerCutError
            return after(real, *args, **more)

        return call

    def fsync(self, real: Callable[..., Any], descriptor: int) -> None:
        real(descriptor)
        path = Path(f"/proc/self/fd/{descriptor}").readlink()
        found = os.fstat(descriptor)
        if stat.S_ISDIR(found.st_mode):
            self._flush_folder(path)
        else:
            self.blobs.setdefault(found.st_ino, [b""])[0] = path.read_bytes()

    def forget(self, real: Callable[..., Any], *args: Any, **more: Any) -> Any:
        """Take a name away, or put another file in its place; its number may be used anew."""
        gone = Path(args[-1])
        if gone.exists() and gone.is_file():
            self.blobs.pop(gone.stat().st_ino, None)
        return real(*args, **more)

    def plain(self, real: Callable[..., Any], *args: Any, **more: Any) -> Any:
        return real(*args, **more)

    def after_the_cut(self, kind: str, to: Path) -> None:
        """Write what the disk holds into another folder."""
        if kind == "everything":
            shutil.copytree(self.root, to)
            return
        if kind == "nothing unflushed":
            self._restore(self.root, to)
            return
        for path in (self.root, *self.root.rglob("*")):
            copy = to / path.relative_to(self.root)
            if path.is_dir():
                copy.mkdir()
            else:
                copy.write_bytes(self.blobs.get(path.stat().st_ino, [b""])[0])

    def _restore(self, folder: Path, to: Path) -> None:
        to.mkdir()
        for name, blob in self.flushed.get(str(folder), {}).items():
            if blob is None:
                self._restore(folder / name, to / name)
            else:
                (to / name).write_bytes(blob[0])


def run(bench: Path, cut_at: int, change: Callable[[CampaignFolder], Any]) -> tuple[Disk, bool]:
    """Make a change with the power going at one call; the disk, and whether it was told done."""
    disk = Disk(bench, cut_at)
    with pytest.MonkeyPatch.context() as patch:
        for name, after in (
            ("fsync", disk.fsync),
            ("replace", disk.forget),
            ("rename", disk.forget),
            ("unlink", disk.forget),
            ("mkdir", disk.plain),
            ("rmdir", disk.plain),
            ("chmod", disk.plain),
            ("fdopen", disk.plain),
        ):
            patch.setattr(os, name, disk.guard(getattr(os, name), after=after))
        try:
            change(CampaignFolder(bench, "small"))
        except PowerCutError:
            return disk, False
    return disk, True


def records(bench: Path) -> dict[str, bytes]:
    """Every file that is no temporary one, no lock and not in a journal."""
    return {
        path.relative_to(bench).as_posix(): path.read_bytes()
        for path in bench.rglob("*")
        if path.is_file() and not any(p.startswith(".") for p in path.relative_to(bench).parts)
    }


def a_strand(folder: CampaignFolder) -> None:
    log_strand(folder, STRAND, confirmed=False)


def a_firing(folder: CampaignFolder) -> None:
    tables = {
        "batch": "B-1",
        "grain": GRAIN,
        "trace": {"time": "millis (ms)", "pressure": "p (psig)"},
    }
    raw = folder.bench.parent / "log.csv"
    log_firing(folder, "F-2", tables, raw_trace=raw, confirmed=False)


def an_instrument(folder: CampaignFolder) -> None:
    rows = ("100 = 0 N", "500 = 20 N", "900 = 40 N")
    new = NewCalibration(name="cell-2", kind="load-cell", rows=rows)
    calibrate_instrument(Bench(folder.bench), None, new, replace=False)


def undo(folder: CampaignFolder) -> None:
    take_back(campaign_taking_back(folder, again=False))


def redo(folder: CampaignFolder) -> None:
    take_back(campaign_taking_back(folder, again=True))


CHANGES = {
    "a strand": ([], a_strand),
    "a firing": ([a_strand], a_firing),
    "an instrument": ([], an_instrument),
    "undoing a strand": ([a_strand], undo),
    "undoing a firing": ([a_firing], undo),
    "doing a firing again": ([a_firing, undo], redo),
}


def places(small: Any, tmp_path: Path, name: str) -> Iterator[tuple[Disk, bool, Path]]:
    """A bench folder after each place at which the power may go, and in the end after none."""
    first, change = CHANGES[name]
    (tmp_path / "log.csv").write_bytes(TRACE)
    for step in first:
        step(small.folder)
    done = False
    cut_at = 0
    while not done:
        cut_at += 1
        bench = tmp_path / f"{cut_at}" / "bench"
        (tmp_path / f"{cut_at}").mkdir()
        (tmp_path / f"{cut_at}" / "log.csv").write_bytes(TRACE)
        shutil.copytree(small.path, bench)
        disk, done = run(bench, cut_at, change)
        assert done == (not disk.dark)
        yield disk, done, bench


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_is_made_or_not_wherever_the_power_goes(
    small: Any, tmp_path: Path, name: str
) -> None:
    _, change = CHANGES[name]
    cuts = 0
    seen: set[frozenset[tuple[str, bytes]]] = set()
    for disk, done, bench in places(small, tmp_path, name):
        if cuts == 0:
            before = records(small.path)
            whole = tmp_path / "whole" / "bench"
            shutil.copytree(small.path, whole)
            (whole.parent / "log.csv").write_bytes(TRACE)
            change(CampaignFolder(whole, "small"))
            after = records(whole)
            assert before != after
        cuts += 1
        for kind in KINDS:
            left = bench.parent / kind / "bench"
            left.parent.mkdir()
            disk.after_the_cut(kind, left)
            found = records(left)
            if done:
                assert found == after
            traces = {path for path in after | before if "/traces/" in path}
            assert {k: v for k, v in found.items() if k not in traces} in (
                {k: v for k, v in before.items() if k not in traces},
                {k: v for k, v in after.items() if k not in traces},
            )
            # A raw trace may be there before its firing is, and is never lost or cut short.
            kept = [content for path, content in found.items() if path in traces]
            assert set(kept) <= {before.get(p) for p in traces} | {after.get(p) for p in traces}
            if name != "a firing":
                assert len(kept) == len([p for p in before if p in traces])
            # What comes next is tried once for each state that the disk can be in.
            state = frozenset(
                (path.relative_to(left).as_posix(), path.read_bytes())
                for path in left.rglob("*")
                if path.is_file() and not path.name.endswith(".part")
            )
            if state not in seen:
                seen.add(state)
                life_goes_on(CampaignFolder(left, "small"))
    assert cuts > 8


def life_goes_on(folder: CampaignFolder) -> None:
    """The campaign is sound, takes another record, and that one can be taken back."""
    assert read_campaign(folder).problems == ()
    before = records(folder.bench)
    log_strand(folder, STRAND | {"test": "S-10"}, confirmed=False)
    assert read_campaign(folder).problems == ()
    undo(folder)
    assert records(folder.bench) == before
    numbers = [entry.number for entry in journal_of(folder).entries()]
    assert numbers == sorted(set(numbers))
    assert shared_journal(Bench(folder.bench)).entries() is not None
    assert list(folder.path.rglob("*.part")) == []
