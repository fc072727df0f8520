"""What the picture of a comparison says where one batch stands for a formulation."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.text import Text

from strandwise.report import display_units
from strandwise.report.figures import draw_comparison
from strandwise.tracking import RateObservations, compare_formulations


def words(batches: int) -> str:
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
    found = compare_formulations(observed, baseline="base", pressure=3e6)
    figure = draw_comparison(found, display_units("metric"))
    return " ".join(" ".join(text.get_text() for text in figure.findobj(Text)).split())


@pytest.mark.parametrize(("batches", "one"), [(1, True), (3, False)])
def test_one_batch_of_each_is_said_to_tell_no_difference(batches: int, one: bool) -> None:
    said = words(batches)
    assert ("Hollow: whether it differs from the baseline cannot be told." in said) == one
    assert ("compared as those of the batches tested" in said) == one
    assert ("hollow: no difference was shown" in said) != one
