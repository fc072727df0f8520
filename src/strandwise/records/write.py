"""Writing files: whole ones at once, under a lock, and never a half-written one."""

from __future__ import annotations

import contextlib
import errno
import os
import re
import shutil
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import tomlkit
from filelock import FileLock, Timeout

from strandwise.errors import RequestError
from strandwise.records.alike import lies_in, refuse_alike

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from strandwise.records.folder import CampaignFolder

__all__ = [
    "campaign_lock",
    "cannot_write",
    "compose_firing",
    "folder_lock",
    "make_folder",
    "new_folder",
    "refuse_open_in_spreadsheet",
    "remove_file",
    "rename_file",
    "sweep",
    "sync_folder",
    "temporaries",
    "write_bytes",
    "write_new",
]

_LOCK_SECONDS = 30.0
_TEMPORARY = re.compile(r"\..+\.[a-z0-9_]{8}\.part")


def campaign_lock(folder: CampaignFolder) -> contextlib.AbstractContextManager[None]:
    """Hold a campaign's lock, as `folder_lock`."""
    return folder_lock(folder.path, folder.lock.name)


@contextlib.contextmanager
def folder_lock(folder: Path, name: str = ".write.lock") -> Iterator[None]:
    """Hold a folder's lock, so that writers take turns.

    The lock's file stays in the folder; the system frees the lock itself when its holder ends,
    in whatever way.

    Raises
    ------
    RequestError
        Another program held it for half a minute, or the folder cannot be written.
    """
    path = folder / name
    if path.is_symlink():
        msg = f"{path} is a link, which a lock is not"
        raise RequestError(msg, hint="delete it and try again; nothing was changed")
    lock = FileLock(str(path), timeout=_LOCK_SECONDS)
    try:
        lock.acquire()
    except Timeout as error:
        msg = f"another program has been writing to {folder} for {_LOCK_SECONDS:g} s"
        raise RequestError(msg, hint="wait for it, or end it, and try again") from error
    except (OSError, NotImplementedError) as error:
        # Some network file systems have no locks.
        raise cannot_write(folder, error) from error
    try:
        yield
    finally:
        lock.release()


def cannot_write(path: Path, error: OSError | RuntimeError) -> RequestError:
    """Return the error of a file or folder that cannot be written, for a person."""
    reason = getattr(error, "strerror", None) or str(error)
    msg = f"cannot write {path}: {reason}"
    hint = "nothing was changed"
    if isinstance(error, PermissionError):
        hint = f"if another program has it open, close it there; {hint}"
    return RequestError(
        msg, expected="a folder that can be written, with room on the disk", hint=hint
    )


def write_bytes(path: Path, content: bytes, *, within: Path | None = None) -> None:
    """Replace a file's content, or make the file: all of it or nothing, on the disk on return.

    The content goes to a temporary file beside the target, which is flushed to the disk and
    renamed over the target; a symbolic link keeps pointing at its file.

    Parameters
    ----------
    path, content
        The file and what it is to hold.
    within
        Folder out of which no link may lead; None: anywhere.

    Raises
    ------
    RequestError
        The file cannot be written, or lies elsewhere; it is then as it was. Or the disk did not
        confirm that it holds the file, which the message says.
    """
    temporary: Path | None = None
    try:
        target = _target(path, within)
        descriptor, name = tempfile.mkstemp(
            prefix=f".{target.name}.", suffix=".part", dir=target.parent
        )
        temporary = Path(name)
        try:
            file = os.fdopen(descriptor, "wb")
        except BaseException:
            # A file that is open cannot be removed everywhere.
            os.close(descriptor)
            raise
        with file:
            file.write(content)
            file.flush()
            _flush(file.fileno())
        temporary.chmod(_mode(target))
        temporary.replace(target)
        temporary = None
    except (OSError, RuntimeError) as error:
        raise cannot_write(path, error) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    sync_folder(target.parent)


def write_new(path: Path, content: bytes, *, within: Path | None = None) -> None:
    """Make a file that must not exist yet; otherwise as `write_bytes`.

    Raises
    ------
    RequestError
        The file exists, or one whose name differs only in capitals, or it cannot be written.
    """
    refuse_alike(path)
    try:
        _target(path, within)
        make_folder(path.parent)
    except (OSError, RuntimeError) as error:
        raise cannot_write(path, error) from error
    write_bytes(path, content, within=within)


def make_folder(path: Path) -> None:
    """Make a folder and those above it that are not there, on the disk on return.

    Raises
    ------
    OSError
        It cannot be made.
    """
    missing = [folder for folder in (path, *path.parents) if not folder.exists()]
    for folder in reversed(missing):
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)


def remove_file(path: Path, *, within: Path | None = None) -> None:
    """Take a file away, on the disk on return; one that is not there is no fault.

    Raises
    ------
    RequestError
        It cannot be removed, or lies outside `within`.
    """
    try:
        _target(path, within)
        path.unlink(missing_ok=True)
    except (OSError, RuntimeError) as error:
        raise cannot_write(path, error) from error
    sync_folder(path.parent)


