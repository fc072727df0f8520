from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.motor import (
    Nozzle,
    exit_pressure_ratio,
    flow_separates,
    optimum_thrust_coefficient,
    pressure_from_thrust,
    thrust_coefficient,
)


def test_open_course_part_iii_exam_a2():
    # "PROPULSION — A Rocket Propulsion Engineering Course", Part III, exam key A2: γ 1.17,
    # ε 12, vacuum, C_F 1.785039.
    assert float(thrust_coefficient(1.17, 12.0, 5.982415e6, 0.0)) == pytest.approx(
        1.785039, abs=1e-6
    )


def test_niemeyer_ideal_rocket_example():
    # Niemeyer, Rocket Propulsion lecture notes: p_c/p_e 70, γ 1.2, p_e = p_a: ε 9.06, C_F 1.60.
    assert 1.0 / float(exit_pressure_ratio(1.2, 9.0624)) == pytest.approx(70.0, rel=1e-4)
    assert float(thrust_coefficient(1.2, 9.0624, 70e5, 1e5)) == pytest.approx(1.60030, abs=1e-4)


def test_niemeyer_design_example():
    # Niemeyer, same notes: p_c 70 bar, p_a 26.5 kPa, γ 1.2: ε 25.10, C_F 1.75.
    assert 1.0 / float(exit_pressure_ratio(1.2, 25.10)) == pytest.approx(264.2, rel=1e-3)
    assert float(optimum_thrust_coefficient(1.2, 70e5, 26.5e3)) == pytest.approx(1.75, abs=0.005)


def test_divergence_of_fifteen_degrees():
    # NASA SP-8039 p. 29: λ = (1 + cos α)/2, 0.983 at 15°; in vacuum with ε→large the pressure
    # term keeps its value, so the difference is 1.7 % of the momentum term alone.
    straight = float(thrust_coefficient(1.2, 9.0624, 70e5, 1e5))
    conical = float(thrust_coefficient(1.2, 9.0624, 70e5, 1e5, math.radians(15.0)))
    assert conical / straight == pytest.approx(0.983, abs=5e-4)


@pytest.mark.parametrize("ratio", [None, 1.5, 4.0, 12.0])
@pytest.mark.parametrize("gamma", [1.05, 1.13, 1.3])
def test_thrust_rises_with_pressure_without_a_step(ratio, gamma):
    pressure = np.geomspace(1.0001, 200.0, 4000) * 1e5
    thrust = thrust_coefficient(gamma, ratio, pressure, 1e5) * pressure
    assert thrust[0] < 1e-3 * 1e5
    steps = np.diff(thrust)
    assert np.all(steps > 0.0)
    assert np.max(steps / np.diff(pressure)) < 4.0


@settings(max_examples=40)
@given(
    st.floats(1.05, 1.4),
    st.one_of(st.none(), st.floats(1.0, 2.0)),
    st.floats(0.5, 1.0),
    st.floats(5e4, 1.1e5),
)
def test_pressure_from_thrust_undoes_thrust(gamma, widening, efficiency, ambient):
    nozzle = Nozzle(0.01, exit_diameter=None if widening is None else 0.01 * widening)
    pressure = ambient * np.geomspace(1.02, 150.0, 60)
    thrust = (
        efficiency
        * thrust_coefficient(gamma, nozzle.area_ratio, pressure, ambient)
        * pressure
        * nozzle.throat_area
    )
    back = pressure_from_thrust(thrust, nozzle, gamma=gamma, ambient=ambient, efficiency=efficiency)
    # Kinks of the curve, where the throat chokes and the flow attaches, lie below 6 times ambient.
    assert back == pytest.approx(pressure, rel=1e-4)
    assert back[pressure > 6.0 * ambient] == pytest.approx(
        pressure[pressure > 6.0 * ambient], rel=2e-6
    )


def test_no_thrust_is_ambient_pressure():
    back = pressure_from_thrust([-3.0, 0.0], Nozzle(0.01), gamma=1.13, ambient=9e4, efficiency=0.95)
    assert back == pytest.approx([9e4, 9e4])


