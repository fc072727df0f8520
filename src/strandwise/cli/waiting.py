"""What a person sees at the terminal while a command works for longer than a moment."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["TerminalProgress"]

_PATIENCE = 1.0  # seconds that nobody needs to be told about


class TerminalProgress:
    """A bar on standard error for work that takes longer than a second; gone when it is done.

    Of work within other work only the outer is shown. Where JSON is asked for there is none.
    """

    def __init__(self) -> None:
        self._busy = False

    @contextmanager
    def stage(self, what: str, total: int) -> Iterator[Callable[[], None]]:
        """Show work of `total` steps while open."""
        context = click.get_current_context(silent=True)
        if self._busy or (context is not None and context.params.get("as_json")):
            yield _nothing
            return
        self._busy = True
        bar = _Bar(what, total)
        try:
            yield bar.step
        finally:
            bar.close()
            self._busy = False


def _nothing() -> None:
    pass


class _Bar:
    """One bar, which appears by itself after a second."""

    def __init__(self, what: str, total: int) -> None:
        self._what, self._total = what, total
        self._done = 0
        self._lock = threading.Lock()
        self._shown: Any = None
        self._closed = False
        self._timer = threading.Timer(_PATIENCE, self._show)
        self._timer.daemon = True
        self._timer.start()

    def step(self) -> None:
        self._done += 1
        with self._lock:
            if self._shown is not None:
                self._shown.update(self._task, completed=self._done)

    def close(self) -> None:
        self._timer.cancel()
        with self._lock:
            self._closed = True
            if self._shown is not None:
                self._shown.stop()

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
        from rich.progress import TimeElapsedColumn as Elapsed

        progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=24),
            MofNCompleteColumn(),
            Elapsed(),
            console=Console(stderr=True),
            transient=True,
        )
        with self._lock:
            if self._closed:
                return
            self._task = progress.add_task(
                self._what[:1].upper() + self._what[1:],
                total=self._total,
                completed=self._done,
            )
            progress.start()
            self._shown = progress
