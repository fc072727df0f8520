"""`strandwise new`: a new campaign."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import click

from strandwise.cli.common import bench_option, echo_json, json_option

__all__ = ["command"]

_PART = re.compile(r"\s*([a-z0-9]+(?:-[a-z0-9]+)*)\s*[=: ]\s*([0-9]+(?:\.[0-9]+)?)\s*")


@click.command("new")
@click.argument("campaign")
@click.option("--title", help="For people; otherwise the campaign's name.")
@click.option("--baseline", default="base", show_default=True, help="Formulation to compare with.")
@click.option(
    "--recipe",
    metavar="PARTS",
    help='Parts by mass of the baseline, such as "potassium-nitrate 65, sorbitol 35".',
)
@click.option("--units", type=click.Choice(["metric", "inch-pound"]), default="metric")
@click.option("--altitude", default="", help='Of the bench, for gauge readings, such as "300 m".')
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str,
    *,
    title: str | None,
    baseline: str,
    recipe: str | None,
    units: str,
    altitude: str,
    as_json: bool,
) -> None:
    r"""Start CAMPAIGN in the bench folder: its settings, formulations and empty tables.

    \b
    Example:
      strandwise new chalk --recipe "potassium-nitrate 65, sorbitol 35"
    """
    from strandwise.records import create_campaign, find_bench

    folder = find_bench(Path.cwd(), stated=bench_option(ctx)).new_campaign(campaign)
    if recipe is None and sys.stdin.isatty() and not as_json:
        recipe = click.prompt(
            "Parts by mass of the baseline, such as `potassium-nitrate 65, sorbitol 35` "
            "(Enter: write them later)",
            default="",
            show_default=False,
        )
    create_campaign(
        folder,
        title=title or campaign,
        baseline=baseline,
        ingredients=_parts(recipe or ""),
        units=units,
        altitude=altitude,
    )
    if as_json:
        echo_json({"campaign": folder.name, "folder": str(folder.path)})
        return
    click.echo(f"Made {folder.path}")
    if not recipe:
        click.echo(f"Next: write the recipe of `{baseline}` into {folder.formulations.name},")
    click.echo(f"then: strandwise log batch {campaign} --batch B-01 --formulation {baseline}")


def _parts(recipe: str) -> dict[str, str]:
    parts = {}
    for text in recipe.split(",") if recipe.strip() else []:
        match = _PART.fullmatch(text)
        if not match:
            from strandwise.errors import RequestError

            msg = f"`{text.strip()}` is no amount of an ingredient"
            raise RequestError(
                msg,
                expected="an ingredient and its parts, such as `sorbitol 35`",
                hint="nothing was changed",
            )
        parts[match.group(1)] = match.group(2)
    return parts
