"""`strandwise compare`: what each change of formulation did."""

from __future__ import annotations

import dataclasses
import math
import sys
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
from strandwise.cli.showing import (
    cautions_json,
    percent,
    percents,
    pressure_option,
    pressure_text,
    rate_text,
)

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.report.labels import DisplayUnits
    from strandwise.tracking import (
        AtLeast,
        Comparison,
        CovariateSlope,
        DoseSlope,
        Equivalence,
        FormulationShift,
    )

__all__ = ["command"]


@click.command(
    "compare",
    epilog=examples(
        'strandwise compare demo --at "4 MPa" --figure shifts.svg',
        'strandwise compare demo --slower "10 %"',
    ),
)
@campaign_argument
@click.option(
    "--at", metavar="PRESSURE", help='Pressure to compare at, such as "4 MPa" or "600 psig".'
)
@click.option("--baseline", help="Formulation to compare with; otherwise the campaign's.")
@click.option(
    "--within",
    metavar="PERCENT",
    help='Also ask whether the effect is shown to be no larger, such as "5 %".',
)
@click.option(
    "--slower",
    metavar="PERCENT",
    help='Also ask whether each is shown to burn slower by at least so much, such as "10 %".',
)
@click.option("--faster", metavar="PERCENT", help="The same of burning faster.")
@click.option(
    "--covariate",
    "covariates",
    multiple=True,
    type=click.Choice(["density", "particle-size", "porosity", "process-temperature"]),
    help="Explain part of the rate by what each batch carries; may be given twice. A particle "
    "size is read where it is one size with its unit, such as 63 to 90 µm.",
)
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
    within: str | None,
    slower: str | None,
    faster: str | None,
    covariates: tuple[Any, ...],
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Say what each change of formulation in CAMPAIGN did to the burn rate and its exponent.

    Batches of one formulation differ by more than the strands of one batch: a shift counts as
    seen only beyond both. The p-values allow for the number of formulations, the intervals do
    not; nor do --within, unlike --slower and --faster.
    """
    from strandwise.records import read_campaign
    from strandwise.report.labels import display_units
    from strandwise.tracking import (
        at_least,
        at_least_sentence,
        equivalence,
        equivalence_sentence,
    )
    from strandwise.workflow.reducing import reduce_campaign
    from strandwise.workflow.tracking import compare_campaign

    sound = read_campaign(campaign_folder(ctx, campaign)).sound()
    shown = display_units(units or sound.settings.units)
    comparison = compare_campaign(
        reduce_campaign(sound, units),
        baseline=baseline,
        pressure=pressure_option(at, sound, "--at"),
        covariates=covariates,
        format_pressure=lambda value: pressure_text(value, shown),
    )
    asked: dict[str, Any] = {
        name: _share(text, f"--{name}")
        for name, text in (("within", within), ("slower", slower), ("faster", faster))
        if text is not None
    }
    if figure is not None:
        from strandwise.report.figures import draw_comparison, save_figure

        save_figure(draw_comparison(comparison, shown, **asked), figure)
    judged = equivalence(comparison, asked["within"]) if "within" in asked else ()
    wanted = [
        row
        for name in ("slower", "faster")
        if name in asked
        for row in at_least(comparison, asked[name], slower=name == "slower")
    ]
    if as_json:
        told: dict[str, Any] = {}
        if within is not None:
            told["equivalence"] = [_equivalence_json(row) for row in judged]
        if slower is not None or faster is not None:
            told["at_least"] = [_at_least_json(row) for row in wanted]
        echo_json(comparison_json(comparison) | told)
        return
    print_comparison(comparison, shown)
    sentences = [*map(equivalence_sentence, judged), *map(at_least_sentence, wanted)]
    if sentences:
        echo_text()
    for text in sentences:
        echo_text(f"{text}.")
    if len({row.formulation for row in wanted}) > 1:
        echo_text(
            "p and confidence of --slower and --faster hold for all formulations together, so "
            "they ask more than an interval of one."
        )
    if figure is not None:
        echo_done(f"\nPicture: {figure}")
    echo_conduct()


def _share(text: str, option: str) -> float:
    from strandwise.errors import UnitError
    from strandwise.units import Kind, parse_quantity

    try:
        share = parse_quantity(text, Kind.RATIO).si
    except UnitError as error:
        msg = f"{option}: {error.message}"
        raise UnitError(msg, expected=error.expected, hint=error.hint) from error
    if option == "--within" and not 0.0 < share < 1.0:
        msg = f"--within: `{text}` is no margin for a change of the burn rate"
        raise UnitError(msg, expected="more than 0 % and less than 100 %, such as `5 %`")
    if not 0.0 <= share < (1.0 if option == "--slower" else 10.0):
        msg = f"{option}: `{text}` is no change that could be asked for"
        expected = "below 100 %" if option == "--slower" else "below 1000 %"
        raise UnitError(msg, expected=f"0 % (slower or faster at all) or more, {expected}")
    return share


def _equivalence_json(row: Equivalence) -> dict[str, Any]:
    return {
        "formulation": row.formulation,
        "margin_percent": 100.0 * row.margin,
        "verdict": row.verdict,
        "p": row.p,
        "ci90": percents(row.ci90),
        "largest_change_percent": percent(row.largest_change),
    }


def _at_least_json(row: AtLeast) -> dict[str, Any]:
    return {
        "formulation": row.formulation,
        "direction": "slower" if row.slower else "faster",
        "change_percent": 100.0 * row.change,
        "verdict": row.verdict,
        "p": row.p,
        "at_least_percent": percent(row.bound),
    }


def _covariate_json(slope: CovariateSlope) -> dict[str, Any]:
    return {
        "covariate": slope.name,
        "step": slope.step_text,
        "percent_per_step": slope.percent_per_step,
        "ci95": None if slope.ci95 is None else list(slope.ci95),
        "p": slope.p,
        "warnings": cautions_json(slope.cautions),
    }


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """A comparison as other programs read it."""
    return {
        "baseline": comparison.baseline,
        "pressure_MPa": comparison.pressure / 1e6,
        "between_batch_sd_percent": percent(comparison.between_batch_sd),
        "within_batch_sd_percent": percent(comparison.within_batch_sd),
        "between_batch_n_sd": comparison.between_batch_n_sd,
        "rate_kind": comparison.rate_kind,
        "formulations": [_shift_json(shift) for shift in comparison.formulations],
        "doses": [_dose_json(dose) for dose in comparison.doses],
        "covariates": [_covariate_json(slope) for slope in comparison.covariates],
        "method_offset_percent": percent(comparison.method_offset),
        "method_offset_ci95": percents(comparison.method_offset_ci95),
        "warnings": cautions_json(comparison.cautions),
    }


def _shift_json(shift: FormulationShift) -> dict[str, Any]:
    rate, interval, n_interval = shift.rate, shift.rate_ci95, shift.n_shift_ci95
    return {
        "formulation": shift.formulation,
        "batches": shift.batches,
        "points": shift.points,
        "pressure_range_MPa": [p / 1e6 for p in shift.pressure_range],
        "rate_mm_s": None if rate is None else rate * 1e3,
        "rate_ci95": None if interval is None else [r * 1e3 for r in interval],
        "shift_percent": percent(shift.shift),
        "shift_ci95": percents(shift.shift_ci95),
        "shift_p": shift.shift_p,
        "n": shift.n,
        "n_sd": shift.n_sd,
        "n_shift": shift.n_shift,
        "n_shift_ci95": None if n_interval is None else list(n_interval),
        "n_shift_p": shift.n_shift_p,
        "probability_slower": shift.probability_slower,
        "degrees_of_freedom": shift.degrees_of_freedom,
        "warnings": cautions_json(shift.cautions),
    }


def _dose_json(dose: DoseSlope) -> dict[str, Any]:
    return {
        "ingredient": dose.ingredient,
        "replaces": dose.replaces,
        "formulations": list(dose.formulations),
        "amounts_percent": [100.0 * amount for amount in dose.amounts],
        "percent_per_percent": dose.percent_per_percent,
        "ci95": None if dose.ci95 is None else list(dose.ci95),
        "warnings": cautions_json(dose.cautions),
    }


def print_comparison(comparison: Comparison, units: DisplayUnits) -> None:
    """Print the shifts as a table and in sentences."""
    from strandwise.report.labels import (
        format_change,
        format_change_interval,
        format_interval,
        format_number,
        format_probability,
        in_unit,
        unit_text,
    )
    from strandwise.report.tables import Column, print_table
    from strandwise.tracking import covariate_sentence, dose_sentence, sentence

    at = pressure_text(comparison.pressure, units)
    columns = [
        Column("Formulation", kind="text"),
        Column("batches"),
        Column("tests"),
        Column(f"rate at {at}", unit_text(units.rate)),
        Column("shift", "%"),
        Column("95 %", joined=True),
        Column("p", joined=True),
        Column("slower, probability", joined=True),
        Column("n"),
        Column("Δn", joined=True),
        Column("95 %", joined=True),
        Column("p", joined=True),
    ]
    rows = []
    for shift in comparison.formulations:
        reference = shift.formulation == comparison.baseline
        rate = None if shift.rate is None else in_unit(shift.rate, units.rate)
        ends = shift.rate_ci95
        half = None if ends is None else (ends[1] - ends[0]) / 2.0 / float(units.rate.factor)
        interval = _pair(percents(shift.shift_ci95))
        rows.append(
            [
                shift.formulation,
                str(shift.batches),
                str(shift.points),
                format_number(rate, half),
                "baseline" if reference else format_change(percent(shift.shift), interval),
                "" if reference else format_change_interval(interval),
                "" if reference else format_probability(shift.shift_p),
                "" if reference else format_probability(shift.probability_slower),
                format_number(shift.n, shift.n_sd),
                "" if reference else _with_interval(shift.n_shift, shift.n_shift_ci95),
                "" if reference else format_interval(shift.n_shift_ci95, signed=True),
                "" if reference else format_probability(shift.n_shift_p),
            ]
        )
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Formulations against {comparison.baseline} at {at} absolute",
        notes=_notes(comparison),
    )
    echo_text()
    for shift in comparison.formulations:
        text = sentence(
            shift,
            comparison,
            format_pressure=lambda value: pressure_text(value, units),
            format_rate=lambda value: rate_text(value, units),
        )
        echo_text(f"{text}.")
    for dose in comparison.doses:
        text = dose_sentence(dose)
        echo_text(f"{text[:1].upper()}{text[1:]}.")
    for slope in comparison.covariates:
        text = covariate_sentence(_in_units(slope, units))
        echo_text(f"{text[:1].upper()}{text[1:]}.")
    cautions = [(s.formulation, caution) for s in comparison.formulations for caution in s.cautions]
    cautions += [
        (dose.ingredient, caution) for dose in comparison.doses for caution in dose.cautions
    ]
    cautions += [(slope.name, c) for slope in comparison.covariates for c in slope.cautions]
    cautions += [("", caution) for caution in comparison.cautions]
    echo_cautions(cautions)


def _in_units(slope: CovariateSlope, units: DisplayUnits) -> CovariateSlope:
    """The same slope for a round step in the reader's unit."""
    from strandwise.report.labels import plain_number, unit_text
    from strandwise.workflow.tracking import COVARIATES

    unit = {"density": units.density, "process temperature": units.temperature}.get(slope.name)
    if unit is None or slope.percent_per_step is None:
        return slope
    step = COVARIATES["density" if slope.name == "density" else "process-temperature"][1]
    size = step / float(unit.factor)
    decade = 10.0 ** math.floor(math.log10(size))
    round_size = min((decade * x for x in (1, 2, 5, 10)), key=lambda x: abs(math.log(x / size)))

    def over(change: float) -> float:
        """Of one step, so many of which are the round one."""
        return 100.0 * math.expm1(round_size / size * math.log1p(max(change / 100.0, -1 + 1e-12)))

    ends = slope.ci95
    return dataclasses.replace(
        slope,
        step_text=f"{plain_number(round_size)} {unit_text(unit)}",
        percent_per_step=over(slope.percent_per_step),
        ci95=None if ends is None else (over(ends[0]), over(ends[1])),
    )


