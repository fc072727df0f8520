"""Long clean files in one pass of a compiled reader.

Loaded on its own for long files alone: the import takes as long as numpy's own reader takes for
400,000 rows.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["read_numbers"]

_FIRST_ROW = 10_000  # characters within which the first row ends


def read_numbers(
    text: str, separator: str | None, decimal: str, indices: Sequence[int]
) -> NDArray[np.float64] | None:
    """Return columns of a text that holds nothing but rows of numbers.

    Parameters
    ----------
    text
        Rows without headings.
    separator
        Between fields; None: any blanks.
    decimal
        Decimal mark.
    indices
        Columns wanted, from 0.

    Returns
    -------
    ndarray or None
        Shape (rows, columns), in the order of `indices`; None where some row is not clean.
    """
    picked = sorted(set(indices))
    first = text[:_FIRST_ROW].lstrip().partition("\n")[0].strip()
    fields = first.split(separator)
    # Picking columns costs as much as reading them: all are read where all are wanted.
    every = picked == list(range(len(fields)))
    try:
        frame = pd.read_csv(
            io.BytesIO(text.encode()),
            sep=r"\s+" if separator is None else separator,
            decimal=decimal,
            header=None,
            usecols=None if every else picked,
            dtype=np.float64,
            # It costs a third more, and blanks before a bare number are skipped anyhow.
            skipinitialspace='"' in first,
        )
    except ValueError:  # pandas' own ParserError and EmptyDataError are among them
        return None
    columns = frame.to_numpy().T
    # Each column in one piece, as everything behind works along columns; none copied for nothing.
    if list(indices) == picked:
        return columns.T
    return columns[[picked.index(i) for i in indices]].T
