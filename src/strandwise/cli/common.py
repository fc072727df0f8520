"""What the commands share: arguments, options, and how results leave."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from strandwise.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from strandwise.findings import Caution
    from strandwise.records import CampaignFolder

__all__ = [
    "CAUTION",
    "at_terminal",
    "bench_option",
    "campaign_argument",
    "campaign_folder",
    "echo_cautions",
    "echo_json",
    "examples",
    "figure_option",
    "here",
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


def examples(*lines: str) -> str:
    """Examples at the end of a command's help, one a line; a long one goes on after a backslash."""
    heading = "Example:" if len(lines) == 1 else "Examples:"
    indented = [f"  {line}" for line in "\n".join(lines).splitlines()]
    return "\n".join(["\b", heading, *indented])


def at_terminal() -> bool:
    """Whether there is somebody to ask."""
    return sys.stdin is not None and sys.stdin.isatty()


def here() -> Path:
    """The folder that the user stands in.

    Raises
    ------
    RequestError
        It is gone, or may not be read.
    """
    try:
        return Path.cwd()
    except OSError as error:
        msg = f"the folder that you are in cannot be read: {error.strerror}"
        raise RequestError(
            msg, hint="go to another folder, or name one with `--bench DIR`"
        ) from error


def bench_option(ctx: click.Context) -> Path | None:
    """The bench folder stated before the command, if any."""
    found = ctx.find_root().obj
    return found if isinstance(found, Path) else None


def campaign_folder(ctx: click.Context, name: str) -> CampaignFolder:
    """Folder of the campaign named on the command line."""
    from strandwise.workflow.recording import open_campaign

    return open_campaign(name, bench=bench_option(ctx), start=_start(ctx))


def _start(ctx: click.Context) -> Path:
    # A stated bench folder needs no place to look upward from.
    return bench_option(ctx) or here()


def echo_cautions(labelled: Iterable[tuple[str, Caution]]) -> None:
    """Print what is to be heeded, below the results that it is about; nothing if there is none."""
    from strandwise.report.cautions import caution_lines

    lines = caution_lines(labelled)
    if lines:
        click.echo("\nTo heed:")
    for line in lines:
        click.echo(f"  {line}")


def echo_json(value: object) -> None:
    """Print a value as JSON: UTF-8, null where there is no value or none that is finite."""
    click.echo(json.dumps(_finite(value), ensure_ascii=False, indent=2, allow_nan=False))


def _finite(value: object) -> object:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
