"""Recipes from the command line: derived, weighed out, cautioned, set beside the rate."""

from __future__ import annotations

import json
import math
import re
import shlex
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from strandwise.formulation import products
from strandwise.formulation.equilibrium import available

needs_extra = pytest.mark.skipif(not available(), reason="the extra `thermo` is not installed")

FORMULATIONS = Path("campaigns/demo/formulations.toml")
BATCHES = Path("campaigns/demo/batches.csv")
WAYS = ("of-ingredient", "of-all", "on-top")


def derive(run: Any, *options: str) -> Any:
    return run("mix", "derive", "demo", "--put", "calcium-carbonate", "--for", "sorbitol", *options)


# --- derive ---


@pytest.mark.usefixtures("bench")
def test_the_same_five_per_cent_in_three_ways(run: Any) -> None:
    # By hand: 65 and 35 parts; 1.75 of the 35; 5 of everything; 5 on 100.
    found = derive(run, "--dose", "5 %", "--json").json["formulations"]
    assert [item["way"] for item in found] == list(WAYS)
    names = ("potassium-nitrate", "sorbitol", "calcium-carbonate")
    by_hand = ((65, 33.25, 1.75), (61.75, 33.25, 5), (65 / 1.05, 35 / 1.05, 5 / 1.05))
    for item, parts in zip(found, by_hand, strict=True):
        fractions = dict(zip(names, (part / 100 for part in parts), strict=True))
        assert item["mass_fractions"] == pytest.approx(fractions, abs=1e-9)
        assert item["oxidiser_fraction"] == pytest.approx(parts[0] / 100, abs=1e-9)
        assert item["dose_percent"] == pytest.approx(5)
        # Handbook balances, calcium carbonate 0: 39.56 and −114.17 (see tests/formulation).
        balance = 0.3956 * parts[0] - 1.1417 * parts[1]
        assert item["oxygen_balance_percent"] == pytest.approx(balance, abs=0.01)
        volume = parts[0] / 2.11 + parts[1] / 1.489 + parts[2] / 2.71
        assert item["void_free_density_g_cm3"] == pytest.approx(100 / volume)


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    ("command", "row"), [("show demo", "base"), ("derive demo --put oxamide --dose 5%", "none")]
)
def test_densities_in_the_unit_of_the_reader(run: Any, command: str, row: str) -> None:
    # 1 lb = 0.453 592 37 kg and 1 in = 25.4 mm, both exact (NIST SP 811, appendix B.8).
    per_inch = 453.59237 / 2.54**3
    found = {}
    for units, heading in (("metric", "(g/cm³)"), ("inch-pound", "(lb/in³)")):
        lines = run("mix", *command.split(), "--units", units).out.splitlines()
        place = next(n for n, line in enumerate(lines) if "void-free density" in line)
        assert lines[place].endswith(heading)
        found[units] = float(next(li for li in lines[place:] if li.startswith(row)).split()[-1])
    assert found["inch-pound"] * per_inch == pytest.approx(found["metric"], rel=5e-4)


@pytest.mark.usefixtures("bench")
def test_the_three_ways_stand_side_by_side(run: Any) -> None:
    text = derive(run, "--dose", "5%,10%").out
    for words in ("of the sorbitol alone", "of everything", "on top of 100"):
        assert text.count(words) == 2
    assert "Nothing was written" in text


