from __future__ import annotations

import math
from typing import Literal

import pytest

from strandwise.errors import UnitError
from strandwise.units import (
    Kind,
    absolute_pressure,
    is_gauge,
    parse_quantity,
    parse_unit,
    standard_atmosphere_pressure,
)

PSI = 4.4482216152605 / 0.0254**2  # lbf/in², NIST SP 811, appendix B.8


def absolute(
    text: str, readings: Literal["gauge", "absolute"] = "absolute", ambient: float | None = None
) -> float:
    return absolute_pressure(
        parse_quantity(text, Kind.PRESSURE), readings=readings, ambient=ambient
    )


@pytest.mark.parametrize(
    ("text", "readings", "ambient", "pascal"),
    [
        ("300 psia", "gauge", None, 300 * PSI),
        ("300 psia", "absolute", None, 300 * PSI),
        ("300 psig", "absolute", 101325.0, 300 * PSI + 101325.0),
        ("300 psi", "absolute", None, 300 * PSI),
        ("300 psi", "absolute", 101325.0, 300 * PSI),
        ("300 psi", "gauge", 90000.0, 300 * PSI + 90000.0),
        ("2.1 barg", "absolute", 90000.0, 300000.0),
        ("0 barg", "absolute", 90000.0, 90000.0),
        ("-0.5 barg", "absolute", 90000.0, 40000.0),
        ("-5 inHg gauge", "absolute", 101325.0, 101325.0 - 5 * 3386.388640341),
    ],
)
def test_gauge_readings_stand_on_the_ambient_pressure(
    text: str, readings: Literal["gauge", "absolute"], ambient: float | None, pascal: float
) -> None:
    assert absolute(text, readings, ambient) == pytest.approx(pascal, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "readings", "ambient", "reason", "hint"),
    [
        (
            "300 psig",
            "absolute",
            None,
            "ambient pressure is not known",
            "altitude in campaign.toml",
        ),
        ("300 psi", "gauge", None, "ambient pressure is not known", "ambient_pressure or altitude"),
        ("-1 barg", "absolute", 90000.0, "absolute pressure of −0.1 bar", "check the reading"),
        ("-0.9 barg", "absolute", 90000.0, "absolute pressure of 0 bar", "check the reading"),
        ("0 psi", "absolute", 101325.0, "absolute pressure of 0 psi", "`0 psig`"),
        ("-3 psia", "absolute", 101325.0, "absolute pressure of −3 psia", "gauge"),
        ("5 barg", "absolute", 0.0, r"ambient pressure is 0\.0 Pa", "correct"),
        ("5 barg", "absolute", math.nan, "ambient pressure is nan Pa", "correct"),
    ],
)
def test_refuses_what_has_no_absolute_pressure(
    text: str,
    readings: Literal["gauge", "absolute"],
    ambient: float | None,
    reason: str,
    hint: str,
) -> None:
    with pytest.raises(UnitError, match=reason) as refused:
        absolute(text, readings, ambient)
    assert hint in refused.value.hint


def test_refuses_a_quantity_that_is_no_pressure() -> None:
    with pytest.raises(UnitError, match="`5 mm` is a length"):
        absolute_pressure(parse_quantity("5 mm", Kind.LENGTH), readings="absolute", ambient=None)


@pytest.mark.parametrize(
    ("symbol", "readings", "gauge"),
    [
        ("psi", "gauge", True),
        ("psi", "absolute", False),
        ("psig", "absolute", True),
        ("psia", "gauge", False),
    ],
)
def test_the_unit_s_own_zero_comes_first(
    symbol: str, readings: Literal["gauge", "absolute"], gauge: bool
) -> None:
    assert is_gauge(parse_unit(symbol, Kind.PRESSURE), readings) is gauge


# U.S. Standard Atmosphere, 1976 (NOAA-S/T 76-1562), table I, pressure at geometric altitude, Pa,
# as printed to five figures (from memory).
@pytest.mark.parametrize(
    ("altitude", "pascal"),
    [
        (-500.0, 1.0748e5),
        (0.0, 1.01325e5),
        (500.0, 9.5461e4),
        (1000.0, 8.9876e4),
        (1500.0, 8.4560e4),
        (2000.0, 7.9501e4),
        (3000.0, 7.0121e4),
        (5000.0, 5.4048e4),
        (10000.0, 2.6500e4),
        (11000.0, 2.2700e4),
    ],
)
def test_standard_atmosphere_agrees_with_the_printed_table(altitude: float, pascal: float) -> None:
    # Half a unit of the fifth figure, and the rounding of the gas constant in ISO 2533.
    assert standard_atmosphere_pressure(altitude) == pytest.approx(pascal, rel=5e-5)


@pytest.mark.parametrize("altitude", [-501.0, 11001.0, math.nan, math.inf])
def test_refuses_altitudes_outside_the_troposphere(altitude: float) -> None:
    with pytest.raises(UnitError, match="outside the range of the standard troposphere") as refused:
        standard_atmosphere_pressure(altitude)
    assert "ambient_pressure" in refused.value.hint
