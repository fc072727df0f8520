"""A grain tabulated once: area and volume at the places where the web is stepped.

Sizes that are off move the table linearly: the grain is tabulated again with each size a little
larger and smaller, place for place between the depths at which its area jumps, so that all draws
share one table and its derivatives.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.motor import (
    AreaTable,
    EndBurner,
    HollowCylinder,
    MultiCore,
    burning_area,
    burning_ends,
    burnout_depth,
    port_area,
    propellant_volume,
    web,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.motor import Grain

    Floats = NDArray[np.float64]

__all__ = ["SIZES", "GrainCurve", "tabulate_grain"]

SIZES = ("core_diameter", "outer_diameter", "length")
"""Sizes whose tolerances move the table, as `Tolerances` names them."""

_NUDGE = 1e-4  # of a size: its step for the derivative
_INSIDE = 1e-6  # of a stretch: where its ends are evaluated, free of the jump beside them
_FIRST_STEP = 1e-5  # of the burnout depth, right after ignition: the chamber fills
_FIRST_AFTER_JUMP = 2e-4  # of it, after a jump of the area
_LATER = 5.0  # so much longer may the first step after a jump be, the pressure being higher
_LEAST_STEP = 1e-12
_GROWTH = 1.16  # of one step over the one before it
_LARGEST_STEP = 1.0 / 90.0  # of the web
_LARGEST_CHANGE = 0.02  # of the area within a step, in ln
_MOST_PARTS = 8


_Columns = tuple["Floats", "Floats", "Floats", "Floats", "Floats | None"]


@dataclass(frozen=True, eq=False, slots=True)
class GrainCurve:
    """The table.

    Parameters
    ----------
    depth
        Burnt depth at each place, m, shape (K,); the last burns the last of the grain.
    area_from, area_to
        Burning area just after each place and just before the next, m², shape (K − 1,).
    volume
        Propellant left, m³, shape (K,).
    port
        Cross-section of the cores, m², shape (K,); None where there is none or it is not known.
    slopes
        By size: the derivatives of the five in that size, per m; None for a port that is None.
    web_index
        Place at which the web is burnt through (slivers after it), the last where none are left.
    """

    depth: Floats
    area_from: Floats
    area_to: Floats
    volume: Floats
    port: Floats | None
    slopes: dict[str, _Columns]
    web_index: int


def tabulate_grain(
    grain: Grain, sizes: tuple[str, ...] = (), first_step: float = math.inf
) -> GrainCurve:
    """Tabulate a grain on steps graded after ignition and after every jump of its area.

    Parameters
    ----------
    grain
        Sizes in m.
    sizes
        Which of `SIZES` get derivatives.
    first_step
        Longest first step, m: a small part of the depth that fills the chamber once.

    Raises
    ------
    DataError
        A size that this shape does not have.
    """
    stops = _stops(grain)
    places = _finer(grain, stops, _places(stops, first_step))
    values = _evaluate(grain, stops, places)
    slopes = {size: _slope(grain, size, len(stops), places) for size in sizes}
    through = web(grain)
    index = int(np.argmin(np.abs(values[0] - through)))
    return GrainCurve(*values, slopes=slopes, web_index=index)


def _stops(grain: Grain) -> Floats:
    """Depths between which the area runs smoothly, from 0 to burnout, m."""
    end = burnout_depth(grain)
    if isinstance(grain, AreaTable):
        return np.array(grain.web)
    inner = {web(grain)}
    if isinstance(grain, HollowCylinder | MultiCore):
        ends = burning_ends(grain.inhibited)
        if ends:
            inner |= {length / ends for length in grain.segment_lengths}
    within = sorted(stop for stop in inner if 1e-9 * end < stop < end * (1.0 - 1e-9))
    return np.array([0.0, *within, end])


def _places(stops: Floats, first_step: float) -> list[Floats]:
    """Shares of each stretch between stops at which it is stepped, each from 0 to 1."""
    whole = stops[-1]
    found = []
    for number, length in enumerate(np.diff(stops)):
        step = min(_FIRST_STEP * whole, first_step)
        if number:
            step = min(_FIRST_AFTER_JUMP * whole, _LATER * first_step)
        step = max(step, _LEAST_STEP * whole)
        at = [0.0]
        while at[-1] < length:
            at.append(at[-1] + step)
            step = min(step * _GROWTH, _LARGEST_STEP * whole)
        found.append(np.array(at) / at[-1])
    return found


def _finer(grain: Grain, stops: Floats, places: list[Floats]) -> list[Floats]:
    """The same places, with more of them where the area changes fast: a step is of second order."""
    found = []
    for start, end, shares in zip(stops[:-1], stops[1:], places, strict=True):
        inside = start + (end - start) * np.clip(shares, _INSIDE, 1.0 - _INSIDE)
        area = np.maximum(burning_area(grain, inside), 1e-12)
        parts = np.abs(np.diff(np.log(area))) / _LARGEST_CHANGE
        counts = np.clip(np.ceil(parts), 1, _MOST_PARTS).astype(np.intp)
        knots = np.concatenate([[0], np.cumsum(counts)])
        found.append(np.interp(np.arange(knots[-1] + 1), knots, shares))
    return found


def _evaluate(grain: Grain, stops: Floats, places: list[Floats]) -> _Columns:
    depths, firsts, lasts = [np.zeros(1)], [], []
    for start, end, shares in zip(stops[:-1], stops[1:], places, strict=True):
        at = start + (end - start) * shares
        inside = start + (end - start) * np.clip(shares, _INSIDE, 1.0 - _INSIDE)
        area = burning_area(grain, inside)
        depths.append(at[1:])
        firsts.append(area[:-1])
        lasts.append(area[1:])
    depth = np.concatenate(depths)
    volume = propellant_volume(grain, depth)
    return depth, np.concatenate(firsts), np.concatenate(lasts), volume, port_area(grain, depth)


def _slope(grain: Grain, size: str, stops: int, places: list[Floats]) -> _Columns:
    ends = []
    nominal = _size_of(grain, size)
    for factor in (1.0 - _NUDGE, 1.0 + _NUDGE):
        other = _resized(grain, size, factor)
        at = _stops(other)
        if at.size != stops:
            msg = f"segments whose burnouts change order with a {_NUDGE:.0e} change of {size}"
            raise DataError(msg, hint=f"leave out the tolerance of the {size.replace('_', ' ')}")
        ends.append(_evaluate(other, at, places))
    less, more = ends
    step = 2.0 * _NUDGE * nominal
    a, b, c, d = ((high - low) / step for low, high in zip(less[:4], more[:4], strict=True))
    ports = (less[4], more[4])
    return (
        a,
        b,
        c,
        d,
        None if ports[0] is None or ports[1] is None else (ports[1] - ports[0]) / step,
    )


def _size_of(grain: Grain, size: str) -> float:
    if isinstance(grain, AreaTable) or (isinstance(grain, EndBurner) and size == "core_diameter"):
        msg = f"a tolerance of the {size.replace('_', ' ')} for a grain that has none"
        raise DataError(msg, hint="leave it out")
    if isinstance(grain, EndBurner):
        return grain.diameter if size == "outer_diameter" else grain.length
    if size == "length":
        return float(np.mean(grain.segment_lengths))
    return float(getattr(grain, size))


def _resized(grain: Grain, size: str, factor: float) -> Grain:
    if isinstance(grain, EndBurner):
        name = "diameter" if size == "outer_diameter" else size
        return dataclasses.replace(grain, **{name: getattr(grain, name) * factor})
    assert isinstance(grain, HollowCylinder | MultiCore)
    if size != "length":
        return dataclasses.replace(grain, **{size: getattr(grain, size) * factor})
    if grain.length is not None:
        return dataclasses.replace(grain, length=grain.length * factor)
    # Every segment is off by the same length, as `Tolerances` says.
    step = (factor - 1.0) * float(np.mean(grain.lengths))
    return dataclasses.replace(grain, lengths=tuple(one + step for one in grain.lengths))
