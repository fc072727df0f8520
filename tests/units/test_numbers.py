from __future__ import annotations

import re
import unicodedata
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from strandwise.errors import UnitError
from strandwise.units import parse_number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0", "0"),
        ("31.5", "63/2"),
        (".5", "1/2"),
        ("007", "7"),
        ("+5", "5"),
        ("-5", "-5"),
        ("\u22125", "-5"),
        ("3.2e-3", "0.0032"),
        ("3.2E+3", "3200"),
        ("5/16", "5/16"),
        ("5 / 16", "5/16"),
        ("5\u204416", "5/16"),
        ("5\u221516", "5/16"),
        ("9/8", "9/8"),
        ("1 1/8", "9/8"),
        ("1\u00a01/8", "9/8"),
        ("1\u20091/8", "9/8"),
        ("  1   1/8  ", "9/8"),
        ("1\t1/8", "9/8"),
        ("-1 1/8", "-9/8"),
        ("½", "1/2"),
        ("1½", "3/2"),
        ("1 ½", "3/2"),
        ("-1½", "-3/2"),
        ("⅞", "7/8"),
        ("⅒", "1/10"),
    ],
)
def test_reads_a_number_as_people_write_it(text: str, value: str) -> None:
    assert parse_number(text) == Fraction(value)


@pytest.mark.parametrize("sign", "¼½¾⅐⅑⅒⅓⅔⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞")
def test_vulgar_fractions_have_the_value_of_the_unicode_database(sign: str) -> None:
    # The Unicode Character Database's Numeric_Value, as Python ships it.
    assert float(parse_number(sign)) == unicodedata.numeric(sign)


@pytest.mark.parametrize(
    ("text", "reason", "hint"),
    [
        ("", "no text", "number first"),
        ("   ", "no text", "number first"),
        ("mm", "does not begin with a number", "number first"),
        ("--5", "does not begin with a number|is no number", "number"),
        ("- 5", "does not begin with a number", "number first"),
        ("2,5", "has a comma", r"write `2\.5`"),
        ("0,125", "has a comma", r"write `0\.125`$"),
        ("-0,125", "has a comma", r"write `-0\.125`$"),
        (",5", "has a comma", r"write `\.5`"),
        ("1,000", "thousands for some and decimals", r"`1000` or `1\.000`, whichever"),
        ("1,000,000", "thousands for some", r"write `1000000`$"),
        ("1,000.5", "thousands for some", r"write `1000\.5`$"),
        ("1.000,5", "has a comma", r"write it as `1000\.5`"),
        ("1 000", "a blank inside the number", "write `1000`"),
        ("1\u202f000\u202f000", "a blank inside the number", "write `1000000`"),
        ("1'000", "a mark inside", "`1000`"),
        ("1’000", "a mark inside", "`1000`"),
        ("1_000", "a mark inside", "`1000`"),
        ("1.2.3", "stray point", "one decimal point"),
        ("5.", "stray point", "one decimal point"),
        ("1..5", "stray point|a range", "one"),
        ("5/0", "divides by zero", "below the fraction bar"),
        ("1 5/0", "divides by zero", "below the fraction bar"),
        ("1/2/3", "more than one fraction", "`5/16`"),
        ("1 1.5/2", "decimal point in a fraction", "`1 1/8`"),
        ("1.5/2", "decimal point in a fraction", "`1 1/8`"),
        ("1/2.5", "decimal point in a fraction", "`1 1/8`"),
        ("1.5 1/2", "decimal point in a fraction", "`1 1/8`"),
        ("1.1/8", "decimal point in a fraction", "`1 1/8`"),
        ("1.5½", "two numbers|more than one|holds more", "number|fraction"),
        ("3/4 1", "two numbers", "`1 1/8`"),
        ("5 16", "two numbers", "`5/16`"),
        ("1 1/8 2", "two numbers", "`1 1/8`|one number"),
        ("1 9/8", "9/8 is not between 0 and 1", "slip"),
        ("1 8/8", "8/8 is not between 0 and 1", "slip"),
        ("1 0/8", "0/8 is not between 0 and 1", "slip"),
        ("1-1/2", "has a hyphen", "`1 1/2 in`"),
        ("1–1/2", "has a hyphen", "`1 1/2 in`"),
        ("5-6", "a range", "one number alone"),
        ("5–6", "a range", "one number alone"),
        ("5 to 6", "a range", "one number alone"),
        ("5...6", "a range", "one number alone"),
        ("–5", "a dash that is not a minus", "`-`"),
        ("½5", "more than one fraction", "`5/16`"),
        ("½½", "more than one fraction", "`5/16`"),
        ("1½/3", "more than one fraction", "`5/16`"),
        ("1/½", "more than one fraction", "`5/16`"),
        ("⁵⁄₁₆", "raised or lowered digits", "`5/16`"),
        ("10²", "raised or lowered digits", "`2e5`"),
        ("2x10", "a product", "`2e5`"),
        ("2×10^5", "a product", "`2e5`"),
        ("1:02", "minutes and seconds", "`62 s`"),
        ("5 ± 0.1", "its uncertainty", "_sd"),
        ("5 +/- 0.1", "its uncertainty", "_sd"),
        ("~5", "a bound or an estimate", "notes"),
        ("<5", "a bound or an estimate", "notes"),
        ("approx 5", "a bound or an estimate", "notes"),
        ("ca. 5", "a bound or an estimate", "notes"),
        ("nan", "is no number", "leave the field empty"),
        ("-inf", "is no number", "leave the field empty"),
        ("N/A", "is no number", "leave the field empty"),
        ("-", "is no number", "leave the field empty"),
        ("#30", "number of a drill or a count of 64ths", r"3\.3 mm"),
        ("No. 30", "number of a drill", r"3\.3 mm"),
        ("20/64ths", "partly in words", "`20/64 in`"),
        ("1e400", "exponent 400", "slip"),
        ("1e999999999", "exponent 999999999", "slip"),
        ("1e-999999999", "exponent -999999999", "slip"),
        ("0x10", "a product", "one number"),
        ("5 mm", "more than a number: `mm`", "number alone"),
        ("1e5e5", "more than a number", "number alone"),
        ("9" * 101, "101 characters long", "separator"),
        ("5\u200b5", r"invisible character U\+200B", "anew"),
        ("5\n", r"invisible character U\+000A", "anew"),
        ("\ufeff5", r"invisible character U\+FEFF", "anew"),
        ("5\ud8005", r"invisible character U\+D800", "anew"),
    ],
)
def test_refuses_with_the_reason_and_what_to_write(text: str, reason: str, hint: str) -> None:
    with pytest.raises(UnitError, match=reason) as refused:
        parse_number(text)
    assert refused.value.expected
    assert re.search(hint, refused.value.hint)


