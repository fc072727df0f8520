from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TypeVar

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from strandwise.errors import UnitError
from strandwise.units import (
    Heading,
    Kind,
    kinds_of_unit,
    parse_heading,
    parse_quantity,
    parse_unit,
    plain_si,
)

L, M, T, P, F = Kind.LENGTH, Kind.MASS, Kind.TIME, Kind.PRESSURE, Kind.FORCE
V, HZ, TEMP = Kind.VELOCITY, Kind.FREQUENCY, Kind.TEMPERATURE

Result = TypeVar("Result")

# SI values by hand from the exact definitions 1 in = 0.0254 m, 1 lb = 0.45359237 kg,
# g₀ = 9.80665 m/s² (NIST SP 811, appendix B.8).
ACCEPTED = [
    ("5/16 in", L, 0.0079375),
    ("1 1/8 in", L, 0.028575),
    ("1½ in", L, 0.0381),
    ('5/16"', L, 0.0079375),
    ("5/16″", L, 0.0079375),
    ("5/16 ”", L, 0.0079375),
    ("5⁄16 in.", L, 0.0079375),
    ("2 Inches", L, 0.0508),
    ("1'", L, 0.3048),
    ("1′", L, 0.3048),
    ("1 ft", L, 0.3048),
    ("31.5mm", L, 0.0315),
    ("31.5\u202fmm", L, 0.0315),
    ("10 thou", L, 0.000254),
    ("50 µm", L, 5e-5),
    ("50 μm", L, 5e-5),
    ("50 um", L, 5e-5),
    ("12 CM", L, 0.12),
    ("5 Metres", L, 5.0),
    ("3 1/2 lb", M, 1.587573295),
    ("3 lbs.", M, 1.36077711),
    ("236 g", M, 0.236),
    ("236 G", M, 0.236),
    ("1 oz", M, 0.028349523125),
    ("7000 grain", M, 0.45359237),
    ("350 ms", T, 0.35),
    ("350 µs", T, 0.00035),
    ("350 μs", T, 0.00035),
    ("350 us", T, 0.00035),
    ("2 min", T, 120.0),
    ("2 MIN", T, 120.0),
    ("2 Sec", T, 2.0),
    ("2 h", T, 7200.0),
    ("2.1 bar", P, 210000.0),
    ("4 MPa", P, 4e6),
    ("4 MPA", P, 4e6),
    ("4 KPA", P, 4e3),
    ("1013.25 hPa", P, 101325.0),
    ("4 N/mm²", P, 4e6),
    ("4 N mm-2", P, 4e6),
    ("410 N", F, 410.0),
    ("1 lbf", F, 4.4482216152605),
    ("1 kgf", F, 9.80665),
    ("1000 gf", F, 9.80665),
    ("18 °C", TEMP, 291.15),
    ("18 C", TEMP, 291.15),
    ("18 degC", TEMP, 291.15),
    ("18 deg C", TEMP, 291.15),
    ("18 ° C", TEMP, 291.15),
    ("18℃", TEMP, 291.15),
    ("18 ºC", TEMP, 291.15),
    ("−5 °C", TEMP, 268.15),
    ("41 F", TEMP, 278.15),
    ("41℉", TEMP, 278.15),
    ("291 K", TEMP, 291.0),
    ("1.8 g/cm3", Kind.DENSITY, 1800.0),
    ("1.8 g/cm³", Kind.DENSITY, 1800.0),
    ("1.8 g/cm^3", Kind.DENSITY, 1800.0),
    ("1.8 g cm⁻³", Kind.DENSITY, 1800.0),
    ("1.8 g/cc", Kind.DENSITY, 1800.0),
    ("1.8 g / mL", Kind.DENSITY, 1800.0),
    ("8.5 mm/s", V, 0.0085),
    ("8.5 mm per second", V, 0.0085),
    ("8.5 mm s^-1", V, 0.0085),
    ("1/2 in/sec", V, 0.0127),
    ("890 m/s", V, 890.0),
    ("10 ft/s", V, 3.048),
    ("180 deg", Kind.ANGLE, math.pi),
    ("180°", Kind.ANGLE, math.pi),
    ("71 mm²", Kind.AREA, 7.1e-5),
    ("1 sq in", Kind.AREA, 0.00064516),
    ("85 cc", Kind.VOLUME, 8.5e-5),
    ("85 ml", Kind.VOLUME, 8.5e-5),
    ("2 kHz", HZ, 2000.0),
    ("240 fps", HZ, 240.0),
    ("240 frames per second", HZ, 240.0),
    ("100 1/s", HZ, 100.0),
    ("100 /s", HZ, 100.0),
    ("100/s", HZ, 100.0),
    ("1 1/2 1/s", HZ, 1.5),
    ("1 1/2 Hz", HZ, 1.5),
    ("100 s⁻¹", HZ, 100.0),
    ("10 %", Kind.RATIO, 0.1),
    ("10%", Kind.RATIO, 0.1),
    ("12 1/2 per cent", Kind.RATIO, 0.125),
    ("-494.6 kJ/mol", Kind.MOLAR_ENERGY, -494600.0),
    ("12.5 mV", Kind.VOLTAGE, 0.0125),
    ("8388607 counts", Kind.COUNT, 8388607.0),
    ("1.13", Kind.NUMBER, 1.13),
]


