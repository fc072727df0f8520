from __future__ import annotations

import numpy as np
import pytest

from strandwise.errors import RequestError
from strandwise.ratelaw import LAWS, law_named

X = np.linspace(-1.2, 1.0, 23)
P0 = 3.2e6


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize("n", [0.4, 0.62])
def test_the_two_ways_to_write_a_law_agree(name: str, n: float) -> None:
    law = LAWS[name]
    coefficients = np.real(law.coefficients(np.log(8e-3), n, P0))
    direct = law.rate(P0 * np.exp(X), coefficients, P0)
    assert np.exp(law.log_rate(X, np.log(8e-3), n)) == pytest.approx(direct, rel=1e-12)


@pytest.mark.parametrize("name", LAWS)
@pytest.mark.parametrize("n", [0.4, 0.62])
def test_n_is_the_slope_at_the_reference_pressure(name: str, n: float) -> None:
    law = LAWS[name]
    assert law.log_rate(np.zeros(1), -4.8, n) == pytest.approx([-4.8], abs=1e-15)
    assert law.log_slope(np.zeros(1), n) == pytest.approx([n], rel=1e-12)


@pytest.mark.parametrize("name", LAWS)
def test_derivatives_are_those_of_finite_differences(name: str) -> None:
    law, n, h = LAWS[name], 0.45, 1e-6
    slope = (law.log_rate(X + h, -4.8, n) - law.log_rate(X - h, -4.8, n)) / (2 * h)
    assert law.log_slope(X, n) == pytest.approx(slope, abs=1e-8)
    gradient = law.log_gradient(X, n)
    by_n = (law.log_rate(X, -4.8, n + h) - law.log_rate(X, -4.8, n - h)) / (2 * h)
    assert gradient[:, 0] == pytest.approx(np.ones(X.size))
    assert gradient[:, 1] == pytest.approx(by_n, abs=1e-8)
    above = np.real(law.coefficients(-4.8, n + h, P0))
    below = np.real(law.coefficients(-4.8, n - h, P0))
    assert law.coefficient_gradient(-4.8, n, P0)[:, 1] == pytest.approx(
        (above - below) / (2 * h), rel=1e-7
    )


def test_linear_and_two_term_by_hand() -> None:
    # r = b + a·P with a = 1e-9 m/(s·Pa), b = 4 mm/s: 8 mm/s at 4 MPa, where n = aP/r = 0.5.
    assert np.real(LAWS["linear"].coefficients(np.log(8e-3), 0.5, 4e6)) == pytest.approx(
        [1e-9, 4e-3]
    )
    # 1/r = a/P + b/P^(1/3) with both terms alike at P0: n = 1/2 + 1/6.
    a, b = np.real(LAWS["two-term"].coefficients(np.log(8e-3), 2.0 / 3.0, 4e6))
    assert a / 4e6 == pytest.approx(0.5 / 8e-3)
    assert b / 4e6 ** (1 / 3) == pytest.approx(0.5 / 8e-3)


def test_sutton_example_11_1_burning_rates() -> None:
    # Sutton & Biblarz, Rocket Propulsion Elements, 7th ed., Example 11-1 (text of an online
    # copy): r = a·p^n, p in psi, r in in/s; the book's figures are rounded by up to 3 %.
    pressure = np.array([500.0, 1000.0, 1500.0, 2000.0, 2500.0])
    power = LAWS["power"]
    for a, n, printed in (
        (0.00137, 0.9, [0.367, 0.685, 0.994, 1.28, 1.56]),
        (0.060, 0.4, [0.720, 0.95, 1.11, 1.26, 1.33]),
    ):
        rate = power.rate(pressure, np.array([a, n]), 1.0)
        assert rate == pytest.approx(printed, rel=0.035)


def test_shapes_stay_finite_where_no_propellant_is() -> None:
    for law in LAWS.values():
        assert np.isfinite(law.log_rate(X, 0.0, 5.0)).all()
        assert np.isfinite(law.log_rate(X, 0.0, -5.0)).all()


def test_guess_is_the_straight_line() -> None:
    ln_r0, n = LAWS["power"].guess(X, -4.8 + 0.3 * X)
    assert (ln_r0, n) == pytest.approx((-4.8, 0.3), rel=1e-12)


def test_unknown_law() -> None:
    with pytest.raises(RequestError, match="`cubic`; expected one of power, linear, two-term"):
        law_named("cubic")
