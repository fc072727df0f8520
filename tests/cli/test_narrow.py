"""Sentences on a narrow terminal: broken between words, never within a command to be copied."""

from __future__ import annotations

import contextlib
import io
import re
import sys
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.cli import main
from strandwise.cli.common import wrapped

WIDTH = 40
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")  # colours, and the moves of a progress bar


class Screen(io.StringIO):
    """What a terminal would be sent."""

    def isatty(self) -> bool:
        return True


@contextlib.contextmanager
def narrow_terminal(columns: int = WIDTH) -> Iterator[Screen]:
    with pytest.MonkeyPatch.context() as patch:
        shown = Screen()
        patch.setattr(sys, "stdout", shown)
        patch.setattr(sys, "stderr", shown)
        patch.setenv("COLUMNS", str(columns))
        yield shown


def too_wide(text: str) -> list[str]:
    """Lines that a terminal would break by itself, but for what is to be copied in one piece."""
    lines = ESCAPES.sub("", text).splitlines()
    return [
        line
        for line in lines
        if len(line.rstrip()) > WIDTH
        and not line.lstrip().startswith("strandwise ")
        and not re.fullmatch(r"\s*(?:[^\s`]*`[^`]*`\S*|\S+)", line)
    ]


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    "command",
    [
        "check demo",
        "mix show demo",
        "mix rate demo",
        "mix sheet demo base --mass 500g --scale 0.1g",
        "export demo",
        "fit demo",
        "fit demo --explain M-05",
        "compare demo",
        "drift demo",
        "plan demo --new-batches 1",
        "plan demo --motor full-size --formulation base",
        "reduce demo",
        "reduce demo --test F-03",
        "reduce demo --budget F-03",
        "calibrate cell-2 --campaign demo",
        "forecast demo full-size --draws 200 --size-for 4MPa",
        "forecast demo --hindcast",
        "new other --recipe",
        "fti demo",
        "fit dmeo",
        "fit demo --batch M01",
        "compare demo --at 4",
        "forecast demo ful-size",
        "undo demo",
    ],
)
def test_no_word_is_cut_by_the_edge(command: str) -> None:
    words = command.split()
    if words[-1] == "--recipe":
        words.append("potassium-nitrate 65, sorbitol 35")
    with narrow_terminal() as screen:
        main(words)
    assert screen.getvalue()
    assert too_wide(screen.getvalue()) == []


@pytest.mark.parametrize("command", ["", "fit", "log firing", "forecast", "mix sheet", "undo"])
def test_help_fits_too(command: str) -> None:
    with narrow_terminal() as screen:
        assert main([*command.split(), "--help"]) == 0
    shown = screen.getvalue().partition("Example")[0]
    assert "Options:" in shown
    # An option stands in one line with the words that it may take.
    options = [line for line in shown.splitlines() if re.fullmatch(r" +--\S+ \S*\|\S*", line)]
    assert set(too_wide(shown)) <= set(options)


@pytest.mark.parametrize("columns", [1, 5, 20])
@pytest.mark.parametrize("command", ["--help", "fti", "log strand --help"])
def test_no_terminal_is_too_narrow(columns: int, command: str) -> None:
    with narrow_terminal(columns) as screen:
        assert main(command.split()) == (2 if command == "fti" else 0)
    assert "strandwise" in screen.getvalue()


@pytest.mark.usefixtures("bench")
def test_a_pipe_gets_its_sentences_whole(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(WIDTH))
    told = run("mix", "show", "demo").out
    assert max(map(len, told.split("To heed:")[1].splitlines())) > 2 * WIDTH


def test_a_long_line_goes_on_below_its_own_beginning() -> None:
    text = "  M-01: tests scatter three times as much as they should by what is stated of them"
    command = "`strandwise new chalk --title 'Chalk in place of sorbitol'`"
    with narrow_terminal():
        told, copied = wrapped(text), wrapped(f"make one with {command}, then go on")
        named = wrapped("  density       1.773 g/cm³, 96.3 % of the recipe's 1.841 g/cm³")
    assert told.splitlines() == [
        "  M-01: tests scatter three times as",
        "    much as they should by what is",
        "    stated of them",
    ]
    assert named.splitlines() == [
        "  density       1.773 g/cm³, 96.3 % of",
        "                the recipe's 1.841 g/cm³",
    ]
    assert copied.splitlines() == ["make one with", f"{command},", "then go on"]


@given(st.lists(st.text("ab` é—", max_size=90), max_size=4))
def test_nothing_but_spaces_and_line_ends_is_changed(lines: list[str]) -> None:
    text = "\n".join(lines)
    with narrow_terminal():
        found = wrapped(text)
    assert found.split() == text.split()
    if all(len(line) <= WIDTH for line in lines):
        assert found == text
