"""`strandwise calibrate` as a person uses it."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

SHARED = Path("shared/instruments.toml")
ROWS = (
    "--row", "61231 = 0 N", "--row", "113702 = 5 kgf", "--row", "165968 = 10 kgf",
    "--row", "113990 = 5 kgf", "--row", "61240 = 0 N",
)  # fmt: skip


@pytest.mark.usefixtures("bench")
def test_an_instrument_as_it_stands(run: Any) -> None:
    result = run("calibrate", "cell-2")
    assert (result.code, result.err) == (0, "")
    assert result.out.startswith("Calibration of cell-2 in campaigns/demo/instruments.toml\n")
    # The reference: slope and its standard error by an independent least-squares program.
    from scipy.stats import linregress

    readings = [61231, 113702, 165968, 270930, 375611]
    loads = [kgf * 9.80665 for kgf in (0, 5, 10, 20, 30)]  # 1 kgf, NIST SP 811
    line = linregress(readings, loads)
    shown = f"Line: {line.slope * 1e3:.5f} ± {line.stderr * 1e3:.5f} N per 1000 counts"
    assert shown in result.out
    assert "Hysteresis: not known" in result.out
    told = run("calibrate", "cell-2", "--json").json
    assert told["written"] is False
    assert told["slope_N_per_count"] == pytest.approx(line.slope, rel=1e-12)
    assert told["slope_sd_N_per_count"] == pytest.approx(line.stderr, rel=1e-9)
    assert told["load_at_reading_0_N"] == pytest.approx(line.intercept, rel=1e-12)
    assert told["hysteresis_percent"] is None


@pytest.mark.usefixtures("bench")
def test_a_new_cell_is_written_judged_drawn_and_then_used(run: Any) -> None:
    before = SHARED.read_bytes()
    words = ("calibrate", "cell-7", "--kind", "load-cell", *ROWS, "--calibrated", "2026-05-02")
    result = run(*words, "--figure", "cell.svg")
    assert (result.code, result.err) == (0, "")
    assert result.out.startswith("Calibrated cell-7 in shared/instruments.toml\n")
    # Own computation: 288 counts at 5 kgf of some 10474 a kgf, 0.0275 kgf of a span of 10 kgf.
    assert "Hysteresis: at 49.0 N it reads 0.27 % of the span more from above" in result.out
    assert Path("cell.svg").read_text(encoding="utf-8").startswith("<?xml")
    assert SHARED.read_bytes().startswith(before)
    entry = tomllib.loads(SHARED.read_text(encoding="utf-8"))["cell-7"]
    assert str(entry["calibrated"]) == "2026-05-02"
    assert run("check", "demo").code == 0
    again = run("calibrate", "cell-7", "--json").json
    assert len(again["rows"]) == 5
    assert [row["load_N"] for row in again["rows"]][1] == 49.03325
    logged = run(
        "log", "firing", "demo", "--test", "F-09", "--batch", "M-01", "--outer-diameter", "33 mm",
        "--core-diameter", "16 mm", "--length", "57.5 mm", "--segments", "2", "--inhibited",
        "outer", "--throat-diameter", "6.6 mm", "--trace-file", "campaigns/demo/traces/F-02.csv",
        "--trace-time", "millis (ms)", "--trace-thrust", "raw (count)",
        "--trace-instrument", "cell-7",
    )  # fmt: skip
    assert (logged.code, logged.err) == (0, "")


@pytest.mark.usefixtures("bench")
def test_calibrated_anew(run: Any) -> None:
    words = ("calibrate", "cell-2", "--campaign", "demo", *ROWS)
    refused = run(*words)
    assert refused.code == 1
    assert "the kind of instrument is missing" in refused.err
    refused = run(*words, "--kind", "load-cell")
    assert refused.code == 1
    assert "has an instrument `cell-2` already" in refused.err
    result = run(*words, "--replace")
    assert result.code == 0
    assert "Against the calibration that it replaces the slope changed by" in result.out
    text = Path("campaigns/demo/instruments.toml").read_text(encoding="utf-8")
    assert text.startswith("# Invented, as the whole campaign")
    assert 'resolution = "0.05 N"' in text


@pytest.mark.usefixtures("bench")
def test_a_pressure_gauge_in_inch_pound_units(run: Any) -> None:
    rows = [word for volts, psi in ((0.5, 0), (1.5, 250), (2.5, 500), (4.5, 1000))
            for word in ("--row", f"{volts} V = {psi} psig")]  # fmt: skip
    words = ("calibrate", "p-1", "--campaign", "demo", "--kind", "pressure-transducer", *rows)
    result = run(*words, "--units", "inch-pound")
    assert (result.code, result.err) == (0, "")
    # Own computation: 1000 psi over 4 V, through 0 psig at 0.5 V, 96.5 kPa = 13.996 psi of air.
    assert "Line: 250.000 psi per V. Every row lies on it to the last digit" in result.out
    assert "Its zero, 0 psi absolute, is at a reading of 0.444015 V." in result.out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--kind", "load-cell"), 2, "--kind without a row"),
        (("--replace",), 2, "--replace without a row"),
        (("--kind", "load-cell", "--row", "x = 0 N", "--row", "2 = 5 N"), 1, "row 1: `x`"),
        (("--kind", "load-cell", *ROWS, "--calibrated", "2/5/2026"), 1, "--calibrated: "),
        (("--kind", "load-cell", *ROWS, "--figure", "cell.gif"), 1, "cannot be written as `.gif`"),
        (("--kind", "load-cell", *ROWS, "--figure", "no/cell.svg"), 1, "the folder `no`"),
        (("--kind", "load-cell", *ROWS, "--campaign", "nix"), 1, "no campaign `nix`"),
        (("--kind", "load-cell", "--table", "nowhere.csv"), 1, "nowhere.csv"),
        ((), 1, "no instrument `cell-7`"),
    ],
)
def test_bad_input(
    run: Any, bench: Path, digest: Any, words: tuple[str, ...], code: int, said: str
) -> None:
    before = digest(bench)
    result = run("calibrate", "cell-7", *words)
    assert (result.code, result.out) == (code, "")
    assert said in result.err
    assert digest(bench) == before


@pytest.mark.usefixtures("bench")
def test_rows_are_told_in_the_benchs_units_and_to_the_cells_resolution(run: Any) -> None:
    settings = Path("campaigns/demo/campaign.toml")
    text = settings.read_text(encoding="utf-8").replace('"metric"', '"inch-pound"')
    settings.write_text(text, encoding="utf-8")
    result = run(
        "calibrate", "cell-9", "--kind", "load-cell", "--resolution", "0.01 lbf",
        "--row", "8412 = 0 lbf", "--row", "23590 = 10 lbf", "--row", "46521 = 25 lbf",
        "--row", "84618 = 50 lbf", "--row", "46580 = 25 lbf", "--row", "8395 = 0 lbf",
    )  # fmt: skip
    assert (result.code, result.err) == (0, "")
    told = [line.split() for line in result.out.splitlines() if line[:1].isdigit()]
    # Own computation: the least-squares line by numpy.polyfit is 0.0096 lbf above the first row.
    assert told[0] == ["1", "8412", "0.00", "−0.01", "−0.02", "below"]
    assert [row[2] for row in told] == ["0.00", "10.00", "25.00", "50.00", "25.00", "0.00"]
    assert "load (lbf)" in result.out
    assert "load (N)" in run("calibrate", "cell-9", "--units", "metric").out


@pytest.mark.parametrize(
    ("words", "watched"),
    [
        (("--help",), ("numpy", "scipy", "tomlkit", "rich", "matplotlib")),
        (("cell-2",), ("pandas", "matplotlib", "lmfit", "scipy.stats", "scipy.optimize")),
    ],
    ids=["help", "report"],
)
@pytest.mark.usefixtures("bench")
def test_it_loads_no_more_than_it_uses(words: tuple[str, ...], watched: tuple[str, ...]) -> None:
    probe = (
        "import sys; from strandwise.cli import main; code = main(['calibrate', *sys.argv[1:]]); "
        f"print([n for n in {watched!r} if n in sys.modules], file=sys.stderr); sys.exit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", probe, *words], capture_output=True, text=True, check=True
    )
    assert done.stderr == "[]\n"
