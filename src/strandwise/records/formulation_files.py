"""`ingredients.toml` and `formulations.toml` as dataclasses."""

from __future__ import annotations

import re
from dataclasses import replace as with_changes
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from strandwise.errors import DataError, UnitError
from strandwise.findings import Finding
from strandwise.formulation import (
    ALL,
    INGREDIENT_FIELDS,
    ROLES,
    Addition,
    FormulationSpec,
    Ingredient,
    Replacement,
    elements_of,
    gas_amount,
)
from strandwise.records.field import Field, shorten
from strandwise.records.folder import Bench, shipped
from strandwise.records.textfiles import is_absent
from strandwise.records.tomltable import describe, read_toml_table
from strandwise.units import Kind, parse_number, parse_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder
    from strandwise.records.tomltable import TomlTable

__all__ = ["formulations_of", "read_all_ingredients", "read_formulations", "read_ingredients"]

_TEXT_FIELDS = tuple(
    Field(name=name, help=item.help, form="text", required=item.required)
    for name, item in INGREDIENT_FIELDS.items()
    if item.kind in ("text", "role")
)
# Osmium, the densest of all substances, has 22.6 g/cm3; what is lighter than 0.05 is no solid.
_LIGHTEST, _DENSEST = 50.0, 23000.0
_QUANTITY_FIELDS = tuple(
    Field(
        name=name,
        help=item.help,
        kind=item.kind,
        metric="g/cm3" if item.kind is Kind.DENSITY else "",
        at_least=_LIGHTEST if item.kind is Kind.DENSITY else None,
        at_most=_DENSEST if item.kind is Kind.DENSITY else None,
    )
    for name, item in INGREDIENT_FIELDS.items()
    if isinstance(item.kind, Kind)
)
# The most stable solids, such as calcium fluoride, have 410 kJ per mole of atoms.
_MOST_PER_ATOM = 500e3
_KEY = re.compile(r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*")
_OTHER_FIELDS = tuple(
    name for name, item in INGREDIENT_FIELDS.items() if item.kind in ("boolean", "keys", "sources")
)

_NAME = Field(name="formulation", help="name of the formulation", form="name")
_TOTAL = Field(name="total", help="what the parts add up to", form="number", above=0.0)
_NOTES = Field(name="notes", help="whatever should be remembered", form="text")


def read_ingredients(
    path: Path,
    shown: str,
    *,
    within: Path | None = None,
    known: Mapping[str, Ingredient] | None = None,
) -> tuple[dict[str, Ingredient], list[Finding], list[Finding]]:
    """Read a table of ingredients; `within` is as of `read_text`.

    An entry whose key is in `known` changes the fields that it states and keeps the others: a
    density from a data sheet does not make the tool forget where the ingredient decomposes. One
    with another formula is another substance and keeps nothing.

    Returns
    -------
    ingredients, findings, remarks
        By key; faults; unknown keys that nothing reads.
    """
    table, findings = read_toml_table(path, shown, within=within)
    if table is None:
        return {}, findings, []
    ingredients = {}
    for key in table.values:
        entry = table.table(key)
        if entry is not None:
            ingredient = _read_ingredient(key, entry, (known or {}).get(key))
            if ingredient is not None:
                ingredients[key] = ingredient
    return ingredients, table.findings, table.remarks


def read_all_ingredients(
    folder: CampaignFolder,
) -> tuple[dict[str, Ingredient], list[Finding], list[Finding]]:
    """Read the ingredients that a campaign may name: those of the bench folder, and its own."""
    common = Bench(folder.bench).ingredients
    within: Path | None = folder.bench
    if is_absent(common):
        common, within = shipped("shared") / common.name, None
    own = folder.own_ingredients
    ingredients: dict[str, Ingredient] = {}
    findings: list[Finding] = []
    remarks: list[Finding] = []
    for path, inside in ((common, within), (own, folder.bench)):
        if path is own and is_absent(own):
            continue
        read, faults, notes = read_ingredients(
            path, folder.shown(path), within=inside, known=ingredients
        )
        ingredients |= read
        findings += faults
        remarks += notes
    remarks += _strange_partners(ingredients)
    return ingredients, findings, remarks


def _strange_partners(ingredients: Mapping[str, Ingredient]) -> list[Finding]:
    """Name what an entry calls incompatible and no table knows: it would warn of nothing."""
    found = []
    for ingredient in ingredients.values():
        for other in ingredient.incompatible:
            if other in ingredients or ingredient.origin is None:
                continue
            close = get_close_matches(other, ingredients, n=1)
            found.append(
                Finding(
                    with_changes(ingredient.origin, field=f"{ingredient.key}.incompatible"),
                    "unknown-ingredient",
                    f"`{shorten(other)}` is no known ingredient: there is no caution of the pair",
                    "a key of ingredients.toml",
                    f"did you mean `{close[0]}`?" if close else "",
                )
            )
    return found


def _read_ingredient(key: str, entry: TomlTable, known: Ingredient | None) -> Ingredient | None:
    before = len(entry.findings)
    if not _KEY.fullmatch(key) or key == ALL:
        entry.fault(
            [],
            "bad-name",
            f"`{shorten(key)}` is no key of an ingredient",
            "small letters, digits and single hyphens, such as calcium-carbonate"
            + (f"; `{ALL}` stands for a whole formulation" if key == ALL else ""),
        )
    values: dict[str, Any] = entry.read([*_TEXT_FIELDS, *_QUANTITY_FIELDS], others=_OTHER_FIELDS)
    _check_chemistry(values, entry)
    if known is not None and values.get("formula", known.formula) == known.formula:
        stated = dict(values)
        values = {name: getattr(known, name) for name in INGREDIENT_FIELDS} | stated
        # A figure from elsewhere does not rest on the source of the one that it replaces.
        values["source"] = {name: text for name, text in known.source.items() if name not in stated}
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
            raw = {field.name: raw for field in _QUANTITY_FIELDS if field.name in entry.values}
        if kind == "boolean" and not isinstance(raw, bool):
            entry.fault([name], "bad-value", f"`{name}` is not true or false", "true or false")
        elif kind == "keys" and not _is_list_of_text(raw):
            entry.fault([name], "bad-value", f"`{name}` is no list of keys", '["ingredient", …]')
        elif kind == "sources" and not _is_table_of_text(raw):
            entry.fault(
                [name], "bad-value", f"`{name}` does not name sources", '{ density = "book", … }'
            )
        elif kind == "sources":
            values[name] = {**values.get(name, {}), **raw}
        else:
            values[name] = tuple(raw) if kind == "keys" else raw
    if len(entry.findings) > before:
        return None
    return Ingredient(key=key, origin=entry.source(), **values)


def _check_chemistry(values: Mapping[str, Any], entry: TomlTable) -> None:
    """Keep a fault for a formula, a gas or an enthalpy that cannot be what is meant."""
    formula = values.get("formula")
    if formula is not None:
        try:
            atoms = sum(elements_of(formula).values())
        except DataError as error:
            entry.fault(["formula"], "bad-formula", error.message, error.expected, error.hint)
        else:
            enthalpy = values.get("formation_enthalpy", 0.0)
            if abs(enthalpy) > _MOST_PER_ATOM * atoms:
                entry.fault(
                    ["formation_enthalpy"],
                    "bad-value",
                    f"{enthalpy / 1e3:g} kJ per mole of `{formula}`, more than any substance has",
                    "that of one mole of the formula",
                    "look for a slip in the unit or the point",
                )
    if "gives_off" in values:
        try:
            for gas in gas_amount(values["gives_off"])[1]:
                elements_of(gas)
        except DataError as error:
            entry.fault(["gives_off"], "bad-value", error.message, error.expected, error.hint)


def _is_list_of_text(raw: object) -> bool:
    return isinstance(raw, list) and all(isinstance(item, str) for item in raw)


def _is_table_of_text(raw: object) -> bool:
    return isinstance(raw, dict) and all(isinstance(item, str) for item in raw.values())


def read_formulations(
    path: Path, shown: str, *, within: Path | None = None
) -> tuple[dict[str, FormulationSpec], list[Finding], list[Finding]]:
    """Read the formulations of a campaign as they are written; nothing is resolved.

    `within` is as of `read_text`.

    Returns
    -------
    formulations, findings, remarks
        By name; faults; unknown keys that nothing reads.
    """
    table, findings = read_toml_table(path, shown, within=within)
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
    raw_parts = entry.values.get("ingredients")
    if raw_parts is not None and not isinstance(raw_parts, dict):
        entry.fault(
            ["ingredients"],
            "not-a-table",
            f"`ingredients` is {describe(raw_parts)}",
            "parts by mass, such as ingredients = { potassium-nitrate = 65, sorbitol = 35 }",
        )
    parts = entry.table("ingredients") if isinstance(raw_parts, dict) else None
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
