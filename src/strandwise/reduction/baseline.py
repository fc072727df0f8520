"""Where in a trace the firing is, and what its zero is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.quiet import quiet_sides
from strandwise.reduction.signals import despiked, middle_of_three, noise_sd, thinned
from strandwise.reduction.stretches import Pulse, largest_stretch, stretch_around

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from strandwise.reduction.quiet import Level

    Floats = NDArray[np.float64]

__all__ = ["Located", "locate"]

_STEP_SAMPLES = 3000  # in which a converter's step is looked for
_LEVELS = 16  # different readings from which a converter's step can be seen
_SMALLEST_STEP = 1e-7  # of the range; smaller differences are of arithmetic
_FAR_APART = 0.3  # of the range; ends that differ more are not both at rest
_HIGH_OPENING = 0.05  # of the peak; first readings above it are part of the rise
_LIKELY_SHIFT = 0.2  # of the peak; a zero that moved more was disturbed, not lightened
_NEAR_BEFORE = 4.0  # action times around the firing that are looked at closely
_NEAR_AFTER = 2.0
_NEAR_SAMPLES = 200  # at least, on either side
_CLEAR_SIGN = 5.0  # times higher one way than the other: no need to weigh both ways
_FINE = 200  # samples of a firing; no real event is two samples long then
_LEAST_SAMPLES = 8
_LEAST_OVER_NOISE = 8.0
_MOST_SHIFT = 0.5  # of the peak, between the zero before and the zero after


@dataclass(frozen=True, kw_only=True, slots=True)
class Located:
    """A firing found in a trace.

    Parameters
    ----------
    near
        The samples around the firing in which zero and spikes were dealt with.
    first, last
        First and last sample above a tenth of the peak, counted within `near`.
    values
        Despiked, upright and zeroed; of the whole trace, shape (N,).
    spikes
        Samples of the whole trace that were replaced.
    pulses
        Every stretch above a tenth of the peak, the firing among them, in order of time.
    zero_level, zero_sd
        Reading taken as zero where the firing starts, and its standard uncertainty.
    noise
        Standard deviation of the quiet part, else sample-to-sample.
    rested
        Whether a quiet part before the firing was found.
    """

    near: slice
    first: int
    last: int
    values: Floats
    spikes: NDArray[np.intp]
    pulses: tuple[Pulse, ...]
    zero_level: float
    zero_sd: float
    noise: float
    rested: bool
    account: tuple[str, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class _Coarse:
    """The firing before its zero is known: polarity, first and last sample, all stretches."""

    sign: float
    first: int
    last: int
    pulses: tuple[Pulse, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Line:
    """The zero through a firing: a level to `start`, a straight line, a level from `end`."""

    start: float
    end: float
    level: float
    finish: float
    sd: float
    how: str

    def at(self, time: Floats) -> Floats:
        a, b = np.searchsorted(time, [self.start, self.end])
        values = np.full(len(time), self.level)
        values[b:] = self.finish
        share = (time[a:b] - self.start) / (self.end - self.start)
        values[a:b] += share * (self.finish - self.level)
        return values


def locate(
    time: Floats,
    values: Floats,
    *,
    recorded_zero: float,
    signed: bool,
    told: Callable[[float], str],
    instants: Sequence[float] = (),
    end_known: bool = False,
) -> Located:
    """Find the firing, its polarity and its zero, and remove spikes around it.

    The firing is the stretch above a tenth of its own peak that holds the largest integral, so
    that a knock on the stand, however high, is not taken for it. The zero is the level of the
    quiet parts before and after with a straight line between, since a motor loses mass and a
    load cell creeps: from the start of the firing to its end for thrust, from the middle of one
    part to that of the other for pressure, which no mass changes. Where there is none before, it
    lies between the recorded zero and the first reading, and the result says so.

    Parameters
    ----------
    time, values
        Rising s and SI values as read; shape (N,).
    recorded_zero
        Value that the channel should read at rest: 0 N, or ambient pressure in Pa.
    signed
        Whether the channel may read downward (a load cell mounted the other way round).
    told
        How messages write a value.
    instants
        Set by a person, s; the samples looked at include them.
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
    coarse = _coarse(time, values, recorded_zero, signed=signed, told=told, end_known=end_known)
    near = _near(time, coarse, instants)
    t = time[near]
    finely = coarse.last - coarse.first >= _FINE
    clean, spikes = despiked(values[near], pairs=finely)
    sign = coarse.sign
    upright = clean if sign > 0.0 else -clean
    first, last = coarse.first - near.start, coarse.last - near.start
    rest = sign * np.median(values[near][: max(3, len(t) // 100)])
    cleaned: Floats = upright - rest
    seen = None
    for _ in range(3):
        peak = float(np.max(cleaned[first : last + 1]))
        if (first, last, peak) == seen:
            break
        seen = first, last, peak
        before, after = quiet_sides(t, upright, first, last, peak)
        disturbed = 0.0
        if before and after and abs(after.value - before.value) > _LIKELY_SHIFT * peak:
            disturbed = abs(after.value - before.value) / float(np.sqrt(12.0))
            after = None
        line = _zero_line(t, upright, (first, last), before, after, sign * recorded_zero, peak)
        if not signed and before and after:
            # A gauge drifts all the time; a stand loses the motor's mass during the burn.
            line = replace(line, start=before.middle, end=after.middle)
        cleaned = upright - line.at(t)
        centre = first + int(np.argmax(cleaned[first : last + 1]))
        first, last = stretch_around(t, cleaned, centre)
    noise = before.noise if before else (after.noise if after else noise_sd(clean))
    noise = float(np.hypot(noise, _step(clean) / np.sqrt(12.0)))
    _refuse_noise_and_few_samples(t, cleaned, (first, last), noise, told)
    peak = float(np.max(cleaned[first : last + 1]))
    whole = line.at(time)
    np.subtract(values if sign > 0.0 else -values, whole, out=whole)
    whole[near] = cleaned
    sd = float(np.hypot(line.sd, disturbed))
    account = [line.how]
    if sign < 0.0:
        account.insert(0, "the channel reads downward during the firing: turned upright")
    return Located(
        near=near,
        first=first,
        last=last,
        values=whole,
        spikes=spikes + near.start,
        pulses=coarse.pulses,
        zero_level=sign * float(line.at(t[first : first + 1])[0]),
        zero_sd=sd,
        noise=noise,
        rested=before is not None,
        account=tuple(account),
        cautions=_baseline_cautions(before, after, sd / peak),
    )


def _coarse(
    time: Floats,
    values: Floats,
    recorded_zero: float,
    *,
    signed: bool,
    told: Callable[[float], str],
    end_known: bool,
) -> _Coarse:
    smooth = middle_of_three(values)
    ends = _end_levels(values)
    a, b = _rest(smooth, ends, recorded_zero)
    z = smooth - a
    if a != b:
        z -= (b - a) / (time[-1] - time[0]) * (time - time[0])
    sign = 1.0
    up, down = float(np.max(z)), float(-np.min(z))
    if signed and down > up / _CLEAR_SIGN:
        sign = -1.0
        if up > down / _CLEAR_SIGN:
            # By height, not by integral: a disturbed cell may hang below zero longer than it burnt.
            heights = []
            for way in (1.0, -1.0):
                first, last, _ = largest_stretch(time, way * z)
                heights.append(float(np.max(way * z[first : last + 1])))
            sign = -1.0 if heights[1] > heights[0] else 1.0
    upright = z if sign > 0.0 else -z
    first, last, pulses = largest_stretch(time, upright)
    # A trace that starts within the burn is told apart, and may be rescued, by its events.
    if first > 0 and not end_known:
        _refuse_what_stays_away(upright, (first, last), ends, told)
    return _Coarse(sign, first, last, pulses)


def _near(time: Floats, coarse: _Coarse, instants: Sequence[float]) -> slice:
    begin, end = float(time[coarse.first]), float(time[coarse.last])
    action = end - begin
    begin = min([begin, *instants]) - _NEAR_BEFORE * action
    end = max([end, *instants]) + _NEAR_AFTER * action
    a, b = np.searchsorted(time, [begin, end])
    low = min(int(a), coarse.first - _NEAR_SAMPLES)
    high = max(int(b), coarse.last + _NEAR_SAMPLES)
    return slice(max(low, 0), min(high, len(time)))


def _end_levels(values: Floats) -> tuple[float, float]:
    count = max(3, len(values) // 100)
    return float(np.median(values[:count])), float(np.median(values[-count:]))


def _rest(values: Floats, ends: tuple[float, float], recorded: float) -> tuple[float, float]:
    """Return the levels at rest to start from: those of the ends, unless one lies in the firing."""
    if abs(ends[0] - ends[1]) <= _FAR_APART * float(np.ptp(values)):
        return ends
    nearer = min(ends, key=lambda level: abs(level - recorded))
    return nearer, nearer


def _step(values: Floats) -> float:
    """Return the smallest difference between readings: the converter's step, where it shows."""
    steps = np.diff(np.unique(thinned(values, _STEP_SAMPLES)))
    steps = steps[steps > _SMALLEST_STEP * float(np.ptp(values))]
    return float(np.min(steps)) if len(steps) >= _LEVELS else 0.0


def _zero_line(
    time: Floats,
    upright: Floats,
    found: tuple[int, int],
    before: Level | None,
    after: Level | None,
    recorded: float,
    peak: float,
) -> _Line:
    first, last = found
    if before is not None and after is not None:
        level, sd = before.value, float(np.hypot(before.sd, after.sd))
        how = (
            f"zero: quiet parts {before.start:.3f} to {before.end:.3f} s and "
            f"{after.start:.3f} to {after.end:.3f} s, a straight line between"
        )
        finish = after.value
    elif before is not None:
        level, sd, finish = before.value, before.sd, before.value
        how = f"zero: quiet part {before.start:.3f} to {before.end:.3f} s, held through the firing"
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
            how += f", then a line to the quiet part {after.start:.3f} to {after.end:.3f} s"
    return _Line(
        start=float(time[first]),
        end=float(time[last]),
        level=level,
        finish=finish,
        sd=sd,
        how=how,
    )


def _baseline_cautions(
    before: Level | None, after: Level | None, relative_sd: float
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
    time: Floats,
    z: Floats,
    found: tuple[int, int],
    noise: float,
    told: Callable[[float], str],
) -> None:
    first, last = found
    count = last - first + 1
    peak = float(np.max(z[first : last + 1]))
    if peak <= _LEAST_OVER_NOISE * noise or peak <= 0.0:
        msg = (
            f"no firing stands out of the trace: the highest stretch reaches {told(peak)} "
            f"over a noise of {told(noise)}"
        )
        raise DataError(msg, hint="check the column, the unit and the wiring of the channel")
    if count < _LEAST_SAMPLES:
        step = float(np.median(np.diff(time))) * 1e3
        msg = f"only {count} samples above a tenth of the peak, at {step:.3g} ms a sample"
        raise DataError(
            msg, expected=f"at least {_LEAST_SAMPLES}", hint="log faster; enter it by hand instead"
        )


def _refuse_what_stays_away(
    z: Floats,
    found: tuple[int, int],
    ends: tuple[float, float],
    told: Callable[[float], str],
) -> None:
    peak = float(np.max(z[found[0] : found[1] + 1]))
    if abs(ends[1] - ends[0]) <= _MOST_SHIFT * peak:
        return
    msg = (
        f"the trace does not come back: it reads {told(ends[0])} at its start and "
        f"{told(ends[1])} at its end, while the largest event is {told(peak)}"
    )
    raise DataError(
        msg,
        expected="levels before and after that differ by less than half the peak",
        hint="the sensor drifted or was disturbed, or the logger stopped before the end; if the "
        "end of action is known, set [events] end",
    )
