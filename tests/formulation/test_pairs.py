from __future__ import annotations

import pytest

from strandwise.formulation import Ingredient, Recipe, incompatibility_cautions


def recipe(*keys: str) -> Recipe:
    fractions = {key: 1 / len(keys) for key in keys}
    return Recipe(formulation="mix", parent=None, mass_fractions=fractions, lineage=("mix",))


def own(key: str, role: str, formula: str) -> Ingredient:
    return Ingredient(key=key, role=role, formula=formula)  # type: ignore[arg-type]


OWN = {
    "potassium-chlorate": own("potassium-chlorate", "oxidiser", "KClO3"),
    "magnesium": own("magnesium", "metal", "Mg"),
    "ammonium-dichromate": own("ammonium-dichromate", "catalyst", "(NH4)2Cr2O7"),
}


# Pairs that published guidance on reactive hazards keeps apart (Bretherick's Handbook of Reactive
# Chemical Hazards, from memory), in general words.
@pytest.mark.parametrize(
    ("one", "other", "word"),
    [
        ("potassium-chlorate", "sulfur", "friction"),
        ("potassium-chlorate", "ammonium-chloride", "go off by themselves"),
        ("potassium-chlorate", "aluminium", "chlorates"),
        ("potassium-perchlorate", "sulfur", "friction"),
        ("ammonium-perchlorate", "sodium-bicarbonate", "ammonia"),
        ("ammonium-sulfate", "magnesium-hydroxide", "ammonia"),
        ("ammonium-nitrate", "copper-oxide", "lower temperatures"),
        ("ammonium-nitrate", "aluminium", "metal powders"),
        ("potassium-nitrate", "magnesium", "hydrogen"),
        ("potassium-nitrate", "ammonium-chloride", "takes up water"),
        ("potassium-nitrate", "ammonium-dichromate", "takes up water"),
    ],
)
def test_pairs_that_must_not_meet(
    shipped: dict[str, Ingredient], one: str, other: str, word: str
) -> None:
    table = {**shipped, **OWN}
    for order in ((one, other), (other, one)):
        (caution,) = incompatibility_cautions(recipe(*order), table)
        assert caution.code == "incompatible-ingredients"
        assert word in caution.message
        assert "from memory" in caution.message
        assert "rules and licences where you are come first" in caution.message


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("potassium-nitrate", "sorbitol"),
        ("potassium-nitrate", "calcium-carbonate"),
        ("potassium-nitrate", "sulfur"),
        ("potassium-nitrate", "oxamide"),
        ("potassium-perchlorate", "sucrose"),
        ("ammonium-perchlorate", "hydroxyl-terminated-polybutadiene"),
        ("sodium-bicarbonate", "calcium-carbonate"),
        ("potassium-nitrate", "talc"),
    ],
)
def test_usual_pairs_pass(shipped: dict[str, Ingredient], one: str, other: str) -> None:
    assert incompatibility_cautions(recipe(one, other), shipped) == ()
