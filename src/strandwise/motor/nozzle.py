"""Nozzles: thrust coefficient, and chamber pressure from thrust, SI units and absolute pressures.

Sources: NACA Report 1135 (1953) for one-dimensional isentropic flow; NASA SP-8039 (1971)
eqs. 22–23, pp. 29–32, for the thrust coefficient, the divergence and the efficiency. Flow
separation at 0.4 of the ambient pressure is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.motor.size_error import SizeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Nozzle",
    "exit_pressure_ratio",
    "flow_separates",
    "optimum_thrust_coefficient",
    "pressure_from_thrust",
    "thrust_coefficient",
]

_SEPARATION_RATIO = 0.4
"""Wall pressure over ambient at which the flow leaves the wall; common practice, no source."""

_HIGHEST_MACH = 60.0
_BISECTIONS = 60
_CURVE_POINTS = 4000
_WORN_CURVES = 9  # throat sizes from first to last


@dataclass(frozen=True, slots=True)
class Nozzle:
    """A nozzle as measured.

    Parameters
    ----------
    throat_diameter
        Before the firing, m.
    throat_diameter_after
        After it, m; None where it was not measured again.
    exit_diameter
        m; None where unknown or where the nozzle only converges.
    divergence_half_angle
        rad; None where unknown.
    throat_diameter_sd
        Standard uncertainty of the throat diameter, m.
    efficiency
        Delivered over ideal thrust coefficient, divergence apart; None where unknown.

    Raises
    ------
    DataError
        A size is not positive, the exit is smaller than the throat, or an angle or efficiency
        lies outside what a nozzle can have.
    """

    throat_diameter: float
    throat_diameter_after: float | None = None
    exit_diameter: float | None = None
    divergence_half_angle: float | None = None
    throat_diameter_sd: float | None = None
    efficiency: float | None = None

    def __post_init__(self) -> None:
        for name in ("throat_diameter", "throat_diameter_after", "exit_diameter"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                msg = f"{name.replace('_', ' ')} of the nozzle is {value:g} m"
                raise DataError(msg, expected="a length above 0")
        if self.throat_diameter_sd is not None and not 0.0 <= self.throat_diameter_sd < math.inf:
            msg = f"standard uncertainty of the throat diameter is {self.throat_diameter_sd:g} m"
            raise DataError(msg, expected="a length of 0 or more")
        if self.exit_diameter is not None and self.exit_diameter < self.throat_diameter:
            msg = "exit diameter {exit} is smaller than the throat, {throat}"
            raise SizeError(
                msg,
                hint="check that the two diameters are not exchanged",
                sizes={"exit": (self.exit_diameter, "m"), "throat": (self.throat_diameter, "m")},
            )
        angle = self.divergence_half_angle
        if angle is not None and not 0.0 <= angle < math.pi / 2.0:
            msg = f"divergence half-angle is {math.degrees(angle):g}°"
            raise DataError(msg, expected="0° to less than 90°")
        if self.efficiency is not None and not 0.0 < self.efficiency <= 1.1:
            msg = f"efficiency of the thrust coefficient is {self.efficiency:g}"
            raise DataError(msg, expected="a number above 0, commonly 0.92 to 0.98")

    @property
    def throat_area(self) -> float:
        """Area of the throat before the firing, m²."""
        return math.pi / 4.0 * self.throat_diameter**2

    @property
    def throat_area_after(self) -> float:
        """Area of the throat after the firing, m²; that before it where none was measured."""
        after = self.throat_diameter_after
        return self.throat_area if after is None else math.pi / 4.0 * after**2

    @property
    def area_ratio(self) -> float | None:
        """Exit area over the throat area before the firing; None without an exit diameter."""
        if self.exit_diameter is None:
            return None
        return (self.exit_diameter / self.throat_diameter) ** 2


def exit_pressure_ratio(gamma: ArrayLike, area_ratio: ArrayLike) -> NDArray[np.float64]:
    """Return exit over chamber pressure of a full-flowing nozzle (NACA Report 1135 eq. 80).

    Parameters
    ----------
    gamma
        Ratio of specific heats, above 1; broadcasts with `area_ratio`.
    area_ratio
        Exit over throat area, 1 or more.

    Returns
    -------
    ndarray
        p_e / p_c, supersonic branch.

    Raises
    ------
    DataError
        `gamma` is not above 1, or `area_ratio` is below 1.
    """
    g = _checked_gamma(gamma)
    ratio = np.asarray(area_ratio, dtype=np.float64)
    if not np.all(ratio >= 1.0):
        msg = f"an exit area of {np.min(ratio):g} throat areas"
        raise DataError(msg, expected="1 or more")
    g, ratio = np.broadcast_arrays(g, ratio)
    low, high = np.ones_like(ratio), np.full_like(ratio, _HIGHEST_MACH)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2.0
        short = _area_ratio_of_mach(g, middle) < ratio
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    mach = (low + high) / 2.0
    return np.asarray((1.0 + (g - 1.0) / 2.0 * mach**2) ** (-g / (g - 1.0)))


def flow_separates(
    gamma: float, area_ratio: float, pressure: ArrayLike, ambient: float
) -> NDArray[np.bool_]:
    """Return where the flow leaves the nozzle's wall: exit pressure below 0.4 of ambient.

    Parameters
    ----------
    gamma
        Ratio of specific heats.
    area_ratio
        Exit over throat area, 1 or more.
    pressure
        Chamber pressure, Pa, of any shape.
    ambient
        Pa.

    Returns
    -------
    ndarray of bool
        Of the shape of `pressure`. The limit is common practice, no source.

    Raises
    ------
    DataError
        As `exit_pressure_ratio`.
    """
    wall = float(exit_pressure_ratio(gamma, area_ratio))
    return np.asarray(wall * np.asarray(pressure) < _SEPARATION_RATIO * ambient)


def thrust_coefficient(
    gamma: float,
    area_ratio: float | None,
    pressure: ArrayLike,
    ambient: float,
    half_angle: float | None = None,
) -> NDArray[np.float64]:
    """Return the ideal thrust coefficient F / (p_c A_t) with divergence and flow separation.

    NASA SP-8039 eq. 22, its momentum term times λ = (1 + cos α)/2 (eq. 23). Where the exit
    pressure would fall below 0.4 of ambient the flow is taken to leave the wall at that
    pressure (common practice, no source). The result is nowhere less than that of the
    convergent part alone, so that thrust rises with pressure throughout. Below the pressure
    that chokes the throat the flow is subsonic, with ambient pressure in the throat.

    Parameters
    ----------
    gamma
        Ratio of specific heats.
    area_ratio
        Exit over throat area; None for a nozzle that only converges.
    pressure
        Chamber pressure, Pa, of any shape.
    ambient
        Pa; 0 for vacuum.
    half_angle
        Divergence half-angle, rad; None is taken as 0.

    Returns
    -------
    ndarray
        Of the shape of `pressure`; 0 where the pressure is not above ambient.

    Raises
    ------
    DataError
        `gamma` is not above 1, `area_ratio` below 1, or `ambient` negative.
    """
    g = float(_checked_gamma(gamma))
    if not 0.0 <= ambient < math.inf:
        msg = f"an ambient pressure of {ambient:g} Pa"
        raise DataError(msg, expected="0 or more")
    chamber = np.asarray(pressure, dtype=np.float64)
    back = np.divide(ambient, chamber, out=np.ones_like(chamber), where=chamber > ambient)
    convergent = _convergent_coefficient(g, back)
    if area_ratio is None or area_ratio == 1.0:
        return convergent
    wall = float(exit_pressure_ratio(g, area_ratio))
    leaving = np.maximum(wall, _SEPARATION_RATIO * back)
    throat = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    divergence = 1.0 if half_angle is None else (1.0 + math.cos(half_angle)) / 2.0
    diverging = _diverging_coefficient(g, np.minimum(leaving, throat), back, divergence)
    return np.where(back < throat, np.maximum(diverging, convergent), convergent)


def optimum_thrust_coefficient(
    gamma: float, pressure: ArrayLike, ambient: float
) -> NDArray[np.float64]:
    """Return the ideal thrust coefficient of a nozzle that expands to ambient (SP-8039 eq. 22).

    Parameters
    ----------
    gamma
        Ratio of specific heats.
    pressure
        Chamber pressure, Pa, of any shape.
    ambient
        Pa, above 0.

    Returns
    -------
    ndarray
        Of the shape of `pressure`; 0 where the pressure is not above ambient.

    Raises
    ------
    DataError
        `gamma` is not above 1.
    """
    g = float(_checked_gamma(gamma))
    chamber = np.asarray(pressure, dtype=np.float64)
    back = np.divide(ambient, chamber, out=np.ones_like(chamber), where=chamber > ambient)
    throat = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    momentum = _momentum(g, np.minimum(back, throat))
    return np.where(back < throat, momentum, _convergent_coefficient(g, back))


def pressure_from_thrust(
    thrust: ArrayLike,
    nozzle: Nozzle,
    *,
    gamma: float,
    ambient: float,
    efficiency: float,
    throat_area: ArrayLike | None = None,
) -> NDArray[np.float64]:
    """Return the chamber pressure that gives a thrust, F = η C_F(γ, ε, p, p_a) p A_t.

    The thrust over η A_t p_a is one rising curve of p / p_a; it is drawn once, finely, and read
    backwards for every sample (agrees with the equation within 1e-4, at its kinks; 1e-6 elsewhere).

    Parameters
    ----------
    thrust
        N, of any shape; what is not above 0 gives ambient pressure.
    nozzle
        Throat, exit and divergence; without an exit diameter it is taken to converge only.
    gamma
        Ratio of specific heats.
    ambient
        Pa, above 0.
    efficiency
        η, delivered over ideal thrust coefficient.
    throat_area
        m², broadcasts with `thrust`, for a throat that wears; None: that before the firing.
        The exit keeps its diameter, so the area ratio falls as the throat grows.

    Returns
    -------
    ndarray
        Absolute chamber pressure, Pa.

    Raises
    ------
    DataError
        `ambient` or `efficiency` is not positive, or as `thrust_coefficient`.
    """
    if not (ambient > 0.0 and efficiency > 0.0):
        msg = f"an ambient pressure of {ambient:g} Pa and an efficiency of {efficiency:g}"
        raise DataError(msg, expected="both above 0")
    area = np.asarray(nozzle.throat_area if throat_area is None else throat_area, np.float64)
    force = np.maximum(np.asarray(thrust, dtype=np.float64), 0.0)
    load = force / (efficiency * area * ambient)
    # C_F exceeds 0.5 in a choked nozzle, so the highest load over 0.5 bounds p / p_a.
    over = np.geomspace(1.0, 4.0 + 2.0 * float(np.nanmax(load, initial=0.0)), _CURVE_POINTS)
    least, most = float(np.min(area)), float(np.max(area))
    # One curve for a throat that stays; for one that wears, curves between which lines are drawn.
    sizes = [least] if most == least else np.linspace(least, most, _WORN_CURVES).tolist()
    found = []
    for size in sizes:
        ratio = nozzle.area_ratio
        if ratio is not None:
            ratio = max(ratio * nozzle.throat_area / size, 1.0)
        angle = nozzle.divergence_half_angle
        curve = thrust_coefficient(gamma, ratio, over * ambient, ambient, angle) * over
        found.append(np.interp(load, curve, over))
    if len(found) == 1:
        return np.asarray(ambient * found[0])
    place = (area - least) / (most - least) * (len(found) - 1)
    below = np.minimum(place.astype(np.intp), len(found) - 2)
    share = place - below
    low = np.choose(below, found[:-1])
    return np.asarray(ambient * (low + share * (np.choose(below, found[1:]) - low)))


def _convergent_coefficient(g: float, back: NDArray[np.float64]) -> NDArray[np.float64]:
    throat = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    choked = (g + 1.0) * throat - back
    subsonic_back = np.clip(back, throat, 1.0)
    mach_squared = 2.0 / (g - 1.0) * (subsonic_back ** (-(g - 1.0) / g) - 1.0)
    return np.where(back <= throat, choked, g * subsonic_back * mach_squared)


def _diverging_coefficient(
    g: float,
    wall: NDArray[np.float64],
    back: NDArray[np.float64],
    divergence: float,
) -> NDArray[np.float64]:
    mach = np.sqrt(2.0 / (g - 1.0) * (wall ** (-(g - 1.0) / g) - 1.0))
    area = _area_ratio_of_mach(np.asarray(g), mach)
    return np.asarray(divergence * _momentum(g, wall) + (wall - back) * area)


def _momentum(g: float, wall: NDArray[np.float64]) -> NDArray[np.float64]:
    constant = 2.0 * g**2 / (g - 1.0) * (2.0 / (g + 1.0)) ** ((g + 1.0) / (g - 1.0))
    return np.asarray(np.sqrt(constant * (1.0 - wall ** ((g - 1.0) / g))))


def _area_ratio_of_mach(g: NDArray[np.float64], mach: NDArray[np.float64]) -> NDArray[np.float64]:
    inner = 2.0 / (g + 1.0) * (1.0 + (g - 1.0) / 2.0 * mach**2)
    return np.asarray(inner ** ((g + 1.0) / (2.0 * (g - 1.0))) / mach)


def _checked_gamma(gamma: ArrayLike) -> NDArray[np.float64]:
    g = np.asarray(gamma, dtype=np.float64)
    if not np.all((g > 1.0) & (g < 2.0)):
        msg = f"a ratio of specific heats of {np.min(g):g} to {np.max(g):g}"
        raise DataError(msg, expected="a number above 1 and below 2, commonly 1.05 to 1.3")
    return g
