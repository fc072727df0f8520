"""Sizes that make no grain and no nozzle, told in any reader's units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.errors import DataError
from strandwise.units import METRIC

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.units import Wording

__all__ = ["SizeError"]

_DIGITS = 6


class SizeError(DataError):
    """Sizes that contradict each other.

    Parameters
    ----------
    message, expected
        With the names of `sizes` in braces where a size is told.
    hint
        What to do next.
    sizes
        By name the size in SI and its unit, as `Wording.size` knows them.
    """

    def __init__(
        self,
        message: str,
        *,
        expected: str = "",
        hint: str = "",
        sizes: Mapping[str, tuple[float, str]],
    ) -> None:
        self._parts = message, expected
        self._sizes = dict(sizes)
        message, expected = self._in(METRIC)
        super().__init__(message, expected=expected, hint=hint)

    def worded(self, wording: Wording) -> DataError:
        """The same error in a reader's units."""
        message, expected = self._in(wording)
        return DataError(message, expected=expected, hint=self.hint)

    def _in(self, wording: Wording) -> tuple[str, str]:
        told = {
            name: wording.size(value, unit, _DIGITS) for name, (value, unit) in self._sizes.items()
        }
        message, expected = (part.format_map(told) for part in self._parts)
        return message, expected
