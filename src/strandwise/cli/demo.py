"""`strandwise demo`: the whole job on the invented campaign that comes with the program."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from strandwise.cli.common import (
    echo_command,
    echo_done,
    echo_hint,
    echo_json,
    examples,
    json_option,
)
from strandwise.cli.showing import pressure_text

if TYPE_CHECKING:
    from strandwise.records import CampaignFolder

__all__ = ["command"]

_MOTOR = Path("full-size")


@click.command("demo", epilog=examples("strandwise demo"))
@click.argument("folder", type=click.Path(path_type=Path), required=False, metavar="[DIR]")
@json_option
def command(folder: Path | None, *, as_json: bool) -> None:
    """Copy the demonstration campaign to the new bench folder DIR and run the whole job on it.

    The campaign is invented: three formulations of a nitrate/sugar propellant, one of them the
    baseline, strands and a few firings. DIR is `strandwise-demo`, or the next free such name.
    """
    from strandwise.cli.compare import comparison_json, print_comparison
    from strandwise.cli.fit_view import fit_json, print_fits
    from strandwise.cli.forecast_view import (
        echo_before_firing,
        forecast_json,
        forecast_wording,
        print_forecasts,
    )
    from strandwise.cli.report import write_report
    from strandwise.records import read_campaign
    from strandwise.report.figures import (
        draw_comparison,
        draw_forecast,
        draw_rate_laws,
        save_figure,
    )
    from strandwise.report.labels import display_units
    from strandwise.workflow.fitting import fit_campaign
    from strandwise.workflow.forecast import forecast_campaign
    from strandwise.workflow.motor_design import find_motor
    from strandwise.workflow.reducing import reduce_campaign
    from strandwise.workflow.tracking import compare_campaign

    target = folder or _free_folder()
    copied = _copy(target)
    campaign = read_campaign(copied).sound()
    units = display_units(campaign.settings.units)
    reduced = reduce_campaign(campaign)
    fits = fit_campaign(reduced)

    def write(value: float) -> str:
        return pressure_text(value, units)

    comparison = compare_campaign(reduced, format_pressure=write)
    motor = find_motor(copied, campaign, _MOTOR)
    forecasts = forecast_campaign(reduced, motor, bands=True, wording=forecast_wording(units))
    pictures = [target / f"demo-{name}.svg" for name in ("laws", "shifts", "forecast")]
    laws, shifts, bands = pictures
    save_figure(draw_rate_laws(fits, reduced.points, units, title=campaign.settings.title), laws)
    save_figure(draw_comparison(comparison, units), shifts)
    save_figure(draw_forecast(forecasts, units), bands)
    page = target / "demo.html"
    write_report(copied, campaign, page)
    if as_json:
        echo_json(
            {
                "bench": str(target.absolute()),
                "campaign": campaign.name,
                "pictures": [str(picture.absolute()) for picture in pictures],
                "page": str(page.absolute()),
                "fits": [fit_json(fit) for fit in fits],
                "comparison": comparison_json(comparison),
                "forecasts": [forecast_json(found) for found in forecasts],
            }
        )
        return
    echo_done(f"{campaign.settings.title}\n")
    print_fits(fits, units)
    click.echo()
    print_comparison(comparison, units)
    click.echo()
    print_forecasts(forecasts, units)
    echo_done(f"\nPictures: {', '.join(str(picture) for picture in pictures)}")
    echo_done(f"The files, to look at and to change: {campaign.path}")
    echo_done(f"All of it as one page, to open in a browser: {page}")
    echo_hint("Next:")
    echo_command(f"cd {shlex.quote(str(target))}")
    echo_command("strandwise reduce demo")
    echo_hint("\nAll of this is invented.")
    echo_before_firing()


def _free_folder() -> Path:
    first = Path("strandwise-demo")
    number = 1
    folder = first
    while folder.exists():
        number += 1
        folder = first.with_name(f"{first.name}-{number}")
    return folder


def _copy(target: Path) -> CampaignFolder:
    from strandwise.records import copy_campaign, create_bench, shipped

    bench = create_bench(target)
    folder = bench.new_campaign("demo")
    copy_campaign(shipped("campaigns") / "demo", folder)
    return folder
