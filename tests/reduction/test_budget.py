from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.findings import Source
from strandwise.motor import AreaTable, EndBurner, HollowCylinder, Nozzle, thrust_coefficient
from strandwise.records import Firing, Gas, Summary
from strandwise.reduction import reduce_firing
from strandwise.reduction.budget import budget_of
from strandwise.reduction.chamber_pressure import pressure_through_nozzle
from strandwise.reduction.montecarlo import monte_carlo
from strandwise.reduction.readings import free_volume_of

AMBIENT = 101325.0


@pytest.fixture(scope="module")
def gauge_chain(sim):
    motor = sim.Motor(burns=("core",), core=20e-3)
    time, pressure = sim.gauge(sim.burn(motor), noise=0.01, seed=2)
    return sim.chain(motor, sim.firing(motor), time, pressure)[1]


@pytest.fixture(scope="module")
def thrust_chain(sim):
    motor = sim.Motor(burns=("core",), core=20e-3)
    time, thrust = sim.load_cell(sim.burn(motor), noise=0.01, seed=2)
    return sim.chain(motor, sim.firing(motor), time, thrust, by_thrust=True)[1]


def rows_of(budget):
    return {row.reading.key: row for row in budget.rows}


def sd_of(chain, key):
    return next(reading.sd for reading in chain.readings if reading.key == key)


def test_effects_by_hand(gauge_chain):
    """Each effect against its own formula (GUM 5.1.2 on w/t, p = k·gauge + zero + ambient)."""
    nominal = gauge_chain.run({})
    budget = budget_of(gauge_chain, nominal)
    rows = rows_of(budget)
    web = (38e-3 - 20e-3) / 2.0
    mass = gauge_chain.case.mass
    burn = gauge_chain.web_burnout - gauge_chain.ignition

    def close(value, expected, rel=0.01):
        assert value == pytest.approx(expected, rel=rel)

    close(rows["outer-diameter"].rate_effect, 0.2e-3 / 2.0 / web)
    close(rows["core-diameter"].rate_effect, -0.2e-3 / 2.0 / web)
    close(rows["off-centre"].rate_effect, 0.14e-3 / web)
    close(rows["burn-time"].rate_effect, -sd_of(gauge_chain, "burn-time") / burn)
    close(rows["scale"].pressure_effect, 0.01 * (1.0 - AMBIENT / nominal.pressure))
    zero = sd_of(gauge_chain, "zero")
    close(rows["zero"].pressure_effect, zero / nominal.pressure, rel=0.1)
    close(rows["mass"].c_star_effect, -max(0.5e-3, 0.002 * mass) / mass)
    both = rows["throat-before"].c_star_effect + rows["throat-after"].c_star_effect
    close(both, 2.0 * 0.05e-3 / 9e-3)
    for key in ("mass", "length", "throat-before", "free-volume"):
        assert rows[key].rate_effect == 0.0


def test_parts_add_as_squares_and_the_largest_comes_first(gauge_chain):
    budget = budget_of(gauge_chain, gauge_chain.run({}))
    for share, effect, total in (
        ("rate_share", "rate_effect", budget.rate_sd),
        ("pressure_share", "pressure_effect", budget.pressure_sd),
        ("c_star_share", "c_star_effect", budget.c_star_sd),
        ("law_share", "law_effect", budget.law_sd),
    ):
        effects = np.array([getattr(row, effect) for row in budget.rows])
        assert np.sqrt(np.sum(effects**2)) == pytest.approx(total)
        shares = [getattr(row, share) for row in budget.rows]
        assert sum(shares) == pytest.approx(1.0)
        assert shares == pytest.approx(effects**2 / total**2)
    order = [row.law_share for row in budget.rows]
    assert order == sorted(order, reverse=True)
    assert budget.rows[0].reading.name in budget.advice
    n = gauge_chain.case.exponent
    for row in budget.rows:
        assert row.law_effect == pytest.approx(row.rate_effect - n * row.pressure_effect)


def test_rate_and_pressure_of_one_firing_err_together(gauge_chain):
    """What a fit makes of the two errors and their correlation is the budget's own of the law."""
    budget = budget_of(gauge_chain, gauge_chain.run({}))
    rate, pressure, n = budget.rate_sd, budget.pressure_sd, budget.exponent
    instants = rows_of(budget)["burn-time"]
    # A later web burnout makes the rate lower and, as the bore grows, the mean pressure higher.
    assert instants.rate_effect < 0.0 < instants.pressure_effect
    assert -1.0 < budget.correlation < 0.0
    variance = rate**2 + (n * pressure) ** 2 - 2.0 * n * budget.correlation * rate * pressure
    assert math.sqrt(variance) == pytest.approx(budget.law_sd, rel=1e-9)


