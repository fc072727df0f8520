"""A fit in plain words: what drives it, what its interval is made of, which test to make next."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtr, stdtrit

from strandwise.errors import DataError
from strandwise.ratelaw.assemble import log_points
from strandwise.ratelaw.fit import fit_batches
from strandwise.ratelaw.laws import law_named

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import numpy.typing as npt

    from strandwise.ratelaw.results import RateFit
    from strandwise.ratelaw.series import RateSeries

    FloatArray = npt.NDArray[np.float64]
    Fitter = Callable[..., "list[RateFit]"]

__all__ = ["Explanation", "Influence", "NextTest", "explain_fit"]

_SHOWN = 2
_PLACES = 61
_TREND_P = 0.05
# A trend with the order of the tests can be told from the law where at least this share of the
# order is not explained by the pressures (common practice, no source).
_OWN_SHARE = 0.2
_USUAL_NORMAL = 1.959963984540054
_PSI = 6894.757293168  # Pa; NIST SP 811, B.8


@dataclass(frozen=True, slots=True)
class Influence:
    """What one test does to the fit.

    Parameters
    ----------
    test
        Its name.
    leverage
        Share of its own fitted value that it decides, 0 to 1.
    residual
        ln of measured over fitted rate.
    n_without, rate_without
        Exponent and rate (m/s) at the reference pressure of the fit without it; None where the
        others decide no law.
    """

    test: str
    leverage: float
    residual: float
    n_without: float | None
    rate_without: float | None


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
    repeat
        The test to repeat: the one that n hangs on most.
    next_tests
        Where to add one.
    """

    label: str
    sentences: tuple[str, ...]
    influences: tuple[Influence, ...] = ()
    readings_share: float | None = None
    trend_percent: float | None = None
    trend_p: float | None = None
    repeat: str | None = None
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
) -> Explanation:
    """Tell in plain words what drives a fit, and which test would help it most.

    Parameters
    ----------
    fit, series
        A fit and the series that it was fitted to.
    order
        When each test was made, as any rising number (a date's ordinal, say; NaN where unknown);
        None: in the order of the series.
    fitter
        What fits the series without one test; for laws other than the power law that of
        `strandwise.ratelaw.nonlinear`.
    format_pressure
        How a pressure in Pa is written; None: in MPa and psi.

    Raises
    ------
    DataError
        Fit and series are not of the same tests, or the order has another length.
    """
    if fit.tests != series.tests or (order is not None and len(order) != len(series.tests)):
        msg = f"{fit.label}: its {fit.points} tests are not those of the series or of the order"
        raise DataError(msg, expected="the series that was fitted, and one order for each test")
    write = format_pressure or _pressure
    if not fit.identified:
        reasons = (caution.message for caution in fit.cautions)
        return Explanation(fit.label, (f"{fit.label}: no law. " + "; ".join(reasons),))
    influences = _influences(fit, series, fitter)
    if fit.covariance is None:
        line = f"{fit.label}: the {fit.points} tests fix the law exactly, so nothing tells how "
        return Explanation(fit.label, (line + "wrong it is; add a test between them",), influences)
    local = _local(fit, series)
    share = _readings_share(local)
    trend = _trend(fit, local, order)
    nexts = _next_tests(fit, local)
    found = Explanation(
        label=fit.label,
        sentences=(),
        influences=influences,
        readings_share=share,
        trend_percent=None if trend is None else trend[0],
        trend_p=None if trend is None else trend[1],
        repeat=influences[0].test,
        next_tests=nexts,
    )
    sentences = (
        _interval_sentence(fit),
        *_influence_sentences(influences),
        _residual_sentence(fit, influences),
        _share_sentence(fit, local, share),
        _trend_sentence(trend, dated=order is not None),
        *_next_sentences(fit, found, write),
    )
    return dataclasses.replace(found, sentences=sentences)


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
            None if other is None else other.n,
            None
            if other is None or not other.identified
            else other.rate_at(fit.reference_pressure).rate,
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


