"""A campaign's points, laws and shifts as a folder of tables for other programs."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from strandwise.errors import DataError, RequestError
from strandwise.findings import Caution
from strandwise.records import new_folder, write_new
from strandwise.report.export_tables import (
    caution_table,
    comparison_tables,
    firing_table,
    law_table,
    point_table,
)
from strandwise.report.table_files import (
    csv_bytes,
    dictionary_files,
    json_lines_bytes,
    parquet_bytes,
)
from strandwise.workflow.fitting import fit_campaign
from strandwise.workflow.tracking import compare_campaign

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.ratelaw import RateFit
    from strandwise.report.export_columns import ExportTable
    from strandwise.tracking import Comparison
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["export_tables", "table_files", "write_tables"]

_MANIFEST = "manifest.sha256"


def export_tables(reduced: ReducedCampaign) -> tuple[ExportTable, ...]:
    """Points, firings, laws, the comparison with its shifts and doses, and all cautions.

    What the tests do not carry is a table without rows, and a caution says why.

    Parameters
    ----------
    reduced
        The campaign's tests; rows keep the order of its files.
    """
    told: list[tuple[str, str, Caution]] = [
        *(("points", p.test, c) for p in reduced.points for c in p.cautions),
        *(("firings", f.test, c) for f in reduced.firings for c in f.cautions),
        *(("", "", c) for c in reduced.cautions),
    ]
    fits: tuple[RateFit, ...] = ()
    comparison: Comparison | None = None
    try:
        fits = fit_campaign(reduced)
        comparison = compare_campaign(reduced)
    except (RequestError, DataError) as error:
        table, code = ("comparison", "no-comparison") if fits else ("fits", "no-tests")
        told.append((table, "", Caution(code, error.message)))
    told += [("fits", f.label, c) for f in fits for c in f.cautions]
    if comparison is not None:
        told += [("comparison", "", c) for c in comparison.cautions]
        told += [("shifts", s.formulation, c) for s in comparison.formulations for c in s.cautions]
        told += [("doses", d.ingredient, c) for d in comparison.doses for c in d.cautions]
    return (
        point_table(reduced.points),
        firing_table(reduced.firings),
        law_table(fits),
        *comparison_tables(comparison),
        caution_table(told),
    )


def table_files(tables: tuple[ExportTable, ...], *, parquet: bool = False) -> dict[str, bytes]:
    """Contents of the folder by file name, with the dictionary and the manifest.

    Raises
    ------
    RequestError
        Parquet is wanted and pyarrow is not installed.
    """
    files: dict[str, bytes] = {}
    for table in tables:
        files[f"{table.name}.csv"] = csv_bytes(table)
        files[f"{table.name}.jsonl"] = json_lines_bytes(table)
        if parquet:
            files[f"{table.name}.parquet"] = parquet_bytes(table)
    files |= dictionary_files(tables)
    lines = [f"{hashlib.sha256(files[name]).hexdigest()}  {name}\n" for name in sorted(files)]
    files[_MANIFEST] = "".join(lines).encode("ascii")
    return files


def write_tables(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write a folder of tables: all of it or nothing.

    An earlier export there is replaced if nobody added to it or changed it, which its manifest
    tells.

    Raises
    ------
    RequestError
        There is something else in the folder, or it cannot be written; it is then as it was.
    """
    taken = os.path.lexists(folder) and not (folder.is_dir() and not any(folder.iterdir()))
    if not taken:
        _fill(folder, files)
        return
    _refuse_foreign(folder)
    # Beside it, so that the renames stay on one disk; a rename is all or nothing.
    with tempfile.TemporaryDirectory(prefix=f".{folder.name}.", dir=folder.parent) as beside:
        fresh, old = Path(beside, "new"), Path(beside, "old")
        _fill(fresh, files)
        folder.rename(old)
        try:
            fresh.rename(folder)
        except OSError:
            old.rename(folder)
            raise
        shutil.rmtree(old)


def _fill(folder: Path, files: Mapping[str, bytes]) -> None:
    with new_folder(folder) as fresh:
        for name, content in files.items():
            write_new(fresh / name, content)


def _refuse_foreign(folder: Path) -> None:
    """Let only a folder pass that holds an export as it was written."""
    hint = "choose another folder, or move what is in it; nothing was changed"
    if not folder.is_dir() or folder.is_symlink():
        msg = f"`{folder}` is there already and is no folder"
        raise RequestError(msg, hint=hint)
    known: dict[str, str] = {}
    try:
        for line in (folder / _MANIFEST).read_text(encoding="ascii").splitlines():
            digest, _, name = line.partition("  ")
            known[name] = digest
    except (OSError, ValueError):
        known = {}
    if not known:
        msg = f"`{folder}` holds files that are no export"
        raise RequestError(msg, expected="a new or empty folder, or an earlier export", hint=hint)
    for path in sorted(folder.iterdir()):
        if path.name == _MANIFEST:
            continue
        if path.name not in known or not path.is_file():
            msg = f"`{path}` is not of the export"
        elif hashlib.sha256(path.read_bytes()).hexdigest() != known[path.name]:
            msg = f"`{path}` was changed since it was exported"
        else:
            continue
        raise RequestError(msg, expected="an earlier export as it was written", hint=hint)
