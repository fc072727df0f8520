"""Strand tests: burnt lengths and times to one rate at one pressure."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import chdtrc
from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.points import RatePoint, without_impossible
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt

    from strandwise.records import ReadingUncertainty, StrandReading

    FloatArray = npt.NDArray[np.float64]

__all__ = [
    "StrandRate",
    "frame_time",
    "rate_mean_pressure_linear",
    "reduce_strand",
    "strand_rate_from_arrays",
]

_ROOT12 = math.sqrt(12.0)
_DISAGREE_P = 0.01
# Where no uncertainty is known, sections this far apart are worth a look (common practice, no
# source).
_DISAGREE_RATIO = 1.10
# Sections are cut about equal; readings from the start of the strand are not.
_CUMULATIVE_RATIO = 1.5
_SMALL_EXPONENT = 1e-6


@dataclass(frozen=True, slots=True)
class StrandRate:
    """Burn rate over all sections of a strand.

    Parameters
    ----------
    rate, rate_sd
        m/s; the standard uncertainty from what is known of lengths and times, None where nothing
        is.
    sections
        Rate of each section, m/s.
    disagreement_p
        Probability that sections of one rate differ as much as these, from their known
        uncertainties (chi-square); None with one section or where a section has none.
    """

    rate: float
    rate_sd: float | None
    sections: tuple[float, ...]
    disagreement_p: float | None


@dataclass(frozen=True, slots=True)
class _Reading:
    """A value with its standard uncertainty and where that comes from."""

    value: float
    sd: float | None
    origin: str


def frame_time(frames: float, frame_rate: float) -> tuple[float, float]:
    """Time of a count of video frames and its standard uncertainty, s.

    t = frames/frame_rate. Both ends lie anywhere within one frame interval, so the difference is
    triangular over two intervals: standard uncertainty one interval / √6 (JCGM 100, 4.3.9).

    Parameters
    ----------
    frames
        Count between start and end.
    frame_rate
        1/s.

    Raises
    ------
    DataError
        Either is not positive.
    """
    if not (frames > 0.0 and frame_rate > 0.0 and math.isfinite(frames / frame_rate)):
        msg = f"{frames} frames at {frame_rate} per second give no time"
        raise DataError(msg, expected="a positive count and a positive frame rate")
    return frames / frame_rate, 1.0 / (frame_rate * math.sqrt(6.0))


def rate_mean_pressure_linear(p_start: float, p_end: float, exponent: float) -> float:
    """Pressure at which r = a·P^n gives the strand's mean rate, for a linear rise in time.

    ((1/t)∫Pⁿdt)^(1/n) = √(P₁P₂)·[S((1 + n)h)/S(h)]^(1/n) with S(x) = sinh(x)/x and
    h = ln(P₂/P₁)/2: the integral in a form without the subtractions that fail at P₂ = P₁,
    n = −1 and n = 0; the rate-mean pressure is exact for a power law (CPIA CPTR-75 (2002), from
    memory).

    Parameters
    ----------
    p_start, p_end
        Absolute pressures at the ends, Pa.
    exponent
        n; 0 gives the geometric limit exp((1/t)∫ln P dt).

    Raises
    ------
    DataError
        A pressure is not positive, or n is not finite.
    """
    if not (0.0 < p_start < math.inf and 0.0 < p_end < math.inf and math.isfinite(exponent)):
        msg = f"pressures {p_start} Pa and {p_end} Pa with n = {exponent} have no rate mean"
        raise DataError(msg, expected="positive absolute pressures and a finite exponent")
    middle = math.sqrt(p_start) * math.sqrt(p_end)
    h = abs(math.log(p_end / p_start)) / 2.0
    if h < 1e-9:
        return middle
    if abs(exponent) < _SMALL_EXPONENT:
        # First two terms of the series in n; the next is below rounding.
        coth = 1.0 / math.tanh(h)
        first = h * coth - 1.0
        second = 1.0 - (h / math.sinh(h)) ** 2
        return middle * math.exp(first + 0.5 * exponent * second)
    rise = _log_sinhc((1.0 + exponent) * h) - _log_sinhc(h)
    return middle * math.exp(rise / exponent)


def _log_sinhc(x: float) -> float:
    x = abs(x)
    if x < 1e-4:
        return x * x / 6.0
    return x + math.log(-math.expm1(-2.0 * x) / (2.0 * x))


def strand_rate_from_arrays(
    lengths: FloatArray,
    times: FloatArray,
    length_sds: FloatArray,
    time_sds: FloatArray,
) -> StrandRate:
    """Total length over total time, with its first-order standard uncertainty (JCGM 100, 5.1).

    (u_r/r)² = (u_L/L)² + (u_t/t)², u² of a total the sum over its sections. Neighbouring sections
    share a wire, whose misplacement cancels in the total; taking them as independent errs on the
    wide side. What is not known is left out, so `rate_sd` may be a lower limit.

    Parameters
    ----------
    lengths, times
        Of each section, m and s, shape (sections,).
    length_sds, time_sds
        Standard uncertainties, same shape; NaN where unknown. A kind of reading counts as known
        only where it is known for every section.

    Raises
    ------
    DataError
        No section, unlike shapes, a length or time that is not positive, or a negative
        uncertainty.
    """
    arrays = [np.asarray(a, dtype=np.float64) for a in (lengths, times, length_sds, time_sds)]
    length, time, length_sd, time_sd = arrays
    if length.ndim != 1 or length.size == 0 or len({a.shape for a in arrays}) > 1:
        msg = f"lengths, times and their uncertainties have the shapes {[a.shape for a in arrays]}"
        raise DataError(msg, expected="one shape (sections,), one section at least")
    for name, values in (("length", length), ("time", time)):
        if not (np.isfinite(values) & (values > 0.0)).all():
            msg = f"a section's {name} is among {values.tolist()}"
            raise DataError(msg, expected="positive lengths in m and times in s")
    if (length_sd < 0.0).any() or (time_sd < 0.0).any():
        msg = f"a standard uncertainty is negative: {length_sd.tolist()}, {time_sd.tolist()}"
        raise DataError(msg, expected="0 or more, or NaN where unknown")
    rate = float(length.sum() / time.sum())
    known = [(v, s) for v, s in ((length, length_sd), (time, time_sd)) if not np.isnan(s).any()]
    sections = length / time
    if not known:
        return StrandRate(rate, None, tuple(sections.tolist()), None)
    relative2 = sum(float(np.sum(s**2)) / float(v.sum()) ** 2 for v, s in known)
    sds = sections * np.sqrt(np.sum([(s / v) ** 2 for v, s in known], axis=0))
    return StrandRate(
        rate,
        rate * math.sqrt(relative2),
        tuple(sections.tolist()),
        _disagreement(sections, sds),
    )


def _disagreement(sections: FloatArray, sds: FloatArray) -> float | None:
    if sections.size < 2 or not (sds > 0.0).all():
        return None
    weights = 1.0 / sds**2
    mean = float(np.sum(weights * sections) / np.sum(weights))
    chi = float(np.sum(weights * (sections - mean) ** 2))
    return float(chdtrc(sections.size - 1, chi))


def reduce_strand(
    readings: Sequence[StrandReading],
    formulation: str,
    uncertainty: ReadingUncertainty,
    *,
    exponent: float,
    wording: Wording = METRIC,
) -> RatePoint:
    """Reduce all rows of one strand test to its rate point.

    The rate is total length over total time. The pressure is the rate mean over the rise in each
    section, and over the sections by time. A standard uncertainty is the row's own, else the
    campaign's, else from the resolution (one displayed value, uniform over one step: step / √12;
    for frames both ends, √2 as much), else unknown and left to the scatter of the fit; where only
    length or time is known, `rate_sd` is that part alone and `uncertainty` says so. Errors of
    pressure readings within a test are taken as one gauge's and do not average out. A stopwatch's
    resolution says nothing of the person's reaction: that too is left to the scatter.

    Parameters
    ----------
    readings
        Rows of the test: sections of one strand.
    formulation
        Of its batch.
    uncertainty
        The campaign's.
    exponent
        Present estimate of the pressure exponent n; only matters where the pressure rose.
    wording
        Units of the sentences.

    Raises
    ------
    DataError
        No rows, rows of several tests or batches, or a row without a time.
    """
    _check_one_test(readings)
    lengths = [_length(row, uncertainty) for row in readings]
    times = [_time(row, uncertainty) for row in readings]
    pressures = [_pressure(row, uncertainty, exponent) for row in readings]
    if len(readings) == 1:
        rate = _one_section_rate(lengths[0], times[0])
        pressure, pressure_sd = pressures[0].value, pressures[0].sd
    else:
        rate = strand_rate_from_arrays(*_arrays(lengths, times))
        pressure, pressure_sd = _of_sections(pressures, times, exponent)
    reasons = dict.fromkeys(row.exclude for row in readings if row.exclude)
    temperatures = [row.temperature for row in readings if row.temperature is not None]
    first = readings[0]
    point = RatePoint(
        test=first.test,
        batch=first.batch,
        formulation=formulation,
        kind="strand",
        pressure=pressure,
        pressure_sd=pressure_sd,
        rate=rate.rate,
        rate_sd=rate.rate_sd,
        uncertainty=_origin_text(lengths, times, pressures),
        temperature=sum(temperatures) / len(temperatures) if temperatures else None,
        used=not reasons,
        why_not="; ".join(reasons) or None,
        cautions=tuple(
            _section_cautions(lengths, times, pressures, rate, (pressure, exponent), wording)
        ),
    )
    return without_impossible(point, wording)


def _one_section_rate(length: _Reading, time: _Reading) -> StrandRate:
    """`strand_rate_from_arrays` of one section, without arrays: most strands are one."""
    if not (0.0 < length.value < math.inf and 0.0 < time.value < math.inf):
        return strand_rate_from_arrays(*_arrays([length], [time]))
    rate = length.value / time.value
    parts = [(one.sd / one.value) ** 2 for one in (length, time) if one.sd is not None]
    if any(one.sd is not None and one.sd < 0.0 for one in (length, time)):
        return strand_rate_from_arrays(*_arrays([length], [time]))
    return StrandRate(rate, rate * math.sqrt(sum(parts)) if parts else None, (rate,), None)


def _of_sections(
    pressures: Sequence[_Reading], times: Sequence[_Reading], exponent: float
) -> tuple[float, float | None]:
    """Rate-mean pressure of several sections, and its standard uncertainty where all are known."""
    shares = np.array([time.value for time in times])
    shares /= shares.sum()
    pressure = _mean_pressure(np.array([p.value for p in pressures]), shares, exponent)
    known = [p.sd for p in pressures if p.sd is not None]
    if len(known) < len(pressures):
        return pressure, None
    return pressure, float(shares @ np.array(known))


def _check_one_test(readings: Sequence[StrandReading]) -> None:
    if not readings:
        msg = "a strand test without rows was to be reduced"
        raise DataError(msg, expected="one row at least")
    if len(readings) == 1:
        return
    names = sorted({(row.test, row.batch) for row in readings})
    if len(names) > 1:
        msg = f"rows of several tests or batches were to be reduced as one: {names}"
        raise DataError(msg, expected="the rows of one test of one batch")


def _known(
    value: float, row_sd: float | None, campaign_sd: float | None, step: float | None
) -> _Reading:
    for sd in (row_sd, campaign_sd):
        if sd is not None:
            return _Reading(value, sd, "stated")
    if step is not None:
        return _Reading(value, step / _ROOT12, "resolution")
    return _Reading(value, None, "scatter")


def _length(row: StrandReading, uncertainty: ReadingUncertainty) -> _Reading:
    return _known(row.length, row.length_sd, uncertainty.length_sd, uncertainty.length_resolution)


def _time(row: StrandReading, uncertainty: ReadingUncertainty) -> _Reading:
    if row.time is not None:
        return _known(row.time, row.time_sd, uncertainty.time_sd, uncertainty.time_resolution)
    if row.frames is None or row.frame_rate is None:
        msg = f"{row.source}: test {row.test} has neither a time nor frames with a frame rate"
        raise DataError(msg, expected="time, or frames and frame_rate")
    time, sd = frame_time(row.frames, row.frame_rate)
    # The campaign's time uncertainty is the stopwatch's, so it says nothing of a frame count.
    if row.time_sd is not None:
        return _Reading(time, row.time_sd, "stated")
    return _Reading(time, sd, "frames")


def _pressure(row: StrandReading, uncertainty: ReadingUncertainty, exponent: float) -> _Reading:
    pressure = row.pressure
    if row.pressure_end is not None:
        pressure = rate_mean_pressure_linear(pressure, row.pressure_end, exponent)
    return _known(
        pressure,
        row.pressure_sd,
        uncertainty.pressure_sd,
        uncertainty.pressure_resolution,
    )


def _arrays(
    lengths: Sequence[_Reading], times: Sequence[_Reading]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    def sds(readings: Sequence[_Reading]) -> FloatArray:
        return np.array([math.nan if one.sd is None else one.sd for one in readings])

    return (
        np.array([one.value for one in lengths]),
        np.array([one.value for one in times]),
        sds(lengths),
        sds(times),
    )


def _mean_pressure(pressures: FloatArray, shares: FloatArray, exponent: float) -> float:
    logs = np.log(pressures)
    middle = float(shares @ logs)
    if abs(exponent) < _SMALL_EXPONENT:
        return math.exp(middle)
    mean_power = float(shares @ np.expm1(exponent * (logs - middle)))
    return math.exp(middle + math.log1p(mean_power) / exponent)


def _origin_text(
    lengths: Sequence[_Reading], times: Sequence[_Reading], pressures: Sequence[_Reading]
) -> str:
    if len(lengths) == 1:
        return _joined_origins(*(_origin(one) for one in (lengths[0], times[0], pressures[0])))
    words = []
    for readings in (lengths, times, pressures):
        known = all(one.sd is not None for one in readings)
        words.append(
            " and ".join(dict.fromkeys(one.origin for one in readings)) if known else "scatter"
        )
    return _joined_origins(*words)


def _origin(reading: _Reading) -> str:
    return "scatter" if reading.sd is None else reading.origin


@functools.cache
def _joined_origins(length: str, time: str, pressure: str) -> str:
    if length == time == pressure:
        return length
    return f"length {length}, time {time}, pressure {pressure}"


def _section_cautions(
    lengths: Sequence[_Reading],
    times: Sequence[_Reading],
    pressures: Sequence[_Reading],
    rate: StrandRate,
    at: tuple[float, float],
    wording: Wording,
) -> Iterator[Caution]:
    """Cautions on the sections of one strand; `at` is their mean pressure and the exponent."""
    if len(lengths) < 2:
        return
    pressure, exponent = at
    factors = np.array([(pressure / p.value) ** exponent for p in pressures])
    length, time, length_sd, time_sd = _arrays(lengths, times)
    levelled = np.array(rate.sections) * factors
    p = strand_rate_from_arrays(length * factors, time, length_sd * factors, time_sd).disagreement_p
    slowest, fastest = float(levelled.min()), float(levelled.max())
    span = f"sections burnt at {wording.burn_rate(slowest)} to {wording.burn_rate(fastest)}"
    look = "look at the wires and for side burning or a coned front"
    if p is not None and p < _DISAGREE_P:
        yield Caution(
            "wires-disagree",
            f"{span}, more than their stated uncertainties explain, so the rate's is too small; "
            + look,
        )
    elif p is None and fastest > _DISAGREE_RATIO * slowest:
        yield Caution("wires-disagree", f"{span}; {look}")
    if _looks_cumulative(length) and _looks_cumulative(time):
        yield Caution(
            "wires-look-cumulative",
            "lengths and times grow from wire to wire as if read from the start of the strand; "
            "each row must hold the length and time of its own section",
        )


def _looks_cumulative(values: FloatArray) -> bool:
    grows = bool((np.diff(values) > 0.0).all())
    return grows and bool(values[-1] >= _CUMULATIVE_RATIO * values[0])
