"""A comparison in plain sentences."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.tracking.at_least import AtLeast
    from strandwise.tracking.comparison import Comparison, DoseSlope, FormulationShift
    from strandwise.tracking.covariates import CovariateSlope
    from strandwise.tracking.equivalence import Equivalence

__all__ = [
    "at_least_sentence",
    "change_size",
    "covariate_sentence",
    "dose_sentence",
    "equivalence_sentence",
    "in_megapascals",
    "in_millimetres_per_second",
    "sentence",
    "spread_sentence",
]

_SIGNIFICANT = 0.05
_MOST_DIGITS = 9
_LARGEST = 10_000.0  # percent; beyond it the tests tell nothing of the rate
_SPREAD_CODES = ("tests-scatter-more", "batches-vary-more")
_NO_INTERVAL = {
    "not-separable": (
        "without a second batch of at least one formulation, what the formulation did cannot be "
        "told from what the batch did"
    ),
    "few-points": "there are as many unknowns as tests",
}


def in_megapascals(pressure: float) -> str:
    """Write a pressure (Pa) in MPa."""
    return f"{pressure / 1e6:.2f}".removesuffix("0") + " MPa"


def in_millimetres_per_second(rate: float) -> str:
    """Write a burn rate (m/s) in mm/s."""
    return f"{rate * 1e3:.3g} mm/s"


def sentence(
    shift: FormulationShift,
    comparison: Comparison,
    *,
    format_pressure: Callable[[float], str] = in_megapascals,
    format_rate: Callable[[float], str] = in_millimetres_per_second,
) -> str:
    """Say what is known about one formulation.

    The interval decides on "slower" or "faster"; where the p-value adjusted for the number of
    formulations does not agree, the sentence says so.

    Parameters
    ----------
    shift
        A row of `comparison`.
    comparison
        Where it stands.
    format_pressure, format_rate
        Turn Pa and m/s into text with a unit.

    Returns
    -------
    One sentence without a full stop.
    """
    at = format_pressure(comparison.pressure)
    if shift.formulation == comparison.baseline:
        return _baseline_clause(shift, at, format_rate)
    clauses = [_rate_clause(shift, comparison, at), _exponent_clause(shift)]
    if any(caution.code == "one-batch" for caution in shift.cautions) and shift.shift_ci95:
        clauses.append("this rests on one batch of it")
    if shift.shift is not None:
        clauses.append(_range_clause(shift, comparison, at, format_pressure))
    return "; ".join(clause for clause in clauses if clause)


def spread_sentence(comparison: Comparison) -> str:
    """Say how far batches and tests differ, without a full stop; empty where it is not known.

    Where one formulation spreads more than the others, the figures are those of all together.

    Parameters
    ----------
    comparison
        Of formulations.
    """
    spreads = {
        "from batch to batch": comparison.between_batch_sd,
        "from test to test within a batch": comparison.within_batch_sd,
    }
    if all(sd is None for sd in spreads.values()):
        return ""
    told = [
        f"not known {what}" if sd is None else f"{100 * sd:.1f} % {what}"
        for what, sd in spreads.items()
    ]
    apart = [
        row.formulation
        for row in comparison.formulations
        if any(caution.code in _SPREAD_CODES for caution in row.cautions)
    ]
    evener = [
        row.formulation
        for row in comparison.formulations
        if any(caution.code == "batches-vary-less" for caution in row.cautions)
        and row.formulation not in apart
    ]
    whose = ""
    if apart or evener:
        names, way = (apart, "more") if apart else (evener, "less")
        verb = "spreads" if len(names) == 1 else "spread"
        whose = f" of all formulations together ({' and '.join(names)} {verb} {way}, see there)"
    return f"standard deviation of the rate{whose}: {', '.join(told)}"


def dose_sentence(slope: DoseSlope) -> str:
    """Say what a dose series shows, in one sentence without a full stop.

    Parameters
    ----------
    slope
        A dose series of a comparison.
    """
    if slope.replaces == "on-top":
        subject = f"each part of {slope.ingredient} per hundred, added on top,"
    else:
        whole = "the mixture" if slope.replaces == "all" else f"the {slope.replaces}"
        subject = f"each percent of {whole} replaced by {slope.ingredient}"
    value = slope.percent_per_percent
    if value is None:
        return f"{subject}: no slope can be given"
    if slope.ci95 is None:
        return f"{subject} went with a burn rate {_moved(value / 100)}; no interval can be given"
    low, high = (bound / 100 for bound in slope.ci95)
    if low <= 0 <= high and low != high:
        return f"{subject} shows no measurable change in burn rate: between {_span(low, high)}"
    return (
        f"{subject} makes the burn rate {_moved(value / 100, (low, high))}, between "
        f"{_inner(low, high)}"
    )


def covariate_sentence(slope: CovariateSlope) -> str:
    """Say what a covariate of the batches did, in one sentence without a full stop.

    Parameters
    ----------
    slope
        Of a comparison.
    """
    value = slope.percent_per_step
    if value is None:
        reason = slope.cautions[0].message if slope.cautions else "the tests do not tell"
        return f"what {slope.name} does is not known: {reason}"
    subject = f"{slope.step_text} more {slope.name}"
    if slope.ci95 is None:
        return f"{subject} went with a burn rate {_moved(value / 100)}; no interval can be given"
    low, high = (bound / 100 for bound in slope.ci95)
    if low <= 0 <= high and low != high:
        return f"{subject} shows no measurable change in burn rate: between {_span(low, high)}"
    return (
        f"{subject} goes with a burn rate {_moved(value / 100, (low, high))}, between "
        f"{_inner(low, high)}"
    )


def equivalence_sentence(found: Equivalence) -> str:
    """Say whether an effect is shown to be small, in one sentence without a full stop.

    Parameters
    ----------
    found
        From `equivalence`.
    """
    name, margin = found.formulation, f"±{100 * found.margin:.3g} %"
    if found.ci90 is None or found.p is None:
        return (
            f"whether {name} stays within {margin} of {found.baseline} is not known: its shift has "
            "no interval"
        )
    span = f"90 % interval {_either_way(*found.ci90)}"
    if found.verdict == "within":
        return f"{name} is shown to be within {margin} of {found.baseline} ({span})"
    if found.verdict == "beyond":
        return f"{name} is shown to differ from {found.baseline} by more than {margin} ({span})"
    return (
        f"{name} is not shown to be within {margin} of {found.baseline}, nor to differ by more "
        f"({span}); more batches would tell"
    )


def at_least_sentence(found: AtLeast) -> str:
    """Say whether a wanted change is shown, in one sentence without a full stop.

    Parameters
    ----------
    found
        From `at_least`.
    """
    way = "slower" if found.slower else "faster"
    wanted = f"at least {100 * found.change:.10g} % {way}" if found.change else way
    if found.p is None or found.bound is None:
        return (
            f"whether {found.formulation} burns {wanted} than {found.baseline} is not known: its "
            "shift has no interval"
        )
    p = "p < 0.0001" if found.p < 1e-4 else f"p = {_off_level(found.p)}"
    if found.bound >= 0.0:
        seen = f"at 95 % confidence it burns at least {_percent_down(found.bound)} {way}"
    else:
        other = "faster" if found.slower else "slower"
        seen = f"at 95 % confidence it may even burn {_percent_up(-found.bound)} {other}"
    if found.verdict == "shown":
        return f"{found.formulation} is shown to burn {wanted} than {found.baseline} ({seen}; {p})"
    text = f"{found.formulation} is not shown to burn {wanted} than {found.baseline} ({seen}; {p})"
    # What falls short as measured, more batches would sooner show to do so.
    short = found.measured is None or found.measured <= found.change
    return text if short else f"{text}; more batches would tell"


def _off_level(p: float) -> str:
    """A p-value with the digits that keep it on its side of the level."""
    digits = 2
    while digits < _MOST_DIGITS and (float(f"{p:.{digits}g}") < _SIGNIFICANT) != (p < _SIGNIFICANT):
        digits += 1
    return f"{p:.{digits}g}"


def _percent_down(share: float) -> str:
    """A bound rounded so that it claims no more than it is, and none that is above 0 to nothing."""
    percent, digits = min(100.0 * share, _LARGEST), 1
    while digits < _MOST_DIGITS and 0.0 < percent < 10.0**-digits:
        digits += 1
    # A part in 1e9 is rounding.
    return f"{math.floor(10.0**digits * percent * (1.0 + 1e-9)) / 10.0**digits:.{digits}f} %"


def _percent_up(share: float) -> str:
    if 100.0 * share > _LARGEST:
        return f"more than {_LARGEST:.0f} %"
    return f"{math.ceil(1000.0 * share) / 10.0:.1f} %"


def _either_way(low: float, high: float) -> str:
    digits = _decimals(low, high)
    ends = (f"{'−' if end < 0 else '+'}{change_size(end, digits)}" for end in (low, high))
    return " to ".join(ends) + " %"


def _baseline_clause(shift: FormulationShift, at: str, format_rate: Callable[[float], str]) -> str:
    if shift.rate is None:
        return f"the rate of {shift.formulation}, the baseline, is not known at {at}"
    text = f"{shift.formulation}, the baseline, burns {format_rate(shift.rate)} at {at}"
    if shift.rate_ci95 is not None:
        low, high = (format_rate(bound) for bound in shift.rate_ci95)
        text += f", between {low} and {high}"
    return text


def _rate_clause(shift: FormulationShift, comparison: Comparison, at: str) -> str:
    name, base = shift.formulation, comparison.baseline
    if shift.shift is None:
        return f"how {name} burns against {base} at {at} is not known: {_reason(shift, comparison)}"
    if shift.shift_ci95 is None:
        return (
            f"what was tested of {name} burned {_moved(shift.shift)} than {base} at {at}, but "
            f"no interval can be given: {_interval_reason(comparison)}"
        )
    low, high = shift.shift_ci95
    if low <= 0 <= high and low != high:
        return (
            f"{name} shows no measurable change in burn rate against {base} at {at}: between "
            f"{_span(low, high)}"
        )
    text = (
        f"{name} burns {_moved(shift.shift, (low, high))} than {base} at {at}, between "
        f"{_inner(low, high)}"
    )
    if shift.shift_p is not None and shift.shift_p > _SIGNIFICANT:
        count = sum(other.shift_p is not None for other in comparison.formulations)
        text += (
            f" (among {count} formulations compared this can be chance: p = {shift.shift_p:.2f})"
        )
    return text


def _exponent_clause(shift: FormulationShift) -> str:
    if shift.n_shift is None:
        return (
            "its exponent is not compared" if shift.n is not None else "its exponent is not known"
        )
    value = _signed(shift.n_shift)
    if shift.n_shift_ci95 is None:
        return f"its exponent differed by {value}, interval not known"
    low, high = (_signed(bound) for bound in shift.n_shift_ci95)
    span = f"({value}, between {low} and {high})"
    p = shift.n_shift_p
    if p == 1.0 or shift.n_shift_ci95[0] <= 0 <= shift.n_shift_ci95[1]:
        return f"the exponent did not measurably change {span}"
    direction = "fell" if shift.n_shift < 0 else "rose"
    if p is None:
        return f"the exponent of the batches tested {direction} {span}"
    if p > _SIGNIFICANT:
        return f"the exponent {direction} {span}, which can be chance (p = {p:.2f})"
    return f"the exponent {direction} {span}"


def _range_clause(
    shift: FormulationShift,
    comparison: Comparison,
    at: str,
    format_pressure: Callable[[float], str],
) -> str:
    base = next(row for row in comparison.formulations if row.formulation == comparison.baseline)
    outside = [
        row.formulation
        for row in (shift, base)
        if any(caution.code == "extrapolated" for caution in row.cautions)
    ]
    if not outside:
        return ""
    ranges = {row.formulation: row.pressure_range for row in (shift, base)}
    tested = " and ".join(
        f"{name} ({' to '.join(dict.fromkeys(map(format_pressure, ranges[name])))})"
        for name in outside
    )
    return f"{at} lies outside what was tested of {tested}, so this is extrapolated"


def _reason(shift: FormulationShift, comparison: Comparison) -> str:
    blocking = ("exponent-not-measured", "method-confounded")
    base = (row for row in comparison.formulations if row.formulation == comparison.baseline)
    for row in (shift, *base):
        for caution in row.cautions:
            if caution.code in blocking:
                return caution.message
    return "the tests do not tell"


def _interval_reason(comparison: Comparison) -> str:
    for caution in comparison.cautions:
        if caution.code in _NO_INTERVAL:
            return _NO_INTERVAL[caution.code]
    return "the tests do not tell"


def _decimals(low: float, high: float) -> int:
    """Decimals of a percentage that its interval deserves, and that keep a bound off zero."""
    width = 100 * (high - low)
    digits = 0 if width >= 2 else 1 if width >= 0.2 else 2
    while digits < 2 and any(bound and round(100 * bound, digits) == 0 for bound in (low, high)):
        digits += 1
    return digits


def change_size(value: float, digits: int) -> str:
    """Size of a change of a rate, a fraction, in percent without sign or unit.

    A fall by less than the whole is not rounded to that; from 10 000 on it is ``more than 10000``.
    """
    while digits < _MOST_DIGITS and value > -1.0 and round(100 * value, digits) <= -100.0:
        digits += 1
    size = abs(100 * value)
    return f"{size:.{digits}f}" if size < _LARGEST else f"more than {_LARGEST:.0f}"


def _moved(value: float, interval: tuple[float, float] | None = None) -> str:
    digits = 1 if interval is None else _decimals(*interval)
    return f"{change_size(value, digits)} % {'slower' if value < 0 else 'faster'}"


def _inner(low: float, high: float) -> str:
    digits = _decimals(low, high)
    near, far = sorted((low, high), key=abs)
    return f"{change_size(near, digits)} and {change_size(far, digits)} %"


def _span(low: float, high: float) -> str:
    digits = _decimals(low, high)
    return f"{change_size(low, digits)} % slower and {change_size(high, digits)} % faster"


def _signed(value: float) -> str:
    text = f"{value:+.2f}"
    return "0.00" if float(text) == 0.0 else text.replace("-", "−")
