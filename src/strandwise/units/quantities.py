"""Quantities, units and headings: text to exact numbers in a known unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, NoReturn

from strandwise.units.kinds import Kind, Unit
from strandwise.units.numbers import clean_text, explain, match_number, refuse
from strandwise.units.table import REFUSALS, known_units, units_by_spelling

if TYPE_CHECKING:
    from fractions import Fraction

__all__ = [
    "Heading",
    "Quantity",
    "kinds_of_unit",
    "parse_heading",
    "parse_quantity",
    "parse_unit",
    "plain_si",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number and its unit as read, with the text that they came from."""

    magnitude: Fraction
    unit: Unit
    text: str

    @property
    def si(self) -> float:
        """SI value, the float nearest to the exact one; a gauge pressure stays a difference."""
        return float(_exact(self))


@dataclass(frozen=True, slots=True)
class Heading:
    """Heading of a column: its name, and the unit in parentheses or None."""

    name: str
    unit_text: str | None


_ORDINARY_BITS = 500
_PLAIN = re.compile(r"([0-9]{1,15})(?:\.([0-9]{1,15}))?")
_UNIT_SIGNS = str.maketrans("²³¹⁻", "231-")
_PER_POWER = re.compile(r"(?:(\S+) )?([A-Za-z]+)-([123])")


def _spelling(text: str) -> str:
    """Bring `cm³`, `cm^3`, `g / cm3`, `g cm-3`, `mm per second`, `in.` to the table's spelling."""
    spelling = re.sub(r"(?:\^|\*\*)(?=-?[123])", "", text.translate(_UNIT_SIGNS))
    spelling = re.sub(r" ?/ ?", "/", spelling.replace(" per ", "/"))
    spelling = re.sub(r" ?\( ?", "(", spelling.replace(" )", ")")).replace("° ", "°")
    if power := _PER_POWER.fullmatch(spelling):
        spelling = f"{power[1] or ''}/{power[2]}{'' if power[3] == '1' else power[3]}"
    if len(spelling) > 1 and spelling[-1] == "." and spelling[-2].isalpha():
        spelling = spelling[:-1]
    return spelling


def kinds_of_unit(text: str) -> tuple[Kind, ...]:
    """Kinds that have a unit spelt exactly so.

    Parameters
    ----------
    text
        Such as ``mV``.

    Returns
    -------
    tuple of Kind
        Empty where no kind has it.

    Raises
    ------
    UnitError
        If the text holds signs that cannot be seen, or foreign digits, or is very long.
    """
    spelling = _spelling(clean_text(text))
    return tuple(kind for kind in Kind if spelling and spelling in units_by_spelling(kind))


def parse_unit(text: str, kind: Kind) -> Unit:
    """Read the unit of a quantity of known kind.

    Parameters
    ----------
    text
        Such as ``mm``. The exact spelling is looked up first. Another case of letters is accepted
        where only one unit of the kind fits and no m (milli) stands for M (mega).
    kind
        What the unit must measure.

    Returns
    -------
    Unit
        With exact factor and offset to SI.

    Raises
    ------
    UnitError
        If the unit is unknown, ambiguous, or of another kind.
    """
    clean = clean_text(text)
    spelling = _spelling(clean)
    if spelling in units_by_spelling(kind):
        return units_by_spelling(kind)[spelling]
    if not spelling:
        refuse("there is no unit", expected=kind.expected, hint="write the unit")
    if refusal := REFUSALS.get((kind, spelling.lower())):
        reason, instead = refusal
        refuse(f"`{clean}` {reason}", expected=kind.expected, hint=f"write {instead}")
    return _in_other_case(clean, spelling, kind) or _refuse_unit(clean, spelling, kind)


# Spellings in m that are words, not a prefix and a unit: their case carries no meaning.
_WORDS_IN_M = ("min", "met", "mic", "mil", "mmHg", "mm Hg")


def _in_other_case(text: str, spelling: str, kind: Kind) -> Unit | None:
    """Find the unit that fits when case is ignored; refuse where case carries the meaning."""
    if any(spelling in units_by_spelling(other) for other in Kind):
        return None
    fits = {
        known: unit
        for known, unit in units_by_spelling(kind).items()
        if known.lower() == spelling.lower()
    }
    if len(set(fits.values())) != 1:
        return None
    for known in fits:
        if known[0] in "mM" and spelling[0] != known[0] and not known.startswith(_WORDS_IN_M):
            refuse(
                f"`{text}` has an m in the wrong case: small m is milli or metre, capital M mega",
                expected=kind.expected,
                hint=f"write `{known}`, if that is meant",
            )
    return next(iter(fits.values()))


def _refuse_unit(text: str, spelling: str, kind: Kind) -> NoReturn:
    """Say of which other kind the unit is, or which units are near."""
    if kind is Kind.NUMBER:
        refuse(
            f"`{text}` follows the number, and a plain number has no unit",
            expected=kind.expected,
            hint="write the number alone",
        )
    listed = ", ".join(symbol for symbol in known_units(kind) if "(" not in symbol)
    if others := [other for other in Kind if spelling in units_by_spelling(other)]:
        refuse(
            f"`{text}` is the unit of {others[0].with_article}, and {kind.with_article} is wanted",
            expected=kind.expected,
            hint=f"write one of {listed}",
        )
    if kind is Kind.PRESSURE and "vac" in spelling.lower():
        refuse(
            f"`{text}` counts downward from the ambient pressure",
            expected=kind.expected,
            hint="write a negative gauge reading, such as `-10 inHg gauge`",
        )
    if re.search(r"[^0-9/ (] ?[0-9]+(?:[./][0-9]+)? ?[A-Za-z\"'″′”’]", spelling):
        refuse(
            f"`{text}` holds a second number",
            expected="one number and one unit",
            hint="write the sum in one unit, such as `14 in` for 1 ft 2 in",
        )
    near = get_close_matches(spelling, list(units_by_spelling(kind)), n=1)
    refuse(
        f"`{text}` is no known unit of {kind.with_article}",
        expected=kind.expected,
        hint=(f"did you mean `{near[0]}`? " if near else "") + f"write one of {listed}",
    )


