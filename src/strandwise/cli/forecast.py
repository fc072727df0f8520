"""`strandwise forecast`: what a full-size motor would see."""

from __future__ import annotations

from pathlib import Path
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
from strandwise.cli.forecast_view import (
    echo_before_firing,
    forecast_json,
    forecast_wording,
    print_forecasts,
)
from strandwise.cli.hindcast_view import hindcast_json, print_hindcast
from strandwise.cli.showing import pressure_option, wanted_options

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["command"]


@click.command(
    "forecast",
    epilog=examples(
        "strandwise forecast demo full-size",
        'strandwise forecast demo full-size --formulation base \\\n    --peak-below "4 MPa" '
        '--burn-longer "1.5 s" --figure bands.svg',
        'strandwise forecast demo full-size --size-for "4 MPa" --drills 64ths',
        "strandwise forecast demo --hindcast",
    ),
)
@campaign_argument
@click.argument("motor", type=click.Path(path_type=Path), required=False)
@click.option(
    "--formulation", "formulations", multiple=True, help="Which; may be repeated; otherwise all."
)
@click.option("--batch", help="Tested batch that the motor is cast from; otherwise a new one.")
@click.option(
    "--law",
    type=click.Choice(["power", "linear", "two-term", "segmented"]),
    default="power",
    show_default=True,
    help="Burn-rate law.",
)
@click.option("--peak-below", metavar="PRESSURE", help='Peak pressure wanted, such as "4 MPa".')
@click.option("--burn-longer", metavar="TIME", help='Burn time wanted, such as "2 s".')
@click.option(
    "--size-for",
    metavar="PRESSURE",
    help="Also size throat, rate and dose for so high a peak pressure.",
)
@click.option(
    "--percentile",
    type=click.FloatRange(50.0, 99.9, min_open=True),
    default=99.0,
    show_default=True,
    help="Percent of the draws to be below it.",
)
@click.option(
    "--drills",
    type=click.Choice(["any", "tenths-of-mm", "64ths"]),
    default="any",
    show_default=True,
    help="Sizes in which the throat can be drilled.",
)
@click.option(
    "--hindcast", is_flag=True, help="Predict the campaign's own firings, each without itself."
)
@click.option(
    "--draws",
    type=click.IntRange(100, 200_000),
    default=10_000,
    show_default=True,
    help="How many motors are drawn.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the random draws."
)
@units_option
@figure_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    /,
    campaign: str,
    motor: Path | None,
    *,
    hindcast: bool,
    units: str | None,
    figure: Path | None,
    as_json: bool,
    **asked: Any,
) -> None:
    """Say what MOTOR would see with the propellants of CAMPAIGN, before anyone casts it.

    MOTOR is a file, or the name of one in the campaign's folder motors/. Every draw is a law that
    the tests do not rule out, a new batch, the difference between strands and motors, and a motor
    within its tolerances. With --hindcast the tool's honesty is tested on the firings there are.
    """
    from strandwise.records import read_campaign
    from strandwise.report.labels import display_units
    from strandwise.workflow.reducing import reduce_campaign

    if motor is None and not hindcast:
        msg = "Name a MOTOR, or ask for --hindcast."
        raise click.UsageError(msg)
    folder = campaign_folder(ctx, campaign)
    sound = read_campaign(folder).sound()
    shown = display_units(units or sound.settings.units)
    told: dict[str, Any] = {}
    if motor is not None:
        from strandwise.workflow.motor_design import find_motor

        record = find_motor(folder, sound, motor)
        reduced = reduce_campaign(sound, units)
        told = _forecast(reduced, record, shown, figure, asked, as_json=as_json)
    else:
        reduced = reduce_campaign(sound, units)
    if hindcast:
        told["hindcast"] = _hindcast(
            reduced, shown, None if motor else figure, asked["seed"], as_json=as_json
        )
    if as_json:
        echo_json(told)
        return
    if figure is not None:
        echo_done(f"\nPicture: {figure}")
    echo_before_firing()


def _forecast(
    reduced: ReducedCampaign,
    record: Any,
    units: DisplayUnits,
    figure: Path | None,
    asked: dict[str, Any],
    *,
    as_json: bool,
) -> dict[str, Any]:
    from strandwise.workflow.forecast import forecast_campaign

    campaign = reduced.campaign
    common = {name: asked[name] for name in ("formulations", "batch", "law", "draws", "seed")}
    common["fitter"] = _fitter(asked["law"])
    common["wording"] = forecast_wording(units)
    found = forecast_campaign(
        reduced,
        record,
        bands=figure is not None,
        wanted=wanted_options(asked["peak_below"], asked["burn_longer"], campaign),
        **common,
    )
    target = pressure_option(asked["size_for"], campaign, "--size-for")
    sizes = None
    if target is not None:
        from strandwise.workflow.sizing import size_campaign

        sizes = size_campaign(
            reduced,
            record,
            target,
            percentile=asked["percentile"] / 100.0,
            drills=asked["drills"],
            **common,
        )
    if figure is not None:
        from strandwise.report.forecast_figure import draw_forecast
        from strandwise.report.style import save_figure

        save_figure(draw_forecast(found, units), figure)
    if not as_json:
        print_forecasts(found, units)
    told = {**forecast_json(found[0]), "forecasts": [forecast_json(one) for one in found]}
    if sizes is not None:
        from strandwise.cli.sizing_view import print_sizing, sizing_json

        told["sizing"] = sizing_json(sizes)
        if not as_json:
            print_sizing(sizes, units)
    return told


def _hindcast(
    reduced: ReducedCampaign,
    units: DisplayUnits,
    figure: Path | None,
    seed: int,
    *,
    as_json: bool,
) -> dict[str, Any]:
    from strandwise.workflow.hindcast import hindcast_campaign

    found = hindcast_campaign(reduced, seed=seed)
    if figure is not None:
        from strandwise.report.hindcast_figure import draw_hindcast
        from strandwise.report.style import save_figure

        save_figure(draw_hindcast(found, units), figure)
    if not as_json:
        print_hindcast(found, units)
    return hindcast_json(found)


def _fitter(law: str) -> Callable[..., Any] | None:
    if law == "power":
        return None
    from strandwise.ratelaw.nonlinear import fit_batches_nonlinear

    return fit_batches_nonlinear
