"""A campaign's formulations as recipes, with what follows from their composition."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.formulation import dose_of, recipe_properties, resolve_recipes
from strandwise.workflow.recording import unknown_name

if TYPE_CHECKING:
    from strandwise.formulation import Dose, Recipe, RecipeProperties
    from strandwise.records import Campaign

__all__ = ["DescribedFormulation", "describe_formulations"]


@dataclass(frozen=True, kw_only=True, slots=True)
class DescribedFormulation:
    """A formulation with what follows from its composition."""

    recipe: Recipe
    properties: RecipeProperties
    dose: Dose | None


def describe_formulations(
    campaign: Campaign, only: str | None = None
) -> tuple[DescribedFormulation, ...]:
    """Recipes of a campaign with their balance, density and cautions.

    Parameters
    ----------
    campaign
        Free of faults.
    only
        One formulation; None: all, in the file's order.

    Raises
    ------
    RequestError
        There is no such formulation.
    """
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    if only is not None and only not in recipes:
        error = unknown_name("formulation", only, recipes)
        raise error
    described = []
    for name, recipe in recipes.items():
        if only not in (None, name):
            continue
        temperatures = [
            batch.process_temperature
            for batch in campaign.batches.values()
            if batch.formulation == name and batch.process_temperature is not None
        ]
        described.append(
            DescribedFormulation(
                recipe=recipe,
                properties=recipe_properties(recipe, campaign.ingredients, temperatures),
                dose=dose_of(name, campaign.formulations, campaign.settings.baseline),
            )
        )
    return tuple(described)
