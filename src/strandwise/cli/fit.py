"""`strandwise fit`: the burn-rate law of each batch."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_cautions,
    echo_json,
    examples,
    figure_option,
    json_option,
    units_option,
)
from strandwise.cli.showing import cautions_json, percent, percents, pressure_text

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.findings import Caution
    from strandwise.ratelaw import FittedParameter, RateFit
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.analysis import Fitter

__all__ = ["command"]


@click.command("fit", epilog=examples("strandwise fit demo --figure laws.svg"))
@campaign_argument
@click.option("--batch", help="One batch only.")
@click.option(
    "--pool",
    type=click.Choice(["formulation"]),
    help="Fit all batches of a formulation as one.",
)
@click.option(
    "--law",
    type=click.Choice(["power", "linear", "two-term", "segmented", "auto"]),
    default="power",
    show_default=True,
    help="r = a·Pⁿ; r = b + a·P; 1/r = a/P + b/P^⅓; power laws that meet; or let the tests decide.",
)
@click.option(
    "--explain",
    metavar="BATCH",
    help="Say what drives the law of BATCH, and which test to repeat or to add.",
)
@click.option(
    "--method",
    type=click.Choice(["auto", "strand", "firing", "both"]),
    default="auto",
    show_default=True,
    help="Tests to fit; auto takes a batch's strands where it has enough of them.",
)
@units_option
@figure_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str,
    *,
    batch: str | None,
    pool: str | None,
    law: str,
    explain: str | None,
    method: Any,
    units: str | None,
    figure: Path | None,
    as_json: bool,
) -> None:
    """Fit the burn-rate law of each batch of CAMPAIGN.

    Both the pressure and the rate may be uncertain; what the readings do not explain is taken as
    scatter from test to test. Intervals are 95 %: of twenty such, one misses on average.
    """
    from strandwise.ratelaw import fit_batches
    from strandwise.records import read_campaign
    from strandwise.workflow.analysis import (
        explain_campaign_fit,
        fit_campaign,
        reduce_campaign,
        untested_caution,
    )

    fitter: Fitter = fit_batches
    if law != "power":
        from strandwise.ratelaw.nonlinear import fit_batches_nonlinear

        fitter = fit_batches_nonlinear
    reduced = reduce_campaign(read_campaign(campaign_folder(ctx, campaign)).sound())
    fits = fit_campaign(
        reduced,
        batch=explain or batch,
        pool=pool is not None,
        law=law,
        method=method,
        fitter=fitter,
    )
    from strandwise.report.labels import display_units

    shown = display_units(units or reduced.campaign.settings.units)
    if figure is not None:
        from strandwise.report.figures import draw_rate_laws, save_figure

        fitted = {fit.label for fit in fits}
        points = [
            p for p in reduced.points if p.batch in fitted or (pool and p.formulation in fitted)
        ]
        save_figure(
            draw_rate_laws(fits, points, shown, title=reduced.campaign.settings.title), figure
        )
    untested = None if batch or explain else untested_caution(reduced)
    explained = None
    if explain is not None:
        explained = explain_campaign_fit(
            reduced,
            fits[0],
            method=method,
            fitter=fitter,
            format_pressure=lambda value: pressure_text(value, shown),
        )
    if as_json:
        told = {} if explained is None else {"explanation": list(explained.sentences)}
        warnings = {"warnings": cautions_json([untested] if untested else [])}
        echo_json({"fits": [fit_json(fit) for fit in fits]} | told | warnings)
        return
    print_fits(fits, shown, untested)
    if explained is not None:
        click.echo(f"\nWhat drives {explain}:")
        for text in explained.sentences:
            click.echo(f"  {text}.")
    if figure is not None:
        click.echo(f"\nPicture: {figure}")


def fit_json(fit: RateFit) -> dict[str, Any]:
    """A law as other programs read it."""
    power = fit.identified and fit.law == "power"
    a = fit.coefficient_a() if power else None
    at_reference = fit.rate_at(fit.reference_pressure) if fit.identified else None
    interval = None if at_reference is None else at_reference.ci95
    return {
        "batch": fit.label,
        "formulation": fit.formulation,
        "law": fit.law,
        "points": fit.points,
        "tests": list(fit.tests),
        "pressure_range_MPa": None
        if fit.pressure_range is None
        else [p / 1e6 for p in fit.pressure_range],
        "reference_pressure_MPa": fit.reference_pressure / 1e6,
        "a_mm_s_MPa": None if a is None else a.value,
        "a_ci95": None if a is None or a.ci95 is None else list(a.ci95),
        "n": fit.n,
        "n_ci95": None if fit.n_ci95 is None else list(fit.n_ci95),
        "n_sd": fit.n_sd,
        "rate_at_reference_mm_s": None if at_reference is None else at_reference.rate * 1e3,
        "rate_at_reference_ci95": None if interval is None else [r * 1e3 for r in interval],
        "scatter_percent": None if fit.scatter is None else 100.0 * fit.scatter,
        "parameters": [
            {
                "name": p.name,
                "value": p.value,
                "sd": p.sd,
                "ci95": None if p.ci95 is None else list(p.ci95),
                "unit": p.unit,
            }
            for p in fit.parameters
        ],
        "breaks_MPa": [_break_json(one) for one in fit.breaks],
        "exponents": [
            {"n": one.value, "ci95": None if one.ci95 is None else list(one.ci95)}
            for one in fit.exponents
        ],
        "temperature": _temperature_json(fit),
        "choice": _choice_json(fit),
        "warnings": cautions_json(fit.cautions),
    }


def _break_json(one: FittedParameter) -> dict[str, Any]:
    interval = None if one.ci95 is None else [end / 1e6 for end in one.ci95]
    return {"pressure_MPa": one.value / 1e6, "ci95": interval}


def _temperature_json(fit: RateFit) -> dict[str, Any] | None:
    effect = fit.temperature
    if effect is None:
        return None
    return {
        "reference_degC": effect.reference - 273.15,
        "sigma_p_percent_per_K": 100.0 * effect.sigma_p,
        "sigma_p_ci95": percents(effect.sigma_p_ci95),
        "pi_k_percent_per_K": percent(effect.pi_k),
        "pi_k_ci95": percents(effect.pi_k_ci95),
    }


def _choice_json(fit: RateFit) -> dict[str, Any] | None:
    choice = fit.choice
    if choice is None:
        return None
    return {
        "law": choice.law,
        "margin": choice.margin,
        "thin": choice.thin,
        "reason": choice.reason,
        "candidates": [
            {"law": c.law, "aicc": c.aicc, "difference": c.difference, "why_not": c.why_not}
            for c in choice.candidates
        ],
    }


def print_fits(
    fits: tuple[RateFit, ...], units: DisplayUnits, untested: Caution | None = None
) -> None:
    """Print the laws as a table, with the cautions below it."""
    from strandwise.report.labels import (
        NO_VALUE,
        format_interval,
        format_number,
        in_unit,
        unit_text,
    )
    from strandwise.report.tables import Column, print_table

    power = all(fit.law == "power" for fit in fits)
    rate, pressure = unit_text(units.rate), unit_text(units.pressure)
    reference = {fit.reference_pressure for fit in fits}
    at = (
        f"at {format_number(in_unit(reference.pop(), units.pressure))} {pressure}"
        if len(reference) == 1
        else "at its own middle pressure"
    )
    columns = [
        Column("Batch", kind="text"),
        Column("Formulation", kind="text"),
        *([] if len({fit.law for fit in fits}) == 1 else [Column("law", kind="text")]),
        Column("tests"),
        Column("tested from … to", pressure),
        *([Column("a"), Column("95 %", joined=True)] if power else []),
        Column("n" if power else "local n"),
        Column("95 %", joined=True),
        Column(f"rate {at}", rate),
        Column("95 %", joined=True),
        Column("scatter", "%"),
    ]
    rows = []
    for fit in fits:
        span = fit.pressure_range
        row = [
            fit.label,
            fit.formulation,
            *([] if len({one.law for one in fits}) == 1 else [fit.law]),
            str(fit.points),
            NO_VALUE
            if span is None
            else " … ".join(format_number(in_unit(p, units.pressure)) for p in span),
        ]
        if not fit.identified:
            rows.append(row + [NO_VALUE] * (len(columns) - len(row)))
            continue
        if power:
            a = fit.coefficient_a(float(units.rate.factor), float(units.pressure.factor))
            row += [_valued(a.value, a.ci95), format_interval(a.ci95)]
        estimate = fit.rate_at(fit.reference_pressure)
        shown_interval = None
        if estimate.ci95 is not None:
            low, high = (in_unit(r, units.rate) for r in estimate.ci95)
            shown_interval = (low, high)
        row += [
            _valued(fit.n, fit.n_ci95),
            format_interval(fit.n_ci95),
            _valued(in_unit(estimate.rate, units.rate), shown_interval),
            format_interval(shown_interval),
            NO_VALUE if fit.scatter is None else f"{100.0 * fit.scatter:.1f}",
        ]
        rows.append(row)
    law = "rate = a·Pⁿ" if power else "laws"
    legend = (
        f"{law} with P absolute in {pressure} and the rate in {rate}; 95 % intervals; scatter is "
        "from test to test, beyond the uncertainty of the readings."
    )
    notes = [legend, *(text for fit in fits for text in _law_notes(fit, units))]
    print_table(columns, rows, file=sys.stdout, title="Burn-rate laws", notes=notes)
    cautions = [(fit.label, caution) for fit in fits for caution in fit.cautions]
    echo_cautions([*cautions, *([("", untested)] if untested else [])])


def _law_notes(fit: RateFit, units: DisplayUnits) -> list[str]:
    """What a fit has beside a and n: breaks, the effect of temperature, the choice of the law."""
    notes = []
    if fit.breaks:
        slopes = [f"n = {_valued(n.value, n.ci95)}" for n in fit.exponents]
        steps = [slopes[0]]
        for slope, one in zip(slopes[1:], fit.breaks, strict=True):
            steps += [f"up to {_break_text(one, units)}, then {slope}"]
        notes.append(f"{fit.label}: {' '.join(steps)}")
    effect = fit.temperature
    if effect is not None:
        text = (
            f"{fit.label}: σ_p {_valued(100 * effect.sigma_p, _hundredfold(effect.sigma_p_ci95))}"
        )
        text += " % of the rate a kelvin"
        if effect.pi_k is not None:
            pi_k = _valued(100 * effect.pi_k, _hundredfold(effect.pi_k_ci95))
            text += f", π_K {pi_k} % of chamber pressure a kelvin"
        notes.append(text)
    if fit.choice is not None:
        notes.append(f"{fit.label}: {fit.choice.reason}")
    return notes


def _break_text(one: FittedParameter, units: DisplayUnits) -> str:
    text = pressure_text(one.value, units)
    if one.ci95 is None:
        return text
    low, high = (pressure_text(end, units) for end in one.ci95)
    return f"{text} (95 %: {low} to {high})"


def _hundredfold(interval: tuple[float, float] | None) -> tuple[float, float] | None:
    return None if interval is None else (100.0 * interval[0], 100.0 * interval[1])


def _valued(value: float | None, interval: tuple[float, ...] | None) -> str:
    from strandwise.report.labels import format_number

    half = None if interval is None else (interval[1] - interval[0]) / 2.0
    return format_number(value, half)
