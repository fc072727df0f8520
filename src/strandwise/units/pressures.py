"""Gauge and absolute pressure, and the ambient pressure at an altitude."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

from strandwise.units.kinds import Kind
from strandwise.units.numbers import refuse

if TYPE_CHECKING:
    from strandwise.units.kinds import Unit, Zero
    from strandwise.units.quantities import Quantity

__all__ = ["absolute_pressure", "is_gauge", "standard_atmosphere_pressure"]


def is_gauge(unit: Unit, readings: Zero) -> bool:
    """Tell whether a pressure unit counts from the ambient pressure.

    Parameters
    ----------
    unit
        A pressure unit.
    readings
        What a unit without a zero of its own means.

    Returns
    -------
    bool
        False where it counts from vacuum.
    """
    return (unit.zero or readings) == "gauge"


def absolute_pressure(quantity: Quantity, *, readings: Zero, ambient: float | None) -> float:
    """Absolute pressure of a reading.

    Parameters
    ----------
    quantity
        A pressure, as read.
    readings
        What a unit without a zero of its own means.
    ambient
        Absolute ambient pressure, Pa; None where it is not known.

    Returns
    -------
    float
        Pa, above 0; the float nearest to the exact sum.

    Raises
    ------
    UnitError
        If the quantity is no pressure, a gauge reading has no ambient pressure, or the absolute
        pressure is not above zero.
    """
    unit = quantity.unit
    if unit.kind is not Kind.PRESSURE:
        refuse(
            f"`{quantity.text}` is {unit.kind.with_article}",
            expected=Kind.PRESSURE.expected,
            hint="write a unit of pressure",
        )
    exact = quantity.magnitude * unit.factor
    gauge = is_gauge(unit, readings)
    if gauge:
        exact += _ambient(quantity, ambient)
    if exact <= 0:
        hint = (
            "check the reading and the ambient pressure"
            if gauge
            else "if it is a gauge reading, say so in its unit, as in `0 psig` or `-0.2 barg`"
        )
        # In the unit that the person thinks in, without its zero: `psi` for `psig`.
        told = f"{float(exact / unit.factor):.6g}".replace("-", "\N{MINUS SIGN}", 1)
        symbol = unit.symbol.removesuffix("g" if unit.zero == "gauge" else "")
        refuse(
            f"`{quantity.text}` is an absolute pressure of {told} {symbol}",
            expected="an absolute pressure above zero",
            hint=hint,
        )
    return float(exact)


def _ambient(quantity: Quantity, ambient: float | None) -> Fraction:
    if ambient is None:
        refuse(
            f"`{quantity.text}` is a gauge reading, and the ambient pressure is not known",
            expected="an absolute pressure, or a known ambient pressure",
            hint="give ambient_pressure or altitude in campaign.toml",
        )
    if not (math.isfinite(ambient) and ambient > 0):
        refuse(
            f"the ambient pressure is {ambient} Pa",
            expected="an absolute pressure above zero",
            hint="correct ambient_pressure in campaign.toml",
        )
    return Fraction(ambient)


def standard_atmosphere_pressure(altitude_m: float) -> float:
    """Pressure of the standard atmosphere at an altitude.

    p = p₀ (1 − L H/T₀)^(g₀/(R L)) with the geopotential altitude H = r z/(r + z), in the
    troposphere of ISO 2533:1975, which is that of the U.S. Standard Atmosphere, 1976.

    Parameters
    ----------
    altitude_m
        Altitude z above mean sea level, m, from -500 to 11000.

    Returns
    -------
    float
        Pa. The weather moves the true pressure by some per cent.

    Raises
    ------
    UnitError
        If the altitude is outside that range.
    """
    if not -500 <= altitude_m <= 11000:
        refuse(
            f"an altitude of {altitude_m:g} m is outside the range of the standard troposphere",
            expected="an altitude from -500 m to 11000 m",
            hint="give ambient_pressure in campaign.toml instead",
        )
    sea_level, temperature, lapse = 101325.0, 288.15, 0.0065
    gravity, gas_constant, earth_radius = 9.80665, 287.05287, 6_356_766.0
    geopotential = earth_radius * altitude_m / (earth_radius + altitude_m)
    ratio = 1.0 - lapse * geopotential / temperature
    return sea_level * math.pow(ratio, gravity / (gas_constant * lapse))
