from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.outliers_influence import OLSInfluence

from strandwise.errors import DataError
from strandwise.reduction.calibration_report import calibration_report_from_arrays

# NIST StRD, Norris: certified values. Here x is what the instrument read, y what was applied.
NORRIS_X = """0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9
338.0 447.5 11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3
229.2 669.1 448.9 0.5"""
NORRIS_Y = """0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8
339.3 448.9 10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6
228.9 668.4 449.2 0.2"""


def norris():
    x, y = (np.array(text.split(), dtype=float) for text in (NORRIS_X, NORRIS_Y))
    return calibration_report_from_arrays(x, y)


def test_norris_as_a_transducer():
    report = norris()
    line = report.line
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept_sd == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope_sd == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert np.sqrt(np.diag(report.covariance)) == pytest.approx(
        [0.232818234301152, 0.429796848199937e-3], rel=1e-10
    )
    assert report.degrees_of_freedom == 34
    # Its rows come in no order of load, so nothing is said of hysteresis.
    assert report.hysteresis is None
    assert report.cautions == ()


def test_the_uncertainty_of_the_line_is_that_of_its_covariance():
    report = norris()
    at = np.array([0.0, 300.0, 1200.0])
    by_hand = np.sqrt(
        report.covariance[0, 0] + 2 * at * report.covariance[0, 1] + at**2 * report.covariance[1, 1]
    )
    assert report.line_sd_at(at) == pytest.approx(by_hand, rel=1e-9)
    assert float(report.line_sd_at(0.0)) == pytest.approx(report.line.intercept_sd)
    assert report.reading_sd_at(at) == pytest.approx(
        np.hypot(by_hand, report.line.residual_sd), rel=1e-9
    )
    assert report.load_at(at) == pytest.approx(report.line.intercept + report.line.slope * at)


def test_intervals_of_altman_and_gardner():
    # Altman and Gardner, Br. Med. J. 296 (1988) 1238, as in references of ordinary least squares.
    x = [91, 104, 107, 107, 106, 100, 92, 92, 105, 108]
    y = [9.8, 7.4, 7.9, 8.3, 8.3, 9.0, 9.7, 8.8, 7.6, 6.9]
    report = calibration_report_from_arrays(x, y)
    a, b = 20.1891143911, -0.1167896679
    assert report.intercept_ci95 == pytest.approx((a - 6.1600719028, a + 6.1600719028), rel=1e-9)
    assert report.slope_ci95 == pytest.approx((b - 0.0607418278, b + 0.0607418278), rel=1e-8)
    assert report.t95 == pytest.approx(2.306, abs=5e-4)  # Student's t, 8 degrees of freedom


def test_curvature_is_the_quadratic_term_of_a_general_regression():
    rng = np.random.default_rng(3)
    loads = np.array([0.0, 1.0, 2.0, 4.0, 6.0, 9.0, 10.0])
    readings = 3.0 + 2.0 * loads + 0.01 * loads**2 + rng.normal(0.0, 0.05, len(loads))
    report = calibration_report_from_arrays(readings, loads)
    other = sm.OLS(readings, np.stack([np.ones_like(loads), loads, loads**2], axis=1)).fit()
    assert report.curvature.p_value == pytest.approx(other.pvalues[2], rel=1e-6)
    fine = np.linspace(0.0, 10.0, 2001)
    read = other.params @ np.stack([np.ones_like(fine), fine, fine**2])
    gap = np.abs(report.load_at(read) - fine).max()
    assert report.curvature.bow == pytest.approx(gap / 10.0, rel=1e-4)


def test_a_bent_table_is_said_to_bend():
    x = np.linspace(0.0, 10.0, 11)
    report = calibration_report_from_arrays(x, 5.0 * x + 0.02 * x**2)
    # y − line is 0.02 (x² − 10 x + 15): −0.2 at the middle, 0.3 at the ends; the span is 52.
    assert report.linearity == pytest.approx(0.3 / 52.0)
    assert report.curvature.bow == pytest.approx(0.3 / 52.0, rel=0.02)
    assert [c.code for c in report.cautions] == ["curved"]
    assert "0.59 % of its span" in report.cautions[0].message


def up_and_down(lag=0.0, noise=0.0, cycles=1, seed=1):
    """Loads 0 … 200 N in fives, up and down; a load reached from above reads `lag` N more."""
    one_way = [0.0, 50.0, 100.0, 150.0, 200.0]
    loads = np.array((one_way + one_way[-2:0:-1]) * cycles + [0.0])
    down = np.zeros(len(loads))
    down[1:] = np.diff(loads) < 0.0
    noises = np.random.default_rng(seed).normal(0.0, noise, len(loads))
    return (loads + lag * down + noises) * 40.0 + 8000.0, loads


