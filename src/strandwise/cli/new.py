"""`strandwise new`: a new campaign."""

from __future__ import annotations

import re
import shlex

import click

from strandwise.cli.common import (
    UnitsType,
    at_terminal,
    bench_option,
    echo_command,
    echo_done,
    echo_hint,
    echo_json,
    echo_text,
    examples,
    here,
    json_option,
    wrapped,
)
from strandwise.errors import RequestError

__all__ = ["command"]

_PART = re.compile(r"\s*([a-z0-9]+(?:-[a-z0-9]+)*)\s*[=: ]\s*([0-9]+(?:\.[0-9]+)?)\s*")


@click.command(
    "new", epilog=examples('strandwise new chalk --recipe "potassium-nitrate 65, sorbitol 35"')
)
@click.argument("campaign")
@click.option("--title", help="For people; otherwise the campaign's name.")
@click.option("--baseline", default="base", show_default=True, help="Formulation to compare with.")
@click.option(
    "--recipe",
    metavar="PARTS",
    help='Parts by mass of the baseline, such as "potassium-nitrate 65, sorbitol 35".',
)
@click.option(
    "--units",
    type=UnitsType(),
    metavar="UNITS",
    default="metric",
    show_default=True,
    help="Units that people see: metric, inch-pound, mixed, or such as 'metric, bar'.",
)
@click.option(
    "--altitude", default="", help='Height of the bench above the sea, for gauge readings: "300 m".'
)
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
    """Start CAMPAIGN in the bench folder: its settings, formulations and empty tables."""
    from strandwise.records import create_campaign, find_bench

    folder = find_bench(bench_option(ctx) or here(), stated=bench_option(ctx)).new_campaign(
        campaign
    )
    parts = _ask_recipe(baseline) if recipe is None and at_terminal() else _parts(recipe or "")
    create_campaign(
        folder,
        title=title or campaign,
        baseline=baseline,
        ingredients=parts,
        units=units,
        altitude=altitude,
    )
    if as_json:
        echo_json({"campaign": folder.name, "folder": str(folder.path)})
        return
    echo_done(f"Made {folder.path}")
    log = shlex.join(
        ["strandwise", "log", "batch", folder.name, "--batch", "B-01", "--formulation", baseline]
    )
    if parts:
        echo_hint("Next:")
    else:
        echo_hint(f"Next: write the recipe of `{baseline}` into {folder.formulations.name}, then:")
    echo_command(log)


def _ask_recipe(baseline: str) -> dict[str, str]:
    """Parts of the baseline, asked for until they can be read; empty if left for later."""
    while True:
        text: str = click.prompt(
            wrapped(
                f"Parts by mass of `{baseline}`, such as `potassium-nitrate 65, sorbitol 35`; "
                "Enter to write them later",
                err=True,
            ),
            default="",
            show_default=False,
            err=True,
        )
        try:
            return _parts(text)
        except RequestError as error:
            echo_text(f"  {error}", err=True)


def _parts(recipe: str) -> dict[str, str]:
    parts: dict[str, str] = {}
    for text in recipe.split(",") if recipe.strip() else []:
        match = _PART.fullmatch(text)
        if not match:
            msg = f"`{text.strip()}` is no amount of an ingredient"
            raise RequestError(
                msg,
                expected="an ingredient and its parts, such as `sorbitol 35`",
                hint="ingredients apart by commas; nothing was changed",
            )
        name, amount = match.groups()
        if name in parts:
            msg = f"`{name}` stands twice in the recipe"
            raise RequestError(msg, hint="give each ingredient once; nothing was changed")
        parts[name] = amount
    return parts