@pytest.mark.usefixtures("bench")
def test_a_dose_may_be_given_again(run: Any) -> None:
    said = [
        [item["dose_percent"] for item in derive(run, *doses, "--json").json["formulations"]]
        for doses in (("--dose", "5%", "--dose", "10%,5%"), ("--dose", "5%,10%"))
    ]
    assert said[0] == said[1] == pytest.approx([5, 5, 5, 10, 10, 10])


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_written_formulations_keep_the_file(run: Any, bench: Path, line_end: str) -> None:
    path = bench / FORMULATIONS
    before = path.read_text(encoding="utf-8").rstrip("\n").replace("\n", line_end).encode()
    path.write_bytes(before)
    options = ("--dose", "5 %, 7.5 %", "--way", "of-all", "--name", "chalk", "--write")
    assert f"Added to {FORMULATIONS.as_posix()}" in derive(run, *options).out
    after = path.read_bytes()
    assert after.startswith(before + line_end.encode() * 2 + b"[chalk-5-of-all]  # 5 % of all of")
    assert after.count(b"\n") == after.count(line_end.encode())
    assert set(tomllib.loads(after.decode())) == {
        *("base", "carbonate-10", "carbonate-20"),
        *("chalk-5-of-all", "chalk-7_5-of-all"),
    }
    assert run("check", "demo").code == 0
    (item,) = run("mix", "show", "demo", "chalk-7_5-of-all", "--json").json["formulations"]
    assert item["mass_fractions"]["calcium-carbonate"] == pytest.approx(0.075, abs=1e-9)
    again = derive(run, *options)
    assert again.code == 1
    assert "`chalk-5-of-all` already" in again.err
    assert path.read_bytes() == after


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--dose", "5"), "--dose: "),
        (("--dose", "120 %", "--way", "of-ingredient"), "share 120 % of sorbitol"),
        (("--dose", "0 %", "--way", "on-top"), "0 parts of calcium-carbonate"),
        (("--dose", "5 %", "--from", "bas"), "there is no formulation `bas`"),
        (("--dose", "5 %", "--write"), "--write needs one --way"),
        (("--dose", "5 %", "--process-temperature", "130"), "--process-temperature: "),
    ],
)
def test_derive_refuses(
    run: Any, bench: Path, digest: Callable[[Path], Any], options: tuple[str, ...], message: str
) -> None:
    before = digest(bench)
    done = derive(run, *options)
    assert (done.code, done.out) == (1, "")
    assert message in done.err
    assert digest(bench) == before


@pytest.mark.usefixtures("bench")
def test_derive_refuses_an_unknown_ingredient(run: Any) -> None:
    done = run("mix", "derive", "demo", "--put", "calcium-carbonat", "--dose", "5 %")
    assert done.code == 1
    assert "there is no ingredient `calcium-carbonat`" in done.err
    assert "did you mean `calcium-carbonate`?" in done.err


@pytest.mark.usefixtures("bench")
def test_a_retarder_that_the_melt_destroys_is_told_before_it_is_mixed(run: Any) -> None:
    common = ("mix", "derive", "demo", "--put", "sodium-bicarbonate", "--dose", "5 %", "--json")
    common += ("--way", "of-all")
    # As the batches of its parent were made, at up to 118 degC.
    for options, shown in (((), "118 °C"), (("--process-temperature", "130 degC"), "130 °C")):
        (item,) = run(*common, *options).json["formulations"]
        (told,) = [c for c in item["cautions"] if c["code"] == "decomposes-in-process"]
        assert shown in told["message"]
        assert "press it dry, or choose another" in told["message"]
    (item,) = run(*common, "--process-temperature", "22 degC").json["formulations"]
    assert "decomposes-in-process" not in {c["code"] for c in item["cautions"]}


# --- faults in files ---


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ("[x]\ningredients = { potassium-nitrat = 65, sorbitol = 35 }\n",
         "`potassium-nitrat` is no known ingredient"),
        ("[x]\ningredients = { potassium-nitrate = 65, sorbitol = 0 }\n", "0 parts of sorbitol"),
        ('[x]\nparent = "y"\n[y]\nparent = "x"\n', "x → y → x"),
        ('[x]\nparent = "base"\nreplace = [{ ingredient = "sorbitol", share = "110 %", '
         'with = "oxamide" }]\n', "share 110 % of sorbitol"),
    ],
)  # fmt: skip
def test_faults_of_formulations_are_told_with_their_line(
    run: Any, bench: Path, table: str, message: str
) -> None:
    path = bench / FORMULATIONS
    path.write_text(path.read_text(encoding="utf-8") + table, encoding="utf-8")
    done = run("mix", "show", "demo")
    assert done.code == 1
    assert message in done.err
    assert re.search(r"formulations\.toml:\d+", done.err)


# --- process and weighings of batches ---


def log(run: Any, *options: str) -> None:
    done = run("log", "batch", "demo", *options)
    assert (done.code, done.err) == (0, "")


def codes(run: Any, formulation: str) -> dict[str, str]:
    (item,) = run("mix", "show", "demo", formulation, "--json").json["formulations"]
    return {caution["code"]: caution["message"] for caution in item["cautions"]}


