"""Small named checks over a whole campaign, each returning what it found."""

from __future__ import annotations

import difflib
import hashlib
from collections import defaultdict
from typing import TYPE_CHECKING, Protocol

from strandwise.findings import Finding, Source
from strandwise.formulation import resolve_recipes
from strandwise.motor import AreaTable, EndBurner, HollowCylinder, web
from strandwise.records.fields import (
    BATCH_FIELDS,
    FIRING_FIELDS,
    GRAIN_FIELDS,
    NOZZLE_FIELDS,
    STRAND_FIELDS,
    SUMMARY_FIELDS,
)
from strandwise.records.model import StrandReading

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

    from strandwise.records.fields import Field
    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Batch, Campaign, Firing

__all__ = [
    "PROBLEM_CHECKS",
    "REMARK_CHECKS",
    "Check",
    "implausible",
    "implausible_firing",
    "problems_of",
    "sha256_of",
]

_SHAPES = {HollowCylinder: "hollow-cylinder", EndBurner: "end-burner", AreaTable: "area-table"}

PLAUSIBLE_RATE = (1e-4, 0.1)
"""Burn rates that a strand or small motor may show, m/s; common practice, no source."""


class Check(Protocol):
    """A check: a campaign, its folder and the faults so far in, findings out."""

    def __call__(
        self, campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
    ) -> Iterable[Finding]:
        """Return what was found."""


