"""Numbers and units as people read them.

Everything here turns finished SI results into text or into display units; nothing is estimated.
Digits follow the uncertainty: two significant digits of it, and the value to the same place
(JCGM 100:2008, 7.2.6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import TYPE_CHECKING, overload

from strandwise.units import Kind, Unit, parse_unit, parse_unit_choice, symbol_of, units_shown

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "NO_VALUE",
    "DisplayUnits",
    "axis_label",
    "decimals_for",
    "display_units",
    "format_change",
    "format_change_interval",
    "format_interval",
    "format_limit",
    "format_number",
    "format_plus_minus",
    "format_probability",
    "format_ratio",
    "in_unit",
    "plain_number",
    "unit_text",
]

NO_VALUE = "—"
_MINUS = "−"
_UNCERTAINTY_DIGITS = 2
_MOST_DIGITS = 6
_CHANGE_PLACES = 2
_MOST_CHANGE_PLACES = 9
_LARGEST_PLAIN = 1e7
_SMALLEST_PLAIN = 1e-5
# Wide enough for every place of every float, so that rounding to a place never fails.
_EXACT = Context(prec=700, rounding=ROUND_HALF_EVEN)


@dataclass(frozen=True, slots=True)
class DisplayUnits:
    """The units that one reader sees.

    Parameters
    ----------
    name
        The choice: ``metric``, ``inch-pound`` or ``mixed``, and units that differ from it.
    rate, pressure, length, mass, force, temperature, density, area, volume
        One unit for each kind of quantity. Pressures are absolute; labels say so.
    """

    name: str
    rate: Unit
    pressure: Unit
    length: Unit
    mass: Unit
    force: Unit
    temperature: Unit
    density: Unit
    area: Unit
    volume: Unit

    @property
    def gas_velocity(self) -> Unit:
        """Of c* and other velocities of the gas: ft/s in the inch-pound system, else m/s."""
        return parse_unit("ft/s" if self.name.startswith("inch-pound") else "m/s", Kind.VELOCITY)

    @property
    def impulse(self) -> Unit:
        """The force's unit times a second."""
        return Unit(f"{self.force.symbol}·s", Kind.FORCE, self.force.factor)


def display_units(choice: str) -> DisplayUnits:
    """Units of a reader.

    Parameters
    ----------
    choice
        ``metric`` (mm/s, MPa, mm, g, N, °C), ``inch-pound`` (in/s, psi, in, lb, lbf, °F) or
        ``mixed`` (in/s, psi, in, g, N, °C), with other units after commas: ``metric, bar``.

    Raises
    ------
    UnitError
        It is no such choice.
    """
    return DisplayUnits(name=parse_unit_choice(choice), **units_shown(choice))


@overload
def in_unit(value: float, unit: Unit) -> float: ...
@overload
def in_unit(value: NDArray[np.float64], unit: Unit) -> NDArray[np.float64]: ...
def in_unit(value: float | NDArray[np.float64], unit: Unit) -> float | NDArray[np.float64]:
    """SI value or array of any shape, expressed in `unit`.

    For numbers to be shown: an array is converted in floating point, not by exact fractions.
    A standard uncertainty of a temperature must not come this way (the unit has an offset).
    """
    return (value - float(unit.offset)) / float(unit.factor)


def unit_text(unit: Unit) -> str:
    """Symbol of a unit as printed: ``°C`` for ``degC``, ``g/cm³`` for ``g/cm3``."""
    return symbol_of(unit)


def axis_label(quantity: str, unit: Unit | str) -> str:
    """Heading of an axis or column: ``Burn rate (mm/s)``; bare where `unit` is empty."""
    symbol = unit if isinstance(unit, str) else unit_text(unit)
    return f"{quantity} ({symbol})" if symbol else quantity


def decimals_for(uncertainty: float) -> int:
    """Decimal places that show two significant digits of an uncertainty.

    Parameters
    ----------
    uncertainty
        Positive and finite, in the unit shown.

    Returns
    -------
    int
        May be negative: −1 means to the nearest ten.
    """
    return _places_of_digits(uncertainty, _UNCERTAINTY_DIGITS)


def format_number(
    value: float | None,
    uncertainty: float | None = None,
    *,
    digits: int = 3,
    signed: bool = False,
) -> str:
    """One number with sensible digits.

    Parameters
    ----------
    value
        In the unit shown; None or not finite gives ``—``.
    uncertainty
        Standard uncertainty or half-width in the same unit; sets the last place shown, up to six
        significant digits (readings without scatter claim more than anybody reads).
    digits
        Significant digits where no uncertainty is known.
    signed
        Write ``+`` before what is above zero, as for differences.
    """
    if value is None or not math.isfinite(value):
        return NO_VALUE
    if uncertainty is not None and _is_positive(uncertainty):
        places = decimals_for(uncertainty)
        if not signed:
            # A wide interval on the logarithm must not round the value itself away.
            places = max(places, _places_of_digits(value, _UNCERTAINTY_DIGITS) if value else places)
        if value:
            places = min(places, max(_places_of_digits(value, _MOST_DIGITS), 0))
        return _fixed(value, places, signed=signed)
    if value == 0:
        return "0"
    return _fixed(value, _places_of_digits(value, digits), signed=signed)


