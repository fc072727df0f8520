"""`strandwise fit`: the burn-rate law of each batch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_done,
    echo_json,
    examples,
    figure_option,
    json_option,
    units_option,
)
from strandwise.cli.fit_view import explanation_json, fit_json, print_explanation, print_fits
from strandwise.cli.showing import cautions_json, pressure_text, quantity_option, rate_text

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.workflow.fitting import Fitter
    from strandwise.workflow.temperatures import AtTemperature

__all__ = ["command"]


@click.command(
    "fit",
    epilog=examples(
        "strandwise fit demo --figure laws.svg",
        'strandwise fit demo --at-temperature "20 degC" --sigma-p "0.2 %"',
    ),
)
@campaign_argument
@click.option("--batch", help="One batch only.")
@click.option(
    "--pool",
    type=click.Choice(["formulation"]),
    help="Fit all batches of a formulation as one.",
)
@click.option(
    "--law",
    type=click.Choice(["power", "linear", "two-term", "segmented", "auto"]),
    default="power",
    show_default=True,
    help="r = a·Pⁿ; r = b + a·P; 1/r = a/P + b/P^⅓; power laws that meet; or let the tests decide.",
)
@click.option(
    "--explain",
    metavar="BATCH",
    help="Say what drives the law of BATCH, and which test to repeat or to add.",
)
@click.option(
    "--method",
    type=click.Choice(["auto", "strand", "firing", "both"]),
    default="auto",
    show_default=True,
    help="Tests to fit; auto takes a batch's strands where it has enough of them.",
)
@click.option(
    "--at-temperature",
    metavar="TEMPERATURE",
    help='Rates at one temperature of the propellant, such as "20 degC".',
)
@click.option(
    "--sigma-p",
    metavar="PERCENT",
    help='Known rise of the rate per kelvin, such as "0.2 %", where tests do not tell it.',
)
@units_option
@figure_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str,
    *,
    batch: str | None,
    pool: str | None,
    law: str,
    explain: str | None,
    method: Any,
    at_temperature: str | None,
    sigma_p: str | None,
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Fit the burn-rate law of each batch of CAMPAIGN.

    Both the pressure and the rate may be uncertain; what the readings do not explain is taken as
    scatter from test to test. Intervals are 95 %: of twenty such, one misses on average. Readings
    are taken to another temperature only where --at-temperature asks for it.
    """
    if explain is not None and (pool is not None or batch not in (None, explain)):
        msg = "--explain takes one batch, and goes without --pool and --batch."
        raise click.UsageError(msg)
    from strandwise.ratelaw import fit_batches
    from strandwise.records import read_campaign
    from strandwise.workflow.fitting import explain_campaign_fit, fit_campaign, untested_caution
    from strandwise.workflow.reducing import reduce_campaign

    fitter: Fitter = fit_batches
    if law != "power":
        from strandwise.ratelaw.nonlinear import fit_batches_nonlinear

        fitter = fit_batches_nonlinear
    at = _at_temperature(at_temperature, sigma_p)
    reduced = reduce_campaign(read_campaign(campaign_folder(ctx, campaign)).sound(), units)
    fits = fit_campaign(
        reduced,
        batch=explain or batch,
        pool=pool is not None,
        law=law,
        method=method,
        at=at,
        fitter=fitter,
    )
    from strandwise.report.labels import display_units

    shown = display_units(units or reduced.campaign.settings.units)
    if figure is not None:
        from strandwise.report.figures import draw_rate_laws, save_figure
        from strandwise.workflow.temperatures import points_at

        fitted = {fit.label for fit in fits}
        points = [
            p for p in reduced.points if p.batch in fitted or (pool and p.formulation in fitted)
        ]
        save_figure(
            draw_rate_laws(
                fits, points_at(points, fits), shown, title=reduced.campaign.settings.title
            ),
            figure,
        )
    untested = None if batch or explain else untested_caution(reduced)
    explained = None
    if explain is not None:
        explained = explain_campaign_fit(
            reduced,
            fits[0],
            method=method,
            at=at,
            fitter=fitter,
            format_pressure=lambda value: pressure_text(value, shown),
            format_rate=lambda value: rate_text(value, shown),
        )
    if as_json:
        told = {} if explained is None else explanation_json(explained)
        warnings = {"warnings": cautions_json([untested] if untested else [])}
        echo_json({"fits": [fit_json(fit) for fit in fits]} | told | warnings)
        return
    print_fits(fits, shown, untested)
    if explained is not None:
        print_explanation(explained, shown)
    if figure is not None:
        echo_done(f"\nPicture: {figure}")


def _at_temperature(temperature: str | None, sigma_p: str | None) -> AtTemperature | None:
    if temperature is None:
        if sigma_p is not None:
            msg = "--sigma-p goes with --at-temperature."
            raise click.UsageError(msg)
        return None
    from strandwise.units import Kind
    from strandwise.workflow.temperatures import AtTemperature

    return AtTemperature(
        temperature=quantity_option(temperature, Kind.TEMPERATURE, "--at-temperature"),
        sigma_p=None if sigma_p is None else quantity_option(sigma_p, Kind.RATIO, "--sigma-p"),
    )
