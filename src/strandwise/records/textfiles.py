"""Text of a file on disk, with every way in which it may not be one turned into a finding."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.findings import Finding, Source

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["WHOLE_FILE_CODES", "FileText", "decode_text", "is_absent", "read_text"]

# Hand-kept records are small; a file beyond this is a raw log or a mistake.
LARGEST = 20_000_000
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
        "toml-syntax",
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


def read_text(path: Path, shown: str) -> FileText | Finding:
    """Read `path`, named `shown` in the finding where it cannot be read.

    Returns
    -------
    FileText or Finding
        The finding says why: missing, a folder, not readable, too large, not UTF-8.
    """
    source = Source(shown)
    try:
        if not path.exists():
            what = "is a link that leads nowhere" if path.is_symlink() else "does not exist"
            return Finding(
                source,
                "file-missing",
                f"the file {what}",
                "a text file",
                "write it, or bring it back from a copy",
            )
        if not path.is_file():
            what = "a folder" if path.is_dir() else "not a plain file"
            return Finding(
                source, "not-a-file", f"this is {what}", "a text file", "rename or move it"
            )
        size = path.stat().st_size
        if size > LARGEST:
            return Finding(
                source,
                "file-too-large",
                f"the file has {size} bytes",
                f"at most {LARGEST} bytes",
                "raw logger files belong into traces/",
            )
        raw = path.read_bytes()
    except OSError as error:
        return Finding(
            source,
            "unreadable",
            f"the file cannot be read: {error.strerror or error}",
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
