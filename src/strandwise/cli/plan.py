"""`strandwise plan`: what to test next."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_cautions,
    echo_conduct,
    echo_done,
    echo_json,
    echo_text,
    examples,
    figure_option,
    json_option,
    units_option,
)
from strandwise.cli.showing import cautions_json, percent, pressure_option, pressure_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from strandwise.planning import (
        DesignPower,
        DetectableShift,
        MotorSuggestion,
        MotorTests,
        NextTests,
        RangeExtension,
        RunSheet,
        Suggestion,
    )
    from strandwise.records import Campaign, CampaignFolder, MotorRecord
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.planning import CampaignPlan

__all__ = ["command"]


@click.command(
    "plan",
    epilog=examples(
        "strandwise plan demo",
        'strandwise plan demo --shift "5 %" --new-batches 2 --seed 7',
        "strandwise plan demo --motor full-size --formulation base --figure peak.svg",
    ),
)
@campaign_argument
@click.option("--at", metavar="PRESSURE", help='Pressure that matters, such as "4 MPa".')
@click.option("--baseline", help="Formulation to compare with; otherwise the campaign's.")
@click.option("--formulation", help="Whose shift or peak pressure matters; otherwise all.")
@click.option(
    "--motor",
    type=click.Path(path_type=Path),
    help="Motor (its file, or name in motors/) whose peak pressure matters.",
)
@click.option("--lowest", metavar="PRESSURE", help="Lowest pressure that may be tested.")
@click.option("--highest", metavar="PRESSURE", help="Highest pressure that may be tested.")
@click.option("--shift", metavar="PERCENT", help='Shift to be shown, such as "5 %".')
@click.option(
    "--new-batches",
    type=click.IntRange(1, 50),
    help="Also print a run sheet for so many new batches of each formulation.",
)
@click.option(
    "--strands", type=click.IntRange(2, 50), default=5, show_default=True, help="Of each new batch."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of the sheet's random order.")
@units_option
@figure_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str,
    *,
    at: str | None,
    baseline: str | None,
    formulation: str | None,
    motor: Path | None,
    lowest: str | None,
    highest: str | None,
    shift: str | None,
    new_batches: int | None,
    strands: int,
    seed: int,
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Say which test of CAMPAIGN would tell most, and what its tests could have shown.

    Suggestions stay inside the pressures that were tested of the same formulation and kind,
    unless you say which are permitted. They are ranked by what they tell of the shift at a
    pressure, or with --motor of that motor's peak pressure.
    """
    from strandwise.records import read_campaign
    from strandwise.report.labels import display_units
    from strandwise.workflow.planning import plan_campaign
    from strandwise.workflow.reducing import reduce_campaign

    if (lowest is None) != (highest is None):
        msg = "--lowest and --highest go together."
        raise click.UsageError(msg)
    if at is not None and motor is not None:
        msg = "--at goes without --motor: the peak of its forecast is the pressure that matters."
        raise click.UsageError(msg)
    folder = campaign_folder(ctx, campaign)
    sound = read_campaign(folder).sound()
    record = None if motor is None else _motor(folder, sound, motor)
    shown = display_units(units or sound.settings.units)
    low = pressure_option(lowest, sound, "--lowest")
    high = pressure_option(highest, sound, "--highest")
    if low is not None and high is not None and low > high:
        msg = f"--lowest {lowest} is above --highest {highest}."
        raise click.UsageError(msg)
    wanted = _shift(shift)
    plan = plan_campaign(
        reduce_campaign(sound, units),
        baseline=baseline,
        pressure=pressure_option(at, sound, "--at"),
        formulation=formulation,
        motor=record,
        permitted=None if low is None or high is None else (low, high),
        shift=wanted,
        new_batches=new_batches or 0,
        tests_per_batch=strands,
        seed=seed,
        curves=figure is not None,
        format_pressure=lambda value: pressure_text(value, shown),
    )
    found = plan.for_motor or plan.next
    if figure is not None and found is not None:
        from strandwise.report.figures import draw_plan, save_figure

        title = (
            "" if record is None else f"What to test next for the peak pressure of {record.name}"
        )
        save_figure(draw_plan(found, plan.curves, shown, title, shift=wanted), figure)
    if as_json:
        echo_json(_as_json(plan, record))
        return
    _print(plan, shown, shift=shift, permitted=lowest)
    if figure is not None:
        echo_done(f"\nPicture: {figure}")


