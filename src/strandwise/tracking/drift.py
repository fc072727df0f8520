"""Whether batches that were meant to be alike stayed alike over their dates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.tracking.change_point import ChangePoint, change_point_from_arrays
from strandwise.tracking.individuals import individuals_limits_from_arrays
from strandwise.tracking.run_rules import run_rule_hits
from strandwise.tracking.sentences import in_megapascals

if TYPE_CHECKING:
    import datetime
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from strandwise.tracking.individuals import IndividualsLimits
    from strandwise.tracking.run_rules import RunRule, RunRuleHits

    FloatArray = NDArray[np.float64]

__all__ = [
    "DriftChart",
    "DriftPoint",
    "DriftSignal",
    "drift_chart",
]

_ENOUGH_BATCHES = 8
_TREND_BATCHES = 6
# Standard deviation of MR̄ over its mean is about 0.9/√(k − 1) for k normal values (own
# computation, simulated in the tests).
_RELATIVE_SD_OF_MEAN_RANGE = 0.9
_LARGE_SHARE = 0.5
_UNEVEN = 2.0
_RANGE_SLACK = 1.0 + 1e-9  # a pressure at the end of a range is inside it, however rounded


@dataclass(frozen=True, kw_only=True)
class DriftPoint:
    """One batch on the chart.

    Parameters
    ----------
    batch, mixed_on
        Name and mixing date.
    rate
        Burn rate at the chart's pressure, m/s.
    log_rate_sd
        Standard uncertainty of ln(rate) from the batch's own tests; None where not known.
    moving_range
        |ln(rate/rate before)|; None for the first batch.
    rules
        Rules whose pattern the batch belongs to.
    """

    batch: str
    mixed_on: datetime.date
    rate: float
    log_rate_sd: float | None
    moving_range: float | None
    rules: tuple[RunRule, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DriftSignal:
    """One pattern that a steady process seldom shows.

    Parameters
    ----------
    rule
        Which, see `RunRuleHits`.
    upwards
        Faster, or rising; else slower, or falling.
    batches
        The batches that make the pattern, in order.
    """

    rule: RunRule
    upwards: bool
    batches: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class DriftChart:
    """Individuals and moving-range chart of one formulation's batches.

    Rates are in m/s at `pressure`; the chart is made in ln(rate), so that its limits are not
    quite even about the centre. Values that so few batches cannot give are None.

    Parameters
    ----------
    formulation, pressure
        Whose batches, and the absolute pressure of the rates, Pa.
    points
        In order of mixing date; batches of one day in the order given.
    centre, lower, upper
        Geometric mean rate and the limits 3σ below and above it, m/s.
    sigma
        Spread of ln(rate) from one batch to the next, MR̄/1.128 (0.02 is 2 % of the rate).
    mean_moving_range, moving_range_limit
        MR̄ of ln(rate) and the upper limit 3.267 MR̄.
    wide_ranges
        Batches whose moving range is above that limit: a jump from the batch before.
    signals
        Patterns found.
    change
        Where the level may have changed; None with fewer than eight batches.
    measurement_share
        Part of σ² that the batches' own uncertainties make up; None where they are not known.
    cautions
        Reasons to trust it less.
    """

    formulation: str
    pressure: float
    points: tuple[DriftPoint, ...]
    centre: float
    lower: float | None
    upper: float | None
    sigma: float | None
    mean_moving_range: float | None
    moving_range_limit: float | None
    wide_ranges: tuple[str, ...]
    signals: tuple[DriftSignal, ...]
    change: ChangePoint | None
    measurement_share: float | None
    cautions: tuple[Caution, ...] = ()


def drift_chart(
    batches: Sequence[str],
    mixed_on: Sequence[datetime.date | None],
    log_rate: ArrayLike,
    log_rate_sd: Sequence[float | None] | None = None,
    *,
    formulation: str,
    pressure: float,
    seed: int,
    tested: Sequence[tuple[float, float] | None] | None = None,
    format_pressure: Callable[[float], str] = in_megapascals,
) -> DriftChart:
    """Chart the batches of one formulation over their mixing dates.

    σ comes from the differences between neighbours, so that a slow drift does not hide itself
    by widening its own limits. Batches without a date are left out, with a caution.

    Parameters
    ----------
    batches, mixed_on
        Names and mixing dates, k of each.
    log_rate
        ln(r/(m/s)) of each batch at `pressure` from its own fit, shape (k,).
    log_rate_sd
        Their standard uncertainties; None where not known.
    formulation
        Whose batches they are.
    pressure
        Absolute, Pa.
    seed
        Of the permutations behind the change point's p-value.
    tested
        Lowest and highest absolute pressure (Pa) of each batch's tests, k of them; None where not
        known. A chart at a pressure outside them says that it is extrapolated.
    format_pressure
        How the cautions write a pressure in Pa.

    Raises
    ------
    DataError
        Sequences that do not agree, a value that is not finite, no batch with a date.
    """
    rates, sds = _checked(batches, mixed_on, log_rate, log_rate_sd)
    dates = {index: date for index, date in enumerate(mixed_on) if date is not None}
    order = sorted(dates, key=lambda index: dates[index])
    if not order:
        msg = f"no batch of {formulation} has a mixing date"
        raise DataError(msg, expected="dates to order the batches by", hint="record them")
    x, sd = rates[order], sds[order]
    names = [batches[index] for index in order]
    limits = individuals_limits_from_arrays(x) if x.size > 1 else None
    spread = limits if limits is not None and limits.sigma > 0.0 else None
    hits = () if spread is None else run_rule_hits((x - spread.centre) / spread.sigma)
    signals = tuple(signal for hit in hits for signal in _signals(hit, names))
    change = None
    if spread is not None and x.size >= _ENOUGH_BATCHES:
        change = change_point_from_arrays(x, names=names, seed=seed)
    undated = [name for index, name in enumerate(batches) if index not in dates]
    share = _measurement_share(sd, spread)
    spans = [None] * len(batches) if tested is None else tested
    ranges = {batches[index]: spans[index] for index in order}
    return DriftChart(
        formulation=formulation,
        pressure=pressure,
        points=_points(names, [dates[index] for index in order], x, sd, signals),
        centre=math.exp(float(np.mean(x))),
        lower=None if spread is None else math.exp(spread.lower),
        upper=None if spread is None else math.exp(spread.upper),
        sigma=None if limits is None else limits.sigma,
        mean_moving_range=None if limits is None else limits.mean_moving_range,
        moving_range_limit=None if spread is None else spread.moving_range_limit,
        wide_ranges=_wide_ranges(names, spread),
        signals=signals,
        change=change,
        measurement_share=share,
        cautions=(
            *_extrapolated_cautions(formulation, ranges, pressure, format_pressure),
            *_batch_count_cautions(x.size),
            *_scatter_cautions(sd, share, no_scatter=limits is not None and spread is None),
            *_undated_cautions(undated),
        ),
    )


def _points(
    names: Sequence[str],
    dates: Sequence[datetime.date],
    x: FloatArray,
    sd: FloatArray,
    signals: Sequence[DriftSignal],
) -> tuple[DriftPoint, ...]:
    return tuple(
        DriftPoint(
            batch=name,
            mixed_on=dates[place],
            rate=math.exp(x[place]),
            log_rate_sd=None if math.isnan(sd[place]) else float(sd[place]),
            moving_range=float(abs(x[place] - x[place - 1])) if place else None,
            rules=tuple(dict.fromkeys(s.rule for s in signals if name in s.batches)),
        )
        for place, name in enumerate(names)
    )


def _wide_ranges(names: Sequence[str], limits: IndividualsLimits | None) -> tuple[str, ...]:
    if limits is None:
        return ()
    ranges = zip(names[1:], limits.moving_range, strict=True)
    return tuple(name for name, size in ranges if size > limits.moving_range_limit)


def _checked(
    batches: Sequence[str],
    mixed_on: Sequence[datetime.date | None],
    log_rate: ArrayLike,
    log_rate_sd: Sequence[float | None] | None,
) -> tuple[FloatArray, FloatArray]:
    rates = np.asarray(log_rate, dtype=np.float64)
    sds = np.array([None] * len(batches) if log_rate_sd is None else log_rate_sd, dtype=np.float64)
    if rates.shape != (len(batches),) or sds.shape != rates.shape or len(mixed_on) != rates.size:
        msg = (
            f"{len(batches)} batches with {len(mixed_on)} dates, {rates.size} rates and "
            f"{sds.size} uncertainties"
        )
        raise DataError(msg, expected="one of each for each batch")
    if len(set(batches)) < len(batches):
        msg = "a batch stands on the chart twice"
        raise DataError(msg, expected="one value for each batch")
    for name, value, sd in zip(batches, rates, sds, strict=True):
        if not math.isfinite(value) or sd < 0 or math.isinf(sd):
            msg = f"batch {name} has ln(rate) {value!r} with uncertainty {sd!r}"
            raise DataError(msg, expected="a finite value, and an uncertainty of zero or more")
    return rates, sds


def _signals(hit: RunRuleHits, names: Sequence[str]) -> list[DriftSignal]:
    """Patterns of one rule; those that overlap are one."""
    spans: list[list[int]] = []
    for last in np.flatnonzero(hit.hits):
        first = max(0, int(last) - hit.window + 1)
        if spans and first <= spans[-1][1] and hit.rule != "beyond-limits":
            spans[-1][1] = int(last)
        else:
            spans.append([first, int(last)])
    return [
        DriftSignal(
            rule=hit.rule,
            upwards=hit.upwards,
            batches=tuple(names[place] for place in range(first, last + 1) if hit.members[place]),
        )
        for first, last in spans
    ]


def _measurement_share(sd: FloatArray, limits: IndividualsLimits | None) -> float | None:
    if limits is None or np.any(np.isnan(sd)):
        return None
    return min(float(np.mean(sd**2)) / limits.sigma**2, 1.0)


def _extrapolated_cautions(
    formulation: str,
    ranges: Mapping[str, tuple[float, float] | None],
    pressure: float,
    format_pressure: Callable[[float], str],
) -> tuple[Caution, ...]:
    outside = {
        batch: span
        for batch, span in ranges.items()
        if span is not None and not span[0] / _RANGE_SLACK <= pressure <= span[1] * _RANGE_SLACK
    }
    if not outside:
        return ()
    low = min(span[0] for span in outside.values())
    high = max(span[1] for span in outside.values())
    if low < pressure < high:
        message = (
            f"no test of {', '.join(outside)} reaches {format_pressure(pressure)} from both sides: "
            "their rates there are extrapolated, and the propellant may behave otherwise there"
        )
        return (Caution("extrapolated", message),)
    tested = "at " + format_pressure(low)
    if format_pressure(high) != format_pressure(low):
        tested = f"from {format_pressure(low)} to {format_pressure(high)}"
    every = len(outside) == len(ranges)
    many = len(outside) > 1
    who = formulation if every else f"batch{'es' if many else ''} {', '.join(outside)}"
    were = "were" if many and not every else "was"
    whose = "the rates of its batches" if every else "their rates" if many else "its rate"
    message = (
        f"{who} {were} tested {tested}: {whose} at {format_pressure(pressure)} "
        f"{'are' if every or many else 'is'} extrapolated, and the propellant may behave otherwise "
        "there"
    )
    return (Caution("extrapolated", message),)


def _batch_count_cautions(count: int) -> tuple[Caution, ...]:
    if count >= _ENOUGH_BATCHES:
        return ()
    if count == 1:
        message = "one batch shows no spread: nothing about drift can be judged"
        return (Caution("few-batches", message),)
    rough = 100 * _RELATIVE_SD_OF_MEAN_RANGE / math.sqrt(count - 1)
    unseen = "eight in a row on one side cannot be seen"
    if count < _TREND_BATCHES:
        unseen = "neither eight in a row on one side nor six in a row rising or falling can be seen"
    message = (
        f"{count} batches are few: the limits are only good to about ±{rough:.0f} % of their "
        f"width, {unseen}, no change of level is looked for, and no signal does not mean no "
        "drift; eight batches tell more"
    )
    return (Caution("few-batches", message),)


def _scatter_cautions(
    sd: FloatArray, share: float | None, *, no_scatter: bool
) -> tuple[Caution, ...]:
    found = []
    if no_scatter:
        message = "neighbouring batches do not differ at all: there are no limits to judge by"
        found.append(Caution("no-scatter", message))
    if share is not None and share > _LARGE_SHARE:
        message = (
            f"about {100 * share:.0f} % of the spread from batch to batch is what the batches' own "
            "tests leave uncertain: more tests of each batch make a drift easier to see"
        )
        found.append(Caution("measurement-scatter", message))
    known = sd[~np.isnan(sd)]
    if known.size > 1 and np.max(known) > _UNEVEN * np.median(known):
        message = (
            "some batches are known much less well than others, and the limits are the same for "
            "all: look at their own uncertainty before believing in a signal of such a batch"
        )
        found.append(Caution("uneven-uncertainty", message))
    return tuple(found)


def _undated_cautions(undated: Sequence[str]) -> tuple[Caution, ...]:
    if not undated:
        return ()
    shown = ", ".join(undated[:5]) + (", …" if len(undated) > 5 else "")
    message = f"batches without a mixing date are left out ({shown})"
    return (Caution("undated", message),)
