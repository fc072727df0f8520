"""Text ⇄ SI: a strict reader of quantities as people write them.

Nothing is guessed: what can be read in two ways is refused with the reason and with what to write
instead. Factors are exact rational numbers and the value in SI is rounded once, to the nearest
float.
"""

from strandwise.units.kinds import Kind, Unit, Zero
from strandwise.units.numbers import parse_number
from strandwise.units.pressures import (
    absolute_pressure,
    is_gauge,
    standard_atmosphere_pressure,
)
from strandwise.units.quantities import (
    Heading,
    Quantity,
    kinds_of_unit,
    parse_heading,
    parse_quantity,
    parse_unit,
    plain_si,
)
from strandwise.units.systems import SYSTEMS, parse_unit_choice, shown_unit, units_shown
from strandwise.units.table import known_units
from strandwise.units.wording import METRIC, Wording, symbol_of, wording_in
from strandwise.units.writing import digits_text, from_si, lossless_text

__all__ = [
    "METRIC",
    "SYSTEMS",
    "Heading",
    "Kind",
    "Quantity",
    "Unit",
    "Wording",
    "Zero",
    "absolute_pressure",
    "digits_text",
    "from_si",
    "is_gauge",
    "kinds_of_unit",
    "known_units",
    "lossless_text",
    "parse_heading",
    "parse_number",
    "parse_quantity",
    "parse_unit",
    "parse_unit_choice",
    "plain_si",
    "shown_unit",
    "standard_atmosphere_pressure",
    "symbol_of",
    "units_shown",
    "wording_in",
]
