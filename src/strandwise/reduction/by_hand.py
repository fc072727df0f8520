"""A firing of which only burn time and a mean or a peak were read by hand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.motor import web
from strandwise.reduction.assumptions import MEAN_OF_PEAK
from strandwise.reduction.budget import budget_of
from strandwise.reduction.case import Case, point_of, specific_impulse_of
from strandwise.reduction.chamber_pressure import pressure_through_nozzle
from strandwise.reduction.consistency import (
    c_star_cautions,
    coefficient_cautions,
    impulse_cautions,
)
from strandwise.reduction.firing_chain import hand_chain
from strandwise.reduction.plausibility import summary_cautions
from strandwise.reduction.results import FiringReduction

if TYPE_CHECKING:
    from strandwise.records import Summary
    from strandwise.reduction.chain import HandChain

__all__ = ["reduce_by_hand"]


def reduce_by_hand(case: Case, summary: Summary) -> FiringReduction:
    """Reduce what was read by hand, with the larger uncertainty that it deserves."""
    firing = case.firing
    thickness = web(firing.grain)
    rate = thickness / summary.burn_time
    text = "burn time and mean were read by hand: the rate is one for the whole burn"
    cautions = (*case.cautions, Caution("read-by-hand", text), *summary_cautions(summary))
    impulse = None if summary.mean_thrust is None else summary.mean_thrust * summary.burn_time
    result = FiringReduction(
        test=firing.test,
        batch=firing.batch,
        formulation=case.formulation,
        burn_time=summary.burn_time,
        burn_time_sd=summary.burn_time_sd,
        peak_pressure=summary.peak_pressure,
        peak_thrust=summary.peak_thrust,
        mean_thrust=summary.mean_thrust,
        total_impulse=impulse,
        specific_impulse=specific_impulse_of(impulse, case.burnt_mass),
        rate_thickness_over_time=rate,
        web=thickness,
        rules=(f"burn time {summary.burn_time:g} s: read by hand",),
        cautions=cautions,
    )
    return _with_hand_pressure(case, result, summary)


def _with_hand_pressure(case: Case, result: FiringReduction, summary: Summary) -> FiringReduction:
    read = _mean_of(case, summary)
    if read is None:
        why = "the summary gives neither thrust nor pressure: add mean_thrust or mean_pressure"
        return replace(result, why_no_point=why)
    pressure, impulse = read.value, read.value * summary.burn_time
    relative_sd = 0.0
    if read.by_thrust:
        if case.firing.nozzle is None:
            why = "thrust alone gives no pressure without a nozzle: add [nozzle] throat_diameter"
            alone = impulse_cautions(case, impulse, summary.burn_time, None)
            return replace(result, why_no_point=why, cautions=(*result.cautions, *alone))
        nozzle = case.firing.nozzle
        through = pressure_through_nozzle(
            read.value,
            nozzle,
            gamma=case.gamma,
            surroundings=case.surroundings,
            throat_area=np.asarray((nozzle.throat_area + nozzle.throat_area_after) / 2.0),
            level=read.value,
            wording=case.wording,
        )
        pressure, relative_sd = float(through.pressure), through.relative_sd
        result = replace(
            result,
            account=result.account + through.account,
            cautions=result.cautions + through.cautions,
        )
    result = replace(result, cautions=result.cautions + read.cautions)
    chain = hand_chain(
        case,
        burn_time=summary.burn_time,
        burn_time_sd=summary.burn_time_sd,
        mean=read.value,
        mean_sd=read.sd,
        mean_name=read.name,
        by_thrust=read.by_thrust,
        level=pressure,
    )
    result = _with_budget(result, chain, pressure)
    given, c_star = case.characteristic_velocity, result.characteristic_velocity
    coefficient = _hand_coefficient(case, summary)
    of_impulse = []
    if read.by_thrust:
        of_impulse = impulse_cautions(case, impulse, summary.burn_time, pressure)
    of_c_star = c_star_cautions(
        case, c_star, pressure, by_thrust=read.by_thrust, relative_sd=relative_sd
    )
    more = (
        *(of_impulse or of_c_star),
        *coefficient_cautions(case, coefficient, pressure, c_star),
    )
    result = replace(
        result,
        characteristic_velocity_ratio=None if c_star is None or not given else c_star / given,
        thrust_coefficient=coefficient,
        cautions=result.cautions + more,
    )
    return replace(result, point=point_of(case, result, "web, burn time and mean by hand"))


@dataclass(frozen=True, slots=True)
class _Mean:
    value: float
    sd: float | None
    name: str
    by_thrust: bool
    cautions: tuple[Caution, ...] = ()


def _mean_of(case: Case, summary: Summary) -> _Mean | None:
    """Return the mean that the summary gives, or makes likely; pressure first."""
    if summary.mean_pressure is not None:
        sd = summary.mean_pressure_sd
        return _Mean(summary.mean_pressure, sd, "mean pressure", by_thrust=False)
    if summary.mean_thrust is not None:
        return _Mean(summary.mean_thrust, summary.mean_thrust_sd, "mean thrust", by_thrust=True)
    share, share_sd = MEAN_OF_PEAK
    text = f"only the peak was read: the mean is taken as {share:g} of it, give or take 0.12"
    cautions = (Caution("mean-from-peak", text),)
    if summary.peak_pressure is not None:
        above = summary.peak_pressure - case.surroundings.ambient
        mean = case.surroundings.ambient + share * above
        name = "mean pressure, from the peak"
        return _Mean(mean, share_sd * above, name, by_thrust=False, cautions=cautions)
    if summary.peak_thrust is not None:
        mean, sd = share * summary.peak_thrust, share_sd * summary.peak_thrust
        return _Mean(mean, sd, "mean thrust, from the peak", by_thrust=True, cautions=cautions)
    return None


def _with_budget(result: FiringReduction, chain: HandChain, pressure: float) -> FiringReduction:
    nominal = chain.run({})
    budget = budget_of(chain, nominal)
    c_star = nominal.characteristic_velocity
    assert result.rate_thickness_over_time is not None
    burn_time_sd = next(r.sd for r in chain.readings if r.key == "burn-time")
    return replace(
        result,
        burn_time_sd=burn_time_sd,
        rate_sd=budget.rate_sd * result.rate_thickness_over_time,
        mean_pressure=pressure,
        rate_mean_pressure=pressure,
        pressure_sd=budget.pressure_sd * pressure,
        pressure_from="summary",
        characteristic_velocity=c_star,
        characteristic_velocity_sd=(
            None if c_star is None or budget.c_star_sd is None else budget.c_star_sd * c_star
        ),
        budget=budget,
        chain=chain,
        account=(*result.account, f"standard uncertainty: {budget.advice}"),
    )


def _hand_coefficient(case: Case, summary: Summary) -> float | None:
    nozzle = case.firing.nozzle
    if nozzle is None:
        return None
    area = (nozzle.throat_area + nozzle.throat_area_after) / 2.0
    means = (summary.mean_thrust, summary.mean_pressure)
    for thrust, pressure in (means, (summary.peak_thrust, summary.peak_pressure)):
        if thrust is not None and pressure is not None:
            return thrust / (pressure * area)
    return None