@pytest.mark.parametrize(("text", "kind", "si"), ACCEPTED)
def test_reads_what_people_write(text: str, kind: Kind, si: float) -> None:
    quantity = parse_quantity(text, kind)
    assert quantity.si == si
    assert quantity.text == text
    assert quantity.unit.kind is kind


@pytest.mark.parametrize(
    ("text", "kind", "reason", "hint"),
    [
        ("", L, "no text", "number first"),
        ("5", L, "`5` has no unit", "31.5 mm"),
        ("mm", L, "does not begin with a number", "number first"),
        ("mm 5", L, "does not begin with a number", "number first"),
        ("2,5 bar", P, "has a comma", r"`2\.5 bar`"),
        ("1,000 psi", P, "thousands for some", r"`1000 psi` or `1\.000 psi`"),
        ("1 000 psi", P, "a blank inside", "`1000 psi`"),
        ("1\u2009000 psi", P, "a blank inside", "`1000 psi`"),
        ("1'000 psi", P, "a mark inside", "`1000`"),
        ("2.5.bar", P, "stray point", "one decimal point"),
        ("5. mm", L, "stray point", "one decimal point"),
        ("1.2.3 bar", P, "stray point", "one decimal point"),
        ("5/0 in", L, "divides by zero", "fraction bar"),
        ("1-1/2 in", L, "has a hyphen", "`1 1/2 in`"),
        ("1 1.5/2 in", L, "decimal point in a fraction", "`1 1/8`"),
        ("1/2/3 in", L, "more than one fraction", "`5/16`"),
        ("1/ 1/s", HZ, "more than one fraction", "`5/16`"),
        ("5/16/s", HZ, "more than one fraction", "`5/16`"),
        ("3/4 1 in", L, "two numbers", "`1 1/8`"),
        ("1 16/5 in", L, "not between 0 and 1", "slip"),
        ("½5 mm", L, "more than one fraction", "`5/16`"),
        ("10² Pa", P, "raised or lowered", "`2e5`"),
        ("2 x 10^5 Pa", P, "a product", "`2e5`"),
        ("#30", L, "drill", r"`3\.3 mm`"),
        ("5 #", M, "may be pounds", "`lb`"),
        ("20/64ths in", L, "partly in words", "`20/64 in`"),
        ("5 64ths in", L, "partly in words", "`20/64 in`"),
        ("1:02", T, "minutes and seconds", "`62 s`"),
        ("65:35", Kind.RATIO, "a colon", "`10 %`"),
        ("1:02 min", T, "minutes and seconds", "`62 s`"),
        ("1' 2\"", L, "a second number", "one unit"),
        ("1'2\"", L, "a second number", "one unit"),
        ("5 ft 2 in", L, "a second number", "one unit"),
        ("5ft2in", L, "a second number", "one unit"),
        ("3 lb 2 oz", M, "a second number", "one unit"),
        ("1 min 2 s", T, "a second number", "one unit"),
        ("5 mm x 10 mm", L, "a second number", "one unit"),
        ("5 ± 0.1 mm", L, "its uncertainty", "_sd"),
        ("~5 mm", L, "a bound or an estimate", "notes"),
        ("<5 mm", L, "a bound or an estimate", "notes"),
        (">= 5 mm", L, "a bound or an estimate", "notes"),
        ("about 5 mm", L, "a bound or an estimate", "notes"),
        ("5-6 mm", L, "a range", "one number alone"),
        ("5mm-6mm", L, "a range", "one number alone"),
        ("5 mm ± 1", L, "its uncertainty", "_sd"),
        ("nan mm", L, "is no number", "leave the field empty"),
        ("inf", L, "is no number", "leave the field empty"),
        ("n/a", L, "is no number", "leave the field empty"),
        ("1e400 m", L, "exponent 400", "slip"),
        ("1e999999999 m", L, "exponent 999999999", "slip"),
        ("1e308 km", L, "too large", "slip"),
        ("1e-330 m", L, "too small", "slip"),
        ("-300 degC", TEMP, "below absolute zero", "slip"),
        ("-1 K", TEMP, "below absolute zero", "slip"),
        ("5 mil", L, "thousandth of an inch or a millimetre", "`thou` or `mm`"),
        ("5 mils", L, "thousandth of an inch or a millimetre", "`thou` or `mm`"),
        ("5 MM", L, "m in the wrong case", "`mm`"),
        ("5 Mm", L, "m in the wrong case", "`mm`"),
        ("5 M", L, "m in the wrong case", "`m`"),
        ("5 ''", L, "two foot marks", "`in`"),
        ("5 feets", L, "no known unit of a length", "did you mean `feet`"),
        ("5 gr", M, "grains or grams", "`grain` or `g`"),
        ("5 gm", M, "not the symbol of the gram", "`g`"),
        ("5 ton", M, "tonne, a short or a long ton", "`kg` or `lb`"),
        ("5 MG", M, "m in the wrong case", "`mg`"),
        ("5 lbf", M, "is a force", "`lb`"),
        ("5 kgf", M, "is a force", "`kg`"),
        ("5 N", M, "the unit of a force, and a mass is wanted", "write one of kg, g"),
        ("5 kg", F, "is a mass", "`kgf`"),
        ("5 lb", F, "is a mass", "`lbf`"),
        ("5 Pounds", F, "is a mass", "`lbf`"),
        ("5 g", F, "is a mass", "`gf`"),
        ("5 oz", F, "is a mass", "`ozf`"),
        ("5 m", T, "the metre, and may be meant as minutes", "`min` or `ms`"),
        ("5 MS", T, "m in the wrong case", "`ms`"),
        ("5 mm", P, "unit of a length, and a pressure is wanted", "write one of Pa"),
        ("5 mpa", P, "m in the wrong case", "`MPa`"),
        ("5 mPa", P, "m in the wrong case", "`MPa`"),
        ("5 mpag", P, "m in the wrong case", "`MPag`"),
        ("5 mPa(g)", P, "m in the wrong case", r"`MPa\(g\)`"),
        ("5 Mbar", P, "m in the wrong case", "`mbar`"),
        ("300 lb", P, "the pound is a mass", "`psi`"),
        ("300 lb/in²", P, "the pound is a mass", "`psi`"),
        ("20 kg/cm2", P, "the kilogram is a mass", "`kgf/cm2`"),
        ("20 at", P, "technical atmosphere", "`kgf/cm2` or `atm`"),
        ("20 psid", P, "no zero", "`psig` or `psia`"),
        ("20 psig gauge", P, "no known unit", "did you mean"),
        ("10 inHg vac", P, "counts downward", "negative gauge reading"),
        ("20 bra", P, "no known unit of a pressure", "did you mean `bar"),
        ("20 deg", TEMP, "of which scale", "`degC` or `degF`"),
        ("20°", TEMP, "of which scale", "`degC` or `degF`"),
        ("20", TEMP, "has no unit", "18 degC"),
        ("20 k", TEMP, "prefix kilo", "`K`"),
        ("5 fps", V, "feet or frames", "`ft/s`"),
        ("5 ips", V, "inches per second", "`in/s`"),
        ("5 MM/S", V, "m in the wrong case", "`mm/s`"),
        ("5 mhz", HZ, "m in the wrong case", "`MHz`"),
        ("5 oz", Kind.VOLUME, "fluid ounce", "`cm3`"),
        ("5 fl oz", Kind.VOLUME, "US or an imperial", "`cm3`"),
        ("0.1", Kind.RATIO, r"`0\.1` has no unit", r"`10 %` or `0\.1 %`, whichever"),
        ("10 wt%", Kind.RATIO, "no known unit of a ratio", "write one of %"),
        ("1.13 %", Kind.NUMBER, "a plain number has no unit", "number alone"),
        ("12 frames", Kind.NUMBER, "a plain number has no unit", "number alone"),
        ("٥ mm", L, "digit `٥`", "0 to 9"),
        ("５ mm", L, "digit `５`", "0 to 9"),
        ("5 mm\u200b", L, r"U\+200B", "anew"),
        ("5 mm" + " " * 100, L, "104 characters long", "separator"),
    ],
)
def test_refuses_with_the_reason_and_what_to_write(
    text: str, kind: Kind, reason: str, hint: str
) -> None:
    with pytest.raises(UnitError, match=reason) as refused:
        parse_quantity(text, kind)
    error = refused.value
    assert re.search(reason, error.message)
    assert error.expected
    assert re.search(hint, error.hint)


