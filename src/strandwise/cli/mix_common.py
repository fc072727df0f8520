"""What the commands of `mix` share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import click

from strandwise.cli.common import echo_text
from strandwise.errors import UnitError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from strandwise.formulation import Recipe, RecipeProperties
    from strandwise.report.labels import DisplayUnits
    from strandwise.report.tables import Column
    from strandwise.units import Kind, Quantity

__all__ = [
    "alkali_option",
    "cells_of_recipe",
    "density_text",
    "echo_faults_elsewhere",
    "process_temperature_option",
    "quantity_option",
    "recipe_columns",
]

_Decorated = TypeVar("_Decorated", bound="Callable[..., Any]")


def alkali_option(function: _Decorated) -> _Decorated:
    """Add the option --alkali."""
    return click.option(
        "--alkali",
        type=click.Choice(["oxide", "carbonate"]),
        default="oxide",
        show_default=True,
        help="Where potassium and sodium end up in the oxygen balance.",
    )(function)


def process_temperature_option(function: _Decorated) -> _Decorated:
    """Add the option --process-temperature."""
    return click.option(
        "--process-temperature",
        "temperature",
        metavar="QUANTITY",
        help="Highest temperature of the mix, such as 130 degC; otherwise as batches of the "
        "formulation or its parents were made.",
    )(function)


def echo_faults_elsewhere(campaign: str, faults: int) -> None:
    """Say on stderr that the tests have faults, which the recipes do not depend on."""
    if faults:
        echo_text(
            f"strandwise: the tests of {campaign} have {faults} "
            f"problem{'' if faults == 1 else 's'} and are left aside; `strandwise check {campaign}`"
            f" lists {'it' if faults == 1 else 'them'}",
            err=True,
        )


def quantity_option(text: str, kind: Kind, option: str) -> Quantity:
    """Quantity of an option's text.

    Raises
    ------
    UnitError
        The text is no quantity of that kind; the message names the option.
    """
    from strandwise.units import parse_quantity

    try:
        return parse_quantity(text, kind)
    except UnitError as error:
        msg = f"{option}: {error.message}"
        raise UnitError(msg, expected=error.expected, hint=error.hint) from error


def recipe_columns(
    recipes: Sequence[Recipe], units: DisplayUnits
) -> tuple[list[Column], list[str]]:
    """Columns of recipes side by side, and the ingredients among them."""
    from strandwise.report.labels import unit_text
    from strandwise.report.tables import Column

    names = list(dict.fromkeys(key for recipe in recipes for key in recipe.mass_fractions))
    columns = [
        *(Column(name, "%") for name in names),
        Column("oxidiser", "%"),
        Column("oxidiser/fuel"),
        Column("oxygen balance", "%"),
        Column("void-free density", unit_text(units.density)),
    ]
    return columns, names


def cells_of_recipe(
    recipe: Recipe, properties: RecipeProperties, names: Sequence[str], units: DisplayUnits
) -> list[str]:
    """Texts of one recipe for `recipe_columns`."""
    from strandwise.report.labels import NO_VALUE

    fractions = recipe.mass_fractions
    oxidiser, ratio = properties.oxidiser_fraction, properties.oxidiser_fuel_ratio
    balance, density = properties.oxygen_balance, properties.void_free_density
    return [
        *(f"{100 * fractions[n]:.2f}" if n in fractions else "" for n in names),
        NO_VALUE if oxidiser is None else f"{100 * oxidiser:.2f}",
        NO_VALUE if ratio is None else f"{ratio:.3f}",
        NO_VALUE if balance is None else f"{balance:+.2f}".replace("-", "−"),
        density_text(density, units),
    ]


def density_text(value: float | None, units: DisplayUnits) -> str:
    """A density in kg/m³ in the reader's unit, without it."""
    from strandwise.report.labels import NO_VALUE, format_number, in_unit

    if value is None:
        return NO_VALUE
    return format_number(in_unit(value, units.density), digits=4)
