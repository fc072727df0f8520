"""What goes into a fit and what comes out: plain frozen records over arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from strandwise.errors import DataError
from strandwise.ratelaw.laws import law_named

if TYPE_CHECKING:
    import numpy.typing as npt

    from strandwise.findings import Caution

    FloatArray = npt.NDArray[np.float64]

__all__ = ["Coefficient", "FittedParameter", "RateBand", "RateEstimate", "RateFit", "RateSeries"]


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class RateSeries:
    """Burn rates of one batch, or of several pooled, that one law is fitted to.

    Arrays have shape (points,) and are copied and made read-only.

    Parameters
    ----------
    label
        The batch's name, or that of the pool.
    formulation
        Its formulation.
    tests
        Name of the test behind each point.
    pressure, rate
        Absolute pressure, Pa, and burn rate, m/s; all positive.
    pressure_sd, rate_sd
        Standard uncertainties, same units; NaN or 0 where unknown (stored as 0).
    kinds
        ``strand`` or ``firing`` for each point.

    Raises
    ------
    DataError
        Arrays of unlike length, or a value that no test can have.
    """

    label: str
    formulation: str
    tests: tuple[str, ...]
    pressure: FloatArray
    rate: FloatArray
    pressure_sd: FloatArray
    rate_sd: FloatArray
    kinds: tuple[str, ...]

    def __post_init__(self) -> None:
        for name in ("pressure", "rate", "pressure_sd", "rate_sd"):
            array = np.array(getattr(self, name), dtype=np.float64)
            if array.shape != (len(self.tests),):
                msg = f"{self.label}: {name} has shape {array.shape} for {len(self.tests)} tests"
                raise DataError(msg, expected=f"shape ({len(self.tests)},)")
            if name.endswith("_sd"):
                array[np.isnan(array)] = 0.0
                bad = ~(np.isfinite(array) & (array >= 0.0))
            else:
                bad = ~(np.isfinite(array) & (array > 0.0))
            if bad.any():
                first = int(np.argmax(bad))
                msg = f"{self.label}: {name} of test {self.tests[first]} is {float(array[first])}"
                raise DataError(msg, expected="a positive, finite number in SI units")
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        if len(self.kinds) != len(self.tests):
            msg = f"{self.label}: {len(self.kinds)} kinds for {len(self.tests)} tests"
            raise DataError(msg, expected="one kind a test")


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
    covariance
        Of (ln_r0, n), rows of a 2×2 matrix; None with fewer than three points.
    df
        Degrees of freedom: points less two.
    scatter
        τ, test-to-test standard deviation of ln r beyond the known uncertainties; where none is
        known, all of the scatter. 0.03 is about 3 % of the rate.
    residual_sd
        Standard deviation of ln r of one more test measured as these were; None as covariance.
    residuals, standardised_residuals, leverages
        For each point: ln of measured over fitted rate; the same over its own standard deviation;
        share of its own fitted value that the point decides (0 to 1). Standardised ones are 0
        where the line passes through the point because nothing else decides it.
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
    covariance: tuple[tuple[float, float], tuple[float, float]] | None = None
    df: int = 0
    scatter: float | None = None
    residual_sd: float | None = None
    residuals: tuple[float, ...] = ()
    standardised_residuals: tuple[float, ...] = ()
    leverages: tuple[float, ...] = ()
    cautions: tuple[Caution, ...] = ()

    @property
    def identified(self) -> bool:
        """Whether the points decide a law at all."""
        return self.n is not None

    def rate_at(self, pressure: float) -> RateEstimate:
        """Burn rate at one absolute pressure (Pa), with its 95 % interval.

        Raises
        ------
        DataError
            The fit has no law to evaluate, or the pressure is not positive.
        """
        band = self.band(np.array([pressure]))
        rate = float(band.rate[0])
        if self.covariance is None:
            return RateEstimate(pressure, rate, None, None, bool(band.extrapolated[0]))
        interval = (float(band.low[0]), float(band.high[0]))
        sd = rate * float(self._log_sd(np.array([pressure]))[0])
        return RateEstimate(pressure, rate, sd, interval, bool(band.extrapolated[0]))

    def band(self, pressures: FloatArray, level: float = 0.95) -> RateBand:
        """Law, confidence band and prediction band at pressures (Pa), shape (m,).

        Pointwise bands, formed on ln r: Student's t with `df` degrees of freedom.

        Raises
        ------
        DataError
            The fit has no law to evaluate, a pressure is not positive, or the level is not
            between 0 and 1.
        """
        ln_r0, n = self._law_values()
        p = np.array(pressures, dtype=np.float64)
        if not (np.isfinite(p) & (p > 0.0)).all():
            msg = f"{self.label}: a burn rate was asked for at {p.tolist()} Pa"
            raise DataError(msg, expected="positive absolute pressures in Pa")
        if not 0.0 < level < 1.0:
            msg = f"a band at level {level} was asked for"
            raise DataError(msg, expected="a level between 0 and 1, such as 0.95")
        log_rate = law_named(self.law).log_rate(np.log(p / self.reference_pressure), ln_r0, n)
        if self.covariance is None or self.residual_sd is None:
            half = new_half = np.full(p.shape, np.nan)
        else:
            quantile = float(stdtrit(self.df, 0.5 + level / 2.0))
            sd = self._log_sd(p)
            half, new_half = quantile * sd, quantile * np.hypot(sd, self.residual_sd)
        return RateBand(
            pressure=p,
            rate=np.exp(log_rate),
            low=np.exp(log_rate - half),
            high=np.exp(log_rate + half),
            new_low=np.exp(log_rate - new_half),
            new_high=np.exp(log_rate + new_half),
            extrapolated=self._outside(p),
            level=level,
        )

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
        (v00, v01), (_, v11) = self.covariance
        sd = math.sqrt(max(v00 - 2.0 * lever * v01 + lever * lever * v11, 0.0))
        half = float(stdtrit(self.df, 0.975)) * sd
        return Coefficient(math.exp(log_a), (math.exp(log_a - half), math.exp(log_a + half)))

    def _law_values(self) -> tuple[float, float]:
        if self.ln_r0 is None or self.n is None:
            msg = f"{self.label}: its {self.points} points do not decide a burn-rate law"
            raise DataError(msg, hint="see the fit's cautions for the test to add")
        return self.ln_r0, self.n

    def _log_sd(self, pressure: FloatArray) -> FloatArray:
        _, n = self._law_values()
        x = np.log(pressure / self.reference_pressure)
        gradient = law_named(self.law).log_gradient(x, n)
        variance = np.einsum("...i,ij,...j->...", gradient, np.array(self.covariance), gradient)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def _outside(self, pressure: FloatArray) -> npt.NDArray[np.bool_]:
        if self.pressure_range is None:
            return np.ones(pressure.shape, dtype=np.bool_)
        low, high = self.pressure_range
        # A rounding error at an end of the range is no extrapolation.
        return np.asarray((pressure < low * (1.0 - 1e-9)) | (pressure > high * (1.0 + 1e-9)))
