"""The units: exact factors, the spellings that are read, and those that are refused.

Factors follow NIST Special Publication 811 (2008), *Guide for the Use of the International System
of Units (SI)*, appendix B. The inch, the pound and the standard acceleration of gravity are exact
by definition, and all that follows from them is exact too. Columns of mercury are the
conventional ones (13 595.1 kg/m³), the calorie is the thermochemical one. Only the degree of angle
is irrational; π is carried to fifty digits.
"""

from __future__ import annotations

import functools
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING

from strandwise.units.kinds import Kind, Unit, Zero

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["REFUSALS", "known_units", "units_by_spelling"]

_INCH = Fraction("0.0254")
_FOOT = 12 * _INCH
_POUND = Fraction("0.45359237")
_OUNCE = _POUND / 16
_STANDARD_GRAVITY = Fraction("9.80665")
_POUND_FORCE = _POUND * _STANDARD_GRAVITY
_ATMOSPHERE = Fraction(101325)
_MILLIMETRE_OF_MERCURY = Fraction("13595.1") * _STANDARD_GRAVITY / 1000
_CALORIE = Fraction("4.184")
_PI = Fraction("3.1415926535897932384626433832795028841971693993751")

_HUNDREDTH, _MILLI, _MICRO = Fraction(1, 100), Fraction(1, 1000), Fraction(1, 10**6)
_KILO, _MEGA = 10**3, 10**6

_Row = tuple[str, Fraction | int, str]

_DEGREES: tuple[_Row, ...] = (
    ("K", 1, "kelvin|kelvins"),
    ("degC", 1, "°C|C|deg C|degrees C|celsius"),
    ("degF", Fraction(5, 9), "°F|F|deg F|degrees F|fahrenheit"),
)

