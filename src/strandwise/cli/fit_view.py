"""Burn-rate laws on the screen and as JSON."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Any

from strandwise.cli.common import echo_cautions, echo_text
from strandwise.cli.showing import cautions_json, percent, percents, pressure_text

if TYPE_CHECKING:
    from strandwise.findings import Caution
    from strandwise.ratelaw import Explanation, FittedParameter, RateEstimate, RateFit
    from strandwise.report.labels import DisplayUnits

__all__ = ["explanation_json", "fit_json", "print_explanation", "print_fits"]


def fit_json(fit: RateFit) -> dict[str, Any]:
    """A law as other programs read it."""
    power = fit.identified and fit.law == "power"
    a = fit.coefficient_a() if power else None
    at_reference = fit.rate_at(fit.reference_pressure) if fit.identified else None
    interval = None if at_reference is None else at_reference.ci95
    one_more = fit.one_more_test(fit.reference_pressure) if fit.identified else None
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
        "one_more_test_at_reference_ci95": None
        if one_more is None
        else [end * 1e3 for end in one_more],
        "one_pressure": _level_json(fit),
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
        "normalised": _normalised_json(fit),
        "choice": _choice_json(fit),
        "warnings": cautions_json(fit.cautions),
    }


def _level_json(fit: RateFit) -> dict[str, Any] | None:
    level = fit.level
    if level is None:
        return None
    return {
        "pressure_MPa": level.pressure / 1e6,
        "rate_mm_s": level.rate * 1e3,
        "ci95": None if level.ci95 is None else [end * 1e3 for end in level.ci95],
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


def _normalised_json(fit: RateFit) -> dict[str, Any] | None:
    done = fit.normalised
    if done is None:
        return None
    return {
        "to_degC": done.temperature - 273.15,
        "by": "stated" if done.stated else "tests",
        "sigma_p_percent_per_K": 100.0 * done.sigma_p,
        "pi_k_percent_per_K": percent(done.pi_k),
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


def explanation_json(found: Explanation) -> dict[str, Any]:
    """What drives a law as other programs read it."""
    return {
        "explanation": list(found.sentences),
        "repeat": found.repeat,
        "outliers": list(found.outliers),
        "readings_share": found.readings_share,
        "drift_percent": found.trend_percent,
        "drift_p": found.trend_p,
        "influences": [
            {
                "test": one.test,
                "pressure_MPa": one.pressure / 1e6,
                "off_percent": 100.0 * math.expm1(one.residual),
                "standardised_residual": one.standardised_residual,
                "leverage": one.leverage,
                "n_without": one.n_without,
                "expected_mm_s": None
                if one.expected is None
                else [end * 1e3 for end in one.expected],
            }
            for one in found.influences
        ],
        "next_tests": [
            {"about": one.about, "pressure_MPa": one.pressure / 1e6, "narrower": one.narrower}
            for one in found.next_tests
        ],
    }


def print_explanation(found: Explanation, units: DisplayUnits) -> None:
    """Print what drives a law in sentences, and every test of it in a table."""
    from strandwise.report.labels import (
        NO_VALUE,
        format_interval,
        format_number,
        in_unit,
        unit_text,
    )
    from strandwise.report.tables import Column, print_table

    echo_text(f"\nWhat drives {found.label}:")
    for text in found.sentences:
        echo_text(f"  {text}.")
    if not found.influences:
        return
    echo_text()
    columns = [
        Column("Test", kind="text"),
        Column("pressure", unit_text(units.pressure)),
        Column("off the law", "%"),
        Column("over its deviation"),
        Column("leverage", "%"),
        Column("n without it"),
        Column("by the others, 95 %", unit_text(units.rate)),
    ]
    rows = []
    for one in sorted(found.influences, key=lambda one: one.pressure):
        ends = None
        if one.expected is not None:
            low, high = (in_unit(end, units.rate) for end in one.expected)
            ends = (low, high)
        off = 100.0 * math.expm1(one.residual)
        rows.append(
            [
                one.test,
                format_number(in_unit(one.pressure, units.pressure)),
                f"{off:+.1f}".replace("-", "−"),
                f"{one.standardised_residual:+.1f}".replace("-", "−"),
                f"{100.0 * one.leverage:.0f}",
                NO_VALUE if one.n_without is None else f"{one.n_without:.3f}".replace("-", "−"),
                format_interval(ends),
            ]
        )
    notes = [
        "Off the law: measured over fitted rate. Leverage: share of its own fitted rate that the "
        "test decides. By the others: where the fit without it leads to expect it."
    ]
    print_table(
        columns, rows, file=sys.stdout, title=f"Tests of {found.label}, by pressure", notes=notes
    )


def _law_notes(fit: RateFit, units: DisplayUnits) -> list[str]:
    """What a fit has beside a and n: breaks, the effect of temperature, the choice of the law."""
    from strandwise.units import wording_in

    notes = []
    if fit.level is not None:
        notes.append(f"{fit.label}: {_level_text(fit.level, units)}")
    if fit.breaks:
        slopes = [f"n = {_valued(n.value, n.ci95)}" for n in fit.exponents]
        steps = [slopes[0]]
        for slope, one in zip(slopes[1:], fit.breaks, strict=True):
            steps += [f"up to {_break_text(one, units)}, then {slope}"]
        notes.append(f"{fit.label}: {' '.join(steps)}")
    effect = fit.temperature
    if effect is not None:
        text = f"{fit.label}: σ_p {_in_percent(effect.sigma_p, effect.sigma_p_ci95)} of the rate"
        if effect.pi_k is not None:
            text += f", π_K {_in_percent(effect.pi_k, effect.pi_k_ci95)} of chamber pressure"
        notes.append(f"{text}, a kelvin")
    done = fit.normalised
    if done is not None:
        text = f"{fit.label}: rates at {wording_in(units.name).warmth(done.temperature)}"
        if done.stated:
            text += f", by the stated σ_p {100 * done.sigma_p:.3g} % of the rate a kelvin"
            if done.pi_k is not None:
                text += f" (π_K {100 * done.pi_k:.3g} % of chamber pressure a kelvin)"
        notes.append(text)
    if fit.choice is not None and not fit.choice.thin:  # its caution says it otherwise
        notes.append(f"{fit.label}: {fit.choice.reason}")
    return notes


def _level_text(level: RateEstimate, units: DisplayUnits) -> str:
    from strandwise.report.labels import format_interval, in_unit, unit_text

    interval = None
    if level.ci95 is not None:
        low, high = (in_unit(end, units.rate) for end in level.ci95)
        interval = (low, high)
    text = _valued(in_unit(level.rate, units.rate), interval)
    if interval is not None:
        text += f" {format_interval(interval)}"
    where = pressure_text(level.pressure, units)
    return f"no law; {text} {unit_text(units.rate)} at {where}, the one pressure tested"


def _break_text(one: FittedParameter, units: DisplayUnits) -> str:
    text = pressure_text(one.value, units)
    if one.ci95 is None:
        return text
    low, high = (pressure_text(end, units) for end in one.ci95)
    return f"{text} (95 %: {low} to {high})"


def _in_percent(value: float, interval: tuple[float, float] | None) -> str:
    from strandwise.report.labels import format_interval

    ends = None if interval is None else (100.0 * interval[0], 100.0 * interval[1])
    shown = "" if ends is None else f" {format_interval(ends)}"
    return f"{_valued(100.0 * value, ends)}{shown} %"


def _valued(value: float | None, interval: tuple[float, ...] | None) -> str:
    from strandwise.report.labels import format_number

    half = None if interval is None else (interval[1] - interval[0]) / 2.0
    return format_number(value, half)
