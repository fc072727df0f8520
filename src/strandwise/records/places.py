"""Places of findings: the field of a record, and its line in a TOML file."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from strandwise.findings import Finding, Source
from strandwise.records.tomltable import read_toml_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder

__all__ = ["at_field", "with_lines"]

_NUMBER = re.compile(r"\[\d+\]$")


def at_field(source: Source, field: str) -> Source:
    """Place of a field of the record at `source`."""
    return Source(source.path, source.line, field)


def with_lines(findings: Iterable[Finding], folder: CampaignFolder) -> list[Finding]:
    """Give findings on TOML files the lines of their fields, which the records do not carry."""
    lines: dict[str, dict[str, int]] = {}
    located = []
    for finding in findings:
        path = finding.source.path
        if path.lower().endswith(".toml"):
            if path not in lines:
                lines[path] = _lines_of(folder.bench / path, path, folder.bench)
            line = _line_of(lines[path], finding.source.field or "")
            if line is not None:
                finding = replace(finding, source=replace(finding.source, line=line))
        located.append(finding)
    return located


def _lines_of(path: Path, shown: str, bench: Path) -> dict[str, int]:
    table, _ = read_toml_table(path, shown, within=bench)
    return {} if table is None else {".".join(key): n for key, n in table.lines.items()}


def _line_of(lines: Mapping[str, int], field: str) -> int | None:
    """Line of a dotted field, else of the table around it; a list of one may be a plain table."""
    while field:
        for name in (field, _NUMBER.sub("", field)):
            if name in lines:
                return lines[name]
        field = field.rpartition(".")[0]
    return None
