"""`strandwise drift`: the batches of one formulation over time."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_cautions,
    echo_done,
    echo_json,
    echo_text,
    examples,
    figure_option,
    json_option,
    units_option,
)
from strandwise.cli.showing import (
    cautions_json,
    percent,
    pressure_option,
    pressure_text,
    rate_text,
    scaled,
)

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.report.labels import DisplayUnits
    from strandwise.tracking import ChangePoint, DriftChart

__all__ = ["command"]


@click.command("drift", epilog=examples("strandwise drift demo --figure drift.svg"))
@campaign_argument
@click.option("--formulation", help="Whose batches; otherwise the baseline's.")
@click.option("--at", metavar="PRESSURE", help='Pressure of the rates, such as "4 MPa".')
@units_option
@figure_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str,
    *,
    formulation: str | None,
    at: str | None,
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Chart the batches of one formulation of CAMPAIGN over their mixing dates.

    The limits come from the differences between neighbours, so that a slow drift does not hide
    itself. A baseline that drifts makes every comparison over time doubtful.
    """
    from strandwise.records import read_campaign
    from strandwise.report.labels import display_units
    from strandwise.workflow.reducing import reduce_campaign
    from strandwise.workflow.tracking import drift_of_campaign

    sound = read_campaign(campaign_folder(ctx, campaign)).sound()
    shown = display_units(units or sound.settings.units)
    chart = drift_of_campaign(
        reduce_campaign(sound, units),
        formulation=formulation,
        pressure=pressure_option(at, sound, "--at"),
        format_pressure=lambda value: pressure_text(value, shown),
    )
    if figure is not None:
        from strandwise.report.figures import draw_drift, save_figure

        save_figure(draw_drift(chart, shown), figure)
    if as_json:
        echo_json(_as_json(chart))
        return
    _print(chart, shown)
    if figure is not None:
        echo_done(f"\nPicture: {figure}")


def _as_json(chart: DriftChart) -> dict[str, Any]:
    change = chart.change
    return {
        "formulation": chart.formulation,
        "pressure_MPa": chart.pressure / 1e6,
        "centre_mm_s": chart.centre * 1e3,
        "lower_mm_s": scaled(chart.lower, 1e-3),
        "upper_mm_s": scaled(chart.upper, 1e-3),
        "sigma_percent": percent(chart.sigma),
        "batches": [
            {
                "batch": point.batch,
                "mixed": point.mixed_on.isoformat(),
                "rate_mm_s": point.rate * 1e3,
                "rate_sd_percent": percent(point.log_rate_sd),
                "moving_range_percent": percent(point.moving_range),
                "signals": list(point.rules),
            }
            for point in chart.points
        ],
        "signals": [
            {"rule": signal.rule, "faster": signal.upwards, "batches": list(signal.batches)}
            for signal in chart.signals
        ],
        "change": None if change is None else _change_json(change),
        "warnings": cautions_json(chart.cautions),
    }


def _change_json(change: ChangePoint) -> dict[str, Any]:
    return {
        "last_before": change.last_before,
        "first_after": change.first_after,
        "before_mm_s": change.before * 1e3,
        "after_mm_s": change.after * 1e3,
        "shift_percent": percent(change.shift),
        "p": change.p,
    }


def _print(chart: DriftChart, units: DisplayUnits) -> None:
    from strandwise.report.labels import NO_VALUE, format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table
    from strandwise.tracking import drift_sentences

    columns = [
        Column("Batch", kind="text"),
        Column("mixed", kind="text"),
        Column("rate", unit_text(units.rate)),
        Column("±", "%"),
        Column("moving range", "%"),
    ]
    rows = [
        [
            point.batch,
            point.mixed_on.isoformat(),
            format_number(in_unit(point.rate, units.rate)),
            NO_VALUE if point.log_rate_sd is None else f"{100 * point.log_rate_sd:.1f}",
            "" if point.moving_range is None else f"{100 * point.moving_range:.1f}",
        ]
        for point in chart.points
    ]
    at = pressure_text(chart.pressure, units)
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Batches of {chart.formulation} at {at} absolute",
        notes=[
            "Moving range: how far a batch lies from the one before it, faster and slower alike."
        ],
    )
    echo_text()
    for text in drift_sentences(
        chart,
        format_pressure=lambda value: pressure_text(value, units),
        format_rate=lambda value: rate_text(value, units),
    ):
        echo_text(f"{text[:1].upper()}{text[1:]}.")
    echo_cautions(("", caution) for caution in chart.cautions)
