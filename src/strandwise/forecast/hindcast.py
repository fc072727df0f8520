"""The forecast held against firings that are already known: each predicted without itself.

Every firing is left out in turn, the comparison is fitted to all other tests, and the firing's own
motor is forecast from it, its batch's other tests included. What was measured is then held against
what was predicted, with the scatter of one more firing and the uncertainty of its readings. A
second prediction rests on the strands alone, as if no motor had been fired: it shows what a
forecast from strands would have been worth.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from strandwise.errors import StrandwiseError
from strandwise.findings import Caution
from strandwise.forecast.montecarlo import draw_motor
from strandwise.forecast.sources import law_from_analysis
from strandwise.progress import steps
from strandwise.tracking import RateObservations, analyse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.forecast.design import MotorDesign
    from strandwise.reduction import RatePoint
    from strandwise.tracking import Analysis

    Floats = NDArray[np.float64]

__all__ = [
    "Basis",
    "FiredMotor",
    "Hindcast",
    "HindcastRow",
    "HindcastScore",
    "Quantity",
    "Reading",
    "hindcast_firings",
]

Quantity = Literal["mean-pressure", "peak-pressure", "burn-time"]

Basis = Literal["all-others", "strands-alone"]
"""All tests but the firing itself, or the strands without any firing."""

_ATTRIBUTES: dict[Quantity, str] = {
    "mean-pressure": "mean_pressure",
    "peak-pressure": "peak_pressure",
    "burn-time": "burn_time",
}
_LEVELS = (0.025, 0.5, 0.975)
_FEW = 5
_LEAST_RATIO = 1e-3


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """One measured quantity of a firing and its standard uncertainty, SI."""

    quantity: Quantity
    value: float
    sd: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class FiredMotor:
    """A firing as a motor to be forecast, and what was measured.

    Parameters
    ----------
    test, batch, formulation
        Names of its records.
    design
        Its motor, with the gas as stated and not as it was measured in this firing.
    readings
        What was measured.
    """

    test: str
    batch: str
    formulation: str
    design: MotorDesign
    readings: tuple[Reading, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class HindcastRow:
    """One quantity of one firing, predicted without it; SI.

    Parameters
    ----------
    test, batch, formulation, quantity
        What it is of.
    basis
        What it was predicted from.
    measured, measured_sd
        Value and its standard uncertainty.
    predicted, interval
        Median, and the 95 % interval in which a reading like this one was to be expected.
    inside
        Whether it was.
    deviation
        ln of measured over predicted.
    z
        The same over the standard deviation of the prediction.
    """

    test: str
    batch: str
    formulation: str
    quantity: Quantity
    basis: Basis
    measured: float
    measured_sd: float
    predicted: float
    interval: tuple[float, float]
    inside: bool
    deviation: float
    z: float


@dataclass(frozen=True, kw_only=True, slots=True)
class HindcastScore:
    """How well one quantity was predicted.

    Parameters
    ----------
    quantity, basis, count, inside
        How many firings, and how many lay inside their 95 % interval.
    mean_deviation, typical_deviation
        Mean and root mean square of ln(measured/predicted): 0.05 is about 5 %.
    z_rms
        Root mean square of the deviations over their standard deviations: about 1 where the
        intervals are as wide as they should be, more where they are too narrow.
    """

    quantity: Quantity
    basis: Basis
    count: int
    inside: int
    mean_deviation: float
    typical_deviation: float
    z_rms: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Hindcast:
    """All firings predicted.

    Parameters
    ----------
    rows
        By firing and quantity.
    scores
        By quantity and basis.
    skipped
        Name of a firing and why it was not predicted.
    cautions
        What to heed of the whole.
    """

    rows: tuple[HindcastRow, ...]
    scores: tuple[HindcastScore, ...]
    skipped: tuple[tuple[str, str], ...]
    cautions: tuple[Caution, ...]


def hindcast_firings(
    points: Sequence[RatePoint],
    firings: Sequence[FiredMotor],
    *,
    baseline: str,
    pressure: float,
    draws: int = 2000,
    seed: int = 1,
    strands_alone: bool = True,
) -> Hindcast:
    """Predict each firing from all other tests, and hold it against what was measured.

    Parameters
    ----------
    points
        All rate points of the campaign, the firings' own among them.
    firings
        Motors that were fired.
    baseline, pressure
        As of `strandwise.tracking.analyse`; where the baseline is only tested by the firing that
        is left out, another formulation serves.
    draws, seed
        As of `draw_motor`.
    strands_alone
        Whether to predict them a second time as if no motor had been fired.
    """
    rows: list[HindcastRow] = []
    skipped: list[tuple[str, str]] = []
    used = [p for p in points if p.used]
    strands = [p for p in used if p.kind == "strand"]
    known: dict[str, Analysis] = {}
    for number, firing in enumerate(steps(firings, "predicting firings")):
        others = [p for p in used if p.test != firing.test]
        how = {"draws": draws, "seed": seed + number}
        try:
            analysis = _analysis(others, firing, baseline, pressure)
            rows += _predict(analysis, "all-others", firing, **how)
        except StrandwiseError as error:
            skipped.append((firing.test, error.message))
            continue
        if not strands_alone or len(others) == len(strands):
            continue
        # A formulation of which firings alone were tested has no such prediction.
        with contextlib.suppress(StrandwiseError):
            anchor = _anchor(strands, firing, baseline)
            if anchor not in known:
                known[anchor] = _analysis(strands, firing, baseline, pressure)
            rows += _predict(known[anchor], "strands-alone", firing, **how)
    scores = tuple(
        _score(quantity, basis, own)
        for quantity in _ATTRIBUTES
        for basis in ("all-others", "strands-alone")
        if (own := [row for row in rows if (row.quantity, row.basis) == (quantity, basis)])
    )
    return Hindcast(
        rows=tuple(rows), scores=scores, skipped=tuple(skipped), cautions=_cautions(rows, scores)
    )


def _anchor(tests: list[RatePoint], firing: FiredMotor, baseline: str) -> str:
    return baseline if any(p.formulation == baseline for p in tests) else firing.formulation


def _analysis(
    tests: list[RatePoint], firing: FiredMotor, baseline: str, pressure: float
) -> Analysis:
    observations = RateObservations.from_points(tests)
    return analyse(observations, baseline=_anchor(tests, firing, baseline), pressure=pressure)


def _predict(
    analysis: Analysis, basis: Basis, firing: FiredMotor, *, draws: int, seed: int
) -> list[HindcastRow]:
    known = firing.batch in analysis.tests.batch
    source = law_from_analysis(
        analysis,
        firing.formulation,
        batch=firing.batch if known and analysis.fit.batch_sd is not None else None,
        one_more_test=True,
    )
    outcome = draw_motor(firing.design, source, draws=draws, seed=seed)
    rng = np.random.default_rng([seed, draws])
    rows = []
    for reading in firing.readings:
        values = np.maximum(getattr(outcome, _ATTRIBUTES[reading.quantity]), 1e-12)
        noise = reading.sd / reading.value * rng.standard_normal(draws)
        logs = np.log(values) + np.log1p(np.maximum(noise, _LEAST_RATIO - 1.0))
        rows.append(_row(firing, basis, reading, logs))
    return rows


def _row(firing: FiredMotor, basis: Basis, reading: Reading, logs: Floats) -> HindcastRow:
    low, middle, high = np.quantile(logs, _LEVELS, method="higher")
    deviation = math.log(reading.value) - float(middle)
    # From the quantiles: few degrees of freedom give draws without a standard deviation.
    sd = float(high - low) / (2.0 * 1.96)
    return HindcastRow(
        test=firing.test,
        batch=firing.batch,
        formulation=firing.formulation,
        quantity=reading.quantity,
        basis=basis,
        measured=reading.value,
        measured_sd=reading.sd,
        predicted=math.exp(middle),
        interval=(math.exp(low), math.exp(high)),
        inside=bool(low <= math.log(reading.value) <= high),
        deviation=deviation,
        z=deviation / sd if sd > 0.0 else math.copysign(math.inf, deviation),
    )


def _score(quantity: Quantity, basis: Basis, rows: list[HindcastRow]) -> HindcastScore:
    deviations = np.array([row.deviation for row in rows])
    return HindcastScore(
        quantity=quantity,
        basis=basis,
        count=len(rows),
        inside=sum(row.inside for row in rows),
        mean_deviation=float(deviations.mean()),
        typical_deviation=float(np.sqrt((deviations**2).mean())),
        z_rms=float(np.sqrt(np.mean([row.z**2 for row in rows]))),
    )


def _cautions(rows: list[HindcastRow], scores: tuple[HindcastScore, ...]) -> tuple[Caution, ...]:
    found = []
    count = max((score.count for score in scores), default=0)
    if 0 < count < _FEW:
        found.append(
            Caution(
                "few-firings",
                f"{count} firing{'s' if count > 1 else ''} can show a forecast to be badly wrong, "
                "but not that it is right: an interval that should miss one time in twenty has "
                "hardly had the chance",
            )
        )
    missed = sorted({r.test for r in rows if r.basis == "all-others" and not r.inside})
    if missed:
        found.append(
            Caution(
                "missed",
                f"{', '.join(missed)} read outside what the other tests gave reason to expect: "
                "look at the firing's record first, then distrust forecasts of motors like it",
                tuple(missed),
            )
        )
    alone = [s for s in scores if s.basis == "strands-alone" and s.inside < s.count]
    if alone:
        shown = ", ".join(
            f"{s.count - s.inside} of {s.count} outside in {s.quantity.replace('-', ' ')}"
            for s in alone
        )
        found.append(
            Caution(
                "strands-alone-miss",
                f"strands alone would have missed ({shown}): motors and strands read differently "
                "here, and a forecast without a firing does not allow for it",
            )
        )
    return tuple(found)
