"""A grain drawn in plain text: its cross-section and a cut along its axis."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from strandwise.motor import EndBurner, MultiCore

if TYPE_CHECKING:
    from strandwise.motor import HollowCylinder

__all__ = ["grain_sketch"]

_ROWS = 11
_WIDE = 2  # columns as high as one row
_LONGEST = 42  # columns of the cut along the axis
_MOST_SEGMENTS = 12
_GAP = "    "


def grain_sketch(
    grain: HollowCylinder | MultiCore | EndBurner, offset: float = 0.0, *, room: int | None = None
) -> list[str]:
    """Draw the cross-section of a grain and, beside it, the cut through its axis.

    Parameters
    ----------
    grain
        Sizes in m.
    offset
        Of a single core from the axis, m.
    room
        Columns that there are; None: as many as it takes. Where there are too few for both
        drawings side by side, the cut stands below.

    Returns
    -------
    list of str
        Lines of up to 70 columns, or down to 22 in a narrow room; ``#`` is propellant. The
        lengths are to the scale of the diameters where they fit, and to each other always.
    """
    outer = grain.diameter if isinstance(grain, EndBurner) else grain.outer_diameter
    holes = _holes(grain, offset)
    lengths = (grain.length,) if isinstance(grain, EndBurner) else grain.segment_lengths
    columns = _columns(lengths, outer, _LONGEST)
    is_beside = room is None or _ROWS * _WIDE + len(_GAP) + sum(columns) + len(columns) - 1 <= room
    if not is_beside and room is not None:
        columns = _columns(lengths, outer, min(max(room, _ROWS * _WIDE), _LONGEST))
    sections, cuts = [], []
    for row in range(_ROWS):
        y = outer * (0.5 - (row + 0.5) / _ROWS)
        section = "".join(
            _sign(outer * ((column + 0.5) / (_ROWS * _WIDE) - 0.5), y, outer, holes)
            for column in range(_ROWS * _WIDE)
        )
        cut = " ".join(_sign(0.0, y, outer, holes) * count for count in columns)
        sections.append(section)
        cuts.append(cut)
    if is_beside:
        return [f"{a}{_GAP}{b}".rstrip() for a, b in zip(sections, cuts, strict=True)]
    return [line.rstrip() for line in (*sections, "", *cuts)]


def _holes(
    grain: HollowCylinder | MultiCore | EndBurner, offset: float
) -> list[tuple[float, float, float]]:
    """Centre (x, y) and radius of each core, m; the first on the upright through the axis."""
    if isinstance(grain, EndBurner):
        return []
    radius = grain.core_diameter / 2.0
    if not isinstance(grain, MultiCore):
        return [(0.0, -offset, radius)]
    circle = grain.circle_diameter / 2.0
    turns = [2.0 * math.pi * core / grain.cores for core in range(grain.cores)]
    holes = [(circle * math.sin(turn), circle * math.cos(turn), radius) for turn in turns]
    if grain.central_core_diameter is not None:
        holes.append((0.0, 0.0, grain.central_core_diameter / 2.0))
    return holes


def _sign(x: float, y: float, outer: float, holes: list[tuple[float, float, float]]) -> str:
    inside = math.hypot(x, y) <= outer / 2.0
    open_ = any(math.hypot(x - u, y - v) < radius for u, v, radius in holes)
    return "#" if inside and not open_ else " "


def _columns(lengths: tuple[float, ...], outer: float, longest: int) -> list[int]:
    """Columns of each segment in the cut; many segments are drawn as one."""
    if len(lengths) > _MOST_SEGMENTS:
        lengths = (sum(lengths),)
    room = max(longest - (len(lengths) - 1), len(lengths))
    scale = min(_ROWS * _WIDE / outer, room / sum(lengths))
    return [max(1, int(scale * length)) for length in lengths]