def _motor(folder: CampaignFolder, campaign: Campaign, named: Path) -> MotorRecord:
    from strandwise.workflow.motor_design import find_motor

    return find_motor(folder, campaign, named)


def _shift(text: str | None) -> float | None:
    if text is None:
        return None
    from strandwise.errors import UnitError
    from strandwise.units import Kind, parse_quantity

    try:
        shift = abs(parse_quantity(text, Kind.RATIO).si)
    except UnitError as error:
        msg = f"--shift: {error.message}"
        raise UnitError(msg, expected=error.expected, hint=error.hint) from error
    if not 0.0 < shift < 1.0:
        msg = f"--shift: `{text}` is no change of the burn rate that could be looked for"
        raise UnitError(msg, expected="more than 0 % and less than 100 %, such as `5 %`")
    return -shift


def _as_json(plan: CampaignPlan, motor: MotorRecord | None) -> dict[str, Any]:
    reaches = [abs(d.slower) for d in plan.detectable if d.slower is not None]
    told = _next_json(plan.next) if plan.next is not None else {}
    if plan.for_motor is not None and motor is not None:
        told = {"motor": motor.name} | _for_motor_json(plan.for_motor)
    return told | {
        "detectable_shift_percent": percent(max(reaches)) if reaches else None,
        "detectable": [_detectable_json(found) for found in plan.detectable],
        "designs": [_design_json(design) for design in plan.designs],
        "run_sheet": None if plan.sheet is None else _sheet_json(plan.sheet),
    }


def _next_json(plan: NextTests) -> dict[str, Any]:
    return {
        "pressure_MPa": plan.pressure / 1e6,
        "interval_now_percent": percent(_as_ratio(plan.interval_now)),
        "suggestions": [_suggestion_json(s, plan.pressure) for s in plan.suggestions],
        "extensions": _extensions_json(plan.extensions),
        "warnings": cautions_json(plan.cautions),
    }


def _as_ratio(half_width: float | None) -> float | None:
    """A half width in ln(rate) as a fraction of the rate, as the sentences tell it."""
    return None if half_width is None else math.expm1(half_width)


def _for_motor_json(plan: MotorTests) -> dict[str, Any]:
    peaks = {target.formulation: target.pressure for target in plan.targets}
    return {
        "peaks": [
            {
                "formulation": target.formulation,
                "peak_pressure_MPa": target.pressure / 1e6,
                "n": target.exponent,
                "sd_percent": None if now.widened is None else 100.0 * math.sqrt(now.widened),
                "variance": {
                    "tests": now.tests,
                    "batches": now.batches,
                    "shared": now.shared,
                    "motor": now.motor,
                },
            }
            for target, now in zip(plan.targets, plan.now, strict=True)
        ],
        "suggestions": [
            _suggestion_json(one, peaks.get(one.formulation, plan.targets[0].pressure))
            | {
                "peak_pressure_sd_percent": {
                    "before": percent(one.sd_before),
                    "after": percent(one.sd_after),
                }
            }
            for one in plan.suggestions
        ],
        "extensions": _extensions_json(plan.extensions),
        "warnings": cautions_json(plan.cautions),
    }


def _extensions_json(extensions: Iterable[RangeExtension]) -> list[dict[str, Any]]:
    return [
        {"formulation": e.formulation, "pressure_MPa": e.pressure / 1e6, "why": e.why}
        for e in extensions
    ]


def _suggestion_json(suggestion: Suggestion | MotorSuggestion, decision: float) -> dict[str, Any]:
    pressures = [test.pressure for test in suggestion.tests]
    return {
        "formulation": suggestion.formulation,
        "batch": suggestion.batch,
        "kind": suggestion.kind,
        "pressure_MPa": min(pressures, key=lambda p: abs(p - decision)) / 1e6,
        "pressures_MPa": [p / 1e6 for p in pressures],
        "why": suggestion.why,
        "gain": suggestion.gain,
    }


def _detectable_json(found: DetectableShift) -> dict[str, Any]:
    return {
        "formulation": found.formulation,
        "power": found.power,
        "slower_percent": percent(found.slower),
        "faster_percent": percent(found.faster),
    }


