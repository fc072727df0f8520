"""`ingredients.toml` and `formulations.toml` as dataclasses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from strandwise.errors import UnitError
from strandwise.findings import Finding
from strandwise.formulation import (
    INGREDIENT_FIELDS,
    ROLES,
    Addition,
    FormulationSpec,
    Ingredient,
    Replacement,
)
from strandwise.records.fields import Field, shorten
from strandwise.records.folder import Bench, shipped
from strandwise.records.textfiles import is_absent
from strandwise.records.tomltable import describe, read_toml_table
from strandwise.units import Kind, parse_number, parse_quantity

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder
    from strandwise.records.tomltable import TomlTable

__all__ = ["formulations_of", "read_all_ingredients", "read_formulations", "read_ingredients"]

_TEXT_FIELDS = tuple(
    Field(name=name, help=item.help, form="text", required=item.required)
    for name, item in INGREDIENT_FIELDS.items()
    if item.kind in ("text", "role")
)
_QUANTITY_FIELDS = tuple(
    Field(name=name, help=item.help, kind=item.kind)
    for name, item in INGREDIENT_FIELDS.items()
    if isinstance(item.kind, Kind)
)
_OTHER_FIELDS = tuple(
    name for name, item in INGREDIENT_FIELDS.items() if item.kind in ("boolean", "keys", "sources")
)

_NAME = Field(name="formulation", help="name of the formulation", form="name")
_TOTAL = Field(name="total", help="what the parts add up to", form="number", above=0.0)
_NOTES = Field(name="notes", help="whatever should be remembered", form="text")


def read_ingredients(
    path: Path, shown: str
) -> tuple[dict[str, Ingredient], list[Finding], list[Finding]]:
    """Read a table of ingredients.

    Returns
    -------
    ingredients, findings, remarks
        By key; faults; unknown keys that nothing reads.
    """
    table, findings = read_toml_table(path, shown)
    if table is None:
        return {}, findings, []
    ingredients = {}
    for key in table.values:
        entry = table.table(key)
        if entry is not None:
            ingredient = _read_ingredient(key, entry)
            if ingredient is not None:
                ingredients[key] = ingredient
    return ingredients, table.findings, table.remarks


def read_all_ingredients(
    folder: CampaignFolder,
) -> tuple[dict[str, Ingredient], list[Finding], list[Finding]]:
    """Read the ingredients that a campaign may name: those of the bench folder, and its own."""
    common = Bench(folder.bench).ingredients
    if is_absent(common):
        common = shipped("shared") / common.name
    own = folder.own_ingredients
    ingredients: dict[str, Ingredient] = {}
    findings: list[Finding] = []
    remarks: list[Finding] = []
    for path in (common,) if is_absent(own) else (common, own):
        read, faults, notes = read_ingredients(path, folder.shown(path))
        ingredients |= read
        findings += faults
        remarks += notes
    return ingredients, findings, remarks


def _read_ingredient(key: str, entry: TomlTable) -> Ingredient | None:
    before = len(entry.findings)
    values: dict[str, Any] = entry.read([*_TEXT_FIELDS, *_QUANTITY_FIELDS], others=_OTHER_FIELDS)
    role = str(values.get("role", "other")).strip().lower()
    if role not in ROLES:
        entry.remarks.append(
            Finding(
                entry.source("role"),
                "unknown-role",
                f"`{role}` is no role that anything reads; it is taken as `other`",
                ", ".join(ROLES),
            )
        )
        role = "other"
    values["role"] = role
    for name in _OTHER_FIELDS:
        kind = INGREDIENT_FIELDS[name].kind
        raw = entry.values.get(name)
        if raw is None:
            continue
        if kind == "sources" and isinstance(raw, str):
            # One text is the source of every figure.
            raw = {field.name: raw for field in _QUANTITY_FIELDS if field.name in values}
        if kind == "boolean" and not isinstance(raw, bool):
            entry.fault([name], "bad-value", f"`{name}` is not true or false", "true or false")
        elif kind == "keys" and not _is_list_of_text(raw):
            entry.fault([name], "bad-value", f"`{name}` is no list of keys", '["ingredient", …]')
        elif kind == "sources" and not _is_table_of_text(raw):
            entry.fault(
                [name], "bad-value", f"`{name}` does not name sources", '{ density = "book", … }'
            )
        else:
            values[name] = tuple(raw) if kind == "keys" else raw
    if len(entry.findings) > before:
        return None
    return Ingredient(key=key, origin=entry.source(), **values)


def _is_list_of_text(raw: object) -> bool:
    return isinstance(raw, list) and all(isinstance(item, str) for item in raw)


def _is_table_of_text(raw: object) -> bool:
    return isinstance(raw, dict) and all(isinstance(item, str) for item in raw.values())


def read_formulations(
    path: Path, shown: str
) -> tuple[dict[str, FormulationSpec], list[Finding], list[Finding]]:
    """Read the formulations of a campaign as they are written; nothing is resolved.

    Returns
    -------
    formulations, findings, remarks
        By name; faults; unknown keys that nothing reads.
    """
    table, findings = read_toml_table(path, shown)
    return ({}, findings, []) if table is None else formulations_of(table)


def formulations_of(
    table: TomlTable,
) -> tuple[dict[str, FormulationSpec], list[Finding], list[Finding]]:
    """Read the content of `formulations.toml` as `read_formulations` reads the file."""
    specs = {}
    for name in table.values:
        entry = table.table(name)
        if entry is not None:
            spec = _read_formulation(name, entry)
            if spec is not None:
                specs[name] = spec
    return specs, table.findings, table.remarks


def _read_formulation(name: str, entry: TomlTable) -> FormulationSpec | None:
    before = len(entry.findings)
    try:
        _NAME.parse(name, entry.scale)
    except UnitError as error:
        entry.fault([], "bad-name", error.message, error.expected, "batches refer to it by name")
    entry.check_keys(("ingredients", "parent", "replace", "add", "total", "notes"))
    ingredients, percent = _read_parts(entry)
    replace = tuple(
        Replacement(
            ingredient=str(step["ingredient"]), share=step["share"], replacement=str(step["with"])
        )
        for step in _read_steps(entry, "replace", ("ingredient", "share", "with"))
    )
    add = tuple(
        Addition(ingredient=str(step["ingredient"]), parts=step["parts"])
        for step in _read_steps(entry, "add", ("ingredient", "parts"))
    )
    parent = entry.values.get("parent")
    if parent is not None and not isinstance(parent, str):
        entry.fault(["parent"], "bad-value", f"`parent` is {describe(parent)}", 'parent = "base"')
    total = entry.value(_TOTAL)
    notes = entry.value(_NOTES)
    if len(entry.findings) > before:
        return None
    return FormulationSpec(
        name=name,
        ingredients=ingredients,
        percent=percent,
        parent=parent,
        replace=replace,
        add=add,
        total=total if isinstance(total, float) else None,
        notes=notes if isinstance(notes, str) else "",
        source=entry.source(),
    )


def _read_parts(entry: TomlTable) -> tuple[dict[str, float] | None, bool]:
    parts = entry.table("ingredients")
    if parts is None:
        return None, False
    values: dict[str, float] = {}
    percents = set()
    for key, raw in parts.values.items():
        try:
            if isinstance(raw, str) and raw.strip().endswith("%"):
                percents.add(True)
                values[key] = parse_quantity(raw, Kind.RATIO).si * 100.0
            elif isinstance(raw, str):
                percents.add(False)
                values[key] = float(parse_number(raw))
            elif isinstance(raw, int | float) and not isinstance(raw, bool):
                percents.add(False)
                values[key] = float(parse_number(repr(raw)))
            else:
                msg = f"`{shorten(key)}` is {describe(raw)}"
                raise UnitError(msg, expected="parts by mass, such as 65")
        except UnitError as error:
            parts.fault([key], "bad-value", error.message, error.expected, error.hint)
    if len(percents) > 1:
        parts.fault(
            [],
            "mixed-parts",
            "some amounts are in percent and some are plain parts",
            "one or the other throughout",
        )
    return values, True in percents


def _read_steps(entry: TomlTable, key: str, names: tuple[str, ...]) -> list[dict[str, Any]]:
    raw = entry.values.get(key, [])
    example = {
        "replace": '[{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]',
        "add": '[{ ingredient = "iron-oxide", parts = 1 }]',
    }[key]
    alone = isinstance(raw, dict)
    if alone:
        raw = [raw]
    if not isinstance(raw, list) or not all(isinstance(step, dict) for step in raw):
        entry.fault(
            [key], "bad-value", f"`{key}` is {describe(raw)}, not of steps", f"{key} = {example}"
        )
        return []
    steps = []
    for number, step in enumerate(raw, start=1):
        place = key if alone else f"{key}[{number}]"
        read = _read_step(entry, place, names, step, example)
        if read is not None:
            steps.append(read)
    return steps


def _read_step(
    entry: TomlTable, key: str, names: tuple[str, ...], step: dict[str, Any], example: str
) -> dict[str, Any] | None:
    read: dict[str, Any] = {}
    unknown = [name for name in step if name not in names]
    for name in unknown:
        entry.fault(
            [key, name],
            "unknown-key",
            f"`{shorten(name)}` is no part of a step",
            ", ".join(names),
            f"write a step as {example}",
        )
    for name in names:
        value = step.get(name)
        if value is None:
            # A misspelt name is at fault already.
            if not unknown:
                entry.fault([key], "missing-field", f"a step has no `{name}`", example)
            continue
        try:
            read[name] = _step_value(name, value, example)
        except UnitError as error:
            entry.fault([key, name], "bad-value", error.message, error.expected, error.hint)
    return read if set(names) <= read.keys() else None


def _step_value(name: str, value: object, example: str) -> str | float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if name == "share" and (number or isinstance(value, str)):
        return parse_quantity(value if isinstance(value, str) else repr(value), Kind.RATIO).si
    if name == "parts" and (number or isinstance(value, str)):
        return float(parse_number(value if isinstance(value, str) else repr(value)))
    if name not in ("share", "parts") and isinstance(value, str) and value.strip():
        return value
    msg = f"`{name}` is {describe(value)}"
    raise UnitError(msg, expected=example)
