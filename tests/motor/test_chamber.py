"""The steady balance of a chamber, all its roots."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.motor import steady_pressures


def power(rate, at, exponent):
    return lambda y: math.log(rate) + exponent * (y - math.log(at))


def test_exam_question_of_a_throat_for_fifty_bar():
    # Aerospace entrance examination question 156245: 6.65e-3 p^0.45 mm/s, p in Pa, 0.314 m²,
    # ρ 1800, c* 1450 m/s, 50 bar; answer 38 mm (37.88 done again, A_t 1.12709e-3 m²).
    law = power(6.65e-6, 1.0, 0.45)
    (found,) = steady_pressures(
        law, 0.314 / 1.12709e-3, density=1800.0, characteristic_velocity=1450.0
    )
    assert found == pytest.approx(50e5, rel=2e-5)
    assert math.sqrt(4.0 / math.pi * 1.12709e-3) == pytest.approx(37.88e-3, abs=0.01e-3)
    assert float(np.exp(law(np.log(found)))) == pytest.approx(6.876e-3, rel=1e-4)


def test_area_ratio_of_a_textbook_problem():
    # Sutton & Biblarz, problem on solid propellant: SG 1.71, 14 MPa, 38 mm/s (inputs from memory),
    # c* 1353.7 m/s by γ 1.27, 2220 K, M 23; A_b/A_t 159.2 (own computation).
    (found,) = steady_pressures(
        power(38e-3, 14e6, 0.3), 159.2, density=1710.0, characteristic_velocity=1353.7
    )
    assert found == pytest.approx(14e6, rel=1e-3)


@given(n=st.floats(-0.5, 0.85), rate=st.floats(2e-3, 20e-3), ratio=st.floats(80.0, 500.0))
def test_a_power_law_has_the_root_of_its_closed_form(n, rate, ratio):
    # P = P0·(r0·ρ·c*·K/P0)^(1/(1−n)), own algebra.
    expected = 3.5e6 * (rate * 1780.0 * 890.0 * ratio / 3.5e6) ** (1.0 / (1.0 - n))
    found = steady_pressures(
        power(rate, 3.5e6, n), ratio, density=1780.0, characteristic_velocity=890.0
    )
    if 1.3e5 < expected < 199e6:
        assert found == (pytest.approx(expected, rel=1e-9),)


def test_an_exponent_above_one_has_no_stable_root():
    law = power(8e-3, 3.5e6, 1.2)
    assert steady_pressures(law, 200.0, density=1780.0, characteristic_velocity=890.0) == ()


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"area_ratio": 0.0}, "burning over throat area of 0"),
        ({"density": -1.0}, "density of -1"),
        ({"characteristic_velocity": math.nan}, "characteristic velocity of nan"),
    ],
)
def test_impossible_balances_are_refused(changes, match):
    plain = {"area_ratio": 200.0, "density": 1780.0, "characteristic_velocity": 890.0}
    with pytest.raises(DataError, match=match):
        steady_pressures(power(8e-3, 3.5e6, 0.4), **{**plain, **changes})
