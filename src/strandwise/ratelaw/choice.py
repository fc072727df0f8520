"""What a choice among burn-rate laws rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.findings import Caution

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["LawCandidate", "LawChoice"]

CLOSE = 2.0
"""Differences of AICc below this leave both laws well supported (Burnham and Anderson, Model
Selection and Multimodel Inference, 2002, section 2.6; from memory)."""


@dataclass(frozen=True, slots=True)
class LawCandidate:
    """One law that was weighed.

    Parameters
    ----------
    law, breaks
        Its name, and how many breaks it has.
    parameters
        Estimated ones: those of the law, σ_p where it was fitted, and the scatter.
    aicc
        Information criterion for small samples; None where the law was not tried, or where the
        points are too few for it.
    difference
        AICc above the lowest.
    bend_p
        Chance of as much bend about this law as is seen, were it true.
    why_not
        Why it was not tried; empty where it was.
    """

    law: str
    breaks: int
    parameters: int
    aicc: float | None
    difference: float | None
    bend_p: float | None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class LawChoice:
    """The law that was taken, and by how much.

    Parameters
    ----------
    law
        Its name.
    margin
        AICc of the best other law less that of the law taken: above 10 is strong evidence, 0 to 2
        hardly any; below 0 a more complicated law fitted better, but not by enough. None where
        there was nothing to compare with.
    candidates
        All laws, the lowest AICc first, those not tried last.
    thin
        Whether the evidence is thin: the margin is below 2, or too few points for the other laws.
    reason
        The choice in words.
    """

    law: str
    margin: float | None
    candidates: tuple[LawCandidate, ...]
    thin: bool
    reason: str

    def cautions(self) -> tuple[Caution, ...]:
        """The caution that goes with a choice on thin evidence."""
        return tuple(self._cautions())

    def _cautions(self) -> Iterator[Caution]:
        if self.thin:
            yield Caution(
                "law-uncertain",
                f"{self.reason}. The evidence for this law over the others is thin: between the "
                "pressures tested they give like rates, outside them they do not",
            )
