"""What drives a fit, what its interval is made of, and which test to make next."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtr, stdtrit
from strandwise.errors import DataError
from strandwise.ratelaw.assemble import log_points
from strandwise.ratelaw.explain_sentences import explain_sentences
from strandwise.ratelaw.fit import fit_batches
from strandwise.ratelaw.laws import law_named

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from strandwise.ratelaw.results import RateFit
    from strandwise.ratelaw.series import RateSeries

    FloatArray = npt.NDArray[np.float64]
    Fitter = Callable[..., "list[RateFit]"]

__all__ = ["Explanation", "Influence", "NextTest", "explain_fit"]

_PLACES = 61
# A trend with the order of the tests can be told from the law where at least this share of the
# order is not explained by the pressures (common practice, no source).
_OWN_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class Influence:
    """What one test does to the fit.

    Parameters
    ----------
    test
        Its name.
    leverage
        Share of its own fitted value that it decides, 0 to 1.
    residual, standardised_residual
        ln of measured over fitted rate; the same over its own standard deviation.
    n_without, rate_without
        Exponent and rate (m/s) at the reference pressure of the fit without it; None where the
        others decide no law.
    pressure
        Absolute, Pa.
    expected
        Where the others lead to expect it: 95 % prediction interval of its rate (m/s) by the fit
        without it; None where that has no interval.
    """

    test: str
    leverage: float
    residual: float
    standardised_residual: float
    n_without: float | None
    rate_without: float | None
    pressure: float
    expected: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class NextTest:
    """Where one more test narrows an interval most, inside the pressures tested.

    Parameters
    ----------
    about
        ``n``, or ``rate``: that at the reference pressure.
    pressure
        Absolute, Pa.
    narrower
        Share by which the interval is expected to shrink, 0 to 1.
    """

    about: str
    pressure: float
    narrower: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """A fit in plain words.

    Parameters
    ----------
    label
        The batch's name, or that of the pool.
    sentences
        For a person.
    influences
        One for each point, that which moves n most first.
    readings_share
        Share of the variance of n that the uncertainty of the readings makes, 0 to 1; the rest is
        scatter from test to test. None without an interval.
    trend_percent, trend_p
        Change of the residuals from the first test to the last, percent of the rate, and the
        chance of one as large without a trend; None where that cannot be told.
    trend_reason
        Why it cannot; empty where it can.
    outliers
        Tests that stand out, as the cautions of the fit name them.
    repeat
        The test to repeat: the one that stands out most, else the one that n hangs on most.
    one_more
        Where one more test at the reference pressure, made as these were, would fall: 95 %
        prediction interval, m/s; None without an interval.
    next_tests
        Where to add one.
    """

    label: str
    sentences: tuple[str, ...]
    influences: tuple[Influence, ...] = ()
    readings_share: float | None = None
    trend_percent: float | None = None
    trend_p: float | None = None
    trend_reason: str = ""
    outliers: tuple[str, ...] = ()
    repeat: str | None = None
    one_more: tuple[float, float] | None = None
    next_tests: tuple[NextTest, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class _Local:
    """A fit linearised at its points: shapes (points, p) and (points,)."""

    design: FloatArray
    known: FloatArray
    variance: FloatArray
    at_n: FloatArray


def explain_fit(
    fit: RateFit,
    series: RateSeries,
    *,
    order: Sequence[float] | None = None,
    fitter: Fitter = fit_batches,
    format_pressure: Callable[[float], str] | None = None,
    format_rate: Callable[[float], str] | None = None,
) -> Explanation:
    """Tell in plain words what drives a fit, and which test would help it most.

    Parameters
    ----------
    fit, series
        A fit and the series that it was fitted to.
    order
        When each test was made, as any rising number (a date's ordinal, say; NaN where unknown);
        None, or the same for all: in the order of the series.
    fitter
        What fits the series without one test; for laws other than the power law that of
        `strandwise.ratelaw.nonlinear`.
    format_pressure, format_rate
        How Pa and m/s are written; None: as the series words them.

    Raises
    ------
    DataError
        Fit and series are not of the same tests, or the order has another length.
    """
    if fit.tests != series.tests or (order is not None and len(order) != len(series.tests)):
        msg = f"{fit.label}: its {fit.points} tests are not those of the series or of the order"
        raise DataError(msg, expected="the series that was fitted, and one order for each test")
    if not fit.identified:
        reasons = (caution.message for caution in fit.cautions)
        return Explanation(fit.label, (f"{fit.label}: no law; " + "; ".join(reasons),))
    influences = _influences(fit, series, fitter)
    if fit.covariance is None:
        line = f"{fit.label}: the {fit.points} tests fix the law exactly, so nothing tells how "
        return Explanation(fit.label, (line + "wrong it is; add a test between them",), influences)
    local = _local(fit, series)
    trend, reason = _trend(fit, local, order)
    outliers = {test for c in fit.cautions if c.code == "outlier" for test in c.tests}
    found = Explanation(
        label=fit.label,
        sentences=(),
        influences=influences,
        readings_share=_readings_share(local),
        trend_percent=None if trend is None else trend[0],
        trend_p=None if trend is None else trend[1],
        trend_reason=reason,
        outliers=tuple(test for test in fit.tests if test in outliers),
        repeat=_to_repeat(fit, influences, outliers),
        one_more=fit.one_more_test(fit.reference_pressure),
        next_tests=_next_tests(fit, local),
    )
    sentences = explain_sentences(
        fit,
        found,
        stated=bool((local.known > 0.0).any()),
        ordered_by=_ordered_by(order),
        format_pressure=format_pressure or series.wording.press,
        format_rate=format_rate or series.wording.burn_rate,
    )
    return dataclasses.replace(found, sentences=sentences)


def _ordered_by(order: Sequence[float] | None) -> str:
    if order is None:
        return "by the order given"
    if len(set(order)) == 1:
        return "by the order of the records, as all are of one day,"
    return "by the dates"


def _to_repeat(fit: RateFit, influences: Sequence[Influence], outliers: set[str]) -> str:
    standing_out = {
        test: abs(residual)
        for test, residual in zip(fit.tests, fit.standardised_residuals, strict=True)
        if test in outliers
    }
    if standing_out:
        return max(standing_out, key=lambda test: standing_out[test])
    return influences[0].test


def _influences(fit: RateFit, series: RateSeries, fitter: Fitter) -> tuple[Influence, ...]:
    k = fit.points
    left = [_without(series, row) for row in range(k)] if k > 2 else []
    without = (
        fitter(left, law=fit.law, reference_pressure=fit.reference_pressure) if left else [None] * k
    )
    rows = [
        Influence(
            fit.tests[row],
            fit.leverages[row],
            fit.residuals[row],
            fit.standardised_residuals[row],
            None if other is None else other.n,
            *_by_the_others(fit, series, row, other),
        )
        for row, other in enumerate(without)
    ]
    n = fit.n or 0.0
    # A test without which there is no law matters most of all.
    return tuple(
        sorted(
            rows,
            key=lambda one: math.inf if one.n_without is None else abs(one.n_without - n),
            reverse=True,
        )
    )


def _by_the_others(
    fit: RateFit, series: RateSeries, row: int, other: RateFit | None
) -> tuple[float | None, float, tuple[float, float] | None]:
    """Rate at the fit's reference, the test's pressure, and where the other tests expect it.

    Where the others tell the effect of temperature each is at the temperature it belongs to.
    """
    pressure = float(series.pressure[row])
    if other is None or not other.identified:
        return None, pressure, None
    own = usual = None
    if other.temperature is not None:
        own = float(series.temperature[row])
        usual = (
            other.temperature.reference if fit.temperature is None else fit.temperature.reference
        )
    rate = other.rate_at(fit.reference_pressure, usual).rate
    return rate, pressure, other.one_more_test(pressure, own)


def _without(series: RateSeries, row: int) -> RateSeries:
    kept = [i for i in range(len(series.tests)) if i != row]
    return dataclasses.replace(
        series,
        tests=tuple(series.tests[i] for i in kept),
        kinds=tuple(series.kinds[i] for i in kept),
        **{
            name: getattr(series, name)[kept]
            for name in (
                "pressure",
                "rate",
                "pressure_sd",
                "rate_sd",
                "temperature",
                "correlation",
            )
        },
    )


def _gradient(fit: RateFit, x: FloatArray, warmer: FloatArray) -> FloatArray:
    """Derivatives of ln r by `fit.theta`, shape (points, p)."""
    if fit.mixture is None:
        columns = law_named(fit.law).log_gradient(x, fit.n or 0.0)
    else:
        columns = _segment_gradient(x, np.array(fit.theta))
    return columns if fit.temperature is None else np.column_stack([columns, warmer])


def _segment_gradient(x: FloatArray, theta: FloatArray) -> FloatArray:
    count = (theta.size - 2) // 2
    slopes, breaks = theta[1 : 2 + count], theta[2 + count : 2 + 2 * count]
    # ln r is the integral of the exponents from 0 to x: how much of it lies in each segment.
    edges = np.concatenate([[-np.inf], breaks, [np.inf]])
    pieces = np.clip(x[:, None], edges[:-1], edges[1:]) - np.clip(0.0, edges[:-1], edges[1:])
    passed = (x[:, None] > breaks).astype(np.float64) - (breaks < 0.0)
    return np.column_stack([np.ones_like(x), pieces, passed * (slopes[:-1] - slopes[1:])])


def _local(fit: RateFit, series: RateSeries) -> _Local:
    points = log_points(series)
    x = points.ln_pressure - math.log(fit.reference_pressure)
    warmer = np.zeros_like(x)
    if fit.temperature is not None:
        warmer = series.temperature - fit.temperature.reference
    if fit.mixture is None:
        slope = law_named(fit.law).log_slope(x, fit.n or 0.0)
        at_n = np.eye(len(fit.theta))[1]
    else:
        breaks = np.array([one.value for one in fit.breaks]) / fit.reference_pressure
        slopes = np.array([one.value for one in fit.exponents])
        slope = slopes[np.searchsorted(np.log(breaks), x)]
        at_n = np.eye(len(fit.theta))[1 + int(np.count_nonzero(np.log(breaks) < 0.0))]
    known = points.variance(slope)
    variance = np.maximum(known + (fit.scatter or 0.0) ** 2, 1e-24)
    return _Local(_gradient(fit, x, warmer), known, variance, at_n)


def _information(local: _Local) -> FloatArray:
    return np.asarray((local.design.T / local.variance) @ local.design)


def _readings_share(local: _Local) -> float:
    """Share of the variance of n from the readings: n is a weighted sum of the ln r."""
    inverse = np.linalg.pinv(_information(local), hermitian=True)
    parts = (local.at_n @ inverse @ local.design.T / local.variance) ** 2
    return float((parts @ np.minimum(local.known, local.variance)) / (parts @ local.variance))


def _trend(
    fit: RateFit, local: _Local, order: Sequence[float] | None
) -> tuple[tuple[float, float] | None, str]:
    """Change over all tests, percent, and its chance, or why there is none.

    The order is one more column of the law.
    """
    given = np.arange(fit.points, dtype=float) if order is None else np.asarray(order, dtype=float)
    if not np.isfinite(given).all():
        some = bool(np.isfinite(given).any())
        return None, "some tests carry no date" if some else "the tests carry no dates"
    if np.ptp(given) <= 0.0:  # all of one day
        given = np.arange(fit.points, dtype=float)
    if fit.df < 2:
        return None, "there are too few tests"
    root = np.sqrt(1.0 / local.variance)
    basis, _ = np.linalg.qr(local.design * root[:, None])
    when = (given - given.mean()) / np.ptp(given) * root
    own = when - basis @ (basis.T @ when)
    if float(own @ own) < _OWN_SHARE * float(when @ when):
        return None, f"{_went_along(fit)} went up or down with the order"
    left = np.array(fit.residuals) * root
    left = left - basis @ (basis.T @ left)
    change = float(own @ left) / float(own @ own)
    rest = max(float(left @ left) - change**2 * float(own @ own), 1e-24)
    t = change * math.sqrt(float(own @ own) / (rest / (fit.df - 1)))
    return (100.0 * math.expm1(change), 2.0 * float(stdtr(fit.df - 1, -abs(t)))), ""


def _went_along(fit: RateFit) -> str:
    return "pressures" if fit.temperature is None else "pressures or temperatures"


def _next_tests(fit: RateFit, local: _Local) -> tuple[NextTest, ...]:
    if fit.pressure_range is None:
        return ()
    low, high = fit.pressure_range
    x = np.linspace(math.log(low), math.log(high), _PLACES) - math.log(fit.reference_pressure)
    rows = _gradient(fit, x, np.zeros(_PLACES))
    information = _information(local)
    typical = float(np.exp(np.mean(np.log(local.variance))))
    before = np.linalg.pinv(information, hermitian=True)
    quantiles = stdtrit(fit.df + 1, 0.975) / stdtrit(fit.df, 0.975)
    found = []
    at_rate = _gradient(fit, np.zeros(1), np.zeros(1))[0]
    for about, target in (("n", local.at_n), ("rate", at_rate)):
        # One more row changes the inverse by a rank of one (Sherman and Morrison 1950).
        moved = rows @ before
        lost = (moved @ target) ** 2 / (typical + np.einsum("pi,pi->p", moved, rows))
        variance = float(target @ before @ target)
        best = int(np.argmax(lost))
        left = math.sqrt(max(1.0 - float(lost[best]) / variance, 0.0)) * float(quantiles)
        pressure = fit.reference_pressure * math.exp(float(x[best]))
        found.append(NextTest(about, pressure, max(1.0 - left, 0.0)))
    return tuple(found)
