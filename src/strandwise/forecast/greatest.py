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
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from strandwise.forecast.design import MotorDesign, Tolerances
    from strandwise.forecast.laws import DrawnLaw, LawSource

    Floats = NDArray[np.float64]

__all__ = [
    "LEVEL",
    "GreatestPressure",
    "PressureFactor",
    "fastest_warming",
    "greatest_pressure",
]

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
        Of the draws of the forecast: those whose peak is above it; None without a value.
    hottest
        Propellant temperature of the factor ``hot``, K: the lowest where cold propellant burns
        faster; None where there is none.
    left_out
        What else would raise the pressure and is in no factor, since nothing is known of it.
    """

    nominal: float | None
    factors: tuple[PressureFactor, ...]
    value: float | None
    share_above: float | None
    hottest: float | None
    left_out: tuple[str, ...] = ()


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
    law = _estimate(design, source, drawn, temperature)
    hottest, hotter = _fastest(design, source, temperature)
    single, causes = _one_by_one(design.tolerances)
    number = len(causes) + 2
    shifts = np.zeros(number)
    shifts[1] = hotter
    laws = law.picked(np.zeros(number, dtype=np.intp)).faster(shifts)
    found = burn_motor(design, laws, _padded(single, number)).peak_pressure
    nominal = float(found[0])
    raised: dict[str, float] = {} if hottest is None else {"hot": float(found[1])}
    # About the motor as hot as it may be: an unsure exponent makes heat worse, and heat it.
    with_each = drawn.faster(np.full(drawn.ln_r0.size, hotter))
    if source.members is None and design.erosion is None:
        steady, hot = _peaks_of(with_each, law, nominal), law.faster(np.array([hotter]))
        about = float(_peaks_of(hot, law, nominal)[0])
    else:
        steady, about = burn_motor(design, with_each).peak_pressure, float(found[1])
    slow = math.isfinite(about) and math.isfinite(nominal)
    highest = float(np.quantile(steady, LEVEL, method="higher"))
    raised["burn rate"] = nominal * highest / about if slow else math.inf
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
        share_above=None if value is None else float((peaks > value).mean()),
        hottest=hottest,
        left_out=tuple(_left_out(design, source)),
    )


def _left_out(design: MotorDesign, source: LawSource) -> Iterator[str]:
    """What nothing is known of, in words."""
    if source.sigma_p is None or source.reference_temperature is None:
        yield "temperature (σ_p is not known)"
    elif design.temperature_high is None:
        yield "temperature (no temperature_high is stated)"
    if source.batch_spread is None and source.own_batch is None:
        yield "how batches differ"
    if not source.as_motor:
        yield "how motors differ from strands"
    off = design.tolerances
    if off.throat_diameter == 0.0:
        yield "throat"
    if off.density == 0.0:
        yield "density"
    if off.characteristic_velocity == 0.0:
        yield "c*"
    if not any(getattr(off, size) > 0.0 for size in _SIZES):
        yield "grain"


def _estimate(
    design: MotorDesign, source: LawSource, drawn: DrawnLaw, temperature: float | None
) -> DrawnLaw:
    """The law as estimated.

    A segmented law jumps from one steady pressure to another, and the mean of its members is none
    of them: the law of the middle peak stands for it.
    """
    if source.members is None:
        return source.nominal.faster(np.array([_warming(source, temperature)]))
    peaks = burn_motor(design, drawn).peak_pressure
    return drawn.picked(np.array([np.argsort(peaks)[peaks.size // 2]]))


def _fastest(
    design: MotorDesign, source: LawSource, temperature: float | None
) -> tuple[float | None, float]:
    """Temperature at which the propellant may burn fastest, K, and ln of how much faster."""
    if source.sigma_p is None or source.reference_temperature is None:
        return None, 0.0
    usual = _warming(source, temperature)
    # Where warmth slows the burn, or may do so, it is the cold that counts.
    gains = {
        soak: fastest_warming(source, soak) - usual
        for soak in (design.temperature_high, design.temperature_low)
        if soak is not None
    }
    soak = max(gains, key=gains.__getitem__, default=None)
    return (soak, gains[soak]) if soak is not None and gains[soak] > 0.0 else (None, 0.0)


def _warming(source: LawSource, temperature: float | None) -> float:
    """Ln of what the temperature does to the rate."""
    if temperature is None or source.sigma_p is None or source.reference_temperature is None:
        return 0.0
    return source.sigma_p * (temperature - source.reference_temperature)


def fastest_warming(source: LawSource, temperature: float) -> float:
    """Ln of the most that a temperature, K, does to the rate, but for one motor in a hundred."""
    if source.sigma_p is None or source.reference_temperature is None:
        return 0.0
    away = _AWAY * source.sigma_p_sd * abs(temperature - source.reference_temperature)
    return _warming(source, temperature) + away


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
