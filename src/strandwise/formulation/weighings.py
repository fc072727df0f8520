"""What was really weighed into a batch, and the recipe that it makes."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import UnitError
from strandwise.findings import Caution
from strandwise.formulation.recipe import Recipe
from strandwise.units import Kind, parse_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from strandwise.formulation.ingredients import Ingredient

__all__ = [
    "Weighing",
    "deviation_cautions",
    "parse_weighings",
    "recipe_from_weighings",
    "unknown_weighings",
]

_ENTRY = re.compile(
    r"(?P<key>[a-z][a-z0-9]*(?:-[a-z0-9]+)*)\s*[=:]?\s*(?P<mass>[0-9.].*?)"
    r"(?:\s+with\s+(?P<water>.+?)\s+water)?"
)
_LONGEST_ENTRY = 200
_EXAMPLE = "such as `potassium-nitrate 292.5 g, starch 31 g with 9 % water`"
# A fraction that is off by more than this (of the whole) is no slip of the scale.
_DEVIATION = 0.002


@dataclass(frozen=True, kw_only=True, slots=True)
class Weighing:
    """One ingredient as weighed in.

    Parameters
    ----------
    ingredient
        Its key.
    mass
        As the scale showed it, kg.
    water
        Mass fraction of water in it, in [0, 1).
    """

    ingredient: str
    mass: float
    water: float = 0.0

    @property
    def dry_mass(self) -> float:
        """Mass without the water, kg."""
        return self.mass * (1.0 - self.water)


def parse_weighings(text: str) -> tuple[Weighing, ...]:
    """Read the field `weighings` of a batch: key, mass and perhaps the water in it, by commas.

    Raises
    ------
    UnitError
        An entry is not of that form, a mass is not above 0, the water is not in 0 to 100 %, or an
        ingredient stands twice.
    """
    read: dict[str, Weighing] = {}
    for part in re.split(r"[,;]", text):
        entry = part.strip()
        match = _ENTRY.fullmatch(entry) if len(entry) <= _LONGEST_ENTRY else None
        if match is None:
            shown = entry if len(entry) <= _LONGEST_ENTRY else f"{entry[:40]}…"
            msg = f"`{shown}` is no weighing"
            raise UnitError(msg, expected=_EXAMPLE)
        key = match["key"]
        mass = _quantity(key, match["mass"], Kind.MASS)
        water = _quantity(key, match["water"], Kind.RATIO) if match["water"] else 0.0
        if not mass > 0:
            msg = f"the weighing of {key} is {match['mass']}"
            raise UnitError(msg, expected="a mass above 0", hint="leave out what was not put in")
        if not 0 <= water < 1:
            msg = f"{key} with {match['water']} water"
            raise UnitError(msg, expected="from 0 % to below 100 % of water")
        if key in read:
            msg = f"{key} is weighed in twice"
            raise UnitError(msg, expected="each ingredient once", hint="add its masses up")
        read[key] = Weighing(ingredient=key, mass=mass, water=water)
    return tuple(read.values())


def _quantity(key: str, text: str, kind: Kind) -> float:
    try:
        return parse_quantity(text, kind).si
    except UnitError as error:
        msg = f"{key}: {error.message}"
        raise UnitError(msg, expected=error.expected, hint=error.hint) from error


def unknown_weighings(
    weighings: Sequence[Weighing], ingredients: Mapping[str, Ingredient]
) -> tuple[str, ...]:
    """Keys that were weighed in and are in no table of ingredients."""
    return tuple(w.ingredient for w in weighings if w.ingredient not in ingredients)


def recipe_from_weighings(weighings: Sequence[Weighing], nominal: Recipe) -> Recipe:
    """The recipe that was really mixed, dry, under the name of the nominal one.

    Water that an ingredient brought along counts as none of the mixture: it is driven off, or is
    taken as such.

    Parameters
    ----------
    weighings
        At least one.
    nominal
        Recipe of the batch's formulation.
    """
    total = math.fsum(w.dry_mass for w in weighings)
    return Recipe(
        formulation=nominal.formulation,
        parent=nominal.parent,
        mass_fractions={w.ingredient: w.dry_mass / total for w in weighings},
        lineage=nominal.lineage,
    )


def deviation_cautions(batch: str, actual: Recipe, nominal: Recipe) -> tuple[Caution, ...]:
    """Caution where what was weighed in misses the formulation by over 0.2 % of the whole."""
    keys = dict.fromkeys((*nominal.mass_fractions, *actual.mass_fractions))
    off = []
    for key in keys:
        meant = nominal.mass_fractions.get(key, 0.0)
        found = actual.mass_fractions.get(key, 0.0)
        if abs(found - meant) > _DEVIATION:
            off.append(f"{key} {100 * found:.2f} % instead of {100 * meant:.2f} %")
    if not off:
        return ()
    return (
        Caution(
            "weighed-otherwise",
            f"batch {batch} is not quite {nominal.formulation}: {', '.join(off)}; its own recipe "
            "counts for its density, or give it a formulation of its own",
        ),
    )
