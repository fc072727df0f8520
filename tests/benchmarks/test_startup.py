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

# Command, its words, and how many times the bare program it may take.
STARTS = [
    ("--help", ("--help",), 1.6),
    ("log strand", LOG_STRAND, 12.0),
    ("check", ("check", "demo"), 12.0),
    ("fit", ("fit", "demo"), 25.0),
    ("compare", ("compare", "demo"), 25.0),
]


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


def bare_start(folder: Path) -> float:
    """Of a program that has nothing but click, s."""
    return best(lambda _: ["-c", BARE, "--help"], folder)


def cold_start(words: tuple[str, ...], folder: Path) -> float:
    """Of one command of ours, s."""
    return best(lambda n: ["-m", "strandwise", *(word.format(n) for word in words)], folder)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(ROOT / "campaigns" / "demo", folder / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", folder / "shared")
    return folder


@pytest.fixture(scope="module")
def bare(bench: Path) -> float:
    return bare_start(bench)


@pytest.mark.parametrize(("name", "args", "goal"), STARTS)
def test_a_cold_start_is_short(
    bench: Path,
    bare: float,
    record_property: Callable[[str, object], None],
    name: str,
    args: tuple[str, ...],
    goal: float,
) -> None:
    ratio = cold_start(args, bench) / bare
    record_property(f"{name} over a bare click program", round(ratio, 2))
    assert ratio < 1.5 * goal