def test_a_wide_nozzle_at_low_pressure_separates_and_still_pushes():
    # Common practice, no source: separation at 0.4 of ambient.
    assert flow_separates(1.13, 7.0, 5e5, 1e5)
    assert not flow_separates(1.13, 7.0, 50e5, 1e5)
    separated = float(thrust_coefficient(1.13, 7.0, 5e5, 1e5))
    convergent = float(thrust_coefficient(1.13, None, 5e5, 1e5))
    assert convergent <= separated < float(optimum_thrust_coefficient(1.13, 5e5, 1e5)) + 1e-9


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: Nozzle(0.0), "throat diameter of the nozzle is 0"),
        (lambda: Nozzle(0.01, exit_diameter=0.005), "smaller than the throat"),
        (lambda: Nozzle(0.01, divergence_half_angle=2.0), "half-angle is 114"),
        (lambda: Nozzle(0.01, efficiency=95.0), "efficiency of the thrust coefficient is 95"),
        (lambda: Nozzle(0.01, throat_diameter_sd=-1.0), "standard uncertainty"),
        (lambda: exit_pressure_ratio(1.2, 0.9), "exit area of 0.9"),
        (lambda: thrust_coefficient(0.9, None, 1e6, 1e5), "specific heats of 0.9"),
        (lambda: thrust_coefficient(1.2, None, 1e6, -1.0), "ambient pressure of -1"),
        (
            lambda: pressure_from_thrust(1.0, Nozzle(0.01), gamma=1.2, ambient=0.0, efficiency=1.0),
            "both above 0",
        ),
    ],
)
def test_impossible_nozzles_are_refused(build, message):
    with pytest.raises(DataError, match=message):
        build()


@pytest.mark.parametrize("growth", [1.0, 1.02, 1.10, 1.25])
def test_a_throat_that_wears_changes_the_area_ratio_sample_by_sample(growth):
    nozzle = Nozzle(0.010, throat_diameter_after=0.010 * growth, exit_diameter=0.020)
    area = np.linspace(nozzle.throat_area, nozzle.throat_area_after, 50)
    pressure = 5e6 * np.linspace(1.0, 0.7, 50)
    exit_area = math.pi / 4.0 * 0.020**2
    thrust = [
        0.95 * float(thrust_coefficient(1.13, exit_area / a, p, 1e5)) * p * a
        for a, p in zip(area, pressure, strict=True)
    ]
    back = pressure_from_thrust(
        thrust, nozzle, gamma=1.13, ambient=1e5, efficiency=0.95, throat_area=area
    )
    assert back == pytest.approx(pressure, rel=5e-5)


def test_a_throat_that_wears_to_the_exit_only_converges():
    nozzle = Nozzle(0.010, throat_diameter_after=0.014, exit_diameter=0.012)
    area = np.array([nozzle.throat_area, nozzle.throat_area_after])
    back = pressure_from_thrust(
        [300.0, 300.0], nozzle, gamma=1.13, ambient=1e5, efficiency=0.95, throat_area=area
    )
    ideal = float(thrust_coefficient(1.13, None, float(back[1]), 1e5))
    assert 0.95 * ideal * back[1] * area[1] == pytest.approx(300.0, rel=1e-4)


def test_niemeyer_force_on_the_exit_area():
    # Niemeyer, Rocket Propulsion lecture notes, ideal rocket: F/A_e 1252.5 kN/m² with p_c 70 times
    # the exit pressure of 101.325 kPa, γ 1.2 (recomputed).
    ratio = 9.0624
    coefficient = float(thrust_coefficient(1.2, ratio, 70.0 * 101325.0, 101325.0))
    assert coefficient * 70.0 * 101325.0 / ratio == pytest.approx(1252.5e3, rel=1e-3)


def test_niemeyer_design_at_sea_level():
    # The same notes, design example: 100 kN at 10 km (26.5 kPa), p_c 70 bar, γ 1.2, c* 1500 m/s:
    # A_t 0.0082 m², 38.14 kg/s, 267.3 s; 84.7 kN at sea level.
    high = float(thrust_coefficient(1.2, 25.10, 70e5, 26.5e3))
    throat = 100e3 / (high * 70e5)
    assert throat == pytest.approx(0.0082, abs=5e-5)
    flow = 70e5 * throat / 1500.0
    assert flow == pytest.approx(38.14, abs=0.05)
    assert 100e3 / flow / 9.80665 == pytest.approx(267.3, abs=0.3)
    # The example lets the nozzle flow full at sea level; there our own rule sees separation.
    full = float(thrust_coefficient(1.2, 25.10, 70e5, 0.0)) - 25.10 * 101325.0 / 70e5
    assert full * 70e5 * throat == pytest.approx(84.7e3, rel=0.002)
    assert flow_separates(1.2, 25.10, 70e5, 101325.0)
    assert float(thrust_coefficient(1.2, 25.10, 70e5, 101325.0)) > full


@pytest.mark.parametrize(
    ("mach", "pressure_ratio", "area_ratio"),
    [(1.5, 0.2724, 1.176), (2.0, 0.1278, 1.688), (3.0, 0.02722, 4.235), (4.0, 0.006586, 10.72)],
)
def test_naca_1135_table_ii(mach, pressure_ratio, area_ratio):
    # NACA Report 1135 (1953), table II, γ 1.4 (from memory): p/p_t and A/A* at a Mach number.
    found = float(exit_pressure_ratio(1.4, area_ratio))
    assert found == pytest.approx(pressure_ratio, rel=2e-3), mach
