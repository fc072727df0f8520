"""Writing files: whole ones at once, under a lock, and never a half-written one."""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import tomlkit
from filelock import FileLock, Timeout

from strandwise.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from strandwise.records.folder import CampaignFolder

__all__ = [
    "campaign_lock",
    "cannot_write",
    "compose_firing",
    "folder_lock",
    "new_folder",
    "write_bytes",
    "write_new",
]

_LOCK_SECONDS = 30.0


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
    lock = FileLock(str(folder / name), timeout=_LOCK_SECONDS)
    try:
        lock.acquire()
    except Timeout as error:
        msg = f"another program has been writing to {folder} for {_LOCK_SECONDS:g} s"
        raise RequestError(msg, hint="wait for it, or end it, and try again") from error
    except OSError as error:
        raise cannot_write(folder, error) from error
    try:
        yield
    finally:
        lock.release()


def cannot_write(path: Path, error: OSError | RuntimeError) -> RequestError:
    """Return the error of a file or folder that cannot be written, for a person."""
    reason = getattr(error, "strerror", None) or str(error)
    msg = f"cannot write {path}: {reason}"
    return RequestError(
        msg,
        expected="a folder that can be written, with room on the disk",
        hint="nothing was changed",
    )


def write_bytes(path: Path, content: bytes) -> None:
    """Replace a file's content, or make the file: all of it or nothing, on the disk on return.

    The content goes to a temporary file beside the target, which is flushed to the disk and
    renamed over the target; a symbolic link keeps pointing at its file.

    Raises
    ------
    RequestError
        The file cannot be written; it is then as it was.
    """
    temporary: Path | None = None
    try:
        target = path.resolve()
        descriptor, name = tempfile.mkstemp(
            prefix=f".{target.name}.", suffix=".part", dir=target.parent
        )
        temporary = Path(name)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(_mode(target))
        temporary.replace(target)
        temporary = None
    except (OSError, RuntimeError) as error:
        raise cannot_write(path, error) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    _sync_folder(target.parent)


def write_new(path: Path, content: bytes) -> None:
    """Make a file that must not exist yet; otherwise as `write_bytes`.

    Raises
    ------
    RequestError
        The file exists, or cannot be written.
    """
    try:
        exists = os.path.lexists(path)
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write(path, error) from error
    if exists:
        msg = f"{path} exists already"
        raise RequestError(msg, hint="choose another name; nothing was changed")
    write_bytes(path, content)


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
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent))
        yield temporary
        temporary.chmod(0o777 & ~_umask())
        if path.is_dir():
            path.rmdir()
        temporary.rename(path)
        temporary = None
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        if temporary is not None:
            shutil.rmtree(temporary, ignore_errors=True)
    _sync_folder(path.parent)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _mode(target: Path) -> int:
    try:
        return stat.S_IMODE(target.stat().st_mode)
    except FileNotFoundError:
        return 0o666 & ~_umask()


def _sync_folder(folder: Path) -> None:
    """Bring a rename to the disk; where a file system refuses, the rename itself has been done."""
    if os.name == "nt":
        return  # a folder cannot be opened there, and its entries are written through
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


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
