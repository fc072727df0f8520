"""Ingredients that must not meet, by the table of ingredients and by kinds of substance."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from strandwise.findings import Caution

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = ["incompatibility_cautions"]

_SOURCE = "Bretherick's Handbook of Reactive Chemical Hazards, from memory"
_LAW = "rules and licences where you are come first"


def _holds(pattern: str) -> Callable[[Ingredient], bool]:
    return lambda ingredient: re.search(pattern, ingredient.formula or "") is not None


def _is_alkaline(ingredient: Ingredient) -> bool:
    """Carbonates, hydrogen carbonates and hydroxides of metals."""
    formula = ingredient.formula or ""
    inorganic = re.match(r"(Li|Na|K|Mg|Ca|Sr|Ba|Al)", formula) is not None
    return inorganic and re.search(r"CO3|OH", formula) is not None and "Si" not in formula


_is_ammonium = _holds(r"NH4")
_is_chlorate = _holds(r"ClO3(?!\d)")
_is_perchlorate = _holds(r"ClO4")
_is_nitrate = _holds(r"NO3")
_is_sulfur = _holds(r"^S\d*$")
_is_copper = _holds(r"Cu")
_is_chloride = _holds(r"Cl(?!O)")


def _is_metal(ingredient: Ingredient) -> bool:
    return ingredient.role == "metal"


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two kinds of substance and what comes of them."""

    one: Callable[[Ingredient], bool]
    other: Callable[[Ingredient], bool]
    consequence: str
    advice: str


_PAIRS = (
    _Pair(
        _is_chlorate,
        lambda i: _is_ammonium(i) or _is_sulfur(i) or _is_metal(i),
        "mixtures of chlorates with ammonium salts, sulfur or metal powders can go off by "
        "themselves, or by friction",
        "do not mix them; choose another oxidiser",
    ),
    _Pair(
        _is_perchlorate,
        _is_sulfur,
        "mixtures of perchlorates with sulfur are sensitive to friction and impact",
        "do not mix them",
    ),
    _Pair(
        _is_ammonium,
        _is_alkaline,
        "alkaline substances set ammonia free from ammonium salts, more so when moist or hot",
        "do not mix them; choose another retarder",
    ),
    _Pair(
        lambda i: _is_ammonium(i) and _is_nitrate(i),
        lambda i: _is_copper(i) or _is_metal(i) or _is_chloride(i),
        "ammonium nitrate decomposes at lower temperatures, and may run away, with copper, "
        "chlorides or metal powders",
        "do not mix them",
    ),
    _Pair(
        lambda i: _is_nitrate(i) and not _is_ammonium(i),
        lambda i: _is_metal(i) and (i.formula or "") in ("Al", "Mg", "Zn"),
        "moist nitrates attack metal powders: the mix warms, and gives off ammonia and hydrogen",
        "keep both dry, never use water or heat with them, and do not store the mix",
    ),
    _Pair(
        lambda i: _is_ammonium(i) and not _is_nitrate(i) and not _is_perchlorate(i),
        lambda i: _is_nitrate(i) and not _is_ammonium(i),
        "they change into ammonium nitrate, which takes up water and decomposes at lower "
        "temperatures",
        "keep the mix dry and cool, or choose another retarder",
    ),
)


def incompatibility_cautions(
    recipe: Recipe, ingredients: Mapping[str, Ingredient]
) -> tuple[Caution, ...]:
    """Caution for each pair of a recipe that must not meet.

    A pair is told where either of the two lists the other as incompatible, else where both are of
    kinds that published guidance keeps apart (general words; the rules where the reader works
    come first). A pair without caution is a pair of which nothing is known here.
    """
    present = [ingredients[key] for key in recipe.mass_fractions if key in ingredients]
    return tuple(
        caution for one, other in combinations(present, 2) for caution in _of_pair(one, other)
    )


def _of_pair(one: Ingredient, other: Ingredient) -> Iterator[Caution]:
    if other.key in one.incompatible or one.key in other.incompatible:
        reason = _reason(one, other) or one.notes or other.notes
        yield Caution(
            "incompatible-ingredients",
            f"{one.key} and {other.key} are listed as incompatible: do not mix them; "
            f"{reason or 'find out why, and choose another ingredient'}",
        )
        return
    for pair in _matching(one, other):
        yield Caution(
            "incompatible-ingredients",
            f"{one.key} and {other.key}: {pair.consequence} ({_SOURCE}); {pair.advice}; {_LAW}",
        )
        return


def _reason(one: Ingredient, other: Ingredient) -> str:
    for pair in _matching(one, other):
        return f"{pair.consequence} ({_SOURCE}); {_LAW}"
    return ""


def _matching(one: Ingredient, other: Ingredient) -> Iterator[_Pair]:
    for pair in _PAIRS:
        if (pair.one(one) and pair.other(other)) or (pair.one(other) and pair.other(one)):
            yield pair
