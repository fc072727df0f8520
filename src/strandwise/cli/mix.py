"""`strandwise mix`: what a formulation consists of."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_cautions,
    echo_json,
    examples,
    json_option,
)

if TYPE_CHECKING:
    from strandwise.workflow.recipes import DescribedFormulation

__all__ = ["command"]


@click.group("mix", epilog=examples("strandwise mix show demo"))
def command() -> None:
    """Show recipes: fractions, oxygen balance, density."""


@command.command(
    "show",
    epilog=examples("strandwise mix show demo", "strandwise mix show demo carbonate-10"),
    short_help="Mass fractions, oxygen balance and density of a formulation, or of all.",
)
@campaign_argument
@click.argument("formulation", required=False)
@json_option
@click.pass_context
def show(ctx: click.Context, campaign: str, formulation: str | None, *, as_json: bool) -> None:
    """Show FORMULATION of CAMPAIGN, or all of them, as mass fractions.

    The oxygen balance counts carbon to CO2, hydrogen to H2O, and potassium, sodium and other
    metals to their oxides. The void-free density is what a perfect casting would have.
    """
    from strandwise.records import read_campaign
    from strandwise.workflow.recipes import describe_formulations

    described = describe_formulations(
        read_campaign(campaign_folder(ctx, campaign)).sound(), formulation
    )
    if as_json:
        echo_json({"formulations": [_as_json(item) for item in described]})
        return
    _print(described)


def _as_json(item: DescribedFormulation) -> dict[str, Any]:
    properties = item.properties
    density = properties.void_free_density
    return {
        "formulation": item.recipe.formulation,
        "parent": item.recipe.parent,
        "mass_fractions": dict(item.recipe.mass_fractions),
        "oxygen_balance_percent": properties.oxygen_balance,
        "void_free_density_g_cm3": None if density is None else density / 1000.0,
        "oxidiser_fraction": properties.oxidiser_fraction,
        "cautions": [{"code": c.code, "message": c.message} for c in properties.cautions],
    }


def _print(described: tuple[DescribedFormulation, ...]) -> None:
    from strandwise.report.labels import NO_VALUE
    from strandwise.report.tables import Column, print_table

    names = list(dict.fromkeys(key for item in described for key in item.recipe.mass_fractions))
    columns = [
        Column("Formulation", kind="text"),
        Column("from", kind="text"),
        *(Column(name, "%") for name in names),
        Column("oxidiser", "%"),
        Column("oxygen balance", "%"),
        Column("void-free density", "g/cm³"),
    ]
    rows = []
    for item in described:
        properties, fractions = item.properties, item.recipe.mass_fractions
        balance, density = properties.oxygen_balance, properties.void_free_density
        oxidiser = properties.oxidiser_fraction
        rows.append(
            [
                item.recipe.formulation,
                item.recipe.parent or "",
                *(f"{100 * fractions[n]:.2f}" if n in fractions else "" for n in names),
                NO_VALUE if oxidiser is None else f"{100 * oxidiser:.2f}",
                NO_VALUE if balance is None else f"{balance:+.2f}".replace("-", "−"),
                NO_VALUE if density is None else f"{density / 1000:.3f}",
            ]
        )
    print_table(columns, rows, file=sys.stdout, title="Per cent by mass")
    echo_cautions((d.recipe.formulation, c) for d in described for c in d.properties.cautions)
