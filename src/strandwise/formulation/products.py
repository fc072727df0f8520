"""Products of combustion in chemical equilibrium, by the extra ``thermo``.

The package does not load this module by itself; `strandwise.formulation.equilibrium` is its user.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import math
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np

from strandwise.errors import DataError, RequestError
from strandwise.formulation.least_gibbs import least_gibbs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["Products", "System", "solver_installed"]


class _Library:
    """The extra's library, loaded when it is first used: most commands need no equilibrium."""

    @cached_property
    def module(self) -> Any:
        """None where the extra is not installed; `solver_installed` says so."""
        try:
            return import_module("cantera")
        except ImportError:
            return None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.module, name)


cantera: Any = _Library()

_COLDEST, _HOTTEST = 400.0, 4900.0
_WARM, _HOT = 1200.0, 2500.0
_MOST_CARBONS = 2
_TEMPERATURE_STEP = 1e-3
# J/kg; a thousandth of a kelvin.
_ENTHALPY_TOLERANCE = 1.0
# A condensed phase without a density gets 1 g/m3 by default, and its p·V then keeps it from ever
# forming. A rough density is enough: at 7 MPa p·V is 0.5 kJ/mol.
_ROUGH_DENSITY = 2000.0
_DENSITIES = {
    "K2CO3(s)": 2290.0,
    "K2CO3(L)": 1900.0,
    "Na2CO3(L)": 1970.0,
    "CaO(s)": 3340.0,
    "CaCO3(calcite)": 2710.0,
    "MgO(s)": 3580.0,
    "AL2O3(a)": 3970.0,
    "AL2O3(L)": 2900.0,
    "Fe2O3(s)": 5250.0,
    "C(gr)": 2250.0,
    "H2O(L)": 1000.0,
}
_GAS_CONSTANT = 8.31446261815324
_KILO = 1000.0  # the solver counts in kmol
_ELEMENT_TOLERANCE = 1e-6
_POTENTIAL_TOLERANCE = 1e-3
_SHOWN_SHARE = 1e-7
_STRIDE = 400.0
_MOST_STEPS = 1000
_THERE = 1e-6


@dataclass(frozen=True, kw_only=True, slots=True)
class Products:
    """What a kilogram of products is at one temperature and pressure.

    Parameters
    ----------
    temperature, pressure
        K, Pa.
    enthalpy, entropy, volume
        J, J/K and m³ per kg of all products, condensed ones included.
    gas_amount
        mol of gas per kg of all products.
    gas_mass
        kg of gas per kg of all products.
    amounts
        mol per kg of all products, of each species above a ten-millionth of them.
    condensed
        Names of the condensed species among them.
    """

    temperature: float
    pressure: float
    enthalpy: float
    entropy: float
    volume: float
    gas_amount: float
    gas_mass: float
    amounts: Mapping[str, float]
    condensed: tuple[str, ...]


def solver_installed() -> bool:
    """Whether the extra ``thermo`` is installed."""
    return cantera is not None and cantera.module is not None


