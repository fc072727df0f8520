"""What the making of a batch does to its ingredients, and they to each other."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal

from strandwise.findings import Caution

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = ["PROCESS_MARGIN", "incompatibility_cautions", "process_cautions"]

PROCESS_MARGIN = 20.0
"""How near a process may come to an ingredient's temperature without a caution, K.

Common practice, no source: room for a pan that is hotter than its thermometer."""

_ZERO_CELSIUS = 273.15
_ROOM = 298.15


@dataclass(frozen=True, slots=True)
class _Change:
    """A change that heat brings about in an ingredient, and what follows from it."""

    field: Literal["decomposes", "loses_water", "sublimes", "melts"]
    code: str
    verb: str
    consequence: str
    advice: str


_CHANGES = (
    _Change(
        "decomposes",
        "decomposes-in-process",
        "begins to decompose at",
        "what was weighed in may no longer be what is in the grain, and gas given off leaves voids",
        "press it dry, or choose another ingredient",
    ),
    _Change(
        "loses_water",
        "loses-water-in-process",
        "gives off its water of crystallisation from",
        "the batch then holds less of it than was weighed in, and steam leaves voids",
        "press it dry, or weigh in the anhydrous form",
    ),
    _Change(
        "sublimes",
        "sublimes-in-process",
        "sublimes at",
        "some of it may leave the batch while it is made",
        "press it dry, or choose another ingredient",
    ),
    _Change(
        "melts",
        "melts-in-process",
        "melts at",
        "it does not stay the powder of the particle size that was weighed in",
        "process it cooler, or press it dry",
    ),
)


def process_cautions(
    recipe: Recipe, ingredients: Mapping[str, Ingredient], process_temperatures: Sequence[float]
) -> tuple[Caution, ...]:
    """Caution where batches were made hotter than an ingredient bears, or within 20 K of it.

    Fuels and binders are melted on purpose, so melting is no caution for them; nor is it for what
    is liquid at room temperature anyway.

    Parameters
    ----------
    recipe, ingredients
        What the batches consist of, and the table of ingredients; an ingredient that is not in
        the table gives none.
    process_temperatures
        Highest temperatures to which the batches were brought while made, K; the highest counts.
    """
    if not process_temperatures:
        return ()
    hottest = max(process_temperatures)
    present = [ingredients[key] for key in recipe.mass_fractions if key in ingredients]
    return tuple(
        _caution(change, ingredient, limit, hottest)
        for ingredient in present
        for change in _CHANGES
        if (limit := _limit(change, ingredient)) is not None and hottest >= limit - PROCESS_MARGIN
    )


def incompatibility_cautions(
    recipe: Recipe, ingredients: Mapping[str, Ingredient]
) -> tuple[Caution, ...]:
    """Caution for each pair of a recipe that either of the two lists as incompatible.

    A pair without caution is a pair of which the table says nothing.
    """
    present = [ingredients[key] for key in recipe.mass_fractions if key in ingredients]
    return tuple(
        Caution(
            "incompatible-ingredients",
            f"{one.key} and {other.key} are listed as incompatible: do not mix them; "
            f"{one.notes or other.notes or 'find out why, and choose another ingredient'}",
        )
        for one, other in combinations(present, 2)
        if other.key in one.incompatible or one.key in other.incompatible
    )


def _limit(change: _Change, ingredient: Ingredient) -> float | None:
    limit: float | None = getattr(ingredient, change.field)
    if limit is None or change.field != "melts":
        return limit
    meant_to_melt = ingredient.role in ("fuel", "binder")
    return None if meant_to_melt or limit < _ROOM else limit


def _caution(change: _Change, ingredient: Ingredient, limit: float, hottest: float) -> Caution:
    source = ingredient.source.get(change.field, "no source given")
    relation = "were made at up to" if hottest >= limit else "came within 20 K of that, at"
    return Caution(
        change.code,
        f"{ingredient.key} {change.verb} {_degrees(limit)} ({source}) and batches {relation} "
        f"{_degrees(hottest)}: {change.consequence}; {change.advice}",
    )


def _degrees(temperature: float) -> str:
    return f"{temperature - _ZERO_CELSIUS:.0f} degC"
