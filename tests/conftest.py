"""Settings of the tools that all tests share, and the demonstration, run once for all of them."""

from __future__ import annotations

import contextlib
import io
import signal
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples in every run: a failure is a fault found, not a coin that fell wrong.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")

# Tests that run in the background are told to ignore Ctrl-C, and the programs that they start too.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@dataclass(frozen=True)
class ShownDemo:
    """What `strandwise demo` gave in an empty folder: its exit code, its words, its bench."""

    code: int
    out: str
    err: str
    bench: Path

    @property
    def page(self) -> Path:
        """The campaign as one page."""
        return self.bench / "demo.html"


@pytest.fixture(scope="session")
def shown_demo(tmp_path_factory: pytest.TempPathFactory) -> ShownDemo:
    """`strandwise demo`, run once for all tests that look at what it makes; copy to change it."""
    from strandwise.cli import main

    folder = tmp_path_factory.mktemp("demo")
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        code = main(["demo"])
    return ShownDemo(code, out.getvalue(), err.getvalue(), folder / "strandwise-demo")
