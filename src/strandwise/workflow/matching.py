"""What is worked out of one firing on request: its trace matched, its readings drawn at random."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction import match_trace, monte_carlo
from strandwise.units import digits_text

if TYPE_CHECKING:
    from strandwise.reduction import FiringReduction, MonteCarlo, TraceMatch

__all__ = ["FiringMatch", "draw_firing", "match_firing"]

_POOR = 0.05  # root mean square of ln; traces of simulated motors with 1 % noise stay below 0.01
_EFFICIENCY = (0.75, 1.02)
_HAND_HINT = "match a firing that has a raw trace"


@dataclass(frozen=True, kw_only=True, slots=True)
class FiringMatch:
    """The law and c* that match one firing's trace, and why to trust them less.

    Parameters
    ----------
    test
        Name of the firing.
    match
        What was found.
    cautions
        Reasons to trust it less.
    """

    test: str
    match: TraceMatch
    cautions: tuple[Caution, ...]


def match_firing(firing: FiringReduction) -> FiringMatch:
    """Match the trace of a firing by (r₀, n, c*).

    Raises
    ------
    DataError
        It has no trace, its pressure moves too little, or the search does not settle.
    """
    if firing.chain is None:
        why = firing.why_no_point or "it has no pressure"
        msg = f"the trace of `{firing.test}` cannot be matched: {why}"
        raise DataError(msg, hint=_HAND_HINT)
    if firing.trace_series is None:
        msg = f"`{firing.test}` cannot be matched: it was read by hand and has no trace"
        raise DataError(msg, hint=_HAND_HINT)
    match = match_trace(firing.chain)  # type: ignore[arg-type]  # of a trace, as just seen
    return FiringMatch(test=firing.test, match=match, cautions=tuple(_cautions(firing, match)))


def draw_firing(firing: FiringReduction, *, draws: int, seed: int) -> MonteCarlo | None:
    """Run the chain of a firing with all its readings drawn at random; None without a pressure.

    Raises
    ------
    DataError
        More than half of the draws are impossible, or there are fewer than 100.
    """
    if firing.chain is None:
        return None
    try:
        return monte_carlo(firing.chain, draws=draws, seed=seed)
    except DataError as error:
        msg = f"test `{firing.test}`: {error.message}"
        raise DataError(msg, expected=error.expected, hint=error.hint) from error


def _cautions(firing: FiringReduction, match: TraceMatch) -> list[Caution]:
    tests = (firing.test,)
    cautions = []
    if match.misfit > _POOR:
        text = (
            f"no law makes the simulated pressure follow the trace closer than "
            f"{digits_text(100.0 * match.misfit)} % (root mean square): the grain burnt otherwise "
            "than recorded, and a, n and c* of the match mean little"
        )
        cautions.append(Caution("match-poor", text, tests))
    low, high = _EFFICIENCY
    if match.efficiency is not None and not low <= match.efficiency <= high:
        text = (
            f"the match wants a c* efficiency of {100.0 * match.efficiency:.0f} %: outside 75 to "
            "102 % a mass, a throat or a calibration in the record is more likely wrong than the "
            "propellant new"
        )
        cautions.append(Caution("match-c-star-off", text, tests))
    return cautions
