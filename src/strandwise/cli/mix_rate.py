"""`strandwise mix rate`: measured rate against composition, where the data can carry it."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_done,
    echo_json,
    echo_text,
    examples,
    figure_option,
    json_option,
    units_option,
)
from strandwise.cli.showing import pressure_option, pressure_text
from strandwise.errors import DataError

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.composition import CompositionView, MeasuredBlends

__all__ = ["rate"]


@click.command(
    "rate",
    epilog=examples(
        "strandwise mix rate demo",
        'strandwise mix rate demo --at "4 MPa" --figure composition.svg',
    ),
    short_help="Measured rate against composition, if the data can carry it.",
)
@campaign_argument
@click.option("--at", metavar="PRESSURE", help="Pressure of the rates; otherwise the campaign's.")
@units_option
@figure_option
@json_option
@click.pass_context
def rate(
    ctx: click.Context,
    campaign: str,
    *,
    at: str | None,
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Say how the rate of CAMPAIGN's batches goes with what they consist of.

    Fits the logarithm of the rate as a blend of the mass fractions. That needs batches of many
    recipes that move each ingredient by itself; where there are none, the command says what is
    lacking, and the picture shows the rates without a model. A single additive in one place is
    told better by `compare`.
    """
    from strandwise.records import read_campaign
    from strandwise.report.labels import display_units
    from strandwise.workflow.composition import composition_view, measured_blends
    from strandwise.workflow.reducing import reduce_campaign

    sound = read_campaign(campaign_folder(ctx, campaign)).sound()
    shown = display_units(units or sound.settings.units)
    measured = measured_blends(reduce_campaign(sound), pressure=pressure_option(at, sound, "--at"))
    view, why_not = None, None
    try:
        view = composition_view(measured)
    except DataError as error:
        why_not = error
    if figure is not None:
        _draw(measured, view, why_not, shown, figure)
    if as_json:
        echo_json(
            {
                "model": None if view is None else _as_json(view),
                "why_not": None if why_not is None else str(why_not),
            }
        )
        return
    if view is None:
        echo_text(f"No model: {why_not}")
    else:
        _print(view, shown)
    if figure is not None:
        echo_done(f"\nPicture: {figure}")


def _draw(
    measured: MeasuredBlends,
    view: CompositionView | None,
    why_not: DataError | None,
    units: DisplayUnits,
    path: Path,
) -> None:
    from strandwise.report.figures import draw_blends, save_figure
    from strandwise.tracking import exchange_lines

    model = None if view is None else exchange_lines(view.fit, measured.blends)
    drawn = draw_blends(
        measured.blends,
        model,
        measured.pressure,
        units,
        why_not="" if why_not is None else why_not.message,
        left_out=measured.left_out,
    )
    save_figure(drawn, path)


def _exchanges(view: CompositionView) -> list[tuple[str, str, float, tuple[float, float]]]:
    """Per cent of rate for 1 % of the whole put from the most abundant ingredient into another."""
    slack = view.fit.most_abundant
    found = []
    for name in (term.name for term in view.fit.ingredients):
        if name == slack:
            continue
        change, (low, high) = view.fit.exchange(name, slack)
        ends = (100 * math.expm1(0.01 * low), 100 * math.expm1(0.01 * high))
        found.append((name, slack, 100 * math.expm1(0.01 * change), ends))
    return found


def _as_json(view: CompositionView) -> dict[str, Any]:
    return {
        "pressure_MPa": view.pressure / 1e6,
        "coefficients": [
            {"ingredient": t.name, "ln_rate": t.coefficient, "sd": t.sd, "ci95": list(t.ci95)}
            for t in view.fit.ingredients
        ],
        "exchanges": [
            {"more": more, "less": less, "rate_percent_per_percent": change, "ci95": list(ends)}
            for more, less, change, ends in _exchanges(view)
        ],
        "residual_sd_percent": 100.0 * view.fit.residual_sd,
        "degrees_of_freedom": view.fit.degrees_of_freedom,
        "fractions_tested": {name: list(ends) for name, ends in view.fit.ranges.items()},
        "batches": list(view.batches),
        "left_out": list(view.left_out),
    }


def _print(view: CompositionView, units: DisplayUnits) -> None:
    from strandwise.report.labels import format_interval, format_number
    from strandwise.report.tables import Column, print_table

    notes = [
        f"Batches: {len(view.batches)}; they scatter about the model by "
        f"{100 * view.fit.residual_sd:.1f} %. Outside of the fractions tested nothing is said."
    ]
    if view.left_out:
        notes.append(f"Not tested around this pressure: {', '.join(view.left_out)}.")
    print_table(
        [
            Column("1 % of the whole more of", kind="text"),
            Column("in place of", kind="text"),
            Column("rate", "%"),
            Column("95 %", joined=True),
            Column("tested", "%"),
        ],
        [
            [
                more,
                less,
                format_number(change, (ends[1] - ends[0]) / 2, signed=True),
                format_interval(ends, signed=True),
                " to ".join(f"{100 * end:.1f}" for end in view.fit.ranges[more]),
            ]
            for more, less, change, ends in _exchanges(view)
        ],
        file=sys.stdout,
        title=f"Rate at {pressure_text(view.pressure, units)} against composition",
        notes=notes,
    )
