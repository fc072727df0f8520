"""Grains: web, burning area, port and volume against burnt depth, SI units.

Every burning face recedes along its normal by the same depth, the burnt depth x (m). The
areas are those of the geometry itself, slivers included, with no allowance for erosive burning.
The derivative of the volume is minus the burning area, and the volume at burnout is nothing.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from strandwise.motor.round_bores import RoundBores, bores_perimeter, bores_section
from strandwise.motor.shapes import AreaTable, EndBurner, HollowCylinder, MultiCore, burning_ends

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

    from strandwise.motor.shapes import Grain

    Floats = NDArray[np.float64]

__all__ = [
    "burning_area",
    "burnout_depth",
    "port_area",
    "propellant_mass",
    "propellant_volume",
    "web",
]

# A burnt depth may miss the burnout by rounding and still mean it.
_DEPTH_ROUNDING = 1e-9


def web(grain: Grain) -> float:
    """Return the depth that burns before the first face meets another or a wall.

    Parameters
    ----------
    grain
        Sizes in m.

    Returns
    -------
    float
        Web, m. For a hollow cylinder: half the wall where one of core and outside burns,
        a quarter of the difference of the diameters where both do, and no more than half the
        length of a segment where both its ends burn, or than its length where one does. Of
        segments of unequal lengths, that of the one that lasts longest. For several cores: to
        where the first core meets another or the wall; slivers are left (`burnout_depth`).
    """
    if isinstance(grain, EndBurner):
        return grain.length
    if isinstance(grain, AreaTable):
        return grain.web[-1] if grain.slivers_from is None else grain.slivers_from
    return _longest(grain, _radial_web(grain))


def burnout_depth(grain: Grain) -> float:
    """Return the depth that burns the last of the grain, slivers included.

    Parameters
    ----------
    grain
        Sizes in m.

    Returns
    -------
    float
        m; the web where no slivers are left.
    """
    if isinstance(grain, EndBurner):
        return grain.length
    if isinstance(grain, AreaTable):
        return grain.web[-1]
    return _longest(grain, _radial_burnout(grain))


def burning_area(grain: Grain, burnt: ArrayLike) -> Floats:
    """Return the burning area at a burnt depth.

    Parameters
    ----------
    grain
        Sizes in m.
    burnt
        Burnt depth, m, of any shape; negative depths are taken as 0.

    Returns
    -------
    ndarray
        Area of all segments, m², of the shape of `burnt`; at burnout the area just before it,
        beyond it 0.
    """
    depth = np.asarray(burnt, dtype=np.float64)
    if isinstance(grain, EndBurner):
        face = np.full_like(depth, math.pi / 4.0 * grain.diameter**2)
        return _until(depth, grain.length, face)
    if isinstance(grain, AreaTable):
        return _until(depth, grain.web[-1], np.interp(depth, grain.web, grain.area))
    ends = burning_ends(grain.inhibited)
    total = np.zeros_like(depth)
    for length, count, limit in _segments(grain):
        inside = np.clip(depth, 0.0, limit)
        side = _perimeter(grain, inside) * (length - ends * inside)
        face = ends * _section(grain, inside)
        total += count * _until(depth, limit, side + face)
    return total


def propellant_volume(grain: Grain, burnt: ArrayLike = 0.0) -> Floats:
    """Return the volume of propellant that is left at a burnt depth.

    Parameters
    ----------
    grain
        Sizes in m.
    burnt
        Burnt depth, m, of any shape; negative depths are taken as 0.

    Returns
    -------
    ndarray
        Volume of all segments, m³, of the shape of `burnt`; 0 from burnout on.
    """
    depth = np.clip(np.asarray(burnt, dtype=np.float64), 0.0, burnout_depth(grain))
    if isinstance(grain, EndBurner):
        return np.asarray(math.pi / 4.0 * grain.diameter**2 * (grain.length - depth))
    if isinstance(grain, AreaTable):
        return _table_volume(grain, depth)
    ends = burning_ends(grain.inhibited)
    total = np.zeros_like(depth)
    for length, count, limit in _segments(grain):
        inside = np.minimum(depth, limit)
        total += count * _section(grain, inside) * (length - ends * inside)
    return total


def port_area(grain: Grain, burnt: ArrayLike = 0.0) -> Floats | None:
    """Return the cross-section of the cores, through which the gas of a segment flows.

    Parameters
    ----------
    grain
        Sizes in m.
    burnt
        Burnt depth, m, of any shape; clipped to 0 … burnout.

    Returns
    -------
    ndarray or None
        m², of the shape of `burnt`; None for a grain without a core or without a known one.
    """
    if not isinstance(grain, HollowCylinder | MultiCore):
        return None
    depth = np.clip(np.asarray(burnt, dtype=np.float64), 0.0, burnout_depth(grain))
    receded = depth * ("outer" not in grain.inhibited)
    whole = math.pi * np.maximum(grain.outer_diameter / 2.0 - receded, 0.0) ** 2
    return np.asarray(whole - _section(grain, depth))


def propellant_mass(grain: Grain, density: float | None = None) -> float | None:
    """Return the mass of propellant: weighed, else density times volume.

    Parameters
    ----------
    grain
        Its own `mass`, then its own `density`, come first.
    density
        Of the batch, kg/m³.

    Returns
    -------
    float or None
        kg; None where neither a mass nor a density is known.
    """
    if grain.mass is not None:
        return grain.mass
    known = grain.density if grain.density is not None else density
    return None if known is None else known * float(propellant_volume(grain))


def _segments(grain: HollowCylinder | MultiCore) -> Iterator[tuple[float, int, float]]:
    """Each length, how many segments have it, and the depth at which they burn out."""
    radial = _radial_burnout(grain)
    for length, count in Counter(grain.segment_lengths).items():
        yield length, count, _end_limit(grain, length, radial)


def _longest(grain: HollowCylinder | MultiCore, radial: float) -> float:
    return max(_end_limit(grain, length, radial) for length in grain.segment_lengths)


def _end_limit(grain: HollowCylinder | MultiCore, length: float, radial: float) -> float:
    ends = burning_ends(grain.inhibited)
    return min(radial, length / ends) if ends else radial


def _until(depth: Floats, limit: float, area: Floats) -> Floats:
    return np.where(depth <= limit * (1.0 + _DEPTH_ROUNDING), area, 0.0)


def _radial_web(grain: HollowCylinder | MultiCore) -> float:
    if isinstance(grain, HollowCylinder):
        return _radial_burnout(grain)
    fronts_outside = 1.0 if "outer" in grain.inhibited else 2.0
    limits = [grain.wall_between / 2.0, grain.wall_outside / fronts_outside]
    if grain.wall_inside is not None:
        limits.append(grain.wall_inside / 2.0)
    return min(limits)


def _radial_burnout(grain: HollowCylinder | MultiCore) -> float:
    if isinstance(grain, MultiCore):
        return _last_sliver(grain)
    fronts = len({"outer", "core"} - grain.inhibited)
    return (grain.outer_diameter - grain.core_diameter) / 2.0 / fronts if fronts else math.inf


def _last_sliver(grain: MultiCore) -> float:
    """Depth to the point that lies farthest from every burning edge.

    It lies on a ray midway between two cores of the circle, at a distance s from the axis where
    two of the fronts meet (circle's cores, central core, outside) or at an end of the ray.
    """
    ring, core, outer = (
        size / 2.0 for size in (grain.circle_diameter, grain.core_diameter, grain.outer_diameter)
    )
    central = None if grain.central_core_diameter is None else grain.central_core_diameter / 2.0
    along = ring * math.cos(math.pi / grain.cores)
    outer_burns = "outer" not in grain.inhibited

    def depth(s: float) -> float:
        fronts = [math.sqrt(s * s + ring * ring - 2.0 * s * along) - core]
        if central is not None:
            fronts.append(s - central)
        if outer_burns:
            fronts.append(outer - s)
        return min(fronts)

    places = [0.0, outer]
    if central is not None:
        step = core - central
        if step + along > 0.0:
            places.append((ring**2 - step**2) / (2.0 * (step + along)))
        if outer_burns:
            places.append((outer + central) / 2.0)
    if outer_burns:
        reach = outer + core
        places.append((reach**2 - ring**2) / (2.0 * (reach - along)))
    return max(depth(s) for s in places if 0.0 <= s <= outer)


def _perimeter(grain: HollowCylinder | MultiCore, depth: Floats) -> Floats:
    if isinstance(grain, MultiCore):
        return bores_perimeter(_bores_of(grain), depth)
    outer, core = _diameters(grain, depth)
    burning = outer * ("outer" not in grain.inhibited) + core * ("core" not in grain.inhibited)
    return np.asarray(math.pi * burning)


def _section(grain: HollowCylinder | MultiCore, depth: Floats) -> Floats:
    if isinstance(grain, MultiCore):
        return bores_section(_bores_of(grain), depth)
    outer, core = _diameters(grain, depth)
    # (D − d)(D + d) keeps its digits where the wall is almost gone.
    return np.asarray(math.pi / 4.0 * np.maximum(outer - core, 0.0) * (outer + core))


def _diameters(grain: HollowCylinder, depth: Floats) -> tuple[Floats, Floats]:
    outer = grain.outer_diameter - 2.0 * depth * ("outer" not in grain.inhibited)
    core = grain.core_diameter + 2.0 * depth * ("core" not in grain.inhibited)
    return outer, core


def _bores_of(grain: MultiCore) -> RoundBores:
    turns = [2.0 * math.pi * i / grain.cores for i in range(grain.cores)]
    ring = grain.circle_diameter / 2.0
    centres = [(ring * math.cos(turn), ring * math.sin(turn)) for turn in turns]
    radii = [grain.core_diameter / 2.0] * grain.cores
    counts = [grain.cores, *[0] * (grain.cores - 1)]
    if grain.central_core_diameter is not None:
        centres.append((0.0, 0.0))
        radii.append(grain.central_core_diameter / 2.0)
        counts.append(1)
    return RoundBores(
        outer_radius=grain.outer_diameter / 2.0,
        centres=tuple(centres),
        radii=tuple(radii),
        outer_burns="outer" not in grain.inhibited,
        counts=tuple(counts),
    )


def _table_volume(grain: AreaTable, depth: Floats) -> Floats:
    knots = np.asarray(grain.web)
    areas = np.asarray(grain.area)
    steps = np.diff(knots) * (areas[:-1] + areas[1:]) / 2.0
    left = np.concatenate([np.cumsum(steps[::-1])[::-1], [0.0]])
    row = np.clip(np.searchsorted(knots, depth, side="right") - 1, 0, len(knots) - 2)
    here = np.interp(depth, knots, areas)
    return np.asarray(left[row + 1] + (knots[row + 1] - depth) * (here + areas[row + 1]) / 2.0)
