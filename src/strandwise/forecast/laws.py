"""Burn-rate laws as draws: what a campaign's tests leave open, one law a draw."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri, ndtr, ndtri

from strandwise.errors import DataError
from strandwise.ratelaw import LAWS, RateLaw

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["BatchSpread", "DrawnLaw", "LawMembers", "LawSource", "MethodOffset", "draw_law"]

# No draw leaves the estimate by more than this in ln r (a factor of 12) or n: one or two degrees
# of freedom have tails that no propellant has, and what lies there is beyond any case anyway.
_MOST = 2.5
_QUANTILES = np.linspace(-6.0, 6.0, 1201)


@dataclass(frozen=True, kw_only=True, slots=True)
class BatchSpread:
    """How batches of one formulation differ, in level (ln r) or in exponent.

    Parameters
    ----------
    sd
        Standard deviation from batch to batch, as estimated.
    df
        Degrees of freedom that batches leave for it.
    noise_sd
        Standard deviation of one batch's own estimate, from its tests' scatter alone.
    """

    sd: float
    df: float
    noise_sd: float = 0.0

    def draw(self, chi_square: Floats) -> Floats:
        """Standard deviations that the batches do not rule out, of the shape of `chi_square`.

        The mean square between batches, σ_b² + σ_w²/m, over its chi-square, less the tests' part
        (generalised inference on a variance component, Weerahandi, JASA 88 (1993) 899, from
        memory): few batches that agree by luck do not show that batches agree.
        """
        whole = self.sd**2 + self.noise_sd**2
        part = whole * self.df / chi_square - self.noise_sd**2
        return np.asarray(np.sqrt(np.maximum(part, 0.0)))


@dataclass(frozen=True, kw_only=True, slots=True)
class MethodOffset:
    """How much faster motors read than strands: ln(firing/strand), where it is not in the law yet.

    Parameters
    ----------
    value, sd, df
        Estimate, standard error and degrees of freedom.
    """

    value: float
    sd: float
    df: float


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class LawMembers:
    """A segmented law as members of equal weight, x = ln(P/P0).

    Parameters
    ----------
    breaks
        Shape (members, m), ascending.
    coefficients
        Of 1, x and x beyond each break, shape (members, 2 + m).
    covariances
        Shape (members, 2 + m, 2 + m).
    df
        Of each member's Student's t.
    """

    breaks: Floats
    coefficients: Floats
    covariances: Floats
    df: float


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class LawSource:
    """What the tests say of the burn rate of the propellant of one motor; SI.

    Parameters
    ----------
    formulation
        Its name.
    law
        Name of the law.
    reference_pressure
        P0, Pa.
    ln_r0, n
        Of the motor's propellant at P0 (m/s): the offset of the method is in it, unless `offset`
        has it.
    covariance
        Of (ln r0, n), without the new batch's own effect, shape (2, 2).
    df
        Degrees of freedom of the two.
    pressure_range
        Lowest and highest absolute pressure tested, Pa.
    batches, strands, firings
        How many of the formulation were tested.
    as_motor
        Whether the level is that of a motor, and not of strands for want of an offset.
    members
        For the segmented law, in place of ln_r0, n and covariance.
    batch_spread, slope_spread
        Of the level and of the exponent; None where the tests do not tell it, or where the motor
        is of a batch that was tested.
    spread_at
        ln(P/P0) at which a batch's level and exponent vary independently.
    own_batch
        Covariance of (ln r0, n) that is left of a tested batch's own effect, shape (2, 2); None
        for a new batch.
    offset
        Of the motors against the strands, where the law is of strands alone.
    test_sd
        Scatter of ln r of one more test, for predictions of measured firings; 0 for a forecast.
    sigma_p, sigma_p_sd
        Relative rise of the rate per kelvin, 1/K; None where not known.
    reference_temperature, temperature_range
        Of the tests, K; None where not recorded.
    firings_left_out
        Tests of the formulation's firings that take no part.
    """

    formulation: str
    law: str
    reference_pressure: float
    ln_r0: float
    n: float
    covariance: Floats
    df: tuple[float, float]
    pressure_range: tuple[float, float]
    batches: int
    strands: int
    firings: int
    as_motor: bool = True
    members: LawMembers | None = None
    batch_spread: BatchSpread | None = None
    slope_spread: BatchSpread | None = None
    spread_at: float = 0.0
    own_batch: Floats | None = None
    offset: MethodOffset | None = None
    test_sd: float = 0.0
    sigma_p: float | None = None
    sigma_p_sd: float = 0.0
    reference_temperature: float | None = None
    temperature_range: tuple[float, float] | None = None
    firings_left_out: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.law not in LAWS and self.members is None:
            msg = f"a forecast by the law {self.law!r} without its members"
            raise DataError(msg, expected=f"one of {', '.join(LAWS)}, or a segmented law")
        if not self.reference_pressure > 0.0:
            msg = f"a reference pressure of {self.reference_pressure:g} Pa"
            raise DataError(msg, expected="above 0")

    def shifted(self, log_factor: float) -> LawSource:
        """The same propellant burning faster by a factor, ln of it given."""
        members = self.members
        if members is not None:
            moved = members.coefficients.copy()
            moved[:, 0] += log_factor
            members = replace(members, coefficients=moved)
        return replace(self, ln_r0=self.ln_r0 + log_factor, members=members)

    @property
    def nominal(self) -> DrawnLaw:
        """The law without what the tests leave open, as one draw."""
        shift = 0.0 if self.offset is None else self.offset.value
        base = np.array([self.ln_r0 + shift])
        if self.members is None:
            return DrawnLaw(self.law, self.reference_pressure, base, np.array([self.n]))
        mean = self.members.coefficients.mean(axis=0, keepdims=True)
        breaks = self.members.breaks.mean(axis=0, keepdims=True)
        return _segmented(self.reference_pressure, mean, breaks, np.array([shift]))


@dataclass(frozen=True, eq=False, slots=True)
class DrawnLaw:
    """Laws of all draws, evaluated at one pressure each.

    Parameters
    ----------
    law
        Name.
    reference_pressure
        P0, Pa.
    ln_r0, n
        Shape (draws,); of a segmented law ln r at P0 left of all breaks, and the first exponent.
    breaks, bends
        Of a segmented law: x of each break and the change of exponent there, shape (m, draws).
    """

    law: str
    reference_pressure: float
    ln_r0: Floats
    n: Floats
    breaks: Floats | None = None
    bends: Floats | None = None

    def log_rate(self, log_pressure: Floats) -> Floats:
        """Ln r (m/s) at ln P (Pa), both of shape (draws,)."""
        x = log_pressure - math.log(self.reference_pressure)
        if self.breaks is not None and self.bends is not None:
            value = self.ln_r0 + self.n * x
            for at, bend in zip(self.breaks, self.bends, strict=True):
                value += bend * np.maximum(x - at, 0.0)
            return np.asarray(value)
        if self.law == "power":
            return np.asarray(self.ln_r0 + self.n * x)
        return np.asarray(self.ln_r0 + self._declared.log_shape(x, self.n), dtype=np.float64)

    def slope(self, log_pressure: Floats) -> Floats:
        """Local exponent d ln r/d ln P at ln P (Pa), shape (draws,)."""
        if self.law == "power":
            return self.n
        x = log_pressure - math.log(self.reference_pressure)
        if self.breaks is not None and self.bends is not None:
            value = self.n + np.zeros_like(x)
            for at, bend in zip(self.breaks, self.bends, strict=True):
                value += bend * (x > at)
            return np.asarray(value)
        # A complex step, as `RateLaw.log_slope`, which takes one n for all.
        step = 1e-30
        shaped = self._declared.log_shape(x + 1j * step, self.n)
        return np.asarray(np.imag(shaped) / step, dtype=np.float64)

    @property
    def _declared(self) -> RateLaw:
        return LAWS[self.law]

    def faster(self, log_factor: Floats) -> DrawnLaw:
        """The laws with ln r raised by so much, shape (draws,)."""
        return DrawnLaw(
            self.law,
            self.reference_pressure,
            np.asarray(self.ln_r0 + log_factor),
            self.n,
            self.breaks,
            self.bends,
        )

    def picked(self, which: NDArray[np.intp]) -> DrawnLaw:
        """Some of the draws."""
        return DrawnLaw(
            self.law,
            self.reference_pressure,
            self.ln_r0[which],
            self.n[which],
            None if self.breaks is None else self.breaks[:, which],
            None if self.bends is None else self.bends[:, which],
        )


def draw_law(
    source: LawSource, draws: int, rng: Generator, temperature: float | None = None
) -> DrawnLaw:
    """Draw laws that the tests do not rule out, each of a new batch.

    Parameters
    ----------
    source
        What the tests say.
    draws
        How many.
    rng
        Where the randomness comes from.
    temperature
        Of the propellant, K; None: as the tests were.

    Raises
    ------
    DataError
        A temperature is asked for and nothing is known of its effect.
    """
    normals = rng.standard_normal((8, draws))
    level_df, exponent_df = source.df
    # The level and the new batch rest on the same few batches: they are unsure together.
    tail, tilted = rng.random(draws), rng.random(draws)
    shift, tilt = source.test_sd * normals[3], np.zeros(draws)
    if source.own_batch is not None:
        left = _root(source.own_batch) @ normals[5:7]
        shift, tilt = shift + left[0], tilt + left[1]
    if source.batch_spread is not None:
        shift += source.batch_spread.draw(chi_squared(source.batch_spread.df, tail)) * normals[2]
    if source.slope_spread is not None:
        turn = source.slope_spread.draw(chi_squared(source.slope_spread.df, tilted)) * normals[7]
        tilt, shift = tilt + turn, shift - turn * source.spread_at
    if source.offset is not None:
        offset = source.offset
        student = normals[4] * np.sqrt(offset.df / rng.chisquare(offset.df, draws))
        shift += offset.value + offset.sd * student
    if temperature is not None:
        shift += _warming(source, temperature, draws, rng)
    shift, tilt = np.clip(shift, -_MOST, _MOST), np.clip(tilt, -_MOST, _MOST)
    if source.members is not None:
        return _draw_members(source, source.members, draws, rng, (shift, tilt))
    root = _root(source.covariance)
    z = root @ normals[:2]
    level = np.clip(z[0] * np.sqrt(level_df / chi_squared(level_df, tail)), -_MOST, _MOST)
    slope = np.clip(z[1] * np.sqrt(exponent_df / chi_squared(exponent_df, tilted)), -_MOST, _MOST)
    return DrawnLaw(
        source.law,
        source.reference_pressure,
        source.ln_r0 + level + shift,
        source.n + slope + tilt,
    )


def chi_squared(df: float, tail: Floats) -> Floats:
    """Chi-squared values of `df` degrees of freedom that are exceeded with these probabilities.

    From a table over the normal quantile, which is several times as fast as one by one: within
    3e-5 of each value; probabilities within 1e-9 of 0 and 1 are taken for that.
    """
    logs = np.log(chdtri(df, ndtr(_QUANTILES)))
    return np.asarray(np.exp(np.interp(ndtri(tail), _QUANTILES, logs)))


def _warming(source: LawSource, temperature: float, draws: int, rng: Generator) -> Floats:
    if source.sigma_p is None or source.reference_temperature is None:
        msg = f"a forecast at {temperature - 273.15:.1f} °C, and the tests do not tell how the "
        msg += "rate changes with temperature"
        raise DataError(
            msg,
            hint="test at temperatures more than 10 K apart, or state temperature_sensitivity "
            "in the motor's file",
        )
    sensitivity = source.sigma_p + source.sigma_p_sd * rng.standard_normal(draws)
    return np.asarray(sensitivity * (temperature - source.reference_temperature))


def _root(covariance: Floats) -> Floats:
    """L with L Lᵀ the covariance, which may be singular; lower triangular."""
    v00, v01, v11 = covariance[0, 0], covariance[0, 1], covariance[1, 1]
    first = math.sqrt(max(v00, 0.0))
    across = v01 / first if first > 0.0 else 0.0
    return np.array([[first, 0.0], [across, math.sqrt(max(v11 - across**2, 0.0))]])


def _draw_members(
    source: LawSource,
    members: LawMembers,
    draws: int,
    rng: Generator,
    off: tuple[Floats, Floats],
) -> DrawnLaw:
    chosen = rng.integers(members.coefficients.shape[0], size=draws)
    size = members.coefficients.shape[1]
    values, vectors = np.linalg.eigh(members.covariances)
    roots = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    normals = rng.standard_normal((draws, size))
    scale = np.sqrt(members.df / rng.chisquare(members.df, draws))
    moved = np.einsum("dij,dj->di", roots[chosen], normals) * scale[:, None]
    moved = np.clip(moved, -_MOST, _MOST)
    coefficients = members.coefficients[chosen] + moved
    coefficients[:, 1] += off[1]
    return _segmented(source.reference_pressure, coefficients, members.breaks[chosen], off[0])


def _segmented(reference: float, coefficients: Floats, breaks: Floats, shift: Floats) -> DrawnLaw:
    return DrawnLaw(
        "segmented",
        reference,
        coefficients[:, 0] + shift,
        coefficients[:, 1],
        np.ascontiguousarray(breaks.T),
        np.ascontiguousarray(coefficients[:, 2:].T),
    )