# Symbol, factor to SI, further spellings.
_ROWS: dict[Kind, tuple[_Row, ...]] = {
    Kind.LENGTH: (
        ("m", 1, "metre|metres|meter|meters"),
        ("cm", _HUNDREDTH, "centimetre|centimetres|centimeter|centimeters"),
        ("mm", _MILLI, "millimetre|millimetres|millimeter|millimeters"),
        ("um", _MICRO, "µm|micrometre|micrometres|micrometer|micrometers|micron|microns"),
        ("km", _KILO, "kilometre|kilometres|kilometer|kilometers"),
        ("in", _INCH, 'inch|inches|"|″|”'),
        ("ft", _FOOT, "foot|feet|'|′|’"),
        ("thou", _INCH / 1000, ""),
    ),
    Kind.MASS: (
        ("kg", 1, "kilogram|kilograms"),
        ("g", _MILLI, "gram|grams|gramme|grammes"),
        ("mg", _MICRO, "milligram|milligrams"),
        ("lb", _POUND, "lbs|lbm|pound|pounds"),
        ("oz", _OUNCE, "ounce|ounces"),
        ("grain", _POUND / 7000, "grains"),
    ),
    Kind.TIME: (
        ("s", 1, "sec|secs|second|seconds"),
        ("ms", _MILLI, "msec|millisecond|milliseconds"),
        ("us", _MICRO, "µs|usec|µsec|microsecond|microseconds"),
        ("min", 60, "mins|minute|minutes"),
        ("h", 3600, "hr|hrs|hour|hours"),
    ),
    Kind.PRESSURE: (
        ("Pa", 1, "pascal|pascals|N/m2"),
        ("hPa", 100, ""),
        ("kPa", _KILO, ""),
        ("MPa", _MEGA, "N/mm2"),
        ("mbar", 100, "millibar|millibars"),
        ("bar", 10**5, "bars"),
        ("psi", _POUND_FORCE / _INCH**2, "lbf/in2"),
        ("atm", _ATMOSPHERE, ""),
        ("mmHg", _MILLIMETRE_OF_MERCURY, "mm Hg"),
        ("inHg", _MILLIMETRE_OF_MERCURY * 254 / 10, "in Hg"),
        ("Torr", _ATMOSPHERE / 760, ""),
        ("kgf/cm2", _STANDARD_GRAVITY * 10**4, ""),
    ),
    Kind.FORCE: (
        ("N", 1, "newton|newtons"),
        ("mN", _MILLI, ""),
        ("kN", _KILO, ""),
        ("lbf", _POUND_FORCE, "pound-force|pounds-force"),
        ("ozf", _OUNCE * _STANDARD_GRAVITY, "ounce-force|ounces-force"),
        ("kgf", _STANDARD_GRAVITY, "kilogram-force|kilograms-force"),
        ("gf", _STANDARD_GRAVITY / 1000, "gram-force|grams-force"),
    ),
    Kind.TEMPERATURE: _DEGREES,
    Kind.TEMPERATURE_DIFFERENCE: _DEGREES,
    Kind.DENSITY: (
        ("kg/m3", 1, ""),
        ("g/cm3", _KILO, "g/cc|g/mL|g/ml"),
        ("kg/L", _KILO, "kg/l|kg/dm3"),
        ("lb/in3", _POUND / _INCH**3, "lbs/in3|lbm/in3|lb/cu in|lbs/cu in|lbm/cu in"),
        ("lb/ft3", _POUND / _FOOT**3, "lbs/ft3|lbm/ft3|lb/cu ft|lbs/cu ft|lbm/cu ft"),
    ),
    Kind.VELOCITY: (
        ("m/s", 1, "m/sec|m/second"),
        ("cm/s", _HUNDREDTH, "cm/sec|cm/second"),
        ("mm/s", _MILLI, "mm/sec|mm/second"),
        ("km/s", _KILO, "km/sec|km/second"),
        ("in/s", _INCH, "in/sec|in/second|inch/s|inches/s|inch/second|inches/second"),
        ("ft/s", _FOOT, "ft/sec|ft/second|feet/s|feet/second"),
    ),
    Kind.ANGLE: (
        ("rad", 1, "radian|radians"),
        ("deg", _PI / 180, "°|degree|degrees"),
    ),
    Kind.AREA: (
        ("m2", 1, ""),
        ("cm2", _HUNDREDTH**2, "sq cm"),
        ("mm2", _MILLI**2, "sq mm"),
        ("in2", _INCH**2, "sq in"),
        ("ft2", _FOOT**2, "sq ft"),
    ),
    Kind.VOLUME: (
        ("m3", 1, ""),
        ("L", _MILLI, "l|litre|litres|liter|liters|dm3"),
        ("cm3", _MICRO, "cc|mL|ml|millilitre|millilitres|milliliter|milliliters"),
        ("mm3", _MILLI**3, ""),
        ("in3", _INCH**3, "cu in"),
        ("ft3", _FOOT**3, "cu ft"),
    ),
    Kind.FREQUENCY: (
        ("Hz", 1, "1/s|/s|1/sec|/sec|1/second|/second|per second|hertz|samples/s|samples/second"),
        ("kHz", _KILO, ""),
        ("MHz", _MEGA, ""),
        ("frames/s", 1, "fps|frame/s|frames/sec|frames/second|frame/second"),
    ),
    Kind.RATIO: (
        ("%", _HUNDREDTH, "percent|per cent"),
        ("ppm", _MICRO, ""),
    ),
    Kind.MOLAR_ENERGY: (
        ("J/mol", 1, "J/mole"),
        ("kJ/mol", _KILO, "kJ/mole"),
        ("kcal/mol", _KILO * _CALORIE, "kcal/mole"),
    ),
    Kind.VOLTAGE: (
        ("V", 1, "volt|volts"),
        ("mV", _MILLI, "millivolt|millivolts"),
        ("uV", _MICRO, "µV|microvolt|microvolts"),
    ),
    Kind.COUNT: (("count", 1, "counts"),),
    Kind.NUMBER: (("", 1, ""),),
}

_OFFSETS = {"degC": Fraction("273.15"), "degF": Fraction("459.67") * 5 / 9}

_ZEROS: tuple[tuple[Zero, str, tuple[str, ...]], ...] = (
    ("gauge", "g", ("gauge", "gage")),
    ("absolute", "a", ("abs", "absolute")),
)

# Pressure units to which g and a are joined without parentheses.
_JOINED = frozenset({"psi", "bar", "mbar", "hPa", "kPa", "MPa"})


def _with_zeros(unit: Unit, spellings: list[str]) -> list[tuple[Unit, list[str]]]:
    """Make the gauge and the absolute unit of a pressure unit, with their spellings."""
    made = []
    for zero, letter, words in _ZEROS:
        symbol = unit.symbol + (letter if unit.symbol in _JOINED else f"({letter})")
        forms = [symbol]
        for base in spellings:
            for mark in (letter, *words):
                forms += [f"{base}({mark})", f"{base} {mark}"]
        made.append((Unit(symbol, unit.kind, unit.factor, zero=zero), forms))
    return made


