"""`strandwise mix sheet`: how much of what to weigh for a batch."""

from __future__ import annotations

import dataclasses
import io
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    CAUTION,
    campaign_argument,
    campaign_folder,
    echo_done,
    echo_json,
    examples,
    json_option,
    wrapped,
)
from strandwise.cli.mix_common import (
    echo_faults_elsewhere,
    process_temperature_option,
    quantity_option,
)
from strandwise.cli.showing import cautions_json
from strandwise.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import TextIO

    from strandwise.findings import Caution
    from strandwise.formulation import WeighOut
    from strandwise.records import Campaign
    from strandwise.report.sheet import Sheet
    from strandwise.units import Quantity, Unit

__all__ = ["sheet"]


@click.command(
    "sheet",
    epilog=examples(
        'strandwise mix sheet demo carbonate-10 --mass "500 g" --scale "0.1 g"',
        'strandwise mix sheet demo base --mass "2 kg" --scale "1 g" --water "sorbitol 0.5 %" \\\n'
        "  --output sheet.html",
    ),
    short_help="Weigh-out sheet for a batch, as text or a page to print.",
)
@campaign_argument
@click.argument("formulation")
@click.option("--mass", metavar="QUANTITY", required=True, help="Of the dry batch: 500 g.")
@click.option("--scale", metavar="QUANTITY", required=True, help="Smallest step it shows: 0.1 g.")
@click.option(
    "--water",
    "waters",
    multiple=True,
    metavar="TEXT",
    help='Water in an ingredient as it is weighed: "sorbitol 0.5 %".',
)
@process_temperature_option
@click.option("--batch", metavar="NAME", help="Name of the batch to be.")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the sheet there: a page if it ends in .html, else text.",
)
@json_option
@click.pass_context
def sheet(
    ctx: click.Context,
    campaign: str,
    formulation: str,
    *,
    mass: str,
    scale: str,
    waters: tuple[str, ...],
    temperature: str | None,
    batch: str | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Say how much of each ingredient to weigh for a batch of FORMULATION of CAMPAIGN.

    Masses are on the steps of the scale, with what the rounding does, and allow for the water
    that an ingredient brings along. The sheet ends with the command that records what was really
    weighed; that then counts as the batch's recipe.
    """
    from strandwise.formulation import weigh_out
    from strandwise.units import Kind
    from strandwise.workflow.recipes import (
        planned_cautions,
        read_recipes,
        recipe_named,
        usual_temperature,
    )

    sound, faults = read_recipes(campaign_folder(ctx, campaign))
    echo_faults_elsewhere(campaign, faults)
    recipe = recipe_named(sound, formulation)
    step = quantity_option(scale, Kind.MASS, "--scale")
    whole = quantity_option(mass, Kind.MASS, "--mass")
    weighed = weigh_out(
        recipe,
        sound.ingredients,
        whole.si,
        resolution=step.si,
        water=_waters(waters),
        unit=step.unit,
    )
    hottest = (
        quantity_option(temperature, Kind.TEMPERATURE, "--process-temperature").si
        if temperature
        else usual_temperature(sound, recipe.lineage)
    )
    planned = planned_cautions(sound, recipe, hottest)
    # Of water the sheet itself says what is and what is not allowed for.
    cautions = (*weighed.cautions, *(c for c in planned if c.code != "takes-up-water"))
    if as_json:
        echo_json(_as_json(weighed, cautions))
        return
    finished = _finished(sound, weighed, cautions, whole, step.unit, batch)
    if output is None:
        _write_text(finished, sys.stdout)
        return
    _write_file(finished, output)
    echo_done(f"Wrote {output}")


def _waters(texts: Sequence[str]) -> dict[str, float]:
    from strandwise.units import Kind

    waters = {}
    for text in texts:
        key, _, share = text.strip().partition(" ")
        if not share.strip():
            msg = f"--water: `{text}` is no ingredient with its water"
            raise RequestError(msg, expected="such as `sorbitol 0.5 %`")
        waters[key] = quantity_option(share.strip(), Kind.RATIO, "--water").si
    return waters


def _finished(
    campaign: Campaign,
    weighed: WeighOut,
    cautions: Sequence[Caution],
    whole: Quantity,
    unit: Unit,
    batch: str | None,
) -> Sheet:
    from strandwise.report.cautions import caution_lines
    from strandwise.report.sheet import sheet_of, weighings_text

    command = shlex.join(
        [
            *("strandwise", "log", "batch", campaign.name),
            *("--batch", batch or "NAME"),
            *("--formulation", weighed.formulation),
            *("--mass", whole.text),
            *("--weighings", weighings_text(weighed, unit)),
        ]
    )
    sheet = sheet_of(
        weighed,
        campaign=campaign.settings.title,
        unit=unit,
        cautions=caution_lines(("", caution) for caution in cautions),
        log_command=command,
    )
    # As it was typed: in the scale's unit it would be digits that nobody asked for.
    return dataclasses.replace(sheet, mass=whole.text, batch=batch or "")


def _write_text(sheet: Sheet, file: TextIO) -> None:
    from strandwise.report.tables import Column, print_table

    def fitted(text: str) -> str:
        return wrapped(text) if file is sys.stdout else text

    rows = [
        [
            line.ingredient,
            line.percent,
            line.water,
            line.exact,
            line.to_weigh,
            line.rounding,
            line.running_total,
            "________",
            "[ ]",
        ]
        for line in sheet.lines
    ]
    rows.append(["Total", "", "", "", sheet.total, "", "", "________", ""])
    print_table(
        [
            Column("Ingredient", kind="text"),
            Column("dry mix", "%"),
            Column("water", kind="text"),
            Column("exact", sheet.unit),
            Column("weigh", sheet.unit),
            Column("rounding", "%"),
            Column("scale in all", sheet.unit),
            Column("weighed", sheet.unit, kind="text"),
            Column("done", kind="text"),
        ],
        rows,
        file=file,
        title=f"Weigh-out of {sheet.mass} of {sheet.formulation}, scale in steps of {sheet.scale}",
        notes=[sheet.of_it_water] if sheet.of_it_water else [],
    )
    if sheet.cautions:
        file.write("\nTo heed:\n")
        file.writelines(f"{fitted(f'  {caution}')}\n" for caution in sheet.cautions)
    file.write(fitted("\nAfterwards, with the masses that were really weighed:\n"))
    file.write(f"  {sheet.log_command}\n")


def _write_file(sheet: Sheet, path: Path) -> None:
    from strandwise.records import write_bytes

    if path.suffix.lower() in (".html", ".htm"):
        from strandwise.report.sheet_page import sheet_page

        text = sheet_page(sheet, footer=CAUTION)
    else:
        lines = io.StringIO()
        _write_text(sheet, lines)
        text = f"{lines.getvalue()}\n{CAUTION}\n"
    try:
        write_bytes(path, text.encode())
    except OSError as error:
        msg = f"cannot write {path}: {error.strerror or error}"
        raise RequestError(msg, expected="a file in a folder that can be written") from error


def _as_json(weighed: WeighOut, cautions: Sequence[Caution]) -> dict[str, Any]:
    return {
        "formulation": weighed.formulation,
        "mass_g": 1e3 * weighed.mass,
        "scale_step_g": 1e3 * weighed.resolution,
        "rows": [
            {
                "ingredient": row.ingredient,
                "mass_fraction": row.mass_fraction,
                "dry_mass_g": 1e3 * row.dry_mass,
                "water_percent": 100.0 * row.water,
                "exact_mass_g": 1e3 * row.exact_mass,
                "to_weigh_g": 1e3 * row.to_weigh,
                "rounding_percent": 100.0 * row.rounding_share,
                "running_total_g": 1e3 * row.running_total,
            }
            for row in weighed.rows
        ],
        "total_g": 1e3 * weighed.total,
        "dry_total_g": 1e3 * weighed.dry_total,
        "mass_fractions_as_rounded": dict(weighed.actual_fractions),
        "cautions": cautions_json(cautions),
    }
