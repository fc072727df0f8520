"""Raw logger file to clean channels: pressure and thrust in SI on one rising clock."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.calibration import calibration_from_arrays
from strandwise.reduction.clock import Run, runs_from_arrays
from strandwise.reduction.logfile import load_columns, read_log

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from strandwise.records import Channel, TraceSpec

    Floats = NDArray[np.float64]

__all__ = ["Trace", "read_trace"]

_LEAST_OVERLAP = 0.5
_BEYOND_CALIBRATION = 0.05  # of the calibrated span
_CROOKED_CALIBRATION = 0.02  # of the calibrated span
_RAIL_SAMPLES = 5


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


def read_trace(spec: TraceSpec) -> Trace:
    """Read a firing's raw file, or files, into channels on one clock.

    Text above and among the rows, filler rows, decimal commas, restarts of the logger, repeated
    and late stamps and counter wrap-around are dealt with and accounted for. Of several runs
    the one with the largest event is taken. Where a channel misses readings that the other has,
    it is interpolated on the other's instants.

    Parameters
    ----------
    spec
        Files, columns and units; the first file is checked against its digest.

    Returns
    -------
    Trace

    Raises
    ------
    DataError
        The file is missing, empty, binary or changed since it was logged; a column is not
        there; fewer than two rows remain; or two channels' own clocks do not agree.
    """
    channels = {
        name: channel
        for name, channel in (("pressure", spec.pressure), ("thrust", spec.thrust))
        if channel is not None
    }
    if not channels:
        msg = f"the trace {spec.file.name} names neither a pressure nor a thrust column"
        raise DataError(msg, hint="add [trace] pressure or thrust")
    groups: dict[object, dict[str, Channel]] = {}
    for name, channel in channels.items():
        key = (_file(spec, channel), _clock(spec, channel), _rate(spec, channel))
        groups.setdefault(key, {})[name] = channel
    cleaned = [_read_group(spec, group) for group in groups.values()]
    account = tuple(line for clean in cleaned for line in clean.account)
    scaled = {
        name: _scaled(name, clean.values[name], channels[name])
        for clean in cleaned
        for name in clean.values
    }
    times = {name: clean.time for clean in cleaned for name in clean.values}
    trace = _on_one_clock(times, scaled)
    return replace(
        trace,
        account=account + tuple(line for part in scaled.values() for line in part.account),
        cautions=tuple(caution for part in scaled.values() for caution in part.cautions),
    )


def _file(spec: TraceSpec, channel: Channel) -> Path:
    return spec.file if channel.file is None else channel.file


def _clock(spec: TraceSpec, channel: Channel) -> Channel | None:
    if channel.time is not None:
        return channel.time
    return None if channel.sample_rate is not None else spec.time


def _rate(spec: TraceSpec, channel: Channel) -> float | None:
    return spec.sample_rate if channel.sample_rate is None else channel.sample_rate


def _read_group(spec: TraceSpec, group: dict[str, Channel]) -> _Clean:
    """Read the channels that share a file and a clock."""
    some = next(iter(group.values()))
    path, clock, rate = _file(spec, some), _clock(spec, some), _rate(spec, some)
    log = read_log(path, spec.sha256 if path == spec.file else None)
    asked = [*([clock] if clock is not None else []), *group.values()]
    table, account = load_columns(
        log, [channel.column for channel in asked], units=[channel.unit for channel in asked]
    )
    if clock is None:
        if rate is None or not rate > 0.0:
            msg = f"the trace {path.name} has neither a clock column nor a sample rate"
            raise DataError(msg, hint='add [trace] time = "HEADING (ms)" or sample_rate = "… Hz"')
        run = Run(np.arange(len(table)) / rate, table, ())
        account += (f"{path.name}: no clock, {rate:g} samples a second",)
    else:
        dated = table[np.isfinite(table[:, 0])]
        lost = len(table) - len(dated)
        if lost:
            account += (f"{path.name}: {lost} rows without a time skipped",)
        runs, said = runs_from_arrays(dated[:, 0], dated[:, 1:])
        run, which = _run_with_firing(runs)
        account += tuple(f"{path.name}: {line}" for line in (*said, *which, *run.account))
        run = replace(run, time=run.time * _scale(clock))
    return _without_missing(run, list(group), account, path.name)


def _scale(clock: Channel) -> float:
    if clock.scale is None or not clock.scale > 0.0:
        msg = f"the clock `{clock.column}` is in `{clock.unit}`, which is no unit of time"
        raise DataError(msg, expected="s, ms or µs")
    return clock.scale


def _run_with_firing(runs: list[Run]) -> tuple[Run, tuple[str, ...]]:
    """Choose the run whose first channel stands highest and longest off its start."""
    scores = []
    for run in runs:
        known = run.values[np.isfinite(run.values[:, 0]), 0]
        time = run.time[np.isfinite(run.values[:, 0])]
        if len(known) < 3:
            scores.append(0.0)
            continue
        off = np.abs(known - np.median(known[: max(3, len(known) // 100)]))
        off[1:-1] = np.median(np.stack([off[:-2], off[1:-1], off[2:]]), axis=0)
        scores.append(float(np.trapezoid(np.where(off > 0.5 * off.max(), off, 0.0), time)))
    best = int(np.argmax(scores))
    if len(runs) == 1:
        return runs[0], ()
    sizes = ", ".join(str(len(run.time)) for run in runs)
    text = (
        f"the clock restarts {len(runs) - 1} time{'s' if len(runs) > 2 else ''}; of runs of "
        f"{sizes} samples number {best + 1} holds the largest event and is taken"
    )
    return runs[best], (text,)


def _without_missing(run: Run, names: list[str], account: tuple[str, ...], file: str) -> _Clean:
    known = np.isfinite(run.values)
    first = known[:, 0]
    if np.count_nonzero(first) < 2:
        msg = f"{file} holds {np.count_nonzero(first)} readings of {names[0]}"
        raise DataError(msg, expected="at least two", hint="check the columns in [trace]")
    time = run.time[first]
    values = {names[0]: run.values[first, 0]}
    for k, name in enumerate(names[1:], start=1):
        there = known[:, k]
        if np.count_nonzero(there) < 2:
            msg = f"{file} holds {np.count_nonzero(there)} readings of {name}"
            raise DataError(msg, expected="at least two", hint="check the columns in [trace]")
        values[name] = np.interp(time, run.time[there], run.values[there, k])
    missing = len(known) - int(np.count_nonzero(np.all(known, axis=1)))
    if missing:
        account += (f"{file}: {missing} rows miss a reading; skipped or interpolated",)
    return _Clean(time, values, account)


def _scaled(name: str, raw: Floats, channel: Channel) -> _Scaled:
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
    known = "unknown, only two pairs" if relative is None else f"{100.0 * relative:.2g} %"
    account = (
        f"{name}: calibration of {device.name}, {len(device.readings)} pairs, standard error of "
        f"the slope {known}",
    )
    cautions = list(_rail(name, raw))
    margin = _BEYOND_CALIBRATION * (line.highest - line.lowest)
    top = float(np.max(values))
    if top > line.highest + margin:
        unit, scale = ("MPa", 1e6) if name == "pressure" else ("N", 1.0)
        text = (
            f"{name} reaches {top / scale:.4g} {unit}, {device.name} is calibrated up to "
            f"{line.highest / scale:.4g} {unit}: beyond it the line is an assumption"
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
    extreme = float(raw[int(np.argmax(np.abs(raw - centre)))])
    edges = np.flatnonzero(np.diff(raw) != 0.0) + 1
    bounds = np.concatenate([[0], edges, [len(raw)]])
    lengths = np.diff(bounds)
    levels = raw[bounds[:-1]]
    far = np.abs(levels - centre) > 0.5 * abs(extreme - centre)
    at_rail = lengths[levels == extreme].max(initial=0)
    others = lengths[far & (levels != extreme)].max(initial=1)
    if at_rail < _RAIL_SAMPLES or at_rail <= 3 * others or not np.any(far & (levels != extreme)):
        return ()
    text = (
        f"{at_rail} {name} readings in a row stand at the extreme value {extreme:g}: the signal "
        "was probably clipped there, and peak and integral are too low"
    )
    return (Caution("saturated", text),)


def _on_one_clock(times: dict[str, Floats], scaled: dict[str, _Scaled]) -> Trace:
    names = list(times)
    time = times[names[0]]
    values = {names[0]: scaled[names[0]].values}
    if len(names) == 2:
        other = times[names[1]]
        if other is time:
            values[names[1]] = scaled[names[1]].values
        else:
            _check_same_clock(names, times, scaled)
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
    )


def _check_same_clock(
    names: list[str], times: dict[str, Floats], scaled: dict[str, _Scaled]
) -> None:
    """Refuse channels whose rises do not coincide: their clocks are not one clock."""
    a, b = times[names[0]], times[names[1]]
    shared = min(a[-1], b[-1]) - max(a[0], b[0])
    hint = (
        "aligning two clocks on the rise is not done yet: put both channels on one clock, or "
        "give only the channel that the rate is to come from"
    )
    if shared < _LEAST_OVERLAP * min(a[-1] - a[0], b[-1] - b[0]):
        msg = (
            f"{names[0]} runs from {a[0]:g} to {a[-1]:g} s and {names[1]} from {b[0]:g} to "
            f"{b[-1]:g} s: they hardly overlap"
        )
        raise DataError(msg, expected="two channels on one clock", hint=hint)
    rises, width = [], 0.0
    for name, time in ((names[0], a), (names[1], b)):
        y = scaled[name].values
        off = np.abs(y - np.median(y[: max(3, len(y) // 100)]))
        high = time[off > 0.5 * off.max()]
        rises.append(float(high[0]))
        width = max(width, float(high[-1] - high[0]))
    step = max(float(np.median(np.diff(a))), float(np.median(np.diff(b))))
    if abs(rises[0] - rises[1]) > max(0.05 * width, 3.0 * step):
        msg = (
            f"{names[0]} rises at {rises[0]:.4g} s and {names[1]} at {rises[1]:.4g} s: the two "
            "files do not share a clock"
        )
        raise DataError(msg, expected="two channels on one clock", hint=hint)
