from __future__ import annotations

import math

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.motor import (
    area_ratio_for_pressure,
    equilibrium_pressure,
    exponent_from_two_firings,
    thrust_coefficient,
)

COURSE = {"rate": 9.0e-3, "at": 7.5e6, "exponent": 0.30, "density": 1800.0}  # Part III, A1


def in_si(coefficient, exponent):
    """Law r = coefficient · p^n with p in Pa, as a rate at 1 MPa."""
    return {"rate": coefficient * 1e6**exponent, "at": 1e6, "exponent": exponent}


def test_exam_question_of_a_throat_for_fifty_bar():
    # Aerospace entrance examination question 156245: 6.65e-3 p^0.45 mm/s, 0.314 m², c* 1450 m/s,
    # 50 bar; answer 38 mm (37.88 recomputed).
    law = in_si(6.65e-6, 0.45)
    ratio = area_ratio_for_pressure(50e5, **law, density=1800.0, characteristic_velocity=1450.0)
    diameter = math.sqrt(4.0 / math.pi * 0.314 / float(ratio))
    assert diameter == pytest.approx(37.88e-3, abs=0.01e-3)


def test_open_course_exam_a2():
    # "PROPULSION — A Rocket Propulsion Engineering Course", Part III, exam key A2.
    p = float(equilibrium_pressure(260.0, **COURSE, characteristic_velocity=1520.0))
    assert p == pytest.approx(5.982415e6, rel=1e-6)
    throat = math.pi / 4.0 * 0.180**2
    rate = COURSE["rate"] * (p / COURSE["at"]) ** 0.30
    assert rate == pytest.approx(8.409828e-3, rel=1e-6)
    assert p * throat / 1520.0 == pytest.approx(100.15, abs=0.01)
    force = float(thrust_coefficient(1.17, 12.0, p, 0.0)) * p * throat
    assert force == pytest.approx(271.7e3, rel=3e-4)
    assert force / (p * throat / 1520.0) / 9.80665 == pytest.approx(276.675, abs=0.01)


def test_open_course_exam_b1_area_table():
    # The same, B1: area over web to pressure over web, and burn time by mean rates.
    web = np.array([0, 20, 40, 60, 80, 100, 115]) / 1e3
    area = np.array([4.20, 4.55, 4.72, 4.70, 4.40, 3.60, 2.10])
    ratio = area / (math.pi / 4.0 * 0.150**2)
    p = equilibrium_pressure(ratio, **COURSE, characteristic_velocity=1520.0)
    assert p / 1e6 == pytest.approx(
        [5.26220, 5.89967, 6.21707, 6.17947, 5.62379, 4.22211, 1.95490], abs=2e-5
    )
    rate = COURSE["rate"] * (p / COURSE["at"]) ** 0.30
    steps = 2.0 * np.diff(web) / (rate[1:] + rate[:-1])
    assert np.sum(steps) == pytest.approx(14.2746, abs=1e-4)


def test_open_course_exam_b3_bore():
    # The same, B3: bore 0.110 to 0.240 m radius in a throat of 0.120 m.
    areas = 2.0 * math.pi * np.array([0.110, 0.240]) * 2.600 / (math.pi / 4.0 * 0.120**2)
    p = equilibrium_pressure(areas, **COURSE, characteristic_velocity=1520.0)
    assert p / 1e6 == pytest.approx([2.960, 9.023], abs=1e-3)
    assert p[1] / p[0] == pytest.approx(3.0481, abs=1e-4)


@pytest.mark.parametrize(
    ("wear", "area", "pressure", "thrust"),
    [(0.060, 1.0973, 0.8758, 0.9610), (0.130, 1.2164, 0.7559, 0.9195)],
)
def test_open_course_exam_c3_throat_erosion(wear, area, pressure, thrust):
    # The same, C3: a throat of 0.120 m radius wears by 0.060 (0.130) mm/s for 95 s; n 0.30.
    grown = (1.0 + wear * 95.0 / 120.0) ** 2
    assert grown == pytest.approx(area, abs=1e-4)
    gas = {**COURSE, "characteristic_velocity": 1520.0}
    lower = float(equilibrium_pressure(260.0 / grown, **gas) / equilibrium_pressure(260.0, **gas))
    assert lower == pytest.approx(pressure, abs=2e-4)
    assert lower * grown == pytest.approx(thrust, abs=2e-4)


