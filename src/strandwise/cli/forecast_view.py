"""How forecasts and sizes are printed, as text and as JSON."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import echo_cautions, echo_conduct
from strandwise.cli.showing import cautions_json, percent, percents, pressure_text, scaled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.forecast import DoseSize, Forecast, NeutralGrain, Spread, ThroatSize
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.forecast import CampaignSizing

__all__ = [
    "BEFORE_ANY_FIRING",
    "echo_before_firing",
    "forecast_json",
    "print_forecasts",
    "print_sizing",
    "sizing_json",
]

BEFORE_ANY_FIRING = (
    "A percentile is an estimate from small samples, not a licence to cast or to fire.",
    "Fire remotely, from a distance and behind a barricade, with nobody near a pressurised case;",
    "after a misfire wait, a minute at the least, before anyone approaches.",
    "Keep to local law and to those licensed for the work: hobby codes that cover commercial",
    "motors do not cover home-made propellant. Approach a new size from below, in small steps.",
)


def echo_before_firing() -> None:
    """Print what stands below every forecast."""
    echo_conduct(BEFORE_ANY_FIRING)


def _spread_json(spread: Spread, unit: float = 1.0) -> dict[str, float | None]:
    return {
        name: scaled(getattr(spread, name), unit)
        for name in ("median", "mean", "p05", "p95", "p99")
    }


def forecast_json(found: Forecast) -> dict[str, Any]:
    """A forecast as other programs read it."""
    case, wanted = found.case, found.wanted
    return {
        "formulation": found.formulation,
        "motor": found.motor,
        "law": found.law,
        "draws": found.draws,
        "seed": found.seed,
        "initial_kn": found.initial_kn,
        "peak_kn": found.peak_kn,
        "peak_pressure_MPa": _spread_json(found.peak_pressure, 1e6),
        "start_pressure_MPa": _spread_json(found.start_pressure, 1e6),
        "burnout_pressure_MPa": _spread_json(found.burnout_pressure, 1e6),
        "lowest_pressure_MPa": _spread_json(found.lowest_pressure, 1e6),
        "mean_pressure_MPa": _spread_json(found.mean_pressure, 1e6),
        "burn_time_s": _spread_json(found.burn_time),
        "action_time_s": _spread_json(found.action_time),
        "peak_thrust_N": _spread_json(found.peak_thrust),
        "total_impulse_N_s": _spread_json(found.total_impulse),
        "case": None
        if case is None
        else {"limit_MPa": case.limit / 1e6, "probability_over": case.probability_over},
        "wanted": None
        if wanted is None
        else {
            "peak_below_MPa": scaled(wanted.peak_below, 1e6),
            "burn_longer_s": wanted.burn_longer,
            "probability_peak": wanted.probability_peak,
            "probability_time": wanted.probability_time,
            "probability": wanted.probability,
        },
        "exponent": found.exponent,
        "amplification": found.amplification,
        "steady_pressures_MPa": [p / 1e6 for p in found.steady_pressures],
        "share_without_steady": found.share_without_steady,
        "share_unlit": found.share_unlit,
        "share_outside_tested": found.share_outside,
        "tested_MPa": [p / 1e6 for p in found.tested],
        "extrapolated": found.extrapolated,
        "port_to_throat": found.port_to_throat,
        "mass_flux_kg_m2_s": found.mass_flux,
        "temperature_degC": None if found.temperature is None else found.temperature - 273.15,
        "soaks": [
            {
                "temperature_degC": soak.temperature - 273.15,
                "peak_pressure_MPa": _spread_json(soak.peak_pressure, 1e6),
                "burn_time_s": _spread_json(soak.burn_time),
                "probability_over": soak.probability_over,
            }
            for soak in found.soaks
        ],
        "warnings": cautions_json(found.cautions),
    }


def print_forecasts(found: Sequence[Forecast], units: DisplayUnits) -> None:
    """Print forecasts side by side, and what is to be heeded."""
    from strandwise.report.labels import format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    first = found[0]
    pressure, force = unit_text(units.pressure), unit_text(units.force)
    columns = [
        Column("Formulation", kind="text"),
        Column("peak", pressure),
        Column("5 … 95 %", pressure, joined=True),
        Column("99 %", pressure, joined=True),
        Column("lowest", pressure),
        Column("burn", "s"),
        Column("5 … 95 %", "s", joined=True),
        Column("peak thrust", force),
        Column("impulse", "N·s"),
    ]
    columns += [Column("over the case's limit", kind="text")] if first.case else []
    rows = []
    for one in found:
        peak, burn = one.peak_pressure, one.burn_time
        row = [
            one.formulation,
            _shown(peak.median, units.pressure),
            f"{_shown(peak.p05, units.pressure)} … {_shown(peak.p95, units.pressure)}",
            _shown(peak.p99, units.pressure),
            _shown(one.lowest_pressure.median, units.pressure),
            _known(burn.median),
            f"{_known(burn.p05)} … {_known(burn.p95)}",
            _shown(one.peak_thrust.median, units.force),
            _known(one.total_impulse.median),
        ]
        if first.case:
            row.append("" if one.case is None else _chance(one.case.probability_over, one.draws))
        rows.append(row)
    notes = [
        f"Medians of {first.draws} draws (seed {first.seed}); of {first.draws} such motors 95 % "
        "would stay below the 95 % figure, if the tests speak for the motor.",
        f"Burning over throat area {first.initial_kn:.0f} at the start, {first.peak_kn:.0f} at "
        "most.",
    ]
    if first.case:
        limit = format_number(in_unit(first.case.limit, units.pressure), digits=4)
        notes.append(f"The case is stated to be made for {limit} {pressure}.")
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Motor {first.motor}, absolute pressures",
        notes=notes,
    )
    _print_soaks(found, units)
    _print_wanted(found, units)
    _echo_shared([(one.formulation, one) for one in found])


def _shown(value: float | None, unit: Any) -> str:
    from strandwise.report.labels import format_number, in_unit

    return "no bound" if value is None else format_number(in_unit(value, unit))


def _known(value: float | None) -> str:
    from strandwise.report.labels import format_number

    return "none" if value is None else format_number(value)


def _chance(share: float, draws: int) -> str:
    if share == 0.0:
        return f"no draw in {draws}"
    return f"{100.0 * share:.2g} %" if share < 0.995 else f"{100.0 * share:.4g} %"


def _print_soaks(found: Sequence[Forecast], units: DisplayUnits) -> None:
    from strandwise.report.labels import format_number, in_unit, unit_text

    for one in found:
        for soak in one.soaks:
            at = format_number(in_unit(soak.temperature, units.temperature), digits=3)
            over = ""
            if soak.probability_over is not None:
                over = f"; over the case's limit: {_chance(soak.probability_over, one.draws)}"
            click.echo(
                f"{one.formulation} soaked to {at} {unit_text(units.temperature)}: peak "
                f"{_shown(soak.peak_pressure.median, units.pressure)}, 99 % "
                f"{_shown(soak.peak_pressure.p99, units.pressure)} {unit_text(units.pressure)}, "
                f"burn {_known(soak.burn_time.median)} s{over}."
            )


def _print_wanted(found: Sequence[Forecast], units: DisplayUnits) -> None:
    asked = [one for one in found if one.wanted is not None]
    if not asked:
        return
    from strandwise.report.tables import Column, print_table

    wanted = asked[0].wanted
    assert wanted is not None
    columns = [Column("Formulation", kind="text")]
    if wanted.peak_below is not None:
        columns.append(Column(f"peak below {pressure_text(wanted.peak_below, units)}"))
    if wanted.burn_longer is not None:
        columns.append(Column(f"burn longer than {wanted.burn_longer:g} s"))
    columns.append(Column("both" if len(columns) == 3 else "as wanted"))
    rows = []
    for one in asked:
        told = one.wanted
        assert told is not None
        shares = [told.probability_peak, told.probability_time, told.probability]
        rows.append([one.formulation, *(f"{100.0 * s:.3g} %" for s in shares if s is not None)])
    click.echo()
    print_table(columns, rows, file=sys.stdout, title="As wanted, share of the draws")


def _echo_shared(found: Sequence[tuple[str, Forecast]]) -> None:
    """Cautions, one that all formulations share told once."""
    every = [set(one.cautions) for _, one in found]
    shared = set.intersection(*every)
    own = [(name, c) for name, one in found for c in one.cautions if c not in shared]
    common = [("", c) for c in found[0][1].cautions if c in shared]
    echo_cautions([*own, *common])


# ------------------------------------------------------------------- sizes


def sizing_json(found: CampaignSizing) -> dict[str, Any]:
    """Sizes as other programs read them."""
    at = found.temperature
    return {
        "target_MPa": found.target / 1e6,
        "percentile": found.percentile,
        "temperature_degC": None if at is None else at - 273.15,
        "motors": [
            {
                "formulation": one.formulation,
                **_throat_json(one.throat),
                "rate_change_percent": None if one.rate is None else percent(one.rate.change),
                "why_not": one.why_not or None,
            }
            for one in found.motors
        ],
        "doses": [_dose_json(dose) for dose in found.doses],
        "grain": _neutral_json(found.neutral),
        "warnings": cautions_json(found.cautions),
    }


def _throat_json(throat: ThroatSize | None) -> dict[str, Any]:
    def told(name: str, unit: float = 1.0) -> float | None:
        return None if throat is None else scaled(getattr(throat, name), unit)

    return {
        "throat_diameter_mm": told("throat_diameter", 1e-3),
        "drilled_diameter_mm": told("drilled_diameter", 1e-3),
        "peak_at_percentile_MPa": told("peak_at_percentile", 1e6),
        "peak_median_MPa": told("peak_median", 1e6),
        "peak_kn": told("kn"),
        "port_to_throat": told("port_to_throat"),
    }


def _dose_json(dose: DoseSize) -> dict[str, Any]:
    return {
        "ingredient": dose.ingredient,
        "replaces": dose.replaces,
        "dose_percent": percent(dose.dose),
        "dose_ci95": percents(dose.interval),
        "largest_tested_percent": percent(dose.largest_tested),
        "why_not": dose.why_not or None,
        "warnings": cautions_json(dose.cautions),
    }


def _neutral_json(grain: NeutralGrain) -> dict[str, Any]:
    return {
        "area_spread": grain.spread,
        "area_start_to_end": grain.start_to_end,
        "neutral_segment_length_mm": scaled(grain.segment_length, 1e-3),
        "neutral_core_diameter_mm": scaled(grain.core_diameter, 1e-3),
    }


def print_sizing(found: CampaignSizing, units: DisplayUnits) -> None:
    """Print which throat, which rate and which dose would do it, and how even the grain burns."""
    from strandwise.report.labels import format_number, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    length, pressure = unit_text(units.length), unit_text(units.pressure)
    rows = []
    for one in found.motors:
        throat, rate = one.throat, one.rate
        cells = ["none"] * 5
        if throat is not None:
            cells = [
                format_number(in_unit(throat.throat_diameter, units.length), digits=4),
                format_number(in_unit(throat.drilled_diameter, units.length), digits=4),
                _shown(throat.peak_median, units.pressure),
                _shown(throat.peak_at_percentile, units.pressure),
                format_number(throat.kn),
            ]
        change = (
            "none" if rate is None else format_number(100.0 * rate.change, digits=2, signed=True)
        )
        rows.append([one.formulation, *cells, change])
    share = f"{100.0 * found.percentile:.3g} %"
    columns = [
        Column("Formulation", kind="text"),
        Column("throat", length),
        Column("drilled", length, joined=True),
        Column("peak, median", pressure),
        Column(share, pressure, joined=True),
        Column("highest Kn"),
        Column("rate needed with the throat as drawn", "% change"),
    ]
    at = ""
    if found.temperature is not None:
        warm = format_number(in_unit(found.temperature, units.temperature), digits=3)
        at = f" at {warm} {unit_text(units.temperature)}"
    click.echo()
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Sized so that {share} of the draws stay below "
        f"{pressure_text(found.target, units)} absolute{at}",
    )
    for one in found.motors:
        if one.why_not:
            click.echo(f"{one.formulation}: {one.why_not}.")
    for dose in found.doses:
        click.echo(f"{_dose_text(dose)}.")
    click.echo(f"{_neutral_text(found.neutral, units)}.")
    echo_cautions(
        [("", c) for c in found.cautions]
        + [(d.ingredient, c) for d in found.doses for c in d.cautions]
    )


def _dose_text(dose: DoseSize) -> str:
    if dose.replaces == "on-top":
        what, unit = f"{dose.ingredient} added on top", "parts per hundred"
    else:
        whole = "mixture" if dose.replaces == "all" else dose.replaces
        what, unit = f"the {whole} replaced by {dose.ingredient}", "% of"
    if dose.dose is None:
        return f"No dose of {dose.ingredient} is given: {dose.why_not}"
    assert dose.interval is not None
    low, high = (100.0 * end for end in dose.interval)
    return (
        f"By the measured slope, {100.0 * dose.dose:.2g} {unit} {what} would slow the baseline "
        f"that far with the throat as drawn, between {low:.2g} and {high:.2g}"
    )


def _neutral_text(grain: NeutralGrain, units: DisplayUnits) -> str:
    from strandwise.report.labels import format_number, in_unit, unit_text

    text = f"Burning area: highest {grain.spread:.3g} times the lowest within the web"
    if grain.segment_length is None:
        return text
    unit = unit_text(units.length)
    length = format_number(in_unit(grain.segment_length, units.length), digits=4)
    text += f"; segments {length} {unit} long would end as they start"
    if grain.core_diameter is not None:
        core = format_number(in_unit(grain.core_diameter, units.length), digits=4)
        text += f", or with their length a core of {core} {unit}"
    return text