def format_plus_minus(value: float | None, uncertainty: float | None) -> str:
    """Value and standard uncertainty, ``7.42 ± 0.11``; the value alone where none is known."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    if uncertainty is None or not _is_positive(uncertainty):
        return format_number(value)
    places = decimals_for(uncertainty)
    return f"{_fixed(value, places)} ± {_fixed(uncertainty, places)}"


def format_interval(interval: tuple[float, float] | None, *, signed: bool = False) -> str:
    """Interval ``(7.20 … 7.64)``, both ends to two significant digits of its half-width.

    Parameters
    ----------
    interval
        Lower and upper end in the unit shown; None gives ``—``.
    signed
        Write ``+`` before what is above zero.
    """
    if interval is None or not all(math.isfinite(end) for end in interval):
        return NO_VALUE
    low, high = interval
    half_width = (high - low) / 2.0
    ends = (format_number(end, half_width, signed=signed) for end in interval)
    return f"({' … '.join(ends)})"


def format_change(value: float | None, interval: tuple[float, float] | None = None) -> str:
    """A change of a rate in percent, ``−9.1``: two decimals at most, as the interval leaves them.

    A change that is less than the whole is never rounded to −100, one that is none of the
    interval's digits is ``0.0``.

    Parameters
    ----------
    value
        In percent; None or not finite gives ``—``.
    interval
        Of it, in percent; None: one decimal.
    """
    if value is None or not math.isfinite(value):
        return NO_VALUE
    return _changed(value, _change_places(interval), most=0)


def format_change_interval(interval: tuple[float, float] | None) -> str:
    """Interval of a change in percent, ``(−13 … −5)``, by the rule of `format_change`.

    An end that is not nought is not rounded to it within two decimals.
    """
    if interval is None or not all(math.isfinite(end) for end in interval):
        return NO_VALUE
    places = _change_places(interval)
    ends = (_changed(end, places, most=_CHANGE_PLACES) for end in interval)
    return f"({' … '.join(ends)})"


def _change_places(interval: tuple[float, float] | None) -> int:
    half = 0.0 if interval is None else (interval[1] - interval[0]) / 2.0
    if interval is None or not _is_positive(half):
        return 1
    return min(decimals_for(half), _CHANGE_PLACES)


def _changed(value: float, places: int, *, most: int) -> str:
    """A change at `places`, or at as many more, `most` for nought, as it needs to be told true."""
    while places < _MOST_CHANGE_PLACES and (
        (value > -100.0 and round(value, places) <= -100.0)
        or (places < most and value and round(value, places) == 0.0)
    ):
        places += 1
    return _fixed(value, places, signed=True)


def format_probability(value: float | None) -> str:
    """Probability with two digits, ``< 0.001`` and ``> 0.999`` at the ends of the scale."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    if value < 0.001:
        return "< 0.001"
    if value > 0.999:
        return "> 0.999"
    return f"{value:.3f}" if value < 0.1 or value > 0.9 else f"{value:.2f}"


def format_limit(value: float, unit: Unit) -> str:
    """A stated pressure in Pa with its unit: to four digits where three would change it.

    What a person states is exact; a limit of 1014 psi must not become one of 1010 psi.
    """
    shown = in_unit(value, unit)
    short, full = format_number(shown), format_number(shown, digits=4)
    return f"{short if float(short) == float(full) else full} {unit_text(unit)}"


def format_ratio(value: float | None) -> str:
    """How many times one pressure goes into another, to a hundredth: ``1.20``."""
    return NO_VALUE if value is None or not math.isfinite(value) else f"{value:.2f}"


def plain_number(value: float) -> str:
    """Shortest plain decimal of a tick or a setting: ``0.5``, ``2``, ``1500``; never a power."""
    return f"{Decimal(f'{value:.10g}').normalize():f}".replace("-", _MINUS)


def _is_positive(value: float) -> bool:
    return math.isfinite(value) and value > 0


def _places_of_digits(value: float, digits: int) -> int:
    """Places that show `digits` significant digits after rounding (0.0996 becomes 0.10)."""
    rounded = Context(prec=digits, rounding=ROUND_HALF_EVEN).plus(Decimal(repr(float(value))))
    return digits - 1 - rounded.adjusted()


def _fixed(value: float, places: int, *, signed: bool = False) -> str:
    """Decimal text at `places`, rounded half to even on the shortest decimal of the float."""
    step = Decimal(1).scaleb(-places)
    rounded = Decimal(repr(float(value))).quantize(step, context=_EXACT)
    sign = "+" if signed and rounded > 0 else (_MINUS if rounded < 0 else "")
    size = abs(rounded)
    if size and not _SMALLEST_PLAIN <= size < _LARGEST_PLAIN:
        text = f"{size:e}"
        mantissa, exponent = text.split("e")
        return f"{sign}{mantissa}e{int(exponent)}".replace("-", _MINUS)
    return f"{sign}{size:f}"
