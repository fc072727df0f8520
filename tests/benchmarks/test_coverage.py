"""A small part of the coverage study as a test; `coverage_study.py` beside it runs the whole."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from strandwise.ratelaw import fit_batches
from strandwise.tracking import Comparison, compare_formulations


def cells_module() -> ModuleType:
    """The designs, from the file beside this one: the tests' folders are not on the path."""
    name = "coverage_cells"
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


cells = cells_module()

# The intervals are to cover 94 to 96 %; so many standard errors are left to the simulation.
ERRORS = 3.0


def within(share: dict[str, float], low: float = 0.94, high: float = 0.96) -> bool:
    return low - ERRORS * share["se"] <= share["share"] <= high + ERRORS * share["se"]


@pytest.mark.parametrize("stated", ["true", "unknown", "understated", "overstated"])
@pytest.mark.parametrize("points", [5, 12, 40])
def test_intervals_of_one_law_cover_and_lose_nothing(stated: str, points: int) -> None:
    # The bound on the variance: Cramér and Rao, from the information at the true pressures.
    found = cells.run_law(cells.LawCell(points, 3.0, stated, "even"), 6000)
    assert [key for key, share in found["covered"].items() if not within(share)] == []
    assert found["ratio"] <= 1.05 + ERRORS * found["ratio_se"]
    assert abs(found["bias_n"]) <= 0.05 * found["sd_n"] + ERRORS * found["bias_n_se"]


@pytest.mark.parametrize("stated", ["true", "understated", "overstated"])
@pytest.mark.parametrize("points", [5, 8, 20])
def test_intervals_cover_where_stated_precision_differs_fourfold(stated: str, points: int) -> None:
    found = cells.run_law(cells.LawCell(points, 8.0, stated, "uneven"), 6000)
    assert [key for key, share in found["covered"].items() if not within(share)] == []


def test_five_hundred_batches_in_four_designs_through_the_public_fit() -> None:
    rng = np.random.default_rng(99)
    designs = [(5, "true", "even"), (8, "unknown", "even"), (12, "understated", "uneven")]
    for points, stated, noise in [*designs, (20, "overstated", "readings")]:
        cell = cells.LawCell(points, 4.0, stated, noise)
        data = cells.simulate_batches(cell, 500, rng)
        series = [cells.series_of(data, row) for row in range(500)]
        fits = fit_batches(series, reference_pressure=cells.MIDDLE)
        hits: dict[str, list[float]] = {"n": [], "rate": []}
        for fit in fits:
            rate = fit.rate_at(cells.MIDDLE)
            for key, interval, truth in (
                ("n", fit.n_ci95, cells.N),
                ("rate", rate.ci95, cells.R0),
            ):
                assert interval is not None
                hits[key].append(float(interval[0] <= truth <= interval[1]))
        shares = {key: {"share": np.mean(hit), "se": 0.0097} for key, hit in hits.items()}
        assert [key for key, share in shares.items() if not within(share)] == [], cell.name


def test_shifts_are_covered_across_batches_that_differ_by_six_per_cent() -> None:
    found = cells.run_campaign(cells.CampaignCell(3, 3, 0.06, "true", False), 140)
    assert found["covered"]["shift"]["share"] >= 0.93 - 2.0 * found["covered"]["shift"]["se"]
    # Batches that have one exponent may be covered more often: how far they differ is estimated.
    assert within(found["covered"]["delta_n"], high=1.0)
    assert found["alarm"]["share"] <= 0.06 + 2.0 * found["alarm"]["se"]
    # 10 % are seen more often than chance would show something.
    assert found["power"]["share"] > 0.15


def test_strands_and_firings_together_give_their_offset() -> None:
    found = cells.run_campaign(cells.CampaignCell(2, 2, 0.06, "unknown", True), 100)
    bounds = {"delta_n": 1.0}
    missed = [
        key
        for key, share in found["covered"].items()
        if not within(share, high=bounds.get(key, 0.96))
    ]
    assert missed == []


def test_exponents_are_covered_across_batches_that_differ_in_them() -> None:
    found = cells.run_campaign(
        cells.CampaignCell(3, 3, 0.06, "unknown", False, 0.03, cells.EDGE), 140
    )
    for key in ("delta_n", "shift"):
        assert within(found["covered"][key], high=1.0)
    for key in ("alarm", "alarm_n"):
        assert found[key]["share"] <= 0.06 + 2.0 * found[key]["se"]


def test_one_batch_of_each_formulation_is_no_evidence() -> None:
    rng = np.random.default_rng(7)
    cell = cells.CampaignCell(1, 1, 0.06, "true", False)
    for _ in range(10):
        observed = cells.simulate_campaign(cell, -0.1, rng)
        found: Comparison = compare_formulations(observed, baseline="base", pressure=3e6)
        assert "not-separable" in {caution.code for caution in found.cautions}
        for one in found.formulations[1:]:
            assert one.shift is not None
            assert (one.shift_p, one.shift_ci95, one.probability_slower) == (None, None, None)
            assert "one-batch" in {caution.code for caution in one.cautions}


def test_a_cell_repeats_exactly() -> None:
    cell = cells.LawCell(6, 3.0, "true", "uneven")
    assert cells.run_cell(cell, 300) == cells.run_cell(cell, 300)
