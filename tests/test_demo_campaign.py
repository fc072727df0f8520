"""The demonstration campaign holds what its generator says, and obeys the textbook relations."""

from __future__ import annotations

import csv
import hashlib
import math
import runpy
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / "campaigns" / "make_demo.py"
DEMO = ROOT / "campaigns" / "demo"
TRUTH: Any = runpy.run_path(str(SCRIPT))["TRUTH"]
FILES = sorted(p.relative_to(DEMO).as_posix() for p in DEMO.rglob("*") if p.is_file())
FIRINGS = ("F-01", "F-02", "F-03", "F-04")
PSI = 6894.757293168  # Pa, NIST SP 811 appendix B.8 (6.894 757 E+03)
GRAVITY = 9.80665  # m/s², NIST SP 811 appendix B.8
AMBIENT = 96_500.0  # Pa, stated in campaign.toml


def read_rows(name: str) -> list[dict[str, str]]:
    with (DEMO / name).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream, strict=True))


def read_firing(test: str) -> dict[str, Any]:
    return tomllib.loads((DEMO / "firings" / f"{test}.toml").read_text(encoding="utf-8"))


def millimetres(text: str) -> float:
    number, unit = text.split()
    assert unit == "mm"
    return float(number)


def throat_area(nozzle: dict[str, Any]) -> float:
    first = millimetres(nozzle["throat_diameter"])
    last = millimetres(nozzle.get("throat_diameter_after", nozzle["throat_diameter"]))
    return math.pi / 4 * (0.5 * (first + last) / 1e3) ** 2


def read_trace(test: str) -> dict[str, Any]:
    """Columns of the logger's file: s, gauge Pa less the rest reading, and raw counts."""
    lines = (DEMO / "traces" / f"{test}.csv").read_text(encoding="utf-8").splitlines()[1:]
    table = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    columns = dict(zip(lines[0].split(","), table.T, strict=True))
    time = (columns["millis"] - columns["millis"][0]) / 1e3
    quiet = time < 1.0
    trace = {"time": time, "quiet": quiet, "raw": columns.get("raw")}
    if "p" in columns:
        trace["gauge"] = (columns["p"] - columns["p"][quiet].mean()) * PSI
    return trace


def cell_line() -> tuple[float, float]:
    """Counts per N and counts at no load, from the calibration table."""
    text = (ROOT / "campaigns" / "demo" / "instruments.toml").read_text(encoding="utf-8")
    pairs = tomllib.loads(text)["cell-2"]["calibration"]
    factor = {"N": 1.0, "kgf": GRAVITY}
    loads = [float(p["load"].split()[0]) * factor[p["load"].split()[1]] for p in pairs]
    slope, zero = np.polyfit(loads, [p["reading"] for p in pairs], 1)
    return float(slope), float(zero)


def strand_points(batch: str, *, leave_out: tuple[str, ...]) -> tuple[Any, Any]:
    """Absolute pressure (MPa, mean of both readings) and rate (mm/s) of a batch."""
    rows = [r for r in read_rows("strands.csv") if r["batch"] == batch]
    rows = [r for r in rows if r["test"] not in leave_out]
    ends = [(r["pressure (psig)"], r["pressure_end (psig)"] or r["pressure (psig)"]) for r in rows]
    pressure = [((float(a) + float(b)) / 2 * PSI + AMBIENT) / 1e6 for a, b in ends]
    rate = [float(r["length (mm)"]) / float(r["time (s)"]) for r in rows]
    return np.array(pressure), np.array(rate)


def test_the_script_writes_the_same_bytes_again(tmp_path: Path) -> None:
    subprocess.run([sys.executable, str(SCRIPT), str(tmp_path)], check=True)
    written = sorted(p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file())
    assert written == FILES
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name


def test_the_script_knows_nothing_of_the_package() -> None:
    source = SCRIPT.read_text(encoding="utf-8")
    assert "import strandwise" not in source
    assert "from strandwise" not in source


@pytest.mark.parametrize("name", FILES)
def test_every_file_says_it_is_invented_and_stays_small(name: str) -> None:
    data = (DEMO / name).read_bytes()
    assert b"invented" in data.lower()
    assert b"\r" not in data
    assert len(data) < 60_000


@pytest.mark.parametrize("name", [name for name in FILES if name.endswith(".toml")])
def test_tables_parse(name: str) -> None:
    assert tomllib.loads((DEMO / name).read_text(encoding="utf-8"))


