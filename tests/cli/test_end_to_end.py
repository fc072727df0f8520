"""A campaign without noise goes in as text, and the laws it was made from come out.

What it was made from is stated in LAWS; nothing here is taken from the program's own output.
"""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from typing import Any

import pytest

from strandwise.cli import main

# Formulation: a for mm/s and MPa, n. Invented.
LAWS = {"base": (4.5, 0.40), "chalk-10": (4.1, 0.42), "chalk-20": (3.7, 0.40)}
PRESSURES = (1.2, 2.0, 3.0, 4.5, 6.5)  # MPa, absolute
LENGTH = 80.0  # mm
RECIPES = """
[chalk-10]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]

[chalk-20]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "20 %", with = "calcium-carbonate" }]
"""
# NIST SP 811 (2008), appendix B.8: 1 in = 25.4 mm; 1 psi = 6.894 757 E+03 Pa.
INCH, PSI = 25.4, 6.894757e-3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench folder with three formulations, three batches each, five strands a batch."""
    bench = tmp_path_factory.mktemp("made") / "bench"
    assert main(["init", str(bench)]) == 0

    def run(*words: str) -> int:
        return main(["--bench", str(bench), *words])

    recipe = "potassium-nitrate 65, sorbitol 35"
    assert run("new", "exact", "--recipe", recipe) == 0
    folder = bench / "campaigns" / "exact"
    with (folder / "formulations.toml").open("a", encoding="utf-8") as file:
        file.write(RECIPES)
    number = 0
    with (folder / "strands.csv").open("a", encoding="utf-8") as file:
        for batch in range(9):
            name, formulation = f"B-{batch + 1}", list(LAWS)[batch % 3]
            logged = run("log", "batch", "exact", "--batch", name, "--formulation", formulation)
            assert logged == 0
            a, n = LAWS[formulation]
            for pressure in PRESSURES:
                number += 1
                time = LENGTH / (a * pressure**n)
                file.write(f"T-{number},{name},2026-05-02,{LENGTH},{time!r},{pressure},,,\n")
    assert run("check", "exact") == 0
    return bench


@pytest.fixture
def campaign(made: Path, empty: Path) -> str:
    """The campaign of `made` in a bench folder of one's own, made as a person makes it."""
    shutil.copytree(made, empty, dirs_exist_ok=True)
    return "exact"


def test_every_batch_gives_back_its_law(run: Any, campaign: str) -> None:
    fits = run("fit", campaign, "--json").json["fits"]
    assert [fit["batch"] for fit in fits] == [f"B-{number}" for number in range(1, 10)]
    for fit in fits:
        a, n = LAWS[fit["formulation"]]
        assert fit["a_mm_s_MPa"] == pytest.approx(a, rel=1e-4)
        assert fit["n"] == pytest.approx(n, rel=1e-4)
        assert fit["scatter_percent"] == pytest.approx(0.0, abs=1e-3)
        assert fit["pressure_range_MPa"] == pytest.approx([1.2, 6.5])
        at = a * fit["reference_pressure_MPa"] ** n
        assert fit["rate_at_reference_mm_s"] == pytest.approx(at, rel=1e-4)


@pytest.mark.parametrize("law", ["power", "linear", "two-term"])
def test_every_law_runs(run: Any, campaign: str, law: str) -> None:
    fits = run("fit", campaign, "--law", law, "--batch", "B-1", "--json").json["fits"]
    assert [fit["law"] for fit in fits] == [law]
    assert (fits[0]["a_mm_s_MPa"] is None) == (law != "power")


def test_pooled_formulations_give_back_their_law(run: Any, campaign: str) -> None:
    fits = run("fit", campaign, "--pool", "formulation", "--json").json["fits"]
    assert {fit["batch"]: fit["points"] for fit in fits} == dict.fromkeys(LAWS, 15)
    for fit in fits:
        assert fit["n"] == pytest.approx(LAWS[fit["batch"]][1], rel=1e-4)


