from __future__ import annotations

import datetime as dt

import pytest

from strandwise.errors import UnitError
from strandwise.records import (
    BATCH_FIELDS,
    FIRING_FIELDS,
    STRAND_FIELDS,
    TEST_FIELD,
    Field,
    PressureScale,
)
from strandwise.records.field import NoAmbientError, field_named
from strandwise.records.fields import SETTINGS_FIELDS
from strandwise.units import Kind, parse_unit

SEA_LEVEL = PressureScale("absolute", 101325.0)


def field(fields: tuple[Field, ...], name: str) -> Field:
    found = field_named(fields, name)
    assert found is not None
    return found


LENGTH = field(STRAND_FIELDS, "length")
PRESSURE = field(STRAND_FIELDS, "pressure")
NOTES = field(STRAND_FIELDS, "notes")
DATE = field(STRAND_FIELDS, "date")
UNITS = field(SETTINGS_FIELDS, "units")
SEGMENTS = Field(name="segments", help="", form="integer", at_least=1, at_most=100)


def test_a_quantity_brings_its_unit_or_takes_the_headings() -> None:
    # The inch is 25.4 mm exactly: NIST SP 811 (2008), appendix B.8.
    assert LENGTH.parse("1 1/8 in", SEA_LEVEL) == pytest.approx(0.028575, rel=1e-15)
    assert LENGTH.parse("60.4", SEA_LEVEL, parse_unit("mm", Kind.LENGTH)) == 0.0604
    assert LENGTH.parse("2 in", SEA_LEVEL, parse_unit("mm", Kind.LENGTH)) == 0.0508


def test_pressures_are_absolute() -> None:
    # 1 psi is 6894.757 Pa: NIST SP 811 (2008), appendix B.8; the standard atmosphere 101325 Pa.
    assert PRESSURE.parse("300 psig", SEA_LEVEL) == pytest.approx(300 * 6894.757 + 101325, rel=1e-7)
    assert PRESSURE.parse("300 psia", SEA_LEVEL) == pytest.approx(300 * 6894.757, rel=1e-7)
    gauge = PressureScale("gauge", 98000.0)
    assert PRESSURE.parse("2 MPa", gauge) == 2_098_000.0
    assert PRESSURE.parse("2 MPaa", gauge) == 2_000_000.0


def test_an_uncertainty_of_a_pressure_has_no_zero() -> None:
    sd = field(STRAND_FIELDS, "pressure_sd")
    assert sd.parse("0.05 MPa", PressureScale("gauge", None)) == 50_000.0


def test_a_gauge_reading_needs_the_air() -> None:
    with pytest.raises(NoAmbientError, match=r"`300 psig` is a gauge reading.*altitude"):
        PRESSURE.parse("300 psig", PressureScale())


@pytest.mark.parametrize(
    ("item", "text", "said"),
    [
        (LENGTH, "0 mm", "out of range for length.*more than 0"),
        (LENGTH, "-3 mm", "out of range for length"),
        (LENGTH, "60.4", "has no unit"),
        (LENGTH, "long", "long"),
        (LENGTH, "9" * 500 + " mm", "999"),
        (PRESSURE, "0 MPa", "absolute pressure"),
        (PRESSURE, "2 mm", "unit of a length"),
        (DATE, "02.05.2026", "not an unambiguous date.*2026-05-02"),
        (DATE, "2026-02-30", "not a day of the calendar"),
        (DATE, "2026-5-2", "not an unambiguous date"),
        (UNITS, "imperial", "`imperial` is no system of units.*`metric`, `inch-pound`"),
        (SEGMENTS, "2.0", "`2.0` is not a whole number"),
        (SEGMENTS, "0", "out of range for segments.*at least 1"),
        (SEGMENTS, "9" * 30, "not a whole number"),
        (TEST_FIELD, "../x", "cannot be a name"),
        (TEST_FIELD, "a/b", "cannot be a name"),
        (TEST_FIELD, "-a", "cannot be a name"),
        (TEST_FIELD, "a.", "cannot be a name"),
        (TEST_FIELD, "x" * 65, "cannot be a name.*up to 64"),
        (TEST_FIELD, "con", "cannot be a name"),
        (TEST_FIELD, "LPT1.old", "cannot be a name"),
        (TEST_FIELD, "a\nb", "cannot be a name"),
        (NOTES, "a\0b", "sign that a text file cannot keep"),
        (NOTES, "a\udcffb", "sign that a text file cannot keep"),
    ],
)
def test_refusals_say_what_is_wrong_and_what_would_be_right(
    item: Field, text: str, said: str
) -> None:
    with pytest.raises(UnitError, match=said) as error:
        item.parse(text, SEA_LEVEL)
    assert error.value.expected
    assert len(str(error.value)) < 500


@pytest.mark.parametrize("name", ["B-03", "a", "Ä 1", "F-1.2", "x" * 64, "7", "mix_2+3"])
def test_names(name: str) -> None:
    assert TEST_FIELD.parse(f" {name} ", SEA_LEVEL) == name


def test_other_forms() -> None:
    assert DATE.parse("2026-05-02", SEA_LEVEL) == dt.date(2026, 5, 2)
    assert UNITS.parse("Inch-Pound", SEA_LEVEL) == "inch-pound"
    assert SEGMENTS.parse("2", SEA_LEVEL) == 2
    assert NOTES.parse(" two\nlines ", SEA_LEVEL) == "two\nlines"


def test_headings_follow_the_campaigns_units() -> None:
    assert LENGTH.heading("metric") == "length (mm)"
    assert LENGTH.heading("inch-pound") == "length (in)"
    assert PRESSURE.heading("inch-pound") == "pressure (psia)"
    assert NOTES.heading("metric") == "notes"


@pytest.mark.parametrize("fields", [BATCH_FIELDS, STRAND_FIELDS, FIRING_FIELDS, SETTINGS_FIELDS])
def test_every_field_is_described_and_can_be_written(fields: tuple[Field, ...]) -> None:
    assert len({item.name for item in fields}) == len(fields)
    for item in fields:
        assert item.help
        assert (item.kind is not None) == (item.form == "quantity")
        for unit in filter(None, (item.metric, item.inch_pound)):
            assert item.kind is not None
            parse_unit(unit, item.kind)