def _pair(ends: list[float] | None) -> tuple[float, float] | None:
    return None if ends is None else (ends[0], ends[1])


def _with_interval(value: float | None, interval: tuple[float, float] | None) -> str:
    from strandwise.report.labels import format_number

    half = None if interval is None else (interval[1] - interval[0]) / 2.0
    return format_number(value, half, signed=True)


def _notes(comparison: Comparison) -> list[str]:
    from strandwise.report.labels import format_change, format_change_interval
    from strandwise.tracking import spread_sentence

    spread = spread_sentence(comparison)
    notes = [f"{spread[:1].upper()}{spread[1:]}."] if spread else []
    if comparison.between_batch_n_sd is not None:
        sd = f"{comparison.between_batch_n_sd:.3f}"
        seen = "none seen" if sd == "0.000" else sd
        notes.append(f"Standard deviation of the exponent from batch to batch: {seen}.")
    if comparison.method_offset is not None:
        offset = 100.0 * comparison.method_offset
        interval = _pair(percents(comparison.method_offset_ci95))
        notes.append(
            f"Firings read {format_change(offset, interval)} % against strands, 95 % "
            f"interval {format_change_interval(interval)} %."
        )
    notes.append(
        "Intervals are 95 %, each for its formulation alone; p allows for the number compared."
    )
    return notes
