"""Whether what one firing gave can be true: signs that its record or its trace is at fault."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.reduction.rates import Rates, shape_mismatch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.reduction.case import Case
    from strandwise.reduction.chamber_pressure import Surroundings
    from strandwise.reduction.results import Events, FiringReduction

    Floats = NDArray[np.float64]

__all__ = [
    "c_star_cautions",
    "coefficient_cautions",
    "gap_cautions",
    "shape_cautions",
    "zero_cautions",
]

_LARGE_GAP = 0.05  # of the burn time
_ZERO_OFF_AMBIENT = (20e3, 0.03)  # Pa, and share of the peak; the larger
_SHAPE_MISMATCH = 0.25
_C_STAR_BOUNDS = (300.0, 1900.0)  # m/s; no solid propellant lies outside
_C_STAR_RATIO = (0.75, 1.02)
_COEFFICIENT_BOUNDS = (0.6, 2.0)  # delivered thrust coefficient of any nozzle in air


def zero_cautions(events: Events, surroundings: Surroundings) -> list[Caution]:
    """Warn where a gauge at rest does not read ambient pressure."""
    off = events.zero_level - surroundings.ambient
    least, share = _ZERO_OFF_AMBIENT
    if abs(off) <= max(least, share * events.peak):
        return []
    text = (
        f"at rest the gauge reads {events.zero_level / 1e3:.4g} kPa absolute where ambient is "
        f"{surroundings.ambient / 1e3:.4g} kPa: shifted to ambient; check whether its unit is "
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


def c_star_cautions(case: Case, c_star: float | None) -> list[Caution]:
    """Warn where c* (m/s) lies where no propellant, or not the one given, has it."""
    if c_star is None:
        return []
    expected = case.characteristic_velocity
    if expected is not None:
        low, high = _C_STAR_RATIO
        if not low <= c_star / expected <= high:
            text = (
                f"c* comes out at {c_star:.0f} m/s, {100.0 * c_star / expected:.0f} % of the "
                f"{expected:.0f} m/s given: outside 75 to 102 % a mass, a throat or a calibration "
                "in the record is more likely wrong than the propellant new"
            )
            return [Caution("c-star-off", text)]
    low, high = _C_STAR_BOUNDS
    if not low <= c_star <= high:
        text = (
            f"c* comes out at {c_star:.0f} m/s, which no propellant has: check the propellant's "
            "mass, the throat and the units of the trace"
        )
        return [Caution("c-star-off", text)]
    return []


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


def coefficient_cautions(
    case: Case, result: FiringReduction, rates: Rates, source: str
) -> list[Caution]:
    """Warn where thrust, gauge pressure and throat give an impossible coefficient."""
    nozzle = case.firing.nozzle
    if source != "gauge" or nozzle is None or result.mean_thrust is None:
        return []
    area = (nozzle.throat_area + nozzle.throat_area_after) / 2.0
    coefficient = result.mean_thrust / (rates.mean_pressure * area)
    low, high = _COEFFICIENT_BOUNDS
    if low <= coefficient <= high:
        return []
    text = (
        f"thrust over pressure and throat gives a thrust coefficient of {coefficient:.2f}, which "
        "no nozzle has in air: one of thrust, pressure and throat is wrong"
    )
    return [Caution("channels-disagree", text)]
