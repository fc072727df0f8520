"""`strandwise mix derive`: one percentage, three substitutions, side by side."""

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
    echo_text,
    examples,
    figure_option,
    is_quiet,
    json_option,
    units_option,
)
from strandwise.cli.mix_common import (
    alkali_option,
    cells_of_recipe,
    echo_faults_elsewhere,
    process_temperature_option,
    quantity_option,
    recipe_columns,
)
from strandwise.cli.showing import cautions_json
from strandwise.errors import RequestError

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.findings import Caution
    from strandwise.formulation import AlkaliProduct
    from strandwise.records import Campaign
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.deriving import DescribedDerivation
    from strandwise.workflow.recipes import DescribedFormulation

__all__ = ["derive"]


@click.command(
    "derive",
    epilog=examples(
        "strandwise mix derive demo --put calcium-carbonate --for sorbitol --dose 5% \\\n"
        "  --figure ways.svg",
        "strandwise mix derive demo --put oxamide --for sorbitol --dose 2%,4%,8% \\\n"
        "  --way of-ingredient --write",
    ),
    short_help="New formulations from a parent; three substitutions side by side.",
)
@campaign_argument
@click.option("--from", "parent", metavar="FORMULATION", help="Parent; otherwise the baseline.")
@click.option("--put", "replacement", metavar="INGREDIENT", required=True, help="What goes in.")
@click.option("--for", "replaces", metavar="INGREDIENT", help="What gives way, if one does.")
@click.option(
    "--dose",
    "doses",
    metavar="PERCENT,…",
    required=True,
    multiple=True,
    help="One or more, with %: 5%, or 5%,10%,20%; may be repeated.",
)
@click.option(
    "--way",
    "ways",
    multiple=True,
    type=click.Choice(["of-ingredient", "of-all", "on-top"]),
    help="What the per cent are of; otherwise all three, side by side.",
)
@click.option("--name", "stem", metavar="TEXT", help="Start of the new names.")
@click.option("--write", is_flag=True, help="Add them to formulations.toml; needs one --way.")
@alkali_option
@process_temperature_option
@units_option
@figure_option
@json_option
@click.pass_context
def derive(
    ctx: click.Context,
    campaign: str,
    *,
    parent: str | None,
    replacement: str,
    replaces: str | None,
    doses: tuple[str, ...],
    ways: tuple[Any, ...],
    stem: str | None,
    write: bool,
    alkali: Any,
    temperature: str | None,
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Derive formulations of CAMPAIGN from a parent, and show what each substitution means.

    The same percentage can be a share of one ingredient (--for), a share of everything, or parts
    added to 100 parts of the whole: three different propellants. Without --way all three are
    shown. What is shown is written down only with --write.
    """
    from strandwise.report.labels import display_units
    from strandwise.workflow.deriving import describe_derivations, write_derivations
    from strandwise.workflow.recipes import describe_formulations, read_recipes

    if write and len(ways) != 1:
        msg = "--write needs one --way, so that what is written is what is meant"
        raise RequestError(msg, expected="--way of-ingredient, of-all or on-top")
    folder = campaign_folder(ctx, campaign)
    sound, faults = read_recipes(folder)
    echo_faults_elsewhere(campaign, faults)
    start = parent or sound.settings.baseline
    derived = describe_derivations(
        sound,
        parent=start,
        replacement=replacement,
        shares=_shares(doses),
        replaces=replaces,
        ways=ways or None,
        stem=stem,
        alkali=alkali,
    )
    cautions = _cautions(sound, derived, temperature, units)
    shown = display_units(units or sound.settings.units)
    (of_parent,) = describe_formulations(sound, start, alkali=alkali, units=units)
    if figure is not None:  # before anything is written, as it may be refused
        _draw(sound, of_parent, derived, cautions, replaces, shown, figure)
    file = write_derivations(folder, [item.derivation for item in derived]) if write else None
    if as_json:
        echo_json(_as_json(derived, cautions, file))
        return
    _print(of_parent, derived, replaces, alkali, shown)
    echo_cautions(
        (item.derivation.spec.name, caution)
        for item, told in zip(derived, cautions, strict=True)
        for caution in told
    )
    if file:
        echo_done(f"\nAdded to {file}")
    elif not is_quiet():
        _echo_tables(derived)
    if figure is not None:
        echo_done(f"\nPicture: {figure}")


def _draw(
    campaign: Campaign,
    parent: DescribedFormulation,
    derived: tuple[DescribedDerivation, ...],
    cautions: list[tuple[Caution, ...]],
    replaces: str | None,
    units: DisplayUnits,
    path: Path,
) -> None:
    from strandwise.formulation import void_free_density_sd
    from strandwise.report.figures import RecipeRow, draw_recipes, save_figure

    known = campaign.ingredients
    rows = [
        RecipeRow(
            label=parent.recipe.formulation,
            note="as it is",
            recipe=parent.recipe,
            properties=parent.properties,
            density_sd=void_free_density_sd(parent.recipe, known),
        )
    ]
    rows += [
        RecipeRow(
            label=item.derivation.spec.name,
            note=_dose_text(item, replaces),
            recipe=item.derivation.recipe,
            properties=item.properties,
            density_sd=void_free_density_sd(item.derivation.recipe, known),
            cautions=told,
        )
        for item, told in zip(derived, cautions, strict=True)
    ]
    title = f"From {parent.recipe.formulation}: what each dose makes of it"
    save_figure(draw_recipes(rows, units, title), path)


def _shares(doses: tuple[str, ...]) -> list[float]:
    from strandwise.units import Kind

    parts = [part.strip() for text in doses for part in text.split(",")]
    shares = [quantity_option(part, Kind.RATIO, "--dose").si for part in parts]
    return list(dict.fromkeys(shares))


def _cautions(
    campaign: Campaign,
    derived: tuple[DescribedDerivation, ...],
    temperature: str | None,
    units: str | None,
) -> list[tuple[Caution, ...]]:
    from strandwise.units import Kind
    from strandwise.workflow.recipes import planned_cautions, usual_temperature

    told = []
    for item in derived:
        recipe = item.derivation.recipe
        hottest = (
            quantity_option(temperature, Kind.TEMPERATURE, "--process-temperature").si
            if temperature
            else usual_temperature(campaign, recipe.lineage)
        )
        told.append(planned_cautions(campaign, recipe, hottest, units))
    return told


def _echo_tables(derived: tuple[DescribedDerivation, ...]) -> None:
    """Print the tables that were not written, to be copied."""
    from strandwise.formulation import formulation_toml

    what = "it would be the table" if len(derived) == 1 else "of these tables"
    comma = "" if len(derived) == 1 else ","
    echo_text(f"\nNothing was written; with one --way and --write{comma} {what}:\n")
    click.echo("\n".join(formulation_toml(item.derivation) for item in derived).rstrip("\n"))


def _as_json(
    derived: tuple[DescribedDerivation, ...], cautions: list[tuple[Caution, ...]], file: str | None
) -> dict[str, Any]:
    rows = []
    for item, told in zip(derived, cautions, strict=True):
        properties, density = item.properties, item.properties.void_free_density
        rows.append(
            {
                "formulation": item.derivation.spec.name,
                "parent": item.derivation.spec.parent,
                "way": item.derivation.way,
                "dose_percent": 100.0 * item.derivation.share,
                "meaning": item.derivation.meaning,
                "mass_fractions": dict(item.derivation.recipe.mass_fractions),
                "oxygen_balance_percent": properties.oxygen_balance,
                "alkali_product": properties.alkali,
                "void_free_density_g_cm3": None if density is None else density / 1000.0,
                "oxidiser_fraction": properties.oxidiser_fraction,
                "oxidiser_fuel_ratio": properties.oxidiser_fuel_ratio,
                "cautions": cautions_json(told),
            }
        )
    return {"formulations": rows, "written_to": file}


def _print(
    parent: DescribedFormulation,
    derived: tuple[DescribedDerivation, ...],
    replaces: str | None,
    alkali: AlkaliProduct,
    units: DisplayUnits,
) -> None:
    from strandwise.report.tables import Column, print_table

    recipes = [parent.recipe, *(item.derivation.recipe for item in derived)]
    columns, names = recipe_columns(recipes, units)
    rows = [
        [
            "none",
            parent.recipe.formulation,
            *cells_of_recipe(recipes[0], parent.properties, names, units),
        ]
    ]
    rows += [
        [
            _dose_text(item, replaces),
            item.derivation.spec.name,
            *cells_of_recipe(item.derivation.recipe, item.properties, names, units),
        ]
        for item in derived
    ]
    print_table(
        [
            Column("Dose", kind="text"),
            Column("formulation", kind="text"),
            *columns,
        ],
        rows,
        file=sys.stdout,
        title=f"From {parent.recipe.formulation}, per cent by mass "
        f"(oxygen balance with alkali metals to {alkali})",
    )


def _dose_text(item: DescribedDerivation, replaces: str | None) -> str:
    of = {
        "of-ingredient": f"of the {replaces} alone",
        "of-all": "of everything",
        "on-top": "on top of 100",
    }[item.derivation.way]
    return f"{100 * item.derivation.share:g} % {of}"
