from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import chi, norm
from statsmodels.stats.power import TTestIndPower

from strandwise.errors import DataError
from strandwise.planning import (
    DesignPower,
    DetectableShift,
    critical_t_from_arrays,
    design_power_from_arrays,
    design_sentence,
    designs_that_detect,
    detectable_sentence,
    detectable_shifts,
)
from strandwise.tracking import (
    Analysis,
    RateObservations,
    analyse,
    compare_formulations,
    variance_components,
)

AT = 4e6


def observed(
    *, batches: int, shifts: dict[str, float], batch_sd: float, test_sd: float, seed: int
) -> RateObservations:
    """Invented: three strands at 4 MPa of each batch, 7 mm/s."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, shift in {"base": 0.0, **shifts}.items():
        for batch in range(batches):
            level = np.log(7e-3) + np.log1p(shift) + rng.normal(0, batch_sd)
            rows += [(f"{name}{batch}", name, level + rng.normal(0, test_sd)) for _ in range(3)]
    return RateObservations(
        test=[f"T{index}" for index in range(len(rows))],
        batch=[row[0] for row in rows],
        formulation=[row[1] for row in rows],
        is_firing=[False] * len(rows),
        pressure=[AT] * len(rows),
        rate=[float(np.exp(row[2])) for row in rows],
    )


@pytest.mark.parametrize(("size", "published"), [(0.5, 64), (0.8, 26), (1.0, 17)])
def test_published_group_sizes(size: float, published: int) -> None:
    # J. Cohen, Psychological Bulletin 112 (1992) 155, table 2: two means, 5 % two-sided, power
    # 0.8: medium 64, large 26 a group; 17 for one standard deviation from the 1988 book's table
    # 2.4.1 (from memory).
    (design,) = designs_that_detect(
        np.expm1(0.1 * size), batch_sd=0.1, test_sd=0.0, tests_per_batch=(1,), most_batches=80
    )
    assert design.batches == published
    assert design.power >= 0.8


def integrated(design: DesignPower) -> float:
    """Power from the definition T = (Z + δ)/(χ/√ν), by quadrature over χ/√ν."""
    delta = abs(np.log1p(design.shift)) / design.sd

    def shown(s: float) -> float:
        edge = design.critical_t * s
        outside = norm.sf(edge - delta) + norm.cdf(-edge - delta)
        return float(outside * chi.pdf(s * np.sqrt(design.df), design.df) * np.sqrt(design.df))

    ends = np.linspace(0.0, 8.0, 33)
    return sum(quad(shown, low, high, epsabs=1e-10)[0] for low, high in pairwise(ends))


@settings(max_examples=30)
@given(
    st.floats(0.01, 0.3),
    st.integers(2, 20),
    st.integers(1, 8),
    st.floats(0.005, 0.1),
    st.floats(0.0, 0.1),
)
def test_same_power_as_statsmodels(
    shift: float, batches: int, tests: int, batch_sd: float, test_sd: float
) -> None:
    design = design_power_from_arrays(
        shift, batches=batches, tests_per_batch=tests, batch_sd=batch_sd, test_sd=test_sd
    )
    effect = np.log1p(shift) / np.hypot(batch_sd, test_sd / np.sqrt(tests))
    if effect * np.sqrt(batches / 2) < 6:  # it gives up farther out
        reference = TTestIndPower().power(effect, nobs1=batches, alpha=0.05)
        assert design.power == pytest.approx(reference, abs=1e-6)
    assert design.power == pytest.approx(integrated(design), abs=1e-6)
    slower = design_power_from_arrays(
        -shift / (1 + shift), batches=batches, tests_per_batch=tests, batch_sd=batch_sd,
        test_sd=test_sd,
    )  # fmt: skip
    assert slower.power == pytest.approx(design.power, abs=1e-9)


@pytest.mark.parametrize(
    ("df", "count", "published"), [(5, 2, 3.03), (10, 3, 2.76), (20, 4, 2.65), (60, 6, 2.64)]
)
def test_critical_values_for_many_against_one(df: int, count: int, published: float) -> None:
    # C. W. Dunnett, Biometrics 20 (1964) 482, two-sided 5 % points, equal groups.
    correlation = 0.5 * (np.eye(count) + 1.0)
    assert critical_t_from_arrays(df, correlation) == pytest.approx(published, abs=0.0055)


@pytest.mark.parametrize("formulations", [1, 3])
def test_power_is_what_simulated_campaigns_show(formulations: int) -> None:
    design = design_power_from_arrays(
        -0.06, batches=5, tests_per_batch=3, batch_sd=0.025, test_sd=0.02,
        formulations=formulations,
    )  # fmt: skip
    runs, shown = 250, 0
    for seed in range(runs):
        shifts = {"slow": -0.06} | {f"same{i}": 0.0 for i in range(formulations - 1)}
        observations = observed(batches=5, shifts=shifts, batch_sd=0.025, test_sd=0.02, seed=seed)
        comparison = compare_formulations(observations, baseline="base", pressure=AT)
        (row,) = [found for found in comparison.formulations if found.formulation == "slow"]
        shown += row.shift_p < 0.05
    # Three binomial standard deviations.
    assert shown / runs == pytest.approx(design.power, abs=3 * np.sqrt(0.25 / runs))


def test_fewest_batches_and_no_fewer() -> None:
    designs = designs_that_detect(-0.05, batch_sd=0.025, test_sd=0.02, formulations=3)
    assert [design.tests_per_batch for design in designs] == [1, 2, 3, 4, 6, 8]
    for design in designs:
        assert design.power >= 0.8
        fewer = design_power_from_arrays(
            -0.05, batches=design.batches - 1, tests_per_batch=design.tests_per_batch,
            batch_sd=0.025, test_sd=0.02, formulations=3,
        )  # fmt: skip
        assert fewer.power < 0.8
    batches = [design.batches for design in designs]
    assert batches == sorted(batches, reverse=True)
    assert designs_that_detect(-0.001, batch_sd=0.05, test_sd=0.02, most_batches=20) == ()


def test_a_decision_pressure_off_the_middle_costs_power() -> None:
    given = {"batches": 4, "tests_per_batch": 3, "batch_sd": 0.01, "test_sd": 0.03}
    middle = design_power_from_arrays(0.05, **given)
    assert design_power_from_arrays(0.05, **given, leverage=1.0).power < middle.power


def present(seed: int = 1, **batches: int) -> Analysis:
    observations = observed(
        batches=batches.get("each", 4), shifts={"slow": -0.05}, batch_sd=0.025, test_sd=0.02,
        seed=seed,
    )  # fmt: skip
    return analyse(observations, baseline="base", pressure=AT)


def test_detectable_shift_has_the_power_that_it_says() -> None:
    analysis = present()
    scatter = variance_components(analysis)
    (found,) = detectable_shifts(analysis)
    assert found.slower < 0 < found.faster
    assert np.log1p(found.faster) == pytest.approx(-np.log1p(found.slower))
    design = design_power_from_arrays(
        found.faster, batches=4, tests_per_batch=3, batch_sd=scatter.batch_sd,
        test_sd=scatter.test_sd,
    )  # fmt: skip
    assert design.power == pytest.approx(0.8, abs=1e-4)
    assert detectable_shifts(analysis, power=0.95)[0].slower < found.slower
    assert "with a chance of 80 % only where it is" in detectable_sentence(found)


def test_one_batch_each_detects_nothing() -> None:
    (found,) = detectable_shifts(present(each=1))
    assert (found.slower, found.faster) == (None, None)
    assert detectable_sentence(found) == "no shift of slow can be shown with the tests so far"


@pytest.mark.parametrize(
    ("slower", "faster", "words"),
    [
        (-0.0453, 0.0474, "4.5 % slower or 4.7 % faster"),
        (-0.996, 1.2, "99.6 % slower or 120 % faster"),  # never 1e+02, nor all of the rate
        (-0.99999, 5e9, "99.999 % slower or more than 10000 % faster"),
    ],
)
def test_a_shift_that_can_be_shown_is_told_in_plain_numbers(
    slower: float, faster: float, words: str
) -> None:
    found = DetectableShift(formulation="slow", power=0.8, slower=slower, faster=faster)
    assert words in detectable_sentence(found)


def test_sentence_of_a_design() -> None:
    design = design_power_from_arrays(
        -0.05, batches=7, tests_per_batch=3, batch_sd=0.025, test_sd=0.02, formulations=3
    )
    assert design_sentence(design).startswith(
        "7 batches each of the baseline and of the 3 formulations, with 3 tests of every batch, "
        "show a burn rate 5 % slower"
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"shift": 0.0}, r"burn rate of 0 % cannot"),
        ({"shift": -1.0}, r"burn rate of -100 % cannot"),
        ({"batches": 1}, "1 batches of 1 formulations"),
        ({"tests_per_batch": 0}, "with 0 tests each"),
        ({"batch_sd": 0.0, "test_sd": 0.0}, "not both zero"),
        ({"batch_sd": -0.1}, r"scatter -0\.1"),
        ({"level": 1.0}, r"a level of 1\.0"),
    ],
)
def test_designs_that_cannot_be(change: dict[str, float], message: str) -> None:
    given: dict[str, float] = {
        "shift": 0.05, "batches": 3, "tests_per_batch": 3, "batch_sd": 0.03, "test_sd": 0.02,
    } | change  # fmt: skip
    with pytest.raises(DataError, match=message):
        design_power_from_arrays(given.pop("shift"), **given)  # type: ignore[arg-type]


def test_powers_that_cannot_be() -> None:
    with pytest.raises(DataError, match=r"a power of 1\.0"):
        designs_that_detect(0.05, batch_sd=0.03, test_sd=0.02, power=1.0)
    with pytest.raises(DataError, match=r"a power of 0\.04"):
        detectable_shifts(present(), power=0.04)