@pytest.mark.parametrize("pressure", [2.0, 4.0, 6.0])
def test_the_shifts_are_those_that_were_put_in(run: Any, campaign: str, pressure: float) -> None:
    result = run("compare", campaign, "--at", f"{pressure} MPa", "--json").json
    assert result["pressure_MPa"] == pytest.approx(pressure)
    a0, n0 = LAWS["base"]
    for shift in result["formulations"]:
        a, n = LAWS[shift["formulation"]]
        assert shift["rate_mm_s"] == pytest.approx(a * pressure**n, rel=1e-4)
        if shift["formulation"] != "base":
            expected = 100 * (a * pressure**n / (a0 * pressure**n0) - 1)
            assert shift["shift_percent"] == pytest.approx(expected, abs=0.02)
            assert shift["n_shift"] == pytest.approx(n - n0, abs=2e-4)


def test_the_points_are_length_over_time(run: Any, campaign: str) -> None:
    points = run("reduce", campaign, "--json").json["points"]
    assert len(points) == 45
    for point in points:
        a, n = LAWS[point["formulation"]]
        assert point["rate_mm_s"] == pytest.approx(a * point["pressure_MPa"] ** n, rel=1e-12)


def test_inch_pound_output_is_the_metric_one_converted(run: Any, campaign: str) -> None:
    # r[in/s] = a·(P[psi])^n: a in in/s·psi^-n is a[mm/s·MPa^-n] / 25.4 · (6.894757e-3)^n. By hand
    # for 4.5 and 0.40: 4.5/25.4 = 0.177165; (6.894757e-3)^0.4 = e^(-0.4·4.976993) = 0.136587.
    by_hand = 0.177165 * 0.136587
    assert by_hand == pytest.approx(4.5 / INCH * PSI**0.4, rel=1e-5)
    out = run("fit", campaign, "--batch", "B-1", "--units", "inch-pound").out
    row = next(line for line in out.splitlines() if line.startswith("B-1"))
    assert float(row.split()[6]) == pytest.approx(by_hand, rel=1e-4)
    assert "(psi)" in out
    assert "(in/s)" in out
    at = 4.0 / PSI
    compared = run("compare", campaign, "--at", f"{at} psia", "--units", "inch-pound").out
    rate = 4.5 * 4.0**0.4 / INCH
    assert f"{rate:.3f} in/s" in compared
    assert f"at {at:.0f} psi absolute" in compared


def test_extrapolation_is_never_silent(run: Any, campaign: str) -> None:
    result = run("compare", campaign, "--at", "20 MPa", "--json").json
    for shift in result["formulations"]:
        assert "extrapolated" in {warning["code"] for warning in shift["warnings"]}
    assert "extrapolated" in run("compare", campaign, "--at", "20 MPa").out


def test_strands_logged_by_options_are_those_typed_by_hand(run: Any, campaign: str) -> None:
    a, n = LAWS["base"]
    psig = 350.0
    # Standard atmosphere at sea level, 101 325 Pa: NIST SP 811, appendix B.8.
    absolute = psig * PSI + 0.101325
    time = 3.125 * INCH / (a * absolute**n)
    settings = Path("campaigns/exact/campaign.toml")
    text = settings.read_text(encoding="utf-8")
    settings.write_text(f'ambient_pressure = "101.325 kPa"\n{text}', encoding="utf-8")
    logged = run(
        "log", "strand", campaign, "--test", "T-99", "--batch", "B-1", "--length", "3 1/8 in",
        "--time", f"{time!r} s", "--pressure", "350 psig", "--json",
    ).json  # fmt: skip
    assert logged["pressure_MPa"] == pytest.approx(absolute, rel=1e-6)
    assert logged["rate_mm_s"] == pytest.approx(a * absolute**n, rel=1e-6)
    fit = run("fit", campaign, "--batch", "B-1", "--json").json["fits"][0]
    assert fit["points"] == 6
    assert fit["n"] == pytest.approx(n, rel=1e-4)
    assert math.isfinite(fit["n_sd"])
