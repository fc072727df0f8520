"""How the sizes of a motor are printed, as text and as JSON."""

from __future__ import annotations

import sys
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from strandwise.cli.common import echo_cautions, echo_text
from strandwise.cli.forecast_view import bounded
from strandwise.cli.showing import cautions_json, percent, percents, scaled

if TYPE_CHECKING:
    from strandwise.forecast import DoseSize, NeutralGrain, ThroatSize
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.sizing import CampaignSizing

__all__ = ["print_sizing", "sizing_json"]

_INCH = 25.4e-3  # m


def sizing_json(found: CampaignSizing) -> dict[str, Any]:
    """Sizes as other programs read them."""
    at = found.temperature
    return {
        "target_MPa": found.target / 1e6,
        "percentile": found.percentile,
        "temperature_degC": None if at is None else at - 273.15,
        "motors": [
            {
                "formulation": one.formulation,
                **_throat_json(one.throat),
                "rate_change_percent": None if one.rate is None else percent(one.rate.change),
                "why_not": one.why_not or None,
            }
            for one in found.motors
        ],
        "doses": [_dose_json(dose) for dose in found.doses],
        "grain": _neutral_json(found.neutral),
        "warnings": cautions_json(found.cautions),
    }


def print_sizing(found: CampaignSizing, units: DisplayUnits) -> None:
    """Print which throat, which rate and which dose would do it, and how even the grain burns."""
    from strandwise.report.labels import format_limit, format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    length, pressure = unit_text(units.length), unit_text(units.pressure)
    rows = []
    for one in found.motors:
        throat, rate = one.throat, one.rate
        cells = ["none"] * 5
        if throat is not None:
            cells = [
                format_number(in_unit(throat.throat_diameter, units.length), digits=4),
                format_number(in_unit(throat.drilled_diameter, units.length), digits=4),
                bounded(throat.peak_median, units.pressure),
                bounded(throat.peak_at_percentile, units.pressure),
                format_number(throat.kn),
            ]
        change = (
            "none" if rate is None else format_number(100.0 * rate.change, digits=2, signed=True)
        )
        if found.drills == "64ths":
            cells.insert(2, "none" if throat is None else _in_64ths(throat.drilled_diameter))
        rows.append([one.formulation, *cells, change])
    share = f"{100.0 * found.percentile:.3g} %"
    columns = [
        Column("Formulation", kind="text"),
        Column("throat", length),
        Column("drilled", length, joined=True),
        *([Column("drilled", "in")] if found.drills == "64ths" else []),
        Column("peak, median", pressure),
        Column(share, pressure, joined=True),
        Column("highest Kn"),
        Column("rate needed with the throat as drawn", "% change"),
    ]
    at = ""
    if found.temperature is not None:
        warm = format_number(in_unit(found.temperature, units.temperature), digits=3)
        at = f" at {warm} {unit_text(units.temperature)}"
    echo_text()
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Sized so that {share} of the draws stay below "
        f"{format_limit(found.target, units.pressure)} absolute{at}",
    )
    for one in found.motors:
        if one.why_not:
            echo_text(f"{one.formulation}: {one.why_not}.")
    for dose in found.doses:
        echo_text(f"{_dose_text(dose)}.")
    echo_text(f"{_neutral_text(found.neutral, units)}.")
    echo_cautions(
        [("", c) for c in found.cautions]
        + [(d.ingredient, c) for d in found.doses for c in d.cautions]
    )


def _in_64ths(diameter: float) -> str:
    """An inch size as it stands on the drill, such as 31/64 or 1 1/2."""
    whole, rest = divmod(round(diameter / _INCH * 64), 64)
    return " ".join(str(part) for part in (whole, Fraction(rest, 64)) if part) or "0"


def _dose_text(dose: DoseSize) -> str:
    from strandwise.units import digits_text

    if dose.replaces == "on-top":
        what, unit = f"{dose.ingredient} added on top", "parts per hundred"
    else:
        whole = "mixture" if dose.replaces == "all" else dose.replaces
        what, unit = f"the {whole} replaced by {dose.ingredient}", "% of"
    if dose.dose is None:
        return f"No dose of {dose.ingredient} is given: {dose.why_not}"
    assert dose.interval is not None
    low, high = (100.0 * end for end in dose.interval)
    return (
        f"By the measured slope, {digits_text(100.0 * dose.dose)} {unit} {what} would slow the "
        f"baseline that far with the throat as drawn, between {digits_text(low)} and "
        f"{digits_text(high)}"
    )


def _neutral_text(grain: NeutralGrain, units: DisplayUnits) -> str:
    from strandwise.forecast import SMALL_PORT
    from strandwise.report.labels import format_number, in_unit, unit_text

    text = f"Burning area: highest {grain.spread:.3g} times the lowest within the web"
    if grain.segment_length is None:
        return text
    unit = unit_text(units.length)
    length = format_number(in_unit(grain.segment_length, units.length), digits=4)
    text += f"; segments {length} {unit} long would end as they start"
    if grain.core_diameter is not None:
        core = format_number(in_unit(grain.core_diameter, units.length), digits=4)
        text += f", or with their length a core of {core} {unit}"
        ratio = grain.core_port_to_throat
        if ratio is not None and ratio < SMALL_PORT:
            text += (
                f", whose port is only {ratio:.2g} throat areas at the start: the gas stream would "
                "make it burn faster, with a higher first peak"
            )
    if grain.choking_core is not None:
        core = format_number(in_unit(grain.choking_core, units.length), digits=4)
        text += (
            f"; no core does it with their length: one of {core} {unit} would be a port of "
            f"{grain.core_port_to_throat:.2g} throat areas, in which the gas chokes"
        )
    return text


def _throat_json(throat: ThroatSize | None) -> dict[str, Any]:
    def told(name: str, unit: float = 1.0) -> float | None:
        return None if throat is None else scaled(getattr(throat, name), unit)

    return {
        "throat_diameter_mm": told("throat_diameter", 1e-3),
        "drilled_diameter_mm": told("drilled_diameter", 1e-3),
        "peak_at_percentile_MPa": told("peak_at_percentile", 1e6),
        "peak_median_MPa": told("peak_median", 1e6),
        "peak_kn": told("kn"),
        "port_to_throat": told("port_to_throat"),
    }


def _dose_json(dose: DoseSize) -> dict[str, Any]:
    return {
        "ingredient": dose.ingredient,
        "replaces": dose.replaces,
        "dose_percent": percent(dose.dose),
        "dose_ci95": percents(dose.interval),
        "largest_tested_percent": percent(dose.largest_tested),
        "why_not": dose.why_not or None,
        "warnings": cautions_json(dose.cautions),
    }


def _neutral_json(grain: NeutralGrain) -> dict[str, Any]:
    return {
        "area_spread": grain.spread,
        "area_start_to_end": grain.start_to_end,
        "neutral_segment_length_mm": scaled(grain.segment_length, 1e-3),
        "neutral_core_diameter_mm": scaled(grain.core_diameter, 1e-3),
        "neutral_core_port_to_throat": grain.core_port_to_throat,
    }
