"""What a quantity may be, and what a unit is."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

__all__ = ["Kind", "Unit", "Zero"]

Zero = Literal["gauge", "absolute"]
"""From where a pressure is counted: the ambient pressure, or vacuum."""


class Kind(enum.Enum):
    """What a quantity is: its name for messages, its SI unit, and texts that show how to write it.

    `VELOCITY` serves burn rates and the characteristic velocity; `COUNT` the raw readings of a
    converter; `NUMBER` what has no unit at all.
    """

    LENGTH = ("length", "m", ("31.5 mm", "5/16 in"))
    MASS = ("mass", "kg", ("236 g", "3 1/2 lb"))
    TIME = ("time", "s", ("1.9 s", "350 ms"))
    PRESSURE = ("pressure", "Pa", ("2.1 MPa", "300 psig", "20 bara"))
    FORCE = ("force", "N", ("410 N", "92 lbf"))
    TEMPERATURE = ("temperature", "K", ("18 degC", "65 degF", "291 K"))
    TEMPERATURE_DIFFERENCE = ("temperature difference", "K", ("2 degC", "3 K"))
    DENSITY = ("density", "kg/m3", ("1.8 g/cm3", "0.065 lb/in3"))
    VELOCITY = ("velocity", "m/s", ("8.5 mm/s", "0.33 in/s", "890 m/s"))
    ANGLE = ("angle", "rad", ("15 deg", "0.26 rad"))
    AREA = ("area", "m2", ("71 mm2", "0.11 in2"))
    VOLUME = ("volume", "m3", ("85 cm3", "5.2 in3"))
    FREQUENCY = ("frequency", "Hz", ("2000 Hz", "240 frames/s"))
    RATIO = ("ratio", "", ("10 %", "0.5 %"))
    MOLAR_ENERGY = ("molar energy", "J/mol", ("-494.6 kJ/mol",))
    VOLTAGE = ("voltage", "V", ("12.5 mV", "2.5 V"))
    COUNT = ("converter count", "count", ("8388607 count",))
    NUMBER = ("plain number", "", ("1.13", "2"))

    def __init__(self, label: str, si_symbol: str, examples: tuple[str, ...]) -> None:
        self.label = label
        self.si_symbol = si_symbol
        self.examples = examples

    @property
    def with_article(self) -> str:
        """The name with its article, such as ``an angle``."""
        return f"{'an' if self.label[0] in 'aeiou' else 'a'} {self.label}"

    @property
    def expected(self) -> str:
        """What a message says was wanted, with the examples."""
        without = " without a unit" if self is Kind.NUMBER else ""
        shown = " or ".join(f"`{example}`" for example in self.examples)
        return f"{self.with_article}{without} such as {shown}"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of one kind: SI value = magnitude · factor + offset, exactly.

    Parameters
    ----------
    symbol
        The way this package writes it; `parse_unit` reads it back.
    kind
        What it measures.
    factor, offset
        To SI; the offset is other than 0 only for temperatures.
    zero
        Of pressures whose unit names it (``psig``, ``bara``); None where it does not.
    """

    symbol: str
    kind: Kind
    factor: Fraction
    offset: Fraction = Fraction(0)
    zero: Zero | None = None

    def __str__(self) -> str:
        return self.symbol