def parse_quantity(text: str, kind: Kind, *, unit: Unit | None = None) -> Quantity:
    """Read a number with its unit.

    Parameters
    ----------
    text
        Such as ``5/16 in``, ``31.5mm``, ``300 psig``.
    kind
        What it must be.
    unit
        The heading's unit: taken where the text is a plain number; a unit in the text wins.

    Returns
    -------
    Quantity
        Its `si` is the SI value; for a pressure see `absolute_pressure`.

    Raises
    ------
    UnitError
        If the text has no unit and none is given, is ambiguous, is of another kind, lies outside
        the range of floats, or is a temperature below absolute zero.
    """
    clean = clean_text(text)
    if unit is not None and unit.kind is not kind:
        refuse(
            f"the heading's unit `{unit}` is the unit of {unit.kind.with_article}",
            expected=kind.expected,
            hint="write a unit in the heading that fits the column",
        )
    magnitude, rest = match_number(clean)
    if rest:
        unit = _unit_after_number(clean, rest, kind)
    elif kind is Kind.NUMBER:
        unit = units_by_spelling(kind)[""]
    elif unit is None:
        _refuse_missing_unit(clean, magnitude, kind)
    quantity = Quantity(magnitude, unit, text)
    _check_range(quantity)
    return quantity


def plain_si(text: str, unit: Unit) -> float | None:
    """SI value of a plain number such as ``31.5`` in the heading's unit, as `parse_quantity`.

    For the cells of long files, in a fraction of the time. None where the text is anything else, or
    the unit has a zero of its own.
    """
    match = None if unit.offset else _PLAIN.fullmatch(text)
    if match is None:
        return None
    whole, decimals = match[1], match[2] or ""
    # A quotient of whole numbers is the float nearest to it, as that of a Fraction.
    scaled = int(whole + decimals) * unit.factor.numerator
    return float(scaled / (unit.factor.denominator * 10 ** len(decimals)))


def _unit_after_number(text: str, rest: str, kind: Kind) -> Unit:
    if _spelling(rest) not in units_by_spelling(kind):
        explain(text)
    return parse_unit(rest, kind)


def _refuse_missing_unit(text: str, magnitude: Fraction, kind: Kind) -> NoReturn:
    hint = f"write the unit too, such as {' or '.join(f'`{shown}`' for shown in kind.examples)}"
    if kind is Kind.RATIO and abs(magnitude) < 1000:
        as_fraction, as_percent = float(magnitude * 100), float(magnitude)
        hint = f"write `{as_fraction:.12g} %` or `{as_percent:.12g} %`, whichever is meant"
    refuse(f"`{text}` has no unit", expected=kind.expected, hint=hint)


def _exact(quantity: Quantity) -> Fraction:
    value = quantity.magnitude * quantity.unit.factor
    return value + quantity.unit.offset if quantity.unit.offset else value


def _check_range(quantity: Quantity) -> None:
    unit = quantity.unit
    size_in_bits = quantity.magnitude.numerator.bit_length() - (
        quantity.magnitude.denominator.bit_length()
    )
    # Far from the ends of what floats hold, whatever the unit; most readings are.
    if abs(size_in_bits) < _ORDINARY_BITS and unit.kind is not Kind.TEMPERATURE:
        return
    exact = _exact(quantity)
    try:
        size = "small" if exact and not float(exact) else ""
    except OverflowError:
        size = "large"
    if size:
        refuse(
            f"`{quantity.text}` is too {size} to calculate with",
            expected=unit.kind.expected,
            hint="look for a slip in the exponent",
        )
    if unit.kind is Kind.TEMPERATURE and exact < 0:
        refuse(
            f"`{quantity.text}` is below absolute zero",
            expected=f"a temperature of at least {float(-unit.offset / unit.factor):.6g} {unit}",
            hint="look for a slip in the sign or the unit",
        )


def parse_heading(text: str) -> Heading:
    """Split a heading such as ``length (mm)`` or ``pressure (bar(g))`` into name and unit.

    Parameters
    ----------
    text
        The last parentheses, at the end, hold the unit; what stands before is the name as it is.

    Returns
    -------
    Heading
        The unit's text is not looked up here: see `parse_unit`.

    Raises
    ------
    UnitError
        If there is no name, the parentheses are empty, or one of them is missing.
    """
    whole = text.strip()
    start = _opening(whole) if whole.endswith(")") else len(whole)
    name, unit_text = whole[:start].rstrip(), whole[start + 1 : -1].strip()
    unclosed = whole.rfind("(") > whole.rfind(")")
    if not name or unclosed or (start < len(whole) and not unit_text):
        refuse(
            f"the heading `{whole}` is not understood",
            expected="a name, and after it the unit in parentheses where there is one",
            hint="write it as `length (mm)`",
        )
    return Heading(name, unit_text or None)


def _opening(text: str) -> int:
    """Find the parenthesis that the last sign of the text closes; 0 where there is none."""
    depth = 0
    for place in range(len(text) - 1, 0, -1):
        depth += {")": 1, "(": -1}.get(text[place], 0)
        if depth == 0:
            return place
    return 0
