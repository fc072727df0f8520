"""Numbers as people write them, exactly; and the reason where one cannot be read.

The grammar of `match_number` alone decides what is read. `explain` only finds words for what it
did not read.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NoReturn

from strandwise.errors import UnitError

__all__ = ["clean_text", "explain", "match_number", "parse_number", "refuse"]

LONGEST_TEXT = 100
"""Characters; no quantity needs more, and longer text is a slip of the file."""

LARGEST_EXPONENT = 340
"""Of ten; the range of floats (308, and −324 for the smallest) with room for a prefix."""

_BLANKS = "\t\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f"
_SAME_SIGNS = str.maketrans(
    dict.fromkeys(_BLANKS, " ")
    | {"\u2212": "-", "\u2044": "/", "\u2215": "/"}
    | {"\u03bc": "µ", "\u212a": "K", "\u2103": "°C", "\u2109": "°F", "\u00ba": "°", "\u02da": "°"}
)

_VULGAR_TEXT = (
    "¼1/4 ½1/2 ¾3/4 ⅐1/7 ⅑1/9 ⅒1/10 ⅓1/3 ⅔2/3 ⅕1/5 ⅖2/5 ⅗3/5 ⅘4/5 ⅙1/6 ⅚5/6 ⅛1/8 ⅜3/8 ⅝5/8 ⅞7/8"
)
_VULGAR = {word[0]: word[1:] for word in _VULGAR_TEXT.split()}
_ONE_SIGN = "".join(_VULGAR)

_NUMBER = re.compile(
    r"(?P<sign>[+-]?)(?:"
    r"(?:(?P<whole>[0-9]+) )?(?P<fraction>[0-9]+ ?/ ?[0-9]+)(?![0-9]| ?/)"
    rf"|(?:(?P<whole_before>[0-9]+) ?)?(?P<vulgar>[{_ONE_SIGN}])"
    r"|(?P<decimal>[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE](?P<exponent>[+-]?[0-9]+))?"
    r")"
)

_EXAMPLES = "a number such as `2.5`, `3.2e-3`, `5/16` or `1 1/8`"


def refuse(message: str, *, expected: str = "", hint: str = "") -> NoReturn:
    """Raise the error of this room.

    Raises
    ------
    UnitError
        Always.
    """
    raise UnitError(message, expected=expected, hint=hint)


def clean_text(text: str) -> str:
    """Give each meaning one sign: blanks, minus, fraction bar, micro, degree.

    Returns
    -------
    str
        Without blanks at the ends and with one between words.

    Raises
    ------
    UnitError
        If the text is very long, or holds signs that cannot be seen or digits other than 0 to 9.
    """
    if len(text) > LONGEST_TEXT:
        refuse(
            f"{text[:20]!a}… is {len(text)} characters long",
            expected=f"at most {LONGEST_TEXT} characters",
            hint="look for a missing separator or quote in the file",
        )
    clean = " ".join(filter(None, text.translate(_SAME_SIGNS).split(" ")))
    if clean.isascii() and clean.isprintable():
        return clean
    for sign in clean:
        if not sign.isprintable():
            refuse(
                f"{text!a} holds the invisible character U+{ord(sign):04X}",
                expected="visible characters",
                hint="type it anew",
            )
        if sign.isdecimal() and not sign.isascii():
            refuse(
                f"`{clean}` holds the digit `{sign}`",
                expected="the digits 0 to 9",
                hint="type it anew with the digits 0 to 9",
            )
    return clean


def parse_number(text: str) -> Fraction:
    """Read a number: ``3.2e-3``, ``5/16``, ``1 1/8``, ``1½``, ``−5``.

    Parameters
    ----------
    text
        The number alone, with a decimal point and no thousands separators.

    Returns
    -------
    Fraction
        The exact value.

    Raises
    ------
    UnitError
        If the text is no number, or may be read in more than one way.
    """
    clean = clean_text(text)
    number, rest = match_number(clean)
    if rest:
        explain(clean)
        refuse(
            f"`{clean}` holds more than a number: `{rest}`",
            expected=_EXAMPLES,
            hint="write the number alone",
        )
    return number


def match_number(text: str) -> tuple[Fraction, str]:
    """Split cleaned text into the number that it begins with and what follows.

    Returns
    -------
    tuple of Fraction and str
        The exact value, and the rest without blanks at its ends; a rest that is no unit means
        that the number was not read as meant.

    Raises
    ------
    UnitError
        If the text does not begin with a number, divides by zero, has a huge exponent, or is a
        mixed number whose fraction is no proper one.
    """
    match = _NUMBER.match(text)
    if match is None:
        explain(text)
        refuse(
            f"`{text}` does not begin with a number" if text else "there is no text",
            expected=f"{_EXAMPLES}, and then its unit",
            hint="write the number first, with the digits 0 to 9",
        )
    if match["decimal"]:
        value = _decimal(match["decimal"], match["exponent"] or "0", text)
    else:
        whole = match["whole"] or match["whole_before"]
        value = _fraction(whole, match["fraction"] or _VULGAR[match["vulgar"]], text)
    return (-value if match["sign"] == "-" else value), text[match.end() :].strip(" ")


def _decimal(digits: str, exponent: str, text: str) -> Fraction:
    if abs(int(exponent)) > LARGEST_EXPONENT:
        refuse(
            f"`{text}` has the exponent {exponent}",
            expected=f"an exponent from -{LARGEST_EXPONENT} to {LARGEST_EXPONENT}",
            hint="look for a slip in the exponent",
        )
    whole, _, decimals = digits.partition(".")
    shift = int(exponent) - len(decimals)
    scaled = int(whole + decimals)
    return Fraction(scaled, 10**-shift) if shift < 0 else Fraction(scaled * 10**shift)


def _fraction(whole: str | None, fraction: str, text: str) -> Fraction:
    over, under = (int(part) for part in fraction.split("/"))
    if under == 0:
        refuse(
            f"`{text}` divides by zero",
            expected="a fraction such as `5/16`",
            hint="look for a slip below the fraction bar",
        )
    if whole is None:
        return Fraction(over, under)
    if not 0 < over < under:
        refuse(
            f"`{text}` is a mixed number whose fraction {over}/{under} is not between 0 and 1",
            expected="a mixed number such as `1 1/8`",
            hint="look for a slip, or write a decimal number",
        )
    return int(whole) + Fraction(over, under)


_ONE_VALUE = "write one number alone; what else is known belongs in the notes"
_RAISED = "⁰¹²³⁴⁵⁶⁷⁸⁹⁻₀₁₂₃₄₅₆₇₈₉⅟"

# Pattern, reason, hint; the first that is found in the text names the reason.
_SUSPECTS: tuple[tuple[str, str, str], ...] = (
    (
        r"^[+-]?(?:nan|inf|infinity|n/?a|none|null|unknown|tbd|\?+)(?: |$)|^[-–—]+$",
        "is no number",
        "leave the field empty where nothing was measured",
    ),
    (
        r"^#|^no\.? ?[0-9]",
        "may be the number of a drill or a count of 64ths of an inch",
        "write the size itself with its unit, such as `3.3 mm` or `20/64 in`",
    ),
    (
        r"±|\+ ?/ ?-|\+-",
        "holds a value and its uncertainty",
        "write the value alone; the standard uncertainty has a field of its own (`…_sd`)",
    ),
    (
        r"^(?:[~≈≃<>≤≥=]|(?:approx|about|around|circa|ca|max|min|up to|over|under|nearly)\b)",
        "is a bound or an estimate",
        _ONE_VALUE,
    ),
    (
        r"[0-9] ?: ?[0-9]",
        "has a colon: minutes and seconds, hours and minutes, or a ratio",
        "write one number: 1 min 2 s is `62 s`, one part in ten is `10 %`",
    ),
    (
        r"[0-9] ?[-–—] ?[0-9]+ ?/ ?[0-9]",
        "has a hyphen that may part a mixed number or be a minus",
        "write a mixed number with a blank, such as `1 1/2 in`",
    ),
    (
        r"[0-9][a-z\"'″′]* ?(?:–|—|-|\.\.+|…|\bto\b) ?[0-9]",
        "looks like a range",
        _ONE_VALUE,
    ),
    (r"^[–—]", "begins with a dash that is not a minus", "write a minus as `-`"),
    (
        r"[0-9] ?(?:ths|nds|rds)\b",
        "is a fraction partly in words",
        "write it in figures with its unit, such as `20/64 in`",
    ),
    (
        r"[0-9] ?[x×*·⋅] ?[0-9]",
        "is a product",
        "write one number; a power of ten is written `2e5`",
    ),
    (
        rf"(?:^|[0-9] ?)[{_RAISED}]",
        "has raised or lowered digits",
        "write a fraction as `5/16` and a power of ten as `2e5`",
    ),
    (
        r"[0-9](?:_[0-9]|['’][0-9]{3}(?![0-9]))",
        "has a mark inside the number",
        "write the number without a thousands separator, such as `1000`",
    ),
    (
        r"[0-9]\.[0-9]*\.|[0-9]\.(?![0-9])|\.[0-9]+\.",
        "has a stray point",
        "write one decimal point with digits on its right, such as `2.5`",
    ),
    (
        r"\.[0-9]+ ?/ ?[0-9]|/ ?[0-9]*\.[0-9]|[0-9]\.[0-9]+ [0-9]+ ?/",
        "has a decimal point in a fraction",
        "write a decimal such as `1.125` or a mixed number such as `1 1/8`",
    ),
    (
        rf"/ ?[0-9]+ ?/|/ ?[{_ONE_SIGN}]|[{_ONE_SIGN}] ?[/0-9{_ONE_SIGN}]",
        "has more than one fraction",
        "write a fraction as `5/16`, a mixed number as `1 1/8`",
    ),
)


def explain(text: str) -> None:
    """Raise with the reason why cleaned text is not read, where its number is at fault.

    Raises
    ------
    UnitError
        If a reason is found.
    """
    for pattern, reason, hint in _SUSPECTS:
        if re.search(pattern, text, re.IGNORECASE):
            refuse(f"`{text}` {reason}", expected="one number", hint=hint)
    if re.search(r",[0-9]", text):
        _refuse_comma(text)
    if groups := re.match(r"[+-]?[0-9]{1,3}(?: [0-9]{3})+(?![0-9])", text):
        joined = groups[0].replace(" ", "") + text[groups.end() :]
        refuse(
            f"`{text}` has a blank inside the number",
            expected="a number without thousands separators",
            hint=f"write `{joined}`",
        )
    if re.match(rf"[+-]?[0-9./eE]+ [0-9.{_ONE_SIGN}]", text):
        refuse(
            f"`{text}` has two numbers",
            expected="one number",
            hint="write a decimal `1.125`, a fraction `5/16` or a mixed number `1 1/8`",
        )


def _refuse_comma(text: str) -> NoReturn:
    """Say what a comma may mean, and what to write for each meaning."""
    expected = "a point before the decimals and no thousands separators"
    if re.match(r"[+-]?[1-9][0-9]{0,2}(?:,[0-9]{3})+(?![0-9,])", text):
        meant = [f"`{text.replace(',', '')}`"]
        if text.count(",") == 1 and "." not in text:
            meant.append(f"`{text.replace(',', '.')}`")
        refuse(
            f"`{text}` has a comma, which parts thousands for some and decimals for others",
            expected=expected,
            hint=f"write {' or '.join(meant)}{', whichever is meant' if len(meant) > 1 else ''}",
        )
    single = text.count(",") == 1 and "." not in text
    refuse(
        f"`{text}` has a comma",
        expected=expected,
        hint=f"write `{text.replace(',', '.')}`" if single else "write it as `1000.5`",
    )
