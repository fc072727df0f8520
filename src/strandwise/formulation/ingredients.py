"""What a formulation may be made of."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, get_args

from strandwise.units import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.findings import Source

__all__ = ["INGREDIENT_FIELDS", "ROLES", "Ingredient", "IngredientField", "Role"]

Role = Literal["oxidiser", "fuel", "retarder", "catalyst", "opacifier", "metal", "binder", "other"]
"""What an ingredient is in the mixture for; a retarder slows the burn, whatever its chemistry."""

ROLES: tuple[Role, ...] = get_args(Role)
"""Every role, in the order in which help lists them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Ingredient:
    """One substance; every figure that is not known is None.

    Parameters
    ----------
    key
        Plain English in kebab case, such as ``potassium-nitrate``.
    role
        One of `ROLES`.
    formula
        Chemical formula as `strandwise.formulation.elements_of` reads it; None for a substance
        without one (charcoal).
    density
        Of the solid without voids (or of the liquid), kg/m³, near 20 degC.
    formation_enthalpy
        Standard enthalpy of formation at 298.15 K, J/mol of `formula`.
    melts, decomposes, sublimes, loses_water
        Temperatures at 1 atm at which it melts, begins to decompose, sublimes, gives off its
        water of crystallisation, K.
    hygroscopic
        Whether it takes up water from room air; None where not known.
    gives_off
        Gas of its decomposition (or sublimation), moles per mole of `formula`, such as
        ``0.5 CO2, 0.5 H2O``; empty where none is known.
    particle_size
        What to know of its fineness, for people.
    incompatible
        Keys of ingredients that it must not meet.
    notes
        For people.
    source
        What each figure rests on: name of a field to a publication, or ``from memory``.
    origin
        Where the entry stands; None for one made in a program.
    """

    key: str
    role: Role
    formula: str | None = None
    density: float | None = None
    formation_enthalpy: float | None = None
    melts: float | None = None
    decomposes: float | None = None
    sublimes: float | None = None
    loses_water: float | None = None
    hygroscopic: bool | None = None
    gives_off: str = ""
    particle_size: str = ""
    incompatible: tuple[str, ...] = ()
    notes: str = ""
    source: Mapping[str, str] = field(default_factory=dict)
    origin: Source | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class IngredientField:
    """One field of `ingredients.toml`.

    Parameters
    ----------
    kind
        Kind of quantity, written as text with its unit; or what a field that is no quantity
        holds: ``text``, ``role`` (one of `ROLES`), ``boolean``, ``keys`` (a list of ingredient
        keys), ``sources`` (a table: name of a field to text).
    help
        For people.
    required
        Whether an entry must have it.
    """

    kind: Kind | Literal["text", "role", "boolean", "keys", "sources"]
    help: str
    required: bool = False


INGREDIENT_FIELDS: Mapping[str, IngredientField] = MappingProxyType(
    {
        "role": IngredientField(
            kind="role", help="what it is in the mixture for: " + ", ".join(ROLES)
        ),
        "formula": IngredientField(
            kind="text", help="chemical formula; water of crystallisation as in CaSO4.2H2O"
        ),
        "density": IngredientField(kind=Kind.DENSITY, help="of the solid without voids"),
        "formation_enthalpy": IngredientField(
            kind=Kind.MOLAR_ENERGY, help="standard enthalpy of formation at 25 degC"
        ),
        "melts": IngredientField(kind=Kind.TEMPERATURE, help="melting point at 1 atm"),
        "decomposes": IngredientField(
            kind=Kind.TEMPERATURE, help="where it begins to decompose at 1 atm, slowly or not"
        ),
        "sublimes": IngredientField(kind=Kind.TEMPERATURE, help="where it sublimes at 1 atm"),
        "loses_water": IngredientField(
            kind=Kind.TEMPERATURE, help="where it begins to give off its water of crystallisation"
        ),
        "hygroscopic": IngredientField(
            kind="boolean", help="whether it takes up water from room air"
        ),
        "gives_off": IngredientField(
            kind="text", help="gas of its decomposition, moles per mole: 0.5 CO2, 0.5 H2O"
        ),
        "particle_size": IngredientField(kind="text", help="what to know of its fineness"),
        "incompatible": IngredientField(
            kind="keys", help="ingredients that it must not be mixed with"
        ),
        "notes": IngredientField(kind="text", help="for people"),
        "source": IngredientField(
            kind="sources",
            help="what each figure rests on: field = publication, or 'from memory'",
        ),
    }
)
"""Fields of an entry of `ingredients.toml`; each is the `Ingredient` attribute of that name."""