def test_the_heading_s_unit_serves_plain_numbers_and_yields_to_a_written_one() -> None:
    millimetres = parse_unit("mm", L)
    assert parse_quantity("31.5", L, unit=millimetres).si == 0.0315
    assert parse_quantity("5/16", L, unit=parse_unit("in", L)).si == 0.0079375
    assert parse_quantity("5/16 in", L, unit=millimetres).si == 0.0079375
    assert parse_quantity("10", Kind.RATIO, unit=parse_unit("%", Kind.RATIO)).si == 0.1


def test_a_heading_s_unit_of_another_kind_is_refused() -> None:
    with pytest.raises(UnitError, match="heading's unit `s` is the unit of a time"):
        parse_quantity("5", L, unit=parse_unit("s", T))


@pytest.mark.parametrize(
    ("text", "symbol", "zero"),
    [
        ("psi", "psi", None),
        ("psig", "psig", "gauge"),
        ("PSIG", "psig", "gauge"),
        ("psi(g)", "psig", "gauge"),
        ("psi (G)", "psig", "gauge"),
        ("psi g", "psig", "gauge"),
        ("psi gauge", "psig", "gauge"),
        ("psi (gauge)", "psig", "gauge"),
        ("psi gage", "psig", "gauge"),
        ("lbf/in2 gauge", "psig", "gauge"),
        ("psia", "psia", "absolute"),
        ("psi abs", "psia", "absolute"),
        ("psi abs.", "psia", "absolute"),
        ("psi (absolute)", "psia", "absolute"),
        ("barg", "barg", "gauge"),
        ("bar(g)", "barg", "gauge"),
        ("bar( a )", "bara", "absolute"),
        ("bar abs", "bara", "absolute"),
        ("mbara", "mbara", "absolute"),
        ("kPag", "kPag", "gauge"),
        ("MPag", "MPag", "gauge"),
        ("MPaa", "MPaa", "absolute"),
        ("hPaa", "hPaa", "absolute"),
        ("Pa(g)", "Pa(g)", "gauge"),
        ("inHg gauge", "inHg(g)", "gauge"),
        ("mmHg", "mmHg", None),
        ("kgf/cm² g", "kgf/cm2(g)", "gauge"),
    ],
)
def test_pressure_units_name_their_zero(text: str, symbol: str, zero: str | None) -> None:
    unit = parse_unit(text, P)
    assert (unit.symbol, unit.zero) == (symbol, zero)