def test_a_better_reading_leaves_what_the_advice_says(gauge_chain):
    budget = budget_of(gauge_chain, gauge_chain.run({}))
    first = budget.rows[0].reading.key
    readings = tuple(
        replace(reading, sd=0.0) if reading.key == first else reading
        for reading in gauge_chain.readings
    )
    better = replace(gauge_chain, readings=readings)
    without = budget_of(better, better.run({}))
    expected = budget.law_sd * math.sqrt(1.0 - budget.rows[0].law_share)
    assert without.law_sd == pytest.approx(expected)
    assert f"the standard uncertainty is {100.0 * budget.law_sd:.2g} %: this" in budget.advice
    assert budget.advice.endswith(f"without it {100.0 * expected:.2g} % would be left")


@pytest.mark.parametrize("which", ["gauge_chain", "thrust_chain"])
def test_monte_carlo_agrees_with_the_first_order(which, request):
    chain = request.getfixturevalue(which)
    budget = budget_of(chain, chain.run({}))
    drawn = monte_carlo(chain, draws=600, seed=4)
    # Of 600 draws a standard deviation is known to 1/√(2·600) = 2.9 %; three of these.
    for quantity, expected in (
        (drawn.rate, budget.rate_sd),
        (drawn.pressure, budget.pressure_sd),
        (drawn.characteristic_velocity, budget.c_star_sd),
    ):
        assert quantity.relative_sd == pytest.approx(expected, rel=0.09)
        assert quantity.first_order_sd == expected
        assert quantity.low < quantity.median < quantity.high
    assert (drawn.differences, drawn.impossible) == ((), 0)
    assert monte_carlo(chain, draws=100, seed=4) == monte_carlo(chain, draws=100, seed=4)


def test_monte_carlo_says_where_the_first_order_fails(gauge_chain):
    # A web burnout known to 30 % of the action time: 1/t is no longer a straight line, and the
    # burnout cannot come after the end of action.
    readings = tuple(
        replace(reading, sd=0.3 * (gauge_chain.end - gauge_chain.ignition))
        if reading.key == "burn-time"
        else reading
        for reading in gauge_chain.readings
    )
    drawn = monte_carlo(replace(gauge_chain, readings=readings), draws=300, seed=1)
    assert any(text.startswith("burn rate: ") for text in drawn.differences)


@pytest.mark.parametrize(
    ("draws", "sd", "message"), [(99, 1e-4, "99 draws"), (100, 1.0, "were impossible")]
)
def test_monte_carlo_refuses(gauge_chain, draws, sd, message):
    readings = tuple(
        replace(reading, sd=sd) if reading.key == "core-diameter" else reading
        for reading in gauge_chain.readings
    )
    with pytest.raises(DataError, match=message):
        monte_carlo(replace(gauge_chain, readings=readings), draws=draws, seed=1)


def test_pressure_from_thrust_has_the_nozzles_rows(thrust_chain):
    budget = budget_of(thrust_chain, thrust_chain.run({}))
    rows = rows_of(budget)
    assert rows["efficiency"].reading.sd == 0.02  # given in the record
    assert rows["scale"].reading.unit == "1"
    assert rows["zero"].reading.unit == "N"
    # F = η C_F(p) p A_t: η moves p by −1 over the slope of ln(C_F p) against ln p.
    level = thrust_chain.run({}).pressure
    over = np.array([0.99, 1.01]) * level
    thrust = thrust_coefficient(1.13, (17 / 9) ** 2, over, AMBIENT, math.radians(12)) * over
    slope = np.diff(np.log(thrust))[0] / np.diff(np.log(over))[0]
    expected = -0.02 / 0.95 / slope
    assert rows["efficiency"].pressure_effect == pytest.approx(expected, rel=0.02)
    # From thrust, c* hardly knows of the throat: (∫ F dt / m) / C_F.
    both = rows["throat-before"].c_star_effect + rows["throat-after"].c_star_effect
    assert abs(both) < 0.003


@pytest.mark.parametrize(
    "nozzle",
    [
        Nozzle(9e-3),
        Nozzle(9e-3, exit_diameter=17e-3),
        Nozzle(9e-3, exit_diameter=40e-3, divergence_half_angle=0.2),
        Nozzle(9e-3, exit_diameter=17e-3, divergence_half_angle=0.2, efficiency=0.93),
    ],
    ids=["no-exit", "no-angle", "separated", "known"],
)
def test_the_two_accounts_of_a_thrust_coefficient_agree(sim, nozzle):
    """The budget, and what `pressure_through_nozzle` says of the same nozzle at one thrust."""
    motor = sim.Motor()
    record = sim.firing(motor, nozzle=nozzle, summary=Summary(burn_time=1.8, mean_thrust=260.0))
    result = reduce_firing(record, "base", gas=Gas(), ambient=AMBIENT, density=None, exponent=0.35)
    through = pressure_through_nozzle(
        260.0, nozzle, gamma=None, surroundings=result.chain.case.surroundings, level=260.0
    )
    rows = rows_of(result.budget)
    own = {"throat-before", "throat-wear", "mean", "burn-time", "ambient"}
    parts = [row.pressure_effect for key, row in rows.items() if key not in own]
    parts.append(2.0 * 0.05e-3 / 9e-3)
    assert math.hypot(*parts) == pytest.approx(through.relative_sd, rel=0.12)


