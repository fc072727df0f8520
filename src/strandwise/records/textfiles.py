"""Text of a file on disk, with every way in which it may not be one turned into a finding."""

from __future__ import annotations

import errno
import os
import re
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from strandwise.findings import Finding, Source
from strandwise.records.alike import lies_in

if TYPE_CHECKING:
    from pathlib import Path

__all__ = [
    "LARGEST_TRACE",
    "WHOLE_FILE_CODES",
    "FileText",
    "decode_text",
    "is_absent",
    "kind_of",
    "read_plain",
    "read_text",
]

LARGEST = 10_000_000
"""Bytes; hand-kept tables are small, and a file beyond this is a raw log or a mistake."""

LARGEST_TRACE = 400_000_000
"""Bytes of a raw logger file; ten million rows are about as many."""

_BOM = b"\xef\xbb\xbf"
_LINE_END = re.compile(rb"\r\n|\r|\n")

WHOLE_FILE_CODES = frozenset(
    {
        "empty-file",
        "file-missing",
        "file-too-large",
        "not-a-file",
        "not-text",
        "not-utf-8",
        "outside-bench",
        "toml-syntax",
        "too-many-columns",
        "too-many-rows",
        "unknown-separator",
        "unreadable",
    }
)
"""Codes of findings after which nothing of a file is known."""


@dataclass(frozen=True, slots=True)
class FileText:
    """Content of a text file.

    Parameters
    ----------
    text
        Without a byte order mark; line ends as they are.
    bom
        Whether the file starts with a UTF-8 byte order mark.
    """

    text: str
    bom: bool


def is_absent(path: Path) -> bool:
    """Whether there is nothing at `path`: no file, no folder, no link that leads nowhere."""
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False


def kind_of(path: Path) -> Literal["a plain file", "a folder", "not a plain file"] | None:
    """What a path leads to; None: nothing.

    `Path.exists` and the like answer False since Python 3.14 where the disk does not answer.

    Raises
    ------
    OSError
        The disk does not say, as where a folder above may not be searched.
    """
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError, ValueError):
        return None
    except OSError as error:
        if error.errno == errno.ELOOP:
            return None
        raise
    if stat.S_ISDIR(mode):
        return "a folder"
    return "a plain file" if stat.S_ISREG(mode) else "not a plain file"


def read_plain(path: Path, most: int) -> bytes:
    """Read a plain file, which no pipe, device or endless file can hold up.

    Parameters
    ----------
    path
        Of the file.
    most
        Bytes that it may hold.

    Raises
    ------
    OSError
        It cannot be read, is no plain file, or is larger.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    # Looked at before it is opened, since opening alone moves some devices.
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, "a folder", str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "not a plain file", str(path))
    with open(os.open(path, flags), "rb") as file:  # noqa: PTH123 (of a descriptor)
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(errno.EINVAL, "not a plain file", str(path))
        content = file.read(most + 1)
    if len(content) > most:
        raise OSError(errno.EFBIG, f"more than {most} bytes", str(path))
    return content


def read_text(
    path: Path, shown: str, *, within: Path | None = None, most: int = LARGEST
) -> FileText | Finding:
    """Read `path`, named `shown` in the finding where it cannot be read.

    Parameters
    ----------
    path, shown
        The file, and its name for people.
    within
        Folder out of which no link may lead; None: anywhere.
    most
        Bytes that it may hold.

    Returns
    -------
    FileText or Finding
        The finding says why: missing, a folder, not readable, too large, not UTF-8.
    """
    source = Source(shown)
    try:
        kind = kind_of(path)
        if kind is None:
            what = "is a link that leads nowhere" if path.is_symlink() else "does not exist"
            return Finding(
                source,
                "file-missing",
                f"the file {what}",
                "a text file",
                "write it, or bring it back from a copy",
            )
        if kind != "a plain file":
            return Finding(
                source, "not-a-file", f"this is {kind}", "a text file", "rename or move it"
            )
        if within is not None and not lies_in(path, within):
            return Finding(
                source,
                "outside-bench",
                "the file is a link that leads out of the bench folder",
                "a file in the bench folder",
                "put the file itself in the place of the link",
            )
        size = path.stat().st_size
        if size > most:
            return Finding(
                source,
                "file-too-large",
                f"the file has {size} bytes",
                f"at most {most} bytes",
                "raw logger files belong into traces/",
            )
        raw = read_plain(path, most)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or error
        return Finding(
            source,
            "unreadable",
            f"the file cannot be read: {reason}",
            "a readable file",
            "look at its permissions, and whether another program keeps it open",
        )
    return decode_text(raw, shown)


def decode_text(raw: bytes, shown: str) -> FileText | Finding:
    """Decode the bytes of a file as `read_text` does."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Finding(
            Source(shown),
            "not-utf-8",
            "the text is UTF-16",
            "UTF-8",
            "save it as `CSV UTF-8` or as text in UTF-8",
        )
    bom = raw.startswith(_BOM)
    body = raw[len(_BOM) :] if bom else raw
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        ends = list(_LINE_END.finditer(body, 0, error.start))
        column = error.start - (ends[-1].end() if ends else 0) + 1
        return Finding(
            Source(shown, len(ends) + 1),
            "not-utf-8",
            f"byte 0x{body[error.start]:02x} at position {column} is not UTF-8 text",
            "UTF-8",
            "save the file with the encoding UTF-8",
        )
    if "\0" in text:
        ends = list(_LINE_END.finditer(body, 0, body.index(b"\0")))
        return Finding(
            Source(shown, len(ends) + 1),
            "not-text",
            "there is a zero byte in the file",
            "plain text",
            "save it as `CSV UTF-8` or as text in UTF-8; if it was damaged, take a copy",
        )
    return FileText(text, bom)