def test_a_unit_alone_may_not_be_empty_nor_a_number() -> None:
    with pytest.raises(UnitError, match="no unit"):
        parse_unit(" ", L)
    with pytest.raises(UnitError, match="no known unit"):
        parse_unit("5", L)


def test_a_plain_number_has_the_empty_unit() -> None:
    assert parse_unit("", Kind.NUMBER).symbol == ""


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ("mV", (Kind.VOLTAGE,)),
        ("count", (Kind.COUNT,)),
        ("fps", (Kind.FREQUENCY,)),
        ("degC", (Kind.TEMPERATURE, Kind.TEMPERATURE_DIFFERENCE)),
        ("MV", ()),
        ("", ()),
    ],
)
def test_tells_the_kinds_of_a_unit(text: str, kinds: tuple[Kind, ...]) -> None:
    assert kinds_of_unit(text) == kinds


@pytest.mark.parametrize(
    ("text", "name", "unit_text"),
    [
        ("length (mm)", "length", "mm"),
        ("length(mm)", "length", "mm"),
        ("  length \u00a0 ( mm ) ", "length", "mm"),
        ("time", "time", None),
        ("pressure (bar(g))", "pressure", "bar(g)"),
        ("pressure (psi (g))", "pressure", "psi (g)"),
        ('core (")', "core", '"'),
        ("p (raw) (psig)", "p (raw)", "psig"),
        ("a) time (s)", "a) time", "s"),
        ("p (raw) filtered", "p (raw) filtered", None),
        ("column 1 (ms)", "column 1", "ms"),
        ("Druck − roh (bar)", "Druck − roh", "bar"),
    ],
)
def test_splits_a_heading(text: str, name: str, unit_text: str | None) -> None:
    assert parse_heading(text) == Heading(name, unit_text)


