"""Flame temperature, gas and characteristic velocity of a recipe by chemical equilibrium.

Needs the extra ``thermo`` (cantera), which brings the NASA polynomials of the products (TM-4513,
1993) and a second solver. The package does not load this module by itself: import it by its name.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import DataError, RequestError
from strandwise.findings import Caution
from strandwise.formulation.balance import elements_of, molar_mass
from strandwise.formulation.products import System, solver_installed

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.products import Products
    from strandwise.formulation.recipe import Recipe

__all__ = [
    "INSTALL_HINT",
    "Equilibrium",
    "available",
    "equilibrium_from_elements",
    "recipe_equilibrium",
]

INSTALL_HINT = "install the extra: `pip install 'strandwise[thermo]'`"

# Ratios of throat to chamber pressure around the sonic point of any γ from 1.0 to 1.4.
_THROAT_RATIOS = (0.50, 0.54, 0.58, 0.62, 0.66)
_RECALLED, _RESERVATION = "from memory", "; "  # in the source of a figure
# Where the products are mostly no gas, "gas" is hardly what a nozzle is passed by.
_MOSTLY_CONDENSED = 0.6


@dataclass(frozen=True, kw_only=True, slots=True)
class Equilibrium:
    """What the products of a recipe are at a chamber pressure, in full equilibrium.

    Parameters
    ----------
    formulation
        Whose recipe it is.
    pressure
        Absolute, Pa.
    flame_temperature
        Adiabatic, K.
    gas_molar_mass
        Of the gas alone, kg/mol.
    molar_mass
        Mass of all products, condensed ones included, per mol of gas, kg/mol: what the chamber
        pressure knows of.
    specific_heat_ratio
        γ of gas and condensed products that expand together in equilibrium: the exponent of
        P·v^γ = constant between chamber and throat.
    condensed_fraction
        Mass of condensed products per mass of products.
    characteristic_velocity
        c* = P·A_t/ṁ with equilibrium kept up to the throat and condensed products that keep up
        with the gas, m/s: an upper value, of which a motor delivers a part.
    products
        In the chamber, mol per kg.
    condensed
        Names of the condensed species among them.
    cautions
        What to heed.
    """

    formulation: str
    pressure: float
    flame_temperature: float
    gas_molar_mass: float
    molar_mass: float
    specific_heat_ratio: float
    condensed_fraction: float
    characteristic_velocity: float
    products: Mapping[str, float]
    condensed: tuple[str, ...]
    cautions: tuple[Caution, ...] = ()


def available() -> bool:
    """Whether the extra ``thermo`` is installed."""
    return solver_installed()


def recipe_equilibrium(
    recipe: Recipe, ingredients: Mapping[str, Ingredient], pressure: float
) -> Equilibrium:
    """Equilibrium products of a recipe burnt at a constant pressure from 25 °C.

    Parameters
    ----------
    recipe, ingredients
        Recipe, and the table with the formula and enthalpy of formation of what it holds.
    pressure
        Absolute, Pa.

    Raises
    ------
    RequestError
        The extra is not installed; an ingredient is unknown, or its formula or enthalpy of
        formation is (all of them are named); an element has no products in the data.
    DataError
        The pressure is not above 0, or no equilibrium was found.
    """
    _refuse_unknown(recipe, ingredients)
    elements: dict[str, float] = {}
    enthalpy = 0.0
    for key, fraction in recipe.mass_fractions.items():
        formula, formation = ingredients[key].formula, ingredients[key].formation_enthalpy
        assert formula is not None
        assert formation is not None
        amount = fraction / molar_mass(formula)
        enthalpy += amount * formation
        for symbol, count in elements_of(formula).items():
            elements[symbol] = elements.get(symbol, 0.0) + amount * count
    found = equilibrium_from_elements(elements, enthalpy, pressure, formulation=recipe.formulation)
    unsure = tuple(_unsure(recipe, ingredients))
    return dataclasses.replace(found, cautions=(*found.cautions, *unsure))


def equilibrium_from_elements(
    elements: Mapping[str, float], enthalpy: float, pressure: float, *, formulation: str = ""
) -> Equilibrium:
    """Equilibrium products of a kilogram of reactants, burnt at a constant pressure.

    Gibbs energy is at its least over ideal gases and pure condensed phases; each phase takes part
    only at the temperatures for which its data hold. An answer is accepted when it keeps the
    elements and when its chemical potentials are those of an equilibrium, which is checked. The
    throat is where the flow per area is greatest on the way down at constant entropy; c* is the
    chamber pressure over that flow (Gordon and McBride, NASA RP-1311, 1994, from memory).

    Parameters
    ----------
    elements
        Element to amount, mol per kg of reactants.
    enthalpy
        Of the reactants against the elements at 25 °C, J/kg.
    pressure
        Absolute, Pa.
    formulation
        Name that the result carries.

    Raises
    ------
    RequestError, DataError
        As `recipe_equilibrium`.
    """
    if not available():
        msg = "flame temperature and c* need the extra `thermo`, which is not installed"
        raise RequestError(msg, hint=INSTALL_HINT)
    if not (pressure > 0 and math.isfinite(pressure)):
        msg = f"pressure {pressure:g} Pa"
        raise DataError(msg, expected="an absolute pressure above 0")
    system = System(elements)
    chamber = system.at_enthalpy(enthalpy, pressure)
    flow, throat = _throat(system, chamber)
    gamma = math.log(chamber.pressure / throat.pressure) / math.log(throat.volume / chamber.volume)
    return Equilibrium(
        formulation=formulation,
        pressure=pressure,
        flame_temperature=chamber.temperature,
        gas_molar_mass=chamber.gas_mass / chamber.gas_amount,
        molar_mass=1.0 / chamber.gas_amount,
        specific_heat_ratio=gamma,
        condensed_fraction=1.0 - chamber.gas_mass,
        characteristic_velocity=pressure / flow,
        products=chamber.amounts,
        condensed=chamber.condensed,
        cautions=_cautions(chamber),
    )


def _refuse_unknown(recipe: Recipe, ingredients: Mapping[str, Ingredient]) -> None:
    lacking: dict[str, list[str]] = {}
    for key in recipe.mass_fractions:
        entry = ingredients.get(key)
        if entry is None:
            lacking.setdefault("entry in the table of ingredients", []).append(key)
            continue
        if entry.formula is None:
            lacking.setdefault("formula", []).append(key)
        if entry.formation_enthalpy is None:
            lacking.setdefault("enthalpy of formation", []).append(key)
    if lacking:
        told = "; ".join(
            f"no {what} is known of {', '.join(keys)}" for what, keys in lacking.items()
        )
        msg = f"no equilibrium of {recipe.formulation}: {told}"
        raise RequestError(
            msg,
            expected='such as formula = "C6H14O6" and formation_enthalpy = "-1354 kJ/mol"',
            hint="write them, with their source, into the ingredients.toml beside the campaign's "
            "campaign.toml",
        )


def _throat(system: System, chamber: Products) -> tuple[float, Products]:
    """Greatest flow per area (kg/(s·m²)) on the way down at constant entropy, and the state there.

    The flow is flat around its greatest value, so a parabola through the three best points of a
    coarse row finds it.
    """
    states = [
        system.at_entropy(chamber.entropy, ratio * chamber.pressure, chamber.temperature)
        for ratio in _THROAT_RATIOS
    ]
    flows = [
        math.sqrt(2.0 * max(0.0, chamber.enthalpy - state.enthalpy)) / state.volume
        for state in states
    ]
    best = min(max(flows.index(max(flows)), 1), len(flows) - 2)
    before, there, after = flows[best - 1 : best + 2]
    step = _THROAT_RATIOS[1] - _THROAT_RATIOS[0]
    bend = before - 2.0 * there + after
    ratio = _THROAT_RATIOS[best] + (0.5 * step * (before - after) / bend if bend < 0 else 0.0)
    throat = system.at_entropy(chamber.entropy, ratio * chamber.pressure, chamber.temperature)
    flow = math.sqrt(2.0 * max(0.0, chamber.enthalpy - throat.enthalpy)) / throat.volume
    return flow, throat


def _unsure(recipe: Recipe, ingredients: Mapping[str, Ingredient]) -> Iterator[Caution]:
    """Enthalpies of formation whose source makes a reservation, or is none that one can open."""
    for key in recipe.mass_fractions:
        source = ingredients[key].source.get("formation_enthalpy", "")
        if source.startswith(_RECALLED) or _RESERVATION in source:
            yield Caution(
                "enthalpy-unsure",
                f"flame temperature and c* rest on an enthalpy of formation of {key} with this "
                f"source: {source}",
            )


def _cautions(chamber: Products) -> tuple[Caution, ...]:
    condensed = 1.0 - chamber.gas_mass
    if condensed < _MOSTLY_CONDENSED:
        return ()
    return (
        Caution(
            "mostly-condensed",
            f"{100 * condensed:.0f} % of the products are liquid or solid: they do not keep up "
            "with the gas, and a motor delivers much less than this c*",
        ),
    )
