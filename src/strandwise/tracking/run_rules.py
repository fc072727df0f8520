"""Patterns in a row of batches that a steady process seldom shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

__all__ = ["RunRule", "RunRuleHits", "run_rule_hits"]

RunRule = Literal["beyond-limits", "two-of-three", "four-of-five", "one-side", "trend"]


@dataclass(frozen=True, kw_only=True, eq=False)
class RunRuleHits:
    """Where one rule is met on one side.

    Parameters
    ----------
    rule
        ``beyond-limits``: one value more than 3σ from the centre; ``two-of-three``: two of three
        values in a row more than 2σ off on the same side; ``four-of-five``: four of five more
        than 1σ off; ``one-side``: eight in a row on the same side; ``trend``: six in a row that
        each go further the same way.
    upwards
        Above the centre or rising; else below or falling.
    hits
        True at the last value of each pattern, shape of the values.
    members
        True at the values that may belong to one, shape of the values.
    window
        How many values a pattern may span.
    """

    rule: RunRule
    upwards: bool
    hits: BoolArray
    members: BoolArray
    window: int


# Rule, how many values of how many, how many σ from the centre.
_ZONES: tuple[tuple[RunRule, int, int, float], ...] = (
    ("beyond-limits", 1, 1, 3.0),
    ("two-of-three", 2, 3, 2.0),
    ("four-of-five", 4, 5, 1.0),
    ("one-side", 8, 8, 0.0),
)
_TREND_VALUES = 6


def run_rule_hits(standardised: ArrayLike) -> tuple[RunRuleHits, ...]:
    """Find the patterns of all rules.

    Parameters
    ----------
    standardised
        (value − centre)/σ in order, shape (…, n); leading axes are rows of their own.

    Returns
    -------
    One entry for each rule and side.

    References
    ----------
    The four rules of zones: C. W. Champ, W. H. Woodall, Technometrics 29 (1987) 393. The trend:
    L. S. Nelson, J. Qual. Technol. 16 (1984) 237. (Both from memory.)
    """
    z = np.asarray(standardised, dtype=np.float64)
    found = []
    for upwards in (True, False):
        turned = z if upwards else -z
        for rule, needed, window, zone in _ZONES:
            beyond = turned > zone
            hits = beyond & (_trailing_sum(beyond, window) >= needed)
            found.append(
                RunRuleHits(rule=rule, upwards=upwards, hits=hits, members=beyond, window=window)
            )
        found.append(_trend(turned, upwards=upwards))
    return tuple(found)


def _trend(turned: FloatArray, *, upwards: bool) -> RunRuleHits:
    rises = np.zeros(turned.shape, dtype=np.bool_)
    rises[..., 1:] = turned[..., 1:] > turned[..., :-1]
    hits = _trailing_sum(rises, _TREND_VALUES - 1) >= _TREND_VALUES - 1
    return RunRuleHits(
        rule="trend",
        upwards=upwards,
        hits=hits,
        members=np.ones_like(rises),
        window=_TREND_VALUES,
    )


def _trailing_sum(flags: BoolArray, window: int) -> NDArray[np.int64]:
    """How many of the last `window` flags are set, at each place."""
    total = np.cumsum(flags, axis=-1, dtype=np.int64)
    out = total.copy()
    out[..., window:] -= total[..., :-window]
    return out
