"""How the commands write pressures, rates, percents and cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

    from strandwise.findings import Caution
    from strandwise.records import Campaign
    from strandwise.report.labels import DisplayUnits

__all__ = [
    "cautions_json",
    "percent",
    "percents",
    "pressure_option",
    "pressure_text",
    "rate_text",
    "scaled",
]


def pressure_text(value: float, units: DisplayUnits) -> str:
    """An absolute pressure in Pa as people read it."""
    from strandwise.report.labels import format_number, in_unit, unit_text

    return f"{format_number(in_unit(value, units.pressure))} {unit_text(units.pressure)}"


def rate_text(value: float, units: DisplayUnits) -> str:
    """A burn rate in m/s as people read it."""
    from strandwise.report.labels import format_number, in_unit, unit_text

    return f"{format_number(in_unit(value, units.rate))} {unit_text(units.rate)}"


def percent(value: float | None) -> float | None:
    """A fraction in percent."""
    return None if value is None else 100.0 * value


def percents(interval: tuple[float, float] | None) -> list[float] | None:
    """The ends of an interval in percent."""
    return None if interval is None else [100.0 * end for end in interval]


def scaled(value: float | None, unit: float) -> float | None:
    """A value in another unit, given in SI."""
    return None if value is None else value / unit


def cautions_json(cautions: Iterable[Caution]) -> list[dict[str, Any]]:
    """Cautions as other programs read them."""
    return [{"code": caution.code, "message": caution.message} for caution in cautions]


def pressure_option(text: str | None, campaign: Campaign, option: str) -> float | None:
    """Absolute pressure in Pa of an option's text; a unit without a zero of its own is absolute.

    The campaign's zero is for its readings, and what is asked for is none.

    Raises
    ------
    UnitError
        The text is no pressure; the message names the option.
    """
    if text is None:
        return None
    from strandwise.errors import UnitError
    from strandwise.units import Kind, absolute_pressure, parse_quantity

    settings = campaign.settings
    try:
        return absolute_pressure(
            parse_quantity(text, Kind.PRESSURE),
            readings="absolute",
            ambient=settings.ambient_pressure,
        )
    except UnitError as error:
        msg = f"{option}: {error.message}"
        raise UnitError(msg, expected=error.expected, hint=error.hint) from error