def test_stated_and_assumed_are_told_apart(sim):
    motor = sim.Motor()
    nozzle = Nozzle(9e-3, exit_diameter=17e-3, throat_diameter_sd=0.02e-3)
    summary = Summary(burn_time=1.8, burn_time_sd=0.03, mean_pressure=3.9e6, mean_pressure_sd=0.2e6)
    record = sim.firing(motor, nozzle=nozzle, summary=summary)
    result = reduce_firing(record, "base", gas=Gas(), ambient=None, density=None, exponent=0.35)
    rows = rows_of(result.budget)
    assert rows["burn-time"].reading.basis == "stated"
    assert rows["mean"].reading.basis == "stated"
    assert rows["mean"].pressure_effect == pytest.approx(0.2 / 3.9, rel=0.01)
    assert rows["throat-before"].reading.basis == "stated"
    assert rows["throat-wear"].reading.basis == "assumed"
    assert rows["outer-diameter"].reading.basis == "assumed"
    assert result.rate_sd / result.rate_thickness_over_time == pytest.approx(result.budget.rate_sd)
    assert result.pressure_sd == pytest.approx(0.2e6, rel=0.01)
    assert result.characteristic_velocity_sd > 0.0


def test_without_pressure_there_is_no_budget(sim):
    record = sim.firing(sim.Motor(), nozzle=None, summary=Summary(burn_time=1.8, mean_thrust=260.0))
    result = reduce_firing(record, "base", gas=Gas(), ambient=None, density=None, exponent=0.35)
    assert (result.budget, result.rate_sd, result.point) == (None, None, None)


@pytest.mark.parametrize(
    ("grain", "density", "present", "absent"),
    [
        (HollowCylinder(38e-3, 13e-3, 70e-3), 1700.0, {"density", "length"}, {"mass"}),
        (HollowCylinder(38e-3, 13e-3, 70e-3), None, {"length"}, {"mass", "density", "igniter"}),
        (HollowCylinder(38e-3, 13e-3, lengths=(70e-3, 60e-3)), 1700.0, {"density"}, {"length"}),
        (EndBurner(38e-3, 70e-3, mass=0.1), None, {"diameter", "length"}, {"off-centre"}),
        (AreaTable((0.0, 0.01), (5e-3, 6e-3), mass=0.1), None, {"web"}, {"off-centre", "length"}),
    ],
    ids=["density", "neither", "unequal", "end-burner", "table"],
)
def test_every_grain_has_its_own_readings(grain, density, present, absent):
    record = Firing(
        test="S-1",
        batch="B-1",
        grain=grain,
        nozzle=Nozzle(9e-3),
        summary=Summary(burn_time=2.0, mean_pressure=3e6),
        source=Source("x"),
    )
    result = reduce_firing(record, "base", gas=Gas(), ambient=None, density=density, exponent=0.3)
    keys = {row.reading.key for row in result.budget.rows}
    assert present <= keys
    assert not absent & keys
    assert (result.budget.c_star_sd is None) == (result.characteristic_velocity is None)
    for row in result.budget.rows:
        assert math.isfinite(row.rate_effect)


def test_free_volume_of_a_core_and_its_dead_space():
    # Own computation: core π/4·13²·140 mm³, and half a diameter of the full bore.
    expected = math.pi / 4.0 * (0.013**2 * 0.140 + 0.038**2 * 0.019)
    assert free_volume_of(HollowCylinder(38e-3, 13e-3, 70e-3, 2)) == pytest.approx(expected)


def test_a_reading_that_cannot_be_moved_is_refused(gauge_chain):
    readings = tuple(
        replace(reading, value=9e-3, sd=1.0) if reading.key == "throat-before" else reading
        for reading in gauge_chain.readings
    )
    one_sided = replace(gauge_chain, readings=readings)
    assert budget_of(one_sided, one_sided.run({})).c_star_sd > 1.0  # upward alone
    readings = tuple(
        replace(reading, sd=math.inf) if reading.key == "core-diameter" else reading
        for reading in gauge_chain.readings
    )
    broken = replace(gauge_chain, readings=readings)
    with pytest.raises(DataError, match=r"core diameter: 0\.02 ± inf m"):
        budget_of(broken, broken.run({}))
