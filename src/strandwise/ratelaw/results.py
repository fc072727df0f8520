"""What comes out of a fit: plain frozen records over arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.errors import DataError
from strandwise.ratelaw.laws import law_named
from strandwise.ratelaw.mixture import segmented_log_rate

if TYPE_CHECKING:
    import numpy.typing as npt

    from strandwise.findings import Caution
    from strandwise.ratelaw.choice import LawChoice
    from strandwise.ratelaw.mixture import LawMixture
    from strandwise.ratelaw.temperature import Normalisation, TemperatureEffect

    FloatArray = npt.NDArray[np.float64]

__all__ = ["Coefficient", "FittedParameter", "RateBand", "RateEstimate", "RateFit"]


@dataclass(frozen=True, slots=True)
class FittedParameter:
    """One coefficient of a fitted law, SI units.

    `sd` and `ci95` (95 % confidence interval) are None where two points leave nothing to judge
    the scatter by.
    """

    name: str
    value: float
    sd: float | None
    ci95: tuple[float, float] | None
    unit: str


@dataclass(frozen=True, slots=True)
class RateEstimate:
    """Burn rate of a law at one pressure.

    Parameters
    ----------
    pressure, rate
        Pa, m/s.
    sd
        Standard uncertainty of the law's rate, m/s (first order); None without an interval.
    ci95
        95 % confidence interval of the law's rate, m/s; None where two points carry the fit.
    extrapolated
        True outside the pressures tested: the interval then assumes that the law holds there,
        which no test has shown.
    """

    pressure: float
    rate: float
    sd: float | None
    ci95: tuple[float, float] | None
    extrapolated: bool


@dataclass(frozen=True, eq=False, slots=True)
class RateBand:
    """A law and its bands along pressures; arrays of shape (pressures,), Pa and m/s.

    Parameters
    ----------
    pressure, rate
        Where, and the law there.
    low, high
        Confidence band: where the law itself lies at each pressure; NaN without an interval.
    new_low, new_high
        Prediction band: where one more test of the same batch, made and measured as these were,
        would fall; NaN without an interval.
    extrapolated
        True outside the pressures tested.
    level
        Of both bands, 0 to 1.
    """

    pressure: FloatArray
    rate: FloatArray
    low: FloatArray
    high: FloatArray
    new_low: FloatArray
    new_high: FloatArray
    extrapolated: npt.NDArray[np.bool_]
    level: float


@dataclass(frozen=True, slots=True)
class Coefficient:
    """The a of r = a·P^n in the units asked for, with its 95 % interval where there is one."""

    value: float
    ci95: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class RateFit:
    """A burn-rate law fitted to one series; SI units.

    Parameters
    ----------
    label, formulation, law
        What was fitted, by which law.
    tests
        Names of the tests, one for each point.
    points
        How many.
    pressure_range
        Lowest and highest absolute pressure tested, Pa; None without points.
    reference_pressure
        P0, absolute, Pa.
    parameters
        Customary coefficients of the law; empty where nothing could be fitted.
    n, n_sd, n_ci95
        Pressure exponent (for other laws than the power law: the local one at P0), its standard
        uncertainty and 95 % interval; None where not known.
    ln_r0
        Logarithm of the rate (m/s) at P0.
    theta
        What was estimated: (ln_r0, n) for a law of two parameters; (ln_r0, exponents from low to
        high pressure, ln of break pressures over P0) for the segmented law; then σ_p where it was
        fitted.
    covariance
        Of `theta`, rows of a square matrix; None with fewer than three points.
    df
        Degrees of freedom: points less estimated parameters.
    scatter
        τ, test-to-test standard deviation of ln r beyond the known uncertainties; where none is
        known, all of the scatter. 0.03 is about 3 % of the rate.
    residual_sd
        Standard deviation of ln r of one more test measured as these were; None as covariance.
    residuals, standardised_residuals, leverages
        For each point: ln of measured over fitted rate; the same over its own standard deviation;
        share of its own fitted value that the point decides (0 to 1). Standardised ones are 0
        where the line passes through the point because nothing else decides it.
    level
        Where all tests are at one pressure, which decides no law: the rate at that pressure.
    temperature
        What was found of the temperature; None where it was not fitted. All rates are then at
        its reference, unless another temperature is asked for.
    normalised
        Where the rates were asked for at a temperature: by what they were taken there.
    choice
        How the law was chosen; None where it was asked for.
    mixture
        For the segmented law: what its bands and intervals come from.
    stated_sds
        For each point: standard uncertainty of ln r by the stated ones of rate and pressure.
    cautions
        Reasons to trust it less.
    """

    label: str
    formulation: str
    law: str
    tests: tuple[str, ...]
    points: int
    pressure_range: tuple[float, float] | None
    reference_pressure: float
    parameters: tuple[FittedParameter, ...] = ()
    n: float | None = None
    n_sd: float | None = None
    n_ci95: tuple[float, float] | None = None
    ln_r0: float | None = None
    theta: tuple[float, ...] = ()
    covariance: tuple[tuple[float, ...], ...] | None = None
    df: int = 0
    scatter: float | None = None
    residual_sd: float | None = None
    residuals: tuple[float, ...] = ()
    standardised_residuals: tuple[float, ...] = ()
    leverages: tuple[float, ...] = ()
    stated_sds: tuple[float, ...] = ()
    level: RateEstimate | None = None
    temperature: TemperatureEffect | None = None
    normalised: Normalisation | None = None
    choice: LawChoice | None = None
    mixture: LawMixture | None = field(default=None, compare=False, repr=False)
    cautions: tuple[Caution, ...] = ()

    @property
    def identified(self) -> bool:
        """Whether the points decide a law at all."""
        return self.n is not None

    @property
    def breaks(self) -> tuple[FittedParameter, ...]:
        """Pressures at which a segmented law changes its exponent, Pa, ascending."""
        return tuple(one for one in self.parameters if one.unit == "Pa")

    @property
    def exponents(self) -> tuple[FittedParameter, ...]:
        """Exponents of a segmented law from low to high pressure; of the power law its one."""
        return tuple(one for one in self.parameters if one.unit == "1")

    def rate_at(self, pressure: float, temperature: float | None = None) -> RateEstimate:
        """Burn rate at one absolute pressure (Pa), with its 95 % interval.

        At a propellant temperature (K) where one is given, else at that of the fit.

        Raises
        ------
        DataError
            The fit has no law to evaluate, the pressure is not positive, or a temperature is
            given to a fit that found nothing of it.
        """
        band = self.band(np.array([pressure]), temperature=temperature)
        rate = float(band.rate[0])
        if self.covariance is None:
            return RateEstimate(pressure, rate, None, None, bool(band.extrapolated[0]))
        interval = (float(band.low[0]), float(band.high[0]))
        warmer = self._warmer(temperature)
        sd = rate * float(self._log_sd(np.array([pressure]), warmer)[0])
        return RateEstimate(pressure, rate, sd, interval, bool(band.extrapolated[0]))

    def band(
        self, pressures: FloatArray, level: float = 0.95, temperature: float | None = None
    ) -> RateBand:
        """Law, confidence band and prediction band at pressures (Pa), shape (m,).

        Pointwise bands, formed on ln r: Student's t with `df` degrees of freedom, for the
        segmented law quantiles of its mixture. Outside the pressures or the temperatures tested
        `extrapolated` is True.

        Raises
        ------
        DataError
            The fit has no law to evaluate, a pressure is not positive, the level is not
            between 0 and 1, or a temperature is given to a fit that found nothing of it.
        """
        self._law_values()
        p = np.array(pressures, dtype=np.float64)
        if not (np.isfinite(p) & (p > 0.0)).all():
            msg = f"{self.label}: a burn rate was asked for at {p.tolist()} Pa"
            raise DataError(msg, expected="positive absolute pressures in Pa")
        if not 0.0 < level < 1.0:
            msg = f"a band at level {level} was asked for"
            raise DataError(msg, expected="a level between 0 and 1, such as 0.95")
        warmer = self._warmer(temperature)
        x = np.log(p / self.reference_pressure)
        log_rate = self._log_rate(x, warmer)
        outside = self._outside(p) | self._outside_temperature(temperature)
        if self.mixture is not None:
            ends = self.mixture.band(x, level, warmer)
        elif self.covariance is None or self.residual_sd is None:
            ends = (np.full(p.shape, np.nan),) * 4
        else:
            quantile = float(stdtrit(self.df, 0.5 + level / 2.0))
            sd = self._log_sd(p, warmer)
            half, new_half = quantile * sd, quantile * np.hypot(sd, self.residual_sd)
            ends = (log_rate - half, log_rate + half, log_rate - new_half, log_rate + new_half)
        low, high, new_low, new_high = (np.exp(end) for end in ends)
        return RateBand(
            pressure=p,
            rate=np.exp(log_rate),
            low=low,
            high=high,
            new_low=new_low,
            new_high=new_high,
            extrapolated=outside,
            level=level,
        )

    def one_more_test(
        self, pressure: float, temperature: float | None = None
    ) -> tuple[float, float] | None:
        """Where one more test at an absolute pressure (Pa), made as these were, would fall.

        The 95 % prediction interval of its rate, m/s; None without an interval. At a propellant
        temperature (K) where one is given, else at that of the fit.

        Raises
        ------
        DataError
            As `band`.
        """
        band = self.band(np.array([pressure]), temperature=temperature)
        low, high = float(band.new_low[0]), float(band.new_high[0])
        return (low, high) if math.isfinite(low) and math.isfinite(high) else None

    def coefficient_a(self, rate_unit: float = 1e-3, pressure_unit: float = 1e6) -> Coefficient:
        """Convert to a of r = a·P^n in chosen units; its interval is from the full covariance.

        Parameters
        ----------
        rate_unit, pressure_unit
            The units in m/s and Pa: 1e-3 for mm/s, 1e6 for MPa.

        Raises
        ------
        DataError
            The fit has no law to evaluate, the law is not the power law, or a unit is not
            positive.
        """
        ln_r0, n = self._law_values()
        if self.law != "power":
            msg = f"{self.label}: the {self.law} law has no coefficient a of r = a·P^n"
            raise DataError(msg, expected="a fit of the power law")
        if not (rate_unit > 0.0 and pressure_unit > 0.0):
            msg = f"units of {rate_unit} m/s and {pressure_unit} Pa were asked for"
            raise DataError(msg, expected="positive sizes in m/s and Pa")
        lever = math.log(self.reference_pressure / pressure_unit)
        log_a = ln_r0 - n * lever - math.log(rate_unit)
        if self.covariance is None:
            return Coefficient(math.exp(log_a), None)
        (v00, v01), (_, v11) = (row[:2] for row in self.covariance[:2])
        sd = math.sqrt(max(v00 - 2.0 * lever * v01 + lever * lever * v11, 0.0))
        half = float(stdtrit(self.df, 0.975)) * sd
        return Coefficient(math.exp(log_a), (math.exp(log_a - half), math.exp(log_a + half)))

    def _law_values(self) -> tuple[float, float]:
        if self.ln_r0 is None or self.n is None:
            msg = f"{self.label}: its {self.points} points do not decide a burn-rate law"
            raise DataError(msg, hint="see the fit's cautions for the test to add")
        return self.ln_r0, self.n

    def _log_rate(self, x: FloatArray, warmer: float) -> FloatArray:
        ln_r0, n = self._law_values()
        shift = self.temperature.sigma_p * warmer if self.temperature is not None else 0.0
        if self.mixture is not None:
            return segmented_log_rate(x, np.array(self.theta)) + shift
        return law_named(self.law).log_rate(x, ln_r0, n) + shift

    def _log_sd(self, pressure: FloatArray, warmer: float) -> FloatArray:
        _, n = self._law_values()
        x = np.log(pressure / self.reference_pressure)
        if self.mixture is not None:
            return self.mixture.log_sd(x, warmer)
        gradient = law_named(self.law).log_gradient(x, n)
        if self.temperature is not None:
            gradient = np.concatenate([gradient, np.full((*x.shape, 1), warmer)], axis=-1)
        variance = np.einsum("...i,ij,...j->...", gradient, np.array(self.covariance), gradient)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def _warmer(self, temperature: float | None) -> float:
        if temperature is None:
            return 0.0
        if self.temperature is None:
            msg = f"{self.label}: a rate at {temperature} K was asked for, but its tests do not "
            msg += "tell how the rate changes with temperature"
            raise DataError(msg, hint="test at temperatures more than 10 K apart, and record them")
        if not (math.isfinite(temperature) and temperature > 0.0):
            msg = f"{self.label}: a burn rate was asked for at {temperature} K"
            raise DataError(msg, expected="a positive temperature in kelvin")
        return temperature - self.temperature.reference

    def _outside_temperature(self, temperature: float | None) -> bool:
        if self.temperature is None:
            return False
        low, high = self.temperature.span
        at = self.temperature.reference if temperature is None else temperature
        return not low - 1e-6 <= at <= high + 1e-6

    def _outside(self, pressure: FloatArray) -> npt.NDArray[np.bool_]:
        if self.pressure_range is None:
            return np.ones(pressure.shape, dtype=np.bool_)
        low, high = self.pressure_range
        # A rounding error at an end of the range is no extrapolation.
        return np.asarray((pressure < low * (1.0 - 1e-9)) | (pressure > high * (1.0 + 1e-9)))
