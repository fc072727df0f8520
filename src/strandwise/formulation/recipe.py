"""Formulations as written (parts, or steps from a parent) and as mass fractions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.findings import Source

__all__ = ["ALL", "Addition", "Dose", "FormulationSpec", "Recipe", "Replacement"]

ALL = "all"
"""Stands for the whole parent where an ingredient is to be replaced."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Replacement:
    """A share of one ingredient of the parent, or of all of it, replaced by another ingredient.

    Parameters
    ----------
    ingredient
        What gives way: a key, or `ALL`.
    share
        Share of the parent's amount of `ingredient` that gives way, in (0, 1].
    replacement
        Key of what takes its place, mass for mass.
    """

    ingredient: str
    share: float
    replacement: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Addition:
    """An ingredient put on top: parts by mass per hundred parts of the parent."""

    ingredient: str
    parts: float


@dataclass(frozen=True, kw_only=True, slots=True)
class FormulationSpec:
    """A formulation as its file says it: either `ingredients`, or a `parent` and steps from it.

    Parameters
    ----------
    name
        Key of its table in `formulations.toml`.
    ingredients
        Ingredient to parts by mass of any total; the number as written (65 for ``65 %``). None
        for a formulation with a parent.
    percent
        Whether the parts were written in percent.
    parent
        Formulation from which the steps start.
    replace, add
        Steps, all taken from the parent at once; their order does not matter.
    total
        Sum of the parts as the author states it; checked.
    source
        Place of the table.
    """

    name: str
    ingredients: Mapping[str, float] | None = None
    percent: bool = False
    parent: str | None = None
    replace: tuple[Replacement, ...] = ()
    add: tuple[Addition, ...] = ()
    total: float | None = None
    notes: str = ""
    source: Source


@dataclass(frozen=True, kw_only=True, slots=True)
class Recipe:
    """What a formulation consists of.

    Parameters
    ----------
    formulation, parent
        Names; `parent` is None for a formulation that is written in parts.
    mass_fractions
        Ingredient to mass fraction, each above 0, sum 1.
    lineage
        Formulations from the first ancestor to this one, itself included.
    """

    formulation: str
    parent: str | None
    mass_fractions: Mapping[str, float]
    lineage: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Dose:
    """How much of one ingredient, in place of what, tells a formulation from another.

    Parameters
    ----------
    ingredient
        What was put in.
    replaces
        Ingredient that gave way, `ALL`, or ``on-top`` for parts added to the whole.
    amount
        Share of the replaced ingredient (or of all) in (0, 1]; for ``on-top`` the parts by mass
        per part of the other formulation (0.01 for one part per hundred).
    relative_to
        Formulation that the dose is counted from.
    """

    ingredient: str
    replaces: str
    amount: float
    relative_to: str
