"""Maximum expected operating pressure (MEOP): everything off at once towards a higher pressure.

The stack-up of an open course (its exam C1): the nominal peak times one factor for each cause. Here
each factor is what the cause does alone where it stands at the value that one motor in a hundred
exceeds. Causes that are independent hardly ever meet so: the product lies above the 99 % of the
draws, which lets them meet as chance has it. It is an estimate from small samples, and no pressure
that a motor may be fired at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.forecast.outcome import MotorVariation, burn_motor
from strandwise.motor import HIGHEST_PRESSURE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.forecast.design import MotorDesign, Tolerances
    from strandwise.forecast.laws import DrawnLaw, LawSource

    Floats = NDArray[np.float64]

__all__ = ["LEVEL", "GreatestPressure", "PressureFactor", "greatest_pressure"]

LEVEL = 0.99
"""Share of the motors that stay below the value at which each cause is taken."""

_AWAY = 2.3263478740408408  # standard deviations that a share `LEVEL` of normal values stays below
_SIZES = ("core_diameter", "outer_diameter", "length")
_ROUNDS = 40
_LARGEST_MOVE = 1.0
_AT_REST = 1e-9


@dataclass(frozen=True, slots=True)
class PressureFactor:
    """What one cause does to the peak pressure.

    Parameters
    ----------
    cause
        ``hot``, ``burn rate``, ``throat``, ``density``, ``c*`` or ``grain``.
    factor
        On the peak pressure; None where nothing bounds it.
    """

    cause: str
    factor: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class GreatestPressure:
    """The stack-up; absolute pressures, Pa.

    Parameters
    ----------
    nominal
        Peak of the motor as drawn, with the law as estimated (the segmented law: with the drawn
        law of the middle peak); None where nothing bounds it.
    factors
        By cause; those without a known uncertainty are left out.
    value
        The product of all; None where one has no bound.
    share_above
        Of the draws of the forecast: those whose peak is above it.
    hottest
        Propellant temperature of the factor ``hot``, K; None where there is none.
    """

    nominal: float | None
    factors: tuple[PressureFactor, ...]
    value: float | None
    share_above: float
    hottest: float | None


def greatest_pressure(
    design: MotorDesign,
    source: LawSource,
    drawn: DrawnLaw,
    peaks: Floats,
    *,
    temperature: float | None = None,
) -> GreatestPressure:
    """Stack up what raises the peak pressure of a motor.

    Parameters
    ----------
    design, source
        The motor, and what the tests say of the propellant.
    drawn
        Laws that the tests do not rule out, as the forecast drew them.
    peaks
        Peak pressures of the draws of the forecast, Pa, shape (draws,).
    temperature
        Of the propellant, K, to which the law is taken; None: as the tests were.

    Returns
    -------
    GreatestPressure
    """
    law, with_each = _estimate(design, source, drawn, temperature)
    hottest = _hottest(design, source, temperature)
    hotter = 0.0
    if hottest is not None:
        hotter = _warming(source, hottest, _AWAY) - _warming(source, temperature, 0.0)
    single, causes = _one_by_one(design.tolerances)
    number = len(causes) + 2
    shifts = np.zeros(number)
    shifts[1] = hotter
    laws = law.picked(np.zeros(number, dtype=np.intp)).faster(shifts)
    found = burn_motor(design, laws, _padded(single, number)).peak_pressure
    nominal = float(found[0])
    raised: dict[str, float] = {} if hottest is None else {"hot": float(found[1])}
    if with_each is None:
        with_each = _peaks_of(drawn, law, nominal)
    raised["burn rate"] = float(np.quantile(with_each, LEVEL, method="higher"))
    grain: dict[str, float] = {}
    for (cause, size), peak in zip(causes, found[2:], strict=True):
        if cause == "grain":
            grain[size] = max(grain.get(size, 0.0), float(peak))
        else:
            raised[cause] = float(peak)
    if grain:
        raised["grain"] = nominal * math.prod(peak / nominal for peak in grain.values())
    factors = tuple(
        PressureFactor(cause, peak / nominal if math.isfinite(peak / nominal) else None)
        for cause, peak in raised.items()
    )
    value = None
    if math.isfinite(nominal) and all(one.factor is not None for one in factors):
        value = nominal * math.prod(one.factor or 1.0 for one in factors)
    return GreatestPressure(
        nominal=nominal if math.isfinite(nominal) else None,
        factors=factors,
        value=value,
        share_above=float((peaks > (math.inf if value is None else value)).mean()),
        hottest=hottest,
    )


def _estimate(
    design: MotorDesign, source: LawSource, drawn: DrawnLaw, temperature: float | None
) -> tuple[DrawnLaw, Floats | None]:
    """The law as estimated, and the peaks with each drawn law where those had to be burnt.

    A segmented law jumps from one steady pressure to another, and the mean of its members is none
    of them: the law of the middle peak stands for it, and every draw is burnt.
    """
    if source.members is None:
        warming = _warming(source, temperature, 0.0)
        return source.nominal.faster(np.array([warming])), None
    peaks = burn_motor(design, drawn).peak_pressure
    middle = np.argsort(peaks)[peaks.size // 2]
    return drawn.picked(np.array([middle])), peaks


def _hottest(design: MotorDesign, source: LawSource, temperature: float | None) -> float | None:
    if source.sigma_p is None or source.reference_temperature is None:
        return None
    usual = source.reference_temperature if temperature is None else temperature
    high = design.temperature_high
    return high if high is not None and high > usual else None


def _warming(source: LawSource, temperature: float | None, away: float) -> float:
    """Ln of what the temperature does to the rate, `away` standard deviations of σ_p above it."""
    if temperature is None or source.sigma_p is None or source.reference_temperature is None:
        return 0.0
    sensitivity = source.sigma_p + away * source.sigma_p_sd
    return sensitivity * (temperature - source.reference_temperature)


def _one_by_one(off: Tolerances) -> tuple[dict[str, Floats], list[tuple[str, str]]]:
    """Variations in which one thing alone is off, and what each is: (cause, size)."""
    causes: list[tuple[str, str]] = []
    values: dict[str, list[float]] = {
        "throat_diameter": [],
        "density": [],
        "characteristic_velocity": [],
        **{size: [] for size in _SIZES},
    }

    def add(name: str, cause: str, sign: float) -> None:
        sd = getattr(off, name)
        if sd > 0.0:
            causes.append((cause, name))
            for other, column in values.items():
                column.append(sign * _AWAY * sd if other == name else 0.0)

    add("throat_diameter", "throat", -1.0)
    add("density", "density", 1.0)
    add("characteristic_velocity", "c*", 1.0)
    for size in _SIZES:
        # Which way raises the pressure depends on the grain: the higher of the two counts.
        add(size, "grain", 1.0)
        add(size, "grain", -1.0)
    return {name: np.array(column) for name, column in values.items()}, causes


def _padded(values: dict[str, Floats], number: int) -> MotorVariation:
    """The variations behind as many motors that are as drawn."""

    def behind(name: str) -> Floats:
        return np.concatenate([np.zeros(number - values[name].size), values[name]])

    sizes = {size: behind(size) for size in _SIZES if np.any(values[size])}
    return MotorVariation(
        throat_diameter=behind("throat_diameter"),
        sizes=sizes,
        density=behind("density"),
        characteristic_velocity=behind("characteristic_velocity"),
        thrust_efficiency=np.zeros(()),
    )


def _peaks_of(drawn: DrawnLaw, law: DrawnLaw, nominal: float) -> Floats:
    """Peak pressure of the motor as drawn with each law, Pa; infinite where nothing bounds it.

    The peak of a neutral burn is steady: ln r(P) − ln P keeps what it is for the law as estimated.
    """
    if not math.isfinite(nominal):
        return np.full(drawn.ln_r0.size, np.inf)
    start = math.log(nominal)
    balance = start - float(law.log_rate(np.array([start]))[0])
    y = np.full(drawn.ln_r0.size, start)
    for _ in range(_ROUNDS):
        excess = drawn.log_rate(y) + balance - y
        steep = np.maximum(1.0 - drawn.slope(y), 1e-6)
        move = np.clip(excess / steep, -_LARGEST_MOVE, _LARGEST_MOVE)
        y = np.minimum(y + move, math.log(HIGHEST_PRESSURE))
        if float(np.abs(move).max()) < _AT_REST:
            break
    bounded = (np.abs(drawn.log_rate(y) + balance - y) < 1e-6) & (drawn.slope(y) < 1.0)
    return np.where(bounded, np.exp(y), np.inf)
