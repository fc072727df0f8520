from __future__ import annotations

import pytest

from strandwise.formulation import (
    PROCESS_MARGIN,
    Ingredient,
    Recipe,
    incompatibility_cautions,
    process_cautions,
    recipe_properties,
)

ZERO_CELSIUS = 273.15


def recipe(*keys: str) -> Recipe:
    fractions = {key: 1 / len(keys) for key in keys}
    return Recipe(formulation="mix", parent=None, mass_fractions=fractions, lineage=("mix",))


# Sodium bicarbonate begins to lose carbon dioxide and water near 50 degC, the monohydrate of
# dextrose its water near 83 degC, ammonium chloride sublimes near 338 degC: from memory.
@pytest.mark.parametrize(
    ("key", "celsius", "code"),
    [
        ("sodium-bicarbonate", 120, "decomposes-in-process"),
        ("sodium-bicarbonate", 35, "decomposes-in-process"),
        ("ammonium-bicarbonate", 20, "decomposes-in-process"),
        ("dextrose-monohydrate", 100, "loses-water-in-process"),
        ("ammonium-chloride", 330, "sublimes-in-process"),
        ("ammonium-nitrate", 160, "melts-in-process"),
    ],
)
def test_process_that_an_ingredient_does_not_bear(
    shipped: dict[str, Ingredient], key: str, celsius: float, code: str
) -> None:
    cautions = process_cautions(recipe(key), shipped, [293.15, celsius + ZERO_CELSIUS])
    assert [caution.code for caution in cautions] == [code]
    assert key in cautions[0].message
    assert f"{celsius} degC" in cautions[0].message
    assert "from memory" in cautions[0].message or "CRC Handbook" in cautions[0].message


@pytest.mark.parametrize(
    ("key", "celsius"),
    [
        ("sodium-bicarbonate", 25),
        ("calcium-carbonate", 180),
        ("oxamide", 180),
        # Fuels are melted on purpose, and water is no solid.
        ("sorbitol", 130),
        ("water", 60),
    ],
)
def test_process_that_an_ingredient_bears(
    shipped: dict[str, Ingredient], key: str, celsius: float
) -> None:
    assert process_cautions(recipe(key), shipped, [celsius + ZERO_CELSIUS]) == ()


def test_no_process_temperature_no_caution(shipped: dict[str, Ingredient]) -> None:
    assert process_cautions(recipe("sodium-bicarbonate"), shipped, []) == ()


@pytest.mark.parametrize(("below", "cautions"), [(PROCESS_MARGIN, 1), (PROCESS_MARGIN + 0.5, 0)])
def test_margin(below: float, cautions: int) -> None:
    table = {"x": Ingredient(key="x", role="retarder", decomposes=400.0)}
    found = process_cautions(recipe("x"), table, [400.0 - below])
    assert len(found) == cautions
    assert all("no source given" in caution.message for caution in found)
    assert all("within 20 K" in caution.message for caution in found)


def test_properties_include_process_and_incompatibility(shipped: dict[str, Ingredient]) -> None:
    mix = recipe("ammonium-nitrate", "sodium-bicarbonate", "sorbitol")
    codes = {caution.code for caution in recipe_properties(mix, shipped, [393.15]).cautions}
    assert codes == {"decomposes-in-process", "incompatible-ingredients"}


@pytest.mark.parametrize("keys", [("a", "b"), ("b", "a")])
def test_incompatibility_written_on_one_side_is_enough(keys: tuple[str, str]) -> None:
    table = {
        "a": Ingredient(key="a", role="other", incompatible=("b",)),
        "b": Ingredient(key="b", role="other"),
    }
    (caution,) = incompatibility_cautions(recipe(*keys), table)
    assert caution.code == "incompatible-ingredients"
    assert "do not mix them" in caution.message
    assert incompatibility_cautions(recipe("a", "unknown"), table) == ()


def test_nothing_is_called_safe(shipped: dict[str, Ingredient]) -> None:
    mix = recipe(*shipped)
    messages = [caution.message for caution in recipe_properties(mix, shipped, [500.0]).cautions]
    assert messages
    assert not any("safe" in message for message in messages)
