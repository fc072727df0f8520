"""How hindcasts are printed, as text and as JSON."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from strandwise.cli.common import echo_cautions, echo_text
from strandwise.cli.showing import cautions_json, percent

if TYPE_CHECKING:
    from strandwise.forecast import Hindcast, HindcastRow
    from strandwise.report.labels import DisplayUnits

__all__ = ["hindcast_json", "print_hindcast"]


def hindcast_json(found: Hindcast) -> dict[str, Any]:
    """A hindcast as other programs read it; pressures in MPa, times in s, as `unit` says."""
    return {
        "firings": [_row_json(row) for row in found.rows],
        "scores": [
            {
                "quantity": score.quantity,
                "basis": score.basis,
                "count": score.count,
                "inside": score.inside,
                "mean_deviation_percent": percent(score.mean_deviation),
                "typical_deviation_percent": percent(score.typical_deviation),
                "z_rms": score.z_rms,
            }
            for score in found.scores
        ],
        "skipped": [{"test": test, "why": why} for test, why in found.skipped],
        "warnings": cautions_json(found.cautions),
    }


def _row_json(row: HindcastRow) -> dict[str, Any]:
    unit = 1.0 if row.quantity == "burn-time" else 1e6
    return {
        "test": row.test,
        "batch": row.batch,
        "formulation": row.formulation,
        "quantity": row.quantity,
        "basis": row.basis,
        "unit": "s" if row.quantity == "burn-time" else "MPa",
        "measured": row.measured / unit,
        "measured_sd": row.measured_sd / unit,
        "predicted": row.predicted / unit,
        "ci95": [end / unit for end in row.interval],
        "inside": row.inside,
    }


def print_hindcast(found: Hindcast, units: DisplayUnits) -> None:
    """Print what was predicted of each firing and what it gave."""
    from strandwise.report.labels import format_interval, format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table
    from strandwise.units import digits_text

    alone = {(row.test, row.quantity): row for row in found.rows if row.basis == "strands-alone"}
    rows = []
    for row in (one for one in found.rows if one.basis == "all-others"):
        timed = row.quantity == "burn-time"

        def shown(value: float, *, timed: bool = timed) -> float:
            return value if timed else in_unit(value, units.pressure)

        def cells(one: HindcastRow | None, shown: Any = shown) -> list[str]:
            if one is None:
                return ["", "", ""]
            ends = (shown(one.interval[0]), shown(one.interval[1]))
            inside = "yes" if one.inside else "NO"
            return [format_number(shown(one.predicted)), format_interval(ends), inside]

        unit = "s" if timed else unit_text(units.pressure)
        rows.append(
            [
                row.test,
                row.formulation,
                f"{row.quantity.replace('-', ' ')} ({unit})",
                format_number(shown(row.measured)),
                *cells(row),
                *(cells(alone.get((row.test, row.quantity))) if alone else []),
            ]
        )
    columns = [
        Column("Firing", kind="text"),
        Column("Formulation", kind="text"),
        Column("Quantity", kind="text"),
        Column("measured"),
        Column("from all others"),
        Column("95 %", joined=True),
        Column("inside", kind="text"),
    ]
    if alone:
        columns += [
            Column("from strands alone"),
            Column("95 %", joined=True),
            Column("inside", kind="text"),
        ]
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title="Firings predicted without themselves, absolute pressures",
    )
    echo_text()
    for score in found.scores:
        name = score.quantity.replace("-", " ")
        mean = format_number(100.0 * score.mean_deviation, digits=2, signed=True)
        of = " from strands alone" if score.basis == "strands-alone" else ""
        echo_text(
            f"{name[:1].upper()}{name[1:]}{of}: {score.inside} of {score.count} inside; measured "
            f"over predicted {mean} % on average, {digits_text(100.0 * score.typical_deviation)} % "
            "typically."
        )
    for test, why in found.skipped:
        echo_text(f"{test} is left out: {why}.")
    echo_cautions(("", caution) for caution in found.cautions)
