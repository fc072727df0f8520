"""From SI back to the unit and the text that a person wrote."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

from strandwise.units.numbers import refuse

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.units.kinds import Unit

__all__ = ["digits_text", "from_si", "lossless_text"]

MOST_DIGITS = 40
"""Significant digits that `lossless_text` may write."""


def from_si(value: float, unit: Unit) -> float:
    """Convert an SI value to a unit.

    Parameters
    ----------
    value
        In SI.
    unit
        The unit wanted; no ambient pressure is taken off for a gauge unit.

    Returns
    -------
    float
        The float nearest to the exact value.

    Raises
    ------
    UnitError
        If the value is not finite, or the result is outside the range of floats.
    """
    try:
        return float((_exact(value) - unit.offset) / unit.factor)
    except OverflowError:
        refuse(
            f"{value!r} {unit.kind.si_symbol} is too large for {unit}",
            expected="a value in the range of floats",
            hint="use a larger unit",
        )


def digits_text(value: float, digits: int = 2) -> str:
    """A finite number to its first digits, never with a power of ten: ``120``, ``0.5``."""
    return f"{Decimal(f'{value:.{digits}g}'):f}"


def _exact(value: float) -> Fraction:
    if not math.isfinite(value):
        refuse(
            f"{value} is not a value that a unit can carry",
            expected="a finite number",
            hint="leave the field empty where there is no value",
        )
    return Fraction(value)


def lossless_text(value_si: float, unit: Unit, *, add: float = 0.0) -> str:
    """Shortest decimal number in a unit that reads back as exactly the same float.

    Parameters
    ----------
    value_si
        In SI.
    unit
        Unit in which to write it; the text is the number alone.
    add
        What reading adds to the SI value: the ambient pressure, Pa, where the unit is a gauge
        pressure and the value an absolute one.

    Returns
    -------
    str
        Text for which float(parse_number(text) · factor + offset + add) is `value_si`; of
        several of that length the nearest to it.

    Raises
    ------
    UnitError
        If a value is not finite, or no text of at most 40 digits reads back the same.
    """
    shift = unit.offset + _exact(add)
    target = (_exact(value_si) - shift) / unit.factor
    if float(shift) == value_si:
        return "0"
    text = _shortest(target, lambda number: _rounds_to(number * unit.factor + shift, value_si))
    if text is None:
        refuse(
            f"{value_si!r} {unit.kind.si_symbol} cannot be written in {unit} without loss",
            expected=f"a value that {MOST_DIGITS} digits can carry",
            hint=f"write it in {unit.kind.si_symbol}",
        )
    return text


def _shortest(target: Fraction, reads_back: Callable[[Fraction], bool]) -> str | None:
    """Try ever finer decimal places around a value other than 0, the nearer neighbour first."""
    first = len(str(abs(target.numerator))) - len(str(target.denominator)) + 1
    for place in range(first, first - MOST_DIGITS, -1):
        step = Fraction(10) ** place
        below = math.floor(target / step)
        for digits in sorted((below, below + 1), key=lambda near: abs(near * step - target)):
            if reads_back(digits * step):
                return _decimal_text(digits, place)
    return None


def _rounds_to(exact: Fraction, value: float) -> bool:
    try:
        return float(exact) == value
    except OverflowError:
        return False


def _decimal_text(digits: int, place: int) -> str:
    """Write digits · 10^place plainly, or with an exponent where that would be long."""
    sign, body = "-" if digits < 0 else "", str(abs(digits))
    shortest = body.rstrip("0")
    place += len(body) - len(shortest)
    point = len(shortest) + place
    if not -3 <= point <= 16:
        tail = f".{shortest[1:]}" if len(shortest) > 1 else ""
        return f"{sign}{shortest[0]}{tail}e{point - 1}"
    if place >= 0:
        return sign + shortest + "0" * place
    if point > 0:
        return f"{sign}{shortest[:point]}.{shortest[point:]}"
    return f"{sign}0.{'0' * -point}{shortest}"
