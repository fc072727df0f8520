"""The shapes of a grain, as its maker measures them; SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

from strandwise.errors import DataError
from strandwise.motor.size_error import SizeError

__all__ = [
    "FACES",
    "AreaTable",
    "EndBurner",
    "Grain",
    "HollowCylinder",
    "MultiCore",
    "burning_ends",
]

FACES = frozenset({"outer", "core", "ends", "one-end"})
"""The faces that a grain's record may name as inhibited."""


@dataclass(frozen=True, slots=True)
class HollowCylinder:
    """One or more cylinders with a round core, all of the same diameters.

    Parameters
    ----------
    outer_diameter, core_diameter
        m.
    length
        Of one segment, m; None where `lengths` gives each its own.
    segments
        How many of that length stand in the motor.
    inhibited
        Faces that do not burn: any of ``outer``, ``core``, ``ends``, or ``one-end`` where one
        end of each segment is covered; at least one face must burn.
    mass
        Of the propellant of all segments, kg; None where not weighed.
    density
        Of the propellant, kg/m³; None where not known.
    lengths
        Of each segment, m, in place of `length` and `segments`.

    Raises
    ------
    DataError
        A size is not positive, the core is no smaller than the outside, an unknown face is
        named, no face is left to burn, or the segments have no length or two.
    """

    outer_diameter: float
    core_diameter: float
    length: float | None = None
    segments: int = 1
    inhibited: frozenset[str] = frozenset()
    mass: float | None = None
    density: float | None = None
    lengths: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        _check_sizes(self, ("outer_diameter", "core_diameter"), ("mass", "density"))
        _check_faces(self.inhibited)
        _check_core(self.core_diameter, self.outer_diameter)
        _check_lengths(self.length, self.segments, self.lengths)
        if self.inhibited >= {"outer", "core", "ends"}:
            msg = "outer, core and ends are all inhibited: no face is left to burn"
            raise DataError(msg, hint="name only the faces that are inhibited")

    @property
    def segment_lengths(self) -> tuple[float, ...]:
        """Length of every segment, m."""
        return _segment_lengths(self.length, self.segments, self.lengths)


@dataclass(frozen=True, slots=True)
class MultiCore:
    """One or more cylinders with several equal round cores on a circle, and maybe one amid them.

    Parameters
    ----------
    outer_diameter, core_diameter
        m.
    cores
        How many lie on the circle, evenly; at least 2.
    circle_diameter
        Of the circle through their centres, m.
    length, segments, lengths
        As of `HollowCylinder`.
    inhibited
        Any of ``outer``, ``ends``, ``one-end``; the cores burn.
    mass, density
        kg, kg/m³; None where not known.
    central_core_diameter
        Of a further core on the axis, m; None where there is none.

    Raises
    ------
    DataError
        A size is not positive, the cores run into each other or through the outside, or the
        faces or lengths are at fault as those of `HollowCylinder`.
    """

    outer_diameter: float
    core_diameter: float
    cores: int
    circle_diameter: float
    length: float | None = None
    segments: int = 1
    inhibited: frozenset[str] = frozenset()
    mass: float | None = None
    density: float | None = None
    lengths: tuple[float, ...] = ()
    central_core_diameter: float | None = None

    def __post_init__(self) -> None:
        _check_sizes(
            self,
            ("outer_diameter", "core_diameter", "circle_diameter"),
            ("mass", "density", "central_core_diameter"),
        )
        _check_faces(self.inhibited)
        _check_lengths(self.length, self.segments, self.lengths)
        if "core" in self.inhibited:
            msg = "a grain of several cores with its cores inhibited"
            raise DataError(msg, expected="no inhibited faces but outer, ends or one-end")
        if self.cores < 2 or self.cores != int(self.cores):
            msg = f"a grain of several cores with {self.cores} on its circle"
            raise DataError(msg, expected="2 or more", hint="one core is a hollow cylinder")
        walls = {
            "one core from the next": self.wall_between,
            "the cores from the outside": self.wall_outside,
            "the cores from the central one": self.wall_inside,
        }
        for what, wall in walls.items():
            if wall is not None and wall <= 0.0:
                msg = f"{{wall}} of propellant part {what}"
                raise SizeError(
                    msg,
                    expected="more than 0",
                    hint="check the four diameters",
                    sizes={"wall": (wall, "m")},
                )

    @property
    def segment_lengths(self) -> tuple[float, ...]:
        """Length of every segment, m."""
        return _segment_lengths(self.length, self.segments, self.lengths)

    @property
    def wall_between(self) -> float:
        """Propellant between one core of the circle and the next, m."""
        return self.circle_diameter * math.sin(math.pi / self.cores) - self.core_diameter

    @property
    def wall_outside(self) -> float:
        """Propellant between the circle's cores and the outside, m."""
        return (self.outer_diameter - self.circle_diameter - self.core_diameter) / 2.0

    @property
    def wall_inside(self) -> float | None:
        """Propellant between the circle's cores and the central one, m; None without one."""
        if self.central_core_diameter is None:
            return None
        return (self.circle_diameter - self.core_diameter - self.central_core_diameter) / 2.0