@functools.cache
def units_by_spelling(kind: Kind) -> Mapping[str, Unit]:
    """Map every spelling that is read to its unit.

    Parameters
    ----------
    kind
        What the units measure.

    Returns
    -------
    mapping of str to Unit
        Read-only; made when first asked for, since start-up needs none.
    """
    spelled: dict[str, Unit] = {}
    for symbol, factor, others in _ROWS[kind]:
        offset = _OFFSETS.get(symbol, Fraction(0)) if kind is Kind.TEMPERATURE else Fraction(0)
        unit = Unit(symbol, kind, Fraction(factor), offset)
        spellings = [symbol, *filter(None, others.split("|"))]
        family = [(unit, spellings)]
        if kind is Kind.PRESSURE:
            family += _with_zeros(unit, spellings)
        for member, forms in family:
            spelled.update(dict.fromkeys(forms, member))
    return MappingProxyType(spelled)


def known_units(kind: Kind) -> tuple[str, ...]:
    """List the symbols of the units of a kind.

    Parameters
    ----------
    kind
        What the units measure.

    Returns
    -------
    tuple of str
        In the order of the table, one a unit, without the other spellings that are read too.
    """
    return tuple(
        dict.fromkeys(unit.symbol for unit in units_by_spelling(kind).values() if unit.symbol)
    )


_ANY = tuple(Kind)
_DEGREE_KINDS = (Kind.TEMPERATURE, Kind.TEMPERATURE_DIFFERENCE)
_POUNDS = "lb|lbs|lbm|pound|pounds"

_REFUSED: tuple[tuple[tuple[Kind, ...], str, str, str], ...] = (
    (_ANY, "mil|mils", "may be a thousandth of an inch or a millimetre", "`thou` or `mm`"),
    (_ANY, "gr|grs", "may be grains or grams", "`grain` or `g`"),
    (_ANY, "gm|gms", "is not the symbol of the gram", "`g`"),
    (_ANY, "t|ton|tons", "may be a tonne, a short or a long ton", "`kg` or `lb`"),
    (_ANY, "fl oz", "may be a US or an imperial fluid ounce", "`cm3`"),
    (_ANY, "''|``|′′|’’", "is two foot marks", "`in` for inches"),
    (_ANY, "#", "may be pounds or a number in a series", "the unit in letters, such as `lb`"),
    (_DEGREE_KINDS, "deg|°|degree|degrees", "does not say of which scale", "`degC` or `degF`"),
    (_DEGREE_KINDS, "k", "is the prefix kilo; the kelvin is a capital K", "`K`"),
    ((Kind.TIME,), "m", "is the metre, and may be meant as minutes", "`min` or `ms`"),
    ((Kind.FORCE,), _POUNDS, "is a mass; the force is the pound-force", "`lbf`"),
    ((Kind.FORCE,), "oz|ounce|ounces", "is a mass; the force is the ounce-force", "`ozf`"),
    (
        (Kind.FORCE,),
        "kg|kgs|kilo|kilos|kilogram|kilograms",
        "is a mass; what a scale reads, as a force, is kilogram-force",
        "`kgf`",
    ),
    (
        (Kind.FORCE,),
        "g|gram|grams|gramme|grammes",
        "is a mass; what a scale reads, as a force, is gram-force",
        "`gf`",
    ),
    ((Kind.MASS,), "lbf", "is a force", "`lb`, if a mass is meant"),
    ((Kind.MASS,), "kgf", "is a force", "`kg`, if a mass is meant"),
    ((Kind.MASS,), "gf", "is a force", "`g`, if a mass is meant"),
    ((Kind.MASS,), "ozf", "is a force", "`oz`, if a mass is meant"),
    ((Kind.VOLUME,), "oz|ounce|ounces", "is a mass, or a US or imperial fluid ounce", "`cm3`"),
    ((Kind.VELOCITY,), "fps", "may be feet or frames per second", "`ft/s`"),
    ((Kind.VELOCITY,), "ips", "is not the symbol of inches per second", "`in/s`"),
    (
        (Kind.PRESSURE,),
        "kg|kg/cm2",
        "is not a pressure, for the kilogram is a mass",
        "`kgf/cm2`, if kilogram-force per square centimetre is meant",
    ),
    (
        (Kind.PRESSURE,),
        f"{_POUNDS}|lb/in2|lbs/in2|lb/sq in|lbs/sq in",
        "is not a pressure, for the pound is a mass",
        "`psi`, if pound-force per square inch is meant",
    ),
    ((Kind.PRESSURE,), "at|ata|atu", "may be a technical atmosphere", "`kgf/cm2` or `atm`"),
    ((Kind.PRESSURE,), "psid", "is a difference and has no zero", "`psig` or `psia`"),
)

REFUSALS: dict[tuple[Kind, str], tuple[str, str]] = {
    (kind, spelling): (reason, hint)
    for kinds, spellings, reason, hint in _REFUSED
    for kind in kinds
    for spelling in spellings.split("|")
}
"""By kind and lower-case spelling: why it is refused, what to write. Looked up after the units."""