def _without(series: RateSeries, row: int) -> RateSeries:
    kept = [i for i in range(len(series.tests)) if i != row]
    return dataclasses.replace(
        series,
        tests=tuple(series.tests[i] for i in kept),
        kinds=tuple(series.kinds[i] for i in kept),
        **{
            name: getattr(series, name)[kept]
            for name in ("pressure", "rate", "pressure_sd", "rate_sd", "temperature")
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
    known = points.sd_ln_rate**2 + (slope * points.sd_ln_pressure) ** 2
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
) -> tuple[float, float] | None:
    """Change over all tests, percent, and its chance: the order as one more column of the law."""
    given = np.arange(fit.points, dtype=float) if order is None else np.asarray(order, dtype=float)
    if not np.isfinite(given).all() or np.ptp(given) <= 0.0 or fit.df < 2:
        return None
    root = np.sqrt(1.0 / local.variance)
    basis, _ = np.linalg.qr(local.design * root[:, None])
    when = (given - given.mean()) / np.ptp(given) * root
    own = when - basis @ (basis.T @ when)
    if float(own @ own) < _OWN_SHARE * float(when @ when):
        return None
    left = np.array(fit.residuals) * root
    left = left - basis @ (basis.T @ left)
    change = float(own @ left) / float(own @ own)
    rest = max(float(left @ left) - change**2 * float(own @ own), 1e-24)
    t = change * math.sqrt(float(own @ own) / (rest / (fit.df - 1)))
    return 100.0 * math.expm1(change), 2.0 * float(stdtr(fit.df - 1, -abs(t)))


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


def _interval_sentence(fit: RateFit) -> str:
    if fit.n is None or fit.n_ci95 is None:
        return f"{fit.label}: n has no interval"
    text = (
        f"{fit.label}: {fit.points} tests give n = {fit.n:.3f}, in {fit.n_ci95[0]:.3f} to "
        f"{fit.n_ci95[1]:.3f} at 95 %"
    )
    times = float(stdtrit(fit.df, 0.975)) / _USUAL_NORMAL
    if times > 1.15:
        text += (
            f"; because so few tests have to tell their own scatter, that is {times:.1f} times as "
            "wide as it would be if the scatter were known"
        )
    return text


def _influence_sentences(influences: Sequence[Influence]) -> Iterator[str]:
    for one in influences[:_SHOWN]:
        if one.n_without is None:
            yield f"without {one.test} the other tests would not decide this law at all"
        else:
            yield (
                f"without {one.test}, n would be {one.n_without:.3f} (it decides "
                f"{100.0 * one.leverage:.0f} % of its own fitted rate)"
            )


def _residual_sentence(fit: RateFit, influences: Sequence[Influence]) -> str:
    largest = max(influences, key=lambda one: abs(one.residual))
    off = 100.0 * math.expm1(largest.residual)
    row = fit.tests.index(largest.test)
    times = abs(fit.standardised_residuals[row])
    return (
        f"the test farthest from the law is {largest.test}: it burned {abs(off):.1f} % "
        f"{'faster' if off > 0 else 'slower'} than the law, {times:.1f} times its usual deviation"
    )


def _share_sentence(fit: RateFit, local: _Local, share: float) -> str:
    if not (local.known > 0.0).any():
        return (
            "no test states how uncertain its readings are, so all of the interval comes from how "
            f"the tests scatter about the law, {100.0 * (fit.scatter or 0.0):.1f} % of the rate"
        )
    return (
        f"of the uncertainty of n, {100.0 * share:.0f} % comes from the readings (length, time, "
        f"pressure) and {100.0 * (1.0 - share):.0f} % from scatter between tests "
        f"({100.0 * (fit.scatter or 0.0):.1f} % of the rate): "
        + ("better instruments" if share > 0.5 else "more tests, or more even ones,")
        + " would narrow it most"
    )


def _trend_sentence(trend: tuple[float, float] | None, *, dated: bool) -> str:
    what = "dates" if dated else "order given"
    if trend is None:
        return (
            f"whether rates drifted from test to test cannot be told from the {what}: too few "
            "tests, no dates, or pressures that went up or down with the order"
        )
    change, p = trend
    if p >= _TREND_P:
        return f"by the {what} no drift shows from the first test to the last"
    return (
        f"by the {what} rates drifted by {change:+.1f} % from the first test to the last (so much "
        f"comes by chance in {100.0 * p:.1f} % of cases): ageing, moisture or the instrument"
    )


def _next_sentences(
    fit: RateFit, found: Explanation, write: Callable[[float], str]
) -> Iterator[str]:
    yield f"to make sure of n, repeat {found.repeat}: n hangs on it most"
    for one in found.next_tests:
        what = "n" if one.about == "n" else f"the rate at {write(fit.reference_pressure)}"
        yield (
            f"one more test at {write(one.pressure)} would narrow the interval of {what} by about "
            f"{100.0 * one.narrower:.0f} %, more than at any other pressure in the range tested"
        )


def _pressure(value: float) -> str:
    return f"{value / 1e6:.3g} MPa ({value / _PSI:.3g} psi)"
