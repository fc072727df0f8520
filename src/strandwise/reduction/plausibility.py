"""Whether what one firing gave can be true: signs that its record or its trace is at fault."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.motor import AreaTable
from strandwise.reduction.rates import shape_mismatch
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.motor import Nozzle
    from strandwise.records import Summary
    from strandwise.reduction.case import Case
    from strandwise.reduction.chamber_pressure import Surroundings
    from strandwise.reduction.results import Events

    Floats = NDArray[np.float64]

__all__ = [
    "gap_cautions",
    "shape_cautions",
    "size_cautions",
    "summary_cautions",
    "throat_cautions",
    "uneven_cautions",
    "zero_cautions",
]

_LARGE_GAP = 0.05  # of the burn time
_ZERO_OFF_AMBIENT = (20e3, 0.03)  # Pa, and share of the peak; the larger
_SHAPE_MISMATCH = 0.25
_LONG_END = 0.015  # of the burn time, by which an uneven web's mean may have burnt longer
_ACTION_BOUNDS = (0.02, 300.0)  # s; common practice, no source
_PRESSURE_BOUNDS = (30e3, 60e6)  # Pa over ambient
_THRUST_BOUNDS = (0.05, 1e6)  # N
_SLAG = 0.05  # of the diameter, by which slag may narrow a throat; common practice, no source


def size_cautions(
    peak: float, action: float, unit: str, wording: Wording = METRIC
) -> list[Caution]:
    """Warn where a peak or an action time has a size that a unit taken for another explains.

    Parameters
    ----------
    peak
        Over rest, Pa or N.
    action
        s.
    unit
        ``Pa`` or ``N``.
    wording
        Units of the sentences.

    Returns
    -------
    list of Caution
        ``unlikely-size``, one for each; the limits are common practice, no source.
    """
    cautions = []
    low, high = _ACTION_BOUNDS
    if not low <= action <= high:
        text = (
            f"the firing lasts {action:.3g} s, where {low:g} to {high:g} s is usual: check the "
            "unit of the clock in [trace]"
        )
        cautions.append(Caution("unlikely-size", text))
    low, high = _PRESSURE_BOUNDS if unit == "Pa" else _THRUST_BOUNDS
    if not low <= peak <= high:
        text = (
            f"the peak is {wording.signal(peak, unit)}, where {wording.signal(low, unit)} to "
            f"{wording.signal(high, unit)} is usual: check the unit of the "
            "column in [trace], and the calibration"
        )
        cautions.append(Caution("unlikely-size", text))
    return cautions


def zero_cautions(
    events: Events, surroundings: Surroundings, wording: Wording = METRIC
) -> list[Caution]:
    """Warn where a gauge at rest does not read ambient pressure."""
    off = events.zero_level - surroundings.ambient
    least, share = _ZERO_OFF_AMBIENT
    if abs(off) <= max(least, share * events.peak):
        return []
    text = (
        f"at rest the gauge reads {wording.air(events.zero_level)} absolute where ambient "
        f"is {wording.air(surroundings.ambient)}: shifted to ambient; check whether its unit is "
        "gauge or absolute"
    )
    return [Caution("zero-not-ambient", text)]


def gap_cautions(time: Floats, events: Events) -> list[Caution]:
    """Warn where readings are missing for more than 5 % of the burn time."""
    a, b = np.searchsorted(time, [events.ignition, events.web_burnout])
    steps = np.diff(time[max(a - 1, 0) : b + 1])
    longest = float(steps.max(initial=0.0))
    if longest <= _LARGE_GAP * events.burn_time:
        return []
    text = (
        f"readings are missing for {longest:.3g} s during a burn of {events.burn_time:.3g} s: "
        "straight lines bridge the gap"
    )
    return [Caution("gap-in-burn", text)]


def shape_cautions(case: Case, time: Floats, pressure: Floats, events: Events) -> list[Caution]:
    """Warn where the pressure does not follow the grain's burning area."""
    off = shape_mismatch(
        case.firing.grain,
        time,
        pressure,
        ignition=events.ignition,
        web_burnout=events.web_burnout,
        exponent=case.exponent,
    )
    if off <= _SHAPE_MISMATCH:
        return []
    text = (
        f"the pressure strays from what the grain's burning area asks for by {100.0 * off:.0f} % "
        "(root mean square): slow ignition, a crack, a burst, a failed inhibitor or a wrong "
        "grain record; a rate for the whole web may mean nothing"
    )
    return [Caution("trace-unlike-grain", text)]


def uneven_cautions(case: Case, events: Events) -> list[Caution]:
    """Warn where the burn ends so gradually that a rate for the whole web is in doubt.

    A grain that is recorded as an area table is left out: its table holds how its web ends.
    """
    if events.latest_burnout is None or isinstance(case.firing.grain, AreaTable):
        return []
    longer = (events.latest_burnout - events.web_burnout) / events.burn_time
    if longer <= _LONG_END:
        return []
    share = f"{100.0 * longer:.1f} %"
    text = (
        "the signal does not break off at the end of the burn, it declines: so ends an uneven web "
        "(a core off centre, slivers, a crack). Web burnout is where the decline begins, when the "
        f"thinnest wall has burnt through; the mean web may have lasted {share} longer. If the "
        f"recorded web is the mean, the rate may be up to {share} too high, which its ± allows "
        "for; with a core measured off centre record core_offset"
    )
    return [Caution("uneven-burnout", text)]


def throat_cautions(nozzle: Nozzle | None) -> tuple[Caution, ...]:
    """Warn where the throat after the firing is narrower than slag explains."""
    if nozzle is None or nozzle.throat_diameter_after is None:
        return ()
    shrunk = 1.0 - nozzle.throat_diameter_after / nozzle.throat_diameter
    if shrunk <= _SLAG:
        return ()
    text = (
        f"the throat is recorded {100.0 * shrunk:.0f} % narrower after the firing than before, "
        f"where slag takes {100.0 * _SLAG:.0f} % at the most: check throat_diameter and "
        "throat_diameter_after, which may be exchanged; c* and, from thrust, the pressure rest on "
        "both"
    )
    return (Caution("throat-narrower", text),)


def summary_cautions(summary: Summary) -> tuple[Caution, ...]:
    """Warn where a mean that was read by hand lies above its peak, which cannot be."""
    pairs = (
        ("pressure", summary.mean_pressure, summary.peak_pressure),
        ("thrust", summary.mean_thrust, summary.peak_thrust),
    )
    cautions = []
    for name, mean, peak in pairs:
        if mean is None or peak is None or mean <= peak:
            continue
        text = (
            f"the mean {name} is {100.0 * (mean / peak - 1.0):.0f} % above the peak {name}, which "
            f"cannot be: mean_{name} or peak_{name} in [summary] is wrong or they are exchanged, "
            "so that the rate may stand at a wrong pressure"
        )
        cautions.append(Caution("mean-above-peak", text))
    return tuple(cautions)
