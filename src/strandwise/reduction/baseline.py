"""Where in a trace the firing is, and what its zero is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.signals import noise_sd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Located", "locate"]

THRESHOLD = 0.10
"""Share of the peak at which action starts and ends (Sutton & Biblarz, from memory)."""

_MERGE_GAP = 0.10  # a dip shorter than this share of its neighbour belongs to the same firing
_QUIET_DRIFT = 0.02  # of the peak, between the halves of a quiet part of the longest kind
_SHORT_DRIFT = 0.0005  # of the peak; shorter parts may drift this much, or within their scatter
_QUIET_SPREAD = 0.03  # of the peak
_QUIET_LENGTHS = (0.3, 0.1, 0.03)  # of the action time; the longest that is there is taken
_QUIET_ENOUGH = 0.005  # a part that drifts less than this is taken without looking farther
_SEARCH_BEFORE = 3.0  # action times in which a quiet part is looked for
_SEARCH_AFTER = 1.0  # fewer: later the hot motor is handled, or the cell creeps
_FAR_APART = 0.3  # of the range; ends that differ more are not both at rest
_HIGH_OPENING = 0.05  # of the peak; first readings above it are part of the rise
_LIKELY_SHIFT = 0.2  # of the peak; a zero that moved more was disturbed, not lightened
_LEAST_SAMPLES = 8
_LEAST_OVER_NOISE = 8.0
_MOST_SHIFT = 0.5  # of the peak, between the zero before and the zero after
_MAD_TO_SD = 1.4826


@dataclass(frozen=True, kw_only=True, slots=True)
class Located:
    """A firing found in a trace.

    Parameters
    ----------
    first, last
        First and last sample above a tenth of the peak.
    values
        Upright and zeroed, shape (N,).
    zero_level, zero_sd
        Reading taken as zero where the firing starts, and its standard uncertainty.
    noise
        Standard deviation of the quiet part, else sample-to-sample.
    """

    first: int
    last: int
    values: Floats
    zero_level: float
    zero_sd: float
    noise: float
    account: tuple[str, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class _Level:
    value: float
    sd: float
    noise: float
    drift: float
    start: float
    end: float


def locate(
    time: Floats,
    values: Floats,
    *,
    recorded_zero: float,
    signed: bool,
    unit: str,
    end_known: bool = False,
) -> Located:
    """Find the firing, its polarity and its zero.

    The firing is the stretch above a tenth of its own peak that holds the largest integral, so
    that a knock on the stand, however high, is not taken for it. The zero is the level of the
    quiet parts before and after with a straight line between, since a motor loses mass and a
    load cell creeps; where there is none before, it lies between the recorded zero and the
    first reading, and the result says so.

    Parameters
    ----------
    time, values
        Rising s and SI values without spikes; shape (N,).
    recorded_zero
        Value that the channel should read at rest: 0 N, or ambient pressure in Pa.
    signed
        Whether the channel may read downward (a load cell mounted the other way round).
    unit
        ``N`` or ``Pa``, for messages.
    end_known
        Whether a person set the end of action, so that the trace need not come back.

    Returns
    -------
    Located

    Raises
    ------
    DataError
        Nothing stands out of the noise, the level before and after differ too much, or there
        are too few samples in what stands out.
    """
    ends = _end_levels(values)
    provisional = np.interp(time, [time[0], time[-1]], _rest(values, ends, recorded_zero))
    sign = 1.0
    if signed:
        # By height, not by integral: a disturbed cell may hang below zero longer than it burnt.
        heights = []
        for difference in (values - provisional, provisional - values):
            a, b, _ = _largest(time, difference)
            heights.append(float(np.max(difference[a : b + 1])))
        sign = -1.0 if heights[1] > heights[0] else 1.0
    upright = sign * values
    first, last, _ = _largest(time, upright - sign * provisional)
    # A trace that starts within the burn is told apart, and may be rescued, by its events.
    if first > 0 and not end_known:
        _refuse_what_stays_away(upright - sign * provisional, (first, last), ends, unit)
    zero, before, after = sign * provisional, None, None
    for _ in range(3):
        peak = float(np.max((upright - zero)[first : last + 1]))
        before, after = _quiet_sides(time, upright, first, last, peak)
        disturbed = 0.0
        if before and after and abs(after.value - before.value) > _LIKELY_SHIFT * peak:
            disturbed = abs(after.value - before.value) / float(np.sqrt(12.0))
            after = None
        zero, level, sd, how = _zero_line(
            time, upright, (first, last), before, after, sign * recorded_zero, peak
        )
        sd = float(np.hypot(sd, disturbed))
        centre = first + int(np.argmax((upright - zero)[first : last + 1]))
        first, last, _ = _largest(time, upright - zero, centre)
    cleaned = upright - zero
    noise = before.noise if before else (after.noise if after else noise_sd(values))
    _refuse_noise_and_few_samples(time, cleaned, (first, last), noise, unit)
    peak = float(np.max(cleaned[first : last + 1]))
    account = [how]
    if sign < 0.0:
        account.insert(0, "the channel reads downward during the firing: turned upright")
    return Located(
        first=first,
        last=last,
        values=cleaned,
        zero_level=sign * level,
        zero_sd=sd,
        noise=noise,
        account=tuple(account),
        cautions=_baseline_cautions(before, after, sd / peak),
    )


def _end_levels(values: Floats) -> tuple[float, float]:
    count = max(3, len(values) // 100)
    return float(np.median(values[:count])), float(np.median(values[-count:]))


def _rest(values: Floats, ends: tuple[float, float], recorded: float) -> tuple[float, float]:
    """Return the levels at rest to start from: those of the ends, unless one lies in the firing."""
    if abs(ends[0] - ends[1]) <= _FAR_APART * float(np.ptp(values)):
        return ends
    nearer = min(ends, key=lambda level: abs(level - recorded))
    return nearer, nearer


def _largest(time: Floats, z: Floats, centre: int | None = None) -> tuple[int, int, float]:
    """Return the stretch above a tenth of its peak with the largest integral.

    With `centre` the stretch is the one around that sample.
    """
    smooth = z.copy()
    smooth[1:-1] = np.median(np.stack([z[:-2], z[1:-1], z[2:]]), axis=0)
    peak = float(np.max(smooth)) if centre is None else float(z[centre])
    best = (0, 0, 0.0)
    for _ in range(6):
        if peak <= 0.0:
            break
        stretches = _stretches(time, z, THRESHOLD * peak)
        if centre is not None:
            stretches = [s for s in stretches if s[0] <= centre <= s[1]] or stretches
        area = [float(np.trapezoid(z[a : b + 1], time[a : b + 1])) for a, b in stretches]
        if not area:
            break
        k = int(np.argmax(area))
        best = (*stretches[k], area[k])
        within = slice(best[0], best[1] + 1)
        own = float(np.max(smooth[within] if centre is None else z[within]))
        if own >= peak * (1.0 - 1e-9):
            break
        peak = own
    return best


def _stretches(time: Floats, z: Floats, level: float) -> list[tuple[int, int]]:
    above = np.concatenate([[False], z > level, [False]])
    steps = np.flatnonzero(above[1:] != above[:-1])
    merged: list[tuple[int, int]] = []
    for start, stop in zip(steps[::2].tolist(), (steps[1::2] - 1).tolist(), strict=True):
        if merged:
            a, b = merged[-1]
            longest = max(time[b] - time[a], time[stop] - time[start])
            if time[start] - time[b] < _MERGE_GAP * longest:
                merged[-1] = (a, stop)
                continue
        merged.append((start, stop))
    return merged


def _quiet_sides(
    time: Floats, upright: Floats, first: int, last: int, peak: float
) -> tuple[_Level | None, _Level | None]:
    action = float(time[last] - time[first])
    before = after = None
    for share in _QUIET_LENGTHS:
        # A shorter part must be flatter, or the start of a slow rise would pass for rest.
        flat = _QUIET_DRIFT * peak * share / _QUIET_LENGTHS[0]
        length = share * action
        guard = 0.03 * action
        if before is None:
            edge = float(time[first]) - guard
            for k in range(int(_SEARCH_BEFORE / share * 2)):
                end = edge - k * length / 2.0
                found = _quiet_level(time, upright, end - length, end, peak, flat)
                before = _quieter(before, found, peak)
        if after is None:
            edge = float(time[last]) + guard
            for k in range(int(_SEARCH_AFTER / share * 2)):
                start = edge + k * length / 2.0
                found = _quiet_level(time, upright, start, start + length, peak, flat)
                after = _quieter(after, found, peak)
    return before, after


def _quieter(nearer: _Level | None, farther: _Level | None, peak: float) -> _Level | None:
    if nearer is None or farther is None:
        return nearer or farther
    if nearer.drift <= _QUIET_ENOUGH * peak or nearer.drift <= farther.drift:
        return nearer
    return farther


def _quiet_level(
    time: Floats, upright: Floats, start: float, end: float, peak: float, flat: float
) -> _Level | None:
    a, b = np.searchsorted(time, [start, end])
    part = upright[a:b]
    # Two thirds of the stretch must be there: a stump at the end of a record is no quiet part.
    if len(part) < 5 or time[b - 1] - time[a] < 0.66 * (end - start):
        return None
    level = float(np.median(part))
    half = len(part) // 2
    drift = abs(float(np.median(part[:half]) - np.median(part[half:])))
    noise = float(_MAD_TO_SD * np.median(np.abs(part - level)))
    if flat < _QUIET_DRIFT * peak and drift > max(4.0 * _scatter(part), _SHORT_DRIFT * peak):
        return None
    if drift > flat or noise > _QUIET_SPREAD * peak:
        return None
    sd = float(np.hypot(noise / np.sqrt(len(part)), drift / np.sqrt(12.0)))
    return _Level(level, sd, noise, drift, float(time[a]), float(time[b - 1]))


def _scatter(part: Floats) -> float:
    """Return the standard deviation about a straight line through the samples."""
    x = np.arange(len(part)) - (len(part) - 1) / 2.0
    residual = part - part.mean() - x * (np.sum(x * part) / np.sum(x**2))
    return float(np.std(residual))


def _zero_line(
    time: Floats,
    upright: Floats,
    found: tuple[int, int],
    before: _Level | None,
    after: _Level | None,
    recorded: float,
    peak: float,
) -> tuple[Floats, float, float, str]:
    first, last = found
    if before is not None and after is not None:
        level, sd = before.value, float(np.hypot(before.sd, after.sd))
        how = (
            f"zero: quiet parts {before.start:.3f}–{before.end:.3f} s and "
            f"{after.start:.3f}–{after.end:.3f} s, a straight line between"
        )
        finish = after.value
    elif before is not None:
        level, sd, finish = before.value, before.sd, before.value
        how = f"zero: quiet part {before.start:.3f}–{before.end:.3f} s, held through the firing"
    else:
        opening = float(upright[: max(3, first // 4)].min())
        how = "zero: no quiet part before ignition; half-way from recorded zero to first readings"
        if abs(opening - recorded) > _HIGH_OPENING * peak:
            opening = after.value if after is not None else recorded
            how = "zero: the record starts within the rise; recorded zero"
            how += " and the level after the firing, half-way" if after is not None else ""
        level = (recorded + opening) / 2.0
        sd = abs(opening - recorded) / float(np.sqrt(12.0))
        finish = level if after is None else after.value
        if after is not None:
            sd = float(np.hypot(sd, after.sd))
            how += f", then a line to the quiet part {after.start:.3f}–{after.end:.3f} s"
    line = np.interp(time, [time[first], time[last]], [level, finish])
    return line, level, sd, how


def _baseline_cautions(
    before: _Level | None, after: _Level | None, relative_sd: float
) -> tuple[Caution, ...]:
    if before is not None and after is not None:
        return ()
    if before is not None:
        text = (
            "no quiet part near enough to zero after the firing: the zero before it is held, "
            "drift is unknown"
        )
        return (Caution("no-baseline-after", text),)
    text = (
        "no quiet part before ignition: the zero is only known to about "
        f"{100.0 * relative_sd:.1g} % of the peak; record a second or more before ignition"
    )
    return (Caution("no-baseline", text),)


def _refuse_noise_and_few_samples(
    time: Floats, z: Floats, found: tuple[int, int], noise: float, unit: str
) -> None:
    first, last = found
    count = last - first + 1
    peak = float(np.max(z[first : last + 1]))
    scale, shown = _shown(unit)
    if peak <= _LEAST_OVER_NOISE * noise or peak <= 0.0:
        msg = (
            f"no firing stands out of the trace: the highest stretch reaches {peak / scale:.4g} "
            f"{shown} over a noise of {noise / scale:.3g} {shown}"
        )
        raise DataError(msg, hint="check the column, the unit and the wiring of the channel")
    if count < _LEAST_SAMPLES:
        step = float(np.median(np.diff(time))) * 1e3
        msg = f"only {count} samples above a tenth of the peak, at {step:.3g} ms a sample"
        raise DataError(
            msg, expected=f"at least {_LEAST_SAMPLES}", hint="log faster; enter it by hand instead"
        )


def _refuse_what_stays_away(
    z: Floats, found: tuple[int, int], ends: tuple[float, float], unit: str
) -> None:
    peak = float(np.max(z[found[0] : found[1] + 1]))
    if abs(ends[1] - ends[0]) <= _MOST_SHIFT * peak:
        return
    scale, shown = _shown(unit)
    msg = (
        f"the trace does not come back: it reads {ends[0] / scale:.4g} {shown} at its start and "
        f"{ends[1] / scale:.4g} {shown} at its end, while the largest event is "
        f"{peak / scale:.4g} {shown}"
    )
    raise DataError(
        msg,
        expected="levels before and after that differ by less than half the peak",
        hint="the sensor drifted or was disturbed, or the logger stopped before the end; if the "
        "end of action is known, set [events] end",
    )


def _shown(unit: str) -> tuple[float, str]:
    return (1e6, "MPa") if unit == "Pa" else (1.0, unit)
