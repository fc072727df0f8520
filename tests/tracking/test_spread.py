"""Formulations that spread more than others, and errors that firings share."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from strandwise.tracking import Comparison, RateObservations, analyse, compare_formulations

AT = 3e6
LESS = "batches-vary-less"
PRESSURES = np.geomspace(1.5e6, 6e6, 5)


def campaign(
    counts: dict[str, int],
    *,
    batch_sd: dict[str, float],
    test_sd: dict[str, float] | None = None,
    firings: tuple[int, ...] = (),
    shared: dict[str, float] | None = None,
    seed: int = 0,
) -> RateObservations:
    """Invented: 8 mm/s, n = 0.4 at 3 MPa; `shared` is the common error of a formulation's firings,
    of which the record states 4 %."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, count in counts.items():
        for batch in range(count):
            level = rng.normal(0, batch_sd.get(name, 0.02))
            for index, pressure in enumerate(PRESSURES):
                fired = index in firings
                y = np.log(8e-3) + level + 0.4 * np.log(pressure / AT)
                y += rng.normal(0, (test_sd or {}).get(name, 0.01))
                y += fired * (shared or {}).get(name, 0.0)
                rows.append((f"{name}-{batch}", name, fired, pressure, np.exp(y)))
    batches, names, fired, pressure, rate = zip(*rows, strict=True)
    return RateObservations(
        test=[f"T{index}" for index in range(len(rows))],
        batch=batches,
        formulation=names,
        is_firing=fired,
        pressure=pressure,
        rate=rate,
        rate_sd=[0.042 * r if f else 0.008 * r for r, f in zip(rate, fired, strict=True)],
        shared_sd=[0.04 if f and shared is not None else None for f in fired],
    )


def codes(found: Comparison, name: str) -> set[str]:
    (row,) = (row for row in found.formulations if row.formulation == name)
    return {caution.code for caution in row.cautions}


def compare(observed: RateObservations) -> Comparison:
    return compare_formulations(observed, baseline="base", pressure=AT)


def test_a_formulation_whose_batches_vary_more_is_told_and_has_wider_intervals() -> None:
    spread = {"base": 0.01, "b": 0.12}
    observed = campaign({"base": 6, "b": 4}, batch_sd=spread, seed=3)
    found = compare(observed)
    assert "batches-vary-more" in codes(found, "b")
    assert "batches-vary-more" not in codes(found, "base")
    analysis = analyse(observed, baseline="base", pressure=AT)
    contrast = analysis.shift_contrast("b")
    assert analysis.pooled is not None
    assert contrast is not None
    one_spread = analysis.pooled.contrast(contrast).ci95
    own = analysis.estimate(contrast).ci95
    assert own[1] - own[0] > 1.2 * (one_spread[1] - one_spread[0])
    # Two classes in REML of the level alone: the two spreads themselves (own computation).
    assert analysis.fit.batch_sds is not None
    assert analysis.fit.batch_sds[1] > 4 * analysis.fit.batch_sds[0]


def test_tests_that_scatter_more_are_told() -> None:
    found = compare(campaign({"base": 3, "b": 3}, batch_sd={}, test_sd={"b": 0.08}, seed=2))
    assert "tests-scatter-more" in codes(found, "b")
    # The spread of each is told; that of all together lies between them.
    (row,) = (one for one in found.formulations if one.formulation == "b")
    (text,) = (c.message for c in row.cautions if c.code == "tests-scatter-more")
    own, others = (
        float(x) / 100 for x in re.findall(r"by ([\d.]+) % to their ([\d.]+) %", text)[0]
    )
    assert own == pytest.approx(0.08, rel=0.4)
    assert others < found.within_batch_sd < own


def test_alike_formulations_are_seldom_called_unlike() -> None:
    # Two F-tests at 5 % each, Bonferroni within: at most one campaign in ten.
    told = sum(
        bool(
            analyse(
                campaign({"base": 3, "b": 3}, batch_sd={}, seed=seed),
                baseline="base",
                pressure=AT,
            ).unlike
        )
        for seed in range(150)
    )
    assert told / 150 <= 0.10 + 2 * np.sqrt(0.1 * 0.9 / 150)


def test_what_firings_share_does_not_average_out() -> None:
    # GUM (JCGM 100:2008) 5.2: a common error of 4 % stays 4 % in the offset however many
    # firings there are.
    few, many = (
        compare(campaign({"base": count}, batch_sd={}, firings=(0, 3), shared={}, seed=1))
        for count in (4, 40)
    )
    for found in (few, many):
        low, high = (np.log1p(end) for end in found.method_offset_ci95)
        assert (high - low) / 2 > 1.95 * 0.04
        assert "shared-errors" in {caution.code for caution in found.cautions}
    low, high = (np.log1p(end) for end in many.method_offset_ci95)
    assert (high - low) / 2 == pytest.approx(1.96 * 0.04, rel=0.05)
    without = compare(campaign({"base": 40}, batch_sd={}, firings=(0, 3), seed=1))
    assert np.ptp(without.method_offset_ci95) < 0.5 * np.ptp(many.method_offset_ci95)


@pytest.mark.parametrize("alike", [True, False])
def test_offset_and_shift_cover_whether_formulations_share_the_error_or_not(alike: bool) -> None:
    # Own computation: every campaign draws its common error anew, one for all firings or one for
    # each formulation's; everything is fired, so that the shift rests on firings.
    hits = []
    for seed in range(120):
        rng = np.random.default_rng(seed)
        first = rng.normal(0, 0.04)
        error = {"base": first, "b": first if alike else rng.normal(0, 0.04)}
        observed = campaign(
            {"base": 3, "b": 3}, batch_sd={}, firings=(0, 1, 2, 3, 4), shared=error, seed=seed
        )
        (_, row) = compare(observed).formulations
        hits.append(row.shift_ci95[0] <= 0 <= row.shift_ci95[1])
    assert np.mean(hits) >= 0.95 - 2 * np.sqrt(0.05 * 0.95 / 120)


def test_strands_do_not_take_part_in_what_firings_share() -> None:
    plain = campaign({"base": 3, "b": 3}, batch_sd={}, firings=(), seed=4)
    told = campaign({"base": 3, "b": 3}, batch_sd={}, firings=(), shared={}, seed=4)
    assert compare(plain) == compare(told)


def test_batches_that_agree_are_not_blamed() -> None:
    # One test at a tenth of its rate takes the mean of its batch with it: the F-test finds
    # base's batches apart, and its own scatter of tests, once told apart, explains them.
    spread = {"base": 0.0, "b": 0.03, "c": 0.03}
    observed = campaign({"base": 3, "b": 3, "c": 3}, batch_sd=spread)
    rates = list(observed.rate)
    rates[2] *= 0.1
    found = compare(replace(observed, rate=rates))
    (base,) = (row for row in found.formulations if row.formulation == "base")
    told = {caution.code: caution.message for caution in base.cautions}
    assert "batches-vary-more" not in told
    own, others = re.search(r"differ by (.*) % from.*formulations by (.*) %:", told[LESS]).groups()
    assert float(own) <= float(others)
    assert told[LESS].endswith("look at how b and c are mixed and cast")
