from __future__ import annotations

from collections import Counter

import numpy as np
import numpy.typing as npt
import pytest

from strandwise.errors import DataError
from strandwise.ratelaw import RateFit, RateSeries, fit_batches, grubbs_critical

FloatArray = npt.NDArray[np.float64]

# Piecewise burn rates of potassium nitrate with dextrose and with sorbitol, 65/35, from an open
# strand-burner report of 1999 (coefficients from memory): lowest and highest MPa, a in mm/s, n.
DEXTROSE = (
    (0.103, 0.779, 8.875, 0.619),
    (0.779, 2.572, 7.553, -0.009),
    (2.572, 5.930, 3.841, 0.688),
    (5.930, 8.502, 17.20, -0.148),
    (8.502, 11.20, 4.775, 0.442),
)
SORBITOL = (
    (0.103, 0.807, 10.708, 0.625),
    (0.807, 1.503, 8.763, -0.314),
    (1.503, 3.792, 7.852, -0.013),
    (3.792, 7.033, 3.907, 0.535),
    (7.033, 10.67, 9.653, 0.064),
)


def fit_of(
    pressure: FloatArray,
    rate: FloatArray,
    *,
    rate_sd: float = 0.0,
    reference: float | None = None,
    tests: tuple[str, ...] | None = None,
    kinds: tuple[str, ...] | None = None,
) -> RateFit:
    """Pressures in MPa, rates in mm/s, `rate_sd` relative."""
    (fit,) = fit_batches(
        [series_of(pressure, rate, rate_sd, tests, kinds)], reference_pressure=reference
    )
    return fit


def series_of(
    pressure: FloatArray,
    rate: FloatArray,
    rate_sd: float = 0.0,
    tests: tuple[str, ...] | None = None,
    kinds: tuple[str, ...] | None = None,
) -> RateSeries:
    k = len(pressure)
    return RateSeries(
        label="B-1",
        formulation="base",
        tests=tests or tuple(f"T{i + 1}" for i in range(k)),
        pressure=np.asarray(pressure) * 1e6,
        rate=np.asarray(rate) * 1e-3,
        pressure_sd=np.zeros(k),
        rate_sd=rate_sd * np.asarray(rate) * 1e-3,
        kinds=kinds or ("strand",) * k,
    )


def scattered(
    k: int, n: float = 0.4, seed: int = 0, sd: float = 0.02
) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    pressure = np.geomspace(1.0, 7.0, k)
    return pressure, 6.0 * pressure**n * np.exp(sd * rng.normal(size=k))


def codes(fit: RateFit) -> set[str]:
    return {caution.code for caution in fit.cautions}


def message(fit: RateFit, code: str) -> str:
    (text,) = [caution.message for caution in fit.cautions if caution.code == code]
    return text


# --- Grubbs ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n", "one_sided"),
    # ASTM E178, table of one-sided 5 % values (from memory; they agree with the exact formula).
    [(3, 1.153), (4, 1.463), (5, 1.672), (6, 1.822), (7, 1.938), (8, 2.032), (9, 2.110),
     (10, 2.176), (12, 2.285), (15, 2.409), (20, 2.557), (30, 2.745)],
)  # fmt: skip
def test_grubbs_one_sided_table(n: int, one_sided: float) -> None:
    assert grubbs_critical(n, 0.05, two_sided=False) == pytest.approx(one_sided, abs=1.1e-3)


@pytest.mark.parametrize(
    ("n", "level", "value"),
    # The same table at 10 % and 1 % (recomputed from Student's t to four digits).
    [(3, 0.1, 1.1484), (6, 0.1, 1.7289), (12, 0.1, 2.1341), (30, 0.1, 2.5651),
     (3, 0.01, 1.1546), (6, 0.01, 1.9442), (12, 0.01, 2.5494), (30, 0.01, 3.1029)],
)  # fmt: skip
def test_grubbs_one_sided_at_other_levels(n: int, level: float, value: float) -> None:
    assert grubbs_critical(n, level, two_sided=False) == pytest.approx(value, abs=6e-5)


@pytest.mark.parametrize(
    ("n", "two_sided"),
    [(3, 1.1543), (4, 1.4813), (5, 1.7150), (6, 1.8871), (7, 2.0200), (8, 2.1266), (9, 2.2150),
     (10, 2.2900), (12, 2.4116), (15, 2.5483), (20, 2.7082), (30, 2.9085)],
)  # fmt: skip
def test_grubbs_two_sided_is_one_sided_at_half_the_level(n: int, two_sided: float) -> None:
    # ASTM E178 one-sided 2.5 %; a circulating two-sided table prints 2.202 for n = 7, wrongly.
    assert grubbs_critical(n, 0.05) == pytest.approx(two_sided, abs=5.1e-5)


def test_grubbs_worked_example() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1 (from memory): G = 2.468765,
    # critical value 2.031652.
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    largest = (values.max() - values.mean()) / values.std(ddof=1)
    assert largest == pytest.approx(2.468765, abs=1e-6)
    assert grubbs_critical(8, 0.05, two_sided=False) == pytest.approx(2.031652, abs=1e-6)


