"""Firings of simulated campaigns, each predicted from the other tests; truth known (own model)."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from strandwise.forecast import (
    DrawnLaw,
    FiredMotor,
    Hindcast,
    MotorDesign,
    Reading,
    Tolerances,
    burn_motor,
    hindcast_firings,
)
from strandwise.motor import HollowCylinder, Nozzle, web
from strandwise.reduction import RatePoint

AT = 3.5e6
BATCH_SD, STRAND_SD, FIRING_SD, OFFSET = 0.025, 0.015, 0.010, math.log(1.07)
TIME_SD, PRESSURE_SD, C_STAR_SD = 0.015, 0.012, 0.02
FORMULATIONS = {"base": (7.6e-3, 0.40), "slow": (6.6e-3, 0.43)}


def motor(throat: float, c_star: float = 890.0) -> MotorDesign:
    return MotorDesign(
        name="small",
        grain=HollowCylinder(0.033, 0.016, 0.0575, segments=2, inhibited=frozenset({"outer"})),
        nozzle=Nozzle(throat),
        density=1770.0,
        characteristic_velocity=c_star,
        specific_heat_ratio=1.13,
        thrust_efficiency=0.94,
        ambient_pressure=1e5,
        tolerances=Tolerances(characteristic_velocity=C_STAR_SD * 890.0),
    )


def campaign(rng: np.random.Generator) -> tuple[list[RatePoint], list[FiredMotor]]:
    """Three batches of two formulations, five strands each, and a firing of each."""
    points, fired = [], []
    for number in range(6):
        name = ("base", "slow")[number % 2]
        rate, n = FORMULATIONS[name]
        batch, b = f"B{number}", BATCH_SD * rng.standard_normal()
        for strand, pressure in enumerate((1.2e6, 2.0e6, 3.0e6, 4.5e6, 6.0e6)):
            read = rate * (pressure / AT) ** n * math.exp(b + STRAND_SD * rng.standard_normal())
            points.append(
                RatePoint(
                    test=f"{batch}-{strand}", batch=batch, formulation=name, kind="strand",
                    pressure=pressure, pressure_sd=None, rate=read, rate_sd=None, uncertainty="",
                )
            )  # fmt: skip
        faster = b + OFFSET + FIRING_SD * rng.standard_normal()
        throat = 6.4e-3 + 0.3e-3 * (number % 3)
        design = motor(throat)
        true = motor(throat, 890.0 * (1.0 + C_STAR_SD * rng.standard_normal()))
        law = DrawnLaw("power", AT, np.array([math.log(rate) + faster]), np.array([n]))
        burnt = burn_motor(true, law)
        time = float(burnt.burn_time[0]) * math.exp(TIME_SD * rng.standard_normal())
        mean = float(burnt.mean_pressure[0]) * math.exp(PRESSURE_SD * rng.standard_normal())
        test = f"F{number}"
        points.append(
            RatePoint(
                test=test, batch=batch, formulation=name, kind="firing", pressure=mean,
                pressure_sd=PRESSURE_SD * mean, rate=web(design.grain) / time,
                rate_sd=TIME_SD * web(design.grain) / time, uncertainty="stated",
            )
        )  # fmt: skip
        fired.append(
            FiredMotor(
                test=test,
                batch=batch,
                formulation=name,
                design=design,
                readings=(
                    Reading(quantity="mean-pressure", value=mean, sd=PRESSURE_SD * mean),
                    Reading(quantity="burn-time", value=time, sd=TIME_SD * time),
                ),
            )
        )
    return points, fired


def hindcast(seed: int, chosen: slice = slice(None)) -> Hindcast:
    points, fired = campaign(np.random.default_rng(seed))
    # All firings stay among the points, also those that are not predicted themselves.
    return hindcast_firings(points, fired[chosen], baseline="base", pressure=AT, draws=400)


def test_intervals_hold_what_was_measured_as_often_as_they_say() -> None:
    # Issue: 95 % intervals hold 90 to 98 % of the readings over 100 simulated campaigns.
    each = [slice(seed % 6, seed % 6 + 1) for seed in range(100)]
    rows = [row for seed in range(100) for row in hindcast(seed, each[seed]).rows]
    for quantity in ("mean-pressure", "burn-time"):
        own = [row for row in rows if row.quantity == quantity]
        assert len(own) == 100
        assert 0.90 <= sum(row.inside for row in own) / len(own) <= 0.98, quantity
        assert abs(np.mean([row.deviation for row in own])) < 0.01


def test_a_motor_that_burns_otherwise_is_found_outside() -> None:
    points, fired = campaign(np.random.default_rng(5))
    odd = dataclasses.replace(
        fired[0],
        readings=tuple(
            dataclasses.replace(reading, value=reading.value * factor)
            for reading, factor in zip(fired[0].readings, (1.5, 0.7), strict=True)
        ),
    )
    found = hindcast_firings(points, [odd, fired[1]], baseline="base", pressure=AT, draws=400)
    assert [row.inside for row in found.rows if row.test == "F0"] == [False, False]
    assert {caution.code for caution in found.cautions} == {"few-firings", "missed"}
    missed = next(caution for caution in found.cautions if caution.code == "missed")
    assert missed.tests[0] == "F0"


def test_scores_count_what_the_rows_show() -> None:
    found = hindcast(3)
    for score in found.scores:
        own = [row for row in found.rows if row.quantity == score.quantity]
        assert (score.count, score.inside) == (6, sum(row.inside for row in own))
        assert score.mean_deviation == pytest.approx(
            np.mean([math.log(row.measured / row.predicted) for row in own])
        )


def test_a_firing_that_nothing_else_tells_of_is_skipped_with_the_reason() -> None:
    points, fired = campaign(np.random.default_rng(1))
    alone = [p for p in points if p.formulation == "base" or p.test == "F1"]
    found = hindcast_firings(alone, [fired[1]], baseline="base", pressure=AT, draws=400)
    assert found.rows == ()
    ((test, why),) = found.skipped
    assert test == "F1"
    assert "no test of slow" in why


def test_the_same_seed_gives_the_same_again() -> None:
    assert hindcast(2, slice(2)) == hindcast(2, slice(2))
