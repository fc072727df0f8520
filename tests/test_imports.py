"""What a command may load before it answers: start-up is a feature."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NUMERICAL = ("numpy", "scipy", "pandas", "matplotlib", "lmfit")
WRITING = ("rich", "filelock", "tomlkit", "jinja2", "molmass")
# Packages of which the named part alone is meant.
HEAVY_PARTS = ("scipy.stats", "scipy.optimize")
COMMANDS = (
    "", "demo", "init", "new", "mix", "mix show", "mix derive", "mix sheet", "mix rate", "log",
    "undo", "check", "reduce", "fit", "compare",
    "drift", "plan", "calibrate", "forecast", "report", "export", "completion",
)  # fmt: skip
LOGGING = ("log batch", "log strand", "log firing")
LOG_STRAND = (
    "log", "strand", "demo", "--test", "S-99", "--batch", "M-01", "--length", "60 mm",
    "--time", "9.9 s", "--pressure", "2 MPa",
)  # fmt: skip

PROBE = """
import json, sys
from strandwise.cli import main
watched = json.loads(sys.argv[1])
code = main(sys.argv[2:])
loaded = [name for name in watched if name in sys.modules]
print(json.dumps({"code": code, "loaded": loaded}), file=sys.stderr)
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(ROOT / "campaigns" / "demo", folder / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", folder / "shared")
    return folder


def loaded(folder: Path, watched: tuple[str, ...], *args: str) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-c", PROBE, json.dumps(watched), *args],
        cwd=folder, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    result = json.loads(done.stderr.splitlines()[-1])
    assert result["code"] == 0, done.stderr
    found: list[str] = result["loaded"]
    return found


@pytest.mark.parametrize("command", COMMANDS)
def test_help_loads_no_library_but_click(tmp_path: Path, command: str) -> None:
    assert loaded(tmp_path, (*NUMERICAL, *WRITING), *command.split(), "--help") == []


@pytest.mark.parametrize("command", LOGGING)
def test_help_of_log_loads_nothing_numerical(tmp_path: Path, command: str) -> None:
    watched = (*NUMERICAL, "rich", "filelock")
    assert loaded(tmp_path, watched, *command.split(), "--help") == []


def test_version_loads_nothing_numerical(tmp_path: Path) -> None:
    assert loaded(tmp_path, (*NUMERICAL, *WRITING), "--version") == []


def test_log_strand_loads_no_analysis(bench: Path) -> None:
    watched = ("scipy", "pandas", "matplotlib", "lmfit", "rich", "jinja2")
    assert loaded(bench, watched, *LOG_STRAND) == []


@pytest.mark.parametrize("command", ["check", "mix show"])
def test_check_and_mix_load_no_analysis(bench: Path, command: str) -> None:
    watched = ("scipy", "pandas", "matplotlib", "lmfit", "cantera", "jinja2")
    assert loaded(bench, watched, *command.split(), "demo") == []


@pytest.mark.parametrize("command", ["reduce", "fit", "compare"])
def test_an_analysis_loads_no_more_than_it_uses(bench: Path, command: str) -> None:
    watched = (*HEAVY_PARTS, "lmfit", "pandas", "matplotlib", "jinja2")
    assert loaded(bench, watched, command, "demo") == []


def test_reducing_strands_calls_for_no_quantile(bench: Path, tmp_path: Path) -> None:
    shutil.copytree(bench, tmp_path, dirs_exist_ok=True)
    shutil.rmtree(tmp_path / "campaigns" / "demo" / "firings")
    assert loaded(tmp_path, ("scipy",), "reduce", "demo") == []


def test_a_picture_loads_matplotlib_and_still_no_pandas(bench: Path) -> None:
    watched = ("matplotlib", "matplotlib.pyplot", "pandas", "lmfit")
    assert loaded(bench, watched, "fit", "demo", "--figure", "laws.svg") == ["matplotlib"]
