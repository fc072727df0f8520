"""How far long work is, told to whoever listens; unless somebody does, nothing is told."""

from __future__ import annotations

from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator
    from contextlib import AbstractContextManager

__all__ = ["Listener", "listening", "steps"]

_T = TypeVar("_T")


class Listener(Protocol):
    """Who is told."""

    def stage(self, what: str, total: int) -> AbstractContextManager[Callable[[], None]]:
        """Open while work of `total` steps goes on; the function is called after each step."""
        ...


_listener: ContextVar[Listener | None] = ContextVar("listener", default=None)


@contextmanager
def listening(listener: Listener) -> Iterator[None]:
    """While open, `listener` is told of the work that is done here."""
    token = _listener.set(listener)
    try:
        yield
    finally:
        _listener.reset(token)


def steps(items: Collection[_T], what: str) -> Iterator[_T]:
    """Go through `items` and tell after each that one more step of `what` is done.

    Parameters
    ----------
    items
        Each of them one step.
    what
        For people, such as ``reducing firings``.
    """
    listener = _listener.get()
    if listener is None:
        yield from items
        return
    with listener.stage(what, len(items)) as step:
        for item in items:
            yield item
            step()
