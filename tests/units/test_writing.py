from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from strandwise.errors import UnitError
from strandwise.units import (
    Kind,
    Unit,
    absolute_pressure,
    digits_text,
    from_si,
    known_units,
    lossless_text,
    parse_number,
    parse_quantity,
    parse_unit,
)

UNITS = [parse_unit(symbol, kind) for kind in Kind for symbol in known_units(kind)]
GAUGE_UNITS = [unit for unit in UNITS if unit.zero == "gauge"]
MILLIMETRE = parse_unit("mm", Kind.LENGTH)


@pytest.mark.parametrize(
    ("value", "symbol", "kind", "text"),
    [
        (0.0315, "mm", Kind.LENGTH, "31.5"),
        (0.0079375, "in", Kind.LENGTH, "0.3125"),
        (0.0, "mm", Kind.LENGTH, "0"),
        (-0.0315, "mm", Kind.LENGTH, "-31.5"),
        (291.15, "degC", Kind.TEMPERATURE, "18"),
        (273.15, "degC", Kind.TEMPERATURE, "0"),
        (0.0, "degC", Kind.TEMPERATURE, "-273.15"),
        (4e6, "MPa", Kind.PRESSURE, "4"),
        (2e9, "Pa", Kind.PRESSURE, "2000000000"),
        (1e-4, "m", Kind.LENGTH, "0.0001"),
        (1.5e-7, "m", Kind.LENGTH, "1.5e-7"),
        (1e20, "m", Kind.LENGTH, "1e20"),
        (0.1, "%", Kind.RATIO, "10"),
    ],
)
def test_writes_the_text_that_a_person_would(
    value: float, symbol: str, kind: Kind, text: str
) -> None:
    assert lossless_text(value, parse_unit(symbol, kind)) == text


def test_writes_a_gauge_reading_without_the_ambient_pressure() -> None:
    psig = parse_unit("psig", Kind.PRESSURE)
    read = absolute_pressure(
        parse_quantity("300 psig", Kind.PRESSURE), readings="absolute", ambient=101325.0
    )
    assert lossless_text(read, psig, add=101325.0) == "300"
    assert lossless_text(101325.0, psig, add=101325.0) == "0"


def reads_back(text: str | Fraction, unit: Unit, add: float, value: float) -> bool:
    number = parse_number(text) if isinstance(text, str) else text
    try:
        return float(number * unit.factor + unit.offset + Fraction(add)) == value
    except OverflowError:
        return False


@settings(max_examples=400)
@given(
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([unit for unit in UNITS if not unit.offset]),
)
@example(5e-324, parse_unit("MPa", Kind.PRESSURE))
@example(1.7976931348623157e308, parse_unit("um", Kind.LENGTH))
@example(2.0**60, MILLIMETRE)
@example(9007199254740993.0, MILLIMETRE)
def test_what_is_written_reads_back_equal_and_is_the_shortest(value: float, unit: Unit) -> None:
    text = lossless_text(value, unit)
    assert reads_back(text, unit, 0.0, value)
    assert_no_shorter(text, unit, 0.0, value)


def assert_no_shorter(text: str, unit: Unit, add: float, value: float) -> None:
    digits = text.lstrip("-").partition("e")[0].replace(".", "").strip("0")
    if len(digits) < 2:
        return
    number = abs(parse_number(text))
    sign = -1 if text.startswith("-") else 1
    power = 0
    while number * Fraction(10) ** -power >= 10:
        power += 1
    while number * Fraction(10) ** -power < 1:
        power -= 1
    step = Fraction(10) ** (power - len(digits) + 2)
    below = number // step
    assert not any(reads_back(sign * m * step, unit, add, value) for m in (below, below + 1))


@given(st.floats(1e-9, 1e9), st.sampled_from([unit for unit in UNITS if not unit.offset]))
@example(2.0**-30, MILLIMETRE)
def test_of_texts_of_one_length_the_nearest_is_written(value: float, unit: Unit) -> None:
    text = lossless_text(value, unit)
    number, exact = parse_number(text), Fraction(value) / unit.factor
    mantissa, _, exponent = text.partition("e")
    step = Fraction(10) ** (int(exponent or 0) - len(mantissa.partition(".")[2]))
    for neighbour in (number - step, number + step):
        if reads_back(neighbour, unit, 0.0, value):
            assert abs(number - exact) <= abs(neighbour - exact)


@given(st.floats(1.0, 5000.0), st.sampled_from(["K", "degC", "degF"]))
def test_temperatures_read_back_equal(kelvin: float, symbol: str) -> None:
    unit = parse_unit(symbol, Kind.TEMPERATURE)
    text = lossless_text(kelvin, unit)
    assert parse_quantity(f"{text} {symbol}", Kind.TEMPERATURE).si == kelvin
    assert len(text) <= 22


@given(st.floats(1.0, 1e9), st.sampled_from(GAUGE_UNITS), st.floats(2e4, 1.1e5))
def test_absolute_pressures_read_back_equal_through_a_gauge_unit(
    value: float, unit: Unit, ambient: float
) -> None:
    text = lossless_text(value, unit, add=ambient)
    quantity = parse_quantity(f"{text} {unit.symbol}", Kind.PRESSURE)
    assert absolute_pressure(quantity, readings="absolute", ambient=ambient) == value
    assert_no_shorter(text, unit, ambient, value)


@given(st.decimals(min_value="0.001", max_value="9999", places=3), st.sampled_from(UNITS))
def test_what_a_person_wrote_is_written_again(number: object, unit: Unit) -> None:
    assume(unit.symbol)
    read = parse_quantity(f"{number} {unit.symbol}", unit.kind).si
    assert parse_number(lossless_text(read, unit)) == Fraction(str(number))


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_refuses_values_that_are_not_finite(value: float) -> None:
    with pytest.raises(UnitError, match="not a value that a unit can carry"):
        lossless_text(value, MILLIMETRE)
    with pytest.raises(UnitError, match="not a value that a unit can carry"):
        lossless_text(1.0, MILLIMETRE, add=value)
    with pytest.raises(UnitError, match="not a value that a unit can carry"):
        from_si(value, MILLIMETRE)


def test_refuses_what_no_text_of_reasonable_length_can_carry() -> None:
    with pytest.raises(UnitError, match="cannot be written in degC without loss") as refused:
        lossless_text(1e-100, parse_unit("degC", Kind.TEMPERATURE))
    assert refused.value.hint == "write it in K"


def test_refuses_a_result_outside_the_range_of_floats() -> None:
    with pytest.raises(UnitError, match="too large for um"):
        from_si(1e306, parse_unit("um", Kind.LENGTH))


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (123.4, "120"),
        (99.6, "100"),
        (1.25e7, "12000000"),
        (0.0, "0"),
        (-0.04567, "-0.046"),
        (3e-7, "0.0000003"),
        (5.0, "5"),
    ],
)
def test_first_digits_without_a_power_of_ten(value: float, text: str) -> None:
    assert digits_text(value) == text
    # As `.2g` rounds them (own computation).
    assert float(text) == float(f"{value:.2g}")
