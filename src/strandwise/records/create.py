"""New bench folders and new campaigns."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.formulation import resolve_recipes
from strandwise.records.fields import BATCH_FIELDS, FORMAT, STRAND_FIELDS
from strandwise.records.folder import Bench, CampaignFolder, shipped
from strandwise.records.formulation_files import formulations_of, read_all_ingredients
from strandwise.records.settings_files import settings_of
from strandwise.records.textfiles import is_absent
from strandwise.records.tomltable import parse_toml_table
from strandwise.records.write import cannot_write, make_folder, new_folder, write_new

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from pathlib import Path

    from strandwise.records.field import Field

__all__ = ["copy_campaign", "create_bench", "create_campaign"]

_BATCH_COLUMNS = (
    "batch",
    "formulation",
    "mixed",
    "mass",
    "density",
    "process",
    "process_temperature",
    "notes",
)
_STRAND_COLUMNS = (
    "test",
    "batch",
    "date",
    "length",
    "time",
    "pressure",
    "temperature",
    "exclude",
    "notes",
)


def create_bench(path: Path) -> Bench:
    """Make a bench folder with the shared tables, in a folder that is new or holds no bench.

    Raises
    ------
    RequestError
        `path` is a file, is a bench folder already, or cannot be written.
    """
    bench = Bench(path)
    try:
        _refuse_bench(path)
        for table in (bench.ingredients, bench.instruments):
            if is_absent(table):
                write_new(table, (shipped("shared") / table.name).read_bytes())
        # Last, since a bench folder is there when this is.
        make_folder(path / "campaigns")
    except OSError as error:
        raise cannot_write(path, error) from error
    return bench


def _refuse_bench(path: Path) -> None:
    if not is_absent(path) and not path.is_dir():
        msg = f"{path} is a file"
        raise RequestError(msg, expected="a folder that is new or empty", hint="name another")
    campaigns = path / "campaigns"
    if campaigns.is_dir():
        msg = f"{path} is a bench folder already"
        raise RequestError(msg, hint="`strandwise new CAMPAIGN` adds a campaign to it")
    if not is_absent(campaigns):
        msg = f"{campaigns} is not a folder"
        raise RequestError(
            msg, expected="no such file", hint="rename it, or make the bench folder elsewhere"
        )


def create_campaign(
    folder: CampaignFolder,
    *,
    title: str,
    baseline: str,
    ingredients: Mapping[str, str],
    units: str,
    altitude: str,
) -> None:
    """Make a campaign's folder and its files, with headings and without records.

    Parameters
    ----------
    folder
        Where; must not exist, or be empty.
    title, baseline
        As in `campaign.toml`.
    ingredients
        Parts by mass of the baseline, as texts; empty: the recipe is left to the user.
    units
        As `strandwise.units.parse_unit_choice` keeps them.
    altitude
        Height of the bench with its unit, for gauge readings; empty where not given.

    Raises
    ------
    RequestError
        The campaign exists, a text could not be read back, or the files cannot be written.
    """
    _refuse_taken(folder)
    settings = _settings_text(title, baseline, units, altitude)
    formulations = _formulations_text(baseline, ingredients)
    _refuse_unreadable(folder, settings, formulations)
    files = {
        folder.formulations: formulations,
        folder.batches: _headings(BATCH_FIELDS, _BATCH_COLUMNS, units),
        folder.strands: _headings(STRAND_FIELDS, _STRAND_COLUMNS, units),
        folder.settings: settings,
    }
    with new_folder(folder.path) as fresh:
        for path, text in files.items():
            write_new(fresh / path.name, text.encode("utf-8"))
        for path in (folder.firings, folder.traces):
            make_folder(fresh / path.name)


def _refuse_unreadable(folder: CampaignFolder, settings: str, formulations: str) -> None:
    """Read the texts of a new campaign as they will be read, before a file is touched."""
    table, findings = parse_toml_table(settings, folder.settings.name)
    if table is not None:
        findings = settings_of(table).problems
    table, faults = parse_toml_table(formulations, folder.formulations.name)
    if table is not None and not findings:
        specs, faults, _ = formulations_of(table)
        known, _, _ = read_all_ingredients(folder)
        for spec in specs.values():
            _refuse_unknown(spec.ingredients or (), known)
        faults += resolve_recipes(specs, known)[1]
    for problem in (*findings, *faults):
        where = problem.source.field or problem.source.path
        msg = f"{where}: {problem.message}"
        raise RequestError(msg, expected=problem.expected, hint=problem.hint)


def _refuse_unknown(ingredients: Iterable[str], known: Collection[str]) -> None:
    for name in ingredients:
        if name not in known:
            close = difflib.get_close_matches(name, known, n=1)
            msg = f"there is no ingredient `{name}`"
            raise RequestError(
                msg,
                expected="a key of ingredients.toml",
                hint=f"did you mean `{close[0]}`?" if close else "write its entry there first",
            )


def _refuse_taken(folder: CampaignFolder) -> None:
    try:
        if is_absent(folder.path) or (folder.path.is_dir() and not any(folder.path.iterdir())):
            return
    except OSError as error:
        raise cannot_write(folder.path, error) from error
    msg = f"there is a campaign `{folder.name}` already"
    if not folder.path.is_dir():
        msg = f"{folder.path} is a file"
    raise RequestError(msg, hint="choose another name; nothing was changed")


def copy_campaign(source: Path, folder: CampaignFolder) -> None:
    """Copy a campaign's files, hidden ones apart, into a folder that is new or empty.

    Raises
    ------
    RequestError
        The campaign exists, or cannot be written.
    """
    _refuse_taken(folder)
    with new_folder(folder.path) as fresh:
        for path in sorted(source.rglob("*")):
            name = path.relative_to(source)
            if path.is_file() and not any(part.startswith(".") for part in name.parts):
                write_new(fresh / name, path.read_bytes())


def toml_text(value: str) -> str:
    """`value` as a basic TOML string."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    shown = "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped)
    return f'"{shown}"'


