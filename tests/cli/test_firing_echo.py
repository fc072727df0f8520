"""What `log firing` says back of grain and nozzle, before and after it saves."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

FIRINGS = Path("campaigns/demo/firings")
WHO = ("--test", "F-09", "--batch", "M-01")
HOLLOW = (
    "--outer-diameter", "33 mm", "--core-diameter", "16 mm", "--length", "57.5 mm",
    "--segments", "2", "--inhibited", "outer",
)  # fmt: skip
READ = ("--throat-diameter", "6.6 mm", "--burn-time", "1.1 s", "--mean-pressure", "440 psig")


@pytest.mark.usefixtures("bench")
def test_sizes_are_said_back(run: Any) -> None:
    result = run("log", "firing", "demo", *WHO, *HOLLOW, *READ, "--mass", "134 g")
    assert (result.code, result.err) == (0, "")
    # Own computation: (33 − 16) / 2 mm; π/4·16²; π·16·115 + 4·π/4·(33² − 16²); π/4·6.6².
    for row in (
        "burns          core, both ends",
        "does not burn  outside",
        "web            8.500 mm",
        "port           201.1 mm², 5.88 times the throat",
        "burning area   8397 mm² as it lights",
        "throat area    34.21 mm²",
        "Kn             245 as it lights",
        "propellant     75.24 cm³ by its sizes",
        "density        1.781 g/cm³, 96.7 % of the recipe's 1.841 g/cm³ without voids",
    ):
        assert row in result.out
    sketch = [
        line for line in result.out.splitlines() if set(line.strip()) <= {"#", " "} and line.strip()
    ]
    assert len(sketch) == 11


@pytest.mark.usefixtures("bench")
def test_json_has_the_sizes_and_no_drawing(run: Any) -> None:
    result = run("log", "firing", "demo", *WHO, *HOLLOW, *READ, "--mass", "134 g", "--json")
    told = result.json
    area = math.pi * 16 * 115 + math.pi * (33**2 - 16**2)
    assert told["web_mm"] == pytest.approx(8.5)
    assert told["burning_area_mm2"] == pytest.approx(area)
    assert told["initial_kn"] == pytest.approx(area / (math.pi / 4 * 6.6**2))
    assert told["density_g_cm3"] == pytest.approx(134 / (math.pi / 4 * (3.3**2 - 1.6**2) * 11.5))
    assert told["file"] == "campaigns/demo/firings/F-09.toml"
    assert "#" not in result.out


SHAPES = {
    "unequal lengths": (
        ("--outer-diameter", "33 mm", "--core-diameter", "16 mm", "--lengths", "57.5 mm, 30 mm"),
        {"lengths": ["57.5 mm", "30 mm"]},
        "core, outside, both ends",
    ),
    "several cores": (
        ("--shape", "multi-core", "--outer-diameter", "33 mm", "--core-diameter", "6 mm",
         "--cores", "4", "--circle-diameter", "17 mm", "--length", "57.5 mm",
         "--inhibited", "outer, one-end"),
        {"cores": 4, "inhibited": ["outer", "one-end"]},
        "core, one end of each segment",
    ),
    "offset core": (
        ("--outer-diameter", "33 mm", "--core-diameter", "16 mm", "--length", "57.5 mm",
         "--core-offset", "1.5 mm", "--inhibited", "outer,ends"),
        {"core_offset": "1.5 mm"},
        "web            7.000 mm",
    ),
    "end burner": (
        ("--shape", "end-burner", "--outer-diameter", "33 mm", "--length", "20 mm"),
        {"shape": "end-burner"},
        "one end",
    ),
    "area table": (
        ("--shape", "area-table", "--web", "0 mm, 4 mm, 8 mm", "--area", "80 cm2; 82 cm2; 0 cm2",
         "--slivers-from", "4 mm"),
        {"web": ["0 mm", "4 mm", "8 mm"], "slivers_from": "4 mm"},
        "area table of 3 depths",
    ),
}  # fmt: skip


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES.keys())
def test_every_shape_can_be_logged_and_reduced(run: Any, shape: Any) -> None:
    words, kept, said = shape
    # An end burner wants a throat of its own size.
    read = [*READ[:1], "2 mm" if "end-burner" in words else READ[1], *READ[2:]]
    result = run("log", "firing", "demo", *WHO, *words, *read)
    assert (result.code, result.err) == (0, "")
    assert said in result.out
    grain = tomllib.loads((FIRINGS / "F-09.toml").read_text(encoding="utf-8"))["grain"]
    assert {key: grain[key] for key in kept} == kept
    assert run("check", "demo").code == 0
    firings = run("reduce", "demo", "--json").json["firings"]
    (firing,) = [firing for firing in firings if firing["test"] == "F-09"]
    assert firing["rate_thickness_over_time_mm_s"] > 0.0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--throat-diameter", "6.6 in"), "a motor of a grain as wide as 33 mm"),
        (("--throat-diameter", "1 1/2 in"), "wide as 33 mm"),
        (("--core-diameter", "36 mm"), "check that the two diameters are not exchanged"),
        (("--mass", "160 g"), "no more than the recipe's 1.841 g/cm³ without voids"),
        (("--mass", "13.4 g"), "at least 1.29 g/cm³"),
        (("--segments", "20", "--mass", "134 g"), "a density of 0.178"),
        (("--throat-diameter", "1.2 mm"), "which makes Kn 7425"),
    ],
)
def test_slips_are_told_and_nothing_saved(
    run: Any, bench: Path, digest: Any, words: tuple[str, ...], said: str
) -> None:
    before = digest(bench)
    result = run("log", "firing", "demo", *WHO, *HOLLOW, *READ, *words)
    assert (result.code, result.out) == (1, "")
    assert said in result.err
    assert digest(bench) == before


@pytest.mark.usefixtures("bench")
def test_a_column_that_the_logger_did_not_write(run: Any) -> None:
    trace = ("--trace-file", "campaigns/demo/traces/F-01.csv", "--trace-time", "millis (ms)")
    result = run("log", "firing", "demo", *WHO, *HOLLOW, *trace, "--trace-pressure", "pp (psig)")
    assert result.code == 1
    said = "strandwise: --trace-pressure: `F-01.csv` has no column headed `pp`"
    assert result.err.startswith(said)
    # `check` says it of a file that was written by hand.
    path = FIRINGS / "F-01.toml"
    path.write_text(path.read_text(encoding="utf-8").replace('"p (psig)"', '"q (psig)"'))
    checked = run("check", "demo", "--json")
    assert checked.code == 1
    (problem,) = checked.json["problems"]
    assert (problem["code"], problem["field"]) == ("unknown-column", "trace.pressure")
