"""Checks of names that differ only in capitals: of records, and of the files that hold them."""

from __future__ import annotations

import os
from collections import defaultdict
from typing import TYPE_CHECKING

from strandwise.findings import Finding, Source
from strandwise.records.alike import fold_name
from strandwise.records.folder import Bench
from strandwise.records.places import at_field

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Campaign

__all__ = [
    "batches_are_unique",
    "files_are_told_apart",
    "files_in_other_capitals",
    "formulations_are_unique",
    "only_in_capitals",
]

_ELSEWHERE = "file systems that tell capitals apart do not find it"


def only_in_capitals(place: Source, name: str, other: str, what: str = "test") -> Finding:
    """Finding on a record whose name differs from another's only in capitals."""
    return Finding(
        place,
        f"duplicate-{what}",
        f"{what} `{name}` differs from `{other}` only in capitals, which some file systems and "
        "spreadsheets do not tell apart",
        f"one {what} a name",
        "rename one of them",
    )


def batches_are_unique(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """No two batches have names that differ in capitals alone."""
    del folder, so_far
    seen: dict[str, str] = {}
    for batch in campaign.batches.values():
        other = seen.setdefault(fold_name(batch.batch), batch.batch)
        if other != batch.batch:
            yield only_in_capitals(at_field(batch.source, "batch"), batch.batch, other, "batch")


def formulations_are_unique(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """No two formulations have names that differ in capitals alone."""
    del folder, so_far
    seen: dict[str, str] = {}
    for spec in campaign.formulations.values():
        other = seen.setdefault(fold_name(spec.name), spec.name)
        if other != spec.name:
            yield only_in_capitals(spec.source, spec.name, other, "formulation")


def files_in_other_capitals(folder: CampaignFolder) -> tuple[list[Finding], list[Finding]]:
    """Files and folders of a campaign whose names have other capitals than they are looked for.

    Returns
    -------
    problems, remarks
        They are not found, or stand beside the one that is found; they are found here, but would
        not be where the file system tells capitals apart.
    """
    shared = Bench(folder.bench).ingredients.parent
    needed = (folder.settings, folder.formulations, folder.batches, folder.strands, folder.firings)
    others = (folder.own_ingredients, folder.own_instruments, folder.motors)
    tables = (shared, *(shared / path.name for path in others[:2]))
    problems: list[Finding] = []
    remarks: list[Finding] = []
    listed = _Listing()
    # A trace that is not found is told by its firing.
    for path in (*needed, *others, *tables, folder.traces):
        for name in listed.alike(path):
            what = f"`{name}` is not read: it differs from `{path.name}` only in capitals"
            source, hint = Source(folder.shown(path)), f"rename it to `{path.name}`"
            if path.name in listed.names(path.parent):
                hint = f"move what it holds into `{path.name}`, or rename it"
                problems.append(Finding(source, "alike-files", what, "one of the two", hint))
            elif os.path.lexists(path) or path == folder.traces:
                what = f"`{name}` differs from `{path.name}` only in capitals: {_ELSEWHERE}"
                remarks.append(Finding(source, "other-capitals", what, path.name, hint))
            else:
                problems.append(Finding(source, "file-missing", what, path.name, hint))
    return problems, remarks


def files_are_told_apart(
    campaign: Campaign, folder: CampaignFolder, so_far: Sequence[Finding]
) -> Iterator[Finding]:
    """Firings name traces as the disk spells them; no two traces or motors are alike."""
    del so_far
    listed = _Listing()
    for firing in campaign.firings:
        trace = firing.trace
        if trace is None:
            continue
        files = [("trace.file", trace.file)]
        for key, channel in (("pressure", trace.pressure), ("thrust", trace.thrust)):
            if channel is not None and channel.file is not None:
                files.append((f"trace.{key}.file", channel.file))
        for field, path in files:
            # How `traces` itself is spelt is told of the folder.
            home = folder.traces if path.is_relative_to(folder.traces) else folder.path
            spelt = listed.spelt(path, home)
            if spelt is not None and spelt != path:
                shown = spelt.relative_to(folder.path).as_posix()
                yield Finding(
                    at_field(firing.source, field),
                    "other-capitals",
                    f"`{path.relative_to(folder.path).as_posix()}` is `{shown}` on the disk: "
                    f"{_ELSEWHERE}",
                    shown,
                    "write the name as the disk has it",
                )
    for home in (folder.traces, folder.motors):
        for name, other in listed.pairs(home):
            yield Finding(
                Source(folder.shown(home / name)),
                "alike-files",
                f"`{name}` differs from `{other}` beside it only in capitals: some file systems "
                "keep one of the two",
                "names that differ in more than capitals",
                "rename one of them, also where a firing names it",
            )


class _Listing:
    """The names in folders, each folder listed once."""

    def __init__(self) -> None:
        self._known: dict[Path, dict[str, list[str]]] = {}

    def names(self, folder: Path) -> set[str]:
        return {name for names in self._folded(folder).values() for name in names}

    def alike(self, path: Path) -> list[str]:
        """Names beside a path that are like its own and not its own."""
        names = self._folded(path.parent).get(fold_name(path.name), [])
        return [name for name in names if name != path.name]

    def spelt(self, path: Path, home: Path) -> Path | None:
        """A path below `home` as the disk spells it; None where it is not below or not there."""
        if not path.is_relative_to(home):
            return None
        place = home
        for part in path.relative_to(home).parts:
            names = self._folded(place).get(fold_name(part), [])
            if not names:
                return None
            place = place / (part if part in names else names[0])
        return place

    def pairs(self, folder: Path) -> list[tuple[str, str]]:
        """Names that are like one before them, and that one."""
        groups = self._folded(folder).values()
        return [(name, names[0]) for names in groups for name in names[1:]]

    def _folded(self, folder: Path) -> dict[str, list[str]]:
        if folder not in self._known:
            folded = defaultdict(list)
            try:
                names = sorted(os.listdir(folder))  # noqa: PTH208 (no path is made of each)
            except OSError:
                names = []
            for name in names:
                folded[fold_name(name)].append(name)
            self._known[folder] = dict(folded)
        return self._known[folder]