@pytest.mark.parametrize(
    "text", ["", " ", "(mm)", "length ()", "length ( )", "length (mm", "length mm)"]
)
def test_refuses_a_broken_heading(text: str) -> None:
    with pytest.raises(UnitError, match=r"heading `.*` is not understood") as refused:
        parse_heading(text)
    assert "`length (mm)`" in refused.value.hint


LIKELY_PIECES = (
    "in mm ' \" lb lbf psi g (g) a gauge MPa mpa % deg C °C K 1/s /s fps mol cm3 ^3 per second "
    "0 1 5 16 1000 000 1e5 e-3 e E . , / - + ± ~ # : ½ ² ⁄ to x \u200b ٣"
)
PIECES = st.lists(st.sampled_from([*LIKELY_PIECES.split(), "\u00a0"]), max_size=6)
ANY_TEXT = st.one_of(st.text(max_size=20), PIECES.map("".join), PIECES.map(" ".join))


def outcome(read: Callable[[], Result]) -> Result | UnitError:
    try:
        return read()
    except UnitError as error:
        return error


@settings(max_examples=400)
@given(ANY_TEXT, st.sampled_from(list(Kind)))
@example("1e340 m", L)
@example("1e-340 m", L)
@example("9" * 100, Kind.NUMBER)
@example("/", L)
@example("5 .", L)
@example("5 (", P)
def test_any_text_is_read_to_a_finite_value_or_refused(text: str, kind: Kind) -> None:
    result = outcome(lambda: parse_quantity(text, kind))
    if isinstance(result, UnitError):
        assert all((result.message, result.expected, result.hint))
    else:
        assert math.isfinite(result.si)
        assert result.unit.kind is kind


@given(ANY_TEXT, st.sampled_from(list(Kind)))
def test_units_and_headings_are_read_or_refused(text: str, kind: Kind) -> None:
    unit = outcome(lambda: parse_unit(text, kind))
    assert unit.hint if isinstance(unit, UnitError) else unit.kind is kind
    heading = outcome(lambda: parse_heading(text))
    assert heading.hint if isinstance(heading, UnitError) else heading.name in text


@given(
    st.from_regex(r"[0-9]{1,12}(\.[0-9]{1,12})?", fullmatch=True),
    st.sampled_from([("mm", L), ("in", L), ("lb", M), ("psi", P), ("kgf/cm2", P)]),
)
@example("0.1", ("psi", P))
def test_the_short_way_reads_a_plain_number_to_the_last_bit(
    text: str, spelt: tuple[str, Kind]
) -> None:
    unit = parse_unit(*spelt)
    assert plain_si(text, unit) == parse_quantity(text, spelt[1], unit=unit).si


@pytest.mark.parametrize("text", ["-1", "1e3", "1 1/8", "1,5", "3 mm", ".5", "", "nan", "٣"])
def test_the_short_way_leaves_all_else_to_the_long_one(text: str) -> None:
    assert plain_si(text, parse_unit("mm", L)) is None
    assert plain_si("20", parse_unit("degC", TEMP)) is None