def rename_file(path: Path, to: Path, *, within: Path | None = None) -> None:
    """Give a file a name in the same folder that is not taken, on the disk on return.

    Raises
    ------
    RequestError
        It cannot be renamed, the name is taken or differs from one only in capitals, or one of
        them lies outside `within`.
    """
    refuse_alike(to)
    try:
        _target(path, within)
        _target(to, within)
        path.rename(to)
    except (OSError, RuntimeError) as error:
        raise cannot_write(path, error) from error
    sync_folder(path.parent)


def sweep(folder: Path) -> None:
    """Remove the temporary files of writers that were killed; hold the folder's lock around it."""
    with contextlib.suppress(OSError):
        for entry in temporaries(folder):
            entry.unlink()


def temporaries(folder: Path) -> list[Path]:
    """Files in a folder that were to take the place of others, sorted."""
    with contextlib.suppress(OSError):
        return sorted(e for e in folder.iterdir() if _TEMPORARY.fullmatch(e.name) and e.is_file())
    return []


def refuse_open_in_spreadsheet(path: Path, shown: str) -> None:
    """Refuse a file that a spreadsheet has open: saving it there would undo what is written now.

    Spreadsheets put a file beside the one that they have open: `.~lock.NAME#` or `~$NAME`.

    Raises
    ------
    RequestError
        There is such a file.
    """
    for mark in (f".~lock.{path.name}#", f"~${path.name}"):
        if os.path.lexists(path.parent / mark):
            msg = f"{shown} is open in a spreadsheet (there is a file {mark} beside it)"
            raise RequestError(
                msg,
                expected="a file that no other program keeps and saves later",
                hint="save and close it there and try again, or delete that file if no spreadsheet "
                "has it open; nothing was changed",
            )


def _target(path: Path, within: Path | None) -> Path:
    """The file that a path leads to, which must be a plain one inside `within`, or be new."""
    target = path.resolve()
    if within is not None and not lies_in(target, within):
        msg = f"{path} leads out of the bench folder, to {target}"
        raise RequestError(
            msg,
            expected="a file in the bench folder",
            hint="put the file itself in the place of the link; nothing was changed",
        )
    if target.exists() and not target.is_file():
        msg = f"{path} is not a plain file"
        raise RequestError(msg, hint="rename or move it; nothing was changed")
    return target


@contextlib.contextmanager
def new_folder(path: Path) -> Iterator[Path]:
    """Fill a folder beside `path` and give it that name when all of it is there.

    Whatever interrupts the filling, `path` is then not there, or empty as before.

    Yields
    ------
    Path
        The folder to be filled.

    Raises
    ------
    RequestError
        `path` is a file or a folder that is not empty, or cannot be written.
    """
    temporary: Path | None = None
    try:
        if os.path.lexists(path) and (not path.is_dir() or any(path.iterdir())):
            msg = f"{path} exists already"
            raise RequestError(msg, hint="choose another name; nothing was changed")
        make_folder(path.parent)
        temporary = Path(tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent))
        yield temporary
        temporary.chmod(0o777 & ~_umask())
        sync_folder(temporary)
        if path.is_dir():
            path.rmdir()
        temporary.rename(path)
        temporary = None
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)
    sync_folder(path.parent)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _mode(target: Path) -> int:
    try:
        return stat.S_IMODE(target.stat().st_mode)
    except FileNotFoundError:
        return 0o666 & ~_umask()


# What file systems answer that do not flush folders.
_NO_FLUSH = {errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.EACCES, errno.EPERM, errno.ENOSYS}


def sync_folder(folder: Path) -> None:
    """Bring new, renamed and removed entries of a folder to the disk.

    Raises
    ------
    RequestError
        The disk failed; the change was made, but may be lost with the power.
    """
    if os.name == "nt":
        return  # a folder cannot be opened there, and its entries are written through
    try:
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            _flush(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        if error.errno in _NO_FLUSH:
            return
        msg = f"{folder} was written, but the disk did not confirm it: {error.strerror or error}"
        raise RequestError(
            msg,
            hint="copy the folder to another disk, then run `strandwise check` and see whether "
            "the last record is there",
        ) from error


def _flush(descriptor: int) -> None:
    # On macOS fsync stops at the drive's own memory, which a power cut empties.
    full = getattr(fcntl, "F_FULLFSYNC", None)
    if full is not None:
        with contextlib.suppress(OSError):
            fcntl.fcntl(descriptor, full)
            return
    os.fsync(descriptor)


def compose_firing(tables: Mapping[str, object]) -> str:
    """Text of a firing's file from its keys and tables, in the order given."""
    document = tomlkit.document()
    for key, value in tables.items():
        if isinstance(value, dict):
            table = tomlkit.table()
            for name, item in value.items():
                table.add(name, item)
            document.add(key, table)
        else:
            document.add(key, value)
    return tomlkit.dumps(document)
