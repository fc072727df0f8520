"""`strandwise reduce`: the burn rate of every test."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_cautions,
    echo_done,
    echo_json,
    echo_text,
    examples,
    figure_option,
    json_option,
    units_option,
)
from strandwise.cli.firing_view import (
    budget_json,
    drawing_json,
    match_json,
    print_budget,
    print_match,
)
from strandwise.cli.showing import cautions_json, scaled
from strandwise.errors import DataError, RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from strandwise.cli.firing_view import Drawing
    from strandwise.reduction import FiringReduction, RatePoint
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.matching import FiringMatch
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["command"]

_ORIGINS = {"scatter": "nothing is stated of the readings, the fit takes their ± from the scatter"}
_MOST_NAMED = 5
_EVERY = ""  # what --budget stands for without the name of a test


@click.command(
    "reduce",
    epilog=examples(
        "strandwise reduce demo",
        "strandwise reduce demo --budget F-03 --draws 200",
        "strandwise reduce demo --match F-01",
        "strandwise reduce demo --test F-03 --figure trace.svg --swept-figure swept.svg",
    ),
)
@campaign_argument
@click.option("--test", "only", help="One test only.")
@click.option(
    "--budget",
    is_flag=False,
    flag_value=_EVERY,
    metavar="[TEST]",
    help="Where the uncertainty of a firing comes from, reading by reading, and what comes out "
    "when all readings are drawn at random.",
)
@click.option(
    "--draws",
    type=click.IntRange(100, 100_000),
    default=200,
    show_default=True,
    help="Of all readings, for --budget.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the random draws."
)
@click.option(
    "--match",
    metavar="TEST",
    help="Of a firing: a, n and the efficiency of c* with which a simulated motor follows its "
    "trace.",
)
@units_option
@figure_option
@click.option(
    "--swept-figure",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Of a firing: draw its burn rate against pressure, instant by instant.",
)
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str,
    *,
    only: str | None,
    budget: str | None,
    draws: int,
    seed: int,
    match: str | None,
    units: str | None,
    figure: Path | None,
    swept_figure: Path | None,
    as_json: bool,
) -> None:
    """List the burn rate that each test of CAMPAIGN gave, and what each firing gave beside it.

    Pressures are absolute. The ± are standard uncertainties from what is known of the readings;
    where nothing is known there is none, and the fit takes it from the scatter.
    """
    from strandwise.records import read_campaign
    from strandwise.workflow.reducing import one_test, reduce_campaign

    _refuse_misplaced(ctx, budget)
    only = _one_name(only, None if budget == _EVERY else budget, match)
    reduced = reduce_campaign(read_campaign(campaign_folder(ctx, campaign)).sound(), units)
    if only is not None:
        reduced = one_test(reduced, only)
    drawn = {} if budget is None else _draw_readings(reduced, draws, seed)
    matched = None if match is None else _match(reduced, match)
    from strandwise.report.labels import display_units

    shown = display_units(units or reduced.campaign.settings.units)
    pictures = _draw(reduced, shown, figure, swept_figure)
    if as_json:
        echo_json(_as_json(reduced, drawn, matched))
        return
    _print_points(reduced, shown)
    for firing in reduced.firings:
        _print_firing(firing, shown)
        if budget is not None:
            print_budget(firing, drawn.get(firing.test), shown)
        if matched is not None:
            print_match(matched, shown)
    for path in pictures:
        echo_done(f"\nPicture: {path}")


def _refuse_misplaced(ctx: click.Context, budget: str | None) -> None:
    """Refuse the options of the random draws where nothing is drawn."""
    if budget is not None:
        return
    for name in ("draws", "seed"):
        if ctx.get_parameter_source(name) is not click.core.ParameterSource.DEFAULT:
            msg = f"--{name} goes with --budget."
            raise click.UsageError(msg)


def _one_name(*names: str | None) -> str | None:
    """The one test that the options name; None: all."""
    named = list(dict.fromkeys(name for name in names if name is not None))
    if len(named) > 1:
        told = ", ".join(f"`{name}`" for name in named)
        msg = f"--test, --budget and --match name different tests: {told}."
        raise click.UsageError(msg)
    return named[0] if named else None


def _draw_readings(reduced: ReducedCampaign, draws: int, seed: int) -> dict[str, Drawing]:
    from strandwise.workflow.matching import draw_firing

    found: dict[str, Drawing] = {}
    for firing in reduced.firings:
        try:
            found[firing.test] = draw_firing(firing, draws=draws, seed=seed)
        except DataError as error:
            found[firing.test] = str(error)
    return found


def _match(reduced: ReducedCampaign, test: str) -> FiringMatch:
    from strandwise.workflow.matching import match_firing

    if not reduced.firings:
        msg = f"`{test}` is a strand, which has no trace of a motor to match"
        raise RequestError(msg, expected="a firing with a raw trace")
    return match_firing(reduced.firings[0])


def _draw(
    reduced: ReducedCampaign, units: DisplayUnits, figure: Path | None, swept: Path | None
) -> list[Path]:
    if figure is None and swept is None:
        return []
    if len(reduced.firings) != 1:
        msg = "A picture is of one firing: name it with --test."
        raise click.UsageError(msg)
    from strandwise.report.figures import draw_firing_trace, draw_swept_rate, save_figure

    (firing,) = reduced.firings
    drawn = []
    for path, draw in ((figure, draw_firing_trace), (swept, draw_swept_rate)):
        if path is not None:
            save_figure(draw(firing, units), path)
            drawn.append(path)
    return drawn


def _as_json(
    reduced: ReducedCampaign, drawn: Mapping[str, Drawing], matched: FiringMatch | None
) -> dict[str, Any]:
    return {
        "points": [_point_json(point) for point in reduced.points],
        "firings": [
            _firing_json(firing)
            | drawing_json(drawn.get(firing.test))
            | {"match": match_json(matched)}
            for firing in reduced.firings
        ],
        "warnings": cautions_json(reduced.cautions),
    }


def _point_json(point: RatePoint) -> dict[str, Any]:
    temperature = point.temperature
    return {
        "test": point.test,
        "batch": point.batch,
        "formulation": point.formulation,
        "kind": point.kind,
        "pressure_MPa": point.pressure / 1e6,
        "pressure_sd_MPa": scaled(point.pressure_sd, 1e6),
        "rate_mm_s": point.rate * 1e3,
        "rate_sd_mm_s": scaled(point.rate_sd, 1e-3),
        "error_correlation": point.correlation,
        "temperature_degC": None if temperature is None else temperature - 273.15,
        "used": point.used,
        "why_not": point.why_not,
        "uncertainty": point.uncertainty,
        "warnings": cautions_json(point.cautions),
    }


def _firing_json(firing: FiringReduction) -> dict[str, Any]:
    return {
        "test": firing.test,
        "batch": firing.batch,
        "formulation": firing.formulation,
        "ignition_s": firing.ignition,
        "web_burnout_s": firing.web_burnout,
        "end_s": firing.end,
        "burn_time_s": firing.burn_time,
        "burn_time_sd_s": firing.burn_time_sd,
        "action_time_s": firing.action_time,
        "mean_pressure_MPa": scaled(firing.mean_pressure, 1e6),
        "rate_mean_pressure_MPa": scaled(firing.rate_mean_pressure, 1e6),
        "pressure_sd_MPa": scaled(firing.pressure_sd, 1e6),
        "peak_pressure_MPa": scaled(firing.peak_pressure, 1e6),
        "peak_thrust_N": firing.peak_thrust,
        "mean_thrust_N": firing.mean_thrust,
        "total_impulse_N_s": firing.total_impulse,
        "specific_impulse_s": firing.specific_impulse,
        "characteristic_velocity_m_s": firing.characteristic_velocity,
        "rate_thickness_over_time_mm_s": scaled(firing.rate_thickness_over_time, 1e-3),
        "rate_sd_mm_s": scaled(firing.rate_sd, 1e-3),
        "rate_mass_balance_mm_s": scaled(firing.rate_mass_balance, 1e-3),
        "web_mm": scaled(firing.web, 1e-3),
        "pressure_from": firing.pressure_from,
        "why_no_point": firing.why_no_point,
        "rules": list(firing.rules),
        "account": list(firing.account),
        "characteristic_velocity_sd_m_s": firing.characteristic_velocity_sd,
        "thrust_coefficient": firing.thrust_coefficient,
        "swept": _swept_json(firing),
        "budget": budget_json(firing),
        "warnings": cautions_json(firing.cautions),
    }


def _swept_json(firing: FiringReduction) -> dict[str, Any] | None:
    swept = firing.swept
    if swept is None:
        return None
    interval = swept.exponent_interval(0.95) if swept.exponent is not None else None
    return {
        "n": swept.exponent,
        "n_ci95": None if interval is None else list(interval),
        "why_no_n": swept.why_no_exponent,
        "reference_pressure_MPa": swept.reference_pressure / 1e6,
        "rate_at_reference_mm_s": swept.rate_at_reference * 1e3,
        "web_closure_percent": 100.0 * swept.closure,
    }


def _print_points(reduced: ReducedCampaign, units: DisplayUnits) -> None:
    from strandwise.report.labels import format_plus_minus, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    columns = [
        Column("Test", kind="text"),
        Column("Batch", kind="text"),
        Column("Formulation", kind="text"),
        Column("Kind", kind="text"),
        Column("Absolute pressure", unit_text(units.pressure)),
        Column("Burn rate", unit_text(units.rate)),
    ]
    unused = any(not point.used for point in reduced.points)
    if unused:
        columns.append(Column("Remark", kind="text"))
    rows = []
    for point in reduced.points:
        pressure_sd, rate_sd = point.pressure_sd, point.rate_sd
        rows.append(
            [
                point.test,
                point.batch,
                point.formulation,
                point.kind,
                format_plus_minus(
                    in_unit(point.pressure, units.pressure),
                    None if pressure_sd is None else pressure_sd / float(units.pressure.factor),
                ),
                format_plus_minus(
                    in_unit(point.rate, units.rate),
                    None if rate_sd is None else rate_sd / float(units.rate.factor),
                ),
                *(["" if point.used else f"not used: {point.why_not}"] if unused else []),
            ]
        )
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Rate points of {reduced.campaign.name}",
        notes=_uncertainty_notes(reduced.points),
    )
    told = {(f.test, c) for f in reduced.firings for c in f.cautions}
    cautions = [(p.test, c) for p in reduced.points for c in p.cautions if (p.test, c) not in told]
    echo_cautions([*cautions, *(("", c) for c in reduced.cautions)])


def _uncertainty_notes(points: Iterable[RatePoint]) -> list[str]:
    """What the ± are from, a line for the tests that have it in common."""
    tests: dict[str, list[str]] = {}
    for point in points:
        tests.setdefault(point.uncertainty, []).append(point.test)
    return [
        f"{_ORIGINS.get(text, f'± from {text}')}: "
        f"{', '.join(names) if len(names) <= _MOST_NAMED else f'{len(names)} tests'}"
        for text, names in tests.items()
        if text
    ]


def _print_firing(firing: FiringReduction, units: DisplayUnits) -> None:
    from strandwise.report.labels import format_number, format_plus_minus, in_unit, unit_text

    def shown(value: float | None, name: str, sd: float | None = None) -> str:
        unit = getattr(units, name)
        number = None if value is None else in_unit(value, unit)
        spread = None if sd is None else sd / float(unit.factor)
        # Readers with gauges take a bare pressure for a gauge one.
        kind = " absolute" if name == "pressure" else ""
        return f"{format_plus_minus(number, spread)} {unit_text(unit)}{kind}"

    echo_text()
    echo_text(f"Firing {firing.test} ({firing.batch}, {firing.formulation})")
    burn = format_plus_minus(firing.burn_time, firing.burn_time_sd)
    lines = {
        "web": shown(firing.web, "length"),
        "burn time": f"{burn} s",
        "action time": f"{format_number(firing.action_time)} s",
        "rate-mean pressure": shown(firing.rate_mean_pressure, "pressure"),
        "peak pressure": shown(firing.peak_pressure, "pressure"),
        "pressure from": firing.pressure_from,
        "peak thrust": shown(firing.peak_thrust, "force"),
        "total impulse": shown(firing.total_impulse, "impulse"),
        "specific impulse": f"{format_number(firing.specific_impulse)} s",
        "c*": shown(
            firing.characteristic_velocity, "gas_velocity", firing.characteristic_velocity_sd
        ),
        "rate by mass balance": shown(firing.rate_mass_balance, "rate"),
    }
    width = max(len(name) for name in lines)
    for name, text in lines.items():
        if text is not None and not text.startswith("—"):
            echo_text(f"  {name:<{width}}  {text}")
    if firing.why_no_point:
        echo_text(f"  no rate point: {firing.why_no_point}")
    for text in (*firing.rules, *firing.account):
        echo_text(f"  {text}")
    for caution in firing.cautions:
        echo_text(f"  caution: {caution.message}")
