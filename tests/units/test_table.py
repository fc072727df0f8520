"""Every unit against pint, and against the printed factors of NIST SP 811."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction
from typing import Any

import pytest

from strandwise.units import Kind, Unit, from_si, known_units, parse_quantity, parse_unit
from strandwise.units.table import REFUSALS, units_by_spelling

# What pint calls each unit.
IN_PINT: dict[Kind, dict[str, str]] = {
    Kind.LENGTH: {"m": "m", "cm": "cm", "mm": "mm", "um": "um", "km": "km", "in": "inch",
                  "ft": "foot", "thou": "thou"},
    Kind.MASS: {"kg": "kg", "g": "g", "mg": "mg", "lb": "pound", "oz": "ounce", "grain": "grain"},
    Kind.TIME: {"s": "s", "ms": "ms", "us": "us", "min": "minute", "h": "hour"},
    Kind.PRESSURE: {"Pa": "Pa", "hPa": "hPa", "kPa": "kPa", "MPa": "MPa", "mbar": "mbar",
                    "bar": "bar", "psi": "psi", "atm": "atm", "mmHg": "mmHg", "inHg": "inHg",
                    "Torr": "torr", "kgf/cm2": "kgf/cm**2"},
    Kind.FORCE: {"N": "N", "mN": "mN", "kN": "kN", "lbf": "lbf", "ozf": "ozf", "kgf": "kgf",
                 "gf": "gram * g_0"},
    Kind.TEMPERATURE: {"K": "K", "degC": "degC", "degF": "degF"},
    Kind.TEMPERATURE_DIFFERENCE: {"K": "K", "degC": "delta_degC", "degF": "delta_degF"},
    Kind.DENSITY: {"kg/m3": "kg/m**3", "g/cm3": "g/cm**3", "kg/L": "kg/L",
                   "lb/in3": "pound/inch**3", "lb/ft3": "pound/foot**3"},
    Kind.VELOCITY: {"m/s": "m/s", "cm/s": "cm/s", "mm/s": "mm/s", "km/s": "km/s",
                    "in/s": "inch/s", "ft/s": "foot/s"},
    Kind.ANGLE: {"rad": "rad", "deg": "degree"},
    Kind.AREA: {"m2": "m**2", "cm2": "cm**2", "mm2": "mm**2", "in2": "inch**2", "ft2": "foot**2"},
    Kind.VOLUME: {"m3": "m**3", "L": "L", "cm3": "cm**3", "mm3": "mm**3", "in3": "inch**3",
                  "ft3": "foot**3"},
    Kind.FREQUENCY: {"Hz": "Hz", "kHz": "kHz", "MHz": "MHz", "frames/s": "1/s"},
    Kind.RATIO: {"%": "percent", "ppm": "ppm"},
    Kind.MOLAR_ENERGY: {"J/mol": "J/mol", "kJ/mol": "kJ/mol", "kcal/mol": "kcal/mol"},
    Kind.VOLTAGE: {"V": "V", "mV": "mV", "uV": "uV"},
    Kind.COUNT: {"count": "count"},
}  # fmt: skip
SI_IN_PINT = {
    Kind.DENSITY: "kg/m**3",
    Kind.AREA: "m**2",
    Kind.VOLUME: "m**3",
    Kind.FREQUENCY: "1/s",
    Kind.RATIO: "dimensionless",
}
ALL_UNITS = [parse_unit(symbol, kind) for kind in IN_PINT for symbol in known_units(kind)]
WITHOUT_ZERO = [unit for unit in ALL_UNITS if unit.zero is None]


def name_of(unit: Unit) -> str:
    return f"{unit.kind.name}-{unit.symbol}"


@pytest.fixture(scope="module")
def pint_registry() -> Any:
    pint = pytest.importorskip("pint")
    return pint.UnitRegistry(cache_folder=None)


def test_every_unit_has_its_name_in_pint() -> None:
    assert {kind: set(names) for kind, names in IN_PINT.items()} == {
        kind: {unit.symbol for unit in WITHOUT_ZERO if unit.kind is kind} for kind in IN_PINT
    }
    assert set(IN_PINT) == set(Kind) - {Kind.NUMBER}


@pytest.mark.parametrize("unit", WITHOUT_ZERO, ids=name_of)
@pytest.mark.parametrize("magnitude", ["1", "0", "37.5", "1 1/8"])
def test_si_values_agree_with_pint(pint_registry: Any, unit: Unit, magnitude: str) -> None:
    ours = parse_quantity(f"{magnitude} {unit.symbol}", unit.kind).si
    number = 1.125 if magnitude == "1 1/8" else float(magnitude)
    name = IN_PINT[unit.kind][unit.symbol]
    si_name = SI_IN_PINT.get(unit.kind, unit.kind.si_symbol)
    if "*" in name or "/" in name:
        theirs = (number * pint_registry(name)).to(si_name).magnitude
    else:
        theirs = pint_registry.Quantity(number, name).to(si_name).magnitude
    assert ours == pytest.approx(theirs, rel=4e-15, abs=1e-13 if unit.offset else 0.0)


@pytest.mark.parametrize(
    "unit", [unit for unit in ALL_UNITS if unit.zero is not None], ids=lambda unit: unit.symbol
)
def test_gauge_and_absolute_units_have_the_factor_of_the_plain_one(unit: Unit) -> None:
    end = {"gauge": ("g", "(g)"), "absolute": ("a", "(a)")}
    assert unit.zero is not None
    assert unit.symbol.endswith(end[unit.zero])
    plain = unit.symbol[:-3] if unit.symbol.endswith(")") else unit.symbol[:-1]
    assert unit.factor == parse_unit(plain, Kind.PRESSURE).factor
    assert unit.offset == 0


# NIST Special Publication 811 (2008), appendix B.8, factors as printed (from memory): seven
# figures, or exact where marked so there.
@pytest.mark.parametrize(
    ("kind", "symbol", "printed"),
    [
        (Kind.LENGTH, "in", "2.54E-02"),
        (Kind.LENGTH, "ft", "3.048E-01"),
        (Kind.LENGTH, "thou", "2.54E-05"),
        (Kind.MASS, "lb", "4.535924E-01"),
        (Kind.MASS, "oz", "2.834952E-02"),
        (Kind.MASS, "grain", "6.479891E-05"),
        (Kind.TIME, "min", "6.0E+01"),
        (Kind.TIME, "h", "3.6E+03"),
        (Kind.PRESSURE, "psi", "6.894757E+03"),
        (Kind.PRESSURE, "atm", "1.01325E+05"),
        (Kind.PRESSURE, "bar", "1.0E+05"),
        (Kind.PRESSURE, "mmHg", "1.333224E+02"),
        (Kind.PRESSURE, "inHg", "3.386389E+03"),
        (Kind.PRESSURE, "Torr", "1.333224E+02"),
        (Kind.PRESSURE, "kgf/cm2", "9.80665E+04"),
        (Kind.FORCE, "lbf", "4.448222E+00"),
        (Kind.FORCE, "ozf", "2.780139E-01"),
        (Kind.FORCE, "kgf", "9.80665E+00"),
        (Kind.FORCE, "gf", "9.80665E-03"),
        (Kind.DENSITY, "lb/in3", "2.767990E+04"),
        (Kind.DENSITY, "lb/ft3", "1.601846E+01"),
        (Kind.DENSITY, "g/cm3", "1.0E+03"),
        (Kind.VELOCITY, "in/s", "2.54E-02"),
        (Kind.VELOCITY, "ft/s", "3.048E-01"),
        (Kind.ANGLE, "deg", "1.745329E-02"),
        (Kind.AREA, "in2", "6.4516E-04"),
        (Kind.AREA, "ft2", "9.290304E-02"),
        (Kind.VOLUME, "in3", "1.638706E-05"),
        (Kind.VOLUME, "ft3", "2.831685E-02"),
        (Kind.VOLUME, "L", "1.0E-03"),
        (Kind.MOLAR_ENERGY, "kcal/mol", "4.184E+03"),
    ],
)
def test_factors_are_those_of_nist_sp_811(kind: Kind, symbol: str, printed: str) -> None:
    assert f"{float(parse_unit(symbol, kind).factor):.6E}" == f"{float(printed):.6E}"


@pytest.mark.parametrize(
    ("text", "kelvin"),
    [
        # Fixed points of the scales' definitions, NIST SP 811 B.8: T/K = t/°C + 273.15,
        # T/K = (t/°F + 459.67)/1.8.
        ("0 degC", 273.15),
        ("32 degF", 273.15),
        ("212 degF", 373.15),
        ("-40 degF", 233.15),
        ("-40 degC", 233.15),
        ("-459.67 degF", 0.0),
        ("-273.15 degC", 0.0),
    ],
)
def test_temperature_scales_meet_at_their_fixed_points(text: str, kelvin: float) -> None:
    assert parse_quantity(text, Kind.TEMPERATURE).si == kelvin


def test_a_difference_of_temperature_has_no_offset() -> None:
    assert parse_quantity("9 degF", Kind.TEMPERATURE_DIFFERENCE).si == 5.0
    assert parse_quantity("2 degC", Kind.TEMPERATURE_DIFFERENCE).si == 2.0


@pytest.mark.parametrize("kind", list(Kind))
def test_every_spelling_in_the_table_is_read_as_its_unit(kind: Kind) -> None:
    for spelling, unit in units_by_spelling(kind).items():
        if spelling:
            assert parse_unit(spelling, kind) == unit
            assert parse_quantity(f"2 {spelling}", kind).unit == unit


@pytest.mark.parametrize("kind", list(Kind))
def test_the_examples_of_a_kind_are_read(kind: Kind) -> None:
    for example in kind.examples:
        assert parse_quantity(example, kind).unit.kind is kind
        assert f"`{example}`" in kind.expected


def test_no_refused_spelling_hides_a_unit() -> None:
    hidden = [key for key in REFUSALS if key[1] in units_by_spelling(key[0])]
    assert hidden == []


@pytest.mark.parametrize("unit", ALL_UNITS, ids=name_of)
def test_from_si_undoes_the_conversion(unit: Unit) -> None:
    si = parse_quantity(f"12.5 {unit.symbol}", unit.kind).si
    assert from_si(si, unit) == pytest.approx(12.5, rel=1e-14)


def test_units_are_exact_and_positive() -> None:
    for unit in ALL_UNITS:
        assert isinstance(unit.factor, Fraction)
        assert unit.factor > 0


def test_importing_the_units_takes_the_standard_library_only() -> None:
    code = (
        "import sys; before = set(sys.modules); import strandwise.units;"
        "tops = {name.partition('.')[0] for name in set(sys.modules) - before};"
        "print(sorted(tops - set(sys.stdlib_module_names)));"
        "print(sorted(name for name in sys.modules if name.startswith('strandwise.')"
        " and not name.startswith('strandwise.units')))"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split("\n")[:2] == ["['strandwise']", "['strandwise.errors']"]
