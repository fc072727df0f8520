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
    HindcastRow,
    MotorDesign,
    Reading,
    Tolerances,
    burn_motor,
    hindcast_firings,
)
from strandwise.motor import HollowCylinder, Nozzle, web
from strandwise.reduction import RatePoint

AT = 3.5e6
BATCH_SD, STRAND_SD, TEST_SD, OFFSET = 0.025, 0.011, 0.010, math.log(1.07)
"""Batch to batch; error of a strand's reading; test to test, strand or motor; ln(motor/strand)."""
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


def campaign(
    rng: np.random.Generator, *, stated: bool = True, offset: float = OFFSET
) -> tuple[list[RatePoint], list[FiredMotor]]:
    """Three batches of two formulations, five strands each, and a firing of each.

    `stated`: whether the strands' records state how sure their readings are.
    """
    strand_sd = math.hypot(STRAND_SD, TEST_SD)
    points, fired = [], []
    for number in range(6):
        name = ("base", "slow")[number % 2]
        rate, n = FORMULATIONS[name]
        batch, b = f"B{number}", BATCH_SD * rng.standard_normal()
        for strand, pressure in enumerate((1.2e6, 2.0e6, 3.0e6, 4.5e6, 6.0e6)):
            read = rate * (pressure / AT) ** n * math.exp(b + strand_sd * rng.standard_normal())
            points.append(
                RatePoint(
                    test=f"{batch}-{strand}", batch=batch, formulation=name, kind="strand",
                    pressure=pressure, pressure_sd=None, rate=read,
                    rate_sd=STRAND_SD * read if stated else None,
                    uncertainty="stated" if stated else "",
                )
            )  # fmt: skip
        faster = b + offset + TEST_SD * rng.standard_normal()
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


def hindcast(seed: int, chosen: slice = slice(None), *, strands_alone: bool = True) -> Hindcast:
    points, fired = campaign(np.random.default_rng(seed))
    # All firings stay among the points, also those that are not predicted themselves.
    return hindcast_firings(
        points, fired[chosen], baseline="base", pressure=AT, draws=400, strands_alone=strands_alone
    )


def covered(rows: list[HindcastRow], quantity: str) -> float:
    own = [row for row in rows if row.quantity == quantity]
    assert len(own) == 100
    return sum(row.inside for row in own) / len(own)


def of(found: Hindcast, basis: str) -> list[HindcastRow]:
    return [row for row in found.rows if row.basis == basis]


def test_intervals_hold_what_was_measured_as_often_as_they_say() -> None:
    # Issue: 95 % intervals hold 90 to 98 % of the readings over 100 simulated campaigns; of all
    # six firings of each 95.3 and 94.7 % (own run).
    rows = [
        row
        for seed in range(100)
        for row in hindcast(seed, slice(seed % 6, seed % 6 + 1), strands_alone=False).rows
    ]
    for quantity in ("mean-pressure", "burn-time"):
        assert 0.90 <= covered(rows, quantity) <= 0.98, quantity
        own = [row.deviation for row in rows if row.quantity == quantity]
        assert abs(np.mean(own)) < 0.01


def test_readings_that_nobody_is_sure_of_widen_the_intervals() -> None:
    # Strands that state no uncertainty: their errors of reading pass for scatter of the propellant.
    widths = []
    for stated in (True, False):
        points, fired = campaign(np.random.default_rng(4), stated=stated)
        found = hindcast_firings(points, fired[:2], baseline="base", pressure=AT, draws=2000)
        widths.append([math.log(row.interval[1] / row.interval[0]) for row in found.rows])
    assert np.mean(widths[1]) > 1.05 * np.mean(widths[0])


@pytest.mark.parametrize("offset", [0.0, math.log(1.10)])
def test_strands_alone_miss_by_what_motors_read_faster(offset: float) -> None:
    # ln(measured/predicted) of the burn time is −offset·(1 + n/(1 − n)) and of the pressure
    # offset/(1 − n), own algebra; n is about 0.41.
    rows = []
    for seed in range(12):
        points, fired = campaign(np.random.default_rng(seed), offset=offset)
        chosen = fired[seed % 6 : seed % 6 + 1]
        found = hindcast_firings(points, chosen, baseline="base", pressure=AT, draws=400)
        rows += of(found, "strands-alone")
    for quantity, sign in (("mean-pressure", 1.0), ("burn-time", -1.0)):
        own = [row for row in rows if row.quantity == quantity]
        assert len(own) == 12
        mean = float(np.mean([row.deviation for row in own]))
        assert mean == pytest.approx(sign * offset / 0.59, abs=0.03)
        # Twelve of 95 % each: fewer than nine inside is a chance of one in five thousand.
        inside = sum(row.inside for row in own)
        assert inside >= 9 if offset == 0.0 else inside <= 6


def test_strands_alone_are_not_told_apart_without_another_firing() -> None:
    points, fired = campaign(np.random.default_rng(3))
    single = [p for p in points if p.kind == "strand" or p.test == "F0"]
    found = hindcast_firings(single, fired[:1], baseline="base", pressure=AT, draws=400)
    assert {row.basis for row in found.rows} == {"all-others"}


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
    assert [row.inside for row in found.rows if row.test == "F0"] == [False] * 4
    codes = {caution.code for caution in found.cautions}
    assert codes == {"few-firings", "missed", "strands-alone-miss"}
    missed = next(caution for caution in found.cautions if caution.code == "missed")
    assert missed.tests[0] == "F0"


def test_scores_count_what_the_rows_show() -> None:
    found = hindcast(3)
    for score in found.scores:
        own = [row for row in of(found, score.basis) if row.quantity == score.quantity]
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
