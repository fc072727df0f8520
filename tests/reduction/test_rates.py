from __future__ import annotations

import math

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.motor import HollowCylinder
from strandwise.reduction import rates_from_arrays
from strandwise.reduction.rates import shape_mismatch

# A cylindrical bore with inhibited ends, quasi-steady: R 0.110 → 0.240 m, throat 0.120 m,
# 9.00 mm/s at 7.50 MPa, n 0.30, ρ 1800 kg/m³, c* 1520 m/s (inputs of an open propulsion course,
# exam B3). Closed form: r(R) = r_i (R/R_i)^(n/(1−n)).
BORE, OUTER, LENGTH = 0.110, 0.240, 2.600
THROAT = math.pi / 4 * 0.120**2
N, RHO, C_STAR = 0.30, 1800.0, 1520.0
A = 9.00e-3 / 7.50e6**N
M = N / (1.0 - N)
P_START = (A * RHO * C_STAR * 2 * math.pi * BORE * LENGTH / THROAT) ** (1.0 / (1.0 - N))
R_START = A * P_START**N
T_BURN = BORE / R_START * ((OUTER / BORE) ** (1.0 - M) - 1.0) / (1.0 - M)


def exact_pressure(time):
    radius = BORE * (1.0 + (1.0 - M) * R_START * np.asarray(time) / BORE) ** (1.0 / (1.0 - M))
    return P_START * (radius / BORE) ** (1.0 / (1.0 - N))


def test_bore_by_closed_form():
    assert pytest.approx(2.9602878e6, rel=1e-7) == P_START
    assert pytest.approx(15.879870, rel=1e-7) == T_BURN
    time = np.linspace(0.0, T_BURN, 20001)
    rates = rates_from_arrays(
        time,
        exact_pressure(time),
        THROAT,
        ignition=0.0,
        web_burnout=T_BURN,
        end=T_BURN,
        web_thickness=OUTER - BORE,
        exponent=N,
    )
    assert rates.mean_pressure == pytest.approx(5.6617588e6, rel=1e-7)
    assert rates.rate_mean_pressure == pytest.approx(5.4689946e6, rel=1e-7)
    assert rates.thickness_over_time == pytest.approx(8.1864645e-3, rel=1e-7)
    # The identity of the rate-mean: exact for a power law; the time-mean reads 1.04 % high.
    assert A * rates.rate_mean_pressure**N == pytest.approx(rates.thickness_over_time, rel=1e-7)
    assert A * rates.mean_pressure**N == pytest.approx(8.2719812e-3, rel=1e-7)
    mass = RHO * math.pi * (OUTER**2 - BORE**2) * LENGTH
    assert rates.pressure_throat_integral / mass == pytest.approx(C_STAR, rel=1e-7)
    assert rates.mass_balance == pytest.approx(rates.thickness_over_time, rel=1e-12)


def test_pressure_follows_its_own_grain_and_no_other():
    time = np.linspace(0.0, T_BURN, 2001)
    own = HollowCylinder(2 * OUTER, 2 * BORE, LENGTH, inhibited=frozenset({"outer", "ends"}))
    other = HollowCylinder(2 * OUTER, 2 * BORE, LENGTH, inhibited=frozenset({"core", "ends"}))
    case = {"ignition": 0.0, "web_burnout": T_BURN, "exponent": N}
    assert shape_mismatch(own, time, exact_pressure(time), **case) < 1e-4
    assert shape_mismatch(other, time, exact_pressure(time), **case) > 0.25


def test_exponent_of_zero_is_the_geometric_mean():
    time = np.linspace(0.0, 1.0, 2001)
    rates = rates_from_arrays(
        time,
        np.exp(time),
        1.0,
        ignition=0.0,
        web_burnout=1.0,
        end=1.0,
        web_thickness=1.0,
        exponent=0.0,
    )
    assert rates.rate_mean_pressure == pytest.approx(math.exp(0.5), rel=1e-6)


@pytest.mark.parametrize(
    ("pressure", "burnout", "message"),
    [(-1.0, 1.0, "pressure of -1"), (1.0, -1.0, "in that order")],
)
def test_impossible_traces_are_refused(pressure, burnout, message):
    time = np.linspace(0.0, 1.0, 11)
    with pytest.raises(DataError, match=message):
        rates_from_arrays(
            time,
            np.full(11, pressure),
            1.0,
            ignition=0.0,
            web_burnout=burnout,
            end=1.0,
            web_thickness=1.0,
            exponent=0.3,
        )
