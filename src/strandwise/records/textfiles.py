"""Text of a file on disk, with every way in which it may not be one turned into a finding."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.findings import Finding, Source

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["FileText", "read_text"]

# Hand-kept records are small; a file beyond this is a raw log or a mistake.
_LARGEST = 20_000_000
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class FileText:
    """Content of a text file.

    Parameters
    ----------
    raw
        Bytes as they are on disk.
    text
        The same decoded, without a byte order mark; line ends as they are.
    bom
        Whether the file starts with a UTF-8 byte order mark.
    """

    raw: bytes
    text: str
    bom: bool


def read_text(path: Path, shown: str) -> FileText | Finding:
    """Read `path`, named `shown` in the finding where it cannot be read.

    Returns
    -------
    FileText or Finding
        The finding says why: missing, a folder, not readable, too large, not UTF-8.
    """
    source = Source(shown)
    if not path.exists():
        return Finding(source, "file-missing", "the file does not exist", "a text file")
    if not path.is_file():
        found = "a folder" if path.is_dir() else "not a plain file"
        return Finding(source, "not-a-file", f"this is {found}", "a text file", "rename or move it")
    try:
        if path.stat().st_size > _LARGEST:
            return Finding(
                source,
                "file-too-large",
                f"the file has {path.stat().st_size} bytes",
                f"at most {_LARGEST} bytes",
                "raw logger files belong into traces/",
            )
        raw = path.read_bytes()
    except OSError as error:
        return Finding(source, "unreadable", f"cannot be read: {error.strerror}", "a readable file")
    return _decode(raw, source)


def _decode(raw: bytes, source: Source) -> FileText | Finding:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Finding(
            source,
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
        line = body.count(b"\n", 0, error.start) + 1
        column = error.start - (body.rfind(b"\n", 0, error.start) + 1) + 1
        return Finding(
            Source(source.path, line),
            "not-utf-8",
            f"byte 0x{body[error.start]:02x} at position {column} is not UTF-8 text",
            "UTF-8",
            "save the file with the encoding UTF-8",
        )
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        return Finding(
            Source(source.path, line), "not-text", "there is a zero byte in the file", "plain text"
        )
    return FileText(raw, text, bom)
