"""`strandwise mix`: what a formulation consists of, and what follows from it."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_cautions,
    echo_done,
    echo_json,
    examples,
    figure_option,
    json_option,
    units_option,
)
from strandwise.cli.mix_common import (
    alkali_option,
    cells_of_recipe,
    density_text,
    echo_faults_elsewhere,
    recipe_columns,
)
from strandwise.cli.mix_derive import derive
from strandwise.cli.mix_rate import rate
from strandwise.cli.mix_sheet import sheet
from strandwise.cli.showing import cautions_json, pressure_option

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.formulation import Porosity
    from strandwise.records import Campaign
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.recipes import BatchMix, DescribedFormulation

__all__ = ["command"]


@click.group("mix", epilog=examples("strandwise mix show demo"))
def command() -> None:
    """Recipes: show them, derive them, weigh them out, set them beside the rate."""


command.add_command(derive)
command.add_command(sheet)
command.add_command(rate)


@command.command(
    "show",
    epilog=examples(
        "strandwise mix show demo",
        "strandwise mix show demo carbonate-10",
        'strandwise mix show demo --equilibrium --at "4 MPa"',
        "strandwise mix show demo --figure recipes.svg",
    ),
    short_help="Mass fractions, oxygen balance, density, porosity, flame.",
)
@campaign_argument
@click.argument("formulation", required=False)
@alkali_option
@click.option(
    "--equilibrium",
    is_flag=True,
    help="Also flame temperature, gas and c* (needs the extra `thermo`).",
)
@click.option(
    "--at",
    metavar="PRESSURE",
    help="Pressure of the equilibrium and of the rates beside it; otherwise the campaign's.",
)
@units_option
@figure_option
@json_option
@click.pass_context
def show(
    ctx: click.Context,
    campaign: str,
    formulation: str | None,
    *,
    alkali: Any,
    equilibrium: bool,
    at: str | None,
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Show FORMULATION of CAMPAIGN, or all of them, as mass fractions.

    The oxygen balance counts carbon to CO2, hydrogen to H2O, and potassium, sodium and other
    metals to their oxides (or potassium and sodium to carbonate). The void-free density is what a
    perfect casting would have; a batch with a measured density shows its porosity.
    """
    from strandwise.report.labels import display_units
    from strandwise.workflow.recipes import describe_formulations, read_recipes

    sound, faults = read_recipes(campaign_folder(ctx, campaign))
    echo_faults_elsewhere(campaign, faults)
    described = describe_formulations(sound, formulation, alkali=alkali, units=units)
    pressure = pressure_option(at, sound, "--at")
    shown = display_units(units or sound.settings.units)
    if figure is not None:
        _draw(described, sound, shown, figure)
    if as_json:
        energies: dict[str, Any] = {}
        if equilibrium:
            from strandwise.cli.mix_energy import energy_json

            energies = energy_json(sound, formulation, pressure)
        echo_json(
            {
                "formulations": [
                    _as_json(item) | energies.get(item.recipe.formulation, {}) for item in described
                ]
            }
        )
        return
    _print(described, shown)
    if equilibrium:
        from strandwise.cli.mix_energy import print_energy

        print_energy(sound, formulation, pressure, shown)
    echo_cautions((d.recipe.formulation, c) for d in described for c in d.cautions)
    if figure is not None:
        echo_done(f"\nPicture: {figure}")


def _draw(
    described: tuple[DescribedFormulation, ...],
    campaign: Campaign,
    units: DisplayUnits,
    path: Path,
) -> None:
    from strandwise.formulation import void_free_density_sd
    from strandwise.report.figures import RecipeRow, draw_recipes, save_figure

    rows = [
        RecipeRow(
            label=item.recipe.formulation,
            note=f"from {item.recipe.parent}" if item.recipe.parent else "",
            recipe=item.recipe,
            properties=item.properties,
            density_sd=void_free_density_sd(item.recipe, campaign.ingredients),
            porosities=tuple(mix.porosity for mix in item.batches if mix.porosity is not None),
            cautions=item.cautions,
        )
        for item in described
    ]
    title = f"Formulations of {campaign.name}" if len(rows) > 1 else f"Formulation {rows[0].label}"
    save_figure(draw_recipes(rows, units, title), path)