@pytest.mark.usefixtures("bench")
def test_melted_bicarbonate_is_cautioned_and_pressed_is_not(run: Any) -> None:
    put = ("mix", "derive", "demo", "--put", "sodium-bicarbonate", "--dose", "5 %", "--write")
    run(*put, "--way", "of-all", "--name", "melted")
    run(*put, "--way", "of-all", "--name", "pressed")
    common = ("--cook-time", "25 min", "--particle-size", "ground, below 150 µm")
    melted = ("--process", "melt-cast", "--process-temperature", "130 degC")
    log(run, "--batch", "K-1", "--formulation", "melted-5-of-all", *melted, *common)
    log(run, "--batch", "K-2", "--formulation", "pressed-5-of-all", "--process", "pressed dry",
        "--particle-size", "ground, below 150 µm")  # fmt: skip
    told = codes(run, "melted-5-of-all")["decomposes-in-process"]
    for words in ("50 °C", "130 °C", "from memory", "press it dry, or choose another"):
        assert words in told
    assert "decomposes-in-process" not in codes(run, "pressed-5-of-all")


def test_process_notes_are_kept(run: Any, bench: Path) -> None:
    notes = {
        "--cook-time": "25 min", "--hold-time": "600 s", "--cooling": "in air, overnight",
        "--cure": "none", "--particle-size": "below 150 µm", "--sample-mass": "61.2 g",
        "--sample-volume": "35 cm3", "--sample-mass-sd": "0.05 g", "--sample-volume-sd": "0.2 cm3",
    }  # fmt: skip
    log(
        run, "--batch", "K-1", "--formulation", "base", *(w for pair in notes.items() for w in pair)
    )
    heading = (bench / BATCHES).read_text(encoding="utf-8").splitlines()[0]
    for column in ("cook_time (min)", "hold_time (min)", "cooling", "cure", "particle_size",
                   "sample_mass (g)", "sample_volume (cm3)"):  # fmt: skip
        assert column in heading
    (item,) = run("mix", "show", "demo", "base", "--json").json["formulations"]
    batch = item["batches"][-1]
    # 61.2/35 = 1.7486 g/cm3 against 1.8412; standard uncertainty by draws in tests/formulation.
    assert batch["density_g_cm3"] == pytest.approx(61.2 / 35)
    assert batch["porosity_percent"] == pytest.approx(100 * (1 - 61.2 / 35 / 1.84123), abs=1e-3)
    assert batch["density_sd_stated"]
    assert batch["porosity_sd_percent"] == pytest.approx(
        95 * math.hypot(0.2 / 35, 0.05 / 61.2, 0.0036), rel=0.02
    )
    assert "5.0 ± 0.6" in run("mix", "show", "demo", "base").out


@pytest.mark.usefixtures("bench")
def test_weighings_define_the_recipe_of_a_batch(run: Any) -> None:
    weighed = "potassium-nitrate 330 g, sorbitol 170 g with 2 % water"
    log(run, "--batch", "K-1", "--formulation", "base", "--weighings", weighed)
    (item,) = run("mix", "show", "demo", "base", "--json").json["formulations"]
    batch = item["batches"][-1]
    assert batch["from_weighings"]
    assert batch["mass_fractions"]["sorbitol"] == pytest.approx(166.6 / 496.6, abs=1e-9)
    assert item["mass_fractions"]["sorbitol"] == 0.35
    assert "sorbitol 33.55 % instead of 35.00 %" in codes(run, "base")["weighed-otherwise"]


@pytest.mark.parametrize(
    ("weighed", "message"),
    [
        ("sorbitol 35", "sorbitol: `35` has no unit"),
        ("sorbitl 35 g", "`sorbitl` is no known ingredient; expected a key of ingredients.toml; "
         "did you mean `sorbitol`?"),
        ("sorbitol", "`sorbitol` is no weighing"),
    ],
)  # fmt: skip
def test_weighings_that_cannot_be_read(
    run: Any, bench: Path, digest: Callable[[Path], Any], weighed: str, message: str
) -> None:
    before = digest(bench)
    done = run("log", "batch", "demo", "--batch", "K-1", "--formulation", "base",
               "--weighings", weighed)  # fmt: skip
    assert done.code == 1
    assert message in done.err
    assert digest(bench) == before


