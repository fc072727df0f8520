"""A campaign's formulations as recipes, with what follows from their composition."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from strandwise.errors import RecordsError
from strandwise.findings import Caution
from strandwise.formulation import (
    ROOM,
    BatchProcess,
    deviation_cautions,
    dose_of,
    handling_cautions,
    heat_cautions,
    parse_weighings,
    porosity_of,
    recipe_from_weighings,
    recipe_properties,
    resolve_recipes,
    sample_density,
)
from strandwise.records import read_campaign
from strandwise.units import wording_in
from strandwise.workflow.opening import unknown_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.formulation import (
        AlkaliProduct,
        Dose,
        Porosity,
        Recipe,
        RecipeProperties,
    )
    from strandwise.records import Batch, Campaign, CampaignFolder
    from strandwise.units import Wording

__all__ = [
    "BatchMix",
    "DescribedFormulation",
    "batch_mix",
    "describe_formulations",
    "planned_cautions",
    "porosity_by_batch",
    "read_recipes",
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


def read_recipes(folder: CampaignFolder) -> tuple[Campaign, int]:
    """Read a campaign for its recipes; faults in its tests do not stand in the way.

    Returns
    -------
    campaign, number of faults
        Where there are faults in the tests, the campaign is without tests.

    Raises
    ------
    RecordsError
        There is a fault in its settings, formulations, ingredients or batches.
    """
    reading = read_campaign(folder)
    needed = (folder.settings, folder.formulations, folder.own_ingredients, folder.batches)
    paths = {folder.shown(path) for path in needed}
    faults = [
        problem
        for problem in reading.problems
        if problem.source.path in paths or problem.source.path.endswith("ingredients.toml")
    ]
    if faults or reading.campaign is None:
        raise RecordsError(faults or reading.problems)
    if not reading.problems:
        return reading.campaign, 0
    return replace(reading.campaign, strands=(), firings=()), len(reading.problems)


def describe_formulations(
    campaign: Campaign,
    only: str | None = None,
    *,
    alkali: AlkaliProduct = "oxide",
    units: str | None = None,
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
    units
        Choice of units in which cautions speak; None: the campaign's.

    Raises
    ------
    RequestError
        There is no such formulation.
    """
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    if only is not None and only not in recipes:
        error = unknown_name("formulation", only, recipes)
        raise error
    wording = wording_in(units or campaign.settings.units)
    return tuple(
        _described(campaign, recipe, alkali, wording)
        for name, recipe in recipes.items()
        if only in (None, name)
    )


def _described(
    campaign: Campaign, recipe: Recipe, alkali: AlkaliProduct, wording: Wording
) -> DescribedFormulation:
    name = recipe.formulation
    batches = [batch for batch in campaign.batches.values() if batch.formulation == name]
    processes = [_process_of(batch) for batch in batches]
    properties = recipe_properties(
        recipe,
        campaign.ingredients,
        [p.temperature for p in processes if p.temperature is not None],
        alkali=alkali,
        wording=wording,
    )
    mixes = tuple(batch_mix(campaign, batch, recipe) for batch in batches)
    # Before there is a batch, it may be made as those of its parents were; of batches that were
    # made nobody said how, nothing is known.
    planned: tuple[Caution, ...] = ()
    if not any(p.process or p.temperature for p in processes):
        usual = None if batches else usual_temperature(campaign, recipe.lineage)
        planned = heat_cautions(recipe, campaign.ingredients, usual, wording)
    return DescribedFormulation(
        recipe=recipe,
        properties=properties,
        dose=dose_of(name, campaign.formulations, campaign.settings.baseline),
        batches=mixes,
        cautions=(
            *_same_as_parent(campaign, recipe),
            *properties.cautions,
            *planned,
            *handling_cautions(recipe, campaign.ingredients, processes, wording),
            *(caution for mix in mixes for caution in mix.cautions),
        ),
    )


def _process_of(batch: Batch) -> BatchProcess:
    return BatchProcess(
        batch=batch.batch,
        process=batch.process,
        temperature=batch.process_temperature,
        particle_size=batch.particle_size,
    )


def _same_as_parent(campaign: Campaign, recipe: Recipe) -> tuple[Caution, ...]:
    if recipe.parent is None:
        return ()
    parent = recipe_named(campaign, recipe.parent)
    if recipe.mass_fractions != parent.mass_fractions:
        return ()
    return (
        Caution(
            "same-as-parent",
            f"{recipe.formulation} is the same recipe as {recipe.parent}: its steps change nothing",
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
        Formulations from the first ancestor on; the nearest whose batches tell it counts. Batches
        that were pressed without heat tell room temperature.

    Returns
    -------
    float or None
        None where no such batch has one on record.
    """
    for name in reversed(lineage):
        processes = [_process_of(b) for b in campaign.batches.values() if b.formulation == name]
        recorded = [p.temperature for p in processes if p.temperature is not None]
        if recorded:
            return max(recorded)
        if processes and all(p.is_pressed and not p.is_heated for p in processes):
            return ROOM
    return None


def planned_cautions(
    campaign: Campaign, recipe: Recipe, temperature: float | None, units: str | None = None
) -> tuple[Caution, ...]:
    """What to heed before a recipe is mixed and brought to a temperature (K; None: not known).

    It is told in `units`, a choice of units; None: the campaign's.
    """
    wording = wording_in(units or campaign.settings.units)
    return (
        *recipe_properties(recipe, campaign.ingredients).cautions,
        *heat_cautions(recipe, campaign.ingredients, temperature, wording),
        *handling_cautions(recipe, campaign.ingredients),
    )
