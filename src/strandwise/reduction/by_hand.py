"""A firing of which only burn time and a mean or a peak were read by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.motor import web
from strandwise.reduction.case import WEB_SD, Case, point_of, specific_impulse_of
from strandwise.reduction.chamber_pressure import pressure_through_nozzle
from strandwise.reduction.plausibility import c_star_cautions
from strandwise.reduction.results import FiringReduction

if TYPE_CHECKING:
    from strandwise.records import Summary

__all__ = ["reduce_by_hand"]

_HAND_TIME_SD = (0.1, 0.05)  # s, and share; the larger; assumed
_HAND_READING_SD = 0.05  # of a mean read by hand; assumed
_MEAN_OF_PEAK = (0.8, 0.4 / math.sqrt(12.0))  # mean over peak: 0.6 to 1, uniform; assumed


def reduce_by_hand(case: Case, summary: Summary) -> FiringReduction:
    """Reduce what was read by hand, with the larger uncertainty that it deserves."""
    firing = case.firing
    least, share = _HAND_TIME_SD
    time_sd = summary.burn_time_sd
    if time_sd is None:
        time_sd = max(least, share * summary.burn_time)
    thickness = web(firing.grain)
    rate = thickness / summary.burn_time
    text = "burn time and mean were read by hand: the rate is one for the whole burn"
    cautions = (*case.cautions, Caution("read-by-hand", text))
    impulse = None if summary.mean_thrust is None else summary.mean_thrust * summary.burn_time
    result = FiringReduction(
        test=firing.test,
        batch=firing.batch,
        formulation=case.formulation,
        burn_time=summary.burn_time,
        burn_time_sd=time_sd,
        peak_pressure=summary.peak_pressure,
        peak_thrust=summary.peak_thrust,
        mean_thrust=summary.mean_thrust,
        total_impulse=impulse,
        specific_impulse=specific_impulse_of(impulse, case.mass),
        rate_thickness_over_time=rate,
        rate_sd=rate * math.hypot(WEB_SD / thickness, time_sd / summary.burn_time),
        web=thickness,
        rules=(f"burn time {summary.burn_time:g} s: read by hand",),
        cautions=cautions,
    )
    return _with_hand_pressure(case, result, summary)


def _with_hand_pressure(case: Case, result: FiringReduction, summary: Summary) -> FiringReduction:
    firing = case.firing
    share, share_sd = _MEAN_OF_PEAK
    pressure: float | None = None
    relative = _HAND_READING_SD
    account: tuple[str, ...] = ()
    cautions: list[Caution] = []
    thrust = summary.mean_thrust
    if summary.mean_pressure is not None:
        pressure = summary.mean_pressure
        if summary.mean_pressure_sd is not None:
            relative = summary.mean_pressure_sd / pressure
    elif thrust is None and summary.peak_pressure is not None:
        above = summary.peak_pressure - case.surroundings.ambient
        pressure = case.surroundings.ambient + share * above
        relative = share_sd / share
    elif thrust is not None or summary.peak_thrust is not None:
        if firing.nozzle is None:
            why = "thrust alone gives no pressure without a nozzle: add [nozzle] throat_diameter"
            return replace(result, why_no_point=why)
        if thrust is None:
            thrust, relative = share * (summary.peak_thrust or 0.0), share_sd / share
        elif summary.mean_thrust_sd is not None:
            relative = summary.mean_thrust_sd / thrust
        through = pressure_through_nozzle(
            thrust,
            firing.nozzle,
            gamma=case.gamma,
            surroundings=case.surroundings,
            throat_area=np.asarray(
                (firing.nozzle.throat_area + firing.nozzle.throat_area_after) / 2.0
            ),
            level=thrust,
        )
        pressure = float(through.pressure)
        relative = math.hypot(relative, through.relative_sd)
        account, cautions = through.account, list(through.cautions)
    if pressure is None:
        why = "the summary gives neither thrust nor pressure: add mean_thrust or mean_pressure"
        return replace(result, why_no_point=why)
    if summary.mean_pressure is None and summary.mean_thrust is None:
        text = f"only the peak was read: the mean is taken as {share:g} of it, give or take 0.12"
        cautions.append(Caution("mean-from-peak", text))
    result = replace(
        result,
        mean_pressure=pressure,
        rate_mean_pressure=pressure,
        pressure_sd=relative * pressure,
        pressure_from="summary",
        characteristic_velocity=_hand_c_star(case, pressure, summary.burn_time),
        account=(*result.account, *account),
        cautions=(*result.cautions, *cautions),
    )
    more = tuple(c_star_cautions(case, result.characteristic_velocity))
    result = replace(result, cautions=result.cautions + more)
    return replace(result, point=point_of(firing, result, "web, burn time and mean by hand"))


def _hand_c_star(case: Case, pressure: float, burn_time: float) -> float | None:
    nozzle = case.firing.nozzle
    if nozzle is None or case.mass is None:
        return None
    area = (nozzle.throat_area + nozzle.throat_area_after) / 2.0
    return pressure * area * burn_time / case.mass
