"""Uncertainties, free volume and shapes that a record states, through to the budget."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from strandwise.findings import Source
from strandwise.motor import (
    AreaTable,
    HollowCylinder,
    MultiCore,
    Nozzle,
    offset_core_area_table,
    propellant_volume,
    web,
)
from strandwise.records import Firing, Gas, GrainUncertainty, OffsetCore, Summary
from strandwise.reduction import free_volume_of, reduce_firing
from strandwise.reduction.case import case_of
from strandwise.reduction.chain import moved_grain
from strandwise.reduction.readings import grain_readings

HOLLOW = HollowCylinder(38e-3, 13e-3, 70e-3, inhibited=frozenset({"outer"}), mass=0.12)


def firing(grain, **more):
    return Firing(
        test="S-1",
        batch="B-1",
        grain=grain,
        nozzle=Nozzle(9e-3),
        summary=Summary(burn_time=2.0, mean_pressure=3e6),
        source=Source("x"),
        **more,
    )


def rows_of(record):
    result = reduce_firing(record, "base", gas=Gas(), ambient=None, density=None, exponent=0.3)
    return {row.reading.key: row for row in result.budget.rows}


def free_volume_reading(record):
    case = case_of(record, "base", Gas(), None, None, 0.3)
    return next(row for row in grain_readings(case) if row.key == "free-volume")


def test_a_stated_uncertainty_goes_through_to_the_rate():
    sds = GrainUncertainty(
        outer_diameter_sd=0.1e-3, core_diameter_sd=0.3e-3, length_sd=1e-3, mass_sd=2e-3
    )
    rows = rows_of(firing(HOLLOW, grain_uncertainty=sds))
    for key, sd in (
        ("outer-diameter", 0.1e-3),
        ("core-diameter", 0.3e-3),
        ("length", 1e-3),
        ("mass", 2e-3),
    ):
        assert (rows[key].reading.sd, rows[key].reading.basis) == (sd, "stated")
    # Own computation: r = (D − d) / 4 t, so dr / r = sd / (D − d) (both fronts: outer inhibited).
    assert abs(rows["core-diameter"].rate_effect) == pytest.approx(0.3 / 25.0, rel=1e-3)
    assert abs(rows["outer-diameter"].rate_effect) == pytest.approx(0.1 / 25.0, rel=1e-3)
    assert rows_of(firing(HOLLOW))["mass"].reading.basis == "assumed"


def test_a_stated_free_volume_takes_the_place_of_the_assumed_one():
    stated = free_volume_reading(firing(HOLLOW, free_volume=50e-6))
    assert (stated.value, stated.sd) == (50e-6, pytest.approx(2.5e-6))
    assert free_volume_reading(firing(HOLLOW)).value == free_volume_of(HOLLOW)


def test_an_offset_core_keeps_its_chamber_and_tells_its_web():
    cylinder = replace(HOLLOW, mass=0.12)
    grain = offset_core_area_table(
        38e-3, 13e-3, 1e-3, 70e-3, inhibited=cylinder.inhibited, mass=0.12
    )
    cored = OffsetCore(cylinder, 1e-3)
    record = firing(grain, offset_core=cored)
    assert free_volume_reading(record).value == free_volume_of(cylinder)
    rows = rows_of(record)
    assert "thinnest wall" in rows["web"].reading.name
    stated = GrainUncertainty(outer_diameter_sd=0.06e-3, core_diameter_sd=0.08e-3)
    rows = rows_of(firing(grain, offset_core=cored, grain_uncertainty=stated))
    # Own computation: half of each diameter's, and 0.14 mm of the axis.
    assert rows["web"].reading.sd == pytest.approx(math.hypot(0.03e-3, 0.04e-3, 0.14e-3))


def test_the_web_of_a_table_with_slivers_moves():
    grain = AreaTable((0.0, 5e-3, 8e-3), (5e-3, 6e-3, 0.0), mass=0.1, slivers_from=5e-3)
    moved = moved_grain(grain, {"web": 5.1e-3})
    assert web(moved) == pytest.approx(5.1e-3)
    assert moved.web == pytest.approx((0.0, 5.1e-3, 8.16e-3))
    assert abs(rows_of(firing(grain))["web"].rate_effect) == pytest.approx(0.2 / 5.0, rel=1e-3)


def test_unequal_lengths_move_together():
    grain = HollowCylinder(38e-3, 13e-3, lengths=(70e-3, 60e-3), mass=0.2)
    moved = moved_grain(grain, {"lengths": 66e-3})
    assert moved.lengths == pytest.approx((71e-3, 61e-3))
    rows = rows_of(firing(grain, grain_uncertainty=GrainUncertainty(length_sd=0.1e-3)))
    assert (rows["lengths"].reading.value, rows["lengths"].reading.sd) == (65e-3, 0.1e-3)


def test_several_cores_are_reduced():
    grain = MultiCore(40e-3, 6e-3, 4, 20e-3, 60e-3, inhibited=frozenset({"outer"}), mass=0.11)
    record = firing(grain)
    result = reduce_firing(record, "base", gas=Gas(), ambient=None, density=None, exponent=0.3)
    assert result.rate_thickness_over_time == pytest.approx(web(grain) / 2.0)
    # Own computation: section of the grain without its four cores.
    volume = math.pi / 4.0 * (0.040**2 - 4 * 0.006**2) * 0.060
    assert float(propellant_volume(grain)) == pytest.approx(volume, rel=1e-9)
