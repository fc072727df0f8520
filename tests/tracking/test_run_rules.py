from __future__ import annotations

import numpy as np
import pytest

from strandwise.tracking import run_rule_hits

ZONES = {"beyond-limits", "two-of-three", "four-of-five", "one-side"}


def met(values: list[float]) -> set[tuple[str, bool]]:
    return {(found.rule, found.upwards) for found in run_rule_hits(values) if found.hits.any()}


def run_lengths(rules: set[str], *, seed: int, rows: int = 3000, length: int = 1200) -> np.ndarray:
    """Values of a steady process until the first signal, its centre and spread known."""
    z = np.random.default_rng(seed).normal(size=(rows, length))
    any_hit = np.logical_or.reduce([f.hits for f in run_rule_hits(z) if f.rule in rules])
    assert np.mean(any_hit.any(axis=1)) > 0.95
    return np.where(any_hit.any(axis=1), np.argmax(any_hit, axis=1) + 1.0, length)


@pytest.mark.parametrize(
    ("rules", "published"),
    [
        # Mean run lengths without a shift: C. W. Champ, W. H. Woodall, Technometrics 29 (1987)
        # 393, table 1 (from memory).
        (ZONES, 91.75),
        (ZONES - {"one-side", "four-of-five"}, 225.44),
        (ZONES - {"one-side", "two-of-three"}, 166.05),
        (ZONES - {"two-of-three", "four-of-five"}, 152.73),
    ],
)
def test_mean_run_length_of_a_steady_process(rules: set[str], published: float) -> None:
    lengths = run_lengths(rules, seed=7)
    error = float(np.std(lengths)) / np.sqrt(lengths.size)
    # Runs cut off at 1200 values shorten the longest mean by about 1 %.
    assert np.mean(lengths) == pytest.approx(published, abs=3 * error + 0.01 * published)


def test_all_five_rules_together_alarm_about_every_75_values() -> None:
    # Own computation: what the sentences and the picture say.
    assert np.mean(run_lengths({*ZONES, "trend"}, seed=8)) == pytest.approx(76, abs=4)


@pytest.mark.parametrize(
    ("values", "rule", "upwards"),
    [
        ([0.1, -3.1, 0.2], "beyond-limits", False),
        ([0.1, 2.1, -0.5, 2.2], "two-of-three", True),
        ([-1.2, -1.3, 0.4, -1.1, -1.5], "four-of-five", False),
        ([0.1, 0.4, 0.2, 0.3, 0.1, 0.5, 0.2, 0.4], "one-side", True),
        ([0.5, 0.3, 0.1, -0.1, -0.3, -0.5], "trend", False),
    ],
)
def test_each_rule(values: list[float], rule: str, upwards: bool) -> None:
    assert met(values) == {(rule, upwards)}
    assert met([-value for value in values]) == {(rule, not upwards)}


@pytest.mark.parametrize(
    "values",
    [
        [0.1, 2.9, -2.9, 0.2],
        [2.1, -0.5, 0.3, 2.2],
        [-1.2, -1.3, 0.4, -1.1, 0.2, -1.5],
        [0.1, 0.4, 0.2, 0.3, -0.1, 0.5, 0.2, 0.4],
        [0.5, 0.3, 0.1, 0.1, -0.3, -0.5],
    ],
)
def test_what_just_misses_a_rule(values: list[float]) -> None:
    assert met(values) == set()
