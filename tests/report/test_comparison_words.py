"""What the picture of a comparison says where one batch stands for a formulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.text import Text

from strandwise.report import display_units
from strandwise.report.figures import draw_comparison
from strandwise.tracking import Comparison, RateObservations, compare_formulations


def comparison(batches: int) -> Comparison:
    rng = np.random.default_rng(2)
    rows = [
        (f"{name}{batch}", name, pressure, 8e-3 * (pressure / 3e6) ** 0.4 * np.exp(effect + noise))
        for name in ("base", "slow")
        for batch in range(batches)
        for effect in [0.02 * rng.normal()]
        for pressure, noise in zip(
            np.geomspace(1e6, 6e6, 5), 0.02 * rng.normal(size=5), strict=True
        )
    ]
    observed = RateObservations(
        test=[f"T{number}" for number in range(len(rows))],
        batch=[row[0] for row in rows],
        formulation=[row[1] for row in rows],
        is_firing=[False] * len(rows),
        pressure=[float(row[2]) for row in rows],
        rate=[float(row[3]) for row in rows],
    )
    return compare_formulations(observed, baseline="base", pressure=3e6)


def words(batches: int) -> str:
    figure = draw_comparison(comparison(batches), display_units("metric"))
    return " ".join(" ".join(text.get_text() for text in figure.findobj(Text)).split())


@pytest.mark.parametrize(("batches", "one"), [(1, True), (3, False)])
def test_one_batch_of_each_is_said_to_tell_no_difference(batches: int, one: bool) -> None:
    said = words(batches)
    assert ("Hollow: whether it differs from the baseline cannot be told." in said) == one
    assert ("compared as those of the batches tested" in said) == one
    assert ("hollow: no difference was shown" in said) != one


def test_no_rate_falls_by_all_of_itself_in_the_picture() -> None:
    found = comparison(batches=3)
    base, slow = found.formulations
    slow = replace(slow, shift=-0.9997, shift_ci95=(-0.99999, 3.0))
    figure = draw_comparison(replace(found, formulations=(base, slow)), display_units("metric"))
    said = " ".join(text.get_text() for text in figure.findobj(Text))
    assert "−99.97 %\n(−99.999 … +300) %" in said
    assert "−100 %" not in said