def test_records_refer_to_one_another() -> None:
    formulations = tomllib.loads((DEMO / "formulations.toml").read_text(encoding="utf-8"))
    batches = {row["batch"]: row["formulation"] for row in read_rows("batches.csv")}
    strands = read_rows("strands.csv")
    assert batches == TRUTH.batches
    assert set(batches.values()) == set(formulations) == set(TRUTH.formulations)
    assert {row["batch"] for row in strands} == set(batches)
    assert len({row["test"] for row in strands}) == len(strands)
    fired = {batches[read_firing(test)["batch"]] for test in FIRINGS}
    assert fired == set(formulations)
    mixed = {row["batch"]: row["mixed"] for row in read_rows("batches.csv")}
    assert all(row["date"] > mixed[row["batch"]] for row in strands)
    for test in FIRINGS:
        assert read_firing(test)["date"].isoformat() > mixed[read_firing(test)["batch"]]


@pytest.mark.parametrize("test", ["F-01", "F-02", "F-03"])
def test_digest_is_that_of_the_trace(test: str) -> None:
    trace = read_firing(test)["trace"]
    assert trace["sha256"] == hashlib.sha256((DEMO / trace["file"]).read_bytes()).hexdigest()


@pytest.mark.parametrize("batch", TRUTH.batches)
def test_strands_follow_the_known_law(batch: str) -> None:
    pressure, rate = strand_points(batch, leave_out=(TRUTH.outlier, TRUTH.excluded))
    assert pressure.min() > 1.0
    assert pressure.max() < 7.0
    assert pressure.max() / pressure.min() > 5.0
    law = TRUTH.formulations[TRUTH.batches[batch]]
    x = np.log(pressure / TRUTH.reference_pressure_MPa)
    slope, level = np.polyfit(x, np.log(rate), 1)
    # three standard errors of least squares at the scatter that the strands were given
    spread = 3.0 * TRUTH.strand_scatter
    known = TRUTH.strand_rate_mm_s(batch, TRUTH.reference_pressure_MPa)
    centre_distance = x.mean() ** 2 / np.sum((x - x.mean()) ** 2)
    assert abs(level - math.log(known)) < spread * math.sqrt(1 / len(x) + centre_distance)
    assert abs(slope - law.exponent) < spread / math.sqrt(np.sum((x - x.mean()) ** 2))


def test_two_strands_went_wrong_and_one_of_them_is_left_for_the_reader_to_find() -> None:
    rows = {row["test"]: row for row in read_rows("strands.csv")}
    assert [test for test, row in rows.items() if row["exclude"]] == [TRUTH.excluded]
    row = rows[TRUTH.outlier]
    pressure = (float(row["pressure (psig)"]) * PSI + AMBIENT) / 1e6
    rate = float(row["length (mm)"]) / float(row["time (s)"])
    excess = rate / TRUTH.strand_rate_mm_s(row["batch"], pressure)
    assert excess == pytest.approx(TRUTH.outlier_factor, rel=3 * TRUTH.strand_scatter)
    assert row["notes"]


@pytest.mark.parametrize("row", read_rows("batches.csv"), ids=lambda row: row["batch"])
def test_castings_are_as_dense_as_castings_are(row: dict[str, str]) -> None:
    # parts by mass of nitrate, sorbitol, carbonate; crystal densities from memory (handbook values)
    parts = {"base": (65, 35, 0), "carbonate-10": (65, 31.5, 3.5), "carbonate-20": (65, 28, 7)}
    volume = np.dot(parts[row["formulation"]], [1 / 2.11, 1 / 1.489, 1 / 2.71])
    share = float(row["density (g/cm3)"]) * volume / 100.0
    assert 0.93 < share < 0.98  # castings of nitrate and sugar reach 93-98 %, from memory


@pytest.mark.parametrize("test", FIRINGS)
def test_grain_mass_is_its_volume_times_the_density_of_its_batch(test: str) -> None:
    firing = read_firing(test)
    grain = firing["grain"]
    outer, core = millimetres(grain["outer_diameter"]), millimetres(grain["core_diameter"])
    annulus = math.pi / 4 * (outer**2 - core**2)
    volume = grain["segments"] * annulus * millimetres(grain["length"]) / 1e3  # cm³
    density = {row["batch"]: float(row["density (g/cm3)"]) for row in read_rows("batches.csv")}
    expected = density[firing["batch"]] * volume
    assert float(grain["mass"].removesuffix(" g")) == pytest.approx(expected, abs=0.06)


@pytest.mark.parametrize("test", ["F-01", "F-03"])
def test_pressure_integral_gives_back_the_characteristic_velocity(test: str) -> None:
    # c* = ∫P A_t dt / m: NASA SP-8039 (1971) p. 95; 0.4 g of igniter is 0.3 % of the mass
    firing, trace = read_firing(test), read_trace(test)
    mass = float(firing["grain"]["mass"].removesuffix(" g")) / 1e3
    burning = (trace["time"] > 1.15) & (trace["time"] < 3.0)
    absolute = np.where(trace["gauge"] > 0.05e6, trace["gauge"] + AMBIENT, 0.0)
    integral = np.trapezoid(absolute[burning], trace["time"][burning])
    measured = integral * throat_area(firing["nozzle"]) / mass
    known = TRUTH.formulations[TRUTH.batches[firing["batch"]]].characteristic_velocity
    assert measured == pytest.approx(known, rel=0.01)


