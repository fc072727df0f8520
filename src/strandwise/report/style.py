"""The one look of every picture, and writing pictures to files.

Series differ in marker, line and lightness as well as in hue, so that a grey print and a
colour-blind reader lose nothing. The same figure gives the same bytes each time: a user's own
matplotlib settings are set aside, SVG ids come from a fixed salt and no file carries a date.
"""

from __future__ import annotations

import io
import os
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib.figure import Figure

from strandwise.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = [
    "ACCENT",
    "FAINT",
    "INK",
    "MUTED",
    "PICTURE_FORMATS",
    "SERIES",
    "UNTESTED",
    "SeriesStyle",
    "house_style",
    "new_figure",
    "picture_bytes",
    "save_figure",
]

INK = "#1d2430"
MUTED = "#5d6673"
FAINT = "#d3d7de"
ACCENT = "#14406b"

UNTESTED: Mapping[str, Any] = {
    "facecolor": "none",
    "edgecolor": "#b4bac4",
    "hatch": "////",
    "linewidth": 0.0,
    "zorder": 0.5,
}
"""How a span is filled where nothing was tested: hatched, which no shade of grey is taken for."""

PICTURE_FORMATS = (".png", ".svg", ".pdf")
_PNG_DPI = 160
_MOST_PIXELS = 2**16  # either way, that matplotlib draws


@dataclass(frozen=True, slots=True)
class SeriesStyle:
    """How one series is drawn: colour, marker and line, each telling it apart on its own.

    Parameters
    ----------
    colour
        Hexadecimal colour.
    marker
        Marker code.
    dashes
        Line pattern as (offset, on-off lengths in points); ``(0, ())`` is solid.
    """

    colour: str
    marker: str
    dashes: tuple[float, tuple[float, ...]]


SERIES = (
    SeriesStyle("#14406b", "o", (0, ())),
    SeriesStyle("#cf5c1b", "s", (0, (6, 2))),
    SeriesStyle("#0f6b62", "^", (0, (6, 1.5, 1.2, 1.5))),
    SeriesStyle("#a15fb0", "D", (0, (1.4, 1.4))),
)

_STYLE: dict[Any, Any] = {
    "axes.axisbelow": True,
    "axes.edgecolor": MUTED,
    "axes.grid": True,
    "axes.labelcolor": INK,
    "axes.labelsize": 9.5,
    "axes.linewidth": 0.8,
    "axes.spines.right": False,
    "axes.spines.top": False,
    "axes.titlecolor": INK,
    "axes.titlelocation": "left",
    "axes.titlesize": 10.0,
    "axes.titleweight": "bold",
    "errorbar.capsize": 0.0,
    "figure.dpi": _PNG_DPI,
    "figure.facecolor": "white",
    "figure.titlesize": 12.0,
    "figure.titleweight": "bold",
    "font.family": ["DejaVu Sans"],
    "font.size": 9.0,
    "grid.color": "#e6e9ee",
    "grid.linewidth": 0.7,
    "hatch.linewidth": 0.6,
    "legend.fontsize": 8.0,
    "legend.frameon": False,
    "legend.handlelength": 3.6,
    "lines.linewidth": 1.6,
    "lines.markersize": 5.0,
    "pdf.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "strandwise",
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": MUTED,
    "xtick.labelcolor": INK,
    "xtick.labelsize": 8.5,
    "ytick.color": MUTED,
    "ytick.labelcolor": INK,
    "ytick.labelsize": 8.5,
}

# None takes out what would change from one run to the next.
_METADATA: Mapping[str, Mapping[str, str | None]] = {
    ".png": {"Software": "strandwise"},
    ".svg": {"Creator": "strandwise", "Date": None},
    ".pdf": {"Creator": "strandwise", "CreationDate": None},
}


@contextmanager
def house_style() -> Iterator[None]:
    """While open, artists are made in the house style and in no user's own."""
    with mpl.rc_context(), warnings.catch_warnings():
        # A name in letters that the font lacks shows boxes; that is no reason to warn at length.
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .* missing from font")
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def new_figure(width: float, height: float) -> Figure:
    """Empty figure in the house style, `width` by `height` inches; call inside `house_style`."""
    return Figure(figsize=(width, height), layout="constrained")


def picture_bytes(figure: Figure, suffix: str) -> bytes:
    """Encode a picture as the bytes of a file; the same figure gives the same bytes.

    Parameters
    ----------
    figure
        From one of the drawing functions.
    suffix
        ``.png`` (160 dots an inch), ``.svg`` (letters as outlines) or ``.pdf`` (fonts embedded).

    Raises
    ------
    RequestError
        The suffix is none of these, or there is too much to draw for a ``.png``.
    """
    kind = suffix.lower()
    if kind not in PICTURE_FORMATS:
        msg = (
            f"a picture cannot be written as `{suffix}`"
            if suffix
            else ("the name of the picture has no ending that tells its format")
        )
        raise RequestError(
            msg,
            expected=f"a name that ends in one of {', '.join(PICTURE_FORMATS)}",
            hint="choose .svg for a page, .png for a message, .pdf for print",
        )
    widest = max(figure.get_size_inches())
    if kind == ".png" and widest * _PNG_DPI >= _MOST_PIXELS:
        msg = f"the picture would be {widest:.0f} inches high, which is too much for .png"
        raise RequestError(msg, hint="choose .svg or .pdf, or draw a part of it")
    stream = io.BytesIO()
    with house_style():
        figure.savefig(stream, format=kind[1:], dpi=_PNG_DPI, metadata=dict(_METADATA[kind]))
    return stream.getvalue()


def save_figure(figure: Figure, path: Path) -> None:
    """Write a picture; the suffix of `path` chooses the format.

    The file appears complete or not at all: it is written beside its target and then moved.

    Raises
    ------
    RequestError
        The suffix is unknown, the folder is missing or may not be written to, or the path is
        a folder itself.
    """
    target = Path(path)
    data = picture_bytes(figure, target.suffix)
    if not target.parent.is_dir():
        msg = f"the folder `{target.parent}` of the picture does not exist"
        raise RequestError(msg, hint="make the folder first, or choose another")
    try:
        _write_atomically(target, data)
    except OSError as error:
        msg = f"the picture `{target}` cannot be written: {error.strerror}"
        raise RequestError(msg, hint="choose another name or folder") from error


def _write_atomically(target: Path, data: bytes) -> None:
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with temporary.open("wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.replace(target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
