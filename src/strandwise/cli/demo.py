"""`strandwise demo`: the whole job on the invented campaign that comes with the program."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from strandwise.cli.common import CAUTION, echo_json, examples, json_option
from strandwise.cli.showing import pressure_text

if TYPE_CHECKING:
    from strandwise.records import Campaign

__all__ = ["command"]


@click.command("demo", epilog=examples("strandwise demo"))
@click.argument("folder", type=click.Path(path_type=Path), required=False, metavar="[DIR]")
@json_option
def command(folder: Path | None, *, as_json: bool) -> None:
    """Copy the demonstration campaign to the new bench folder DIR and run the whole job on it.

    The campaign is invented: three formulations of a nitrate/sugar propellant, one of them the
    baseline, strands and a few firings. DIR is `strandwise-demo`, or the next free such name.
    """
    from strandwise.cli.compare import comparison_json, print_comparison
    from strandwise.cli.fit import fit_json, print_fits
    from strandwise.report.figures import draw_comparison, draw_rate_laws, save_figure
    from strandwise.report.labels import display_units
    from strandwise.workflow.analysis import fit_campaign, reduce_campaign
    from strandwise.workflow.tracking import compare_campaign

    target = folder or _free_folder()
    campaign = _copy(target)
    units = display_units(campaign.settings.units)
    reduced = reduce_campaign(campaign)
    fits = fit_campaign(reduced)
    comparison = compare_campaign(
        reduced, format_pressure=lambda value: pressure_text(value, units)
    )
    laws, shifts = target / "demo-laws.svg", target / "demo-shifts.svg"
    save_figure(draw_rate_laws(fits, reduced.points, units, title=campaign.settings.title), laws)
    save_figure(draw_comparison(comparison, units), shifts)
    if as_json:
        echo_json(
            {
                "bench": str(target.absolute()),
                "campaign": campaign.name,
                "pictures": [str(laws.absolute()), str(shifts.absolute())],
                "fits": [fit_json(fit) for fit in fits],
                "comparison": comparison_json(comparison),
            }
        )
        return
    click.echo(f"{campaign.settings.title}\n")
    print_fits(fits, units)
    click.echo()
    print_comparison(comparison, units)
    click.echo(f"\nPictures: {laws}, {shifts}")
    click.echo(f"The files, to look at and to change: {campaign.path}")
    click.echo(f"Next: cd {shlex.quote(str(target))}, then strandwise reduce demo")
    click.echo(f"\nAll of this is invented. {CAUTION}")


def _free_folder() -> Path:
    first = Path("strandwise-demo")
    number = 1
    folder = first
    while folder.exists():
        number += 1
        folder = first.with_name(f"{first.name}-{number}")
    return folder


def _copy(target: Path) -> Campaign:
    from strandwise.records import copy_campaign, create_bench, read_campaign, shipped

    bench = create_bench(target)
    folder = bench.new_campaign("demo")
    copy_campaign(shipped("campaigns") / "demo", folder)
    return read_campaign(folder).sound()
