"""Sizes of powders out of the notes of batches, and what a comparison of a campaign says."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from strandwise.records import find_bench, read_campaign
from strandwise.workflow.fitting import fit_campaign
from strandwise.workflow.reducing import reduce_campaign
from strandwise.workflow.tracking import analyse_campaign, compare_campaign, particle_size_of

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("text", "micrometres"),
    [
        ("<90 µm", 90.0),
        ("63 to 90 µm", (63.0 * 90.0) ** 0.5),
        ("63–90 um", (63.0 * 90.0) ** 0.5),
        ("sieved below 0,125 mm", 125.0),
        ("KNO3 90 µm, sorbitol 125 µm", None),
        ("ground by hand", None),
        ("", None),
        ("0 µm", None),
    ],
)
def test_one_size_with_its_unit(text: str, micrometres: float | None) -> None:
    found = particle_size_of(text)
    assert found == (None if micrometres is None else pytest.approx(micrometres * 1e-6))


@pytest.mark.parametrize(
    "order", [("carbonate-20", "base", "carbonate-10"), ("base", "carbonate-10", "carbonate-20")]
)
def test_formulations_stand_in_the_order_of_their_file(order: tuple[str, ...]) -> None:
    campaign = read_campaign(find_bench(ROOT, stated=ROOT).campaign("demo")).sound()
    formulations = {name: campaign.formulations[name] for name in order}
    reduced = reduce_campaign(dataclasses.replace(campaign, formulations=formulations))
    wanted = ("base", *(name for name in order if name != "base"))
    comparison = compare_campaign(reduced)
    assert tuple(row.formulation for row in comparison.formulations) == wanted
    assert analyse_campaign(reduced).names == wanted
    pooled = fit_campaign(reduced, pool=True)
    assert tuple(fit.label for fit in pooled) == order
    # Another order is no other answer.
    shifts = {row.formulation: row.shift for row in comparison.formulations}
    assert shifts["carbonate-20"] == pytest.approx(-0.169, abs=5e-4)


def test_a_test_that_stands_out_is_told_off_a_named_law() -> None:
    reduced = reduce_campaign(read_campaign(find_bench(ROOT, stated=ROOT).campaign("demo")).sound())
    (told,) = [one.message for one in compare_campaign(reduced).cautions if one.code == "outlier"]
    assert told.startswith("test S-028 (+23 %) stands out from the law of its batch fitted without")
    (own,) = [
        one.message
        for fit in fit_campaign(reduced)
        for one in fit.cautions
        if one.code == "outlier"
    ]
    assert own.startswith("test S-028 is +18.6 % off the law that it was itself fitted with, ")
