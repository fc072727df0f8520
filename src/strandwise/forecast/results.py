"""What a forecast gives: plain frozen records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.findings import Caution
    from strandwise.forecast.design import VelocityFrom
    from strandwise.forecast.greatest import GreatestPressure
    from strandwise.forecast.outcome import BurnBands

__all__ = ["CaseRisk", "Forecast", "SoakForecast", "Spread", "Wanted", "spread_of"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Spread:
    """One quantity over all draws; None where draws that have no such value reach that far.

    Parameters
    ----------
    median, mean, p05, p95, p99
        The mean, and the values that 50, 5, 95 and 99 % of the draws do not exceed.
    """

    median: float | None
    mean: float | None
    p05: float | None
    p95: float | None
    p99: float | None


def spread_of(values: NDArray[np.float64]) -> Spread:
    """Summarise one quantity over all draws; infinite values count as beyond all others."""
    levels = (0.5, 0.05, 0.95, 0.99)
    found = [float(v) for v in np.quantile(values, levels, method="higher")]
    median, p05, p95, p99 = (v if np.isfinite(v) else None for v in found)
    mean = float(values.mean()) if np.isfinite(values).all() else None
    return Spread(median=median, mean=mean, p05=p05, p95=p95, p99=p99)


@dataclass(frozen=True, kw_only=True, slots=True)
class CaseRisk:
    """Peak pressure against what the case is made for.

    Parameters
    ----------
    limit
        Absolute, Pa.
    probability_over
        Share of the draws whose peak is above it.
    """

    limit: float
    probability_over: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Wanted:
    """What a motor is to do, and how likely it does; None where it is not asked for.

    Parameters
    ----------
    peak_below
        Highest peak pressure, absolute, Pa.
    burn_longer
        Shortest burn time, s.
    probability_peak, probability_time, probability
        Share of the draws that keep to the one, to the other, and to both.

    Raises
    ------
    DataError
        A pressure or a time that is not above 0.
    """

    peak_below: float | None = None
    burn_longer: float | None = None
    probability_peak: float | None = None
    probability_time: float | None = None
    probability: float | None = None

    def __post_init__(self) -> None:
        for name, value, unit in (
            ("peak pressure", self.peak_below, "Pa"),
            ("burn time", self.burn_longer, "s"),
        ):
            if value is not None and not value > 0.0:
                msg = f"a wanted {name} of {value:g} {unit}"
                raise DataError(msg, expected="above 0")


@dataclass(frozen=True, kw_only=True, slots=True)
class SoakForecast:
    """The same motor at another temperature of its propellant, K."""

    temperature: float
    peak_pressure: Spread
    burn_time: Spread
    probability_over: float | None


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Forecast:
    """What one formulation would do in one motor; SI, absolute pressures.

    Parameters
    ----------
    formulation, motor, law
        Names.
    draws, seed
        How many, and from which seed: the same again gives the same again.
    initial_kn, peak_kn
        Burning over throat area as drawn, at the start and at its highest.
    peak_pressure, start_pressure, burnout_pressure, lowest_pressure, mean_pressure
        Pa; see `MotorOutcome`.
    burn_time, action_time, peak_thrust, total_impulse
        s, s, N, N·s.
    greatest
        Maximum expected operating pressure, everything off at once.
    case
        None where no limit is stated.
    wanted
        None where nothing was asked for.
    exponent
        Local pressure exponent of the law at the median peak pressure; at the highest pressure
        tested where that has no bound.
    amplification
        1/(1 − n): percent of pressure for one percent of burn rate; None where n is 1 or more.
    steady_pressures
        Steady pressures of the law as estimated at the highest burning area, erosive burning
        apart, Pa, ascending; none, or more than one, is told.
    share_without_steady
        Of the draws: those whose pressure found no bound below 200 MPa.
    share_unlit
        Of the draws: those whose pressure never rose.
    share_outside
        Of the draws: those whose pressure left what was tested.
    tested
        Lowest and highest absolute pressure tested, Pa.
    extrapolated
        Whether more than a twentieth of the draws left it.
    port_to_throat, mass_flux
        Smallest ratio of port to throat area, and highest flux of gas through the port,
        kg/(m²·s), as estimated; None where the port is not known.
    temperature
        Of the propellant, K; None: as the tests were.
    soaks
        At the cold and the hot end, where they are stated and σ_p is known.
    bands
        Pressure and thrust over time.
    cautions
        Reasons to trust it less.
    characteristic_velocity, velocity_from
        c*, m/s, and where it is from; see `MotorDesign`.
    """

    formulation: str
    motor: str
    law: str
    draws: int
    seed: int
    initial_kn: float
    peak_kn: float
    peak_pressure: Spread
    start_pressure: Spread
    burnout_pressure: Spread
    lowest_pressure: Spread
    mean_pressure: Spread
    burn_time: Spread
    action_time: Spread
    peak_thrust: Spread
    total_impulse: Spread
    greatest: GreatestPressure
    case: CaseRisk | None
    wanted: Wanted | None
    exponent: float
    amplification: float | None
    steady_pressures: tuple[float, ...]
    share_without_steady: float
    share_unlit: float
    share_outside: float
    tested: tuple[float, float]
    extrapolated: bool
    port_to_throat: float | None
    mass_flux: float | None
    temperature: float | None
    soaks: tuple[SoakForecast, ...]
    bands: BurnBands | None
    cautions: tuple[Caution, ...]
    characteristic_velocity: float
    velocity_from: VelocityFrom
