"""Reasons to trust a fit less, each with its evidence and what follows from it.

Limits without a source beside them are common practice, no source. Nothing is ever dropped here:
a suspect test is named, and a person decides.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import chdtr, chdtrc
from strandwise.findings import Caution
from strandwise.ratelaw.lack_of_fit import lack_of_fit_p
from strandwise.ratelaw.no_reading import closer_than_readings
from strandwise.ratelaw.segments import levels_of
from strandwise.ratelaw.temperature import WIDE_SPAN, temperature_reason, temperature_span
from strandwise.ratelaw.wording import number_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    from strandwise.ratelaw.results import RateFit
    from strandwise.ratelaw.series import RateSeries
    from strandwise.units import Wording

    FloatArray = npt.NDArray[np.float64]

__all__ = [
    "LawPoints",
    "cautions_of_fit",
    "cautions_of_series",
]

FEW_POINTS = 5
NARROW_RANGE = 2.0
"""Highest over lowest pressure: below it, at n = 0.4 the whole range moves the rate by less than a
third, and 3 % of scatter at four tests leaves n uncertain by more than half its value."""
HIGH_EXPONENT = 0.8
HIGH_EXPONENT_LIMIT = 0.9
USUAL_SCATTER = 0.04
LARGE_SCATTER = 0.10
LACK_OF_FIT_P = 0.01
"""Of one batch; a campaign of nine batches then raises a false alarm once in eleven times."""
LACK_OF_FIT_P_WIDE = 0.03
"""Of one whose tests scatter by more than strands commonly do: a bend is the likelier reason."""
LEAST_BEND = 1.0
"""Percent; a smaller bend changes no decision."""
MISSTATED_P = 0.01


@dataclass(frozen=True, eq=False, slots=True)
class LawPoints:
    """Points of one fit as its diagnostics need them; arrays of shape (points,).

    Parameters
    ----------
    adjusted
        Most likely true ln(P/P0).
    weights
        1/variance of ln r used by the fit.
    design
        Derivatives of ln r by the parameters, shape (points, parameters).
    known
        Variance of ln r about the law from the stated uncertainties, 0 where there are none.
    stated
        Whether any uncertainty is known.
    unstated_rates
        For how many points that of the rate is not.
    wording
        Units of the sentences.
    """

    adjusted: FloatArray
    weights: FloatArray
    design: FloatArray
    known: FloatArray
    stated: bool
    unstated_rates: int
    wording: Wording


def cautions_of_series(fit: RateFit, series: RateSeries, reason: str) -> tuple[Caution, ...]:
    """Cautions that the tests raise before any law.

    `reason` is that of `strandwise.ratelaw.assemble.unresolved_reason`, or ``few-for-breaks``.
    """
    return (*_series_cautions(fit, series, reason), *_temperature_cautions(fit, series))


def _series_cautions(fit: RateFit, series: RateSeries, reason: str) -> Iterator[Caution]:
    say = series.wording
    if reason == "few":
        tests = f"only test {fit.tests[0]}" if fit.tests else "no test at all"
        yield Caution(
            "not-identified",
            f"{tests}: a burn-rate law needs two pressures at least, and four to have a usable "
            "interval; test where the motor will run, and at a third and three times that pressure",
        )
    elif reason == "one-pressure" and fit.pressure_range is not None:
        low, high = fit.pressure_range
        middle = math.sqrt(low * high)
        yield Caution(
            "one-pressure",
            f"all tests are at one pressure, {say.press(low)} to {say.press(high)}, within what "
            "the readings can tell apart: how the rate changes with pressure is not known",
        )
        yield Caution(
            "not-identified",
            f"add tests at a pressure well away, such as {say.press(2.0 * middle)} or "
            f"{say.press(0.5 * middle)}",
        )
    elif reason == "few-for-breaks":
        yield Caution(
            "not-identified",
            f"{fit.points} tests at {levels_of(np.log(series.pressure)).size} pressures that can "
            "be told apart: a law with one break needs 7 tests, at 4 pressures; fit the power law, "
            "or test at more pressures",
        )
    if not reason and fit.points < FEW_POINTS:
        yield Caution(
            "few-points",
            f"{fit.points} tests: "
            + (
                "the two points fix the law exactly, so nothing tells how wrong it is"
                if fit.points == 2
                else "intervals are wide, and neither a bend nor a bad test would show"
            ),
        )
    if len(set(series.kinds)) > 1:
        yield Caution(
            "methods-pooled",
            "strands and firings are fitted as one; strands commonly read 4 to 12 % below motors, "
            "and that is in the scatter, and in n where the two were tested at different pressures",
        )
    repeated = sorted({test for test in fit.tests if fit.tests.count(test) > 1})
    if repeated:
        yield Caution(
            "points-not-independent",
            f"test {', '.join(repeated)} gives more than one point: they share their errors, so "
            "the intervals are too narrow",
        )


def _temperature_cautions(fit: RateFit, series: RateSeries) -> Iterator[Caution]:
    span = temperature_span(series)
    if span is None or span[1] - span[0] <= WIDE_SPAN:
        return
    say = series.wording
    tested = f"the tests were made at {say.warmth(span[0])} to {say.warmth(span[1])}"
    if fit.temperature is not None:
        found = fit.temperature
        low, high = (100.0 * end for end in found.sigma_p_ci95)
        yield Caution(
            "temperature-fitted",
            f"{tested}; the rate changes by {number_text(100.0 * found.sigma_p, 2)} % per kelvin "
            f"({number_text(low, 2)} to {number_text(high, 2)}), and the rates given are those at "
            f"{say.warmth(found.reference)}",
        )
        return
    why = {
        "unknown": "some tests do not tell theirs",
        "few": "there are too few of them to tell that apart from the pressure",
        "with-pressure": "temperature and pressure rose together, which cannot be told apart",
    }.get(
        temperature_reason(series, max(len(fit.theta), 2)), "the law fitted does not allow for it"
    )
    yield Caution(
        "temperatures-differ",
        f"{tested}, and {why}: what the temperature does to the rate is in the scatter, and in n "
        "where it went with the pressure",
    )


def cautions_of_fit(fit: RateFit, points: LawPoints) -> tuple[Caution, ...]:
    """Cautions about a law that was fitted."""
    return (
        *_range_cautions(fit, points.wording),
        *_exponent_cautions(fit, points.wording),
        *_break_cautions(fit, points.wording),
        *_shape_cautions(fit, points),
        *_test_cautions(fit),
        *_uncertainty_cautions(fit, points),
    )


def _range_cautions(fit: RateFit, say: Wording) -> Iterator[Caution]:
    if fit.pressure_range is None:
        return
    low, high = fit.pressure_range
    if high / low < NARROW_RANGE:
        yield Caution(
            "narrow-pressure-range",
            f"tested from {say.press(low)} to {say.press(high)} only, a factor of "
            f"{high / low:.2f}: n is poorly known, and nothing is known outside",
        )
    reference = fit.reference_pressure
    if not low * (1.0 - 1e-9) <= reference <= high * (1.0 + 1e-9):
        yield Caution(
            "extrapolated",
            f"the reference pressure {say.press(reference)} lies outside the pressures tested, "
            f"{say.press(low)} to {say.press(high)}: the rate there assumes that the law goes on, "
            "which no test of this batch has shown",
        )


def _exponent_cautions(fit: RateFit, say: Wording) -> Iterator[Caution]:
    if fit.n is None:
        return
    upper = fit.n if fit.n_ci95 is None else fit.n_ci95[1]
    if fit.n >= 1.0:
        yield Caution(
            "exponent-near-one",
            f"{_exponent(fit.n)} is 1 or more: a motor has no steady pressure with such a law",
        )
    elif fit.n > HIGH_EXPONENT:
        yield Caution(
            "exponent-near-one",
            f"{_exponent(fit.n)}: chamber pressure goes as burning area over throat area to the "
            f"power 1/(1 − n) = {1.0 / (1.0 - fit.n):.1f}, so a small error becomes a large "
            "pressure",
        )
    elif upper >= HIGH_EXPONENT_LIMIT:
        effect = (
            "1, at which a motor has no steady pressure"
            if upper >= 1.0
            else f"{upper:.2f}, at which chamber pressure goes as burning area over throat area to "
            f"the power 1/(1 − n) = {1.0 / (1.0 - upper):.1f}"
        )
        yield Caution(
            "exponent-near-one",
            f"{_exponent(fit.n)}, but these tests do not rule out {effect}; more tests at the ends "
            "of the pressure range narrow it",
        )
    if fit.breaks:
        yield from _segment_cautions(fit, say)
    elif fit.n < 0.0:
        yield Caution(
            "negative-exponent",
            f"{_exponent(fit.n)}: the rate falls as pressure rises. That happens on and after a "
            "plateau, between pressures where it rises again, so use it only inside the range "
            "tested",
        )


def _segment_cautions(fit: RateFit, say: Wording) -> Iterator[Caution]:
    """Segments of a law with breaks that are no place to run a motor."""
    for number, one in enumerate(fit.exponents):
        upper = one.value if one.ci95 is None else one.ci95[1]
        where = _segment_place(fit, number, say)
        if one.value < 0.0:
            yield Caution(
                "negative-exponent",
                f"{where} the rate falls as pressure rises ({_exponent(one.value)}): use it only "
                "inside the range tested, and mind that a motor may have more than one steady "
                "pressure where the rate rises again",
            )
        elif upper >= 1.0:
            yield Caution(
                "exponent-near-one",
                f"{where} {_exponent(one.value)}, and these tests do not rule out 1, at which a "
                "motor has no steady pressure",
            )


def _segment_place(fit: RateFit, number: int, say: Wording) -> str:
    breaks = [one.value for one in fit.breaks]
    if number == 0:
        return f"below {say.press(breaks[0])}"
    if number == len(breaks):
        return f"above {say.press(breaks[-1])}"
    return f"from {say.press(breaks[number - 1])} to {say.press(breaks[number])}"


def _break_cautions(fit: RateFit, say: Wording) -> Iterator[Caution]:
    if fit.pressure_range is None:
        return
    tested = math.log(fit.pressure_range[1] / fit.pressure_range[0])
    for one in fit.breaks:
        if one.ci95 is None:
            continue
        low, high = one.ci95
        if math.log(high / low) > 0.4 * tested:
            yield Caution(
                "break-not-identified",
                f"a break of the law was put at {say.press(one.value)}, but the tests allow it "
                f"anywhere from {say.press(low)} to {say.press(high)}: it may not exist; test "
                "between these pressures",
            )
        elif low <= fit.reference_pressure <= high:
            yield Caution(
                "break-at-reference",
                f"the law may change its exponent at {say.press(low)} to {say.press(high)}, and "
                f"the reference pressure {say.press(fit.reference_pressure)} lies there: n is that "
                "of one side or the other, and its interval holds both",
            )


def _shape_cautions(fit: RateFit, points: LawPoints) -> Iterator[Caution]:
    p = lack_of_fit_p(
        points.adjusted, points.weights, points.design, np.array(fit.residuals, dtype=np.float64)
    )
    worst = int(np.argmax(np.abs(fit.residuals)))
    off = 100.0 * abs(math.expm1(fit.residuals[worst]))
    wide = fit.residual_sd is not None and fit.residual_sd > USUAL_SCATTER
    level = LACK_OF_FIT_P_WIDE if wide else LACK_OF_FIT_P
    if p >= level or off < LEAST_BEND or _readings_explain(fit, points):
        return
    code = "not-a-power-law" if fit.law == "power" else "law-does-not-fit"
    yield Caution(
        code,
        f"the points bend away from the {fit.law} law, by {off:.1f} % at test {fit.tests[worst]}; "
        f"bends like this come by chance in {_chance(p)} of cases. A plateau or a change of slope "
        "may be there: then rates from this fit are wrong even inside the range tested",
        (fit.tests[worst],),
    )


def _readings_explain(fit: RateFit, points: LawPoints) -> bool:
    """Whether all residuals together are no more than the stated uncertainties lead to expect."""
    variance = points.known
    if points.unstated_rates or not (variance > 0.0).all() or fit.df < 1:
        return False
    return float(chdtrc(fit.df, np.sum(np.array(fit.residuals) ** 2 / variance))) > 0.1


def _test_cautions(fit: RateFit) -> Iterator[Caution]:
    k = fit.points
    if k >= 3:
        limit = min(0.9, 3.0 * max(len(fit.theta), 2) / k)
        for test, leverage in zip(fit.tests, fit.leverages, strict=True):
            if leverage > limit:
                yield Caution(
                    "high-leverage",
                    f"n hangs on test {test}: it decides {100.0 * leverage:.0f} % of its own "
                    "fitted value, so an error in it would not show; repeat it",
                    (test,),
                )


def _uncertainty_cautions(fit: RateFit, points: LawPoints) -> Iterator[Caution]:
    if fit.df < 1 or fit.residual_sd is None:
        return
    off = math.sqrt(sum(one * one for one in fit.residuals) / fit.df)
    if closer_than_readings(off, fit.df) and not points.stated:
        yield Caution(
            "no-scatter",
            f"tests lie within {100.0 * off:.1g} % of the law, closer than readings of burns can: "
            "where rates were worked out from a law rather than measured, these intervals say "
            "nothing about real propellant",
        )
    if fit.residual_sd > LARGE_SCATTER:
        yield Caution(
            "scatter-large",
            f"tests scatter by {100.0 * fit.residual_sd:.0f} % about the law: side burning, voids, "
            "mixed gauge and absolute readings, or a plateau that too few tests show as scatter",
        )
    if not points.stated:
        return
    if 0 < points.unstated_rates < fit.points:
        yield Caution(
            "uncertainty-partly-known",
            f"{points.unstated_rates} of {fit.points} tests have a rate of unknown uncertainty; "
            "they weigh as if theirs were that of the others on average",
        )
    variance = points.known
    if not (variance > 0.0).all():
        return
    chi = float(np.sum(np.array(fit.residuals) ** 2 / variance))
    times = math.sqrt(chi / fit.df)
    # Strands differ among themselves by more than the readings are uncertain: that is no fault of
    # the readings until it is more than strands commonly do.
    if float(chdtrc(fit.df, chi)) < MISSTATED_P and fit.residual_sd > USUAL_SCATTER:
        yield Caution(
            "uncertainty-understated",
            f"tests scatter {times:.1f} times as much as their stated uncertainties allow; the "
            "intervals here follow the scatter",
        )
    elif not points.unstated_rates and float(chdtr(fit.df, chi)) < MISSTATED_P:
        yield Caution(
            "uncertainty-overstated",
            f"tests scatter only {times:.2f} times what their stated uncertainties allow; the "
            "intervals here follow the scatter, so an error that all tests share is not in them",
        )


def _chance(p: float) -> str:
    return "fewer than 1 in 1000" if p < 1e-3 else f"{100.0 * p:.1f} %"


def _exponent(n: float) -> str:
    return f"n = {number_text(n, 3)}"