@pytest.mark.parametrize("test", ["F-01", "F-03"])
def test_web_over_burning_time_gives_back_the_motor_rate(test: str) -> None:
    # r = web/t_b (NASA SP-8039 p. 77) equals a·P^n exactly at the rate-mean pressure
    # (1/t_b ∫P^n dt)^(1/n), an identity of the power law; burning ends here where the pressure
    # is half way down its tail, which is good to about 1 % of the time
    firing, trace = read_firing(test), read_trace(test)
    grain, batch = firing["grain"], firing["batch"]
    exponent = TRUTH.formulations[TRUTH.batches[batch]].exponent
    web = (millimetres(grain["outer_diameter"]) - millimetres(grain["core_diameter"])) / 2
    time, gauge = trace["time"], trace["gauge"]
    start = np.argmax(gauge > 0.1 * gauge.max())
    end = len(gauge) - 1 - np.argmax(gauge[::-1] > 0.5 * gauge.max())
    absolute = (gauge[start : end + 1] + AMBIENT) / 1e6
    burning_time = time[end] - time[start]
    integral = np.trapezoid(absolute**exponent, time[start : end + 1])
    rate_mean = (integral / burning_time) ** (1 / exponent)
    known = TRUTH.motor_rate_mm_s(test, batch, rate_mean)
    assert web / burning_time == pytest.approx(known, rel=0.02)
    assert 2.0 < rate_mean < 6.0
    assert gauge.max() / 1e6 < 6.0


@pytest.mark.parametrize("test", ["F-02", "F-03"])
def test_the_stand_loses_the_weight_of_the_propellant(test: str) -> None:
    trace = read_trace(test)
    slope, _ = cell_line()
    lost = (trace["raw"][trace["quiet"]].mean() - trace["raw"][trace["time"] > 3.2].mean()) / slope
    mass = float(read_firing(test)["grain"]["mass"].removesuffix(" g")) / 1e3
    assert lost == pytest.approx(mass * GRAVITY, rel=0.05)


def test_thrust_and_pressure_of_one_firing_agree() -> None:
    # ideal thrust coefficient: NASA SP-8039 eq. 22 and 23 (pp. 29-31); efficiency 0.92-0.98, p. 32
    firing, trace = read_firing("F-03"), read_trace("F-03")
    nozzle, gamma = firing["nozzle"], TRUTH.specific_heat_ratio
    area = throat_area(nozzle)
    expansion = math.pi / 4 * (millimetres(nozzle["exit_diameter"]) / 1e3) ** 2 / area
    slope, _ = cell_line()
    steady = (trace["time"] > 1.5) & (trace["time"] < 2.0)
    thrust = (trace["raw"][steady].mean() - trace["raw"][trace["quiet"]].mean()) / slope
    pressure = trace["gauge"][steady].mean() + AMBIENT

    def expansion_at(mach: float) -> float:
        bracket = 2 / (gamma + 1) * (1 + (gamma - 1) / 2 * mach**2)
        return math.pow(bracket, (gamma + 1) / (2 * (gamma - 1))) / mach

    mach = brentq(lambda m: expansion_at(m) - expansion, 1.0, 6.0)  # NACA Report 1135 eq. 80,
    exit_share = (1 + (gamma - 1) / 2 * mach**2) ** (-gamma / (gamma - 1))  # 44, from memory
    choked = 2 * gamma**2 / (gamma - 1) * (2 / (gamma + 1)) ** ((gamma + 1) / (gamma - 1))
    momentum = math.sqrt(choked * (1 - exit_share ** ((gamma - 1) / gamma)))
    divergence = (1 + math.cos(math.radians(12.0))) / 2
    ideal = divergence * momentum + (exit_share - AMBIENT / pressure) * expansion
    efficiency = thrust / (ideal * pressure * area)
    assert 0.92 < efficiency < 0.98
    assert efficiency == pytest.approx(TRUTH.thrust_efficiency, rel=0.01)


def test_the_shipped_cell_is_the_one_the_traces_were_made_with() -> None:
    script = runpy.run_path(str(SCRIPT))
    slope, zero = cell_line()
    assert slope == pytest.approx(script["CELL_SLOPE"], rel=0.002)
    assert zero == pytest.approx(script["CELL_ZERO"], abs=0.3 * script["CELL_SLOPE"])
