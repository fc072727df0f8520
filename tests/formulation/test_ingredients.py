from __future__ import annotations

import dataclasses
import re
from typing import TYPE_CHECKING, Any

import pytest

from strandwise.formulation import (
    INGREDIENT_FIELDS,
    ROLES,
    Ingredient,
    elements_of,
    oxygen_balance,
)
from strandwise.units import Kind, parse_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

Table = dict[str, dict[str, Any]]
QUANTITIES = [name for name, field in INGREDIENT_FIELDS.items() if isinstance(field.kind, Kind)]


def figures(table: Table) -> Iterator[tuple[str, str, str]]:
    for key, entry in table.items():
        for name in QUANTITIES:
            if name in entry:
                yield key, name, entry[name]


def test_fields_are_those_of_the_dataclass() -> None:
    attributes = {field.name for field in dataclasses.fields(Ingredient)}
    assert set(INGREDIENT_FIELDS) == attributes - {"key", "origin"}


def test_table_is_of_useful_size_and_holds_the_keys_of_the_documentation(
    table_text: Table,
) -> None:
    documented = {
        *("potassium-nitrate", "sodium-nitrate", "sucrose", "sorbitol", "dextrose", "mannitol"),
        *("erythritol", "starch", "calcium-carbonate", "magnesium-carbonate", "oxamide"),
        *("sodium-bicarbonate", "iron-oxide", "carbon-black", "sulfur"),
    }
    assert len(table_text) >= 35
    assert documented <= set(table_text)


def test_every_entry_is_well_formed(table_text: Table) -> None:
    for key, entry in table_text.items():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", key), key
        assert set(entry) <= set(INGREDIENT_FIELDS), key
        assert entry["role"] in ROLES, key
        assert set(entry.get("incompatible", [])) <= set(table_text), key


def test_every_figure_parses_and_has_a_source(table_text: Table) -> None:
    for key, name, text in figures(table_text):
        parse_quantity(text, INGREDIENT_FIELDS[name].kind)
        source = table_text[key]["source"][name]
        assert source.startswith(("from memory", "CRC Handbook", "NIST", "J. Chem.")), (key, name)


def test_no_source_without_its_figure(table_text: Table) -> None:
    for key, entry in table_text.items():
        assert set(entry.get("source", {})) == set(entry) & set(QUANTITIES), key


def test_every_formula_can_be_counted(shipped: dict[str, Ingredient]) -> None:
    for ingredient in shipped.values():
        if ingredient.formula is not None:
            assert elements_of(ingredient.formula), ingredient.key
            oxygen_balance(ingredient.formula)


@pytest.mark.parametrize(
    ("field", "least", "most"),
    [
        # Solids and liquids of this table: from paraffin to copper oxide.
        ("density", 800.0, 7000.0),
        ("formation_enthalpy", -3e6, 0.0),
        ("melts", 273.0, 1400.0),
        ("decomposes", 300.0, 1100.0),
        ("sublimes", 300.0, 1100.0),
        ("loses_water", 320.0, 500.0),
    ],
)
def test_figures_are_plausible(
    shipped: dict[str, Ingredient], field: str, least: float, most: float
) -> None:
    for ingredient in shipped.values():
        value = getattr(ingredient, field)
        assert value is None or least <= value <= most, ingredient.key


def test_incompatibility_is_written_on_both_sides(shipped: dict[str, Ingredient]) -> None:
    for ingredient in shipped.values():
        for other in ingredient.incompatible:
            assert ingredient.key in shipped[other].incompatible, (ingredient.key, other)


# Formation enthalpies as NIST-JANAF Thermochemical Tables print them, kJ/mol, from memory;
# 1 kJ/mol covers the differences between compilations.
@pytest.mark.parametrize(
    ("key", "enthalpy"),
    [
        ("potassium-nitrate", -494.6),
        ("aluminium", 0.0),
        ("water", -285.83),
        ("iron-oxide", -825.5),
        ("ammonium-perchlorate", -295.8),
        ("magnesium-hydroxide", -924.7),
        ("sucrose", -2221.2),  # NIST Chemistry WebBook (Clarke and Stegeman 1939), read
        ("erythritol", -910.5),  # of the liquid, NIST Chemistry WebBook, read
    ],
)
def test_formation_enthalpies(shipped: dict[str, Ingredient], key: str, enthalpy: float) -> None:
    value = shipped[key].formation_enthalpy
    assert value == pytest.approx(enthalpy * 1e3, abs=1.5e3)
