"""Burn rate against composition: the linear blending model, where the data can carry it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

__all__ = ["BlendingTerm", "MixtureFit", "fit_mixture", "fit_mixture_from_arrays"]

_SUM_TOLERANCE = 0.005
_FEWEST_SPARE = 2
# A fraction that moves less than this over all blends says nothing of its ingredient.
_LEAST_RANGE = 0.005
# Square of the multiple correlation of one fraction with the others that still leaves a tenth of
# its movement its own (variance inflation 10: Marquardt 1970, from memory).
_MOST_INFLATION = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class BlendingTerm:
    """One coefficient of the model.

    Parameters
    ----------
    name
        Ingredient, or process variable.
    coefficient
        Of an ingredient: response that the model gives to the pure ingredient, far outside of all
        blends; only differences of coefficients mean something. Of a process variable: change of
        the response per its unit.
    sd
        Standard error.
    ci95
        95 % interval, Student's t.
    """

    name: str
    coefficient: float
    sd: float
    ci95: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class MixtureFit:
    """Response = Σ b_i x_i over mass fractions x_i (and Σ c_j z_j), without intercept.

    Parameters
    ----------
    ingredients, process
        Terms in the order given.
    covariance
        Of all coefficients, row by row.
    residual_sd
        Scatter of the blends about the model.
    degrees_of_freedom
        Blends less coefficients.
    ranges
        Ingredient to the least and greatest fraction among the blends: outside of it the model
        says nothing.
    """

    ingredients: tuple[BlendingTerm, ...]
    process: tuple[BlendingTerm, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    degrees_of_freedom: int
    ranges: Mapping[str, tuple[float, float]]

    @property
    def most_abundant(self) -> str:
        """The ingredient that there is most of, which gives way to the others."""
        return max(self.ranges, key=lambda name: sum(self.ranges[name]))

    def exchange(self, more: str, less: str) -> tuple[float, tuple[float, float]]:
        """Change of the response per unit of fraction put from `less` into `more`, with 95 %.

        Raises
        ------
        DataError
            One of the two is no ingredient of the model.
        """
        names = [term.name for term in self.ingredients]
        for name in (more, less):
            if name not in names:
                msg = f"{name} is no ingredient of this model"
                raise DataError(msg, expected=f"one of {', '.join(names)}")
        one, other = names.index(more), names.index(less)
        change = self.ingredients[one].coefficient - self.ingredients[other].coefficient
        variance = (
            self.covariance[one][one]
            + self.covariance[other][other]
            - 2.0 * self.covariance[one][other]
        )
        half = float(stdtrit(self.degrees_of_freedom, 0.975)) * math.sqrt(max(variance, 0.0))
        return change, (change - half, change + half)


def fit_mixture(
    blends: Mapping[str, Mapping[str, float]], response: Mapping[str, float]
) -> MixtureFit:
    """Fit the blending model to named blends.

    Parameters
    ----------
    blends
        Name (a batch, or a formulation) to its mass fractions.
    response
        Name to its response, such as ln r at the pressure of the decision; only names that are in
        both count.

    Raises
    ------
    DataError
        As `fit_mixture_from_arrays`.
    """
    names = [name for name in blends if name in response]
    keys = list(dict.fromkeys(key for name in names for key in blends[name]))
    fractions = np.array([[blends[name].get(key, 0.0) for key in keys] for name in names])
    return fit_mixture_from_arrays(
        fractions.reshape(len(names), len(keys)),
        np.array([response[name] for name in names]),
        ingredients=keys,
        blends=names,
    )


def fit_mixture_from_arrays(
    fractions: Array,
    response: Array,
    *,
    ingredients: Sequence[str],
    blends: Sequence[str] | None = None,
    process: Array | None = None,
    process_names: Sequence[str] = (),
) -> MixtureFit:
    """Fit response = Σ b_i x_i + Σ c_j z_j by least squares (Scheffé 1958, linear canonical form).

    The fractions of a blend add up to 1, so there is no intercept, and no coefficient can be read
    as the effect of one ingredient by itself: what it displaces belongs to it.

    Parameters
    ----------
    fractions
        Mass fractions, blends × ingredients, 1.
    response
        One for each blend, in any unit.
    ingredients
        Names of the columns.
    blends
        Names of the rows, for messages; None: their numbers from 1.
    process
        Coded process variables, blends × variables.
    process_names
        Names of its columns.

    Raises
    ------
    DataError
        Fractions that are none or do not add up to 1 within 0.005 (the blend is named), values
        that are not finite, or data that cannot carry the model: too few blends, an ingredient
        whose fraction hardly moves, or fractions that move together.
    """
    x = np.asarray(fractions, dtype=float)
    y = np.asarray(response, dtype=float)
    rows = [str(n + 1) for n in range(len(y))] if blends is None else list(blends)
    z = np.zeros((len(y), 0)) if process is None else np.asarray(process, dtype=float)
    if len(y) == 0:
        msg = "the data cannot carry a model of rate against composition: there is no blend"
        raise DataError(msg, expected="measured blends of at least two ingredients")
    z = z.reshape(len(y), -1)
    _refuse_values(x, y, z, rows, ingredients, process_names)
    design = np.hstack([x, z])
    _refuse_poor(x, design, ingredients, process_names)
    coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
    freedom = len(y) - design.shape[1]
    residual = y - design @ coefficients
    variance = float(residual @ residual) / freedom
    covariance = variance * np.linalg.inv(design.T @ design)
    quantile = float(stdtrit(freedom, 0.975))
    terms = []
    for place, name in enumerate((*ingredients, *process_names)):
        value, sd = float(coefficients[place]), math.sqrt(float(covariance[place, place]))
        terms.append(
            BlendingTerm(
                name=name,
                coefficient=value,
                sd=sd,
                ci95=(value - quantile * sd, value + quantile * sd),
            )
        )
    count = x.shape[1]
    return MixtureFit(
        ingredients=tuple(terms[:count]),
        process=tuple(terms[count:]),
        covariance=tuple(tuple(float(c) for c in row) for row in covariance),
        residual_sd=math.sqrt(variance),
        degrees_of_freedom=freedom,
        ranges={
            name: (float(x[:, i].min()), float(x[:, i].max())) for i, name in enumerate(ingredients)
        },
    )


def _refuse_values(
    x: Array,
    y: Array,
    z: Array,
    rows: Sequence[str],
    ingredients: Sequence[str],
    process_names: Sequence[str],
) -> None:
    shapes = (len(rows), len(ingredients))
    if x.shape != shapes or z.shape[1] != len(process_names):
        msg = f"fractions of shape {x.shape} and {z.shape[1]} process variables"
        raise DataError(msg, expected=f"{shapes[0]} blends of {shapes[1]} ingredients")
    if not (np.isfinite(x).all() and np.isfinite(y).all() and np.isfinite(z).all()):
        msg = "a fraction or a response is not finite"
        raise DataError(msg, expected="numbers", hint="leave out blends that were not measured")
    for name, row in zip(rows, x, strict=True):
        total = float(row.sum())
        if row.min() < 0 or abs(total - 1.0) > _SUM_TOLERANCE:
            msg = f"the fractions of blend {name} add up to {total:.4g}"
            raise DataError(
                msg,
                expected="fractions of 0 or more that add up to 1 within 0.005",
                hint="correct the blend, or leave it out",
            )


def _refuse_poor(
    x: Array, design: Array, ingredients: Sequence[str], process_names: Sequence[str]
) -> None:
    """Refuse data from which no one could tell the coefficients apart."""
    count, terms = design.shape
    what = "the data cannot carry a model of rate against composition: "
    if count < terms + _FEWEST_SPARE:
        msg = f"{what}{count} blends for {terms} coefficients"
        raise DataError(
            msg,
            expected=f"at least {terms + _FEWEST_SPARE}",
            hint="compare formulations with the baseline instead",
        )
    still = [n for n, column in zip(ingredients, x.T, strict=True) if np.ptp(column) < _LEAST_RANGE]
    if still:
        msg = f"{what}the fraction of {', '.join(still)} is the same in all blends"
        raise DataError(
            msg,
            expected="every fraction moved by 0.5 % of the whole or more",
            hint="compare formulations with the baseline instead",
        )
    inflations = _inflations(x, design)
    names = (*ingredients, *process_names)
    worst = int(np.argmax(inflations))
    if inflations[worst] > _MOST_INFLATION:
        msg = (
            f"{what}{names[worst]} moves together with the others, so that what it does cannot be "
            "told from what they do"
        )
        raise DataError(
            msg,
            expected="blends that move each ingredient by itself",
            hint="add blends in which it changes while the others keep their proportions",
        )


def _inflations(x: Array, design: Array) -> Array:
    """By how much each term's variance grows since the others move with it.

    One fraction always follows from the rest, so an ingredient is judged against all ingredients
    but one, that one being the most abundant.
    """
    slack = int(np.argmax(x.mean(axis=0)))
    centred = design - design.mean(axis=0)
    free = [i for i in range(design.shape[1]) if i != slack]
    found = np.ones(design.shape[1])
    for i in free:
        others = [j for j in free if j != i]
        target = centred[:, i]
        spread = float(target @ target)
        if not others or spread == 0:
            continue
        fitted = centred[:, others] @ np.linalg.lstsq(centred[:, others], target, rcond=None)[0]
        left = float((target - fitted) @ (target - fitted))
        found[i] = math.inf if left <= 1e-12 * spread else spread / left
    return found
