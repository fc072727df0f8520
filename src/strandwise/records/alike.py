"""Names that some file systems do not tell apart.

To most disks of a Mac or of Windows, and to memory cards, `F-1.toml` and `f-1.toml` are one file.
A bench folder moves from one disk to another, so its names are kept apart on every disk as they
must be on those.
"""

from __future__ import annotations

import contextlib
import os
import unicodedata
from pathlib import Path

from strandwise.errors import RequestError

__all__ = ["entry_alike", "fold_name", "lies_in", "may_lie_in", "refuse_alike"]


def fold_name(name: str) -> str:
    """`name` without what some file systems do not tell apart: capitals, and how letters are made.

    All signs that exFAT's table of capitals takes for one are one here too, and some more.
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def entry_alike(path: Path) -> Path | None:
    """What is on the disk under a path's name, or under one like it, as the disk spells it.

    The very name comes first. None where there is nothing like it.
    """
    try:
        names = os.listdir(path.parent)  # noqa: PTH208 (names alone, with no path made of each)
    except OSError:
        return path if os.path.lexists(path) else None
    if path.name in names:
        return path
    folded = fold_name(path.name)
    return next((path.with_name(name) for name in names if fold_name(name) == folded), None)


def refuse_alike(path: Path) -> None:
    """Refuse a new name that is taken, or that some file system would not tell from a taken one.

    Raises
    ------
    RequestError
        There is such an entry.
    """
    other = entry_alike(path)
    if other is None:
        return
    msg = f"{path} exists already"
    if other.name != path.name:
        msg = f"{path} differs from `{other.name}` beside it only in capitals"
    raise RequestError(msg, hint="choose another name, or rename that one; nothing was changed")


def lies_in(path: Path, folder: Path) -> bool:
    """Whether a path, links followed, lies in a folder; for sure, however either is spelt.

    Raises
    ------
    OSError, RuntimeError
        Links lead in a circle.
    """
    target, home = path.resolve(), folder.resolve()
    if target.is_relative_to(home):
        return True
    for parent in target.parents:
        with contextlib.suppress(OSError):
            if parent.samefile(home):
                return True
    return False


def may_lie_in(path: Path, folder: Path) -> bool:
    """Whether a path lies in a folder, or would where capitals are not told apart.

    Raises
    ------
    OSError, RuntimeError
        Links lead in a circle.
    """
    folded = [Path(fold_name(str(place.resolve()))) for place in (path, folder)]
    return lies_in(path, folder) or folded[0].is_relative_to(folded[1])
