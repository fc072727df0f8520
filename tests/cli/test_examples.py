from __future__ import annotations

import shlex
import shutil
from collections.abc import Iterator
from typing import Any

import click
import pytest

from strandwise.cli.program import program


def walk(group: click.Group, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    yield path
    context = click.Context(group, info_name="strandwise")
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from walk(command, (*path, name))
        else:
            yield (*path, name)


COMMANDS = tuple(walk(program, ()))

# What must have been done before the examples of a command mean anything.
BEFORE = {
    ("undo",): (("log", "batch", "demo", "--batch", "M-10", "--formulation", "base"),),
}


def examples(help_text: str) -> list[str]:
    """Lines of the examples in a help text, those that go on after a backslash as one."""
    _, _, tail = help_text.partition("Example")
    lines = tail.partition(":\n")[2].replace("\\\n", " ").splitlines()
    return [line.strip() for line in lines if line.strip()]


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_example_in_the_help_runs(
    run: Any, monkeypatch: pytest.MonkeyPatch, shown_demo: Any, command: tuple[str, ...]
) -> None:
    monkeypatch.setenv("COLUMNS", "70")
    for words in BEFORE.get(command, ()):
        assert run(*words).code == 0
    shown = run(*command, "--help")
    assert shown.code == 0
    found = examples(shown.out)
    assert found
    for line in found:
        words = shlex.split(line)
        assert words[0] == "strandwise"
        if line == "strandwise demo":  # once in the whole suite, as it takes its time
            assert (shown_demo.code, shown_demo.err) == (0, ""), shown_demo.err
            assert shown_demo.out
            shutil.copytree(shown_demo.bench, shown_demo.bench.name)
            continue
        if command:
            assert " ".join(words[1:]).startswith(" ".join(command))
        done = run(*words[1:])
        assert (done.code, done.err) == (0, ""), line
        assert done.out


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_help_fits_a_narrow_terminal_and_has_no_markup(
    run: Any, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    text = run(*command, "--help").out
    assert "\\b" not in text
    assert "\b" not in text
    options, _, _ = text.partition("Example")
    assert max(map(len, options.splitlines())) <= 80
