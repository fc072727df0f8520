"""Campaigns with a hidden truth, written as a person would, through the commands to their JSON.

The writer knows the file formats and nothing else of the package (own computation): strands are
read in several units, gauge or absolute, with stated, halved or no uncertainties; batches differ,
and in some campaigns one reading is mistyped.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from strandwise.cli import main

if TYPE_CHECKING:
    from pathlib import Path

PSI, INCH = 6894.757293168361, 0.0254
AMBIENT = 95_300.0
# Of a reading, and of one test to the next.
SD_TIME, SD_LENGTH, SD_PRESSURE, SCATTER = 0.02, 0.2e-3, 15e3, 0.02
FORMULATIONS = """
[base]
ingredients = { potassium-nitrate = 65, sorbitol = 35 }
[chalk-5]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "5 %", with = "calcium-carbonate" }]
[chalk-10]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]
"""


@dataclass(frozen=True)
class Truth:
    """r = rate·(P/at)^n, SI."""

    rate: float
    n: float
    at: float

    def __call__(self, pressure: float) -> float:
        return self.rate * (pressure / self.at) ** self.n


@dataclass(frozen=True)
class Writer:
    """How a person writes lengths, times and pressures."""

    length: str = "mm"
    time: str = "s"
    pressure: str = "MPa"

    @property
    def heading(self) -> str:
        return f"test,batch,length ({self.length}),time ({self.time}),pressure ({self.pressure})"

    def row(self, name: str, batch: str, length: float, time: float, pressure: float) -> str:
        read = {
            "MPa": pressure / 1e6,
            "psia": pressure / PSI,
            "psig": (pressure - AMBIENT) / PSI,
            "barg": (pressure - AMBIENT) / 1e5,
        }[self.pressure]
        long = length / {"mm": 1e-3, "in": INCH}[self.length]
        took = time / {"s": 1.0, "ms": 1e-3}[self.time]
        return f"{name},{batch},{long:.4f},{took:.4f},{read:.4f}"


WRITERS = (Writer(), Writer("in", "s", "psig"), Writer("in", "ms", "psia"), Writer(pressure="barg"))


def burnt(
    rng: np.random.Generator,
    law: Truth,
    pressure: float,
    scatter: float = SCATTER,
    mistyped: float = 1.0,
) -> tuple[float, float, float]:
    """Length, time and pressure as read of one strand."""
    length = rng.uniform(0.055, 0.085)
    time = length / (law(pressure) * math.exp(scatter * rng.normal()))
    return (
        length + SD_LENGTH * rng.normal(),
        (time + SD_TIME * rng.normal()) * mistyped,
        pressure + SD_PRESSURE * rng.normal(),
    )


def stated(factor: float | None) -> str:
    if factor is None:
        return ""
    return (
        f'[uncertainty]\ntime_sd = "{factor * SD_TIME} s"\n'
        f'length_sd = "{factor * SD_LENGTH * 1e3} mm"\n'
        f'pressure_sd = "{factor * SD_PRESSURE / 1e3} kPa"\n'
    )


def answer(
    bench: Path,
    capsys: pytest.CaptureFixture[str],
    command: str,
    *,
    strands: list[str],
    batches: list[str],
    at: float,
    factor: float | None,
) -> Any:
    folder = bench / "campaigns" / "hidden"
    folder.mkdir(parents=True, exist_ok=True)
    settings = (
        f'title = "hidden"\nbaseline = "base"\nreference_pressure = "{at / 1e3} kPaa"\n'
        f'ambient_pressure = "{AMBIENT} Pa"\n'
    )
    for name, text in {
        "campaign.toml": settings + stated(factor),
        "formulations.toml": FORMULATIONS,
        "batches.csv": "\n".join(["batch,formulation", *batches]) + "\n",
        "strands.csv": "\n".join(strands) + "\n",
    }.items():
        (folder / name).write_text(text, encoding="utf-8")
    assert main(["--bench", str(bench), command, "hidden", "--json"]) == 0
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("number", "points", "span", "factor", "mistyped"),
    [(0, 6, (1.5e6, 7e6), 1.0, 0.0), (1, 4, (1e6, 6e6), None, 0.0), (2, 12, (1e6, 8e6), 0.5, 0.0),
     (3, 8, (2e6, 5e6), 2.0, 0.05)],
    ids=["stated", "four-unstated", "understated", "narrow-overstated-mistyped"],
)  # fmt: skip
def test_laws_of_five_hundred_hidden_batches_are_covered(
    number: int,
    points: int,
    span: tuple[float, float],
    factor: float | None,
    mistyped: float,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    rng, writer, at = np.random.default_rng(500 + number), WRITERS[number], 3e6
    truth = {}
    strands = [writer.heading]
    for batch in range(500):
        law = Truth(8e-3 * math.exp(0.1 * rng.normal()), 0.35 + 0.1 * rng.normal(), at)
        truth[f"B-{batch}"] = law
        wrong = rng.integers(points) if rng.random() < mistyped else -1
        for test, pressure in enumerate(np.exp(rng.uniform(*np.log(span), points))):
            read = burnt(rng, law, pressure, mistyped=1.15 if test == wrong else 1.0)
            strands.append(writer.row(f"T-{batch}-{test}", f"B-{batch}", *read))
    told = answer(
        tmp_path, capsys, "fit", strands=strands, batches=[f"{b},base" for b in truth], at=at,
        factor=factor,
    )  # fmt: skip
    assert len(told["fits"]) == 500
    hits = []
    for fit in told["fits"]:
        law = truth[fit["batch"]]
        (low_n, high_n), (low, high) = fit["n_ci95"], fit["rate_at_reference_ci95"]
        hits.append((low_n <= law.n <= high_n, low <= 1e3 * law.rate <= high))
    # 94 to 96 %, and 2.5 standard errors of 500 batches (2.4 %).
    for share in np.mean(hits, axis=0):
        assert 0.94 - 0.024 <= share <= 0.96 + 0.024


def hidden_campaign(
    seed: int, each: int | None, bench: Path, capsys: pytest.CaptureFixture[str]
) -> tuple[dict[str, float], Any]:
    """A campaign whose batches differ by 6 %: true shifts, and the answer of `compare`."""
    rng = np.random.default_rng([seed, each or 0])
    at = float(rng.uniform(2.5e6, 4.5e6))
    shifts = {"base": 0.0, "chalk-5": 0.0, "chalk-10": 0.0}
    if seed % 2:  # every other campaign has an effect
        shifts |= {"chalk-5": rng.uniform(-0.2, 0.1), "chalk-10": rng.uniform(-0.3, 0.1)}
    writer = WRITERS[seed % len(WRITERS)]
    batches, strands = [], [writer.heading]
    for name, shift in shifts.items():
        for number in range(each or int(rng.integers(2, 5))):
            batch = f"{name}-{number}"
            batches.append(f"{batch},{name}")
            law = Truth(8e-3 * math.exp(shift + 0.06 * rng.normal()), 0.4, at)
            wrong = 0 if (seed % 5, name, number) == (0, "chalk-5", 1) else -1
            for test, pressure in enumerate(np.exp(rng.uniform(*np.log([1.3e6, 7e6]), 5))):
                read = burnt(rng, law, pressure, mistyped=1.15 if test == wrong else 1.0)
                strands.append(writer.row(f"{batch}-{test}", batch, *read))
    factor = (1.0, 0.5, None)[seed % 3]
    told = answer(
        bench, capsys, "compare", strands=strands, batches=batches, at=at, factor=factor
    )  # fmt: skip
    return shifts, told


def test_shifts_of_seventy_hidden_campaigns_are_covered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hits, alarms = [], []
    for seed in range(70):
        shifts, told = hidden_campaign(seed, None, tmp_path, capsys)
        rows = [row for row in told["formulations"] if row["formulation"] != "base"]
        for row in rows:
            low, high = row["shift_ci95"]
            hits.append(low <= 100 * math.expm1(shifts[row["formulation"]]) <= high)
        if not any(shifts.values()):
            alarms.append(min(row["shift_p"] for row in rows) < 0.05)
    # 93 % or more, and false alarms of 6 % or less, up to 2 standard errors of 140 and 35.
    assert np.mean(hits) >= 0.93 - 0.043
    assert np.mean(alarms) <= 0.06 + 0.08


def test_one_batch_of_each_answers_so_and_with_no_probability(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for seed in range(6):
        _, told = hidden_campaign(seed, 1, tmp_path, capsys)
        assert "not-separable" in {one["code"] for one in told["warnings"]}
        for row in told["formulations"]:
            assert "one-batch" in {one["code"] for one in row["warnings"]}
            assert row["shift_ci95"] is row["shift_p"] is row["n_shift_p"] is None
