"""How long the main jobs take against the obvious alternative in the same run, and how they grow.

pytest-benchmark measures; `speed_table.py` turns its record into the table of DEVELOPERS.md. What
is asserted is a ratio of two times of one run, never a time: growth from one size to ten times it,
no worse than n·log n (with a margin for a busy machine), so that nothing quadratic comes in unseen.
"""

from __future__ import annotations

import contextlib
import gc
import io
import math
import os
import shutil
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit

from strandwise.cli import main
from strandwise.forecast import DrawnLaw, MotorDesign, burn_motor
from strandwise.motor import HollowCylinder, Nozzle, burning_area, burnout_depth
from strandwise.motor import propellant_volume as volume_left
from strandwise.ratelaw import fit_power_laws
from strandwise.records import Channel, TraceSpec
from strandwise.reduction import events_from_arrays, read_trace

ROOT = Path(__file__).parents[2]
TESTS_A_BATCH = 6
POINTS = 12
# Below this a time is mostly overhead that does not depend on size.
SHORTEST = 0.05
MARGIN = 2.0

Work = Callable[[], object]


@dataclass(frozen=True)
class Job:
    """One job: how to prepare it for a size, and the alternative that a person would write."""

    what: str
    sizes: tuple[int, ...]
    ours: Callable[[int, Path], Work]
    alternative: str
    theirs: Callable[[int, Path], Work]


def in_process(*words: str) -> Work:
    """One call of the program, its output swallowed."""

    def call() -> None:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main(words)
        assert code == 0, err.getvalue()

    return call


def strand_table(tests: int) -> pd.DataFrame:
    """Invented strands of batches of six, baseline and one other formulation in turn."""
    rng = np.random.default_rng(tests)
    batch = np.arange(tests) // TESTS_A_BATCH
    pressure = np.exp(rng.uniform(math.log(1.5), math.log(7.0), tests))
    level = 0.04 * rng.normal(size=int(batch[-1]) + 1)[batch] - 0.1 * (batch % 2)
    rate = 8.0 * (pressure / 3.5) ** 0.38 * np.exp(level + 0.02 * rng.normal(size=tests))
    return pd.DataFrame(
        {
            "test": [f"T-{i}" for i in range(tests)],
            "batch": [f"B-{i}" for i in batch],
            "length (mm)": 80.0,
            "time (s)": (80.0 / rate).round(4),
            "pressure (MPa)": pressure.round(4),
        }
    )


def bench_of(tests: int, folder: Path) -> Path:
    """A bench folder with one campaign of so many strands; made once for each size."""
    bench = folder / f"bench-{tests}"
    if bench.exists():
        return bench
    campaign = bench / "campaigns" / "many"
    campaign.mkdir(parents=True)
    shutil.copytree(ROOT / "shared", bench / "shared")
    (campaign / "campaign.toml").write_text(
        'title = "Invented"\nbaseline = "base"\nreference_pressure = "3.5 MPa"\n', encoding="utf-8"
    )
    (campaign / "formulations.toml").write_text(
        "[base]\ningredients = { potassium-nitrate = 65, sorbitol = 35 }\n\n[other]\n"
        'parent = "base"\nadd = [{ ingredient = "calcium-carbonate", parts = 3 }]\n',
        encoding="utf-8",
    )
    strands = strand_table(tests)
    names = list(dict.fromkeys(strands["batch"]))
    rows = [f"{name},{('base', 'other')[i % 2]}" for i, name in enumerate(names)]
    (campaign / "batches.csv").write_text("\n".join(["batch,formulation", *rows]) + "\n")
    strands.to_csv(campaign / "strands.csv", index=False)
    return bench


def command(*words: str) -> Callable[[int, Path], Work]:
    def prepared(size: int, folder: Path) -> Work:
        return in_process("--bench", str(bench_of(size, folder)), *words)

    return prepared


def read_by_pandas(size: int, folder: Path) -> Work:
    path = bench_of(size, folder) / "campaigns" / "many" / "strands.csv"
    return lambda: pd.read_csv(path)


def loop_over_batches(size: int, _: Path) -> Work:
    table = strand_table(size)

    def loop() -> None:
        for _, batch in table.groupby("batch"):
            if len(batch) > 2:
                x = np.log(batch["pressure (MPa)"].to_numpy())
                y = np.log((batch["length (mm)"] / batch["time (s)"]).to_numpy())
                curve_fit(lambda p, a, b: a + b * p, x, y, p0=(1.0, 0.3))

    return loop


