"""A field of a record: its form, unit and range, from text to SI and back."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from strandwise.errors import UnitError
from strandwise.units import (
    Kind,
    absolute_pressure,
    from_si,
    is_gauge,
    parse_quantity,
    parse_unit,
    parse_unit_choice,
    plain_si,
    shown_unit,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from strandwise.units import Quantity, Unit

__all__ = [
    "Field",
    "NoAmbientError",
    "PressureScale",
    "Value",
    "code_of",
    "field_named",
    "length_field",
    "pressure_field",
    "sd_field",
    "shorten",
    "temperature_field",
]

Value = str | float | int | dt.date | tuple[float, ...]

_NAME = re.compile(r"[^\W_](?:[\w.+ -]{0,62}[\w+-])?")
_RESERVED_FILE_NAME = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")
# Zero bytes, and what is left of bytes that were no text.
_STORABLE = re.compile(r"[^\0\ud800-\udfff]*", re.DOTALL)
_DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)


_AMBIENT_EXPECTED = "a known ambient pressure, or an absolute reading such as `2 MPaa`"
_AMBIENT_HINT = 'give altitude = "300 m" or ambient_pressure = "98.2 kPa" in campaign.toml'


class NoAmbientError(UnitError):
    """A gauge reading in a campaign that does not state the pressure of the air."""


def code_of(error: UnitError) -> str:
    """Code of the finding that a text at fault becomes."""
    return "no-ambient-pressure" if isinstance(error, NoAmbientError) else "bad-value"


@dataclass(frozen=True, slots=True)
class PressureScale:
    """What a campaign's pressure readings count from, and the units of its reader.

    Parameters
    ----------
    readings
        Zero of a unit that names none.
    ambient
        Ambient pressure, Pa; None where the campaign gives neither it nor the altitude.
    units
        Choice of units in which the reader is told of faults.
    """

    readings: Literal["absolute", "gauge"] = "absolute"
    ambient: float | None = None
    units: str = "metric"


@dataclass(frozen=True, kw_only=True, slots=True)
class Field:
    """One field of a record.

    Parameters
    ----------
    name
        Column or key; also the record's attribute and the option of `log`.
    form
        What the text is. A ``quantity`` has a unit of `kind`, ``quantities`` are such with commas
        between; a ``name`` can be a file's name; ``units`` are those that people see.
    kind
        Of a quantity.
    help
        Meaning, in a person's words.
    required
        Whether a record without it is at fault.
    instead
        Name of a field that may stand in its place.
    metric, inch_pound
        Unit in the heading of a new file, by the campaign's units.
    bare
        Unit of a plain number in a TOML file; empty where a plain number is a fault.
    above, at_least, at_most
        Range that physics or arithmetic allows, SI; None: no limit.
    plausible
        Range outside of which `log` wants to be told twice, SI.
    choices
        Of a ``choice``.
    """

    name: str
    help: str
    form: Literal[
        "quantity", "quantities", "number", "integer", "name", "text", "date", "choice", "units"
    ] = "quantity"
    kind: Kind | None = None
    required: bool = False
    instead: str = ""
    metric: str = ""
    inch_pound: str = ""
    bare: str = ""
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    plausible: tuple[float, float] | None = None
    choices: tuple[str, ...] = ()

    def heading(self, units: str) -> str:
        """Heading of this field in a new file of a campaign in `units`."""
        unit = self.customary_unit(units)
        return f"{self.name} ({unit})" if unit else self.name

    def customary_unit(self, units: str) -> str:
        """Unit that a reader of `units` writes this field in; empty where it has none."""
        if self.kind is None:
            return self.metric
        return shown_unit(units, self.kind, self.metric, self.inch_pound)

    def shown(self, value: float, units: str = "metric", digits: int = 6) -> str:
        """A value in SI as text in the unit that readers of `units` write it in (else in SI)."""
        if self.kind is None:
            return f"{value:g}"
        symbol = self.customary_unit(units) or self.kind.si_symbol
        shown = float(f"{from_si(value, parse_unit(symbol, self.kind)):.{digits}g}")
        text = f"{shown:.15g} {symbol}"  # 100000 g, not 1e+05 g
        return text.replace("-", "\N{MINUS SIGN}", 1) if text.startswith("-") else text

    def parse(self, text: str, scale: PressureScale, unit: Unit | None = None) -> Value:
        """Value of `text` in SI; pressures absolute.

        Parameters
        ----------
        text
            As a person wrote it, not blank.
        scale
            Zero of the pressure readings.
        unit
            Unit of a plain number, from the heading; None: the text must bring its own.

        Returns
        -------
        Value
            float for quantities and numbers, a tuple of them, int, str or date by the form.

        Raises
        ------
        UnitError
            The text is not of the field's form, or outside its range.
        """
        text = text.strip()
        if self.form == "quantity":
            return self._parse_quantity(text, scale, unit)
        if self.form == "quantities":
            parts = re.split("[,;]", text)
            return tuple(self._parse_quantity(part.strip(), scale, unit) for part in parts)
        if self.form == "number":
            return self._in_range(parse_quantity(text, Kind.NUMBER).si, text, scale.units)
        if self.form == "integer":
            if not re.fullmatch(r"[+-]?[0-9]{1,9}", text):
                msg = f"`{shorten(text)}` is not a whole number"
                raise UnitError(msg, expected="digits only, such as 2")
            return int(self._in_range(int(text), text, scale.units))
        return self._parse_text(text)

    def _parse_quantity(self, text: str, scale: PressureScale, unit: Unit | None) -> float:
        assert self.kind is not None
        if unit is not None and unit.kind is self.kind:
            plain = plain_si(text, unit)
            if plain is not None and self._is_direct(plain, scale, unit):
                return self._in_range(plain, text, scale.units)
        quantity = parse_quantity(text, self.kind, unit=unit)
        if self.kind is Kind.PRESSURE and not self.is_difference:
            if is_gauge(quantity.unit, scale.readings) and scale.ambient is None:
                msg = f"`{shorten(text)}` is a gauge reading, and the ambient pressure is not known"
                raise NoAmbientError(msg, expected=_AMBIENT_EXPECTED, hint=_AMBIENT_HINT)
            _refuse_below_vacuum(quantity, text, scale)
            value = absolute_pressure(quantity, readings=scale.readings, ambient=scale.ambient)
        else:
            value = quantity.si
        return self._in_range(value, text, scale.units)

    def _is_direct(self, value: float, scale: PressureScale, unit: Unit) -> bool:
        """Whether a value needs no ambient pressure, and no look at its sign."""
        if self.kind is not Kind.PRESSURE or self.is_difference:
            return True
        return value > 0.0 and not is_gauge(unit, scale.readings)

    @property
    def is_difference(self) -> bool:
        """Whether a pressure is a size of step (an uncertainty), which has no zero."""
        return self.name.endswith(("_sd", "resolution"))

    def _parse_text(self, text: str) -> Value:
        if self.form == "date":
            return _parse_date(text)
        if self.form == "choice":
            if text.lower() not in self.choices:
                msg = f"`{shorten(text)}` is no choice for {self.name}"
                raise UnitError(msg, expected=" or ".join(self.choices))
            return text.lower()
        if self.form == "units":
            return parse_unit_choice(text)
        if self.form == "name" and (
            not _NAME.fullmatch(text) or _RESERVED_FILE_NAME.fullmatch(text)
        ):
            msg = f"`{shorten(text)}` cannot be a name"
            raise UnitError(
                msg,
                expected="up to 64 letters, digits, `-`, `.`, `+`, `_` or blanks inside, "
                "starting with a letter or digit and not ending with a `.`",
            )
        if not _STORABLE.fullmatch(text):
            msg = f"`{shorten(text)}` holds a sign that a text file cannot keep"
            raise UnitError(msg, expected="readable text", hint="write the text again")
        return text

    def _in_range(self, value: float, text: str, units: str) -> float:
        limits = []
        if self.above is not None and not value > self.above:
            limits.append(f"more than {self._limit(self.above, units)}")
        if self.at_least is not None and not value >= self.at_least:
            limits.append(f"at least {self._limit(self.at_least, units)}")
        if self.at_most is not None and not value <= self.at_most:
            limits.append(f"at most {self._limit(self.at_most, units)}")
        if limits:
            msg = f"`{shorten(text)}` is out of range for {self.name}"
            raise UnitError(msg, expected=" and ".join(limits))
        return value

    def _limit(self, value: float, units: str) -> str:
        bare = value == 0 and self.kind is not Kind.TEMPERATURE
        return "0" if bare else self.shown(value, units)


def _refuse_below_vacuum(quantity: Quantity, text: str, scale: PressureScale) -> None:
    if not is_gauge(quantity.unit, scale.readings) or scale.ambient is None:
        return
    absolute = quantity.si + scale.ambient
    if absolute < 0.0:
        air, missing = (
            f"{float(one / quantity.unit.factor):.4g} {quantity.unit.symbol.removesuffix('g')}"
            for one in (scale.ambient, -absolute)
        )
        msg = (
            f"`{shorten(text)}` is an absolute pressure of \N{MINUS SIGN}{missing}, as the air is "
            f"at {air}"
        )
        hint = "check the reading, and the ambient pressure of the campaign"
        raise UnitError(msg, expected="an absolute pressure above zero", hint=hint)


def shorten(text: str, limit: int = 40) -> str:
    """`text` cut to `limit` characters, control characters made visible."""
    shown = "".join(
        c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text[: limit + 1]
    )
    return shown if len(shown) <= limit else shown[:limit] + "…"


def _parse_date(text: str) -> dt.date:
    match = _DATE.fullmatch(text)
    if match:
        try:
            return dt.date(*(int(part) for part in match.groups()))
        except ValueError as error:
            msg = f"`{text}` is not a day of the calendar"
            raise UnitError(msg, expected="year-month-day, such as 2026-05-02") from error
    msg = f"`{shorten(text)}` is not an unambiguous date"
    raise UnitError(msg, expected="year-month-day, such as 2026-05-02")


def field_named(fields: Iterable[Field], name: str) -> Field | None:
    """The field of that name, or None."""
    return next((field for field in fields if field.name == name), None)


def length_field(name: str, help: str, **rest: object) -> Field:
    """A length in mm or in above 0; `rest` as of `Field`."""
    options: dict[str, object] = {"metric": "mm", "inch_pound": "in", "above": 0.0, **rest}
    return Field(name=name, help=help, kind=Kind.LENGTH, **options)  # type: ignore[arg-type]


def pressure_field(name: str, help: str, **rest: object) -> Field:
    """A pressure in MPa or psia, of a size that small motors see; `rest` as of `Field`."""
    options: dict[str, object] = {
        "metric": "MPa",
        "inch_pound": "psia",
        "above": 0.0,
        "plausible": (2e4, 3e7),
        **rest,
    }
    return Field(name=name, help=help, kind=Kind.PRESSURE, **options)  # type: ignore[arg-type]


def temperature_field(name: str, help: str, high: float = 353.15) -> Field:
    """A temperature in °C or °F, likely from −60 °C to `high` (K)."""
    return Field(
        name=name,
        help=help,
        kind=Kind.TEMPERATURE,
        metric="degC",
        inch_pound="degF",
        above=0.0,
        plausible=(213.15, high),
    )


def sd_field(reading: Field) -> Field:
    """The standard uncertainty of a reading."""
    return Field(
        name=f"{reading.name}_sd",
        help=f"standard uncertainty of the {reading.name.replace('_', ' ')}",
        kind=reading.kind,
        above=0.0,
    )
