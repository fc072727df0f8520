"""A campaign's formulations as recipes, with what follows from their composition."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.formulation import (
    BatchProcess,
    deviation_cautions,
    dose_of,
    handling_cautions,
    parse_weighings,
    porosity_of,
    recipe_from_weighings,
    recipe_properties,
    resolve_recipes,
    sample_density,
)
from strandwise.workflow.recording import unknown_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.findings import Caution
    from strandwise.formulation import (
        AlkaliProduct,
        Dose,
        Porosity,
        Recipe,
        RecipeProperties,
    )
    from strandwise.records import Batch, Campaign

__all__ = [
    "BatchMix",
    "DescribedFormulation",
    "batch_mix",
    "describe_formulations",
    "planned_cautions",
    "porosity_by_batch",
    "recipe_named",
    "usual_temperature",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class BatchMix:
    """What one batch really consists of.

    Parameters
    ----------
    batch
        Its name.
    recipe
        From its weighings, else its formulation's.
    is_weighed
        Whether its weighings were recorded.
    porosity
        None where no density was measured or an ingredient's is not known.
    cautions
        What to heed.
    """

    batch: str
    recipe: Recipe
    is_weighed: bool
    porosity: Porosity | None
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class DescribedFormulation:
    """A formulation with what follows from its composition.

    Parameters
    ----------
    recipe, properties, dose
        What it consists of, what follows, and how it differs from the baseline.
    batches
        Its batches, as really mixed.
    cautions
        All that is to be heeded, those of `properties` and of `batches` included.
    """

    recipe: Recipe
    properties: RecipeProperties
    dose: Dose | None
    batches: tuple[BatchMix, ...]
    cautions: tuple[Caution, ...]


def describe_formulations(
    campaign: Campaign, only: str | None = None, *, alkali: AlkaliProduct = "oxide"
) -> tuple[DescribedFormulation, ...]:
    """Recipes of a campaign with their balance, density, batches and cautions.

    Parameters
    ----------
    campaign
        Free of faults.
    only
        One formulation; None: all, in the file's order.
    alkali
        Where alkali metals end up in the oxygen balance.

    Raises
    ------
    RequestError
        There is no such formulation.
    """
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    if only is not None and only not in recipes:
        error = unknown_name("formulation", only, recipes)
        raise error
    return tuple(
        _described(campaign, recipe, alkali)
        for name, recipe in recipes.items()
        if only in (None, name)
    )


def _described(campaign: Campaign, recipe: Recipe, alkali: AlkaliProduct) -> DescribedFormulation:
    name = recipe.formulation
    batches = [batch for batch in campaign.batches.values() if batch.formulation == name]
    processes = [
        BatchProcess(
            batch=batch.batch,
            process=batch.process,
            temperature=batch.process_temperature,
            particle_size=batch.particle_size,
        )
        for batch in batches
    ]
    properties = recipe_properties(
        recipe,
        campaign.ingredients,
        [p.temperature for p in processes if p.temperature is not None],
        alkali=alkali,
    )
    mixes = tuple(batch_mix(campaign, batch, recipe) for batch in batches)
    return DescribedFormulation(
        recipe=recipe,
        properties=properties,
        dose=dose_of(name, campaign.formulations, campaign.settings.baseline),
        batches=mixes,
        cautions=(
            *properties.cautions,
            *handling_cautions(recipe, campaign.ingredients, processes),
            *(caution for mix in mixes for caution in mix.cautions),
        ),
    )


def recipe_named(campaign: Campaign, name: str) -> Recipe:
    """Recipe of one formulation of a campaign without faults.

    Raises
    ------
    RequestError
        There is no such formulation.
    """
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    if name not in recipes:
        error = unknown_name("formulation", name, recipes)
        raise error
    return recipes[name]


def batch_mix(campaign: Campaign, batch: Batch, nominal: Recipe) -> BatchMix:
    """What a batch really consists of, and how porous it was cast.

    Parameters
    ----------
    campaign
        Free of faults.
    batch, nominal
        The batch, and the recipe of its formulation.
    """
    recipe = nominal
    cautions: tuple[Caution, ...] = ()
    if batch.weighings:
        recipe = recipe_from_weighings(parse_weighings(batch.weighings), nominal)
        cautions = deviation_cautions(batch.batch, recipe, nominal)
    density, density_sd = _measured_density(batch)
    porosity = None
    if density is not None:
        porosity = porosity_of(recipe, campaign.ingredients, density, density_sd)
    return BatchMix(
        batch=batch.batch,
        recipe=recipe,
        is_weighed=bool(batch.weighings),
        porosity=porosity,
        cautions=(*cautions, *(porosity.cautions if porosity else ())),
    )


def _measured_density(batch: Batch) -> tuple[float | None, float | None]:
    if batch.density is not None:
        return batch.density, batch.density_sd
    if batch.sample_mass is None or batch.sample_volume is None:
        return None, None
    density, sd = sample_density(
        batch.sample_mass, batch.sample_volume, batch.sample_mass_sd, batch.sample_volume_sd
    )
    return density, batch.density_sd if batch.density_sd is not None else sd


def porosity_by_batch(campaign: Campaign) -> dict[str, float]:
    """Porosity of each batch for which it is known, 1."""
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    found = {}
    for name, batch in campaign.batches.items():
        porosity = batch_mix(campaign, batch, recipes[batch.formulation]).porosity
        if porosity is not None:
            found[name] = porosity.value
    return found


def usual_temperature(campaign: Campaign, lineage: Sequence[str]) -> float | None:
    """Highest temperature to which batches of a formulation or its ancestors were brought, K.

    Parameters
    ----------
    campaign
        Whose batches.
    lineage
        Formulations from the first ancestor on; the nearest with a recorded temperature counts.

    Returns
    -------
    float or None
        None where no such batch has one on record.
    """
    for name in reversed(lineage):
        recorded = [
            batch.process_temperature
            for batch in campaign.batches.values()
            if batch.formulation == name and batch.process_temperature is not None
        ]
        if recorded:
            return max(recorded)
    return None


def planned_cautions(
    campaign: Campaign, recipe: Recipe, temperature: float | None
) -> tuple[Caution, ...]:
    """What to heed before a recipe is mixed and brought to a temperature (K; None: not heated)."""
    temperatures = [] if temperature is None else [temperature]
    properties = recipe_properties(recipe, campaign.ingredients, temperatures)
    return (*properties.cautions, *handling_cautions(recipe, campaign.ingredients))
