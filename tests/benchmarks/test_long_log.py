"""A log of a million rows, from file to events, against pandas reading the same file.

Each is a process of its own with all that it imports, the shortest of three taken in turns, as a
person waits for it. The gate is a ratio, as machines differ.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

ROWS = 1_000_000
SOURCE = Path(__file__).parents[2] / "src"
PANDAS = "import pandas; pandas.read_csv({path!r})"
REDUCE = """
from pathlib import Path
from strandwise.records import Channel, TraceSpec
from strandwise.reduction import events_from_arrays, read_trace
clock = Channel(column="t", unit="ms", scale=1e-3, offset=0.0)
thrust = Channel(column="F", unit="N", scale=1.0, offset=0.0)
trace = read_trace(TraceSpec(file=Path({path!r}), time=clock, thrust=thrust))
found = events_from_arrays(trace.time, trace.thrust, unit="N")
assert len(trace.time) == 1_000_000
assert abs(found.peak - 400.0) < 2.0
assert abs(found.burn_time - 160.0) < 0.6
"""


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    t = np.arange(ROWS)
    corners = [400.0, 400.5, 560.0, 565.0]
    force = np.interp(t / 1000.0, corners, [0.0, 400.0, 400.0, 0.0])
    force += np.random.default_rng(1).normal(0.0, 1.0, ROWS)
    path = tmp_path_factory.mktemp("long") / "million.csv"
    rows = (f"{a},{b:.2f}\n" for a, b in zip(t.tolist(), force.tolist(), strict=True))
    path.write_text("t,F\n" + "".join(rows))
    return str(path)


def shortest(*codes):
    times = [[] for _ in codes]
    for _ in range(3):
        for code, spent in zip(codes, times, strict=True):
            command = [sys.executable, "-c", code]
            start = time.perf_counter()
            subprocess.run(command, check=True, timeout=60, env={"PYTHONPATH": str(SOURCE)})
            spent.append(time.perf_counter() - start)
    return [min(spent) for spent in times]


def test_a_million_rows_within_twice_the_time_that_pandas_takes_to_read_them(log):
    ours, pandas = shortest(REDUCE.format(path=log), PANDAS.format(path=log))
    assert ours < 2.0 * pandas, f"{ours:.3f} s, pandas {pandas:.3f} s"
