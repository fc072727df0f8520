"""How the commands write pressures, rates, percents and cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

    from strandwise.findings import Caution
    from strandwise.forecast import Wanted
    from strandwise.records import Campaign
    from strandwise.report.labels import DisplayUnits
    from strandwise.units import Kind

__all__ = [
    "cautions_json",
    "percent",
    "percents",
    "pressure_option",
    "pressure_text",
    "quantity_option",
    "rate_text",
    "scaled",
    "wanted_options",
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


def wanted_options(
    peak_below: str | None, burn_longer: str | None, campaign: Campaign
) -> Wanted | None:
    """What the options --peak-below and --burn-longer ask of a motor; None: nothing.

    Raises
    ------
    UnitError
        A text is no pressure or no time; the message names the option.
    """
    if peak_below is None and burn_longer is None:
        return None
    from strandwise.forecast import Wanted

    return Wanted(
        peak_below=pressure_option(peak_below, campaign, "--peak-below"),
        burn_longer=_time_option(burn_longer, "--burn-longer"),
    )


def _time_option(text: str | None, option: str) -> float | None:
    if text is None:
        return None
    from strandwise.units import Kind

    return quantity_option(text, Kind.TIME, option)


def quantity_option(text: str, kind: Kind, option: str) -> float:
    """A quantity in SI of an option's text.

    Raises
    ------
    UnitError
        The text is no quantity of the kind; the message names the option.
    """
    from strandwise.errors import UnitError
    from strandwise.units import parse_quantity

    try:
        return parse_quantity(text, kind).si
    except UnitError as error:
        msg = f"{option}: {error.message}"
        raise UnitError(msg, expected=error.expected, hint=error.hint) from error
