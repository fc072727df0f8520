"""Small named checks over a whole campaign, each returning what it found."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from typing import TYPE_CHECKING, Protocol

from strandwise.errors import UnitError, did_you_mean
from strandwise.findings import Finding, Source
from strandwise.formulation import (
    ROLES,
    Ingredient,
    parse_weighings,
    resolve_recipes,
    unknown_weighings,
    void_free_density,
)
from strandwise.records.alike import fold_name
from strandwise.records.alike_checks import (
    batches_are_unique,
    files_are_told_apart,
    formulations_are_unique,
    only_in_capitals,
)
from strandwise.records.compared import Comparison, unlikely_firing, unlikely_strand
from strandwise.records.csvtable import cells_of_text
from strandwise.records.fields import BATCH_FIELDS
from strandwise.records.folder import Bench
from strandwise.records.logged_twice import burns_are_logged_once
from strandwise.records.model import StrandReading
from strandwise.records.places import at_field, with_lines
from strandwise.records.plausible import implausible
from strandwise.records.textfiles import (
    LARGEST_TRACE,
    WHOLE_FILE_CODES,
    read_plain,
    read_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Campaign, Firing

__all__ = [
    "PROBLEM_CHECKS",
    "REMARK_CHECKS",
    "Check",
    "problems_of",
    "sha256_of",
]

_MOST_HINTS = 50
_SECTION_STEP = 0.02
"""How far a section's start may lie from the end of the one before, as a fraction of pressure."""


class Check(Protocol):
    """A check: a campaign, its folder and the faults so far in, findings out."""

    def __call__(
        self, campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
    ) -> Iterable[Finding]:
        """Return what was found."""


