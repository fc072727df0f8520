"""Which firings tell the characteristic velocity of a motor, and what a forecast says of them."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.records import Gas, find_bench, read_campaign
from strandwise.units import Kind, parse_quantity, wording_in
from strandwise.workflow.firing_gas import gas_of_firings
from strandwise.workflow.forecast import forecast_campaign, law_source
from strandwise.workflow.hindcast import hindcast_campaign
from strandwise.workflow.motor_design import design_of, find_motor
from strandwise.workflow.reducing import ReducedCampaign, reduce_campaign
from strandwise.workflow.tracking import analyse_campaign

ROOT = Path(__file__).parents[2]
EQUILIBRIUM = 916.0  # m/s; of the bench below, as an equilibrium would give it
# c* by gauge of an examiner's bench (own simulation of motors with 880 m/s): F-03 burst.
TRUE = {"F-01": 869.0, "F-02": 799.0, "F-03": 404.0}


@pytest.fixture(scope="module")
def demo() -> ReducedCampaign:
    campaign = read_campaign(find_bench(ROOT, stated=ROOT).campaign("demo")).sound()
    return reduce_campaign(campaign)


def fired(
    demo: ReducedCampaign,
    values: dict[str, float],
    *,
    excluded: tuple[str, ...] = (),
    unused: tuple[str, ...] = (),
    codes: dict[str, str] | None = None,
    ratios: bool = True,
) -> ReducedCampaign:
    """The demonstration without a stated gas, its firings with these c* by gauge."""
    results, points = [], list(demo.points)
    for one in demo.firings:
        value, point = values.get(one.test), one.point
        assert point is not None
        if one.test in (*excluded, *unused):
            why = "by hand" if one.test in excluded else "no burn time"
            point = dataclasses.replace(point, used=False, why_not=why)
        points = [point if old.test == one.test else old for old in points]
        extra = () if codes is None or one.test not in codes else (codes[one.test],)
        results.append(
            dataclasses.replace(
                one,
                point=point,
                pressure_from="gauge",
                characteristic_velocity=value,
                characteristic_velocity_sd=10.0,
                characteristic_velocity_ratio=value / EQUILIBRIUM if value and ratios else None,
                cautions=tuple(Caution(code, code) for code in extra),
            )
        )
    records = tuple(
        dataclasses.replace(f, gas=Gas(), exclude="case burst" if f.test in excluded else None)
        for f in demo.campaign.firings
    )
    settings = dataclasses.replace(demo.campaign.settings, gas=Gas())
    campaign = dataclasses.replace(demo.campaign, firings=records, settings=settings)
    return dataclasses.replace(
        demo, campaign=campaign, firings=tuple(results), points=tuple(points)
    )


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"excluded": ("F-03",), "ratios": False}, "excluded: case burst"),
        ({"unused": ("F-03",), "ratios": False}, "no burn time"),
        ({"codes": {"F-03": "burst"}, "ratios": False}, "it may have burst"),
        ({"codes": {"F-03": "chuffing"}, "ratios": False}, "it chuffed"),
        ({}, "its c* is 44 % of the one known for its propellant"),
        ({"ratios": False}, "its c* is more than 25 % off the median of the firings"),
    ],
)
def test_a_firing_that_cannot_be_believed_tells_no_gas(
    demo: ReducedCampaign, change: dict[str, object], why: str
) -> None:
    found = gas_of_firings(fired(demo, TRUE, **change))  # type: ignore[arg-type]
    assert found.firings == (("F-01", 869.0), ("F-02", 799.0))
    assert found.left_out == (("F-03", why),)
    assert found.velocity == pytest.approx(834.0)
    # With the burst among them the mean would be 690.7 m/s.
    assert found.sd is not None
    assert found.velocity - found.sd < 880.0 < found.velocity + 2.0 * found.sd


def test_the_standard_uncertainty_is_that_of_one_motor_more(demo: ReducedCampaign) -> None:
    # s pooled with 4 % worth four firings, √(1 + 1/n), Student's t over the normal quantile;
    # t(0.975) is 2.776 with 4 and 2.571 with 5 degrees of freedom (tables, from memory).
    alone = gas_of_firings(fired(demo, {"F-01": 880.0}))
    assert alone.sd == pytest.approx(880.0 * 0.04 * math.sqrt(2.0) * 2.776 / 1.96, rel=1e-3)
    two = gas_of_firings(fired(demo, {"F-01": 869.0, "F-02": 799.0}))
    squares = 2.0 * (35.0 / 834.0) ** 2
    pooled = math.sqrt((4.0 * 0.04**2 + squares) / 5.0)
    assert two.sd == pytest.approx(834.0 * pooled * math.sqrt(1.5) * 2.571 / 1.96, rel=1e-3)
    # Two that agree by chance do not make c* known.
    agreed = gas_of_firings(fired(demo, {"F-01": 869.0, "F-02": 869.0}))
    assert agreed.sd is not None
    assert agreed.sd > 0.05 * 869.0


def test_the_interval_covers_the_next_motor_as_often_as_it_says() -> None:
    # Own simulation: motors spread by 4 %; 95 % of the next ones lie within 1.96 sd.
    from strandwise.workflow.firing_gas import _one_more

    rng = np.random.default_rng(3)
    for count in (1, 2, 4):
        draws = 880.0 * (1.0 + 0.04 * rng.standard_normal((3000, count + 1)))
        inside = [
            abs(row[-1] - row[:-1].mean()) < 1.96 * _one_more(list(row[:-1])) for row in draws
        ]
        assert 0.94 < np.mean(inside) < 1.0


def test_a_forecast_says_whose_gas_it_uses(demo: ReducedCampaign) -> None:
    reduced = fired(demo, TRUE, excluded=("F-03",))
    folder = find_bench(ROOT, stated=ROOT).campaign("demo")
    motor = dataclasses.replace(find_motor(folder, demo.campaign, Path("full-size")), gas=Gas())
    design, cautions = design_of(reduced, motor, "base")
    assert design.characteristic_velocity == pytest.approx(834.0)
    assert design.velocity_from == "firings"
    assert design.tolerances.characteristic_velocity > 0.05 * 834.0
    (told,) = [one.message for one in cautions if one.code == "gas-by-firings"]
    assert "the mean of 2 firings (F-01 869 m/s, F-02 799 m/s), which spread by 5.9 %" in told
    assert "left out: F-03 (excluded: case burst)" in told
    # Stated, it is held against the firings that may be used alone.
    stated = dataclasses.replace(motor, gas=Gas(characteristic_velocity=834.0))
    design, cautions = design_of(reduced, stated, "base")
    assert (design.characteristic_velocity, design.velocity_from) == (834.0, "stated")
    assert not {"characteristic-velocity", "gas-by-firings"} & {one.code for one in cautions}
    high = dataclasses.replace(motor, gas=Gas(characteristic_velocity=900.0))
    (told,) = [
        one.message
        for one in design_of(reduced, high, "base")[1]
        if one.code == "characteristic-velocity"
    ]
    assert told.startswith("the firings F-01, F-02 gave a characteristic velocity of 834 m/s")


def test_no_firing_may_be_used_then_the_recipe_tells(demo: ReducedCampaign) -> None:
    pytest.importorskip("cantera")
    reduced = fired(demo, {"F-03": 404.0}, excluded=("F-03",))
    folder = find_bench(ROOT, stated=ROOT).campaign("demo")
    motor = dataclasses.replace(find_motor(folder, demo.campaign, Path("full-size")), gas=Gas())
    design, cautions = design_of(reduced, motor, "base")
    assert design.characteristic_velocity > 850.0
    assert design.velocity_from == "equilibrium"
    (told,) = [one.message for one in cautions if one.code == "gas-by-equilibrium"]
    assert "left out: F-03 (excluded: case burst)" in told


def test_a_burst_lowers_no_prediction_of_the_other_firings(demo: ReducedCampaign) -> None:
    found = hindcast_campaign(fired(demo, TRUE, excluded=("F-03",)), draws=500)
    without = hindcast_campaign(
        fired(demo, {k: TRUE[k] for k in ("F-01", "F-02")}, excluded=("F-03",)), draws=500
    )
    assert {row.test for row in found.rows} == {"F-01", "F-02", "F-04"}
    assert found.rows == without.rows
    assert ("F-03", "excluded: case burst") in found.skipped
    (told,) = [one.message for one in found.cautions if one.code == "gas-by-firings"]
    assert "the mean of those of F-01, F-02, never its own" in told
    assert "; left out: F-03 (excluded: case burst)" in told


def test_firings_that_were_left_out_are_not_said_to_be_none(demo: ReducedCampaign) -> None:
    reduced = fired(demo, TRUE, excluded=("F-03",))
    (formulation,) = {one.formulation for one in demo.firings if one.test == "F-03"}
    source = law_source(reduced, formulation, analysis=analyse_campaign(reduced, baseline="base"))
    assert (source.firings, source.firings_left_out) == (0, ("F-03",))
    folder = find_bench(ROOT, stated=ROOT).campaign("demo")
    motor = find_motor(folder, demo.campaign, Path("full-size"))
    (found,) = forecast_campaign(reduced, motor, formulations=(formulation,), draws=100)
    (told,) = [one.message for one in found.cautions if one.code == "offset-borrowed"]
    assert told.startswith(f"no firing of {formulation} may be used (F-03 left out)")


@pytest.mark.parametrize("units", ["metric", "inch-pound"])
def test_a_density_that_nobody_states_is_suggested_from_the_weighed_firings(
    demo: ReducedCampaign, units: str
) -> None:
    folder = find_bench(ROOT, stated=ROOT).campaign("demo")
    motor = find_motor(folder, demo.campaign, Path("full-size"))
    motor = dataclasses.replace(
        motor, grain=dataclasses.replace(motor.grain, mass=None, density=None)
    )
    batches = {
        name: dataclasses.replace(one, density=None, sample_mass=None, sample_volume=None)
        for name, one in demo.campaign.batches.items()
    }
    campaign, wording = dataclasses.replace(demo.campaign, batches=batches), wording_in(units)
    with pytest.raises(RequestError) as told:
        design_of(dataclasses.replace(demo, campaign=campaign, wording=wording), motor, "base")
    mine = [
        one.grain
        for one in campaign.firings
        if batches[one.batch].formulation == "base" and one.grain.mass is not None
    ]
    # Own computation: m / (π/4 (D² − d²) L) of each grain.
    shown = [
        one.mass
        / (math.pi / 4.0 * (one.outer_diameter**2 - one.core_diameter**2))
        / (one.length * one.segments)
        for one in mine
    ]
    assert len(shown) > 1
    text = told.value.expected.split('"')[1]
    assert parse_quantity(text, Kind.DENSITY).si == pytest.approx(np.median(shown), rel=2e-3)
    assert text.endswith("lb/in³" if units == "inch-pound" else "g/cm³")
    assert f"the {len(shown)} weighed firings of base" in told.value.hint
    bare = dataclasses.replace(campaign, firings=())
    with pytest.raises(RequestError) as told:
        design_of(dataclasses.replace(demo, campaign=bare, wording=wording), motor, "base")
    text = told.value.expected.split('"')[1]
    assert parse_quantity(text, Kind.DENSITY).si == pytest.approx(1780.0, rel=2e-3)
    assert text.endswith("lb/in³" if units == "inch-pound" else "g/cm³")
    assert told.value.hint == ""
