from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from strandwise.formulation import INGREDIENT_FIELDS, Ingredient
from strandwise.units import Kind, parse_quantity

TABLE = Path(__file__).parents[2] / "shared" / "ingredients.toml"


@pytest.fixture(scope="session")
def table_text() -> dict[str, dict[str, Any]]:
    return tomllib.loads(TABLE.read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def shipped(table_text: dict[str, dict[str, Any]]) -> dict[str, Ingredient]:
    entries = {}
    for key, texts in table_text.items():
        values = {}
        for name, text in texts.items():
            kind = INGREDIENT_FIELDS[name].kind
            if isinstance(kind, Kind):
                values[name] = parse_quantity(text, kind).si
            else:
                values[name] = tuple(text) if kind == "keys" else text
        entries[key] = Ingredient(key=key, **values)
    return entries
