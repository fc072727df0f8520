"""Raw logger files against what the firings' records say of them."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from strandwise.findings import Finding, Source
from strandwise.records import CampaignFolder, with_lines
from strandwise.reduction import column_faults

if TYPE_CHECKING:
    from strandwise.records import Campaign, CampaignReading, Firing

__all__ = ["trace_problems", "trace_problems_of", "with_trace_problems"]


def trace_problems(campaign: Campaign) -> tuple[Finding, ...]:
    """Columns that firings name and their logger files do not have, and files that are no text.

    The heads of the files are looked at, not their rows: whether a clock runs and a signal is
    there is for the reduction to say.
    """
    folder = CampaignFolder(campaign.path.parent.parent, campaign.name)
    found = [finding for firing in campaign.firings for finding in trace_problems_of(firing)]
    return tuple(sorted(with_lines(found, folder), key=lambda finding: finding.source.sort_key))


def trace_problems_of(firing: Firing) -> list[Finding]:
    """As `trace_problems`, of one firing and without lines."""
    if firing.trace is None:
        return []
    return [
        Finding(
            Source(firing.source.path, None, fault.field),
            "bad-trace" if fault.field.endswith("file") else "unknown-column",
            fault.message,
            fault.expected or "the heading as the file writes it, or its number: `column 2 (ms)`",
            fault.hint,
        )
        for fault in column_faults(firing.trace)
    ]


def with_trace_problems(reading: CampaignReading) -> CampaignReading:
    """A campaign as read, with the problems of its logger files among the others.

    A file that cannot be read, or is not the one that was logged, is a problem already.
    """
    if reading.campaign is None:
        return reading
    told = {
        problem.source.path
        for problem in reading.problems
        if (problem.source.field or "").startswith("trace")
    }
    more = [p for p in trace_problems(reading.campaign) if p.source.path not in told]
    problems = sorted((*reading.problems, *more), key=lambda finding: finding.source.sort_key)
    return dataclasses.replace(reading, problems=tuple(problems))