@pytest.mark.parametrize(("n", "regression"), [(2, False), (3, True)])
def test_too_few_for_an_outlier_test(n: int, regression: bool) -> None:
    with pytest.raises(DataError, match="no outlier test"):
        grubbs_critical(n, regression=regression)


def test_six_strands_alone_do_not_show_what_eight_other_batches_do() -> None:
    # Leaves one strand 25 % off among six: about that batch's own line the largest possible
    # deviation is 2 (the square root of its 4 degrees of freedom), so own evidence stays thin.
    batches = [series_of(*scattered(6, seed=seed, sd=0.016)) for seed in range(9)]
    pressure, rate = scattered(6, seed=4, sd=0.016)
    rate[2] *= 1.25
    batches[4] = series_of(pressure, rate)
    fits = fit_batches(batches)
    named = {fit.label: c.tests for fit in fits for c in fit.cautions if c.code == "outlier"}
    assert list(named.values()) == [("T3",)]
    assert "times the scatter of the other batches" in message(fits[4], "outlier")


def test_an_outlier_is_named_and_kept() -> None:
    pressure, rate = scattered(9, seed=1)
    rate[4] *= 1.25
    fit = fit_of(pressure, rate)
    assert "test T5" in message(fit, "outlier")
    assert "kept" in message(fit, "outlier")
    assert fit.points == 9


# --- false and true alarms ------------------------------------------------------------------------


@pytest.mark.parametrize("k", [6, 12])
def test_alarms_ring_as_often_as_they_say_where_all_is_well(k: int) -> None:
    rng = np.random.default_rng(k)
    batches = []
    for _ in range(800):
        pressure = np.geomspace(1.0, 7.0, k)
        rate = 6.0 * pressure**0.4 * np.exp(0.02 * rng.normal(size=k))
        batches.append(series_of(pressure, rate, 0.02))
    alone = [fit for one in batches for fit in fit_batches([one])]
    count = Counter(caution.code for fit in alone for caution in fit.cautions)
    misstated = {"uncertainty-understated", "uncertainty-overstated"}
    assert set(count) <= {"outlier", "not-a-power-law", *misstated}
    assert 20 <= count["outlier"] <= 62  # 5 % of 800, three standard deviations
    assert count["not-a-power-law"] <= 38  # at most 3 %
    assert 1 <= count["uncertainty-overstated"] <= 17  # 1 %
    assert count["uncertainty-understated"] <= 17


def test_an_outlier_is_named_by_chance_in_one_campaign_of_twenty() -> None:
    rng = np.random.default_rng(11)
    named = 0
    for _ in range(400):
        pressure = np.geomspace(1.0, 7.0, 6)
        rates = 6.0 * pressure**0.4 * np.exp(0.02 * rng.normal(size=(9, 6)))
        fits = fit_batches([series_of(pressure, rate) for rate in rates])
        named += any(c.code == "outlier" for fit in fits for c in fit.cautions)
    assert 8 <= named <= 33  # 5 % of 400, three standard deviations


def piecewise(
    pressure: FloatArray, law: tuple[tuple[float, float, float, float], ...]
) -> FloatArray:
    return np.array(
        [next(a * p**n for low, high, a, n in law if p <= high * 1.0001) for p in pressure]
    )


@pytest.mark.parametrize("law", [DEXTROSE, SORBITOL], ids=["dextrose", "sorbitol"])
@pytest.mark.parametrize("k", [10, 13, 27])
@pytest.mark.parametrize("ends", [(0.103, 10.67), (0.5, 6.0)], ids=["whole", "middle"])
def test_plateaus_are_no_power_law(
    law: tuple[tuple[float, float, float, float], ...], k: int, ends: tuple[float, float]
) -> None:
    pressure = np.geomspace(*ends, k)
    fit = fit_of(pressure, piecewise(pressure, law))
    assert "not-a-power-law" in codes(fit)
    assert "wrong even inside the range" in message(fit, "not-a-power-law")


@pytest.mark.parametrize("law", [DEXTROSE, SORBITOL], ids=["dextrose", "sorbitol"])
def test_repeats_show_a_plateau_that_few_pressures_would_hide(
    law: tuple[tuple[float, float, float, float], ...],
) -> None:
    once = np.geomspace(0.103, 10.67, 6)
    assert "scatter-large" in codes(fit_of(once, piecewise(once, law)))
    twice = np.repeat(once, 2)
    noise = np.exp(0.02 * np.random.default_rng(3).normal(size=12))
    assert "not-a-power-law" in codes(fit_of(twice, piecewise(twice, law) * noise))


def test_one_bend_is_no_power_law() -> None:
    pressure, rate = scattered(8, sd=0.01)
    rate = rate * (pressure / 2.6) ** np.where(pressure > 2.6, 0.4, 0.0)
    assert "not-a-power-law" in codes(fit_of(pressure, rate))


# --- the others -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("k", "few"), [(2, True), (3, True), (4, True), (5, False)])
def test_few_points(k: int, few: bool) -> None:
    assert ("few-points" in codes(fit_of(*scattered(k)))) is few


