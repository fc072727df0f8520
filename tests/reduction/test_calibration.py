from __future__ import annotations

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.reduction import calibration_from_arrays

# NIST Statistical Reference Datasets, Norris (linear regression, 36 pairs).
X = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0
447.5 11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2
669.1 448.9 0.5"""
Y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3
448.9 10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9
668.4 449.2 0.2"""


def test_nist_norris():
    line = calibration_from_arrays(np.array(X.split(), float), np.array(Y.split(), float))
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope_sd == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)


def test_two_pairs_give_a_line_and_no_error():
    line = calibration_from_arrays([0.0, 100.0], [0.0, 50.0])
    assert (line.slope, line.slope_sd, line.residual_sd) == (0.5, None, None)


@pytest.mark.parametrize(
    ("readings", "loads", "message"),
    [
        ([1.0], [1.0], "1 readings and 1 loads"),
        ([1.0, 2.0], [1.0], "2 readings and 1 loads"),
        ([1.0, 1.0], [1.0, 2.0], "one reading or one load"),
        ([1.0, 2.0], [1.0, np.nan], "not a finite number"),
    ],
)
def test_no_line_no_calibration(readings, loads, message):
    with pytest.raises(DataError, match=message):
        calibration_from_arrays(readings, loads)
