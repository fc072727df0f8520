"""The README is run as it stands: its walk-through, and what it says that is printed."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from strandwise.cli.program import program

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(sh)?\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
# Those with an ellipsis are patterns.
INLINE = [
    " ".join(text.split())
    for text in re.findall(r"`(strandwise [^`]+)`", README)
    if "…" not in text
]
SHELL = [text for kind, text in BLOCKS if kind == "sh"]


def test_the_first_two_shell_lines_set_up_and_run() -> None:
    demo, tests = (block.strip() for block in SHELL[:2])
    assert "\n" not in demo + tests
    for line in (demo, tests):
        assert line.startswith("python3 -m venv ")
    assert demo.endswith("strandwise demo")
    assert tests.endswith("python -m pytest -n auto --dist loadfile")


def test_the_gate_runs_those_lines() -> None:
    gate = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in gate
    assert "for line in 1 2" in gate


def test_the_walk_through_prints_what_it_says(tmp_path: Path) -> None:
    environment = dict(os.environ, NO_COLOR="1", COLUMNS="100")
    environment["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{environment['PATH']}"
    # One shell for all blocks, since they change folder and build on each other.
    marked = "\n".join(f"{block}echo @@@{n}" for n, block in enumerate(SHELL[2:]))
    run = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", marked],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    printed = re.split(r"^@@@\d+\n", run.stdout, flags=re.MULTILINE)
    number = -3
    for kind, text in BLOCKS:
        if kind == "sh":
            number += 1
        elif number >= 0:
            assert text.rstrip() in printed[number]
    assert (tmp_path / "bench" / "laws.svg").stat().st_size > 10_000
    assert (tmp_path / "bench" / "shifts.svg").stat().st_size > 10_000


@pytest.mark.parametrize("line", INLINE)
def test_a_command_within_a_sentence_is_one_that_the_program_takes(line: str) -> None:
    _, *words = shlex.split(line)
    command: click.Command | None = program
    while isinstance(command, click.Group):
        name = words.pop(0)
        command = command.get_command(click.Context(command), name)
        assert command is not None, f"{name} in {line}"
    assert command is not None
    command.make_context(command.name, words)  # raises where an option or an argument is wrong


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_and_files_named_exist(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    for path in re.findall(r"`((?:src|tests|campaigns|shared|\.ci)/[\w./-]*)`", text):
        if not path.startswith("campaigns/chalk"):
            assert (ROOT / path).exists(), path


def test_the_version_is_one_of_the_metadata() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert re.fullmatch(r"\d+\.\d+\.\d+", project["version"])
