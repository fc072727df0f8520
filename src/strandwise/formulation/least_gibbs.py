"""Composition of least Gibbs energy: ideal gases and pure condensed phases, by Newton's method."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["least_gibbs"]

_MOST_ROUNDS = 300
_CONVERGED = 1e-9
_LEAST_LN = -60.0
_TRACE_LN = -18.42  # a mole fraction of 1e-8
_LARGEST_STEP = 2.0
_LEVEL = 1e-6


def least_gibbs(
    gas_atoms: Array,
    gas_gibbs: Array,
    condensed_atoms: Array,
    condensed_gibbs: Array,
    elements: Array,
) -> Array | None:
    """Amounts of gases and condensed phases in equilibrium at one temperature and pressure.

    The equations of Gordon and McBride (NASA RP-1311, 1994, section 2, from memory): Lagrange
    multipliers of the elements, logarithms of the gas amounts. Condensed phases enter one by one
    where they lie below the multipliers, and leave where their amount turns negative.

    Parameters
    ----------
    gas_atoms, condensed_atoms
        Atoms, species × elements.
    gas_gibbs, condensed_gibbs
        Gibbs energy of the pure species at the temperature and pressure over RT.
    elements
        Amount of each element, mol, above 0.

    Returns
    -------
    array or None
        Amounts of the gases, then of the condensed phases, mol; None where it did not converge.
    """
    total = float(elements.sum()) / 2.0
    log_gas = np.full(len(gas_gibbs), math.log(total / len(gas_gibbs)))
    held: dict[int, float] = {}
    for _ in range(2 * len(condensed_gibbs) + 2):
        solved = _newton(
            gas_atoms, gas_gibbs, condensed_atoms, condensed_gibbs, elements, log_gas, total, held
        )
        if solved is None:
            return None
        log_gas, total, held, multipliers = solved
        leaving = [place for place, amount in held.items() if amount < 0]
        if leaving:
            del held[min(leaving, key=held.__getitem__)]
            continue
        affinity = condensed_gibbs - condensed_atoms @ multipliers
        affinity[list(held)] = np.inf
        if not len(affinity) or affinity.min() >= -_LEVEL:
            amounts = np.zeros(len(gas_gibbs) + len(condensed_gibbs))
            amounts[: len(gas_gibbs)] = np.exp(log_gas)
            for place, amount in held.items():
                amounts[len(gas_gibbs) + place] = amount
            return amounts
        held[int(np.argmin(affinity))] = 0.0
    return None


def _newton(
    gas_atoms: Array,
    gas_gibbs: Array,
    condensed_atoms: Array,
    condensed_gibbs: Array,
    elements: Array,
    log_gas: Array,
    total: float,
    held: dict[int, float],
) -> tuple[Array, float, dict[int, float], Array] | None:
    """Equilibrium with exactly the phases of `held`, whose amounts may come out negative."""
    places = list(held)
    solid = condensed_atoms[places]
    amounts = np.array([held[place] for place in places])
    log_total = math.log(total)
    count, extra = len(elements), len(places)
    for _ in range(_MOST_ROUNDS):
        gas = np.exp(log_gas)
        potential = gas_gibbs + log_gas - log_total
        weighted = gas_atoms * gas[:, None]
        matrix = np.zeros((count + extra + 1, count + extra + 1))
        matrix[:count, :count] = gas_atoms.T @ weighted
        matrix[:count, count : count + extra] = solid.T
        matrix[count : count + extra, :count] = solid
        matrix[:count, -1] = matrix[-1, :count] = weighted.sum(axis=0)
        matrix[-1, -1] = gas.sum() - math.exp(log_total)
        lacking = elements - weighted.sum(axis=0) - amounts @ solid
        right = np.concatenate(
            [
                lacking + weighted.T @ potential,
                condensed_gibbs[places],
                [math.exp(log_total) - gas.sum() + gas @ potential],
            ]
        )
        try:
            answer = np.linalg.solve(matrix, right)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(answer).all():
            return None
        change = gas_atoms @ answer[:count] + answer[-1] - potential
        share = _damping(change, float(answer[-1]), log_gas - log_total)
        log_gas = np.maximum(log_gas + share * change, log_total + _LEAST_LN)
        log_total += share * float(answer[-1])
        amounts = amounts + share * answer[count : count + extra]
        moved = max(
            float(np.max(np.abs(change) * gas)) / float(elements.sum()), abs(float(answer[-1]))
        )
        lost = float(np.max(np.abs(lacking) / elements))
        if share == 1.0 and moved < _CONVERGED and lost < _CONVERGED:
            held = dict(zip(places, amounts.tolist(), strict=True))
            return log_gas, math.exp(log_total), held, answer[:count]
    return None


def _damping(change: Array, change_of_total: float, log_fraction: Array) -> float:
    """Share of a step that moves no gas by more than a factor, and lets no trace leap up."""
    plenty = log_fraction > _TRACE_LN
    largest = max(5.0 * abs(change_of_total), float(np.max(np.abs(change[plenty]), initial=0.0)))
    share = 1.0 if largest <= _LARGEST_STEP else _LARGEST_STEP / largest
    rising = ~plenty & (change > 0)
    if rising.any():
        room = -9.2103404 - log_fraction[rising]
        rise = change[rising] - change_of_total
        leap = rise > 0
        if leap.any():
            share = min(share, float(np.min(np.abs(room[leap] / rise[leap]))))
    return share
