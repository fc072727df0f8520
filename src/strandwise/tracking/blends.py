"""Measured blends beside the blending model: what one ingredient does while the rest stays."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from strandwise.tracking.mixture import MixtureFit

    Array = NDArray[np.float64]

__all__ = ["BlendLines", "BlendPoint", "ExchangeLine", "MeasuredBlend", "exchange_lines"]

_POINTS = 41
_BEYOND = 0.25  # of the range tested, that is shown past either end


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasuredBlend:
    """Burn rate of one batch at the pressure of the decision, and what it consists of.

    Parameters
    ----------
    batch, formulation
        Names.
    fractions
        Mass fractions; an ingredient that is not named is not in it.
    rate, ci95
        m/s; the 95 % interval None where two tests leave none.
    """

    batch: str
    formulation: str
    fractions: Mapping[str, float]
    rate: float
    ci95: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class BlendPoint:
    """One batch beside a line: the fraction of its ingredient, and the rate (m/s) with 95 %."""

    batch: str
    formulation: str
    fraction: float
    rate: float
    ci95: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class ExchangeLine:
    """Rate by the model while one ingredient takes the place of another, the rest at its mean.

    Parameters
    ----------
    more, less
        What is put in, and what gives way.
    tested
        Least and greatest fraction of `more` among the blends; outside of it the model says
        nothing.
    fractions, rate, low, high
        The line and the ends of its 95 % band, m/s.
    points
        The blends, moved along the model to the mean of all other ingredients; how far one lies
        off the line is how far its rate lies off the model.
    """

    more: str
    less: str
    tested: tuple[float, float]
    fractions: tuple[float, ...]
    rate: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    points: tuple[BlendPoint, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class BlendLines:
    """A blending model as lines.

    Parameters
    ----------
    lines
        One for each ingredient but the most abundant, which gives way.
    modelled
        Rate of each blend by the model, m/s.
    """

    lines: tuple[ExchangeLine, ...]
    modelled: tuple[float, ...]


def exchange_lines(fit: MixtureFit, blends: Sequence[MeasuredBlend]) -> BlendLines:
    """Lines of a model of ln(rate) over each ingredient, with the blends that it was fitted to.

    The points are what regression calls component plus residual.

    Parameters
    ----------
    fit
        Without process variables; its response is ln of a rate in m/s.
    blends
        Those that it was fitted to.
    """
    names = [term.name for term in fit.ingredients]
    coefficients = np.array([term.coefficient for term in fit.ingredients])
    covariance = np.array(fit.covariance)
    fractions = np.array([[blend.fractions.get(name, 0.0) for name in names] for blend in blends])
    modelled = fractions @ coefficients
    middle = fractions.mean(axis=0)
    away = names.index(fit.most_abundant)
    quantile = float(stdtrit(fit.degrees_of_freedom, 0.975))
    lines = []
    for place, name in enumerate(names):
        if place == away:
            continue
        low, high = fit.ranges[name]
        room = _BEYOND * (high - low)
        grid = np.linspace(
            max(low - room, 0.0), min(high + room, middle[place] + middle[away]), _POINTS
        )
        mixes = _exchanged(middle, place, away, grid)
        means = mixes @ coefficients
        half = quantile * np.sqrt(np.einsum("ij,jk,ik->i", mixes, covariance, mixes))
        on_line = _exchanged(middle, place, away, fractions[:, place]) @ coefficients
        lines.append(
            ExchangeLine(
                more=name,
                less=fit.most_abundant,
                tested=(low, high),
                fractions=tuple(grid.tolist()),
                rate=tuple(np.exp(means).tolist()),
                low=tuple(np.exp(means - half).tolist()),
                high=tuple(np.exp(means + half).tolist()),
                points=tuple(
                    _moved(blend, float(fractions[row, place]), float(on_line[row] - modelled[row]))
                    for row, blend in enumerate(blends)
                ),
            )
        )
    return BlendLines(lines=tuple(lines), modelled=tuple(np.exp(modelled).tolist()))


def _exchanged(middle: Array, place: int, away: int, fractions: Array) -> Array:
    """The mean blend with so much of one ingredient, another one giving way."""
    mixes = np.tile(middle, (fractions.size, 1))
    mixes[:, place] = fractions
    mixes[:, away] += middle[place] - fractions
    return mixes


def _moved(blend: MeasuredBlend, fraction: float, shift: float) -> BlendPoint:
    factor = math.exp(shift)
    ends = blend.ci95
    return BlendPoint(
        batch=blend.batch,
        formulation=blend.formulation,
        fraction=fraction,
        rate=blend.rate * factor,
        ci95=None if ends is None else (ends[0] * factor, ends[1] * factor),
    )
