"""What would have to be other: throat, grain, burn rate or dose for a wanted upper pressure."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from strandwise.errors import DataError, RequestError
from strandwise.findings import Caution
from strandwise.forecast.greatest import fastest_warming
from strandwise.forecast.montecarlo import draw_motor, temperature_for
from strandwise.forecast.wording import IN_SI
from strandwise.motor import port_area

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.forecast.design import MotorDesign
    from strandwise.forecast.laws import LawSource
    from strandwise.forecast.wording import Wording
    from strandwise.tracking import DoseSlope

__all__ = [
    "DRILLS",
    "DoseSize",
    "DrillName",
    "RateSize",
    "ThroatSize",
    "size_dose",
    "size_rate",
    "size_throat",
    "sizing_temperature",
]

DrillName = Literal["any", "tenths-of-mm", "64ths"]
DRILLS: dict[DrillName, float | None] = {
    "any": None,
    "tenths-of-mm": 0.1e-3,
    "64ths": 0.0254 / 64.0,
}
"""Steps in which a throat can be drilled, m."""

_SIZING_DRAWS = 10_000
_MOST_ROUNDS = 40
_CLOSE = 1e-4  # in ln of the pressure
_WIDEST = 1.95  # ln of the factor, on throat or rate, that is still looked for
_ROUNDING = 1e-9


@dataclass(frozen=True, kw_only=True, slots=True)
class ThroatSize:
    """Throat for a wanted upper percentile of the peak pressure; SI.

    Parameters
    ----------
    target, percentile
        Absolute pressure, Pa, that this share of the draws is to stay below.
    throat_diameter
        That does it exactly, m.
    drilled_diameter
        The next larger size that can be drilled, m; the same where any size can.
    peak_at_percentile, peak_median
        With the drilled throat, Pa.
    kn
        Highest burning over drilled throat area.
    port_to_throat
        Port over drilled throat area at the start; None where the port is not known.
    """

    target: float
    percentile: float
    throat_diameter: float
    drilled_diameter: float
    peak_at_percentile: float
    peak_median: float
    kn: float
    port_to_throat: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class RateSize:
    """How much slower a propellant has to burn for a wanted upper percentile in a given motor.

    Parameters
    ----------
    target, percentile
        As of `ThroatSize`.
    log_factor
        Ln of the rate needed over the rate as it is; negative: slower.
    """

    target: float
    percentile: float
    log_factor: float

    @property
    def change(self) -> float:
        """Change of the burn rate as a fraction; −0.1 is 10 % slower."""
        return math.expm1(self.log_factor)


@dataclass(frozen=True, kw_only=True, slots=True)
class DoseSize:
    """Dose that would slow the baseline so far, by a measured slope.

    Parameters
    ----------
    ingredient, replaces
        What goes in, and in place of what.
    dose
        As a fraction; None where it is refused.
    interval
        From the slope's 95 % interval, fractions; None where an end is not bounded.
    largest_tested
        Largest dose of the series, fraction.
    why_not
        Why there is no dose; empty where there is.
    cautions
        Reasons to trust it less.
    """

    ingredient: str
    replaces: str
    dose: float | None
    interval: tuple[float, float] | None
    largest_tested: float
    why_not: str = ""
    cautions: tuple[Caution, ...] = ()


def sizing_temperature(design: MotorDesign, source: LawSource) -> float | None:
    """Stated temperature at which the propellant may burn fastest, K; None: none, or no σ_p."""
    if source.sigma_p is None:
        return None
    stated = (design.temperature, design.temperature_high, design.temperature_low)
    return max(
        (t for t in stated if t is not None),
        key=lambda t: fastest_warming(source, t),
        default=None,
    )


def size_throat(
    design: MotorDesign,
    source: LawSource,
    target: float,
    *,
    percentile: float = 0.99,
    drills: DrillName = "any",
    seed: int = 1,
    draws: int = _SIZING_DRAWS,
    wording: Wording = IN_SI,
) -> ThroatSize:
    """Find the throat that keeps a share of the draws below a pressure.

    At the worst temperature stated, where the tests or the motor's file tell what heat does. Growth
    of the throat in mm and the ratio of exit to throat stay as drawn.

    Parameters
    ----------
    design, source
        The motor, and what the tests say.
    target
        Absolute, Pa.
    percentile
        Share of the draws, above 0.5 and below 1.
    drills
        Steps in which a throat can be drilled; rounded up, which lowers the pressure.
    seed, draws
        Of the random draws; the same for every size that is tried.
    wording
        How errors write a pressure.

    Raises
    ------
    RequestError
        No throat from a seventh to seven times that drawn does it.
    DataError
        A pressure not above ambient, or a percentile out of range.
    """
    _check(design, target, percentile, wording)

    def peak(log_ratio: float) -> float:
        diameter = design.nozzle.throat_diameter * math.exp(log_ratio)
        return _peak_at(_with_throat(design, diameter), source, percentile, seed, draws)

    found = _solve(lambda x: -math.log(peak(x) / target), _WIDEST, 2.0 / _steady_slope(source))
    if found is None:
        msg = "no throat from a seventh to seven times that drawn brings "
        msg += f"{_percent(percentile)} of the draws to {wording.pressure(target)}"
        raise RequestError(
            msg,
            expected="a pressure that the motor can have",
            hint="more tests narrow the draws, if the percentile is the trouble",
        )
    exact = design.nozzle.throat_diameter * math.exp(found)
    step = DRILLS[drills]
    drilled = exact if step is None else math.ceil(exact / step - _ROUNDING) * step
    sized = _with_throat(design, drilled)
    warm = temperature_for(source, sizing_temperature(design, source))
    outcome = draw_motor(sized, source, draws=draws, seed=seed, temperature=warm)
    port = port_area(design.grain)
    return ThroatSize(
        target=target,
        percentile=percentile,
        throat_diameter=exact,
        drilled_diameter=drilled,
        peak_at_percentile=float(np.quantile(outcome.peak_pressure, percentile, method="higher")),
        peak_median=float(np.quantile(outcome.peak_pressure, 0.5, method="higher")),
        kn=float(np.median(outcome.peak_ratio)),
        port_to_throat=None if port is None else float(port) / sized.nozzle.throat_area,
    )


def size_rate(
    design: MotorDesign,
    source: LawSource,
    target: float,
    *,
    percentile: float = 0.99,
    seed: int = 1,
    draws: int = _SIZING_DRAWS,
    wording: Wording = IN_SI,
) -> RateSize:
    """Find the factor on the burn rate that keeps a share of the draws below a pressure.

    The exponent, the spread and the gas stay as they are.

    Parameters
    ----------
    design, source, target, percentile, seed, draws, wording
        As `size_throat`.

    Raises
    ------
    RequestError
        No factor from a seventh to seven does it.
    DataError
        As `size_throat`.
    """
    _check(design, target, percentile, wording)

    def peak(log_factor: float) -> float:
        return _peak_at(design, source.shifted(log_factor), percentile, seed, draws)

    found = _solve(lambda x: math.log(peak(x) / target), _WIDEST, 1.0 / _steady_slope(source))
    if found is None:
        msg = "no burn rate from a seventh to seven times that measured brings "
        msg += f"{_percent(percentile)} of the draws to {wording.pressure(target)}"
        raise RequestError(msg, expected="a pressure that the motor can have")
    return RateSize(target=target, percentile=percentile, log_factor=found)


def size_dose(slope: DoseSlope, rate: RateSize) -> DoseSize:
    """Find the dose that changes the baseline's rate as wanted, by the measured slope.

    Refused where the slope is not known to slow (or speed) the propellant, and beyond the largest
    dose that was tested.

    Parameters
    ----------
    slope
        From a comparison.
    rate
        Change wanted of the baseline's rate.
    """
    largest = max(slope.amounts)
    plain = {
        "ingredient": slope.ingredient,
        "replaces": slope.replaces,
        "largest_tested": largest,
    }

    def refused(why: str) -> DoseSize:
        return DoseSize(**plain, dose=None, interval=None, why_not=why)  # type: ignore[arg-type]

    if slope.percent_per_percent is None or slope.ci95 is None:
        return refused("its slope, or how sure that is, is not known")
    if rate.log_factor >= 0.0:
        return refused("the propellant need not burn slower")
    if slope.ci95[0] * slope.ci95[1] <= 0.0:
        return refused("its effect is not told from none")
    if slope.percent_per_percent > 0.0:
        return refused("it makes the propellant burn faster")
    steep, middle, flat = (
        rate.log_factor / (100.0 * math.log1p(each / 100.0))
        for each in (slope.ci95[0], slope.percent_per_percent, slope.ci95[1])
    )
    if middle > largest:
        return refused(
            f"it would take {_percent(middle)}, and no more than {_percent(largest)} was tested: "
            "an effect does not go on evenly because it began so; test the larger dose"
        )
    cautions = list(slope.cautions)
    if flat > largest:
        cautions.append(
            Caution(
                "dose-extrapolated",
                f"the upper end of the dose, {_percent(flat)}, is beyond the largest tested, "
                f"{_percent(largest)}",
            )
        )
    cautions.append(
        Caution(
            "dose-changes-more",
            "the dose changes density, gas and exponent too, which this figure leaves as they "
            "are: forecast the motor with the new formulation once it is tested",
        )
    )
    return DoseSize(
        **plain,  # type: ignore[arg-type]
        dose=middle,
        interval=(steep, flat),
        cautions=tuple(cautions),
    )


def _check(design: MotorDesign, target: float, percentile: float, wording: Wording) -> None:
    if not (math.isfinite(target) and target > 1.5 * design.ambient_pressure):
        msg = f"a motor for a peak of {wording.pressure(target)}"
        raise DataError(msg, expected="an absolute pressure well above ambient")
    if not 0.5 < percentile < 1.0:
        msg = f"a motor for {_percent(percentile)} of its draws"
        raise DataError(msg, expected="above 50 % and below 100 %")


def _steady_slope(source: LawSource) -> float:
    """1 − n of the law, to begin with."""
    return max(1.0 - source.n, 0.2)


def _with_throat(design: MotorDesign, diameter: float) -> MotorDesign:
    nozzle = design.nozzle
    after = nozzle.throat_diameter_after
    exit_diameter = nozzle.exit_diameter
    if after is not None:
        after = diameter + after - nozzle.throat_diameter
    if exit_diameter is not None:
        exit_diameter = exit_diameter * diameter / nozzle.throat_diameter
    changed = dataclasses.replace(
        nozzle,
        throat_diameter=diameter,
        throat_diameter_after=after,
        exit_diameter=exit_diameter,
    )
    return dataclasses.replace(design, nozzle=changed)


def _peak_at(
    design: MotorDesign, source: LawSource, percentile: float, seed: int, draws: int
) -> float:
    warm = temperature_for(source, sizing_temperature(design, source))
    outcome = draw_motor(design, source, draws=draws, seed=seed, temperature=warm)
    return float(np.quantile(outcome.peak_pressure, percentile, method="higher"))


def _solve(rising: Callable[[float], float], limit: float, slope: float) -> float | None:
    """Where a rising function passes zero within ±limit; None where it does not.

    Secant steps from 0, the first by a slope guessed; halving where a value is infinite or a step
    leaves the bracket.
    """
    low, high = -limit, limit
    known: list[tuple[float, float]] = []
    x = 0.0
    for _ in range(_MOST_ROUNDS):
        value = rising(x)
        if abs(value) < _CLOSE:
            return x
        low, high = (x, high) if value < 0.0 else (low, x)
        if high - low < 0.01 * _CLOSE or (abs(x) == limit and (x > 0.0) == (value < 0.0)):
            break
        if math.isfinite(value):
            known.append((x, value))
        if len(known) > 1 and known[-1][1] != known[-2][1]:
            slope = (known[-1][1] - known[-2][1]) / (known[-1][0] - known[-2][0])
        wanted = x - value / slope if math.isfinite(value) and slope > 0.0 else math.inf
        if not low < wanted < high:
            reaching = wanted >= high if math.isfinite(wanted) else value < 0.0
            end = high if reaching else low
            wanted = end if abs(end) == limit and math.isfinite(value) else 0.5 * (low + high)
        x = wanted
    return None


def _percent(share: float) -> str:
    return f"{100.0 * share:.3g} %"