def _design_json(design: DesignPower) -> dict[str, Any]:
    return {
        "batches": design.batches,
        "tests_per_batch": design.tests_per_batch,
        "shift_percent": percent(design.shift),
        "power": design.power,
    }


def _sheet_json(sheet: RunSheet) -> dict[str, Any]:
    return {
        "seed": sheet.seed,
        "mixing": list(sheet.mixing),
        "rows": [
            {
                "position": row.position,
                "day": row.day,
                "batch": row.test.batch,
                "formulation": row.test.formulation,
                "kind": "firing" if row.test.is_firing else "strand",
                "pressure_MPa": row.test.pressure / 1e6,
            }
            for row in sheet.rows
        ],
    }


def _print(
    plan: CampaignPlan, units: DisplayUnits, *, shift: str | None, permitted: str | None
) -> None:
    from strandwise.planning import MOST_BATCHES, design_sentence, detectable_sentence

    def write(value: float) -> str:
        return pressure_text(value, units)

    found = plan.for_motor or plan.next
    if found is None:
        return
    stand, suggestions = _sentences(found, write)
    for text in (*stand, *map(detectable_sentence, plan.detectable)):
        _say(text)
    of_all = ""
    if plan.for_motor is not None and len(plan.for_motor.targets) > 1:
        of_all = " (standard deviation: root mean square over the formulations)"
    echo_text(f"\nWhat would tell more, the best first{of_all}:")
    for number, text in enumerate(suggestions, start=1):
        echo_text(f"  {number}. {text}")
    of_motor = any(caution.code == "motor-tolerances" for caution in found.cautions)
    if not suggestions and of_motor:
        echo_text(
            "  no test of the burn rate at the pressures permitted: the motor's tolerances hide "
            "what one would tell, and what lessens these is told below"
        )
    elif not suggestions:
        echo_text(
            "  nothing at the pressures tested of each formulation by each method; --lowest and "
            "--highest permit others, by either method"
            if permitted is None
            else "  nothing inside the pressures permitted"
        )
    for extension in found.extensions:
        echo_text(f"  {extension.why}")
    if plan.designs:
        echo_text("\nDesigns for the shift asked for:")
        for design in plan.designs:
            echo_text(f"  {design_sentence(design)}")
    elif shift is not None:
        echo_text(
            f"\nNo design of up to {MOST_BATCHES} batches of each formulation shows a shift of "
            f"{shift} with a chance of 80 %: batches or tests differ too much for it."
        )
    if plan.sheet is not None:
        _print_sheet(plan.sheet, units)
    echo_cautions(("", caution) for caution in found.cautions)
    echo_conduct()


def _sentences(
    found: NextTests | MotorTests, write: Callable[[float], str]
) -> tuple[list[str], list[str]]:
    """Where things stand, and the suggestions."""
    from strandwise.planning import (
        MotorTests,
        next_tests_sentence,
        peak_sentence,
        suggestion_for_motor_sentence,
        suggestion_sentence,
    )

    if isinstance(found, MotorTests):
        pairs = zip(found.targets, found.now, strict=True)
        return (
            [peak_sentence(target, now, format_pressure=write) for target, now in pairs],
            [suggestion_for_motor_sentence(s, format_pressure=write) for s in found.suggestions],
        )
    return (
        [next_tests_sentence(found, format_pressure=write)],
        [suggestion_sentence(s, format_pressure=write) for s in found.suggestions],
    )


def _say(text: str) -> None:
    echo_text(f"{text[:1].upper()}{text[1:]}.")


def _print_sheet(sheet: RunSheet, units: DisplayUnits) -> None:
    from strandwise.report.labels import format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    echo_text()
    rows = [
        [
            str(row.position),
            str(row.day),
            row.test.batch,
            row.test.formulation,
            "firing" if row.test.is_firing else "strand",
            format_number(in_unit(row.test.pressure, units.pressure)),
        ]
        for row in sheet.rows
    ]
    columns = [
        Column("No."),
        Column("day"),
        Column("Batch", kind="text"),
        Column("Formulation", kind="text"),
        Column("kind", kind="text"),
        Column("absolute pressure", unit_text(units.pressure)),
    ]
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Run sheet, random order (seed {sheet.seed})",
        notes=[f"Mix in this order: {', '.join(sheet.mixing)}."],
    )