def test_open_course_exam_d2_step():
    # The same, D2: a step from 6.20 to 6.57 MPa is 4.14 % of burning area, or −4.0 % of throat.
    gas = {**COURSE, "characteristic_velocity": 1520.0}
    before, after = area_ratio_for_pressure([6.20e6, 6.57e6], **gas)
    assert after / before == pytest.approx(1.0414, abs=1e-4)
    assert before / after == pytest.approx(1.0 - 0.040, abs=3e-4)


def test_open_course_module_20():
    # The same course, module 20: worked examples 1, 3 and 5.
    gas = {**in_si(3.2e-5, 0.35), "density": 1750.0, "characteristic_velocity": 1500.0}
    assert float(equilibrium_pressure(350.0, **gas)) == pytest.approx(7.488e6, rel=1e-4)
    wider = float(equilibrium_pressure(350.0 / 1.03, **gas))
    assert wider / 7.488253e6 == pytest.approx(0.9555, abs=1e-4)
    assert 1.03 * wider / 7.488253e6 == pytest.approx(0.9842, abs=1e-4)
    ratios = [300, 330, 352, 358, 350, 332, 296, 250, 190, 120, 55]
    expected = [5.907, 6.840, 7.554, 7.753, 7.488, 6.904, 5.787, 4.462, 2.926, 1.443, 0.434]
    assert equilibrium_pressure(ratios, **gas) / 1e6 == pytest.approx(expected, abs=6e-4)


def test_open_course_whiteboard_10_exponent_from_two_firings():
    # The same course, whiteboard problem 10: throat area +5 %, 7.00 to 6.49 MPa: n 0.3550;
    # 1 % in a pressure moves n by about 0.08.
    n, sd = exponent_from_two_firings((1.0, 1.0 / 1.05), (7.00e6, 6.49e6), 0.01)
    assert n == pytest.approx(0.3550, abs=1e-4)
    moved, _ = exponent_from_two_firings((1.0, 1.0 / 1.05), (7.00e6, 6.49e6 * 1.01))
    assert abs(moved - n) == pytest.approx(0.08, abs=0.03)
    assert sd == pytest.approx(math.sqrt(2.0) * 0.0852, abs=0.002)
    assert exponent_from_two_firings((1.0, 1.1), (5e6, 6e6))[1] is None


def test_two_firings_undo_the_balance():
    gas = {**COURSE, "characteristic_velocity": 900.0}
    p = equilibrium_pressure([200.0, 260.0], **gas)
    n, _ = exponent_from_two_firings((200.0, 260.0), (float(p[0]), float(p[1])))
    assert n == pytest.approx(0.30, abs=1e-12)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"exponent": 1.0}, "pressure exponent of 1"),
        ({"density": 0.0}, "density of 0"),
        ({"rate": -1.0}, "rate of -1"),
    ],
)
def test_impossible_balances_are_refused(change, message):
    gas = {**COURSE, "characteristic_velocity": 900.0, **change}
    with pytest.raises(DataError, match=message):
        equilibrium_pressure(200.0, **gas)
    with pytest.raises(DataError, match=message):
        area_ratio_for_pressure(5e6, **gas)


def test_impossible_firings_are_refused():
    gas = {**COURSE, "characteristic_velocity": 900.0}
    with pytest.raises(DataError, match="burning area of 0"):
        equilibrium_pressure(0.0, **gas)
    with pytest.raises(DataError, match="chamber pressure of -1"):
        area_ratio_for_pressure(-1.0, **gas)
    with pytest.raises(DataError, match="all above 0"):
        exponent_from_two_firings((1.0, 0.0), (1e6, 2e6))
    with pytest.raises(DataError, match="the same pressure"):
        exponent_from_two_firings((1.0, 2.0), (1e6, 1e6))