@pytest.mark.usefixtures("bench")
def test_porosity_is_a_covariate(run: Any) -> None:
    found = run("compare", "demo", "--covariate", "porosity", "--json").json["covariates"]
    assert [item["covariate"] for item in found] == ["porosity"]
    assert "porosity" in run("compare", "demo", "--covariate", "porosity").out


# --- sheet ---


SHEET = ("mix", "sheet", "demo", "carbonate-10", "--mass", "500 g", "--scale", "0.1 g")


@pytest.mark.usefixtures("bench")
def test_sheet(run: Any) -> None:
    found = run(*SHEET, "--water", "sorbitol 0.5 %", "--json").json
    masses = {row["ingredient"]: row["to_weigh_g"] for row in found["rows"]}
    # 325; 157.5/0.995 = 158.29; 17.5 by hand.
    assert masses == pytest.approx(
        {"potassium-nitrate": 325.0, "sorbitol": 158.3, "calcium-carbonate": 17.5}
    )
    assert found["total_g"] == pytest.approx(500.8)
    text = run(*SHEET, "--water", "sorbitol 0.5 %").out
    for words in ("158.3", "158.291", "0.5 %", "________", "[ ]", "500.8", "--weighings"):
        assert words in text
    assert "water-not-stated" not in {c["code"] for c in found["cautions"]}
    unstated = run(*SHEET).out
    assert "sorbitol takes up water from room air and counts as dry here" in unstated


@pytest.mark.usefixtures("bench")
def test_the_sheets_own_command_records_the_batch(run: Any) -> None:
    text = run(*SHEET, "--water", "sorbitol 0.5 %", "--batch", "K-7").out
    (command,) = [line.strip() for line in text.splitlines() if "strandwise log batch" in line]
    assert run(*shlex.split(command)[1:]).code == 0
    (item,) = run("mix", "show", "demo", "carbonate-10", "--json").json["formulations"]
    batch = item["batches"][-1]
    assert (batch["batch"], batch["from_weighings"]) == ("K-7", True)
    assert batch["mass_fractions"] == pytest.approx(item["mass_fractions"], abs=1e-4)


@pytest.mark.usefixtures("bench")
def test_a_mass_in_another_unit_than_the_scale_s_stays_as_it_was_typed(run: Any) -> None:
    text = run(*SHEET, "--mass", "12 oz").out
    assert "Weigh-out of 12 oz of carbonate-10, scale in steps of 0.1 g" in text
    # NIST SP 811 (2008), appendix B.8: 12 avoirdupois ounces are 340.194 g.
    assert "340.19" not in text
    (command,) = [line.strip() for line in text.splitlines() if "strandwise log batch" in line]
    words = shlex.split(command)
    assert words[words.index("--mass") + 1] == "12 oz"
    assert run(*words[1:]).code == 0


def test_sheet_as_a_page(run: Any, bench: Path) -> None:
    settings = bench / "campaigns/demo/campaign.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(re.sub('title = ".*"', 'title = "a <b> & co"', text), encoding="utf-8")
    done = run(*SHEET, "--output", "sheet.html")
    assert done.out == "Wrote sheet.html\n"
    page = (bench / "sheet.html").read_text(encoding="utf-8")
    assert "a &lt;b&gt; &amp; co" in page
    assert not re.search(r"(?:src|href)=|url\(|@import|<script", page)
    assert page.count("☐") == 3
    for words in (
        '<td class="weigh" data-label="weigh (g)">325.0</td>',
        "@page",
        "Afterwards",
        "not a licence",
    ):
        assert words in page
    assert "<p>Batch:</p>" in page  # nobody named it: it is written by hand
    assert "--batch NAME" in page
    run(*SHEET, "--batch", "K & 7", "--output", "named.html")
    named = (bench / "named.html").read_text(encoding="utf-8")
    assert "<p>Batch: K &amp; 7</p>" in named
    run(*SHEET, "--output", "sheet.txt")
    assert "[ ]" in (bench / "sheet.txt").read_text(encoding="utf-8")


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--mass", "0 g"), "the mass of the batch is 0 g"),
        (("--scale", "60 g"), "is less than one step of the scale"),
        (("--scale", "0.1"), "--scale: "),
        (("--water", "sorbitol"), "is no ingredient with its water"),
        (("--water", "sucrose 1 %"), "holds no sucrose"),
        (("--output", "nowhere/sheet.html"), "cannot write nowhere/sheet.html"),
    ],
)
def test_sheet_refuses(run: Any, options: tuple[str, ...], message: str) -> None:
    done = run(*SHEET, *options)
    assert (done.code, done.out) == (1, "")
    assert message in done.err


