from __future__ import annotations

import pytest

from strandwise.formulation import (
    Ingredient,
    Recipe,
    oxidiser_fraction,
    oxidiser_fuel_ratio,
    recipe_properties,
    void_free_density,
)


def recipe(**fractions: float) -> Recipe:
    named = {key.replace("_", "-"): fraction for key, fraction in fractions.items()}
    return Recipe(formulation="mix", parent=None, mass_fractions=named, lineage=("mix",))


def substance(key: str, formula: str | None, density: float | None, **more: object) -> Ingredient:
    return Ingredient(key=key, **{"role": "other", "formula": formula, "density": density} | more)


# Void-free densities of 65/35 mixtures recomputed from crystal densities, g/cm3: 1/(0.65/2.11 +
# 0.35/ρ) with 1.58, 1.489 and 1.562 (handbook values, from memory).
@pytest.mark.parametrize(
    ("fuel", "expected"), [("sucrose", 1.888), ("sorbitol", 1.841), ("dextrose", 1.879)]
)
def test_void_free_density(shipped: dict[str, Ingredient], fuel: str, expected: float) -> None:
    mix = recipe(potassium_nitrate=0.65, **{fuel: 0.35})
    assert void_free_density(mix, shipped) == pytest.approx(expected * 1e3, abs=1.0)


def test_void_free_density_of_a_composite() -> None:
    # 68 % ammonium perchlorate (1.95), 18 % aluminium (2.70), 14 % cured
    # hydroxyl-terminated polybutadiene (0.93 g/cm3): ideal
    # density 1.767 g/cm3, common textbook example, from memory.
    table = {
        "ap": substance("ap", "NH4ClO4", 1950.0, role="oxidiser"),
        "al": substance("al", "Al", 2700.0, role="metal"),
        "htpb": substance("htpb", "C4H6", 930.0, role="binder"),
    }
    mix = recipe(ap=0.68, al=0.18, htpb=0.14)
    assert void_free_density(mix, table) == pytest.approx(1767.0, abs=0.5)
    assert oxidiser_fraction(mix, table) == pytest.approx(0.68)


def test_properties_of_a_plain_recipe(shipped: dict[str, Ingredient]) -> None:
    properties = recipe_properties(recipe(potassium_nitrate=0.65, sorbitol=0.35), shipped)
    assert properties.oxidiser_fraction == pytest.approx(0.65)
    assert properties.oxygen_balance == pytest.approx(-14.25, abs=0.02)
    assert properties.cautions == ()


def test_missing_figures_are_named(shipped: dict[str, Ingredient]) -> None:
    table = {
        **shipped,
        "ash": substance("ash", None, None),
        "odd": substance("odd", "UO2", 1e4),
        "typo": substance("typo", "kno3", 2e3),
    }
    mix = recipe(potassium_nitrate=0.6, ash=0.1, odd=0.1, typo=0.1, moon_dust=0.1)
    properties = recipe_properties(mix, table)
    assert properties.oxygen_balance is None
    assert properties.void_free_density is None
    assert properties.oxidiser_fraction is None
    cautions = {caution.code: caution.message for caution in properties.cautions}
    assert cautions["unknown-ingredient"].startswith("moon-dust:")
    assert cautions["no-formula"].startswith("ash:")
    assert cautions["no-density"].startswith("ash:")
    assert cautions["uncountable-formula"].startswith("odd, typo:")


def test_excess_oxygen_is_cautioned(shipped: dict[str, Ingredient]) -> None:
    swapped = recipe_properties(recipe(potassium_nitrate=0.85, sorbitol=0.15), shipped)
    (caution,) = swapped.cautions
    assert caution.code == "oxygen-excess"
    assert "+16.5 %" in caution.message


def test_oxidiser_fuel_ratio(shipped: dict[str, Ingredient]) -> None:
    mix = recipe(potassium_nitrate=0.65, sorbitol=0.315, calcium_carbonate=0.035)
    assert oxidiser_fuel_ratio(mix, shipped) == pytest.approx(65 / 31.5)
    assert oxidiser_fuel_ratio(recipe(potassium_nitrate=1.0), shipped) is None
    assert oxidiser_fuel_ratio(recipe(moon_dust=1.0), shipped) is None


def test_balance_to_carbonate_is_stated(shipped: dict[str, Ingredient]) -> None:
    # 4 KNO3 + 2 C -> 2 K2CO3 + 2 N2 + 3 O2: 24.00/101.10, against 40.00/101.10 to the oxide.
    alone = recipe(potassium_nitrate=1.0)
    to_oxide = recipe_properties(alone, shipped)
    to_carbonate = recipe_properties(alone, shipped, alkali="carbonate")
    assert (to_oxide.alkali, to_carbonate.alkali) == ("oxide", "carbonate")
    assert to_oxide.oxygen_balance == pytest.approx(39.56, abs=0.01)
    assert to_carbonate.oxygen_balance == pytest.approx(23.74, abs=0.01)
