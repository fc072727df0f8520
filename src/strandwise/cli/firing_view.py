"""What `reduce` shows of one firing on request: its budget, and the match of its trace."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from strandwise.cli.common import echo_text
from strandwise.cli.showing import cautions_json

if TYPE_CHECKING:
    from strandwise.reduction import Drawn, FiringReduction, MonteCarlo, Reading
    from strandwise.report.labels import DisplayUnits
    from strandwise.units import Unit
    from strandwise.workflow.matching import FiringMatch

    Drawing = MonteCarlo | str | None
    """What drawing all readings gave, or why it gave nothing."""

__all__ = ["budget_json", "drawing_json", "match_json", "print_budget", "print_match"]

# What DisplayUnits calls the kind of a reading in this SI unit; others are shown as they are.
_SHOWN_AS = {
    "m": "length",
    "Pa": "pressure",
    "N": "force",
    "kg": "mass",
    "kg/m³": "density",
    "m³": "volume",
}


def budget_json(firing: FiringReduction) -> dict[str, Any] | None:
    """The first-order budget for programs; None where there is none."""
    budget = firing.budget
    if budget is None:
        return None
    return {
        "rate_sd_percent": 100.0 * budget.rate_sd,
        "pressure_sd_percent": 100.0 * budget.pressure_sd,
        "advice": budget.advice,
        "rows": [
            {
                "reading": row.reading.key,
                "value": row.reading.value,
                "sd": row.reading.sd,
                "unit": row.reading.unit,
                "basis": row.reading.basis,
                "rate_effect_percent": 100.0 * row.rate_effect,
                "pressure_effect_percent": 100.0 * row.pressure_effect,
                "share_percent": 100.0 * row.law_share,
            }
            for row in budget.rows
        ],
    }


def drawing_json(drawn: Drawing) -> dict[str, Any]:
    """What drawing all readings gave, for programs; null where it was not asked for."""
    if drawn is None or isinstance(drawn, str):
        return {"monte_carlo": None, "why_no_monte_carlo": drawn}

    def one(found: Drawn | None, unit: float) -> dict[str, Any] | None:
        if found is None:
            return None
        return {
            "median": found.median / unit,
            "ci95": [found.low / unit, found.high / unit],
            "sd_percent": 100.0 * found.relative_sd,
            "first_order_sd_percent": 100.0 * found.first_order_sd,
        }

    told = {
        "draws": drawn.draws,
        "impossible": drawn.impossible,
        "rate_mm_s": one(drawn.rate, 1e-3),
        "pressure_MPa": one(drawn.pressure, 1e6),
        "characteristic_velocity_m_s": one(drawn.characteristic_velocity, 1.0),
        "differences": list(drawn.differences),
    }
    return {"monte_carlo": told, "why_no_monte_carlo": None}


def match_json(matched: FiringMatch | None) -> dict[str, Any] | None:
    """The match of a trace for programs; null where it was not asked for."""
    if matched is None:
        return None
    found = matched.match
    a, a_ends = found.coefficient()
    efficiency = found.efficiency_interval()
    return {
        "a_mm_s_MPa": a,
        "a_ci95": list(a_ends),
        "n": found.exponent,
        "n_ci95": list(found.exponent_interval()),
        "reference_pressure_MPa": found.reference_pressure / 1e6,
        "rate_at_reference_mm_s": found.rate_at_reference * 1e3,
        "rate_at_reference_ci95": [end * 1e3 for end in found.rate_interval()],
        "characteristic_velocity_m_s": found.characteristic_velocity,
        "characteristic_velocity_ci95": list(found.characteristic_velocity_interval()),
        "c_star_efficiency": found.efficiency,
        "c_star_efficiency_ci95": None if efficiency is None else list(efficiency),
        "matched_pressures_MPa": [found.measured.min() / 1e6, found.measured.max() / 1e6],
        "misfit_percent": 100.0 * found.misfit,
        "warnings": cautions_json(matched.cautions),
    }


def print_budget(firing: FiringReduction, drawn: Drawing, units: DisplayUnits) -> None:
    """Print the first-order budget, and beside it what all readings drawn at once give."""
    from strandwise.report.labels import format_number
    from strandwise.report.tables import Column, print_table

    budget = firing.budget
    if budget is None:
        echo_text("  no budget: nothing could be reduced")
        return
    columns = [
        Column("Reading", kind="text"),
        Column("its ±"),
        Column("unit", kind="text"),
        Column("known from", kind="text"),
        Column("rate", "%"),
        Column("pressure", "%"),
        Column("share", "%"),
    ]
    rows = [
        [
            row.reading.name,
            *_size_shown(row.reading, units),
            row.reading.basis,
            format_number(100.0 * row.rate_effect, digits=2, signed=True),
            format_number(100.0 * row.pressure_effect, digits=2, signed=True),
            f"{100.0 * row.law_share:.0f}",
        ]
        for row in budget.rows
    ]
    echo_text()
    notes = [
        "What one standard uncertainty of each reading does to rate and pressure; share of the "
        "variance of the rate against a law.",
        f"{budget.advice[:1].upper()}{budget.advice[1:]}.",
    ]
    title = f"Where the uncertainty of {firing.test} comes from"
    print_table(columns, rows, file=sys.stdout, title=title, notes=notes)
    if isinstance(drawn, str):
        echo_text(f"\n  not drawn at random: {drawn}")
    elif drawn is not None:
        _print_drawing(firing.test, drawn, units)


def _size_shown(reading: Reading, units: DisplayUnits) -> tuple[str, str]:
    """The standard uncertainty of a reading and its unit, as the reader has them."""
    from strandwise.report.labels import format_number, unit_text

    kind = _SHOWN_AS.get(reading.unit)
    if kind is None:
        return format_number(reading.sd, digits=2), "" if reading.unit == "1" else reading.unit
    unit: Unit = getattr(units, kind)
    # A difference: of a unit with an offset the factor alone counts.
    return format_number(reading.sd / float(unit.factor), digits=2), unit_text(unit)


def _print_drawing(test: str, drawn: MonteCarlo, units: DisplayUnits) -> None:
    from strandwise.report.labels import format_interval, format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    columns = [
        Column("Result", kind="text"),
        Column("unit", kind="text"),
        Column("median"),
        Column("95 %", joined=True),
        Column("± all at once", "%"),
        Column("± first order", "%"),
    ]
    named = (
        ("burn rate", drawn.rate, units.rate),
        ("absolute pressure", drawn.pressure, units.pressure),
        ("c*", drawn.characteristic_velocity, units.gas_velocity),
    )
    rows = []
    for name, found, unit in named:
        if found is None:
            continue
        low, high = in_unit(found.low, unit), in_unit(found.high, unit)
        rows.append(
            [
                name,
                unit_text(unit),
                format_number(in_unit(found.median, unit), (high - low) / 2.0),
                format_interval((low, high)),
                format_number(100.0 * found.relative_sd, digits=2),
                format_number(100.0 * found.first_order_sd, digits=2),
            ]
        )
    kept = drawn.draws - drawn.impossible
    notes = [f"All readings drawn {drawn.draws} times, each within its own ±, by Monte Carlo."]
    if drawn.impossible:
        notes.append(f"{drawn.impossible} draws were impossible; {kept} count.")
    agrees = "Both agree within a tenth, or within chance: the budget above may be trusted."
    notes += [f"{text}." for text in drawn.differences] or [agrees]
    echo_text()
    title = f"All readings of {test} drawn at once"
    print_table(columns, rows, file=sys.stdout, title=title, notes=notes)


def print_match(matched: FiringMatch, units: DisplayUnits) -> None:
    """Print the law and c* with which a simulated motor follows the trace."""
    from strandwise.report.labels import format_interval, format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    found = matched.match
    rate, pressure = unit_text(units.rate), unit_text(units.pressure)

    def row(name: str, unit: str, value: float, ends: tuple[float, float]) -> list[str]:
        half = (ends[1] - ends[0]) / 2.0
        return [name, unit, format_number(value, half), format_interval(ends)]

    def converted(name: str, value: float, ends: tuple[float, float], unit: Unit) -> list[str]:
        low, high = (in_unit(end, unit) for end in ends)
        return row(name, unit_text(unit), in_unit(value, unit), (low, high))

    at = f"{format_number(in_unit(found.reference_pressure, units.pressure))} {pressure}"
    a, a_ends = found.coefficient(float(units.rate.factor), float(units.pressure.factor))
    rows = [
        row("a", f"{rate} at 1 {pressure}", a, a_ends),
        row("n", "", found.exponent, found.exponent_interval()),
        converted(f"burn rate at {at}", found.rate_at_reference, found.rate_interval(), units.rate),
        converted(
            "c*",
            found.characteristic_velocity,
            found.characteristic_velocity_interval(),
            units.gas_velocity,
        ),
    ]
    efficiency, ends = found.efficiency, found.efficiency_interval()
    if efficiency is not None and ends is not None:
        low, high = (100.0 * end for end in ends)
        rows.append(row("c* efficiency", "%", 100.0 * efficiency, (low, high)))
    lowest, highest = (
        format_number(in_unit(float(end), units.pressure))
        for end in (found.measured.min(), found.measured.max())
    )
    notes = [
        f"A simulated motor with this law and c* follows the trace within "
        f"{format_number(100.0 * found.misfit, digits=2)} % (root mean square) from {lowest} to "
        f"{highest} {pressure} absolute; outside these pressures nothing is known from it.",
        "It is another look at the same trace and no second firing: `fit` does not count it.",
    ]
    if efficiency is None:
        notes.append("No efficiency: no c* is given for the propellant.")
    columns = [
        Column("Matched", kind="text"),
        Column("unit", kind="text"),
        Column("value"),
        Column("95 %", joined=True),
    ]
    echo_text()
    title = f"Law and c* that match the trace of {matched.test}"
    print_table(columns, rows, file=sys.stdout, title=title, notes=notes)
    for caution in matched.cautions:
        echo_text(f"  caution: {caution.message}")