@given(st.characters(categories=["Nd"]).filter(lambda sign: not sign.isascii()))
def test_refuses_the_digits_of_other_scripts(sign: str) -> None:
    assert float(sign) >= 0  # Python itself would read it
    with pytest.raises(UnitError, match="digits 0 to 9"):
        parse_number(f"1{sign}")
    with pytest.raises(UnitError, match="digits 0 to 9"):
        parse_number(sign)


@given(st.floats(allow_nan=False, allow_infinity=False))
@example(5e-324)
@example(1.7976931348623157e308)
def test_every_float_as_python_writes_it_reads_back(value: float) -> None:
    assert float(parse_number(repr(value))) == value


@given(st.integers(0, 999), st.integers(1, 63), st.sampled_from([2, 4, 8, 16, 32, 64, 3, 7]))
def test_mixed_numbers_are_the_sum_of_their_parts(whole: int, over: int, under: int) -> None:
    if over < under:
        assert parse_number(f"{whole} {over}/{under}") == whole + Fraction(over, under)
        assert parse_number(f"-{whole} {over}/{under}") == -(whole + Fraction(over, under))


@settings(max_examples=300)
@given(st.text(alphabet="0123456789./-+eE ½⅛,'\"⁄−#:x~\u00a0", max_size=12))
def test_text_that_is_read_means_what_its_decimals_fractions_and_signs_say(text: str) -> None:
    """Whatever is read agrees with an independent reading by the words of the text."""
    try:
        value = parse_number(text)
    except UnitError:
        return
    plain = text.replace("\u2212", "-").replace("\u2044", "/").replace("\u00a0", " ")
    plain = plain.replace("½", " 1/2").replace("⅛", " 1/8").replace(" /", "/").replace("/ ", "/")
    words = plain.replace("-", "- ").replace("+", "+ ").split() if "e" not in plain.lower() else [
        plain.strip()
    ]  # fmt: skip
    sign = -1 if words[0] == "-" else 1
    assert value == sign * sum(Fraction(word) for word in words if word not in "+-")
