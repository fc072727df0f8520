"""How well a chamber pressure is known: from a gauge, or from thrust through the nozzle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.motor import (
    flow_separates,
    optimum_thrust_coefficient,
    pressure_from_thrust,
    thrust_coefficient,
)
from strandwise.reduction.assumptions import (
    AMBIENT_UNRECORDED_SD,
    ASSUMED_EFFICIENCY,
    ASSUMED_EFFICIENCY_SD,
    ASSUMED_GAMMA,
    GAMMA_SD,
    SEPARATED_SD,
    STATED_EFFICIENCY_SD,
    SUBSONIC_SD,
    THROAT_SD,
    UNKNOWN_ANGLE_SD,
)
from strandwise.units import METRIC, Wording, digits_text

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from strandwise.motor import Nozzle

__all__ = ["STANDARD_AMBIENT", "Surroundings", "ThrustPressure", "pressure_through_nozzle"]

STANDARD_AMBIENT = 101325.0
"""Pa; used with a caution where no ambient pressure is recorded."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Ambient pressure, Pa, and whether it was recorded."""

    ambient: float
    recorded: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class ThrustPressure:
    """Chamber pressure from thrust.

    Parameters
    ----------
    pressure
        Absolute, Pa, of the shape of the thrust.
    relative_sd
        Of the throat, the thrust coefficient and the ambient pressure together, 1; the thrust's
        own is not in it.
    account
        The values used, and what each is worth.
    """

    pressure: NDArray[np.float64]
    relative_sd: float
    account: tuple[str, ...]
    cautions: tuple[Caution, ...]


def pressure_through_nozzle(
    thrust: ArrayLike,
    nozzle: Nozzle,
    *,
    gamma: float | None,
    surroundings: Surroundings,
    throat_area: NDArray[np.float64] | None = None,
    level: float,
    wording: Wording = METRIC,
) -> ThrustPressure:
    """Return chamber pressure from thrust, F = η C_F p A_t, with its standard uncertainty.

    What the records do not say is assumed and carried: γ 1.13 ± 0.05, η 0.95 ± 0.03 (NASA
    SP-8039 p. 32 gives 0.92–0.98), a throat to 0.05 mm. Without an exit diameter the nozzle is
    taken to converge only, and the uncertainty reaches to one that expands to ambient.

    Parameters
    ----------
    thrust
        N, of any shape.
    nozzle
        As measured.
    gamma
        Ratio of specific heats; None where unknown.
    surroundings
        Ambient pressure.
    throat_area
        m², as the thrust, for a throat that wears; None: constant.
    level
        Thrust at which the uncertainty is worked out, N, above 0.
    wording
        Units of the sentences.

    Returns
    -------
    ThrustPressure

    Raises
    ------
    DataError
        As `pressure_from_thrust`.
    """
    g = ASSUMED_GAMMA if gamma is None else gamma
    stated = nozzle.efficiency is not None
    efficiency = ASSUMED_EFFICIENCY if nozzle.efficiency is None else nozzle.efficiency
    efficiency_sd = STATED_EFFICIENCY_SD if stated else ASSUMED_EFFICIENCY_SD
    throat_sd = THROAT_SD if nozzle.throat_diameter_sd is None else nozzle.throat_diameter_sd

    def at_level(g: float, ambient: float) -> float:
        return float(
            pressure_from_thrust(level, nozzle, gamma=g, ambient=ambient, efficiency=efficiency)
        )

    ambient = surroundings.ambient
    middle = at_level(g, ambient)
    parts = [2.0 * throat_sd / nozzle.throat_diameter, efficiency_sd / efficiency]
    assumed = [] if stated else [f"an efficiency of {efficiency:g}"]
    if gamma is None:
        parts.append(
            math.log(at_level(g + GAMMA_SD, ambient) / at_level(g - GAMMA_SD, ambient)) / 2
        )
        assumed.insert(0, f"a γ of {g:g}")
    if not surroundings.recorded:
        parts.append(math.log(at_level(g, ambient - AMBIENT_UNRECORDED_SD) / middle))
    if nozzle.exit_diameter is None:
        convergent = float(thrust_coefficient(g, None, middle, ambient))
        best = float(optimum_thrust_coefficient(g, middle, ambient))
        parts.append((best / convergent - 1.0) / math.sqrt(3.0))
        assumed.append("a nozzle without a divergent part (no exit diameter is recorded)")
    elif nozzle.divergence_half_angle is None:
        parts.append(UNKNOWN_ANGLE_SD)
    cautions, more = _flow_cautions(nozzle, g, middle, ambient, wording.signal(middle, "Pa"))
    relative = math.hypot(*parts, *more)
    coefficient = level / (middle * nozzle.throat_area)
    account = (
        f"pressure from thrust: delivered thrust coefficient {coefficient:.3f} at "
        f"{wording.signal(middle, 'Pa')} absolute, γ {g:g}, efficiency {efficiency:g}, "
        f"standard uncertainty {digits_text(100.0 * relative)} %",
    )
    if assumed:
        text = (
            f"pressure is from thrust, and assumed for it is {_list(assumed)}: it is known to "
            f"about ±{digits_text(100.0 * relative)} % (one standard uncertainty)"
        )
        cautions = (Caution("thrust-coefficient-assumed", text), *cautions)
    pressure = pressure_from_thrust(
        thrust, nozzle, gamma=g, ambient=ambient, efficiency=efficiency, throat_area=throat_area
    )
    return ThrustPressure(
        pressure=pressure, relative_sd=relative, account=account, cautions=cautions
    )


def _list(items: list[str]) -> str:
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def _flow_cautions(
    nozzle: Nozzle, g: float, pressure: float, ambient: float, shown: str
) -> tuple[tuple[Caution, ...], list[float]]:
    """Return cautions on separated and subsonic flow, and the uncertainty they add."""
    if ambient / pressure > (2.0 / (g + 1.0)) ** (g / (g - 1.0)):
        text = f"at {shown} the throat is not choked: pressure from thrust is hardly known"
        return (Caution("not-choked", text),), [SUBSONIC_SD]
    ratio = nozzle.area_ratio
    if ratio is not None and bool(flow_separates(g, ratio, pressure, ambient)):
        text = (
            f"at {shown} the flow leaves the wall of a nozzle of area ratio {ratio:.3g}: its "
            "thrust coefficient, and the pressure from it, are less certain"
        )
        return (Caution("flow-separation", text),), [SEPARATED_SD]
    return (), []
