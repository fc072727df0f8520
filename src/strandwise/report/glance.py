"""A campaign's records as its picture shows them: batches, their tests, and what is wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import datetime as dt

    from strandwise.findings import Finding

__all__ = ["CampaignGlance", "GlanceBatch", "GlanceTest"]


@dataclass(frozen=True, kw_only=True, slots=True)
class GlanceTest:
    """One test.

    Parameters
    ----------
    test, kind, date
        Its name, how it was made and when; the date None where it is not on record.
    pressure, pressure_sd
        Absolute pressure and its standard uncertainty, Pa; None where not known.
    why_not
        Why it takes no part in fits; empty where it does.
    problems, remarks
        What is wrong with its record, and what is not likely.
    """

    test: str
    kind: Literal["strand", "firing"]
    date: dt.date | None
    pressure: float | None
    pressure_sd: float | None = None
    why_not: str = ""
    problems: tuple[Finding, ...] = ()
    remarks: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class GlanceBatch:
    """One batch and its tests in the order of their dates.

    Parameters
    ----------
    batch, formulation, mixed
        Its name, of what and when; the formulation empty where tests name a batch that is not on
        record.
    tests
        Those that could be read.
    problems, remarks
        About the batch itself.
    """

    batch: str
    formulation: str
    mixed: dt.date | None
    tests: tuple[GlanceTest, ...]
    problems: tuple[Finding, ...] = ()
    remarks: tuple[Finding, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class CampaignGlance:
    """A whole campaign.

    Parameters
    ----------
    name
        Of the campaign.
    batches
        In the order of their dates; those without any last.
    problems, remarks
        Those that belong to none of its batches and tests, as records that could not be read.
    """

    name: str
    batches: tuple[GlanceBatch, ...]
    problems: tuple[Finding, ...]
    remarks: tuple[Finding, ...]
