"""Campaigns as text, and the program's JSON for them."""

from __future__ import annotations

import contextlib
import io
import json
import math
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from strandwise.cli import main

ROOT = Path(__file__).parents[2]
# NIST SP 811 (2008), appendix B.8: 1 in = 25.4 mm exactly, 1 psi = 6.894 757 E+03 Pa.
INCH, PSI = 25.4, 6.894757293168e-3
RECIPES = """
[base]
ingredients = { potassium-nitrate = 65, sorbitol = 35 }

[chalk-10]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]
"""


@dataclass(frozen=True)
class Strand:
    """One row of strands.csv: mm, s, MPa absolute."""

    test: str
    batch: str
    length: float
    time: float
    pressure: float


@dataclass(frozen=True)
class Invented:
    """A campaign of strands in two formulations; every number of it is invented."""

    strands: tuple[Strand, ...]
    batches: tuple[tuple[str, str], ...]
    length_unit: str = "mm"
    pressure_unit: str = "MPa"

    def with_strands(self, strands: Sequence[Strand]) -> Invented:
        return replace(self, strands=tuple(strands))

    def scaled(self, *, length: float = 1.0, time: float = 1.0, pressure: float = 1.0) -> Invented:
        return self.with_strands(
            [
                replace(
                    s,
                    length=s.length * length,
                    time=s.time * time,
                    pressure=s.pressure * pressure,
                )
                for s in self.strands
            ]
        )

    def written(self, bench: Path) -> None:
        folder = bench / "campaigns" / "made"
        folder.mkdir(parents=True)
        shutil.copytree(ROOT / "shared", bench / "shared")
        (folder / "campaign.toml").write_text(
            'title = "Invented"\nbaseline = "base"\nreference_pressure = "3.5 MPa"\n'
            'ambient_pressure = "100 kPa"\n',
            encoding="utf-8",
        )
        (folder / "formulations.toml").write_text(RECIPES, encoding="utf-8")
        batches = ["batch,formulation", *(f"{b},{f}" for b, f in self.batches)]
        (folder / "batches.csv").write_text("\n".join(batches) + "\n", encoding="utf-8")
        long = {"mm": 1.0, "in": INCH}[self.length_unit]
        high = {"MPa": 1.0, "psi": PSI, "bar": 0.1}[self.pressure_unit]
        heading = f"test,batch,length ({self.length_unit}),time (s),pressure ({self.pressure_unit})"
        rows = [
            f"{s.test},{s.batch},{s.length / long!r},{s.time!r},{s.pressure / high!r}"
            for s in self.strands
        ]
        (folder / "strands.csv").write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")


def invented(seed: int, *, batches: int = 4, tests: int = 5, noise: float = 0.02) -> Invented:
    """Strands of alternating formulations whose batches and tests scatter."""
    rng = np.random.default_rng(seed)
    names = tuple((f"B-{i + 1}", ("base", "chalk-10")[i % 2]) for i in range(batches))
    strands = []
    for batch, formulation in names:
        level = (5.0 if formulation == "base" else 4.5) * math.exp(noise * rng.normal())
        for pressure in np.geomspace(1.2, 6.5, tests) * np.exp(0.05 * rng.normal(size=tests)):
            rate = level * pressure**0.4 * math.exp(noise * rng.normal())
            strands.append(
                Strand(f"T-{len(strands) + 1}", batch, 80.0, float(80.0 / rate), float(pressure))
            )
    return Invented(tuple(strands), names)


@contextlib.contextmanager
def bench_of(campaign: Invented) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        campaign.written(Path(name))
        yield Path(name)


def call(bench: Path, *args: str) -> tuple[int, str, str]:
    """Exit code, output and messages of one call."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["--bench", str(bench), *args])
    return code, out.getvalue(), err.getvalue()


def told(bench: Path, *args: str) -> Any:
    """The JSON of one call, in which no number may be missing in any way but null."""

    def refuse(text: str) -> None:
        msg = f"{text} is no JSON"
        raise ValueError(msg)

    code, out, err = call(bench, *args, "--json")
    assert code == 0, err
    return json.loads(out, parse_constant=refuse)


def answers(campaign: Invented) -> dict[str, Any]:
    """What every step says of a campaign of strands."""
    with bench_of(campaign) as bench:
        return {
            "reduce": told(bench, "reduce", "made"),
            "fit": told(bench, "fit", "made"),
            "compare": told(bench, "compare", "made", "--at", "3 MPa"),
        }


@pytest.fixture(scope="session")
def invent() -> Callable[..., Invented]:
    return invented


@pytest.fixture(scope="session")
def ask() -> Callable[[Invented], dict[str, Any]]:
    return answers


@pytest.fixture(scope="session")
def started() -> Callable[..., tuple[int, str, str]]:
    return call
