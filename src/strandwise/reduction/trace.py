"""Raw logger file to clean channels: pressure and thrust in SI on one rising clock."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.alignment import aligned
from strandwise.reduction.calibration import calibration_from_arrays
from strandwise.reduction.clock import Run, runs_from_arrays
from strandwise.reduction.logfile import load_columns, read_log
from strandwise.reduction.signals import middle_of_three, thinned
from strandwise.units import METRIC, Wording, digits_text

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from numpy.typing import NDArray

    from strandwise.records import Channel, TraceSpec

    Floats = NDArray[np.float64]

__all__ = ["Trace", "read_trace"]

_BEYOND_CALIBRATION = 0.05  # of the calibrated span
_CROOKED_CALIBRATION = 0.02  # of the calibrated span
_RAIL_SAMPLES = 5
_FEW = 7  # samples among which a lone one is no spike
_ROWS_PER_RUN = 50  # a clock that starts anew more often than this is none
_EPOCH = (9.4e8, 4.2e9)  # s since 1970 between the years 2000 and 2100


@dataclass(frozen=True, kw_only=True, slots=True)
class Trace:
    """The channels of one firing as recorded, in SI, before zero and spikes are dealt with.

    Parameters
    ----------
    time
        s, the trace's own clock, strictly rising; shape (N,).
    pressure
        Absolute, Pa, shape (N,); None without the channel.
    thrust
        N, shape (N,), as it reads, polarity included; None without the channel.
    pressure_scale_sd, thrust_scale_sd
        Relative standard error of the calibration's slope; None where it is not known.
    account
        What was done to the data, for a person.
    """

    time: Floats
    pressure: Floats | None = None
    thrust: Floats | None = None
    pressure_scale_sd: float | None = None
    thrust_scale_sd: float | None = None
    account: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class _Clean:
    time: Floats
    values: dict[str, Floats]
    account: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Scaled:
    values: Floats
    scale_sd: float | None
    account: tuple[str, ...]
    cautions: tuple[Caution, ...]


def read_trace(spec: TraceSpec, wording: Wording = METRIC) -> Trace:
    """Read a firing's raw file, or files, into channels on one clock.

    Text above and among the rows, filler rows, decimal commas, restarts of the logger, repeated
    and late stamps and counter wrap-around are dealt with and accounted for. Of several runs
    the one with the largest event is taken. Where a channel misses readings that the other has,
    it is interpolated on the other's instants. Channels whose clocks differ are brought
    together on their rise, on the trace's own clock, with a caution.

    Parameters
    ----------
    spec
        Files, columns and units; files are checked against the digests that were kept of them.
    wording
        Units of the sentences.

    Returns
    -------
    Trace

    Raises
    ------
    DataError
        The file is missing, empty, binary or changed since it was logged; a column is not
        there; the clock does not run; fewer than two rows remain; or two clocks differ and a
        channel shows no rise to bring them together by.
    """
    channels = {
        name: channel
        for name, channel in (("pressure", spec.pressure), ("thrust", spec.thrust))
        if channel is not None
    }
    if not channels:
        msg = f"the trace `{spec.file.name}` names neither a pressure nor a thrust column"
        raise DataError(msg, hint="add [trace] pressure or thrust")
    groups: dict[object, dict[str, Channel]] = {}
    for name, channel in channels.items():
        key = (_file(spec, channel), _clock(spec, channel), _rate(spec, channel))
        groups.setdefault(key, {})[name] = channel
    own = (spec.file, spec.time, spec.sample_rate)
    # The trace's own clock comes first: the instants that a person sets are on it.
    ordered = sorted(groups, key=lambda key: key != own)
    cleaned = [_read_group(spec, groups[key]) for key in ordered]
    account = tuple(line for clean in cleaned for line in clean.account)
    scaled = {
        name: _scaled(name, clean.values[name], channels[name], wording)
        for clean in cleaned
        for name in clean.values
    }
    times = {name: clean.time for clean in cleaned for name in clean.values}
    trace = _on_one_clock(times, scaled)
    parts = list(scaled.values())
    return replace(
        trace,
        account=account + tuple(line for p in parts for line in p.account) + trace.account,
        cautions=tuple(caution for p in parts for caution in p.cautions) + trace.cautions,
    )


def _file(spec: TraceSpec, channel: Channel) -> Path:
    return spec.file if channel.file is None else channel.file


def _clock(spec: TraceSpec, channel: Channel) -> Channel | None:
    if channel.time is not None:
        return channel.time
    return None if channel.sample_rate is not None else spec.time


def _rate(spec: TraceSpec, channel: Channel) -> float | None:
    return spec.sample_rate if channel.sample_rate is None else channel.sample_rate


def _sha256(spec: TraceSpec, channels: Collection[Channel]) -> str | None:
    """Digest that was kept of the file that some channels share."""
    own = [channel.sha256 for channel in channels if channel.file is not None]
    kept = next((sha256 for sha256 in own if sha256 is not None), None)
    some = next(iter(channels))
    return spec.sha256 if kept is None and _file(spec, some) == spec.file else kept


def _read_group(spec: TraceSpec, group: dict[str, Channel]) -> _Clean:
    """Read the channels that share a file and a clock."""
    some = next(iter(group.values()))
    path, clock, rate = _file(spec, some), _clock(spec, some), _rate(spec, some)
    log = read_log(path, _sha256(spec, group.values()))
    asked = [*([clock] if clock is not None else []), *group.values()]
    table, account = load_columns(
        log,
        [channel.column for channel in asked],
        units=[channel.unit for channel in asked],
        clock_scale=None if clock is None else _scale(clock),
    )
    if clock is None:
        if rate is None or not rate > 0.0:
            msg = f"the trace `{path.name}` has neither a clock column nor a sample rate"
            raise DataError(msg, hint='add [trace] time = "HEADING (ms)" or sample_rate = "… Hz"')
        run = Run(np.arange(len(table)) / rate, table, ())
        account += (f"{path.name}: no clock, {rate:g} samples a second",)
    else:
        run, said = _on_its_clock(table, clock, path.name)
        account += said
    return _without_missing(run, list(group), account, path.name)


def _on_its_clock(table: Floats, clock: Channel, file: str) -> tuple[Run, tuple[str, ...]]:
    """Put the rows on their clock, s; of several runs take the one with the firing."""
    said: tuple[str, ...] = ()
    if not np.isfinite(np.sum(table[:, 0])):
        known = np.isfinite(table[:, 0])
        lost = len(table) - int(np.count_nonzero(known))
        table = table[known]
        said = (f"{lost} rows without a time skipped",)
    scale = _scale(clock)
    if len(table) > 1 and float(np.ptp(table[:, 0])) == 0.0:
        msg = f"the clock `{clock.column}` of `{file}` does not move in {len(table)} rows"
        raise DataError(
            msg,
            expected="stamps that rise",
            hint="check which column is the clock in [trace] time, and whether it is empty",
        )
    if not len(table):
        msg = f"no row of `{file}` holds a time and a reading"
        raise DataError(msg, hint="check the columns in [trace]")
    _check_epoch(float(np.median(thinned(table[:, 0]))), clock, scale, file)
    runs, more = runs_from_arrays(table[:, 0], table[:, 1:], scale=scale)
    if len(runs) > 5 + len(table) // _ROWS_PER_RUN:
        msg = f"the clock `{clock.column}` of `{file}` goes back {len(runs) - 1} times"
        raise DataError(
            msg + f" in {len(table)} rows",
            expected="stamps that rise",
            hint="check whether the columns of clock and channel are exchanged in [trace]",
        )
    run, which = _run_with_firing(runs)
    account = tuple(f"{file}: {line}" for line in (*said, *more, *which, *run.account))
    return replace(run, time=run.time * scale), account


def _scale(clock: Channel) -> float:
    if clock.scale is None or not clock.scale > 0.0:
        msg = f"the clock `{clock.column}` is in `{clock.unit}`, which is no unit of time"
        raise DataError(msg, expected="s, ms or µs")
    return clock.scale


def _check_epoch(stamp: float, clock: Channel, scale: float, file: str) -> None:
    """Refuse stamps since 1970 that are read in another unit than they are counted in."""
    low, high = _EPOCH
    if stamp * scale < 100.0 * high:
        return
    for name, unit in (("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9)):
        if low <= stamp * unit <= high:
            msg = (
                f"the clock `{clock.column}` of `{file}` reads {stamp:.6g} {clock.unit}, thousands "
                f"of years; as {name} since 1970 it would be a date of this century"
            )
            raise DataError(msg, hint=f"write the clock's unit as ({name}) in [trace] time")


def _run_with_firing(runs: list[Run]) -> tuple[Run, tuple[str, ...]]:
    """Choose the run whose first channel stands highest and longest off its start."""
    if len(runs) == 1:
        return runs[0], ()
    scores = []
    for run in runs:
        known = run.values[np.isfinite(run.values[:, 0]), 0]
        time = run.time[np.isfinite(run.values[:, 0])]
        if len(known) < 3:
            scores.append(0.0)
            continue
        off = middle_of_three(np.abs(known - np.median(known[: max(3, len(known) // 100)])))
        scores.append(float(np.trapezoid(np.where(off > 0.5 * off.max(), off, 0.0), time)))
    best = int(np.argmax(scores))
    sizes = ", ".join(str(len(run.time)) for run in runs)
    text = (
        f"the clock restarts {len(runs) - 1} time{'s' if len(runs) > 2 else ''}; of runs of "
        f"{sizes} samples number {best + 1} holds the largest event and is taken"
    )
    return runs[best], (text,)


def _without_missing(run: Run, names: list[str], account: tuple[str, ...], file: str) -> _Clean:
    if np.isfinite(np.sum(run.values)) and len(run.time) > 1:
        columns = {name: np.ascontiguousarray(run.values[:, k]) for k, name in enumerate(names)}
        return _Clean(run.time, columns, account)
    known = np.isfinite(run.values)
    first = known[:, 0]
    _check_count(first, names[0], file)
    time = run.time[first]
    values = {names[0]: run.values[first, 0]}
    for k, name in enumerate(names[1:], start=1):
        there = known[:, k]
        _check_count(there, name, file)
        values[name] = np.interp(time, run.time[there], run.values[there, k])
    missing = len(known) - int(np.count_nonzero(np.all(known, axis=1)))
    if missing:
        account += (f"{file}: {missing} rows miss a reading; skipped or interpolated",)
    return _Clean(time, values, account)


def _check_count(known: NDArray[np.bool_], name: str, file: str) -> None:
    count = int(np.count_nonzero(known))
    if count < 2:
        msg = f"`{file}` holds {count} readings of {name}"
        raise DataError(msg, expected="at least two", hint="check the columns in [trace]")


def _scaled(name: str, raw: Floats, channel: Channel, wording: Wording) -> _Scaled:
    if channel.instrument is None:
        if channel.scale is None or channel.offset is None:
            msg = f"the {name} column `{channel.column}` is in `{channel.unit}`"
            raise DataError(
                msg,
                expected=f"a unit of {name}, or an instrument with a calibration",
                hint="add the instrument to [trace] and its calibration to instruments.toml",
            )
        return _Scaled(raw * channel.scale + channel.offset, None, (), _rail(name, raw))
    device = channel.instrument
    line = calibration_from_arrays(device.readings, device.loads)
    values = line.intercept + line.slope * raw
    relative = None if line.slope_sd is None else line.slope_sd / abs(line.slope)
    known = "unknown, only two pairs" if relative is None else f"{digits_text(100.0 * relative)} %"
    account = (
        f"{name}: calibration of {device.name}, {len(device.readings)} pairs, standard error of "
        f"the slope {known}",
    )
    cautions = list(_rail(name, raw))
    margin = _BEYOND_CALIBRATION * (line.highest - line.lowest)
    top = float(np.max(values if len(values) < _FEW else middle_of_three(values)))
    if top > line.highest + margin:
        unit = "Pa" if name == "pressure" else "N"
        text = (
            f"{name} reaches {wording.signal(top, unit, 4)}, {device.name} is calibrated up to "
            f"{wording.signal(line.highest, unit, 4)}: beyond it the line is an assumption"
        )
        cautions.append(Caution("beyond-calibration", text))
    if line.largest_residual > _CROOKED_CALIBRATION:
        text = (
            f"the calibration of {device.name} is off its straight line by up to "
            f"{100.0 * line.largest_residual:.1f} % of its span"
        )
        cautions.append(Caution("calibration-not-straight", text))
    return _Scaled(values, relative, account, tuple(cautions))


def _rail(name: str, raw: Floats) -> tuple[Caution, ...]:
    """Warn where the highest or lowest reading repeats as only a clipped signal does."""
    centre = float(np.median(raw[: max(3, len(raw) // 100)]))
    extremes = float(np.min(raw)), float(np.max(raw))
    extreme = max(extremes, key=lambda value: abs(value - centre))
    at = np.flatnonzero(raw == extreme)
    at_rail = _longest_run(at)
    if at_rail < _RAIL_SAMPLES:
        return ()
    far = np.flatnonzero((np.abs(raw - centre) > 0.5 * abs(extreme - centre)) & (raw != extreme))
    if not len(far):
        return ()
    same = np.flatnonzero((np.diff(far) == 1) & (np.diff(raw[far]) == 0.0))
    if at_rail <= 3 * (1 + _longest_run(same)):
        return ()
    text = (
        f"{at_rail} {name} readings in a row stand at the extreme value {extreme:g}: the signal "
        "was probably clipped there, and peak and integral are too low"
    )
    return (Caution("saturated", text),)


def _longest_run(indices: NDArray[np.intp]) -> int:
    """Return the length of the longest stretch of indices that follow each other."""
    if not len(indices):
        return 0
    breaks = np.flatnonzero(np.diff(indices) != 1) + 1
    return int(np.max(np.diff(np.concatenate([[0], breaks, [len(indices)]]))))


def _on_one_clock(times: dict[str, Floats], scaled: dict[str, _Scaled]) -> Trace:
    names = list(times)
    time = times[names[0]]
    values = {names[0]: scaled[names[0]].values}
    account: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()
    if len(names) == 2:
        other = times[names[1]]
        if other is time:
            values[names[1]] = scaled[names[1]].values
        else:
            shift = aligned(names, (time, other), (values[names[0]], scaled[names[1]].values))
            account, cautions = shift.account, shift.cautions
            other = other + shift.seconds
            inside = (time >= other[0]) & (time <= other[-1])
            time = time[inside]
            values[names[0]] = values[names[0]][inside]
            values[names[1]] = np.interp(time, other, scaled[names[1]].values)
    return Trace(
        time=time,
        pressure=values.get("pressure"),
        thrust=values.get("thrust"),
        pressure_scale_sd=scaled["pressure"].scale_sd if "pressure" in scaled else None,
        thrust_scale_sd=scaled["thrust"].scale_sd if "thrust" in scaled else None,
        account=account,
        cautions=cautions,
    )
