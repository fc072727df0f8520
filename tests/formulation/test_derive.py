from __future__ import annotations

import tomllib
from typing import Any

import pytest

from strandwise.errors import RequestError
from strandwise.findings import Source
from strandwise.formulation import (
    WAYS,
    Derivation,
    FormulationSpec,
    Ingredient,
    derive_formulations,
    dose_of,
    formulation_toml,
)

BASE = FormulationSpec(
    name="base",
    ingredients={"potassium-nitrate": 65.0, "sorbitol": 35.0},
    source=Source("formulations.toml"),
)


def derive(table: dict[str, Ingredient], **options: Any) -> dict[str, Derivation]:
    given = {
        "parent": "base",
        "replacement": "calcium-carbonate",
        "replaces": "sorbitol",
        "shares": [0.05],
    } | options
    found = derive_formulations({"base": BASE}, table, **given)
    return {derivation.way: derivation for derivation in found}


# The same 5 % by hand: 35·0.05 = 1.75 of the sorbitol; 5 of everything; 5 parts on 100.
@pytest.mark.parametrize(
    ("way", "fractions"),
    [
        ("of-ingredient", (0.65, 0.3325, 0.0175)),
        ("of-all", (0.6175, 0.3325, 0.05)),
        ("on-top", (65 / 105, 35 / 105, 5 / 105)),
    ],
)
def test_hand_arithmetic(
    shipped: dict[str, Ingredient], way: str, fractions: tuple[float, ...]
) -> None:
    found = derive(shipped)[way].recipe.mass_fractions
    names = ("potassium-nitrate", "sorbitol", "calcium-carbonate")
    assert found == pytest.approx(dict(zip(names, fractions, strict=True)), abs=1e-9)


def test_a_series_comes_dose_by_dose_in_every_way(shipped: dict[str, Ingredient]) -> None:
    found = derive_formulations(
        {"base": BASE},
        shipped,
        parent="base",
        replacement="oxamide",
        replaces="sorbitol",
        shares=[0.025, 0.05],
    )
    assert [d.spec.name for d in found] == [
        "oxamide-2_5-of-sorbitol",
        "oxamide-2_5-of-all",
        "oxamide-2_5-on-top",
        "oxamide-5-of-sorbitol",
        "oxamide-5-of-all",
        "oxamide-5-on-top",
    ]
    for derivation in found:
        dose = dose_of(
            derivation.spec.name, {"base": BASE, derivation.spec.name: derivation.spec}, "base"
        )
        assert dose is not None
        assert dose.amount == pytest.approx(derivation.share)


def test_without_what_gives_way_two_ways_are_left(shipped: dict[str, Ingredient]) -> None:
    assert set(derive(shipped, replaces=None)) == set(WAYS) - {"of-ingredient"}
    assert list(derive(shipped, ways=["on-top"])) == ["on-top"]


@pytest.mark.parametrize("way", WAYS)
def test_what_is_written_says_the_same(shipped: dict[str, Ingredient], way: str) -> None:
    derivation = derive(shipped, shares=[1 / 3])[way]
    (entry,) = tomllib.loads(formulation_toml(derivation)).values()
    assert entry["parent"] == "base"
    if way == "on-top":
        ((ingredient, parts),) = [tuple(step.values()) for step in entry["add"]]
        assert (ingredient, parts) == ("calcium-carbonate", pytest.approx(100 / 3, abs=1e-9))
    else:
        (step,) = entry["replace"]
        assert step["with"] == "calcium-carbonate"
        assert step["ingredient"] == ("sorbitol" if way == "of-ingredient" else "all")
        assert float(step["share"].removesuffix(" %")) == pytest.approx(100 / 3, abs=1e-9)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"parent": "bass"}, "there is no formulation `bass`; expected one of base"),
        ({"shares": [1.2], "ways": ["of-ingredient"]}, "share 120 % of sorbitol.*up to 100 %"),
        ({"shares": [0.0], "ways": ["on-top"]}, "0 parts of calcium-carbonate.*above 0"),
        ({"shares": [-0.1], "ways": ["of-all"]}, "share -10 % of all"),
        ({"shares": []}, "no dose is given"),
        ({"replaces": "calcium-carbonate"}, "calcium-carbonate in place of calcium-carbonate"),
        ({"replaces": None, "ways": ["of-ingredient"]}, "nothing is named that gives way"),
        ({"replaces": "sucrose"}, "replaces sucrose, which base does not hold"),
        ({"replacement": "chalk"}, "`chalk` is no known ingredient"),
        ({"shares": [0.05, 0.05]}, "there is a formulation `calcium-carbonate-5-of-sorbitol`"),
    ],
)
def test_refusals(shipped: dict[str, Ingredient], options: dict[str, Any], message: str) -> None:
    with pytest.raises(RequestError, match=message):
        derive(shipped, **options)


def test_a_taken_name_is_refused(shipped: dict[str, Ingredient]) -> None:
    taken = FormulationSpec(name="x-5-on-top", parent="base", source=Source("f.toml"))
    with pytest.raises(RequestError, match="`x-5-on-top` already; give another start"):
        derive_formulations(
            {"base": BASE, "x-5-on-top": taken},
            shipped,
            parent="base",
            replacement="oxamide",
            shares=[0.05],
            ways=["on-top"],
            stem="x",
        )


def test_one_part_is_one(shipped: dict[str, Ingredient]) -> None:
    assert derive(shipped, shares=[0.01])["on-top"].meaning == (
        "1 part of calcium-carbonate to 100 parts of base"
    )
