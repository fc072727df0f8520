"""What a recipe's composition says before anything is mixed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.findings import Caution
from strandwise.formulation.balance import (
    AlkaliProduct,
    countable_elements,
    mixture_oxygen_balance,
)
from strandwise.formulation.pairs import incompatibility_cautions
from strandwise.formulation.process import process_cautions
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = [
    "RecipeProperties",
    "oxidiser_fraction",
    "oxidiser_fuel_ratio",
    "recipe_properties",
    "void_free_density",
]

# Mass left over as oxygen in the usual mixtures of the trade is negative or near zero; this much
# above zero is more often a slip in the recipe than an intention (common practice, no source).
_UNUSUAL_EXCESS_PERCENT = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class RecipeProperties:
    """What a recipe's composition says before anything is mixed.

    Parameters
    ----------
    oxygen_balance
        g of oxygen left over (+) or lacking (−) per 100 g, as `mixture_oxygen_balance` counts
        it; None where an ingredient has no usable formula.
    void_free_density
        kg/m³; None where a density is not known.
    oxidiser_fraction
        Mass fraction of ingredients whose role is oxidiser; None where an ingredient is unknown.
    oxidiser_fuel_ratio
        Mass of oxidisers per mass of fuels, binders and metals; None where an ingredient is
        unknown or there is no fuel.
    alkali
        Where alkali metals end up in `oxygen_balance`.
    cautions
        What is missing or unusual, and what the process does to an ingredient.
    """

    oxygen_balance: float | None
    void_free_density: float | None
    oxidiser_fraction: float | None
    oxidiser_fuel_ratio: float | None
    alkali: AlkaliProduct
    cautions: tuple[Caution, ...]


def void_free_density(recipe: Recipe, ingredients: Mapping[str, Ingredient]) -> float | None:
    """Density without voids, kg/m³: 1 / Σ(w_i / ρ_i), volumes taken as additive.

    Returns None where a density is not known.
    """
    volumes: list[float] = []
    for key, fraction in recipe.mass_fractions.items():
        density = ingredients[key].density if key in ingredients else None
        if density is None:
            return None
        volumes.append(fraction / density)
    return 1.0 / math.fsum(volumes)


def oxidiser_fraction(recipe: Recipe, ingredients: Mapping[str, Ingredient]) -> float | None:
    """Mass fraction of the ingredients whose role is oxidiser; None where one is unknown."""
    if not recipe.mass_fractions.keys() <= ingredients.keys():
        return None
    return _share_of(recipe, ingredients, ("oxidiser",))


def oxidiser_fuel_ratio(recipe: Recipe, ingredients: Mapping[str, Ingredient]) -> float | None:
    """Mass of oxidisers per mass of fuels, binders and metals.

    Returns None where an ingredient is unknown or there is no fuel.
    """
    if not recipe.mass_fractions.keys() <= ingredients.keys():
        return None
    fuel = _share_of(recipe, ingredients, ("fuel", "binder", "metal"))
    return _share_of(recipe, ingredients, ("oxidiser",)) / fuel if fuel > 0 else None


def _share_of(
    recipe: Recipe, ingredients: Mapping[str, Ingredient], roles: tuple[str, ...]
) -> float:
    return math.fsum(
        fraction
        for key, fraction in recipe.mass_fractions.items()
        if ingredients[key].role in roles
    )


def recipe_properties(
    recipe: Recipe,
    ingredients: Mapping[str, Ingredient],
    process_temperatures: Sequence[float] = (),
    *,
    alkali: AlkaliProduct = "oxide",
    wording: Wording = METRIC,
) -> RecipeProperties:
    """Collect what the composition of a recipe says.

    Parameters
    ----------
    recipe
        Recipe with mass fractions.
    ingredients
        Ingredient table of the campaign.
    process_temperatures
        Highest temperatures to which batches of the recipe were brought while made, K.
    alkali
        Where alkali metals end up in the oxygen balance.
    wording
        Units of the sentences.
    """
    balance = mixture_oxygen_balance(recipe, ingredients, alkali=alkali)
    return RecipeProperties(
        oxygen_balance=balance,
        void_free_density=void_free_density(recipe, ingredients),
        oxidiser_fraction=oxidiser_fraction(recipe, ingredients),
        oxidiser_fuel_ratio=oxidiser_fuel_ratio(recipe, ingredients),
        alkali=alkali,
        cautions=(
            *_missing_figures(recipe, ingredients),
            *_unusual_balance(balance),
            *incompatibility_cautions(recipe, ingredients),
            *process_cautions(recipe, ingredients, process_temperatures, wording),
        ),
    )


def _missing_figures(recipe: Recipe, ingredients: Mapping[str, Ingredient]) -> tuple[Caution, ...]:
    """Name the ingredients for want of whose figures something cannot be computed."""
    unknown = [key for key in recipe.mass_fractions if key not in ingredients]
    known = [key for key in recipe.mass_fractions if key in ingredients]
    no_formula = [key for key in known if ingredients[key].formula is None]
    uncounted = [
        key for key in known if key not in no_formula and not countable_elements(ingredients[key])
    ]
    no_density = [key for key in known if ingredients[key].density is None]
    remarks = (
        ("unknown-ingredient", unknown, "not in the table of ingredients: nothing is computed"),
        ("no-formula", no_formula, "no formula is known: no oxygen balance"),
        ("uncountable-formula", uncounted, "the formula has no usual products: no oxygen balance"),
        ("no-density", no_density, "no density is known: no void-free density"),
    )
    return tuple(
        Caution(code, f"{', '.join(keys)}: {text}; give it in the campaign's ingredients.toml")
        for code, keys, text in remarks
        if keys
    )


def _unusual_balance(balance: float | None) -> tuple[Caution, ...]:
    if balance is None or balance <= _UNUSUAL_EXCESS_PERCENT:
        return ()
    return (
        Caution(
            "oxygen-excess",
            f"oxygen balance {balance:+.1f} %: more oxygen than the fuel can take up, which is "
            "unusual for a propellant; check the parts and which ingredient is which",
        ),
    )