@dataclass(frozen=True, slots=True)
class EndBurner:
    """A solid cylinder that burns on one end face; its outside and other end do not burn.

    Parameters
    ----------
    diameter, length
        m.
    inhibited
        May name ``outer`` and ``one-end``, which an end burner implies.
    mass, density
        kg, kg/m³; None where not known.

    Raises
    ------
    DataError
        A size is not positive, or another face is named as inhibited.
    """

    diameter: float
    length: float
    inhibited: frozenset[str] = frozenset({"outer"})
    mass: float | None = None
    density: float | None = None

    def __post_init__(self) -> None:
        _check_sizes(self, ("diameter", "length"), ("mass", "density"))
        _check_faces(self.inhibited)
        if others := self.inhibited - {"outer", "one-end"}:
            msg = f"an end burner with {', '.join(sorted(others))} inhibited"
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
        Burnt depth, m, from 0 upward, to the depth that burns the last of it.
    area
        Burning area at each depth, m²; only the last may be 0.
    mass, density
        kg, kg/m³; None where not known.
    slivers_from
        Burnt depth at which the first face meets a wall, after which only slivers burn, m: the
        web of the grain. None: the last depth.

    Raises
    ------
    DataError
        Fewer than two depths, lengths that differ, depths that do not rise from 0, an area
        that is not positive before burnout, or slivers from beyond the last depth.
    """

    web: tuple[float, ...]
    area: tuple[float, ...]
    mass: float | None = None
    density: float | None = None
    slivers_from: float | None = None

    def __post_init__(self) -> None:
        _check_sizes(self, (), ("mass", "density", "slivers_from"))
        if len(self.web) != len(self.area) or len(self.web) < 2:
            msg = f"an area table of {len(self.web)} depths and {len(self.area)} areas"
            raise DataError(msg, expected="as many areas as depths, at least two of each")
        if not all(math.isfinite(value) for value in (*self.web, *self.area)):
            msg = "an area table with a value that is not a finite number"
            raise DataError(msg, expected="finite depths and areas")
        if self.web[0] != 0.0:
            msg = "the area table starts at a burnt depth of {depth}"
            raise SizeError(
                msg,
                expected="0 for the first depth",
                sizes={"depth": (self.web[0], "m")},
            )
        for earlier, later in zip(self.web, self.web[1:], strict=False):
            if later <= earlier:
                msg = "depth {later} follows {earlier} in the area table"
                raise SizeError(
                    msg,
                    expected="depths that rise from row to row",
                    sizes={"later": (later, "m"), "earlier": (earlier, "m")},
                )
        if min(self.area[:-1]) <= 0.0 or self.area[-1] < 0.0:
            msg = "a burning area of {area} in the area table"
            raise SizeError(
                msg,
                expected="areas above 0; only the last may be 0",
                sizes={"area": (min(self.area), "m²")},
            )
        if self.slivers_from is not None and self.slivers_from > self.web[-1]:
            msg = "slivers from a burnt depth of {depth}"
            raise SizeError(
                msg,
                expected="no more than the last, {last}",
                sizes={"depth": (self.slivers_from, "m"), "last": (self.web[-1], "m")},
            )


Grain: TypeAlias = HollowCylinder | MultiCore | EndBurner | AreaTable
"""What a motor may be filled with."""


def burning_ends(inhibited: frozenset[str]) -> int:
    """How many ends of each segment burn: 0, 1 or 2."""
    if "ends" in inhibited:
        return 0
    return 1 if "one-end" in inhibited else 2


def _segment_lengths(
    length: float | None, segments: int, lengths: tuple[float, ...]
) -> tuple[float, ...]:
    return lengths if length is None else (length,) * segments


def _check_lengths(length: float | None, segments: int, lengths: tuple[float, ...]) -> None:
    if segments < 1 or segments != int(segments):
        msg = f"a grain of {segments} segments"
        raise DataError(msg, expected="a whole number of segments, at least 1")
    if (length is None) == (not lengths):
        msg = "a grain with a length and lengths" if lengths else "a grain without a length"
        raise DataError(msg, expected="the length of one segment, or the lengths of each")
    for value in lengths if length is None else (length,):
        if not (math.isfinite(value) and value > 0.0):
            msg = f"length of the grain is {value:g} in SI units"
            raise DataError(msg, expected="a number above 0")
    if lengths and segments not in (1, len(lengths)):
        msg = f"a grain of {segments} segments with {len(lengths)} lengths"
        raise DataError(msg, expected="one length a segment")


def _check_core(core: float, outer: float) -> None:
    if core >= outer:
        msg = "the core, {core}, is not smaller than the outer diameter, {outer}"
        raise SizeError(
            msg,
            hint="check that the two diameters are not exchanged",
            sizes={"core": (core, "m"), "outer": (outer, "m")},
        )


def _check_sizes(grain: object, required: tuple[str, ...], optional: tuple[str, ...]) -> None:
    for name in (*required, *optional):
        value = getattr(grain, name)
        if value is None and name in optional:
            continue
        if not (math.isfinite(value) and value > 0.0):
            msg = f"{name.replace('_', ' ')} of the grain is {value:g} in SI units"
            raise DataError(msg, expected="a number above 0")


def _check_faces(named: frozenset[str]) -> None:
    unknown = sorted(set(named) - FACES)
    if unknown:
        msg = f"{', '.join(unknown)} named as an inhibited face"
        raise DataError(msg, expected=f"any of {', '.join(sorted(FACES))}")
    if named >= {"ends", "one-end"}:
        msg = "both ends and one-end named as inhibited"
        raise DataError(msg, expected="ends where neither end burns, one-end where one does")
