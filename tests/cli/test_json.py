"""The keys and types of the JSON that other programs rely on."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

NUMBER = (int, float)
MAYBE = (int, float, type(None))
PAIR = (list, type(None))
WARNINGS = {"code": str, "message": str}
POINT = {
    "test": str, "batch": str, "formulation": str, "kind": str, "pressure_MPa": NUMBER,
    "pressure_sd_MPa": MAYBE, "rate_mm_s": NUMBER, "rate_sd_mm_s": MAYBE,
    "temperature_degC": MAYBE, "used": bool, "why_not": (str, type(None)),
}  # fmt: skip
FIRING = {
    "test": str, "pressure_from": str, "warnings": list,
    **dict.fromkeys(
        (
            "ignition_s", "web_burnout_s", "end_s", "burn_time_s", "action_time_s",
            "mean_pressure_MPa", "rate_mean_pressure_MPa", "peak_pressure_MPa", "peak_thrust_N",
            "mean_thrust_N", "total_impulse_N_s", "specific_impulse_s",
            "characteristic_velocity_m_s", "rate_thickness_over_time_mm_s",
            "rate_mass_balance_mm_s", "web_mm",
        ),
        MAYBE,
    ),
}  # fmt: skip
FIT = {
    "batch": str, "formulation": str, "law": str, "points": int, "pressure_range_MPa": PAIR,
    "reference_pressure_MPa": NUMBER, "a_mm_s_MPa": MAYBE, "a_ci95": PAIR, "n": MAYBE,
    "n_ci95": PAIR, "n_sd": MAYBE, "rate_at_reference_mm_s": MAYBE,
    "rate_at_reference_ci95": PAIR, "scatter_percent": MAYBE, "warnings": list,
}  # fmt: skip
COMPARISON = {
    "baseline": str, "pressure_MPa": NUMBER, "between_batch_sd_percent": MAYBE,
    "within_batch_sd_percent": MAYBE, "formulations": list, "doses": list,
    "method_offset_percent": MAYBE, "method_offset_ci95": PAIR, "warnings": list,
}  # fmt: skip
SHIFT = {
    "formulation": str, "batches": int, "points": int, "rate_mm_s": MAYBE, "rate_ci95": PAIR,
    "shift_percent": MAYBE, "shift_ci95": PAIR, "shift_p": MAYBE, "n": MAYBE, "n_shift": MAYBE,
    "n_shift_ci95": PAIR, "n_shift_p": MAYBE, "probability_slower": MAYBE,
}  # fmt: skip
DOSE = {
    "ingredient": str, "replaces": (str, type(None)), "formulations": list,
    "percent_per_percent": MAYBE, "ci95": PAIR,
}  # fmt: skip
MIX = {
    "formulation": str, "parent": (str, type(None)), "mass_fractions": dict,
    "oxygen_balance_percent": MAYBE, "void_free_density_g_cm3": MAYBE,
    "oxidiser_fraction": MAYBE, "cautions": list,
}  # fmt: skip
PROBLEM = {
    "file": str, "line": (int, type(None)), "field": (str, type(None)), "problem": str,
    "expected": (str, type(None)),
}  # fmt: skip


def has(item: dict[str, Any], shape: dict[str, Any]) -> None:
    missing = shape.keys() - item.keys()
    assert not missing
    for key, kinds in shape.items():
        assert isinstance(item[key], kinds), (key, item[key])
        if isinstance(item[key], bool):
            assert kinds is bool, key
        if isinstance(item[key], list) and key.endswith(("ci95", "range_MPa")):
            low, high = item[key]
            assert low <= high
    for warning in item.get("warnings", []):
        has(warning, WARNINGS)


def test_check(run: Any, bench: Path) -> None:
    assert run("check", "demo", "--json").json == {"ok": True, "problems": [], "remarks": []}
    with (bench / "campaigns/demo/strands.csv").open("a", encoding="utf-8") as file:
        file.write("S-90,M-01,2026-03-21,60.4,-1,149,,,,\nS-91,M-77,,60,9,149,,,,\n")
    result = run("check", "demo", "--json")
    assert (result.code, result.err) == (1, "")
    assert not result.json["ok"]
    assert len(result.json["problems"]) == 2
    for problem in result.json["problems"]:
        has(problem, PROBLEM)


def test_reduce(run: Any, bench: Path) -> None:
    result = run("reduce", "demo", "--json").json
    rows = (bench / "campaigns/demo/strands.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert len(result["points"]) == len(rows) + 4  # each row a strand, and each firing
    assert result["warnings"] == []
    for point in result["points"]:
        has(point, POINT)
        assert point["kind"] in ("strand", "firing")
        assert point["used"] == (point["why_not"] is None)
    assert [firing["test"] for firing in result["firings"]] == ["F-01", "F-02", "F-03", "F-04"]
    for firing in result["firings"]:
        has(firing, FIRING)
    assert {firing["pressure_from"] for firing in result["firings"]} == {
        "gauge", "thrust", "summary"
    }  # fmt: skip


@pytest.mark.usefixtures("bench")
def test_fit(run: Any) -> None:
    fits = run("fit", "demo", "--json").json["fits"]
    assert len(fits) == 9
    for fit in fits:
        has(fit, FIT)


@pytest.mark.usefixtures("bench")
def test_plan_tells_the_interval_that_its_sentence_tells(run: Any) -> None:
    value = run("plan", "demo", "--json").json["interval_now_percent"]
    assert f"is known to about ±{value:.2g} %" in run("plan", "demo").out


@pytest.mark.usefixtures("bench")
def test_what_is_asked_of_several_formulations_is_said_to_hold_for_all(run: Any) -> None:
    told = "hold for all formulations together"
    assert told in run("compare", "demo", "--slower", "10 %").out
    assert told not in run("compare", "demo", "--within", "10 %").out


@pytest.mark.usefixtures("bench")
def test_compare(run: Any) -> None:
    result = run("compare", "demo", "--json").json
    has(result, COMPARISON)
    assert [shift["formulation"] for shift in result["formulations"]] == [
        "base", "carbonate-10", "carbonate-20"
    ]  # fmt: skip
    for shift in result["formulations"]:
        has(shift, SHIFT)
    base, slower = result["formulations"][0], result["formulations"][2]
    assert base["shift_p"] is None
    assert slower["shift_percent"] < 0
    assert slower["probability_slower"] > 0.5
    (dose,) = result["doses"]
    has(dose, DOSE)


@pytest.mark.usefixtures("bench")
def test_mix_show(run: Any) -> None:
    result = run("mix", "show", "demo", "--json").json["formulations"]
    assert len(result) == 3
    for item in result:
        has(item, MIX)
        assert math.fsum(item["mass_fractions"].values()) == pytest.approx(1.0)
        for caution in item["cautions"]:
            has(caution, WARNINGS)
    only = run("mix", "show", "demo", "carbonate-20", "--json").json["formulations"]
    assert [item["formulation"] for item in only] == ["carbonate-20"]
    assert only[0]["parent"] == "base"


def test_what_cannot_be_known_is_null(run: Any, bench: Path) -> None:
    """One strand carries no law: no number of it is made up, and none is NaN."""
    table = bench / "campaigns/demo/strands.csv"
    table.write_text(
        "test,batch,length (mm),time (s),pressure (psia)\nS-1,M-01,60,9,300\n", encoding="utf-8"
    )
    for firing in (bench / "campaigns/demo/firings").iterdir():
        firing.unlink()
    (fit,) = run("fit", "demo", "--json").json["fits"]
    has(fit, FIT)
    assert (fit["n"], fit["n_ci95"], fit["a_mm_s_MPa"], fit["a_ci95"]) == (None,) * 4
    assert fit["warnings"]
    assert "—" in run("fit", "demo").out


def test_init_new_log_and_demo(
    run: Any, empty: Path, shown_demo: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = run("init", "bench", "--json").json
    assert made == {"bench": str(empty / "bench")}
    inside = ("--bench", "bench")
    recipe = "potassium-nitrate 65, sorbitol 35"
    new = run(*inside, "new", "chalk", "--recipe", recipe, "--json").json
    assert new == {"campaign": "chalk", "folder": str(empty / "bench" / "campaigns" / "chalk")}
    logged = run(
        *inside, "log", "batch", "chalk", "--batch", "B-01", "--formulation", "base", "--json"
    ).json
    assert logged["file"] == "campaigns/chalk/batches.csv"
    assert logged["batch"] == "B-01"
    strand = run(
        *inside, "log", "strand", "chalk", "--test", "T-01", "--batch", "B-01", "--length", "80 mm",
        "--time", "10 s", "--pressure", "2 MPaa", "--json",
    ).json  # fmt: skip
    assert strand["file"] == "campaigns/chalk/strands.csv"
    assert strand["test"] == "T-01"
    assert strand["rate_mm_s"] == pytest.approx(8.0)
    assert strand["pressure_MPa"] == pytest.approx(2.0)
    firing = run(
        *inside, "log", "firing", "chalk", "--test", "F-01", "--batch", "B-01",
        "--outer-diameter", "33 mm", "--core-diameter", "16 mm", "--length", "57.5 mm",
        "--burn-time", "1.1 s", "--mean-pressure", "3 MPaa", "--json",
    ).json  # fmt: skip
    assert firing["file"] == "campaigns/chalk/firings/F-01.toml"
    assert firing["given"]["burn_time"] == "1.1 s"
    # What takes most of its time is looked at where it was done without --json.
    monkeypatch.setattr("strandwise.report.figures.save_figure", lambda *_: None)
    monkeypatch.setattr("strandwise.cli.report.write_report", lambda *_: 0)
    demo = run("demo", "shown", "--json").json
    assert demo["bench"] == str(empty / "shown")
    made = [Path(name).relative_to(empty / "shown") for name in (*demo["pictures"], demo["page"])]
    assert len(made) == 4
    assert all((shown_demo.bench / name).stat().st_size > 10_000 for name in made)
    assert shown_demo.page.read_bytes().startswith(b"<!DOCTYPE html>")
    has(demo["fits"][0], FIT)
    has(demo["comparison"], COMPARISON)


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("command", ["check", "reduce", "fit", "compare", "mix show"])
def test_standard_output_is_one_json_value_and_nothing_else(run: Any, command: str) -> None:
    result = run(*command.split(), "demo", "--json")
    assert result.err == ""
    value, end = json.JSONDecoder().raw_decode(result.out)
    assert isinstance(value, dict)
    assert result.out[end:] == "\n"


@pytest.mark.usefixtures("bench")
def test_a_picture_beside_json_leaves_it_json(run: Any) -> None:
    assert run("fit", "demo", "--json", "--figure", "laws.svg").json["fits"]
    assert run("compare", "demo", "--json", "--figure", "shifts.png").json["baseline"] == "base"
    assert Path("laws.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert Path("shifts.png").read_bytes().startswith(b"\x89PNG")


def test_every_command_takes_the_same_pressure_where_none_is_stated(run: Any, bench: Path) -> None:
    settings = bench / "campaigns" / "demo" / "campaign.toml"
    lines = settings.read_text(encoding="utf-8").splitlines(keepends=True)
    stated = [line for line in lines if line.startswith("reference_pressure")]
    assert len(stated) == 1
    settings.write_text("".join(line for line in lines if line not in stated), encoding="utf-8")
    told = {name: json.loads(run(name, "demo", "--json").out) for name in ("compare", "drift")}
    fits = json.loads(run("fit", "demo", "--json").out)["fits"]
    points = json.loads(run("reduce", "demo", "--json").out)["points"]
    logs = [math.log(point["pressure_MPa"]) for point in points if point["used"]]
    middle = pytest.approx(math.exp(sum(logs) / len(logs)))
    assert [told["compare"]["pressure_MPa"], told["drift"]["pressure_MPa"]] == [middle, middle]
    assert {fit["reference_pressure_MPa"] for fit in fits} == {fits[0]["reference_pressure_MPa"]}
    assert fits[0]["reference_pressure_MPa"] == middle
