"""Grains: web, burning area and volume against burnt depth, SI units.

Every burning face recedes along its normal by the same depth, the burnt depth x (m). The
areas are those of the geometry itself, with no allowance for slivers or for erosive burning.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "FACES",
    "AreaTable",
    "EndBurner",
    "Grain",
    "HollowCylinder",
    "burning_area",
    "port_area",
    "propellant_mass",
    "propellant_volume",
    "web",
]

FACES = frozenset({"outer", "core", "ends"})
"""The faces that a grain's record may name as inhibited."""

# A burnt depth may miss the web by rounding and still mean burnout.
_DEPTH_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class HollowCylinder:
    """One or more equal cylinders with a round core.

    Parameters
    ----------
    outer_diameter, core_diameter
        m.
    length
        Of one segment, m.
    segments
        How many stand in the motor.
    inhibited
        Faces that do not burn: any of ``outer``, ``core``, ``ends``; at least one must burn.
    mass
        Of the propellant of all segments, kg; None where not weighed.
    density
        Of the propellant, kg/m³; None where not known.

    Raises
    ------
    DataError
        A size is not positive, the core is no smaller than the outside, an unknown face is
        named, or no face is left to burn.
    """

    outer_diameter: float
    core_diameter: float
    length: float
    segments: int = 1
    inhibited: frozenset[str] = frozenset()
    mass: float | None = None
    density: float | None = None

    def __post_init__(self) -> None:
        _check_sizes(
            self, ("outer_diameter", "core_diameter", "length"), optional=("mass", "density")
        )
        _check_faces(self.inhibited, FACES)
        if self.core_diameter >= self.outer_diameter:
            msg = (
                f"the core, {self.core_diameter * 1e3:g} mm, is not smaller than the outer "
                f"diameter, {self.outer_diameter * 1e3:g} mm"
            )
            raise DataError(msg, hint="check that the two diameters are not exchanged")
        if self.segments < 1 or self.segments != int(self.segments):
            msg = f"a grain of {self.segments} segments"
            raise DataError(msg, expected="a whole number of segments, at least 1")
        if self.inhibited >= FACES:
            msg = "outer, core and ends are all inhibited: no face is left to burn"
            raise DataError(msg, hint="name only the faces that are inhibited")


@dataclass(frozen=True, slots=True)
class EndBurner:
    """A solid cylinder that burns on one end face; its outside and other end do not burn.

    Parameters
    ----------
    diameter, length
        m.
    inhibited
        May name ``outer``, which an end burner implies.
    mass, density
        kg, kg/m³; None where not known.

    Raises
    ------
    DataError
        A size is not positive, or a face other than ``outer`` is named as inhibited.
    """

    diameter: float
    length: float
    inhibited: frozenset[str] = frozenset({"outer"})
    mass: float | None = None
    density: float | None = None

    def __post_init__(self) -> None:
        _check_sizes(self, ("diameter", "length"), optional=("mass", "density"))
        _check_faces(self.inhibited, FACES)
        if self.inhibited - {"outer"}:
            named = ", ".join(sorted(self.inhibited - {"outer"}))
            msg = f"an end burner with {named} inhibited"
            raise DataError(
                msg,
                expected="no inhibited face but outer; one end burns, the other does not",
                hint="use a hollow cylinder for a grain with a core",
            )


@dataclass(frozen=True, slots=True)
class AreaTable:
    """Any other grain, by its burning area at some burnt depths, straight lines between.

    Parameters
    ----------
    web
        Burnt depth, m, from 0 upward; its last value is the web.
    area
        Burning area at each depth, m²; only the last may be 0.
    mass, density
        kg, kg/m³; None where not known.

    Raises
    ------
    DataError
        Fewer than two depths, lengths that differ, depths that do not rise from 0, or an area
        that is not positive before burnout.
    """

    web: tuple[float, ...]
    area: tuple[float, ...]
    mass: float | None = None
    density: float | None = None

    def __post_init__(self) -> None:
        _check_sizes(self, (), optional=("mass", "density"))
        if len(self.web) != len(self.area) or len(self.web) < 2:
            msg = f"an area table of {len(self.web)} depths and {len(self.area)} areas"
            raise DataError(msg, expected="as many areas as depths, at least two of each")
        if not all(math.isfinite(value) for value in (*self.web, *self.area)):
            msg = "an area table with a value that is not a finite number"
            raise DataError(msg, expected="finite depths and areas")
        if self.web[0] != 0.0:
            msg = f"the area table starts at a burnt depth of {self.web[0] * 1e3:g} mm"
            raise DataError(msg, expected="0 for the first depth")
        for earlier, later in zip(self.web, self.web[1:], strict=False):
            if later <= earlier:
                msg = f"depth {later * 1e3:g} mm follows {earlier * 1e3:g} mm in the area table"
                raise DataError(msg, expected="depths that rise from row to row")
        if min(self.area[:-1]) <= 0.0 or self.area[-1] < 0.0:
            msg = f"a burning area of {min(self.area) * 1e6:g} mm² in the area table"
            raise DataError(msg, expected="areas above 0; only the last may be 0")


