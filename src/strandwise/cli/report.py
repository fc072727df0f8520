"""`strandwise report`: a whole campaign as one page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_conduct,
    echo_done,
    echo_hint,
    echo_json,
    echo_text,
    examples,
    json_option,
    units_option,
)
from strandwise.cli.forecast_view import BEFORE_ANY_FIRING, forecast_wording
from strandwise.cli.showing import wanted_options

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.forecast import Wanted
    from strandwise.records import Campaign, CampaignFolder
    from strandwise.report.page.content import UnreadFiring

__all__ = ["command", "write_report"]


@click.command(
    "report",
    epilog=examples(
        "strandwise report demo -o page.html",
        'strandwise report demo --motor full-size --peak-below "4 MPa" --burn-longer "1.5 s"',
    ),
)
@campaign_argument
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The page; otherwise CAMPAIGN.html. An earlier page is replaced, no other file is.",
)
@click.option(
    "--motor",
    "motors",
    type=click.Path(path_type=Path),
    multiple=True,
    help="File or name; may be repeated; otherwise all in the campaign's folder motors/.",
)
@click.option(
    "--peak-below", metavar="PRESSURE", help='Peak wanted of the motors, such as "4 MPa".'
)
@click.option(
    "--burn-longer", metavar="TIME", help='Burn time wanted of the motors, such as "2 s".'
)
@units_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str,
    *,
    output: Path | None,
    motors: tuple[Path, ...],
    peak_below: str | None,
    burn_longer: str | None,
    units: str | None,
    as_json: bool,
) -> None:
    """Write CAMPAIGN as one page to look at, to print and to send: the decision first.

    The page opens from the disk and loads nothing. What is wanted of the motors decides which
    formulation stands first; otherwise the largest change that is shown does. The same records
    give the same page, byte for byte.
    """
    from strandwise.records import read_campaign
    from strandwise.workflow.page import without_unread

    folder = campaign_folder(ctx, campaign)
    sound, unread = without_unread(read_campaign(folder))
    path = output or Path(f"{sound.name}.html")
    size = write_report(
        folder,
        sound,
        path,
        motors=motors or None,
        wanted=wanted_options(peak_below, burn_longer, sound),
        unread=unread,
        units=units,
    )
    if as_json:
        left_out = [{"test": one.test, "why": one.why} for one in unread]
        echo_json({"page": str(path.absolute()), "bytes": size, "left_out": left_out})
        return
    for one in unread:
        echo_text(f"strandwise: {one.test} is left out of the page: {one.why}", err=True)
    echo_done(f"Wrote {path}, {size / 1e6:.2g} MB")
    echo_hint("Open it in a browser; it loads nothing and can be sent as it is.")
    echo_conduct(BEFORE_ANY_FIRING)


def write_report(
    folder: CampaignFolder,
    campaign: Campaign,
    path: Path,
    *,
    motors: Sequence[Path] | None = None,
    wanted: Wanted | None = None,
    unread: Sequence[UnreadFiring] = (),
    units: str | None = None,
) -> int:
    """Make a campaign's page and return how many bytes it has; options as of the command.

    Raises
    ------
    RequestError
        The page would replace a file that is no page of this program, lie among the raw traces,
        or cannot be written; a motor is not there.
    RecordsError, DataError
        A motor that was asked for has faults.
    """
    from strandwise.report.labels import display_units
    from strandwise.report.page.render import render_page
    from strandwise.workflow.page import gather_page, may_be_written, write_page

    may_be_written(folder, path)
    shown = display_units(units or campaign.settings.units)
    content = gather_page(
        folder,
        campaign,
        motors=motors,
        wanted=wanted,
        unread=unread,
        wording=forecast_wording(shown),
        units=units,
    )
    page = render_page(content, shown, notices=BEFORE_ANY_FIRING)
    write_page(folder, path, page)
    return len(page)
