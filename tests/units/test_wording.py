"""Quantities within sentences, in the units of the reader."""

from __future__ import annotations

import pytest

from strandwise.errors import UnitError
from strandwise.units import METRIC, Kind, parse_unit, symbol_of, wording_in

# NIST SP 811: 6894.757 Pa to the psi, 4.4482216 N to the lbf, 0.3048 m, 0.45359237 kg, 25.4 mm.
ONE = {"Pa": 6894.757, "N": 4.4482216}


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        ("inch-pound", ["525 psi", "1235 psi", "45.9 lbf", "3006 ft/s", "0.281 in", "0.377 lb"]),
        ("mixed", ["525 psi", "1235 psi", "204 N", "916 m/s", "0.281 in", "171 g"]),
        ("metric", ["3.62 MPa", "8.51 MPa", "204 N", "916 m/s", "7.14 mm", "171 g"]),
        ("metric, bar", ["36.2 bar", "85.1 bar", "204 N", "916 m/s", "7.14 mm", "171 g"]),
    ],
)
def test_quantities_in_the_units_of_the_reader(choice: str, said: list[str]) -> None:
    say = wording_in(choice)
    assert [
        say.signal(525.0 * ONE["Pa"], "Pa"),
        say.signal(1234.6 * ONE["Pa"], "Pa"),  # never 1.23e+03
        say.signal(204.2, "N"),
        say.speed(916.2),
        say.size(7.14375e-3, "m"),
        say.size(0.17095, "kg"),
    ] == said


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        # t/°F = 9/5·(T/K) − 459.67; 16.387064 cm³ to the in³, 27.6799 g/cm³ to the lb/in³.
        ("inch-pound", ["0.292 in/s", "64.4 °F", "27 °F", "6.1 in³", "0.065 lb/in³", "1.55 in²"]),
        ("mixed", ["0.292 in/s", "18 °C", "15 K", "100 cm³", "1.8 g/cm³", "1.55 in²"]),
        ("metric", ["7.42 mm/s", "18 °C", "15 K", "100 cm³", "1.8 g/cm³", "1000 mm²"]),
    ],
)
def test_rates_temperatures_and_sizes(choice: str, said: list[str]) -> None:
    say = wording_in(choice)
    assert [
        say.burn_rate(7.42e-3),
        say.warmth(291.15),
        say.warmer(15.0),
        say.size(100e-6, "m³"),
        say.size(1800.0, "kg/m³"),
        say.size(1e-3, "m²"),
    ] == said


def test_the_air_has_a_unit_in_which_it_is_no_fraction() -> None:
    # The standard atmosphere, 101 325 Pa, is 14.696 psi and 1.01325 bar (NIST SP 811, B.8).
    told = {name: wording_in(name).air(101325.0) for name in ("metric", "inch-pound")}
    assert told == {"metric": "101.3 kPa", "inch-pound": "14.7 psi"}
    assert wording_in("metric, bar").air(101325.0) == "1.013 bar"


def test_below_zero_stands_a_true_minus() -> None:
    assert METRIC.warmth(263.15) == "−10 °C"
    assert METRIC.size(-0.003, "m") == "−3 mm"


def test_an_impulse_has_the_unit_of_the_force() -> None:
    assert wording_in("inch-pound").impulse(45.7 * ONE["N"]) == "45.7 lbf·s"
    assert wording_in("metric").impulse(3824.6) == "3825 N·s"


@pytest.mark.parametrize(
    ("unit", "kind", "printed"),
    [
        ("degC", Kind.TEMPERATURE, "°C"),
        ("g/cm3", Kind.DENSITY, "g/cm³"),
        ("in2", Kind.AREA, "in²"),
        ("kgf/cm2", Kind.PRESSURE, "kgf/cm²"),
        ("MPa", Kind.PRESSURE, "MPa"),
    ],
)
def test_symbols_as_they_are_printed(unit: str, kind: Kind, printed: str) -> None:
    assert symbol_of(parse_unit(unit, kind)) == printed


def test_no_such_choice() -> None:
    with pytest.raises(UnitError):
        wording_in("furlongs")
