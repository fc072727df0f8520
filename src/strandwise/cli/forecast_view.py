"""How forecasts are printed, as text and as JSON."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from strandwise.cli.common import echo_cautions, echo_conduct, echo_text
from strandwise.cli.showing import cautions_json, pressure_text, scaled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.forecast import Forecast, Spread, Wording
    from strandwise.report.labels import DisplayUnits

__all__ = [
    "BEFORE_ANY_FIRING",
    "bounded",
    "echo_before_firing",
    "forecast_json",
    "forecast_wording",
    "print_forecasts",
]

_INCH, _POUND = 25.4e-3, 0.453_592_37  # m, kg; exact, NIST SP 811

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


def forecast_wording(units: DisplayUnits) -> Wording:
    """How a forecast's texts write quantities in a reader's units."""
    from strandwise.forecast import Wording
    from strandwise.report.labels import format_limit, format_number, in_unit, unit_text

    def flux(value: float) -> str:
        if not units.name.startswith("inch-pound"):
            return f"{value:.0f} kg/(m²·s)"
        return f"{format_number(value * _INCH**2 / _POUND, digits=2)} lb/(in²·s)"

    def velocity(value: float) -> str:
        unit = units.gas_velocity
        return f"{in_unit(value, unit):.0f} {unit_text(unit)}"

    def temperature(value: float) -> str:
        shown = f"{in_unit(value, units.temperature):.0f}".replace("-", "−")
        return f"{shown} {unit_text(units.temperature)}"

    return Wording(
        pressure=lambda value: pressure_text(value, units),
        limit=lambda value: format_limit(value, units.pressure),
        velocity=velocity,
        flux=flux,
        temperature=temperature,
        volume=lambda value: (
            f"{format_number(in_unit(value, units.volume))} {unit_text(units.volume)}"
        ),
    )


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
        "greatest_expected_pressure": _greatest_json(found),
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
        "characteristic_velocity_m_s": found.characteristic_velocity,
        "characteristic_velocity_from": found.velocity_from,
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


def _greatest_json(found: Forecast) -> dict[str, Any]:
    one = found.greatest
    limit = None if found.case is None else found.case.limit
    return {
        "value_MPa": scaled(one.value, 1e6),
        "nominal_MPa": scaled(one.nominal, 1e6),
        "factors": {factor.cause: factor.factor for factor in one.factors},
        "hottest_degC": None if one.hottest is None else one.hottest - 273.15,
        "left_out": list(one.left_out),
        "share_of_draws_above": one.share_above,
        "case_limit_over_it": None if limit is None or one.value is None else limit / one.value,
    }


def print_forecasts(found: Sequence[Forecast], units: DisplayUnits) -> None:
    """Print forecasts side by side, and what is to be heeded."""
    from strandwise.report.labels import format_limit, unit_text
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
        Column("impulse", unit_text(units.impulse)),
    ]
    columns += [Column("over the case's limit", kind="text")] if first.case else []
    rows = []
    for one in found:
        peak, burn = one.peak_pressure, one.burn_time
        row = [
            one.formulation,
            bounded(peak.median, units.pressure),
            f"{bounded(peak.p05, units.pressure)} … {bounded(peak.p95, units.pressure)}",
            bounded(peak.p99, units.pressure),
            bounded(one.lowest_pressure.median, units.pressure),
            _known(burn.median),
            f"{_known(burn.p05)} … {_known(burn.p95)}",
            bounded(one.peak_thrust.median, units.force),
            _known(one.total_impulse.median, units.impulse),
        ]
        if first.case:
            row.append("" if one.case is None else _chance(one.case.probability_over, one.draws))
        rows.append(row)
    notes = [
        f"Medians of {first.draws} draws (seed {first.seed}); of {first.draws} such motors 95 % "
        "would stay below the 95 % figure, if the tests speak for the motor.",
        "Lowest: median of the lowest pressure while the web burns, once the chamber is full.",
        f"Burning over throat area {first.initial_kn:.0f} at the start, {first.peak_kn:.0f} at "
        "most.",
    ]
    if first.case:
        limit = format_limit(first.case.limit, units.pressure)
        notes.append(f"The case is stated to be made for {limit}.")
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title=f"Motor {first.motor}, absolute pressures",
        notes=notes,
    )
    _print_soaks(found, units)
    _print_greatest(found, units)
    _print_wanted(found, units)
    _echo_shared([(one.formulation, one) for one in found])


def bounded(value: float | None, unit: Any) -> str:
    """A pressure in a unit, or that nothing bounds it."""
    from strandwise.report.labels import format_number, in_unit

    return "no bound" if value is None else format_number(in_unit(value, unit))


def _known(value: float | None, unit: Any = None) -> str:
    from strandwise.report.labels import format_number, in_unit

    if value is None:
        return "none"
    return format_number(value if unit is None else in_unit(value, unit))


def _chance(share: float, draws: int) -> str:
    if share == 0.0:
        return f"no draw in {draws}"
    if share == 1.0:
        return f"every draw of {draws}"
    return f"{100.0 * share:.2g} %" if share < 0.995 else f"{100.0 * share:.4g} %"


def _factor(factor: float | None) -> str:
    return "no bound" if factor is None else f"{factor:.3f}"


def _print_soaks(found: Sequence[Forecast], units: DisplayUnits) -> None:
    from strandwise.report.labels import format_number, in_unit, unit_text

    for one in found:
        for soak in one.soaks:
            at = format_number(in_unit(soak.temperature, units.temperature), digits=3)
            over = ""
            if soak.probability_over is not None:
                over = f"; over the case's limit: {_chance(soak.probability_over, one.draws)}"
            echo_text(
                f"{one.formulation} soaked to {at} {unit_text(units.temperature)}: peak "
                f"{bounded(soak.peak_pressure.median, units.pressure)}, 99 % "
                f"{bounded(soak.peak_pressure.p99, units.pressure)} {unit_text(units.pressure)}, "
                f"burn {_known(soak.burn_time.median)} s{over}."
            )


_CAUSES = {
    "hot": "hottest",
    "burn rate": "burn rate",
    "throat": "throat",
    "density": "density",
    "c*": "c*",
    "grain": "grain",
}


def _print_greatest(found: Sequence[Forecast], units: DisplayUnits) -> None:
    from strandwise.report.labels import format_number, format_ratio, in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    pressure = unit_text(units.pressure)
    known = [{f.cause: f.factor for f in one.greatest.factors} for one in found]
    causes = [cause for cause in _CAUSES if any(cause in factors for factors in known)]
    columns = [Column("Formulation", kind="text"), Column("nominal", pressure)]
    columns += [Column(f"× {_CAUSES[cause]}") for cause in causes]
    columns += [Column("MEOP", pressure), Column("draws above", kind="text")]
    columns += [Column("limit/MEOP")] if found[0].case else []
    rows = []
    for one, factors in zip(found, known, strict=True):
        stack, case = one.greatest, one.case
        row = [one.formulation, bounded(stack.nominal, units.pressure)]
        for cause in causes:
            factor = factors.get(cause)
            row.append("–" if cause not in factors else _factor(factor))
        row.append(bounded(stack.value, units.pressure))
        row.append("" if stack.share_above is None else _chance(stack.share_above, one.draws))
        if case is not None:
            row.append("" if stack.value is None else format_ratio(case.limit / stack.value))
        rows.append(row)
    hot = next((one.greatest.hottest for one in found if one.greatest.hottest is not None), None)
    left: dict[tuple[str, ...], list[str]] = {}
    for one in found:
        left.setdefault(one.greatest.left_out, []).append(one.formulation)
    notes = [
        "Peak of the motor as drawn times one factor a cause, each taken at the value that one "
        "motor in a hundred exceeds, all at once: above the 99 % of the draws, where causes meet "
        "as chance has it.",
    ]
    if hot is not None:
        at = format_number(in_unit(hot, units.temperature), digits=3)
        notes.append(f"Hottest: {at} {unit_text(units.temperature)}, as the motor's file states.")
    for unknown, names in left.items():
        whose = "" if len(left) == 1 else f" of {', '.join(names)}"
        if unknown:
            notes.append(f"Left out{whose}, for nothing is known of it: {', '.join(unknown)}.")
    notes.append(
        "Standards have a case proved at 1.25 times the MEOP and not burst below 1.4 to 1.5 times "
        "it (NASA-STD-5001, AIAA S-080, from memory: read the edition in force)."
    )
    echo_text()
    print_table(
        columns,
        rows,
        file=sys.stdout,
        title="Maximum expected operating pressure (MEOP), absolute",
        notes=notes,
    )


def _print_wanted(found: Sequence[Forecast], units: DisplayUnits) -> None:
    asked = [one for one in found if one.wanted is not None]
    if not asked:
        return
    from strandwise.report.labels import format_limit
    from strandwise.report.tables import Column, print_table

    wanted = asked[0].wanted
    assert wanted is not None
    columns = [Column("Formulation", kind="text")]
    if wanted.peak_below is not None:
        columns.append(Column(f"peak below {format_limit(wanted.peak_below, units.pressure)}"))
    if wanted.burn_longer is not None:
        columns.append(Column(f"burn longer than {wanted.burn_longer:g} s"))
    columns.append(Column("both" if len(columns) == 3 else "as wanted"))
    rows = []
    for one in asked:
        told = one.wanted
        assert told is not None
        shares = [told.probability_peak, told.probability_time, told.probability]
        rows.append([one.formulation, *(f"{100.0 * s:.3g} %" for s in shares if s is not None)])
    echo_text()
    print_table(columns, rows, file=sys.stdout, title="As wanted, share of the draws")


def _echo_shared(found: Sequence[tuple[str, Forecast]]) -> None:
    """Cautions, one that all formulations share told once."""
    every = [set(one.cautions) for _, one in found]
    shared = set.intersection(*every)
    own = [(name, c) for name, one in found for c in one.cautions if c not in shared]
    common = [("", c) for c in found[0][1].cautions if c in shared]
    echo_cautions([*own, *common])
