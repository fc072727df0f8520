"""Burn rates taken to one temperature of the propellant, where that is asked for."""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.ratelaw import (
    Normalisation,
    normalised,
    pressure_sensitivity,
    temperature_reason,
)
from strandwise.units import digits_text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from strandwise.ratelaw import RateFit, RateSeries
    from strandwise.reduction import RatePoint
    from strandwise.units import Wording

__all__ = ["AtTemperature", "points_at"]

_SAME = 0.5  # K; a rate moves by 0.1 % over it at 0.2 % per kelvin (common practice, no source)
_STEEPEST = 0.02  # 1/K; as in a motor's file
_LAW_PARAMETERS = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class AtTemperature:
    """A temperature that rates are wanted at.

    Parameters
    ----------
    temperature
        K.
    sigma_p
        Known relative rise of the rate per kelvin, 1/K, for batches whose tests do not tell their
        own; None where none is stated.

    Raises
    ------
    RequestError
        A temperature not above absolute zero, or a sensitivity that no propellant has.
    """

    temperature: float
    sigma_p: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.temperature) and self.temperature > 0.0):
            msg = f"rates are wanted at {self.temperature!r} K"
            raise RequestError(msg, expected="a temperature above absolute zero")
        if self.sigma_p is not None and not 0.0 <= self.sigma_p <= _STEEPEST:
            msg = f"a temperature sensitivity of {100.0 * self.sigma_p:g} % per kelvin"
            raise RequestError(
                msg, expected='0 to 2 % of the burn rate per kelvin, such as "0.2 %"'
            )

    def fitter(self, fitter: Callable[..., list[RateFit]]) -> Callable[..., list[RateFit]]:
        """What fits, giving rates at the temperature where a batch's tests tell their own σ_p."""
        return functools.partial(fitter, reference_temperature=self.temperature)

    def readings(self, series: RateSeries) -> RateSeries:
        """Readings taken to the temperature by the stated σ_p; as they are where they are not."""
        if self._by_stated(series) and self.sigma_p is not None:
            return normalised(series, self.temperature, self.sigma_p)
        return series

    def told(self, fit: RateFit, series: RateSeries) -> RateFit:
        """The fit with what was done to its readings, and what could not be.

        Parameters
        ----------
        fit
            Of `readings`, by `fitter`.
        series
            As measured.
        """
        there = series.wording.warmth(self.temperature)
        if fit.temperature is not None:
            return self._with_own(fit, series.wording)
        if self._by_stated(series) and self.sigma_p is not None:
            return self._with_stated(fit, series, self.sigma_p, there)
        if self._off(series) <= _SAME:
            return fit
        caution = Caution(
            "not-normalised",
            f"not taken to {there}: {self._why_not(series)}; the rates are as tested",
        )
        return dataclasses.replace(fit, cautions=(*fit.cautions, caution))

    def _by_stated(self, series: RateSeries) -> bool:
        known = bool(np.isfinite(series.temperature).all())
        tells_own = not temperature_reason(series, _LAW_PARAMETERS)
        return self.sigma_p is not None and known and not tells_own and self._off(series) > _SAME

    def _off(self, series: RateSeries) -> float:
        """K from the temperature to the test that is farthest; infinite where one is not known."""
        off = np.abs(series.temperature - self.temperature)
        return float(np.max(np.where(np.isfinite(off), off, np.inf)))

    def _why_not(self, series: RateSeries) -> str:
        missing = ~np.isfinite(series.temperature)
        if missing.any():
            return f"the temperature of test {series.tests[int(np.argmax(missing))]} is not known"
        return (
            "the tests do not tell how the rate changes with temperature, and no value of that is "
            "stated (--sigma-p)"
            if self.sigma_p is None
            else "the law fitted does not allow for the temperature"
        )

    def _with_own(self, fit: RateFit, say: Wording) -> RateFit:
        effect, there = fit.temperature, say.warmth(self.temperature)
        if effect is None:
            return fit
        cautions = fit.cautions
        low, high = effect.span
        if not low - _SAME <= self.temperature <= high + _SAME:
            caution = Caution(
                "temperature-extrapolated",
                f"{there} lies outside the {say.warmth(low)} to {say.warmth(high)} of the tests: "
                "that the rate changes there as it did between them is taken on trust",
            )
            cautions = (*cautions, caution)
        if self.sigma_p is not None:
            ends = effect.sigma_p_ci95
            agree = ends[0] <= self.sigma_p <= ends[1]
            caution = Caution(
                "sigma-p-not-used",
                f"the stated {100.0 * self.sigma_p:.3g} % per kelvin is not used, as the tests "
                f"tell their own, which {'agrees' if agree else 'does not agree'} with it",
            )
            cautions = (*cautions, caution)
        done = Normalisation(
            temperature=self.temperature, sigma_p=effect.sigma_p, pi_k=effect.pi_k, stated=False
        )
        return dataclasses.replace(fit, normalised=done, cautions=cautions)

    def _with_stated(self, fit: RateFit, series: RateSeries, sigma_p: float, there: str) -> RateFit:
        pi_k = None
        if fit.n is not None and fit.n < 1.0:
            pi_k = pressure_sensitivity(sigma_p, fit.n)
        done = Normalisation(temperature=self.temperature, sigma_p=sigma_p, pi_k=pi_k, stated=True)
        low, high = float(series.temperature.min()), float(series.temperature.max())
        say = series.wording
        moved = 100.0 * self._off(series) * sigma_p
        caution = Caution(
            "sigma-p-stated",
            f"readings at {say.warmth(low)} to {say.warmth(high)} are taken to {there} by the "
            f"stated {100.0 * sigma_p:.3g} % per kelvin, at most {digits_text(moved)} % of the "
            "rate; how far that value may be off is not in the intervals",
        )
        return dataclasses.replace(fit, normalised=done, cautions=(*fit.cautions, caution))


def points_at(points: Sequence[RatePoint], fits: Sequence[RateFit]) -> list[RatePoint]:
    """Points as they would have been at the temperature that their laws are for.

    Parameters
    ----------
    points
        Of the batches, or of the formulations, that were fitted.
    fits
        Of them; points of a fit that was not taken to a temperature stay as they are.
    """
    done = {fit.label: fit.normalised for fit in fits}
    out = []
    for point in points:
        to = done.get(point.batch) or done.get(point.formulation)
        if to is None or point.temperature is None:
            out.append(point)
            continue
        factor = math.exp(to.sigma_p * (to.temperature - point.temperature))
        changed: dict[str, Any] = {"rate": point.rate * factor}
        if point.rate_sd is not None:
            changed["rate_sd"] = point.rate_sd * factor
        out.append(dataclasses.replace(point, **changed))
    return out