def recipes_resolve(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterable[Finding]:
    """Every formulation comes down to mass fractions of known ingredients."""
    del folder, so_far
    return resolve_recipes(campaign.formulations, campaign.ingredients)[1]


def baseline_exists(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """The baseline is one of the formulations."""
    baseline = campaign.settings.baseline
    if baseline in campaign.formulations or _mentions(
        so_far, folder.formulations, folder, baseline
    ):
        return
    yield Finding(
        Source(folder.shown(folder.settings), None, "baseline"),
        "unknown-formulation",
        f"the baseline `{baseline}` is not in {folder.formulations.name}",
        _one_of(campaign.formulations),
        _did_you_mean(baseline, campaign.formulations)
        or f"write its recipe as a table [{baseline}]",
    )


def formulations_of_batches_exist(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Every batch was mixed from a formulation that is written down."""
    for batch in campaign.batches.values():
        name = batch.formulation
        if name in campaign.formulations or _mentions(so_far, folder.formulations, folder, name):
            continue
        yield Finding(
            _at(batch.source, "formulation"),
            "unknown-formulation",
            f"batch `{batch.batch}` is of formulation `{name}`, which is not in "
            f"{folder.formulations.name}",
            _one_of(campaign.formulations),
            _did_you_mean(name, campaign.formulations),
        )


def batches_of_tests_exist(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Every strand and firing names a batch that is written down."""
    at_fault = {
        finding.source.line
        for finding in so_far
        if finding.source.path == folder.shown(folder.batches)
    }
    tests: list[StrandReading | Firing] = [*campaign.strands, *campaign.firings]
    for test in tests:
        if test.batch in campaign.batches:
            continue
        hint = _did_you_mean(test.batch, campaign.batches)
        if at_fault and not hint:
            hint = f"{folder.batches.name} has faults of its own: mend them first"
        yield Finding(
            _at(test.source, "batch"),
            "unknown-batch",
            f"test `{test.test}` is of batch `{test.batch}`, which is not in {folder.batches.name}",
            _one_of(campaign.batches),
            hint,
        )


def tests_are_unique(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """A test's name stands for one strand (with its wires, row under row) or one firing."""
    del folder, so_far
    first: dict[str, StrandReading] = {}
    previous: StrandReading | None = None
    seen: dict[str, set[tuple[float | None, ...]]] = defaultdict(set)
    for reading in campaign.strands:
        earlier = first.setdefault(reading.test, reading)
        key = (reading.length, reading.time, reading.frames)
        why = ""
        if earlier is not reading:
            assert previous is not None
            if previous.test != reading.test:
                why = "and other tests stand between"
            elif key in seen[reading.test]:
                why = "with the same length and time"
            else:
                why = _disagreement(earlier, reading)
        if why:
            yield Finding(
                _at(reading.source, "test"),
                "duplicate-test",
                f"test `{reading.test}` is already in line {earlier.source.line}, {why}",
                "one test a name; rows of one strand's timing wires follow each other and agree in "
                "batch, pressure, date and temperature",
            )
        seen[reading.test].add(key)
        previous = reading
    for firing in campaign.firings:
        if firing.test in first:
            strand = first[firing.test]
            yield Finding(
                firing.source,
                "duplicate-test",
                f"test `{firing.test}` is also a strand ({strand.source})",
                "one test a name",
            )


def _disagreement(earlier: StrandReading, reading: StrandReading) -> str:
    for name in ("batch", "pressure", "pressure_end", "date", "temperature"):
        if getattr(earlier, name) != getattr(reading, name):
            return f"with another {name.replace('_', ' ')}"
    return ""


def traces_are_untouched(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """A raw trace has the digest that was kept when it was logged."""
    del so_far
    for firing in campaign.firings:
        trace = firing.trace
        if trace is None or trace.sha256 is None:
            continue
        digest = sha256_of(trace.file)
        if digest != trace.sha256:
            yield Finding(
                Source(firing.source.path, None, "trace.sha256"),
                "trace-changed",
                f"{folder.shown(trace.file)} is not the file that was logged "
                f"(SHA-256 {digest[:12]}…)",
                f"SHA-256 {trace.sha256[:12]}…",
                "put the raw file back; if the new one is right, write its digest into the firing",
            )


def implausible_readings(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Readings that are possible but not likely."""
    del folder, so_far
    for batch in campaign.batches.values():
        yield from implausible(batch, BATCH_FIELDS)
    for reading in campaign.strands:
        yield from implausible(reading, STRAND_FIELDS)
    for firing in campaign.firings:
        yield from implausible_firing(firing)


def implausible(record: Batch | StrandReading, fields: Sequence[Field]) -> Iterator[Finding]:
    """Findings on the values of a record that lie outside what its fields call plausible."""
    yield from _unlikely_values(record, fields, record.source)
    if isinstance(record, StrandReading):
        time = record.time
        if time is None and record.frames and record.frame_rate:
            time = record.frames / record.frame_rate
        if time:
            yield from _unlikely_rate(record.length / time, record.source)


def implausible_firing(firing: Firing) -> Iterator[Finding]:
    """Findings on a firing's sizes, hand readings and burn rate that are not likely."""
    source = firing.source
    shape = _SHAPES[type(firing.grain)]
    yield from _unlikely_values(firing, FIRING_FIELDS, source)
    yield from _unlikely_values(firing.grain, GRAIN_FIELDS[shape], source, "grain")
    if firing.nozzle is not None:
        yield from _unlikely_values(firing.nozzle, NOZZLE_FIELDS, source, "nozzle")
    if firing.summary is not None:
        yield from _unlikely_values(firing.summary, SUMMARY_FIELDS, source, "summary")
        yield from _unlikely_rate(web(firing.grain) / firing.summary.burn_time, source)


def _unlikely_values(
    record: object, fields: Sequence[Field], source: Source, table: str = ""
) -> Iterator[Finding]:
    for field in fields:
        value = getattr(record, field.name, None)
        if value is None or field.plausible is None:
            continue
        low, high = field.plausible
        if not low <= value <= high:
            yield Finding(
                _at(source, f"{table}.{field.name}" if table else field.name),
                "implausible",
                f"{field.name.replace('_', ' ')} of {field.shown(value)}",
                f"{field.shown(low)} to {field.shown(high)}",
                "look for a slip of the unit or of the decimal point",
            )


def _unlikely_rate(rate: float, source: Source) -> Iterator[Finding]:
    low, high = PLAUSIBLE_RATE
    if not low <= rate <= high:
        yield Finding(
            source,
            "implausible",
            f"burn rate of {rate * 1e3:.4g} mm/s",
            f"{low * 1e3:g} to {high * 1e3:g} mm/s",
            "look for a slip of the unit or of the decimal point",
        )


PROBLEM_CHECKS: tuple[Check, ...] = (
    recipes_resolve,
    baseline_exists,
    formulations_of_batches_exist,
    batches_of_tests_exist,
    tests_are_unique,
    traces_are_untouched,
)
REMARK_CHECKS: tuple[Check, ...] = (implausible_readings,)


def problems_of(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> list[Finding]:
    """Faults of a campaign as a whole, given those `so_far` found in its single records."""
    problems = list(so_far)
    for check in PROBLEM_CHECKS:
        problems.extend(check(campaign, folder, problems))
    return problems


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, lower-case hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _at(source: Source, field: str) -> Source:
    return Source(source.path, source.line, field)


def _one_of(names: Iterable[str]) -> str:
    listed = list(names)
    if not listed:
        return "one that exists (none is written down yet)"
    shown = ", ".join(listed[:8])
    return f"one of {shown}" + (", …" if len(listed) > 8 else "")


def _did_you_mean(name: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(name, list(known), n=1)
    return f"did you mean `{close[0]}`?" if close else ""


def _mentions(so_far: Sequence[Finding], path: Path, folder: CampaignFolder, name: str) -> bool:
    """Whether a fault of that file already explains why `name` is not known."""
    shown = folder.shown(path)
    return any(
        finding.source.path == shown
        and (
            (finding.source.field or "").split(".")[0] == name
            or finding.code in ("file-missing", "toml-syntax", "not-utf-8", "not-a-file")
        )
        for finding in so_far
    )