class System:
    """Equilibria of a kilogram of one composition.

    Parameters
    ----------
    elements
        Element to amount, mol per kg.

    Raises
    ------
    RequestError
        The data have no gas with one of the elements.
    """

    def __init__(self, elements: Mapping[str, float]) -> None:
        self._elements = {symbol: amount for symbol, amount in elements.items() if amount > 0}
        gas, condensed = _all_species()
        chosen = [species for species in gas if self._may_form(species) and species.charge == 0]
        atoms = {next(iter(s.composition)): s.name for s in chosen if _is_atom(s)}
        missing = sorted(set(self._elements) - set(atoms))
        if missing:
            msg = f"the data have no gas with {', '.join(missing)}, so no equilibrium is computed"
            raise RequestError(msg, hint="leave the ingredient out, or give c* and γ under [gas]")
        self._gas = cantera.Solution(thermo="ideal-gas", kinetics="none", species=chosen)
        self._gas_atoms: Array = np.array(
            [_atoms_of(self._gas, name, self._elements) for name in self._gas.species_names]
        )
        self._feed = {atoms[symbol]: amount for symbol, amount in self._elements.items()}
        self._condensed = [
            (species.thermo.min_temp, species.thermo.max_temp, _phase(species))
            for species in condensed
            if self._may_form(species)
        ]

    def at_temperature(self, temperature: float, pressure: float) -> Products:
        """Products at a temperature (K) and a pressure (Pa).

        Raises
        ------
        DataError
            No equilibrium was found, or what was found is none.
        """
        # The data of a phase hold in a range alone, outside of which the solver would go on.
        present = [phase for low, high, phase in self._condensed if low <= temperature < high]
        for phase in present:
            phase.TP = temperature, pressure
        complaints = []
        for solver in (self._by_newton, self._by_library):
            amounts = solver(present, temperature, pressure)
            complaint = self._fault(present, amounts, temperature, pressure)
            if amounts is not None and not complaint:
                return self._collect(present, amounts, temperature, pressure)
            complaints.append(complaint)
        told = "; ".join(dict.fromkeys(complaints))
        msg = f"no equilibrium was found at one of the temperatures tried ({told})"
        raise DataError(msg, hint="try a pressure a little higher or lower")

    def at_enthalpy(self, enthalpy: float, pressure: float) -> Products:
        """Products of that enthalpy, J/kg, at a pressure.

        Raises
        ------
        DataError
            No temperature from 400 to 4900 K gives it, or no equilibrium was found.
        """
        return self._where(
            lambda p: p.enthalpy - enthalpy, pressure, _WARM, _HOT, _ENTHALPY_TOLERANCE
        )

    def at_entropy(self, entropy: float, pressure: float, below: float) -> Products:
        """Products of that entropy, J/(kg·K), at a pressure, colder than `below`, K.

        Raises
        ------
        DataError
            As `at_enthalpy`.
        """
        return self._where(
            lambda p: p.entropy - entropy,
            pressure,
            0.8 * below,
            below,
            _ENTHALPY_TOLERANCE / below,
        )

    def _where(
        self,
        excess: Callable[[Products], float],
        pressure: float,
        low: float,
        high: float,
        tolerance: float,
    ) -> Products:
        """Products where `excess`, which rises with temperature, is 0 within `tolerance`.

        It jumps where a phase melts; the answer then lies between both sides of the jump, at
        one temperature, and is mixed of them.
        """
        cold = self.at_temperature(low, pressure)
        while excess(cold) > 0 and cold.temperature > _COLDEST:
            cold = self.at_temperature(max(_COLDEST, cold.temperature - _STRIDE), pressure)
        hot = self.at_temperature(high, pressure)
        while excess(hot) < 0 and hot.temperature < _HOTTEST:
            hot = self.at_temperature(min(_HOTTEST, hot.temperature + _STRIDE), pressure)
        below, above = excess(cold), excess(hot)
        if below > 0 or above < 0:
            where = "colder" if below > 0 else "hotter"
            msg = f"the products would be {where} than any flame of a propellant"
            raise DataError(msg, hint="check the parts and the enthalpies of formation")
        for number in itertools.count():
            width = hot.temperature - cold.temperature
            # Bisection every third time, since a secant creeps where the excess bends or jumps.
            share = 0.5 if number % 3 == 2 else min(max(-below / (above - below), 0.02), 0.98)
            if width < _TEMPERATURE_STEP:
                return _mixed(cold, hot, -below / (above - below) if above > below else 0.0)
            middle = self.at_temperature(cold.temperature + share * width, pressure)
            value = excess(middle)
            if abs(value) <= tolerance:
                return middle
            if value <= 0:
                cold, below = middle, value
            else:
                hot, above = middle, value
        raise AssertionError

    def _may_form(self, species: Any) -> bool:
        """Whether a species holds no other element and is no larger than a flame leaves it."""
        composition = species.composition
        return (
            set(composition) <= set(self._elements) and composition.get("C", 0.0) <= _MOST_CARBONS
        )

    def _by_newton(self, present: list[Any], temperature: float, pressure: float) -> Array | None:
        """Amounts (mol/kg) of the gases and of the phases `present`, by `least_gibbs`."""
        self._gas.TPX = temperature, pressure, self._feed
        unit = _KILO * _GAS_CONSTANT * temperature
        return least_gibbs(
            self._gas_atoms,
            np.array(self._gas.standard_gibbs_RT),
            self._atoms(present)[self._gas.n_species :],
            np.array([phase.gibbs_mole for phase in present]) / unit,
            np.array(list(self._elements.values())),
        )

    def _by_library(self, present: list[Any], temperature: float, pressure: float) -> Array | None:
        """The same by the library's solver, which gives up where soot lies beside carbonate."""
        self._gas.TPX = temperature, pressure, self._feed
        total = math.fsum(self._feed.values()) / _KILO
        mixture = cantera.Mixture([(self._gas, total), *((phase, 0.0) for phase in present)])
        mixture.T, mixture.P = temperature, pressure
        try:
            # The solver prints what its exception says.
            with contextlib.redirect_stdout(io.StringIO()):
                mixture.equilibrate("TP", solver="vcs", rtol=1e-10, max_steps=_MOST_STEPS)
        except cantera.CanteraError:
            return None
        return np.array(mixture.species_moles) * _KILO

    def _atoms(self, present: list[Any]) -> Array:
        """Atoms of each element in the gases and in the phases that are `present`."""
        rows = [_atoms_of(phase, phase.species_names[0], self._elements) for phase in present]
        solid = np.array(rows).reshape(len(present), len(self._elements))
        return np.vstack([self._gas_atoms, solid])

    def _fault(
        self, present: list[Any], amounts: Array | None, temperature: float, pressure: float
    ) -> str:
        """Why an answer is no equilibrium.

        Empty where elements are kept and chemical potentials level: μ_i = Σ_j a_ij λ_j for what
        is there, and no phase that is absent lies below that sum.
        """
        if amounts is None:
            return "the solver gave up"
        gas = self._gas
        atoms = self._atoms(present)
        wanted = np.array(list(self._elements.values()))
        lost = float(np.max(np.abs(amounts @ atoms / wanted - 1.0)))
        gas.TPX = temperature, pressure, amounts[: gas.n_species]
        potentials = np.concatenate(
            [gas.chemical_potentials, [phase.gibbs_mole for phase in present]]
        ) / (_KILO * _GAS_CONSTANT * temperature)
        there = amounts > _THERE * amounts.sum()
        multipliers = np.linalg.lstsq(atoms[there], potentials[there], rcond=None)[0]
        affinity = potentials - atoms @ multipliers
        absent = ~there[gas.n_species :]
        wrong = max(
            float(np.max(np.abs(affinity[there]))),
            float(np.max(-affinity[gas.n_species :][absent], initial=0.0)),
        )
        if lost < _ELEMENT_TOLERANCE and wrong < _POTENTIAL_TOLERANCE:
            return ""
        return f"elements off by {lost:.1g}, potentials by {wrong:.1g} RT"

    def _collect(
        self, present: list[Any], amounts: Array, temperature: float, pressure: float
    ) -> Products:
        gas = self._gas
        of_gas, of_condensed = amounts[: gas.n_species], amounts[gas.n_species :]
        moles = float(of_gas.sum())
        gas.TPX = temperature, pressure, of_gas / moles
        parts = [(gas, moles), *zip(present, of_condensed.tolist(), strict=True)]
        names = [*gas.species_names, *(phase.species_names[0] for phase in present)]
        least = _SHOWN_SHARE * float(amounts.sum())
        listed = sorted(zip(amounts.tolist(), names, strict=True), reverse=True)
        return Products(
            temperature=temperature,
            pressure=pressure,
            enthalpy=math.fsum(n * phase.enthalpy_mole for phase, n in parts) / _KILO,
            entropy=math.fsum(n * phase.entropy_mole for phase, n in parts) / _KILO,
            volume=math.fsum(n * phase.volume_mole for phase, n in parts) / _KILO,
            gas_amount=moles,
            gas_mass=moles * gas.mean_molecular_weight / _KILO,
            amounts={name: amount for amount, name in listed if amount > least},
            condensed=tuple(
                phase.species_names[0]
                for phase, amount in zip(present, of_condensed.tolist(), strict=True)
                if amount > least
            ),
        )


