"""A thousand batches through the whole command: files in, laws out."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit

BATCHES, POINTS = 1000, 12


def strandwise(*arguments: str, bench: Path) -> str:
    command = [sys.executable, "-m", "strandwise", "--bench", str(bench), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bench folder with one campaign of invented strands, as a spreadsheet would leave them."""
    folder = tmp_path_factory.mktemp("many") / "bench"
    start = [sys.executable, "-m", "strandwise", "init", str(folder)]
    subprocess.run(start, check=True, capture_output=True)
    strandwise("new", "many", "--recipe", "potassium-nitrate 65, sorbitol 35", bench=folder)
    rng = np.random.default_rng(1)
    batches, strands = ["batch,formulation"], ["test,batch,length (mm),time (s),pressure (MPa)"]
    for batch in range(BATCHES):
        batches.append(f"B-{batch},base")
        pressures = rng.uniform(1.5, 7.0, POINTS)
        rates = 8.0 * (pressures / 3.5) ** 0.35 * np.exp(0.028 * rng.normal(size=POINTS))
        strands += [
            f"T-{batch}-{number},B-{batch},80,{80.0 / rate:.4f},{pressure:.4f}"
            for number, (pressure, rate) in enumerate(zip(pressures, rates, strict=True))
        ]
    campaign = folder / "campaigns" / "many"
    (campaign / "batches.csv").write_text("\n".join(batches) + "\n", encoding="utf-8")
    (campaign / "strands.csv").write_text("\n".join(strands) + "\n", encoding="utf-8")
    return folder


def seconds_of_command(bench: Path) -> float:
    """Processor time of the command, which other work on the machine does not lengthen."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    told = json.loads(strandwise("fit", "many", "--json", bench=bench))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert len(told["fits"]) == BATCHES
    assert all(fit["points"] == POINTS for fit in told["fits"])
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def seconds_of_loop() -> float:
    rng = np.random.default_rng(2)
    x = rng.uniform(-1.0, 1.0, (BATCHES, POINTS))
    y = 0.35 * x - 4.8 + 0.028 * rng.normal(size=x.shape)
    start = time.process_time()
    for row in range(BATCHES):
        curve_fit(lambda p, a, b: a + b * p, x[row], y[row], p0=(-4.0, 0.3))
    return time.process_time() - start


@pytest.mark.skipif(os.name != "posix", reason="processor time of a child is not told there")
def test_a_thousand_batches_take_two_seconds_more_than_a_bare_loop(bench: Path) -> None:
    loop = min(seconds_of_loop() for _ in range(2))
    assert min(seconds_of_command(bench) for _ in range(2)) < loop + 2.0
