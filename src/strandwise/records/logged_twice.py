"""A check for one burn that was logged as two tests: it would count twice in every fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.findings import Finding
from strandwise.records.places import at_field

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterator, Sequence

    from strandwise.findings import Source
    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Campaign, Firing, StrandReading

__all__ = ["burns_are_logged_once"]


def burns_are_logged_once(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """No two tests rest on the very same readings, or on the very same trace.

    Strands are the same in batch, date, length, time or frames, pressures and temperature;
    firings in their raw trace and the instants set by hand, or in what was read by hand and
    weighed. Two tests may agree by chance, and what is excluded counts nowhere.
    """
    del folder, so_far
    strands: dict[Hashable, str] = {}
    for reading in campaign.strands:
        if not reading.exclude:
            first = strands.setdefault(_of_strand(reading), reading.test)
            if first != reading.test:
                place = at_field(reading.source, "test")
                yield _twice(place, reading.test, first, "very readings")
    firings: dict[Hashable, str] = {}
    for firing in campaign.firings:
        key = None if firing.exclude else _of_firing(firing)
        if key is not None:
            first = firings.setdefault(key, firing.test)
            if first != firing.test:
                told = ("trace.file", "raw trace") if firing.trace else ("summary", "very readings")
                yield _twice(at_field(firing.source, told[0]), firing.test, first, told[1])


def _of_strand(reading: StrandReading) -> Hashable:
    burnt = (reading.length, reading.time, reading.frames, reading.frame_rate)
    where = (reading.pressure, reading.pressure_end, reading.temperature)
    return (reading.batch, reading.date, burnt, where)


def _of_firing(firing: Firing) -> Hashable:
    if firing.trace is not None:
        own = (channel.sha256 for channel in firing.trace.channels.values())
        digests = (firing.trace.sha256, *own)
        # One log may hold several firings, told apart by their instants.
        return (digests, firing.events) if any(digests) else None
    if firing.summary is None:
        return None
    return (firing.batch, firing.date, firing.summary, firing.grain.mass)


def _twice(place: Source, test: str, first: str, what: str) -> Finding:
    return Finding(
        place,
        "logged-twice",
        f"test `{test}` has the {what} of `{first}`",
        "one test for each burn, since a test counts in every fit",
        "if it is the same burn, delete one of the two or give a reason in `exclude`",
    )