def _atoms_of(phase: Any, species: str, elements: Iterable[str]) -> list[float]:
    return [phase.n_atoms(species, s) if s in phase.element_names else 0.0 for s in elements]


def _is_atom(species: Any) -> bool:
    return list(species.composition.values()) == [1.0]


@lru_cache(maxsize=1)
def _all_species() -> tuple[list[Any], list[Any]]:
    return (
        cantera.Species.list_from_file("nasa_gas.yaml"),
        cantera.Species.list_from_file("nasa_condensed.yaml"),
    )


def _phase(species: Any) -> Any:
    """A pure condensed phase of a species, with a density."""
    density = _DENSITIES.get(species.name, _ROUGH_DENSITY)
    data = dict(species.input_data)
    data["equation-of-state"] = {"model": "constant-volume", "density": density}
    return cantera.Solution(
        thermo="fixed-stoichiometry", species=[cantera.Species.from_dict(data)], name=species.name
    )


def _mixed(cold: Products, hot: Products, share: float) -> Products:
    """The two sides of a step of temperature, `share` of the hot one."""

    def between(one: float, other: float) -> float:
        return (1.0 - share) * one + share * other

    names = [*cold.amounts, *(name for name in hot.amounts if name not in cold.amounts)]
    amounts = {
        name: between(cold.amounts.get(name, 0.0), hot.amounts.get(name, 0.0)) for name in names
    }
    condensed = [*cold.condensed, *(name for name in hot.condensed if name not in cold.condensed)]
    return Products(
        temperature=between(cold.temperature, hot.temperature),
        pressure=cold.pressure,
        enthalpy=between(cold.enthalpy, hot.enthalpy),
        entropy=between(cold.entropy, hot.entropy),
        volume=between(cold.volume, hot.volume),
        gas_amount=between(cold.gas_amount, hot.gas_amount),
        gas_mass=between(cold.gas_mass, hot.gas_mass),
        amounts=amounts,
        condensed=tuple(condensed),
    )
