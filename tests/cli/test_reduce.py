"""What `reduce` gives of one firing on request: its budget, drawn readings, its matched trace."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
TRUTH = runpy.run_path(str(ROOT / "campaigns" / "make_demo.py"))["TRUTH"]


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    ("test", "batch", "formulation"), [("F-01", "M-04", "base"), ("F-03", "M-06", "carbonate-20")]
)
def test_a_matched_trace_holds_what_the_campaign_was_made_from(
    run: Any, test: str, batch: str, formulation: str
) -> None:
    (firing,) = run("reduce", "demo", "--match", test, "--json").json["firings"]
    match = firing["match"]
    law = TRUTH.formulations[formulation]

    def holds(interval: list[float], value: float) -> bool:
        return interval[0] <= value <= interval[1]

    assert holds(match["a_ci95"], TRUTH.motor_rate_mm_s(test, batch, 1.0))
    assert holds(match["n_ci95"], law.exponent)
    rate = TRUTH.motor_rate_mm_s(test, batch, match["reference_pressure_MPa"])
    assert holds(match["rate_at_reference_ci95"], rate)
    assert holds(match["characteristic_velocity_ci95"], law.characteristic_velocity)
    assert match["characteristic_velocity_m_s"] == pytest.approx(
        law.characteristic_velocity, rel=0.02
    )
    # One law, twice: at 1 MPa and at the reference.
    at_reference = match["a_mm_s_MPa"] * match["reference_pressure_MPa"] ** match["n"]
    assert match["rate_at_reference_mm_s"] == pytest.approx(at_reference)
    low, high = match["matched_pressures_MPa"]
    assert low < match["reference_pressure_MPa"] < high < firing["peak_pressure_MPa"] * 1.01
    assert match["misfit_percent"] < 1.0
    assert match["warnings"] == []
    efficiency = match["c_star_efficiency"]
    assert holds(match["c_star_efficiency_ci95"], efficiency)


@pytest.mark.usefixtures("bench")
def test_a_match_in_the_units_of_the_reader(run: Any) -> None:
    told = run("reduce", "demo", "--match", "F-01", "--units", "inch-pound").out
    (firing,) = run("reduce", "demo", "--match", "F-01", "--json").json["firings"]
    match = firing["match"]
    # NIST SP 811: 25.4 mm to the inch, 6894.757 Pa to the psi, 0.3048 m to the foot.
    a = match["a_mm_s_MPa"] / 25.4 * 6.894757e-3 ** match["n"]
    row = next(line.split() for line in told.splitlines() if line.startswith("a  "))
    assert row[:5] == ["a", "in/s", "at", "1", "psi"]
    assert float(row[5]) == pytest.approx(a, rel=0.05)
    rows = [line.split() for line in told.splitlines() if line.startswith("c*  ")]
    assert rows[-1][:2] == ["c*", "ft/s"]
    expected = match["characteristic_velocity_m_s"] / 0.3048
    assert float(rows[-1][2]) == pytest.approx(expected, rel=0.005)
    assert "no second firing" in told


@pytest.mark.parametrize(
    ("test", "said"),
    [
        ("F-04", "`F-04` cannot be matched: it was read by hand and has no trace"),
        ("S-001", "`S-001` is a strand"),
        ("F-77", "there is no test `F-77`"),
    ],
)
def test_what_cannot_be_matched(run: Any, bench: Path, digest: Any, test: str, said: str) -> None:
    before = digest(bench)
    result = run("reduce", "demo", "--match", test)
    assert (result.code, result.out) == (1, "")
    assert said in result.err
    assert digest(bench) == before


@pytest.mark.usefixtures("bench")
def test_the_options_name_one_test(run: Any) -> None:
    result = run("reduce", "demo", "--match", "F-01", "--budget", "F-03")
    assert result.code == 2
    assert "name different tests: `F-03`, `F-01`" in result.err
    both = run("reduce", "demo", "--match", "F-01", "--budget", "--draws", "100", "--json").json
    (firing,) = both["firings"]
    assert firing["match"]
    assert firing["monte_carlo"]


@pytest.mark.usefixtures("bench")
def test_drawn_readings_stand_beside_the_first_order(run: Any) -> None:
    words = ("reduce", "demo", "--budget", "F-03", "--draws", "300", "--seed", "2")
    (firing,) = run(*words, "--json").json["firings"]
    drawn = firing["monte_carlo"]
    assert (drawn["draws"], firing["why_no_monte_carlo"]) == (300, None)
    for name in ("rate_mm_s", "pressure_MPa", "characteristic_velocity_m_s"):
        one = drawn[name]
        # Three standard errors of a standard deviation from 300 draws: 3 / √600.
        assert one["sd_percent"] == pytest.approx(one["first_order_sd_percent"], rel=0.13)
        low, high = one["ci95"]
        assert low < one["median"] < high
    assert drawn["rate_mm_s"]["first_order_sd_percent"] == firing["budget"]["rate_sd_percent"]
    assert run(*words, "--json").json["firings"][0]["monte_carlo"] == drawn
    told = run(*words).out
    assert "All readings drawn 300 times" in told
    assert "improve first" in told.lower()


@pytest.mark.usefixtures("bench")
def test_what_is_not_asked_for_is_null(run: Any) -> None:
    for firing in run("reduce", "demo", "--json").json["firings"]:
        assert (firing["match"], firing["monte_carlo"]) == (None, None)


@pytest.mark.usefixtures("bench")
def test_a_budget_of_every_firing_and_why_one_has_none(run: Any) -> None:
    path = Path("campaigns/demo/firings/F-04.toml")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.partition("mean_pressure")[0], encoding="utf-8")
    told = run("reduce", "demo", "--budget", "--draws", "100").out
    assert told.count("Where the uncertainty of") == 3
    assert told.count("All readings of") == 3
    assert "no budget: nothing could be reduced" in told


@pytest.mark.usefixtures("bench")
def test_impulse_and_gas_velocity_in_the_units_of_the_reader(run: Any) -> None:
    (firing,) = run("reduce", "demo", "--test", "F-03", "--json").json["firings"]
    told = run("reduce", "demo", "--test", "F-03", "--units", "inch-pound").out
    lines = {line.rsplit(maxsplit=2)[0].strip(): line.split()[-2:] for line in told.splitlines()
             if line.startswith("  ") and len(line.split()) > 2}  # fmt: skip
    # NIST SP 811: 4.4482216 N to the pound-force, 0.3048 m to the foot.
    number, unit = lines["total impulse"]
    assert unit == "lbf·s"
    assert float(number) == pytest.approx(firing["total_impulse_N_s"] / 4.4482216, rel=0.005)
    (words,) = (line.split() for line in told.splitlines() if line.startswith("  c* "))
    assert (words[2], words[4]) == ("±", "ft/s")
    value, sd = firing["characteristic_velocity_m_s"], firing["characteristic_velocity_sd_m_s"]
    assert float(words[1]) == pytest.approx(value / 0.3048, rel=0.005)
    assert float(words[3]) == pytest.approx(sd / 0.3048, rel=0.05)


@pytest.mark.usefixtures("bench")
def test_the_pressures_of_a_firing_say_that_they_are_absolute(run: Any) -> None:
    """Gauge and absolute differ by 14.7 psi in the open air; a bare psi is read as either."""
    (firing,) = run("reduce", "demo", "--test", "F-03", "--json").json["firings"]
    told = run("reduce", "demo", "--test", "F-03", "--units", "inch-pound").out
    for name, key in (("rate-mean", "rate_mean_pressure_MPa"), ("peak", "peak_pressure_MPa")):
        words = next(x for x in told.splitlines() if x.startswith(f"  {name} pressure ")).split()
        assert words[-2:] == ["psi", "absolute"]
        assert float(words[-3]) == pytest.approx(firing[key] / 6.894757e-3, rel=0.005)


@pytest.mark.usefixtures("bench")
def test_the_budget_in_the_units_of_the_reader(run: Any) -> None:
    (firing,) = run("reduce", "demo", "--test", "F-03", "--json").json["firings"]
    told = run("reduce", "demo", "--budget", "F-03", "--units", "inch-pound").out
    sd = {row["reading"]: row["sd"] for row in firing["budget"]["rows"]}
    rows = {line.split("  ")[0]: line.split() for line in told.splitlines() if "assumed" in line}
    ambient = rows["ambient pressure"]
    k = ambient.index("psi")
    assert float(ambient[k - 1]) == pytest.approx(sd["ambient"] / 6894.757, rel=0.05)
    units = {words[words.index("assumed") - 1] for words in rows.values()}
    assert "in" in units
    assert not {"m", "Pa", "kg", "N", "m³", "kg/m³"} & units


@pytest.mark.parametrize(
    ("keep", "said"),
    [
        ("characteristic_velocity", "[gas] states no γ: γ is taken from"),
        ("specific_heat_ratio", "[gas] states no c*: c* is taken from"),
        ("nothing", "[gas] states no c* and no γ: c* and γ are taken from"),
    ],
)
def test_only_what_is_missing_of_the_gas_is_named(
    run: Any, bench: Path, monkeypatch: pytest.MonkeyPatch, keep: str, said: str
) -> None:
    from strandwise.records import Gas
    from strandwise.workflow import reducing

    found = Gas(characteristic_velocity=900.0, specific_heat_ratio=1.13)
    monkeypatch.setattr(reducing, "default_gas", lambda *_: found)
    path = bench / "campaigns" / "demo" / "campaign.toml"
    kept = [
        line
        for line in path.read_text(encoding="utf-8").splitlines()
        if not line.startswith(("characteristic_velocity", "specific_heat_ratio"))
        or line.startswith(keep)
    ]
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    told = run("reduce", "demo", "--test", "F-03").out
    assert said in told
    assert ("no losses" in told) == (keep != "characteristic_velocity")


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("option", [("--draws", "200"), ("--seed", "1")])
def test_options_of_the_draws_go_with_the_budget(run: Any, option: tuple[str, str]) -> None:
    result = run("reduce", "demo", *option)
    assert result.code == 2
    assert f"{option[0]} goes with --budget." in result.err


def test_what_cannot_be_is_left_out_of_fits_until_it_is_corrected(run: Any, bench: Path) -> None:
    """S-003 with its time in hours taken for seconds: 3600 times too fast for a propellant."""
    strands = bench / "campaigns" / "demo" / "strands.csv"
    right = strands.read_text()
    row = next(line for line in right.splitlines() if line.startswith("S-003,"))
    fields = row.split(",")
    fields[4] = f"{float(fields[4]) / 3600.0:.6f}"
    before = run("fit", "demo", "--batch", "M-01", "--json").json["fits"][0]
    strands.write_text(right.replace(row, ",".join(fields)))

    reduced = run("reduce", "demo", "--json").json["points"]
    (left_out,) = [point for point in reduced if "impossible" in (point["why_not"] or "")]
    assert (left_out["test"], left_out["used"]) == ("S-003", False)
    assert [w["code"] for w in left_out["warnings"]] == ["impossible-point"]
    assert "not used: a burn rate of" in run("reduce", "demo", "--test", "S-003").out
    (fit,) = run("fit", "demo", "--batch", "M-01", "--json").json["fits"]
    assert "S-003" not in fit["tests"]
    assert len(fit["tests"]) == len(before["tests"]) - 1
    assert fit["n"] == pytest.approx(before["n"], rel=0.05)
    forecast = ("forecast", "demo", "full-size", "--draws", "200")
    for words in (("fit", "demo", "--batch", "M-01"), ("compare", "demo"), forecast):
        assert "S-003: a burn rate of" in run(*words).out

    strands.write_text(right)
    assert run("fit", "demo", "--batch", "M-01", "--json").json["fits"][0] == before
