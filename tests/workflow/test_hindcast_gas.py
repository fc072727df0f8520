"""Whose characteristic velocity a hindcast takes, and why it does not take the others'."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from strandwise.records import Gas, find_bench, read_campaign
from strandwise.workflow.hindcast import hindcast_campaign
from strandwise.workflow.reducing import ReducedCampaign, reduce_campaign

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def reduced() -> ReducedCampaign:
    """The demonstration without a stated gas: F-02 has thrust alone, F-04 was read by hand."""
    campaign = read_campaign(find_bench(ROOT, stated=ROOT).campaign("demo")).sound()
    settings = dataclasses.replace(campaign.settings, gas=Gas(specific_heat_ratio=1.13))
    return reduce_campaign(dataclasses.replace(campaign, settings=settings))


def with_gauge(reduced: ReducedCampaign, *names: str) -> ReducedCampaign:
    """As if these firings alone had a gauge; all have a c* that `reduce` prints."""
    firings = tuple(
        dataclasses.replace(
            one,
            pressure_from="gauge" if one.test in names else "thrust",
            characteristic_velocity=880.0,
            characteristic_velocity_sd=20.0,
        )
        for one in reduced.firings
    )
    return dataclasses.replace(reduced, firings=firings)


def test_a_firing_without_a_gauge_is_named_with_the_reason(reduced: ReducedCampaign) -> None:
    found = hindcast_campaign(with_gauge(reduced, "F-02"), draws=300)
    skipped = dict(found.skipped)
    # F-02 alone has a gauge: nobody else's c* is left for it, though reduce prints some.
    assert skipped["F-02"].startswith("no characteristic velocity c* is stated, and none of")
    for test in ("F-01", "F-03"):
        assert f"{test}: its pressure, and so its c*, is from the thrust" in skipped["F-02"]
    (told,) = [one.message for one in found.cautions if one.code == "gas-by-firings"]
    assert "every other firing is predicted with that of F-02; left out: F-01 (its" in told
    assert "mean" not in told


def test_several_are_averaged_without_the_one_that_is_predicted(reduced: ReducedCampaign) -> None:
    found = hindcast_campaign(with_gauge(reduced, "F-01", "F-03"), draws=300)
    (told,) = [one.message for one in found.cautions if one.code == "gas-by-firings"]
    assert "each firing is predicted with the mean of those of F-01, F-03, never its own" in told