def readings(batches: int) -> tuple[Any, Any, Any]:
    rng = np.random.default_rng(1)
    x = np.log(rng.uniform(1.5, 7.0, (batches, POINTS)) / 3.5)
    sd = rng.uniform(0.01, 0.04, x.shape)
    return x, 0.35 * x - 4.8 + np.hypot(sd, 0.02) * rng.normal(size=x.shape), sd


def one_pass(batches: int, _: Path) -> Work:
    x, y, sd = readings(batches)
    sd_x, mask = np.full(x.shape, 0.01), np.ones(x.shape, dtype=bool)
    return lambda: fit_power_laws(x, y, sd_x, sd, mask)


def curve_fit_loop(batches: int, _: Path) -> Work:
    x, y, sd = readings(batches)

    def loop() -> None:
        for row in range(batches):
            curve_fit(lambda p, a, b: a + b * p, x[row], y[row], p0=(-4.0, 0.3), sigma=sd[row])

    return loop


def log_of(rows: int, folder: Path) -> Path:
    path = folder / f"log-{rows}.csv"
    if not path.exists():
        share = np.arange(rows) / rows
        force = np.interp(share, [0.4, 0.4005, 0.56, 0.565], [0.0, 400.0, 400.0, 0.0])
        force += np.random.default_rng(1).normal(0.0, 1.0, rows)
        table = pd.DataFrame({"t": np.arange(rows), "F": force.round(2)})
        table.to_csv(path, index=False)
    return path


def log_to_events(rows: int, folder: Path) -> Work:
    clock = Channel(column="t", unit="ms", scale=1e-3, offset=0.0)
    thrust = Channel(column="F", unit="N", scale=1.0, offset=0.0)
    spec = TraceSpec(file=log_of(rows, folder), time=clock, thrust=thrust)

    def reduce() -> None:
        trace = read_trace(spec)
        assert trace.thrust is not None
        events_from_arrays(trace.time, trace.thrust, unit="N")

    return reduce


def log_by_pandas(rows: int, folder: Path) -> Work:
    path = log_of(rows, folder)
    return lambda: pd.read_csv(path)


GRAIN = HollowCylinder(0.038, 0.013, 0.0635, segments=4, inhibited=frozenset({"outer"}))
DESIGN = MotorDesign(
    name="invented",
    grain=GRAIN,
    nozzle=Nozzle(0.0111, None, 0.0244, math.radians(12.0)),
    density=1785.0,
    characteristic_velocity=890.0,
    specific_heat_ratio=1.13,
    thrust_efficiency=0.94,
    ambient_pressure=1.0e5,
    free_volume=5.0e-5,
)


def drawn(draws: int) -> DrawnLaw:
    rng = np.random.default_rng(3)
    ln_r0 = math.log(8e-3) + 0.03 * rng.standard_normal(draws)
    return DrawnLaw("power", 3.5e6, ln_r0, 0.42 + 0.02 * rng.standard_normal(draws))


def all_draws_at_once(draws: int, _: Path) -> Work:
    law = drawn(draws)
    return lambda: burn_motor(DESIGN, law)


def one_draw_after_another(draws: int, _: Path) -> Work:
    law = drawn(draws)
    end, energy = burnout_depth(GRAIN), DESIGN.gas_energy
    whole = float(volume_left(GRAIN))
    throat = math.pi / 4.0 * DESIGN.nozzle.throat_diameter**2

    def loop() -> None:
        for ln_r0, n in zip(law.ln_r0, law.n, strict=True):

            def slopes(_: float, state: Any, ln_r0: float = ln_r0, n: float = n) -> list[float]:
                y, x = state
                pressure = math.exp(y)
                rate = math.exp(ln_r0 + n * (y - math.log(3.5e6)))
                made = DESIGN.density * float(burning_area(GRAIN, min(x, end))) * rate
                volume = DESIGN.free_volume + whole - float(volume_left(GRAIN, min(x, end)))
                out = pressure * throat / DESIGN.characteristic_velocity
                return [energy / volume * (made - out) / pressure, rate]

            solve_ivp(slopes, (0.0, 3.0), [math.log(1e5), 0.0], method="LSODA", rtol=1e-6)

    return loop