@pytest.mark.usefixtures("bench")
def test_a_coarse_scale_is_told(run: Any) -> None:
    done = run(*SHEET, "--scale", "20 g")
    assert done.code == 0
    assert "calcium-carbonate: half a step of the scale is 57.1 % of it" in done.out


# --- oxygen balance, equilibrium ---


@pytest.mark.usefixtures("bench")
def test_balance_to_carbonate_says_so(run: Any) -> None:
    shown = run("mix", "show", "demo", "--alkali", "carbonate")
    assert "potassium and sodium to carbonate" in shown.out
    (item, *_) = run("mix", "show", "demo", "--alkali", "carbonate", "--json").json["formulations"]
    assert item["alkali_product"] == "carbonate"
    assert item["oxidiser_fuel_ratio"] == pytest.approx(65 / 35)


@needs_extra
@pytest.mark.usefixtures("bench")
def test_energy_stands_beside_the_measured_rate(run: Any) -> None:
    result = run("mix", "show", "demo", "--equilibrium", "--at", "6.895 MPa", "--json").json
    base, _, chalk = result["formulations"]
    # Published theory for this recipe (MSc thesis, Delft): 1600 K, 911 m/s.
    assert base["equilibrium"]["flame_temperature_K"] == pytest.approx(1600, rel=0.01)
    assert base["equilibrium"]["characteristic_velocity_m_s"] == pytest.approx(911, rel=0.01)
    assert base["against_baseline"] is None
    heads = chalk["against_baseline"]
    velocity = (
        chalk["equilibrium"]["characteristic_velocity_m_s"]
        / base["equilibrium"]["characteristic_velocity_m_s"]
    )
    assert heads["characteristic_velocity_change_percent"] == pytest.approx(100 * (velocity - 1))
    compared = run("compare", "demo", "--at", "6.895 MPa", "--json").json["formulations"]
    (measured,) = [row for row in compared if row["formulation"] == "carbonate-20"]
    assert heads["rate_change_percent"] == pytest.approx(measured["shift_percent"])
    power = 1 / (1 - measured["n"])
    assert heads["motor_pressure_change_by_rate_percent"] == pytest.approx(
        100 * ((1 + measured["shift_percent"] / 100) ** power - 1)
    )
    text = run("mix", "show", "demo", "--equilibrium").out
    for words in ("Chemical equilibrium at 3.5", "K2CO3(L)", "Against base", "without losses"):
        assert words in text


@needs_extra
def test_ingredient_without_enthalpy_is_named_and_the_others_shown(run: Any, bench: Path) -> None:
    path = bench / FORMULATIONS
    table = "[other]\ningredients = { potassium-nitrate = 65, maltitol = 35 }\n"
    path.write_text(path.read_text(encoding="utf-8") + table, encoding="utf-8")
    found = run("mix", "show", "demo", "--equilibrium", "--json").json["formulations"]
    assert found[0]["equilibrium"] is not None
    assert found[-1]["equilibrium"] is None
    assert "no enthalpy of formation is known of maltitol" in found[-1]["why_no_equilibrium"]
    assert "known of maltitol" in run("mix", "show", "demo", "--equilibrium").out


