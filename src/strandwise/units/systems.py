"""The units that a reader sees: a system by name, and single units in place of its own.

Written as ``metric``, ``inch-pound`` or ``mixed``, with other units after commas: ``metric, bar``.
"""

from __future__ import annotations

import functools
from types import MappingProxyType
from typing import TYPE_CHECKING

from strandwise.units.kinds import Kind, Unit
from strandwise.units.numbers import refuse
from strandwise.units.quantities import kinds_of_unit, parse_unit

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["SYSTEMS", "parse_unit_choice", "shown_unit", "units_shown"]

_KINDS = {
    "rate": Kind.VELOCITY,
    "pressure": Kind.PRESSURE,
    "length": Kind.LENGTH,
    "mass": Kind.MASS,
    "force": Kind.FORCE,
    "temperature": Kind.TEMPERATURE,
    "density": Kind.DENSITY,
    "area": Kind.AREA,
    "volume": Kind.VOLUME,
}
_METRIC = ("mm/s", "MPa", "mm", "g", "N", "degC", "g/cm3", "mm2", "cm3")
_INCH_POUND = ("in/s", "psi", "in", "lb", "lbf", "degF", "lb/in3", "in2", "in3")
# Common practice, no source: rulers, drills and gauges in inches and psi, while the scale, the
# load cell and the thermometer on the bench read grams, newtons and degrees Celsius.
_MIXED = ("in/s", "psi", "in", "g", "N", "degC", "g/cm3", "in2", "cm3")

SYSTEMS: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {
        "metric": dict(zip(_KINDS, _METRIC, strict=True)),
        "inch-pound": dict(zip(_KINDS, _INCH_POUND, strict=True)),
        "mixed": dict(zip(_KINDS, _MIXED, strict=True)),
    }
)
"""By name of the system: the unit of each quantity."""

_EXPECTED = (
    "`metric`, `inch-pound` or `mixed`, with other units after commas where wanted, such as "
    "`metric, bar`"
)


def parse_unit_choice(text: str) -> str:
    """Choice of units as it is kept: the system, then what differs from it.

    Parameters
    ----------
    text
        As a person wrote it.

    Returns
    -------
    str
        Such as ``metric`` or ``metric, bar``; reads back as itself.

    Raises
    ------
    UnitError
        The system is unknown, or a unit is of no quantity that is shown, stands for a quantity
        twice, or is a gauge unit (what is shown is absolute).
    """
    system, *others = (part.strip() for part in text.split(","))
    name = system.lower()
    if name not in SYSTEMS:
        refuse(f"`{system}` is no system of units", expected=_EXPECTED, hint=_looks_like(system))
    changed: dict[str, str] = {}
    for written in others:
        quantity, unit = _quantity_of(written)
        if quantity in changed:
            refuse(
                f"`{changed[quantity]}` and `{unit}` are both units of {quantity}",
                expected="one unit for each quantity",
                hint="leave one of them out",
            )
        changed[quantity] = unit.symbol
    return ", ".join([name, *(u for q, u in changed.items() if u != SYSTEMS[name][q])])


def _looks_like(system: str) -> str:
    if system and kinds_of_unit(system):
        return f"name the system first: `metric, {system}`"
    return "the system stands first"


def _quantity_of(written: str) -> tuple[str, Unit]:
    fitting = {
        quantity: kind for quantity, kind in _KINDS.items() if kind in kinds_of_unit(written)
    }
    if not fitting:
        refuse(
            f"`{written}` is no unit of anything that is shown",
            expected=f"a unit of {', '.join(_KINDS)}",
            hint="write it as `bar`, `mm/s` or `lbf`",
        )
    ((quantity, kind),) = fitting.items()
    unit = parse_unit(written, kind)
    if unit.zero == "gauge":
        refuse(
            f"`{unit}` counts from the pressure of the air, and pressures are shown absolute",
            expected="an absolute unit, such as `psi`, `bar` or `MPa`",
            hint="readings may be gauge all the same: write each with its unit",
        )
    return quantity, unit


@functools.cache
def units_shown(choice: str) -> Mapping[str, Unit]:
    """Unit of each quantity for a choice as `parse_unit_choice` reads it.

    Returns
    -------
    mapping of str to Unit
        By quantity: rate, pressure, length, mass, force, temperature, density, area, volume.
    """
    system, *changed = parse_unit_choice(choice).split(", ")
    units = {name: parse_unit(text, _KINDS[name]) for name, text in SYSTEMS[system].items()}
    units.update(map(_quantity_of, changed))
    return MappingProxyType(units)


def shown_unit(choice: str, kind: Kind, metric: str, inch_pound: str) -> str:
    """Which of two customary units of a column or a question goes with a choice of units.

    Parameters
    ----------
    choice
        As `parse_unit_choice` reads it.
    kind
        Of the quantity.
    metric, inch_pound
        The two; empty where the column has no unit.

    Returns
    -------
    str
        Symbol; that of the choice itself where it names one of its own. A pressure unit then says
        that it is absolute (``bara``), since readings in it are often gauge.
    """
    quantity = next((name for name, one in _KINDS.items() if one is kind), None)
    if quantity is None or not metric:
        return inch_pound if choice == "inch-pound" else metric
    own = units_shown(choice)[quantity].symbol
    if own == SYSTEMS["metric"][quantity]:
        return metric
    if own == SYSTEMS["inch-pound"][quantity]:
        return inch_pound
    if kind is Kind.PRESSURE and kinds_of_unit(f"{own}a"):
        return f"{own}a"
    return own
