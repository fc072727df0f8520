"""What `fit` says to a person and to a program, on the demonstration."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from strandwise.cli import main

ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True)
def _in_the_bench(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


def test_where_one_more_test_would_fall_is_told_to_programs(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for law in ("power", "segmented"):
        assert main(["fit", "demo", "--pool", "formulation", "--law", law, "--json"]) == 0
        for fit in json.loads(capsys.readouterr().out)["fits"]:
            low, high = fit["rate_at_reference_ci95"]
            new_low, new_high = fit["one_more_test_at_reference_ci95"]
            assert new_low < low < fit["rate_at_reference_mm_s"] < high < new_high


def test_a_wild_test_is_to_be_looked_at_first(capsys: pytest.CaptureFixture[str]) -> None:
    # campaigns/make_demo.py burns S-028 a sixth too fast on purpose.
    assert main(["fit", "demo", "--explain", "M-05", "--units", "metric"]) == 0
    told = capsys.readouterr().out
    assert "look at the record of S-028, which stands out, and repeat it first" in told
    assert "mm/s (95 %)" in told
    # Every test with its residual and leverage, by pressure.
    table = told[told.index("Tests of M-05, by pressure") :]
    places = [table.index(f"S-{number:03d}") for number in (25, 26, 28, 27, 29, 30)]
    assert places == sorted(places)
    assert main(["fit", "demo", "--explain", "M-05", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["repeat"], found["outliers"]) == ("S-028", ["S-028"])
    wild = next(one for one in found["influences"] if one["test"] == "S-028")
    assert wild["off_percent"] > 15.0
    assert wild["expected_mm_s"][1] < 7.0
    # Leverages add up to the parameters of the law (any text on regression).
    assert sum(one["leverage"] for one in found["influences"]) == pytest.approx(2.0)
    assert {one["about"] for one in found["next_tests"]} == {"n", "rate"}


def test_strands_and_firings_as_one_are_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fit", "demo", "--batch", "M-02", "--method", "both", "--json"]) == 0
    (fit,) = json.loads(capsys.readouterr().out)["fits"]
    assert [one["code"] for one in fit["warnings"]].count("methods-pooled") == 1


@pytest.mark.parametrize("beside", [["--pool", "formulation"], ["--batch", "M-01"]])
def test_one_batch_is_explained_at_a_time(
    beside: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["fit", "demo", "--explain", "M-02", *beside]) == 2
    assert "--explain takes one batch" in capsys.readouterr().err


def test_a_choice_on_thin_evidence_is_told_once(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    for batch in ("M-01", "M-04", "M-07"):
        assert main(["fit", "demo", "--law", "auto", "--batch", batch, "--json"]) == 0
        (fit,) = json.loads(capsys.readouterr().out)["fits"]
        assert main(["fit", "demo", "--law", "auto", "--batch", batch]) == 0
        assert capsys.readouterr().out.count(fit["choice"]["reason"]) == 1
