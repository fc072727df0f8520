"""What `compare` and `drift` answer to requests that make no sense, and in whose name."""

from __future__ import annotations

import json
import math
import re
import shutil
from pathlib import Path

import pytest

from strandwise.cli import main
from strandwise.report.labels import format_change_interval

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("margin", ["0 %", "100 %", "250 %"])
def test_a_margin_that_is_none_is_refused(
    margin: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    assert main(["compare", "demo", "--within", margin]) == 1
    said = capsys.readouterr()
    assert f"--within: `{margin}` is no margin" in said.err
    assert said.out == ""


@pytest.mark.parametrize(
    ("option", "change"), [("--slower", "100 %"), ("--slower", "-5 %"), ("--faster", "1000 %")]
)
def test_a_change_that_cannot_be_asked_for_is_refused(
    option: str, change: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    assert main(["compare", "demo", f"{option}={change}"]) == 1
    said = capsys.readouterr()
    assert f"{option}: `{change}` is no change that could be asked for" in said.err
    assert said.out == ""


def test_whether_a_change_is_shown_stands_in_words_and_in_json(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    assert main(["compare", "demo", "--slower", "0 %", "--faster", "5 %", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)["at_least"]
    assert [(row["formulation"], row["direction"], row["change_percent"]) for row in rows] == [
        ("carbonate-10", "slower", 0.0),
        ("carbonate-20", "slower", 0.0),
        ("carbonate-10", "faster", pytest.approx(5.0)),
        ("carbonate-20", "faster", pytest.approx(5.0)),
    ]
    assert [row["verdict"] for row in rows] == ["shown", "shown", "not-shown", "not-shown"]
    assert main(["compare", "demo", "--slower", "0 %"]) == 0
    assert "carbonate-20 is shown to burn slower than base (at 95 %" in capsys.readouterr().out


@pytest.mark.parametrize("shift", ["0 %", "100 %", "-150 %"])
def test_a_shift_that_cannot_be_is_refused(
    shift: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    assert main(["plan", "demo", "--shift", shift]) == 1
    assert f"--shift: `{shift}` is no change of the burn rate" in capsys.readouterr().err


def test_a_shift_too_small_for_any_design_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    assert main(["plan", "demo", "--shift", "0.1 %"]) == 0
    told = capsys.readouterr().out
    assert "No design of up to 60 batches of each formulation shows a shift of 0.1 %" in told


def test_a_covariate_is_told_in_the_units_of_the_reader(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    asked = ["compare", "demo", "--covariate", "process-temperature"]
    assert main([*asked, "--json"]) == 0
    (slope,) = json.loads(capsys.readouterr().out)["covariates"]
    low, high = (math.log1p(end / 100.0) for end in slope["ci95"])
    # 20 °F are 11.11 K, where the program's own step is 10 K.
    low, high = (100.0 * math.expm1(end * 20.0 / 18.0) for end in (low, high))
    assert main([*asked, "--units", "inch-pound"]) == 0
    said = "20 °F more process temperature shows no measurable change in burn rate: between "
    assert f"{said}{-low:.0f} % slower and {high:.0f} % faster." in capsys.readouterr().out


def test_a_baseline_without_tests_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "campaigns" / "demo"
    shutil.copytree(ROOT / "campaigns" / "demo", folder)
    recipes = folder / "formulations.toml"
    recipes.write_text(
        recipes.read_text(encoding="utf-8") + '[bare]\nparent = "base"\nadd = '
        '[{ ingredient = "calcium-carbonate", parts = 1 }]\n',
        encoding="utf-8",
    )
    for command in ("compare", "plan"):
        assert main(["--bench", str(tmp_path), command, "demo", "--baseline", "bare"]) == 1
        said = capsys.readouterr().err
        assert "no test of the baseline `bare` may be used" in said
        assert "expected one of base, carbonate-10, carbonate-20" in said


def test_a_plateau_is_told_beside_the_shift(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = tmp_path / "bench"
    asked = ["--bench", str(bench), "compare", "flat", "--json"]
    assert main(["init", str(bench)]) == 0
    recipe = "potassium-nitrate 65, sorbitol 35"
    assert main(["--bench", str(bench), "new", "flat", "--recipe", recipe]) == 0
    folder = bench / "campaigns" / "flat"
    formulations = folder / "formulations.toml"
    parts = "potassium-nitrate = 60, sorbitol = 35, calcium-carbonate = 5"
    chalked = f"\n[chalk]\ningredients = {{ {parts} }}\n"
    formulations.write_text(formulations.read_text(encoding="utf-8") + chalked, encoding="utf-8")
    rows, strands = ["batch,formulation"], ["test,batch,length (mm),time (s),pressure (MPa)"]
    for number in range(4):
        rows.append(f"B-{number},{'chalk' if number % 2 else 'base'}")
        for k, pressure in enumerate((1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0)):
            # Above 2 MPa a plateau; one test in two is 0.5 % fast.
            rate = 8.0 * min(pressure / 2.0, 1.0) ** 0.6 * (1.005 if (k + number) % 2 else 1.0)
            strands.append(f"S-{number}-{k},B-{number},80,{80.0 / rate:.4f},{pressure}")
    (folder / "batches.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "strands.csv").write_text("\n".join(strands) + "\n", encoding="utf-8")
    capsys.readouterr()
    assert main(asked) == 0
    told = json.loads(capsys.readouterr().out)
    (bent,) = [c for c in told["warnings"] if c["code"] == "not-a-power-law"]
    assert "batches B-0, B-1, B-2, B-3 bend away" in bent["message"]


def test_two_bad_strands_of_a_batch_and_a_bad_firing_are_all_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "campaigns" / "demo"
    shutil.copytree(ROOT / "campaigns" / "demo", folder)
    shutil.copytree(ROOT / "shared", tmp_path / "shared")
    strands = folder / "strands.csv"
    text = strands.read_text(encoding="utf-8")
    # S-002 took 9.90 s and S-006 6.16 s: 40 % faster, a third slower.
    for true, slip in (("60.0,9.90,", "60.0,7.07,"), ("60.1,6.16,", "60.1,9.24,")):
        assert text.count(true) == 1
        text = text.replace(true, slip)
    strands.write_text(text, encoding="utf-8")
    # A decimal point slipped: ten times as long as its web takes.
    (folder / "firings" / "F-99.toml").write_text(
        'batch = "M-07"\n[grain]\nshape = "hollow-cylinder"\nouter_diameter = "33.0 mm"\n'
        'core_diameter = "16.0 mm"\nlength = "57.5 mm"\nsegments = 2\ninhibited = ["outer"]\n'
        'mass = "133.5 g"\n[nozzle]\nthroat_diameter = "6.60 mm"\n[summary]\nburn_time = "11 s"\n'
        'mean_pressure = "440 psig"\n',
        encoding="utf-8",
    )
    assert main(["--bench", str(tmp_path), "compare", "demo", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (stands,) = [c for c in told["warnings"] if c["code"] == "outlier"]
    named = set(re.findall(r"[SF]-\d+", stands["message"]))
    assert {"S-002", "S-006", "F-99"} <= named
    assert not {"S-001", "S-003", "S-004", "S-005"} & named
    assert "F-99 (−9" in stands["message"]
    assert "without them the shifts would be: carbonate-10 −" in stands["message"]


@pytest.mark.parametrize("at", ["0 psig", "3000 psig"])
def test_drift_says_where_it_is_extrapolated(
    at: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    assert main(["drift", "demo", "--at", at, "--units", "inch-pound", "--json"]) == 0
    (told,) = [
        c["message"]
        for c in json.loads(capsys.readouterr().out)["warnings"]
        if c["code"] == "extrapolated"
    ]
    assert "base was tested from 1" in told
    assert " psi: the rates of its batches at " in told
    assert main(["drift", "demo", "--at", "4 MPa", "--json"]) == 0
    codes = {c["code"] for c in json.loads(capsys.readouterr().out)["warnings"]}
    assert "extrapolated" not in codes
    assert main(["drift", "demo"]) == 0
    assert "moving range (%)" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("ends", "shown"),
    [
        ((-99.74, 3412.0), "(−99.7 … +3400)"),
        ((-99.9998, 5e6), "(−99.9998 … "),
        ((-60.0, 5e4), "(−60 … "),
        ((-0.3, 140.0), "(−0.3 … +140)"),
        ((-16.3, -3.2), "(−16.3 … −3.2)"),
        ((-100.0, 50.0), "(−100 … "),
        (None, "—"),
    ],
)
def test_no_rate_is_said_to_fall_by_all_of_itself(
    ends: tuple[float, float] | None, shown: str
) -> None:
    assert format_change_interval(ends).startswith(shown)