def picture_and_table(size: int, folder: Path) -> Work:
    """What a person would do in a notebook: a picture for each formulation and a table."""
    table = strand_table(size)

    def draw() -> None:
        from matplotlib.figure import Figure

        axes = Figure().add_subplot()
        for _, batch in table.groupby("batch"):
            axes.loglog(batch["pressure (MPa)"], batch["length (mm)"] / batch["time (s)"], "o")
        assert axes.figure is not None
        axes.figure.savefig(folder / "picture.svg")  # type: ignore[union-attr]
        table.to_html(folder / "table.html")

    return draw


def page(size: int, folder: Path) -> Work:
    bench = bench_of(size, folder)
    return in_process("--bench", str(bench), "report", "many", "-o", str(folder / "page.html"))


JOBS = {
    "fit": Job("laws of n batches of 12 tests", (10, 100, 1000, 10_000), one_pass,
               "loop of scipy's curve_fit", curve_fit_loop),
    "log": Job("log of n rows, file to events", (10_000, 100_000, 1_000_000), log_to_events,
               "pandas reading the file", log_by_pandas),
    "burn": Job("motor of four segments, n draws", (100, 1000, 10_000), all_draws_at_once,
                "loop of scipy's solve_ivp", one_draw_after_another),
    "check": Job("check, n strands", (100, 1000, 10_000), command("check", "many"),
                 "pandas reading the file", read_by_pandas),
    "reduce": Job("reduce, n strands", (100, 1000, 10_000), command("reduce", "many", "--json"),
                  "pandas reading the file", read_by_pandas),
    "laws": Job("fit, n strands", (100, 1000, 10_000), command("fit", "many", "--json"),
                "loop of scipy's curve_fit", loop_over_batches),
    "compare": Job("compare, n strands", (100, 1000, 10_000), command("compare", "many", "--json"),
                   "loop of scipy's curve_fit", loop_over_batches),
    "report": Job("report, n strands", (100, 1000), page,
                  "one picture and one table", picture_and_table),
}  # fmt: skip
# The alternative is measured up to here and is in proportion to size beyond.
MOST_FOR_A_LOOP = {"fit": 1000, "burn": 100}
# Sizes beyond these are for the table alone, and take their time.
EVERYDAY = {"fit": 10_000, "burn": 10_000, "log": 1_000_000, "report": 100}
ALL_SIZES = bool(os.environ.get("STRANDWISE_ALL_SIZES"))
CASES = [
    (name, size)
    for name, job in JOBS.items()
    for size in job.sizes
    if ALL_SIZES or size <= EVERYDAY.get(name, 1000)
]
took: dict[tuple[str, int], float] = {}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("speed")


def shortest(work: Work, rounds: int) -> float:
    """Processor time of the shortest of some rounds, which other work does not lengthen, s."""
    best = math.inf
    for _ in range(rounds):
        gc.collect()
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


@pytest.mark.parametrize(("name", "size"), CASES)
def test_speed(benchmark: Any, folder: Path, name: str, size: int) -> None:
    job = JOBS[name]
    work = job.ours(size, folder)
    work()
    rounds = 3 if size < max(job.sizes) or ALL_SIZES else 1
    benchmark.pedantic(work, rounds=rounds, iterations=1)
    took[name, size] = shortest(work, rounds)
    reached = min(size, MOST_FOR_A_LOOP.get(name, size))
    alternative = shortest(job.theirs(reached, folder), 1) * size / reached
    benchmark.extra_info |= {
        "job": name,
        "what": job.what,
        "size": size,
        "seconds": took[name, size],
        "alternative": job.alternative,
        "alternative_seconds": alternative,
        "python": sys.version.split()[0],
    }


@pytest.mark.parametrize("name", list(JOBS))
def test_growth_is_no_worse_than_n_log_n(name: str) -> None:
    sizes = [size for job, size in CASES if job == name]
    for small, large in pairwise(sizes):
        if (name, large) not in took:
            pytest.skip("its times were not measured in this run")
        allowed = large / small * math.log(large) / math.log(small)
        reached = took[name, large] / max(took[name, small], SHORTEST)
        assert reached < MARGIN * allowed, f"{small} to {large}: {reached:.1f} times the time"