def _headings(fields: tuple[Field, ...], names: tuple[str, ...], units: str) -> str:
    by_name = {field.name: field for field in fields}
    return ",".join(by_name[name].heading(units) for name in names) + "\n"


def _settings_text(title: str, baseline: str, units: str, altitude: str) -> str:
    lines = [
        f"format = {FORMAT}",
        f"title = {toml_text(title)}",
        f"baseline = {toml_text(baseline)}",
        "# What tables, pictures and questions show: metric, inch-pound or mixed (inches and psi",
        '# with g, N and degC), and other units after commas: "metric, bar".',
        f'units = "{units}"',
        "",
        "# Gauges that show 0 in the open air need the pressure of the air: by the altitude or,",
        '# better, by a barometer: ambient_pressure = "98.2 kPa".',
        f"altitude = {toml_text(altitude)}" if altitude else '# altitude = "300 m"',
        '# pressure_readings = "gauge"        # if plain psi, bar or MPa here are gauge readings',
        '# reference_pressure = "4 MPa"       # where rates are quoted',
        "",
        "# How well the readings are known, where a row does not say it:",
        "# [uncertainty]",
        '# length_resolution = "0.5 mm"       # smallest step of the calipers or ruler',
        '# time_sd = "0.1 s"                  # standard uncertainty of a stopwatch by hand',
        '# pressure_sd = "0.05 MPa"',
    ]
    return "\n".join(lines) + "\n"


def _formulations_text(baseline: str, ingredients: Mapping[str, str]) -> str:
    lines = [
        "# Parts by mass of any total. Changes are stated from a parent:",
        "#",
        "# [carbonate-10]                     # a tenth of the sorbitol, and only of it",
        f"# parent = {toml_text(baseline)}",
        '# replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]',
        "#",
        "# [oxide-1-on-top]                   # parts per hundred of the parent, added",
        f"# parent = {toml_text(baseline)}",
        '# add = [{ ingredient = "iron-oxide", parts = 1 }]',
        "",
    ]
    key = (
        baseline
        if baseline.replace("-", "").replace("_", "").isascii()
        and all(c.isalnum() or c in "-_" for c in baseline)
        else toml_text(baseline)
    )
    if ingredients:
        parts = ", ".join(f"{name} = {amount}" for name, amount in ingredients.items())
        lines += [f"[{key}]", f"ingredients = {{ {parts} }}"]
    else:
        lines += [
            f"# [{key}]                          # the baseline: write its parts here",
            "# ingredients = { potassium-nitrate = 65, sorbitol = 35 }",
        ]
    return "\n".join(lines) + "\n"
