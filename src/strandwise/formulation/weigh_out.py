"""How much of each ingredient to weigh for a batch, on a scale that shows steps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.units import Kind, Unit, parse_unit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = ["WeighOut", "WeighOutRow", "weigh_out"]

# Beyond this the scale decides what the recipe is (common practice, no source).
_COARSE = 0.01
_GRAM = parse_unit("g", Kind.MASS)


@dataclass(frozen=True, kw_only=True, slots=True)
class WeighOutRow:
    """One line of a weigh-out sheet; masses in kg.

    Parameters
    ----------
    ingredient
        Key.
    mass_fraction
        Of the dry mixture.
    dry_mass
        Exact, dry.
    water
        Mass fraction of water in the ingredient as it stands on the shelf.
    exact_mass
        What holds `dry_mass`, its water included.
    to_weigh
        `exact_mass` on the scale's steps.
    running_total
        What the scale shows after this ingredient where it is not set to zero between.
    """

    ingredient: str
    mass_fraction: float
    dry_mass: float
    water: float
    exact_mass: float
    to_weigh: float
    running_total: float

    @property
    def rounding(self) -> float:
        """What the steps of the scale add (+) or leave out (−), kg."""
        return self.to_weigh - self.exact_mass

    @property
    def rounding_share(self) -> float:
        """`rounding` per mass of the ingredient."""
        return self.rounding / self.exact_mass


@dataclass(frozen=True, kw_only=True, slots=True)
class WeighOut:
    """A weigh-out sheet: `rows` in the recipe's order, masses in kg.

    Parameters
    ----------
    formulation
        Whose recipe.
    mass
        Of the dry batch as asked for.
    resolution
        Step of the scale.
    rows
        One for each ingredient.
    total
        Of what is to be weighed, water included.
    dry_total
        Of it without water.
    actual_fractions
        Mass fractions that the rounded weighings make, dry.
    cautions
        What to heed.
    """

    formulation: str
    mass: float
    resolution: float
    rows: tuple[WeighOutRow, ...]
    total: float
    dry_total: float
    actual_fractions: Mapping[str, float]
    cautions: tuple[Caution, ...]


def weigh_out(
    recipe: Recipe,
    ingredients: Mapping[str, Ingredient],
    mass: float,
    *,
    resolution: float,
    water: Mapping[str, float] | None = None,
    unit: Unit = _GRAM,
) -> WeighOut:
    """Masses to weigh for a batch.

    An ingredient with a mass fraction w of water is weighed in as dry mass / (1 − w).

    Parameters
    ----------
    recipe, ingredients
        Recipe, and the table that says which ingredients take up water.
    mass
        Of the dry batch, kg.
    resolution
        Smallest step of the scale, kg.
    water
        Ingredient to its mass fraction of water, in [0, 1); what is left out counts as dry.
    unit
        Of the scale, in which messages speak.

    Raises
    ------
    RequestError
        The mass or step is not above 0, an ingredient is below one step, or `water` names what
        the recipe does not hold or is no fraction.
    """
    _refuse_sizes(mass, resolution, unit)
    water = water or {}
    _refuse_water(water, recipe)
    rows: list[WeighOutRow] = []
    running = Decimal(0)
    for key, fraction in recipe.mass_fractions.items():
        moist = water.get(key, 0.0)
        dry = mass * fraction
        exact = dry / (1.0 - moist)
        steps = _on_steps(exact, resolution)
        if not steps:
            msg = f"{_told(exact, unit, 4)} of {key} is less than one step of the scale"
            raise RequestError(
                msg,
                expected=f"a scale finer than {_told(resolution, unit)}, or a larger batch",
                hint="weigh more of it into one of the other powders, and take a share of that",
            )
        running += steps
        rows.append(
            WeighOutRow(
                ingredient=key,
                mass_fraction=fraction,
                dry_mass=dry,
                water=moist,
                exact_mass=exact,
                to_weigh=float(steps),
                running_total=float(running),
            )
        )
    dried = {row.ingredient: row.to_weigh * (1.0 - row.water) for row in rows}
    dry_total = math.fsum(dried.values())
    return WeighOut(
        formulation=recipe.formulation,
        mass=mass,
        resolution=resolution,
        rows=tuple(rows),
        total=float(running),
        dry_total=dry_total,
        actual_fractions={key: dry / dry_total for key, dry in dried.items()},
        cautions=(*_coarse(rows, resolution), *_moisture(recipe, ingredients, water)),
    )


def _refuse_sizes(mass: float, resolution: float, unit: Unit) -> None:
    for what, value in (("mass of the batch", mass), ("step of the scale", resolution)):
        if not (value > 0 and math.isfinite(value)):
            msg = f"the {what} is {_told(value, unit)}"
            raise RequestError(msg, expected="a mass above 0")


def _told(mass: float, unit: Unit, digits: int = 6) -> str:
    return f"{mass / float(unit.factor):.{digits}g} {unit}"


def _refuse_water(water: Mapping[str, float], recipe: Recipe) -> None:
    for key, share in water.items():
        if key not in recipe.mass_fractions:
            msg = f"{recipe.formulation} holds no {key}, whose water is given"
            raise RequestError(msg, expected=f"one of {', '.join(recipe.mass_fractions)}")
        if not 0 <= share < 1:
            msg = f"{key} with {100 * share:g} % of water"
            raise RequestError(msg, expected="from 0 % to below 100 %")


def _on_steps(mass: float, resolution: float) -> Decimal:
    """Nearest multiple of the step; decimal, so that a step of 0.1 g leaves no tail."""
    step = Decimal(repr(resolution))
    return (Decimal(repr(mass)) / step).quantize(Decimal(1), rounding=ROUND_HALF_EVEN) * step


def _coarse(rows: list[WeighOutRow], resolution: float) -> tuple[Caution, ...]:
    coarse = [row for row in rows if resolution / 2.0 > _COARSE * row.exact_mass]
    return tuple(
        Caution(
            "coarse-scale",
            f"{row.ingredient}: half a step of the scale is "
            f"{50 * resolution / row.exact_mass:.1f} % of it (here the rounding makes "
            f"{_signed(100 * row.rounding_share)} %): take a finer scale, or a larger batch",
        )
        for row in coarse
    )


def _signed(percent: float) -> str:
    return f"{percent:+.1f}".replace("-", "−").replace("−0.0", "0.0").replace("+0.0", "0.0")


def _moisture(
    recipe: Recipe, ingredients: Mapping[str, Ingredient], water: Mapping[str, float]
) -> tuple[Caution, ...]:
    unstated = [
        key
        for key in recipe.mass_fractions
        if key in ingredients and ingredients[key].hygroscopic and key not in water
    ]
    if not unstated:
        return ()
    several = len(unstated) > 1
    return (
        Caution(
            "water-not-stated",
            f"{', '.join(unstated)} take{'' if several else 's'} up water from room air and "
            f"count{'' if several else 's'} as dry here: dry a weighed sample and weigh it again, "
            f'then give the loss as --water "{unstated[0]} 1 %"',
        ),
    )
