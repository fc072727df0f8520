"""A campaign's records for a picture of them, as far as they can be read."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections import Counter
from itertools import groupby
from typing import TYPE_CHECKING

from strandwise.errors import RequestError, StrandwiseError
from strandwise.report.glance import CampaignGlance, GlanceBatch, GlanceTest
from strandwise.workflow.reducing import ReducedCampaign, reduce_campaign

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from strandwise.findings import Finding
    from strandwise.records import Campaign, CampaignReading, Firing, StrandReading
    from strandwise.reduction import FiringReduction, RatePoint

__all__ = ["glance_at"]

_LAST = dt.date.max


class _Told:
    """Findings by their place, from which each is taken once."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self._left = list(findings)

    def take(self, path: str, lines: Sequence[int | None]) -> tuple[Finding, ...]:
        """Those in a file at one of the lines; no lines: all in the file."""
        found = [
            one
            for one in self._left
            if one.source.path == path and (not lines or one.source.line in lines)
        ]
        self._left = [one for one in self._left if one not in found]
        return tuple(found)

    def rest(self) -> tuple[Finding, ...]:
        """What belongs to no record that was taken for."""
        return tuple(self._left)


def glance_at(reading: CampaignReading) -> CampaignGlance:
    """Batches and tests with what is wrong with them; records that cannot be read stay out.

    Parameters
    ----------
    reading
        With all problems and remarks.

    Raises
    ------
    RequestError
        `campaign.toml` is at fault, so that nothing else can be understood; or there is neither a
        batch nor a test, nor anything wrong.
    """
    campaign = reading.campaign
    if campaign is None:
        msg = "no picture can be drawn while campaign.toml is at fault"
        raise RequestError(msg, hint="correct it first")
    if not (campaign.batches or campaign.strands or campaign.firings or reading.problems):
        msg = f"campaign `{campaign.name}` has neither a batch nor a test to draw"
        raise RequestError(msg, hint="`strandwise log batch` and `strandwise log strand` add some")
    problems, remarks = _Told(reading.problems), _Told(reading.remarks)
    known = dataclasses.replace(
        campaign,
        strands=tuple(row for row in campaign.strands if row.batch in campaign.batches),
        firings=tuple(one for one in campaign.firings if one.batch in campaign.batches),
    )
    reduced = _reduced(known)
    points = {point.test: point for point in reduced.points if point.kind == "strand"}
    tests: dict[str, list[GlanceTest]] = {name: [] for name in campaign.batches}
    strands = [list(rows) for _, rows in groupby(campaign.strands, key=lambda row: row.test)]
    names = Counter(rows[0].test for rows in strands)
    for rows in strands:
        # Of two strands with one name, nobody knows which point is whose.
        point = points.get(rows[0].test) if names[rows[0].test] == 1 else None
        test = _strand(rows, point, problems, remarks)
        tests.setdefault(rows[0].batch, []).append(test)
    fired = {one.test: one for one in reduced.firings}
    for firing in campaign.firings:
        test = _firing(firing, fired.get(firing.test), problems, remarks)
        tests.setdefault(firing.batch, []).append(test)
    batches = [_batch(campaign, name, own, problems, remarks) for name, own in tests.items()]
    return CampaignGlance(
        name=campaign.name,
        batches=tuple(sorted(batches, key=_first_day)),
        problems=problems.rest(),
        remarks=remarks.rest(),
    )


def _reduced(campaign: Campaign) -> ReducedCampaign:
    """All that can be reduced: one raw trace that cannot be read keeps no other test out."""
    try:
        return reduce_campaign(campaign)
    except StrandwiseError:
        found = ReducedCampaign(campaign=campaign, points=(), firings=())
    strands = dataclasses.replace(campaign, firings=())
    alone = [
        dataclasses.replace(
            campaign,
            strands=tuple(row for row in campaign.strands if row.batch == firing.batch),
            firings=(firing,),
        )
        for firing in campaign.firings
    ]
    for part in (strands, *alone):
        try:
            more = reduce_campaign(part)
        except StrandwiseError:
            continue
        found = dataclasses.replace(
            found,
            points=(*found.points, *more.points),
            firings=(*found.firings, *more.firings),
        )
    return found


def _strand(
    rows: Sequence[StrandReading], point: RatePoint | None, problems: _Told, remarks: _Told
) -> GlanceTest:
    """The strand as it was reduced, or as its first row has it."""
    first = rows[0]
    path, lines = first.source.path, [row.source.line for row in rows]
    return GlanceTest(
        test=first.test,
        kind="strand",
        date=first.date,
        pressure=first.pressure if point is None else point.pressure,
        pressure_sd=first.pressure_sd if point is None else point.pressure_sd,
        why_not=next((row.exclude for row in rows if row.exclude), "")
        if point is None
        else point.why_not or "",
        problems=problems.take(path, lines),
        remarks=remarks.take(path, lines),
    )


def _firing(
    firing: Firing, reduction: FiringReduction | None, problems: _Told, remarks: _Told
) -> GlanceTest:
    """The firing at the mean pressure of its burn; without a rate, why there is none."""
    point = None if reduction is None else reduction.point
    why_not = firing.exclude
    pressure = None if firing.summary is None else firing.summary.mean_pressure
    sd = None
    if point is not None:
        pressure, sd, why_not = point.pressure, point.pressure_sd, point.why_not or ""
    elif reduction is not None:
        why_not = why_not or reduction.why_no_point or ""
        pressure, sd = reduction.mean_pressure or pressure, reduction.pressure_sd
    return GlanceTest(
        test=firing.test,
        kind="firing",
        date=firing.date,
        pressure=pressure,
        pressure_sd=sd,
        why_not=why_not,
        problems=problems.take(firing.source.path, ()),
        remarks=remarks.take(firing.source.path, ()),
    )


def _batch(
    campaign: Campaign, name: str, tests: list[GlanceTest], problems: _Told, remarks: _Told
) -> GlanceBatch:
    record = campaign.batches.get(name)
    place = None if record is None else (record.source.path, [record.source.line])
    return GlanceBatch(
        batch=name,
        formulation="" if record is None else record.formulation,
        mixed=None if record is None else record.mixed,
        tests=tuple(sorted(tests, key=lambda test: test.date or _LAST)),
        problems=() if place is None else problems.take(*place),
        remarks=() if place is None else remarks.take(*place),
    )


def _first_day(batch: GlanceBatch) -> dt.date:
    return batch.mixed or min((test.date or _LAST for test in batch.tests), default=_LAST)
