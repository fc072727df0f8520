from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.errors import RequestError
from strandwise.findings import Source
from strandwise.formulation import (
    ALL,
    ON_TOP,
    Addition,
    Dose,
    FormulationSpec,
    Ingredient,
    Replacement,
    dose_of,
    resolve_recipes,
)

BASE = {"potassium-nitrate": 65.0, "sorbitol": 35.0}
TABLE = {
    key: Ingredient(key=key, role="other") for key in (*BASE, "calcium-carbonate", "iron-oxide")
}


def swap(ingredient: str, share: float, replacement: str) -> Replacement:
    return Replacement(ingredient=ingredient, share=share, replacement=replacement)


def add(ingredient: str, parts: float) -> Addition:
    return Addition(ingredient=ingredient, parts=parts)


def specs_of(**tables: dict[str, Any]) -> dict[str, FormulationSpec]:
    tables = {"base": {"ingredients": BASE}} | tables
    return {
        name: FormulationSpec(name=name, source=Source("formulations.toml"), **table)
        for name, table in tables.items()
    }


@pytest.mark.parametrize(
    ("step", "ingredient", "replaces", "amount"),
    [
        (
            {"replace": (swap("sorbitol", 0.1, "calcium-carbonate"),)},
            "calcium-carbonate",
            "sorbitol",
            0.1,
        ),
        ({"replace": (swap(ALL, 0.05, "iron-oxide"),)}, "iron-oxide", ALL, 0.05),
        ({"add": (add("iron-oxide", 1.0),)}, "iron-oxide", ON_TOP, 0.01),
        ({"add": (add("iron-oxide", 1.0), add("iron-oxide", 0.5))}, "iron-oxide", ON_TOP, 0.015),
    ],
)
def test_dose_of_one_step(
    step: dict[str, Any], ingredient: str, replaces: str, amount: float
) -> None:
    dose = dose_of("child", specs_of(child={"parent": "base", **step}), "base")
    assert dose == Dose(
        ingredient=ingredient,
        replaces=replaces,
        amount=pytest.approx(amount),
        relative_to="base",
    )


@given(st.floats(0.01, 0.9), st.floats(0.01, 0.9), st.sampled_from(["sorbitol", ALL]))
def test_shares_of_a_chain_compose_as_the_recipes_do(
    first: float, second: float, replaced: str
) -> None:
    specs = specs_of(
        one={"parent": "base", "replace": (swap(replaced, first, "iron-oxide"),)},
        two={"parent": "one", "replace": (swap(replaced, second, "iron-oxide"),)},
    )
    dose = dose_of("two", specs, "base")
    assert dose is not None
    at_once = specs_of(
        same={"parent": "base", "replace": (swap(replaced, dose.amount, "iron-oxide"),)}
    )
    chained = resolve_recipes(specs, TABLE)[0]["two"].mass_fractions
    assert chained == pytest.approx(resolve_recipes(at_once, TABLE)[0]["same"].mass_fractions)


@given(st.floats(0.01, 50.0), st.floats(0.01, 50.0))
def test_parts_on_top_compose_as_the_recipes_do(first: float, second: float) -> None:
    specs = specs_of(
        one={"parent": "base", "add": (add("iron-oxide", first),)},
        two={"parent": "one", "add": (add("iron-oxide", second),)},
    )
    dose = dose_of("two", specs, "base")
    assert dose is not None
    at_once = specs_of(same={"parent": "base", "add": (add("iron-oxide", 100 * dose.amount),)})
    chained = resolve_recipes(specs, TABLE)[0]["two"].mass_fractions
    assert chained == pytest.approx(resolve_recipes(at_once, TABLE)[0]["same"].mass_fractions)


def test_dose_from_a_nearer_ancestor() -> None:
    specs = specs_of(
        one={"parent": "base", "add": (add("iron-oxide", 1.0),)},
        two={"parent": "one", "replace": (swap("sorbitol", 0.2, "calcium-carbonate"),)},
    )
    assert dose_of("two", specs, "base") is None
    dose = dose_of("two", specs, "one")
    assert dose is not None
    assert (dose.ingredient, dose.relative_to) == ("calcium-carbonate", "one")
    assert dose.amount == pytest.approx(0.2)


@pytest.mark.parametrize(
    "step",
    [
        {},
        {"replace": (swap("sorbitol", 0.1, "sorbitol"),)},
        {"replace": (swap("sorbitol", 0.1, "iron-oxide"),), "add": (add("iron-oxide", 1.0),)},
        {"replace": (swap("sorbitol", 0.1, "iron-oxide"), swap(ALL, 0.1, "iron-oxide"))},
        {"add": (add("iron-oxide", 1.0), add("calcium-carbonate", 1.0))},
    ],
)
def test_mixed_steps_have_no_dose(step: dict[str, Any]) -> None:
    assert dose_of("child", specs_of(child={"parent": "base", **step}), "base") is None


def test_no_dose_for_the_baseline_nor_for_strangers() -> None:
    specs = specs_of(
        other={"ingredients": BASE},
        ring={"parent": "gnir"},
        gnir={"parent": "ring"},
        orphan={"parent": "nowhere", "add": (add("iron-oxide", 1.0),)},
    )
    assert all(dose_of(name, specs, "base") is None for name in specs)
    assert dose_of("orphan", specs, "nowhere") is not None


def test_unknown_formulation_is_refused() -> None:
    with pytest.raises(RequestError, match=r"`bsae` is no formulation.*expected one of base"):
        dose_of("bsae", specs_of(), "base")