@pytest.mark.usefixtures("bench")
def test_without_the_extra_a_hint(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(products, "cantera", None)
    shown = run("mix", "show", "demo", "--equilibrium")
    assert shown.code == 0
    assert "pip install 'strandwise[thermo]'" in shown.out
    assert "carbonate-20" in shown.out
    refused = run("mix", "show", "demo", "--equilibrium", "--json")
    assert refused.code == 1
    assert "pip install 'strandwise[thermo]'" in refused.err


# --- rate against composition ---


@pytest.mark.usefixtures("bench")
def test_one_additive_in_one_place_carries_no_model(run: Any) -> None:
    found = run("mix", "rate", "demo", "--json").json
    assert found["model"] is None
    assert "the fraction of potassium-nitrate is the same in all blends" in found["why_not"]
    assert "compare formulations with the baseline" in run("mix", "rate", "demo").out


# Invented: ln r at 3 MPa is a blend with these coefficients, and n is 0.4 throughout.
BLEND = {"potassium-nitrate": -4.0, "sucrose": -6.5, "oxamide": -14.0}
PARTS = {
    "a": (65, 35, 0), "b": (60, 40, 0), "c": (65, 31, 4), "d": (60, 36, 4),
    "e": (70, 28, 2), "f": (68, 26, 6), "g": (58, 37, 5),
}  # fmt: skip


@pytest.fixture
def blended(run: Any, bench: Path) -> Path:
    assert (
        run("new", "blend", "--baseline", "a", "--recipe", "potassium-nitrate 65, sucrose 35").code
        == 0
    )
    folder = bench / "campaigns/blend"
    tables, batches = [], ["batch,formulation"]
    strands = ["test,batch,length (mm),time (s),pressure (MPa)"]
    for name, parts in PARTS.items():
        held = {key: part for key, part in zip(BLEND, parts, strict=True) if part}
        inside = ", ".join(f"{key} = {part}" for key, part in held.items())
        tables.append(f"[{name}]\ningredients = {{ {inside} }}\n")
        batches.append(f"B-{name},{name}")
        level = sum(BLEND[key] * part / 100 for key, part in held.items())
        for number, pressure in enumerate((1.5, 3.0, 6.0)):
            rate = math.exp(level) * (pressure / 3.0) ** 0.4 * 1e3
            strands.append(f"S-{name}{number},B-{name},50,{50 / rate!r},{pressure}")
    (folder / "formulations.toml").write_text("\n".join(tables), encoding="utf-8")
    (folder / "batches.csv").write_text("\n".join(batches) + "\n", encoding="utf-8")
    (folder / "strands.csv").write_text("\n".join(strands) + "\n", encoding="utf-8")
    return folder


@pytest.mark.usefixtures("blended")
def test_blending_model_finds_what_made_the_rates(run: Any) -> None:
    model = run("mix", "rate", "blend", "--at", "3 MPa", "--json").json["model"]
    found = {item["ingredient"]: item["ln_rate"] for item in model["coefficients"]}
    assert found == pytest.approx(BLEND, rel=1e-4)
    exchanges = {item["more"]: item for item in model["exchanges"]}
    assert {item["less"] for item in exchanges.values()} == {"potassium-nitrate"}
    assert exchanges["oxamide"]["rate_percent_per_percent"] == pytest.approx(
        100 * math.expm1(-0.1), rel=1e-3
    )
    assert len(model["batches"]) == 7
    text = run("mix", "rate", "blend", "--at", "3 MPa").out
    assert "in place of" in text
    assert "oxamide" in text


def test_a_batch_that_was_not_tested_there_is_named(run: Any, blended: Path) -> None:
    path = blended / "strands.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(r for r in rows if not r.startswith("S-g0")) + "\n", encoding="utf-8")
    model = run("mix", "rate", "blend", "--at", "2 MPa", "--json").json["model"]
    assert model["left_out"] == ["B-g"]
    assert len(model["batches"]) == 6
    assert (
        "Not tested around this pressure: B-g." in run("mix", "rate", "blend", "--at", "2 MPa").out
    )


@pytest.mark.usefixtures("blended")
def test_batches_that_were_not_tested_there_do_not_count(run: Any) -> None:
    found = run("mix", "rate", "blend", "--at", "9 MPa", "--json").json
    assert found["model"] is None
    assert "cannot carry" in found["why_not"]


@pytest.mark.usefixtures("bench")
def test_json_of_mix_is_json(run: Any) -> None:
    for line in ("mix show demo --json", "mix rate demo --json"):
        assert json.loads(run(*line.split()).out)


# --- files at fault ---


def own_ingredients(bench: Path, text: str) -> None:
    (bench / "campaigns/demo/ingredients.toml").write_text(text, encoding="utf-8")


@pytest.mark.parametrize(
    ("entry", "field", "message"),
    [
        ('[x]\nformula = "caco3"', "x.formula", "`caco3` is not a chemical formula"),
        ('[x]\nformula = "Xy2O3"', "x.formula", "`Xy2O3` is not a chemical formula"),
        ('[x]\ndensity = "0 g/cm3"', "x.density", "expected at least 0.05 g/cm3"),
        ('[x]\ndensity = "-2 g/cm3"', "x.density", "expected at least 0.05 g/cm3"),
        ('[x]\ndensity = "2710 g/cm3"', "x.density", "expected at most 23 g/cm3"),
        (
            '[x]\nformula = "CaCO3"\nformation_enthalpy = "-1207600 kJ/mol"',
            "x.formation_enthalpy",
            "more than any substance has",
        ),
        ('[x]\ngives_off = "lots"', "x.gives_off", "`lots` is no amount of a gas"),
        ('[x]\ngives_off = "1 Xq"', "x.gives_off", "`Xq` is not a chemical formula"),
        ("[X]", "X", "`X` is no key of an ingredient"),
        ("[all]", "all", "`all` stands for a whole formulation"),
    ],
)
def test_faults_of_ingredients_are_told_with_their_line(
    run: Any, bench: Path, entry: str, field: str, message: str
) -> None:
    own_ingredients(bench, entry)
    done = run("mix", "show", "demo")
    assert (done.code, done.out) == (1, "")
    line = 1 + entry.count("\n")
    assert f"campaigns/demo/ingredients.toml:{line}, {field}: " in done.err
    assert message in done.err


def test_an_own_figure_does_not_make_the_cautions_forgotten(run: Any, bench: Path) -> None:
    own_ingredients(bench, '[sodium-bicarbonate]\ndensity = "2.16 g/cm3"\nsource = "data sheet"')
    options = ("--dose", "10 %", "--way", "of-ingredient", "--process-temperature", "130 degC")
    done = run("mix", "derive", "demo", "--put", "sodium-bicarbonate", "--for", "sorbitol",
               *options, "--json")  # fmt: skip
    (item,) = done.json["formulations"]
    volume = 65 / 2.11 + 31.5 / 1.489 + 3.5 / 2.16
    assert item["void_free_density_g_cm3"] == pytest.approx(100 / volume)
    assert "decomposes-in-process" in [caution["code"] for caution in item["cautions"]]


def test_an_own_entry_of_another_formula_keeps_nothing(run: Any, bench: Path) -> None:
    own_ingredients(bench, '[sorbitol]\nrole = "fuel"\nformula = "C12H22O11"')
    (item,) = run("mix", "show", "demo", "base", "--json").json["formulations"]
    assert item["void_free_density_g_cm3"] is None


def test_an_unknown_partner_is_remarked(run: Any, bench: Path) -> None:
    own_ingredients(bench, '[x]\nincompatible = ["potasium-nitrate"]')
    done = run("check", "demo")
    assert done.code == 0
    assert "`potasium-nitrate` is no known ingredient" in done.out + done.err
    assert "did you mean `potassium-nitrate`?" in done.out + done.err


@pytest.mark.parametrize(
    "command",
    [
        ("show", "demo"),
        ("derive", "demo", "--put", "oxamide", "--dose", "5 %"),
        ("sheet", "demo", "base", "--mass", "500 g", "--scale", "0.1 g"),
    ],
    ids=lambda command: command[0],
)
def test_faults_in_the_tests_do_not_hide_the_recipes(
    run: Any, bench: Path, command: tuple[str, ...]
) -> None:
    sound = run("mix", *command, "--json")
    strands = bench / "campaigns/demo/strands.csv"
    strands.write_text(strands.read_text(encoding="utf-8") + "T-99,no-batch,,80,x,3\n", "utf-8")
    done = run("mix", *command, "--json")
    assert (done.code, done.json) == (0, sound.json)
    assert "left aside; `strandwise check demo`" in done.err
    batches = bench / BATCHES
    batches.write_text(batches.read_text(encoding="utf-8") + "M-99,no-formulation\n", "utf-8")
    done = run("mix", *command)
    assert (done.code, done.out) == (1, "")
    assert "no-formulation" in done.err
    assert "T-99" not in done.err


def test_a_formulation_that_changes_nothing_says_so(run: Any, bench: Path) -> None:
    path = bench / FORMULATIONS
    path.write_text(path.read_text(encoding="utf-8") + '\n[twin]\nparent = "base"\n', "utf-8")
    (item,) = run("mix", "show", "demo", "twin", "--json").json["formulations"]
    assert item["cautions"][0]["code"] == "same-as-parent"