def recipes_resolve(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Every formulation comes down to mass fractions of known ingredients."""
    ingredients = dict(campaign.ingredients)
    bench = Bench(folder.bench)
    tables = {folder.shown(path) for path in (bench.ingredients, folder.own_ingredients)}
    tables.add(bench.ingredients.name)
    at_fault = [finding for finding in so_far if finding.source.path in tables]
    unread = any(finding.code in WHOLE_FILE_CODES for finding in at_fault)
    for finding in at_fault:
        # An entry with a fault of its own is known by name, which is all that counts here.
        key = (finding.source.field or "").partition(".")[0]
        if key:
            ingredients.setdefault(key, Ingredient(key=key, role=ROLES[0]))
    for finding in resolve_recipes(campaign.formulations, ingredients)[1]:
        if finding.code == "unknown-ingredient" and unread:
            continue
        if finding.code == "unknown-parent":
            name = (finding.source.field or "").removesuffix(".parent")
            parent = campaign.formulations[name].parent or ""
            if _mentions(so_far, folder.formulations, folder, parent):
                continue
        yield finding


def baseline_exists(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """The baseline is one of the formulations."""
    baseline = campaign.settings.baseline
    if (
        not baseline
        or baseline in campaign.formulations
        or _mentions(so_far, folder.formulations, folder, baseline)
    ):
        return
    yield Finding(
        Source(folder.shown(folder.settings), None, "baseline"),
        "unknown-formulation",
        f"the baseline `{baseline}` is not in {folder.formulations.name}",
        _one_of(campaign.formulations),
        _Hints(campaign.formulations)(baseline) or f"write its recipe as a table [{baseline}]",
    )


def formulations_of_batches_exist(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Every batch was mixed from a formulation that is written down."""
    meant = _Hints(campaign.formulations)
    for batch in campaign.batches.values():
        name = batch.formulation
        if name in campaign.formulations or _mentions(so_far, folder.formulations, folder, name):
            continue
        yield Finding(
            at_field(batch.source, "formulation"),
            "unknown-formulation",
            f"batch `{batch.batch}` is of formulation `{name}`, which is not in "
            f"{folder.formulations.name}",
            _one_of(campaign.formulations),
            meant(name) or f"write its recipe as a table [{name}] into {folder.formulations.name}",
        )


def batches_of_tests_exist(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Every strand and firing names a batch that is written down."""
    shown = folder.shown(folder.batches)
    written: frozenset[str] | None = frozenset()
    faults = {finding.code for finding in so_far if finding.source.path == shown}
    if faults & WHOLE_FILE_CODES:
        return
    if faults:
        written = _written_in(folder.batches, shown, folder.bench)
    meant = _Hints(campaign.batches)
    tests: list[StrandReading | Firing] = [*campaign.strands, *campaign.firings]
    for test in tests:
        # A name that is only missing because its row is at fault is no fault of the test.
        if test.batch in campaign.batches or written is None or test.batch in written:
            continue
        yield Finding(
            at_field(test.source, "batch"),
            "unknown-batch",
            f"test `{test.test}` is of batch `{test.batch}`, which is not in {folder.batches.name}",
            _one_of(campaign.batches),
            meant(test.batch)
            or f"write the batch into {folder.batches.name}: `strandwise log batch {folder.name}`",
        )


def _written_in(path: Path, shown: str, bench: Path) -> frozenset[str] | None:
    """All that stands in the cells of a CSV file with faults; None where it cannot be read."""
    content = read_text(path, shown, within=bench)
    return None if isinstance(content, Finding) else cells_of_text(content.text)


def weighings_are_readable(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """What was weighed into a batch can be read, and is in the table of ingredients."""
    del folder
    meant = _Hints(campaign.ingredients)
    for batch in campaign.batches.values():
        if not batch.weighings:
            continue
        place = at_field(batch.source, "weighings")
        try:
            weighings = parse_weighings(batch.weighings)
        except UnitError as error:
            yield Finding(place, "bad-value", error.message, error.expected, error.hint)
            continue
        mentioned = {(f.source.field or "").partition(".")[0] for f in so_far}
        for key in unknown_weighings(weighings, campaign.ingredients):
            if key in mentioned:  # its own entry is at fault already
                continue
            yield Finding(
                place,
                "unknown-ingredient",
                f"`{key}` is no known ingredient",
                "a key of ingredients.toml",
                meant(key) or "add it to the ingredients.toml beside the campaign's campaign.toml",
            )


def tests_are_unique(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """A test's name stands for one strand (with its wires, row under row) or one firing."""
    del folder, so_far
    first: dict[str, StrandReading] = {}
    folded: dict[str, StrandReading] = {}
    previous: StrandReading | None = None
    seen: dict[str, set[tuple[float | None, ...]]] = defaultdict(set)
    for reading in campaign.strands:
        earlier = first.setdefault(reading.test, reading)
        alike = folded.setdefault(fold_name(reading.test), reading)
        if earlier is reading and alike.test != reading.test:
            yield only_in_capitals(at_field(reading.source, "test"), reading.test, alike.test)
        key = (reading.length, reading.time, reading.frames)
        why = ""
        if earlier is not reading:
            assert previous is not None
            if previous.test != reading.test:
                why = "and other tests stand between"
            elif key in seen[reading.test]:
                why = "with the same length and time"
            else:
                why = _disagreement(previous, reading)
        if why:
            yield Finding(
                at_field(reading.source, "test"),
                "duplicate-test",
                f"test `{reading.test}` is already in line {earlier.source.line}, {why}",
                "one test a name; rows of one strand's timing wires follow each other and agree in "
                "batch, pressure, date and temperature",
                "give one of them a name of its own",
            )
        seen[reading.test].add(key)
        previous = reading
    yield from _firings_are_unique(campaign.firings, folded)


def _firings_are_unique(
    firings: Iterable[Firing], strands: Mapping[str, StrandReading]
) -> Iterator[Finding]:
    """Firings among each other and against strands, which are given by their folded names."""
    seen: dict[str, Firing] = {}
    for firing in firings:
        key = fold_name(firing.test)
        other = seen.setdefault(key, firing)
        strand = strands.get(key)
        if strand is not None and strand.test == firing.test:
            what = f"test `{firing.test}` is also a strand ({strand.source})"
            yield Finding(
                firing.source, "duplicate-test", what, "one test a name", "rename one of them"
            )
        elif other.test == firing.test and other is not firing:
            what = f"test `{firing.test}` has another file, {other.source.path}"
            yield Finding(
                firing.source, "duplicate-test", what, "one file a test", "rename one of them"
            )
        elif strand is not None or other is not firing:
            alike = other.test if strand is None else strand.test
            yield only_in_capitals(firing.source, firing.test, alike)


def _disagreement(previous: StrandReading, reading: StrandReading) -> str:
    for name in ("batch", "date", "temperature"):
        if getattr(previous, name) != getattr(reading, name):
            return f"with another {name}"
    if reading.pressure == previous.pressure and reading.pressure_end == previous.pressure_end:
        return ""
    # In a closed vessel each section starts where the one before it ended.
    goes_on = previous.pressure_end is not None and math.isclose(
        reading.pressure, previous.pressure_end, rel_tol=_SECTION_STEP
    )
    return "" if goes_on else "with another pressure"


def traces_are_untouched(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """A raw trace has the digest that was kept when it was logged."""
    del so_far
    for firing in campaign.firings:
        trace = firing.trace
        if trace is None:
            continue
        kept = {"trace": (trace.file, trace.sha256)}
        for name, channel in trace.channels.items():
            if channel.file is not None:
                kept[f"trace.{name}"] = (channel.file, channel.sha256)
        for field, (file, sha256) in kept.items():
            if sha256 is not None:
                yield from _changed_trace(firing.source.path, field, file, sha256, folder)


def _changed_trace(
    record: str, field: str, file: Path, sha256: str, folder: CampaignFolder
) -> Iterator[Finding]:
    try:
        digest = sha256_of(file)
    except OSError as error:
        yield Finding(
            Source(record, None, f"{field}.file"),
            "unreadable",
            f"{folder.shown(file)} cannot be read: {error.strerror or error}",
            "a readable file",
            "look at its permissions, and whether another program keeps it open",
        )
        return
    if digest != sha256:
        yield Finding(
            Source(record, None, f"{field}.sha256"),
            "trace-changed",
            f"{folder.shown(file)} is not the file that was logged (SHA-256 {digest[:12]}…)",
            f"SHA-256 {sha256[:12]}…",
            "put the raw file back; if the new one is right, write its digest into the firing",
        )


def implausible_readings(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Readings that are possible but not likely."""
    del folder, so_far
    units = campaign.settings.units
    comparison = Comparison(campaign)
    for batch in campaign.batches.values():
        yield from implausible(batch, BATCH_FIELDS, units)
    for reading in campaign.strands:
        yield from unlikely_strand(reading, comparison)
    densities: dict[str, float | None] = {}
    if campaign.firings:
        for name, recipe in resolve_recipes(campaign.formulations, campaign.ingredients)[0].items():
            densities[name] = void_free_density(recipe, campaign.ingredients)
    for firing in campaign.firings:
        mixed = campaign.batches.get(firing.batch)
        density = None if mixed is None else densities.get(mixed.formulation)
        yield from unlikely_firing(firing, density, comparison)


PROBLEM_CHECKS: tuple[Check, ...] = (
    formulations_are_unique,
    recipes_resolve,
    baseline_exists,
    formulations_of_batches_exist,
    weighings_are_readable,
    batches_are_unique,
    batches_of_tests_exist,
    tests_are_unique,
    traces_are_untouched,
)
REMARK_CHECKS: tuple[Check, ...] = (
    implausible_readings,
    burns_are_logged_once,
    files_are_told_apart,
)


def problems_of(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> list[Finding]:
    """Faults of a campaign as a whole, given those `so_far` found in its single records."""
    problems = list(so_far)
    for check in PROBLEM_CHECKS:
        problems.extend(with_lines(check(campaign, folder, problems), folder))
    return problems


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, lower-case hex.

    Raises
    ------
    OSError
        It cannot be read, is no plain file, or is too large for a raw trace.
    """
    return hashlib.sha256(read_plain(path, LARGEST_TRACE)).hexdigest()


def _one_of(names: Iterable[str]) -> str:
    listed = list(names)
    if not listed:
        return "one that exists (none is written down yet)"
    shown = ", ".join(listed[:8])
    return f"one of {shown}" + (", …" if len(listed) > 8 else "")


class _Hints:
    """Which known name may have been meant; of the first names only, as looking takes its time."""

    def __init__(self, known: Iterable[str]) -> None:
        self.known = list(known)
        self.told: dict[str, str] = {}

    def __call__(self, name: str) -> str:
        if name not in self.told:
            if len(self.told) >= _MOST_HINTS:
                return ""
            self.told[name] = did_you_mean(name, self.known)
        return self.told[name]


def _mentions(so_far: Sequence[Finding], path: Path, folder: CampaignFolder, name: str) -> bool:
    """Whether a fault of that file already explains why `name` is not known."""
    shown = folder.shown(path)
    return any(
        finding.source.path == shown
        and (
            finding.code in WHOLE_FILE_CODES
            or f"{finding.source.field or ''}.".startswith(f"{name}.")
        )
        for finding in so_far
    )