Grain: TypeAlias = HollowCylinder | EndBurner | AreaTable
"""What a motor may be filled with."""


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
        length of a segment where the ends burn.
    """
    if isinstance(grain, EndBurner):
        return grain.length
    if isinstance(grain, AreaTable):
        return grain.web[-1]
    radial_faces = len({"outer", "core"} - grain.inhibited)
    limits = []
    if radial_faces:
        limits.append((grain.outer_diameter - grain.core_diameter) / 2.0 / radial_faces)
    if "ends" not in grain.inhibited:
        limits.append(grain.length / 2.0)
    return min(limits)


def burning_area(grain: Grain, burnt: ArrayLike) -> NDArray[np.float64]:
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
        Area of all segments, m², of the shape of `burnt`; at the web the area just before
        burnout, beyond it 0.
    """
    depth = np.asarray(burnt, dtype=np.float64)
    whole = web(grain)
    inside = np.clip(depth, 0.0, whole)
    if isinstance(grain, EndBurner):
        area = np.full_like(depth, math.pi / 4.0 * grain.diameter**2)
    elif isinstance(grain, AreaTable):
        area = np.interp(inside, grain.web, grain.area)
    else:
        area = _hollow_cylinder_area(grain, inside)
    return np.where(depth <= whole * (1.0 + _DEPTH_ROUNDING), area, 0.0)


def propellant_volume(grain: Grain, burnt: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Return the volume of propellant that is left at a burnt depth.

    Parameters
    ----------
    grain
        Sizes in m.
    burnt
        Burnt depth, m, of any shape; clipped to 0 … web.

    Returns
    -------
    ndarray
        Volume of all segments, m³, of the shape of `burnt`. What a hollow cylinder whose ends
        meet first leaves of its wall, or an area table of its last area, counts as burnt.
    """
    depth = np.clip(np.asarray(burnt, dtype=np.float64), 0.0, web(grain))
    if isinstance(grain, EndBurner):
        return np.asarray(math.pi / 4.0 * grain.diameter**2 * (grain.length - depth))
    if isinstance(grain, AreaTable):
        return _table_volume(grain, depth)
    outer, core, length = _hollow_cylinder_sizes(grain, depth)
    return np.asarray(grain.segments * math.pi / 4.0 * (outer**2 - core**2) * length)


def port_area(grain: Grain, burnt: ArrayLike = 0.0) -> NDArray[np.float64] | None:
    """Return the cross-section of the core, through which the gas of a segment flows.

    Parameters
    ----------
    grain
        Sizes in m.
    burnt
        Burnt depth, m, of any shape; clipped to 0 … web.

    Returns
    -------
    ndarray or None
        m², of the shape of `burnt`; None for a grain without a core or without a known one.
    """
    if not isinstance(grain, HollowCylinder):
        return None
    depth = np.clip(np.asarray(burnt, dtype=np.float64), 0.0, web(grain))
    core = _hollow_cylinder_sizes(grain, depth)[1]
    return np.asarray(math.pi / 4.0 * core**2)


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


def _hollow_cylinder_sizes(
    grain: HollowCylinder, depth: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    burns = FACES - grain.inhibited
    outer = grain.outer_diameter - 2.0 * depth * ("outer" in burns)
    core = grain.core_diameter + 2.0 * depth * ("core" in burns)
    length = grain.length - 2.0 * depth * ("ends" in burns)
    return outer, core, length


def _hollow_cylinder_area(grain: HollowCylinder, depth: NDArray[np.float64]) -> NDArray[np.float64]:
    outer, core, length = _hollow_cylinder_sizes(grain, depth)
    area = np.zeros_like(depth)
    if "outer" not in grain.inhibited:
        area = area + math.pi * outer * length
    if "core" not in grain.inhibited:
        area = area + math.pi * core * length
    if "ends" not in grain.inhibited:
        area = area + math.pi / 2.0 * (outer**2 - core**2)
    return np.asarray(grain.segments * area)


def _table_volume(grain: AreaTable, depth: NDArray[np.float64]) -> NDArray[np.float64]:
    knots = np.asarray(grain.web)
    areas = np.asarray(grain.area)
    steps = np.diff(knots) * (areas[:-1] + areas[1:]) / 2.0
    left = np.concatenate([np.cumsum(steps[::-1])[::-1], [0.0]])
    row = np.clip(np.searchsorted(knots, depth, side="right") - 1, 0, len(knots) - 2)
    here = np.interp(depth, knots, areas)
    return np.asarray(left[row + 1] + (knots[row + 1] - depth) * (here + areas[row + 1]) / 2.0)


def _check_sizes(grain: object, required: tuple[str, ...], *, optional: tuple[str, ...]) -> None:
    for name in (*required, *optional):
        value = getattr(grain, name)
        if value is None and name in optional:
            continue
        if not (math.isfinite(value) and value > 0.0):
            msg = f"{name.replace('_', ' ')} of the grain is {value:g} in SI units"
            raise DataError(msg, expected="a number above 0")


def _check_faces(named: frozenset[str], known: frozenset[str]) -> None:
    unknown = sorted(set(named) - known)
    if unknown:
        msg = f"{', '.join(unknown)} named as an inhibited face"
        raise DataError(msg, expected=f"any of {', '.join(sorted(known))}")