def test_hysteresis_between_up_and_down():
    report = calibration_report_from_arrays(*up_and_down(lag=4.0))
    # 4 N of 200 N at the loads reached both ways: 0, 50, 100, 150 (the turn is reached once);
    # the line's own slope, which the lag tilts a little, turns counts into newtons.
    assert report.hysteresis.loads == 4
    assert report.hysteresis.largest == pytest.approx(0.02 * report.line.slope * 40.0)
    assert report.line.slope * 40.0 == pytest.approx(1.0, abs=0.01)
    assert "hysteresis" in [c.code for c in report.cautions]
    assert "reads up to 2 % of the span higher when it is reached from above" in str(
        next(c for c in report.cautions if c.code == "hysteresis")
    )
    assert report.repeatability is None
    reverse = calibration_report_from_arrays(*(column[::-1] for column in up_and_down(lag=4.0)))
    assert reverse.hysteresis.loads == 4


def test_a_falling_signal_has_the_same_hysteresis():
    readings, loads = up_and_down(lag=4.0)
    report = calibration_report_from_arrays(-readings, loads)
    assert report.hysteresis.largest == pytest.approx(0.02, rel=0.02)


def test_repeatability_is_the_scatter_of_repeats_without_the_hysteresis():
    readings, loads = up_and_down(lag=4.0, noise=0.3, cycles=40)
    report = calibration_report_from_arrays(readings, loads)
    assert report.repeatability == pytest.approx(0.3 / 200.0, rel=0.08)
    # By hand: three readings of 10 N, 0.01 N apart, two of 0 N that agree.
    small = calibration_report_from_arrays([0.0, 0.0, 9.99, 10.0, 10.01], [0, 0, 10, 10, 10])
    assert small.repeatability == pytest.approx(np.sqrt(2e-4 / 3) / 10, rel=1e-3)
    assert [c.code for c in small.cautions] == ["two-loads"]


def test_a_row_written_down_wrong_is_named():
    readings, loads = up_and_down(noise=0.1)
    readings[3] += 40.0 * 9.0
    report = calibration_report_from_arrays(readings, loads)
    codes = [c.code for c in report.cautions]
    assert codes[0] == "odd-row"
    assert "row 4 (reading" in report.cautions[0].message
    influence = OLSInfluence(sm.OLS(loads, sm.add_constant(readings)).fit())
    assert np.argmax(np.abs(influence.resid_studentized_external)) == 3
    clean = calibration_report_from_arrays(*up_and_down(noise=0.1))
    assert clean.cautions == ()


def test_sound_tables_raise_few_cautions_and_their_intervals_cover():
    # Own computation: 2,000 tables of 7 rows; two tests at 1 % each, an interval at 95 %.
    rng = np.random.default_rng(11)
    x = np.linspace(1e5, 7e5, 7)
    covered = warned = 0
    for _ in range(2000):
        report = calibration_report_from_arrays(x, 1e-3 * x - 70.0 + rng.normal(0.0, 0.6, len(x)))
        low, high = report.slope_ci95
        covered += low <= 1e-3 <= high
        warned += bool(report.cautions)
    assert 0.935 <= covered / 2000 <= 0.965
    assert warned / 2000 <= 0.03


@pytest.mark.parametrize(
    ("readings", "codes", "words"),
    [
        ([10.0, 20.0], ["few-rows"], "2 rows, so nothing tells how good it is"),
        ([10.0, 20.0, 30.1], ["few-rows"], "3 rows, so its uncertainty is hardly known"),
    ],
)
def test_few_rows(readings, codes, words):
    report = calibration_report_from_arrays(readings, [0.0, 50.0, 100.0][: len(readings)])
    assert [c.code for c in report.cautions][:1] == codes
    assert words in report.cautions[0].message
    known = len(readings) > 2
    assert (report.slope_ci95 is not None) == known
    assert (report.line_sd_at(15.0) is not None) == known
    assert (report.reading_sd_at(15.0) is not None) == known
    assert report.curvature is None


def test_an_exact_table_is_no_fault():
    x = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0]) * 0.1 + 1e6
    report = calibration_report_from_arrays(x, 7.0 * (x - 1e6))
    assert report.cautions == ()
    assert report.linearity < 1e-9


def test_what_is_no_calibration_is_refused():
    with pytest.raises(DataError, match="all 3 rows of the calibration hold one reading"):
        calibration_report_from_arrays([1.0, 1.0, 1.0], [0.0, 1.0, 2.0])


def test_one_step_of_a_converter_in_an_exact_table_is_no_fault():
    counts = np.array([0, 40000, 80000, 120000, 160001])
    report = calibration_report_from_arrays(counts, [0.0, 10.0, 20.0, 30.0, 40.0])
    assert report.odd_row is None
    assert report.cautions == ()
