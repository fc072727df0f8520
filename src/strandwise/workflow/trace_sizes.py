"""What a firing's raw trace comes to at a glance, and whether a slip of a unit explains it."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Finding, Source
from strandwise.motor import web
from strandwise.records import (
    SUMMARY_FIELDS,
    BurntTest,
    CampaignFolder,
    Comparison,
    pressure_by_thrust,
    told_in,
    unlikely_rate,
    with_lines,
)
from strandwise.reduction import read_trace
from strandwise.units import Kind

if TYPE_CHECKING:
    from strandwise.records import CampaignReading, Firing
    from strandwise.reduction import Trace

__all__ = ["unlikely_trace", "with_unlikely_traces"]

_BURNING = 0.25  # of the peak over rest; between the steep ends of a burn, wherever they are cut
_FIRST = 0.01  # share of the readings that is taken for rest
_LEAST_READINGS = 5  # in a burn that anything is said of
_AIR = 1e5  # Pa; near enough for a rough mean
_PRESSURES = (3e4, 3e7)  # Pa over rest; common practice, no source
_BURN_TIMES = next(field for field in SUMMARY_FIELDS if field.name == "burn_time").plausible


def unlikely_trace(firing: Firing, comparison: Comparison) -> list[Finding]:
    """Findings on a firing's trace whose burn is not likely: its time, its peak, or its rate.

    The burn is roughly where the signal stands over a quarter of its peak; events are for the
    reduction to find. Nothing is said of a trace that cannot be read, nor of a firing that takes
    no part in fits.
    """
    if firing.trace is None or firing.exclude:
        return []
    try:
        trace = read_trace(firing.trace)
    except DataError:
        return []
    burn = _burn_at_a_glance(trace)
    if burn is None:
        return []
    seconds, level = burn
    path = firing.source.path
    low, high = _BURN_TIMES or (0.0, np.inf)
    if not low <= seconds <= high:
        clock = "sample_rate" if firing.trace.time is None else "time"
        return [
            Finding(
                Source(path, None, f"trace.{clock}"),
                "implausible",
                f"by its trace the burn lasts about {float(f'{seconds:.3g}'):g} s",
                f"{low:g} to {high:g} s",
                "look at the unit of the clock",
            )
        ]
    by_gauge = trace.pressure is not None
    over_rest = level if by_gauge else pressure_by_thrust(firing, level)
    low, high = _PRESSURES
    if over_rest is not None and not low <= over_rest <= high:
        told, least, most = (
            told_in(one, Kind.PRESSURE, comparison.units, 3) for one in (over_rest, low, high)
        )
        means = "by its trace" if by_gauge else "by the thrust of its trace and the throat"
        hint = "look at the unit of the column, or the calibration"
        return [
            Finding(
                Source(path, None, f"trace.{'pressure' if by_gauge else 'thrust'}"),
                "implausible",
                f"{means} the burn is at about {told} over rest",
                f"{least} to {most}",
                hint if by_gauge else f"{hint}, and at the throat",
            )
        ]
    pressure = None if over_rest is None else over_rest + _AIR
    rate = web(firing.grain) / seconds
    found = list(unlikely_rate(rate, firing.source, comparison.units))
    burnt = BurntTest(firing.test, firing.batch, rate, pressure, firing.source)
    hint = "look at the unit of the clock, the columns' units, and the sizes of the grain"
    return [
        dataclasses.replace(finding, message=f"by its trace a {finding.message}", hint=hint)
        for finding in found or comparison.unlike_others(burnt)
    ]


def _burn_at_a_glance(trace: Trace) -> tuple[float, float] | None:
    """Time, s, and mean over rest, Pa or N, of the stretches over a quarter of the peak."""
    signal = trace.thrust if trace.pressure is None else trace.pressure
    assert signal is not None
    rest = np.median(signal[: max(3, int(_FIRST * len(signal)))])
    off = np.abs(signal - rest)
    if len(off) > 2:  # a lone reading is no peak
        off[1:-1] = np.median([off[:-2], off[1:-1], off[2:]], axis=0)
    burning = off > _BURNING * np.max(off)
    steps = np.gradient(trace.time)
    if np.count_nonzero(burning) < _LEAST_READINGS:
        return None
    return float(np.sum(steps[burning])), float(np.mean(off[burning]))


def with_unlikely_traces(reading: CampaignReading, folder: CampaignFolder) -> CampaignReading:
    """A campaign as read, with what is not likely in its firings' traces among the remarks."""
    campaign = reading.campaign
    if campaign is None:
        return reading
    comparison = Comparison(campaign)
    at_fault = {problem.source.path for problem in reading.problems}
    found = [
        finding
        for firing in campaign.firings
        if firing.source.path not in at_fault
        for finding in unlikely_trace(firing, comparison)
    ]
    return reading.remarking(with_lines(found, folder))