def test_narrow_range() -> None:
    rate = np.array([9.0, 9.3, 9.9, 10.2, 10.6])
    assert "narrow-pressure-range" in codes(fit_of(np.array([2.0, 2.3, 2.7, 3.0, 3.9]), rate))
    assert "narrow-pressure-range" not in codes(fit_of(np.array([2.0, 2.3, 2.7, 3.0, 4.1]), rate))


@pytest.mark.parametrize(
    ("n", "text"),
    [(0.85, "1/(1 − n) = 6."), (1.05, "no steady pressure"), (0.4, None)],
)
def test_exponent_near_one(n: float, text: str | None) -> None:
    fit = fit_of(*scattered(9, n=n, sd=0.005))
    if text is None:
        assert "exponent-near-one" not in codes(fit)
    else:
        assert text in message(fit, "exponent-near-one")


def test_exponent_that_may_be_near_one() -> None:
    fit = fit_of(*scattered(4, n=0.7, sd=0.08, seed=6))
    assert fit.n is not None
    assert fit.n_ci95 is not None
    assert fit.n < 0.8
    assert fit.n_ci95[1] > 0.9
    assert "do not rule out" in message(fit, "exponent-near-one")


def test_negative_exponent() -> None:
    assert "plateau" in message(fit_of(*scattered(6, n=-0.3)), "negative-exponent")


def test_reference_outside_the_tests() -> None:
    pressure, rate = scattered(6)
    assert "extrapolated" in codes(fit_of(pressure, rate, reference=8e6))
    assert "extrapolated" not in codes(fit_of(pressure, rate, reference=7e6))


def test_one_test_that_decides_n() -> None:
    fit = fit_of(np.array([2.0, 2.1, 2.05, 2.0, 2.1, 6.0]), np.array([8, 8.3, 8.1, 8.1, 8.2, 12.6]))
    assert "test T6" in message(fit, "high-leverage")


def test_uncertainties_that_are_not_what_they_say() -> None:
    pressure, rate = scattered(10, sd=0.07, seed=2)
    assert "uncertainty-understated" in codes(fit_of(pressure, rate, rate_sd=0.008))
    pressure, rate = scattered(10, sd=0.03, seed=2)
    assert "uncertainty-understated" not in codes(fit_of(pressure, rate, rate_sd=0.008))
    assert "uncertainty-overstated" in codes(fit_of(pressure, rate, rate_sd=0.15))
    assert not {"uncertainty-understated", "uncertainty-overstated"} & codes(
        fit_of(pressure, rate, rate_sd=0.03)
    )


def test_pooled_methods_and_repeated_tests() -> None:
    pressure, rate = scattered(6)
    fit = fit_of(
        pressure,
        rate,
        kinds=("strand",) * 4 + ("firing",) * 2,
        tests=("S-1", "S-2", "S-3", "S-4", "F-1", "F-1"),
    )
    assert {"methods-pooled", "points-not-independent"} <= codes(fit)
    assert "F-1" in message(fit, "points-not-independent")


def test_what_to_add_where_nothing_is_decided() -> None:
    one = fit_of(np.array([3.0]), np.array([8.0]))
    assert "only test T1" in message(one, "not-identified")
    same = fit_of(np.array([3.0, 3.0]), np.array([8.0, 8.1]))
    assert "6 MPa or 1.5 MPa" in message(same, "not-identified")


def test_points_on_a_law_are_told_to_be_no_measurements() -> None:
    pressure = np.geomspace(1.0, 7.0, 9)
    fit = fit_of(pressure, 6.0 * pressure**0.4)
    assert codes(fit) == {"no-scatter"}
    assert "rather than measured" in message(fit, "no-scatter")


@pytest.mark.parametrize(("k", "sd", "stated"), [(9, 0.005, 0.0), (4, 0.0, 0.0), (9, 0.0, 0.01)])
def test_no_scatter_is_not_told_of_measurements_few_tests_or_stated_uncertainties(
    k: int, sd: float, stated: float
) -> None:
    pressure, rate = scattered(k, sd=sd, seed=3)
    assert "no-scatter" not in codes(fit_of(pressure, rate, rate_sd=stated))


def test_nothing_is_ever_called_safe() -> None:
    fits = [fit_of(*scattered(k, n=n, sd=0.1)) for k in (2, 3, 5, 9) for n in (-0.2, 0.4, 0.9, 1.1)]
    for fit in fits:
        assert not any("safe" in caution.message for caution in fit.cautions)


def test_a_test_that_says_it_is_wide_is_no_outlier_for_being_off() -> None:
    # Nine batches; two of them with true and stated scatter of 5 % among 1.5 %. Without any
    # outlier, tests were named in 85 % of such campaigns when only scatter was compared.
    rng = np.random.default_rng(5)
    named = 0
    for _ in range(60):
        batches = []
        for number in range(9):
            pressure = np.geomspace(1.0, 7.0, 6)
            sd = 0.05 if number < 2 else 0.015
            rate = 6.0 * pressure**0.4 * np.exp(sd * rng.normal(size=6))
            batches.append(series_of(pressure, rate, sd))
        named += any(c.code == "outlier" for fit in fit_batches(batches) for c in fit.cautions)
    assert named <= 8
