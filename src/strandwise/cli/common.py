"""What the commands share: arguments, options, and how results leave."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.records import CampaignFolder

__all__ = [
    "CAUTION",
    "bench_option",
    "campaign_argument",
    "campaign_folder",
    "echo_json",
    "figure_option",
    "json_option",
    "units_option",
]

CAUTION = (
    "Estimates from small samples, not a licence: keep to local law and to those licensed for the "
    "work, fire remotely and from a distance, and let nobody near a pressurised case."
)

_Decorated = TypeVar("_Decorated", bound="Callable[..., Any]")


def campaign_argument(function: _Decorated) -> _Decorated:
    """Add the argument CAMPAIGN."""
    return click.argument("campaign")(function)


def json_option(function: _Decorated) -> _Decorated:
    """Add the option --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")(
        function
    )


def units_option(function: _Decorated) -> _Decorated:
    """Add the option --units."""
    return click.option(
        "--units",
        type=click.Choice(["metric", "inch-pound"]),
        help="Units of tables and pictures; otherwise the campaign's.",
    )(function)


def figure_option(function: _Decorated) -> _Decorated:
    """Add the option --figure."""
    return click.option(
        "--figure",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Draw the picture to FILE (.svg, .png or .pdf).",
    )(function)


def bench_option(ctx: click.Context) -> Path | None:
    """The bench folder stated before the command, if any."""
    found = ctx.find_root().obj
    return found if isinstance(found, Path) else None


def campaign_folder(ctx: click.Context, name: str) -> CampaignFolder:
    """Folder of the campaign named on the command line."""
    from strandwise.workflow.recording import open_campaign

    return open_campaign(name, bench=bench_option(ctx), start=Path.cwd())


def echo_json(value: object) -> None:
    """Print a value as JSON: UTF-8, no NaN, null where there is no value."""
    click.echo(json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False))