def _as_json(item: DescribedFormulation) -> dict[str, Any]:
    properties = item.properties
    density = properties.void_free_density
    return {
        "formulation": item.recipe.formulation,
        "parent": item.recipe.parent,
        "mass_fractions": dict(item.recipe.mass_fractions),
        "oxygen_balance_percent": properties.oxygen_balance,
        "alkali_product": properties.alkali,
        "void_free_density_g_cm3": None if density is None else density / 1000.0,
        "oxidiser_fraction": properties.oxidiser_fraction,
        "oxidiser_fuel_ratio": properties.oxidiser_fuel_ratio,
        "batches": [_batch_json(mix) for mix in item.batches],
        "cautions": cautions_json(item.cautions),
    }


def _batch_json(mix: BatchMix) -> dict[str, Any]:
    porosity = mix.porosity
    return {
        "batch": mix.batch,
        "mass_fractions": dict(mix.recipe.mass_fractions),
        "from_weighings": mix.is_weighed,
        "density_g_cm3": None if porosity is None else porosity.density / 1000.0,
        "porosity_percent": None if porosity is None else 100.0 * porosity.value,
        "porosity_sd_percent": None if porosity is None else 100.0 * porosity.sd,
        "density_sd_stated": porosity is not None and porosity.density_sd is not None,
    }


def _print(described: tuple[DescribedFormulation, ...], units: DisplayUnits) -> None:
    from strandwise.report.tables import Column, print_table

    columns, names = recipe_columns([item.recipe for item in described], units)
    print_table(
        [Column("Formulation", kind="text"), Column("from", kind="text"), *columns],
        [
            [
                item.recipe.formulation,
                item.recipe.parent or "",
                *cells_of_recipe(item.recipe, item.properties, names, units),
            ]
            for item in described
        ],
        file=sys.stdout,
        title="Per cent by mass",
        notes=_balance_note(described),
    )
    _print_porosity(described, units)


def _balance_note(described: tuple[DescribedFormulation, ...]) -> tuple[str, ...]:
    if described and described[0].properties.alkali == "carbonate":
        return (
            "Oxygen balance with potassium and sodium to carbonate; it differs from that to the "
            "oxide only where the mixture lacks the carbon.",
        )
    return ()


def _print_porosity(described: tuple[DescribedFormulation, ...], units: DisplayUnits) -> None:
    """Porosity of the batches whose density was measured."""
    from strandwise.formulation import INGREDIENT_DENSITY_SD
    from strandwise.report.labels import unit_text
    from strandwise.report.tables import Column, print_table

    rows = [
        [mix.batch, item.recipe.formulation, *_porosity_cells(mix.porosity, units)]
        for item in described
        for mix in item.batches
        if mix.porosity is not None
    ]
    if not rows:
        return
    density = unit_text(units.density)
    click.echo()
    print_table(
        [
            Column("Batch", kind="text"),
            Column("formulation", kind="text"),
            Column("density", density),
            Column("void-free", density),
            Column("porosity", "%"),
        ],
        rows,
        file=sys.stdout,
        title="Porosity by measured density",
        notes=(
            "± is one standard uncertainty: each ingredient's density counts as known to "
            f"{100 * INGREDIENT_DENSITY_SD:g} %, the measured one as stated (density_sd, or that "
            "of a sample); where none is stated (*), it is left out.",
        ),
    )


def _porosity_cells(porosity: Porosity | None, units: DisplayUnits) -> list[str]:
    assert porosity is not None
    mark = "" if porosity.density_sd is not None else " *"
    return [
        density_text(porosity.density, units),
        density_text(porosity.void_free_density, units),
        f"{100 * porosity.value:.1f} ± {100 * porosity.sd:.1f}{mark}".replace("-", "−"),
    ]
