"""How long a command takes against a bare click program, cold, on the machine at hand.

The gates are on ratios and generous: wall time on a shared machine is noisy. What a command
loads is tested exactly in `test_imports.py`.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
REPEATS = 5
BARE = """
import click

@click.group()
def program():
    pass

@program.command()
def command():
    pass

program()
"""
LOG_STRAND = (
    "log", "strand", "demo", "--test", "S-{}", "--batch", "M-01", "--length", "60 mm",
    "--time", "9.9 s", "--pressure", "2 MPa",
)  # fmt: skip


def best(arguments: Callable[[int], list[str]], folder: Path) -> float:
    """Shortest of a few runs, each in a process of its own, s."""
    times = []
    for number in range(REPEATS):
        command = [sys.executable, *arguments(number)]
        start = time.perf_counter()
        done = subprocess.run(command, cwd=folder, capture_output=True, check=False, timeout=60)
        times.append(time.perf_counter() - start)
        assert done.returncode == 0, done.stderr
    return min(times)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(ROOT / "campaigns" / "demo", folder / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", folder / "shared")
    return folder


@pytest.fixture(scope="module")
def bare(bench: Path) -> float:
    return best(lambda _: ["-c", BARE, "--help"], bench)


@pytest.mark.parametrize(
    ("name", "args", "goal"),
    [
        ("--help", ("--help",), 1.6),
        ("log strand", LOG_STRAND, 12.0),
        ("check", ("check", "demo"), 12.0),
        ("fit", ("fit", "demo"), 25.0),
        ("compare", ("compare", "demo"), 25.0),
    ],
)
def test_a_cold_start_is_short(
    bench: Path,
    bare: float,
    record_property: Callable[[str, object], None],
    name: str,
    args: tuple[str, ...],
    goal: float,
) -> None:
    took = best(lambda n: ["-m", "strandwise", *(arg.format(n) for arg in args)], bench)
    ratio = took / bare
    record_property(f"{name} over a bare click program", round(ratio, 2))
    print(f"{name}: {1e3 * took:.0f} ms, {ratio:.1f} times a bare click program (goal {goal:g})")  # noqa: T201
    assert ratio < 1.5 * goal
