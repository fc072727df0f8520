"""Why to trust a comparison less: one small function for each reason."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.ratelaw import closer_than_readings
from strandwise.tracking.covariates import covariate_cautions
from strandwise.units import digits_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.tracking.analysis import Analysis

    FormatPressure = Callable[[float], str]
    FormatWarmer = Callable[[float], str]

__all__ = ["comparison_cautions", "formulation_cautions"]

_FEW_BATCH_DF = 4
_UNLIKELY = 0.05
_SHARED_MATTERS = 0.005  # of the rate
_LEAST_LEFT = 0.1  # of the spread of pressures seen, less what their errors make of it
_BIAS_MATTERS = 0.5  # standard errors of an exponent, from which an interval misses visibly more
# Mean temperatures of the tests this far apart (K) move the rate by about 1 % at _SENSITIVITY.
_TEMPERATURES_APART = 5.0
# Between the coldest and the warmest test (K); `fit` then looks for the effect as well.
_TEMPERATURES_SPREAD = 10.0
# Change of ln r per kelvin, a middle value of solid propellants (from memory: 0.1 to 0.5 %/K).
_SENSITIVITY = 0.002


def formulation_cautions(
    analysis: Analysis, name: str, format_pressure: FormatPressure, format_warmer: FormatWarmer
) -> tuple[Caution, ...]:
    """Cautions on one formulation's row."""
    found = (
        _extrapolated(analysis, name, format_pressure),
        _exponent_not_measured(analysis, name, format_pressure),
        _one_batch(analysis, name),
        _spread_assumed(analysis, name),
        _varies_more(analysis, name),
        _scatters_more(analysis, name),
        _pressures_blurred(analysis, name),
        _method_confounded(analysis, name),
        _temperatures_differ(analysis, name, format_warmer),
    )
    return tuple(caution for caution in found if caution is not None)


def comparison_cautions(analysis: Analysis, format_warmer: FormatWarmer) -> tuple[Caution, ...]:
    """Cautions on the whole comparison."""

    def temperatures_spread(analysis: Analysis) -> Caution | None:
        return _temperatures_spread(analysis, format_warmer)

    checks = (
        _nothing_to_compare,
        _not_separable,
        _no_repeats,
        _few_batches,
        _exponents_not_separable,
        _shared_errors,
        temperatures_spread,
        _no_batch_scatter,
        _no_scatter,
        _exponent_varies,
        _no_freedom,
        _methods_pooled,
        _uncertainty_overstated,
        _sections_merged,
    )
    found = tuple(caution for check in checks if (caution := check(analysis)) is not None)
    return found + covariate_cautions(analysis)


def _extrapolated(analysis: Analysis, name: str, format_pressure: FormatPressure) -> Caution | None:
    if not (analysis.extrapolated(name) and analysis.reaches(name)):
        return None
    low, high = (format_pressure(value) for value in analysis.tests.pressure_range(name))
    tested = f"at {low}" if low == high else f"from {low} to {high}"
    message = (
        f"{name} was tested {tested}: its rate at {format_pressure(analysis.pressure)} is "
        "extrapolated, and the propellant may behave otherwise there"
    )
    return Caution("extrapolated", message)


def _exponent_not_measured(
    analysis: Analysis, name: str, format_pressure: FormatPressure
) -> Caution | None:
    if name in analysis.layout.measured:
        return None
    at = format_pressure(analysis.pressure)
    donor = analysis.layout.exponent_donor
    message = f"{name} was tested at about one pressure only, so its exponent is not known"
    if not analysis.reaches(name):
        message += f", and its rate at {at} is too far from its tests to be told"
    elif donor is not None:
        message += f"; its rate at {at} takes the exponent of {donor}"
    return Caution("exponent-not-measured", message)


def _one_batch(analysis: Analysis, name: str) -> Caution | None:
    if analysis.tests.batches_of(name) > 1:
        return None
    message = f"{name} rests on one batch"
    if analysis.separable:
        message += ": how far batches differ is taken from the formulations that have more"
    return Caution("one-batch", message)


def _spread_assumed(analysis: Analysis, name: str) -> Caution | None:
    """Few batches of one formulation cannot show that they vary more than those of the others."""
    counts = {other: analysis.tests.batches_of(other) for other in analysis.names}
    apart = any(one.formulation == name and one.of_batches for one in analysis.unlike)
    if counts[name] != 2 or max(counts.values()) < 3 or not analysis.separable or apart:
        return None
    return Caution(
        "spread-assumed",
        f"two batches of {name} cannot tell how far its batches differ: they are taken to differ "
        "as those of the other formulations do; where it is harder to mix, its interval is too "
        "narrow",
    )


def _varies_more(analysis: Analysis, name: str) -> Caution | None:
    for one in analysis.unlike:
        if one.formulation == name and one.of_batches and analysis.fit.batch_sds is not None:
            rest_sd, own_sd = analysis.fit.batch_sds[:2]
            others, own = (f"{100 * sd:.1f} %" for sd in (rest_sd, own_sd))
            if own_sd <= rest_sd:
                # The scatter of its own tests, once told apart, explains what was found.
                rest = " and ".join(other for other in analysis.names if other != name)
                return Caution(
                    "batches-vary-less",
                    f"beyond the scatter of its tests batches of {name} differ by {own} from one "
                    f"to the next, those of the other formulations by {others}: its intervals rest "
                    f"on its own batches, the others' on theirs; look at how {rest} "
                    f"{'is' if len(analysis.names) == 2 else 'are'} mixed and cast",
                )
            return Caution(
                "batches-vary-more",
                f"batches of {name} differ by {own} from one to the next, those of the other "
                f"formulations by {others} (p = {one.p:.1g}): its intervals rest on its own "
                "batches; look at how it is mixed and cast",
            )
    return None


def _scatters_more(analysis: Analysis, name: str) -> Caution | None:
    for one in analysis.unlike:
        if one.formulation == name and not one.of_batches:
            sds = _test_sds(analysis, name)
            shown = (
                "" if sds is None else f"by {100 * sds[0]:.1f} % to their {100 * sds[1]:.1f} %, "
            )
            return Caution(
                "tests-scatter-more",
                f"tests of {name} scatter about their batch {one.ratio:.1f} times as much as those "
                f"of the other formulations ({shown}p = {one.p:.1g}): its intervals rest on its "
                "own scatter, the others' on theirs; look for a test that stands out, for cracks, "
                "voids or poor inhibition",
            )
    return None


def _test_sds(analysis: Analysis, name: str) -> tuple[float, float] | None:
    """Scatter of ln r within batches of one formulation and of the others, readings included."""
    sds = analysis.fit.residual_sds
    if sds is None or len(sds) < 2:
        return None
    own, strands = analysis.tests.rows_of(name), ~analysis.tests.is_firing
    known = analysis.known_variance
    found = []
    for sd, rows in ((sds[1], own), (sds[0], ~own)):
        alike = rows & strands if (rows & strands).any() else rows
        found.append(math.sqrt(sd**2 + (0.0 if known is None else float(np.mean(known[alike])))))
    return found[0], found[1]


def _pressures_blurred(analysis: Analysis, name: str) -> Caution | None:
    """Errors of the pressures lower an exponent: only their part in the scatter is allowed for.

    As of any regression on an uncertain quantity, E(n̂) = (nV − nσ_lnP² + σ_lnr,lnP)/V with V the
    variance of ln P seen within batches (Fuller, Measurement Error Models, 1987, from memory).
    """
    contrast, tests = analysis.exponent_contrast(name), analysis.tests
    if name not in analysis.layout.measured or contrast is None:
        return None
    of_name = tests.rows_of(name)
    batches, group = np.unique(np.array(tests.batch)[of_name], return_inverse=True)
    own = tests.log_pressure[of_name]
    apart = own - (np.bincount(group, own) / np.bincount(group))[group]
    freedom = apart.size - batches.size
    variance = float(np.mean(np.nan_to_num(tests.log_pressure_variance[of_name])))
    estimate = analysis.estimate(contrast)
    if freedom < 1 or not variance or not estimate.sd or not apart.any():
        return None
    spread = float(apart @ apart) / freedom
    common = float(np.mean(tests.log_covariance[of_name]))
    off = (common - estimate.value * variance) / max(spread - variance, _LEAST_LEFT * spread)
    if abs(off) < _BIAS_MATTERS * estimate.sd:
        return None
    text = f"{off:+.2f}".replace("-", "−")
    return Caution(
        "pressures-blurred",
        f"the pressures of {name} are uncertain by {100.0 * math.sqrt(variance):.1f} %, and within "
        f"its batches they differ by {100.0 * math.sqrt(spread):.0f} % only (standard deviations): "
        f"its exponent is off by about {text} for that, and its rate away from the middle of its "
        "tests with it; `fit` allows for such errors, and tests farther apart in pressure cure it",
    )


def _method_confounded(analysis: Analysis, name: str) -> Caution | None:
    own, base = analysis.layout.level(name), analysis.layout.level(analysis.baseline)
    if analysis.layout.estimable(own - base) and analysis.reads_as_one_method(name):
        return None
    if name == analysis.baseline:
        message = (
            f"strands and firings of {name} were each at pressures of their own: the method "
            "cannot be told from the pressure, and the rate is not known"
        )
        return Caution("method-confounded", message)
    message = (
        f"{name} and {analysis.baseline} were measured by different methods, or each method at a "
        "pressure of its own: what the formulation did cannot be told from what the method did; "
        "measure one formulation both ways"
    )
    return Caution("method-confounded", message)


def _temperatures_spread(analysis: Analysis, format_warmer: FormatWarmer) -> Caution | None:
    # Within formulations: what lies between them is told of each.
    span = 0.0
    for name in analysis.names:
        own = analysis.tests.temperature[analysis.tests.rows_of(name)]
        known = own[~np.isnan(own)]
        span = max(span, float(np.ptp(known)) if known.size else 0.0)
    if span <= _TEMPERATURES_SPREAD:
        return None
    return Caution(
        "temperatures-spread",
        f"tests of one formulation were made at temperatures up to {format_warmer(span)} apart, "
        "and the comparison does not allow for them: what they did to the rates is in the "
        "scatter, and the intervals are wide for that; `fit` says how the rate changes with "
        "temperature, where the tests tell",
    )


def _temperatures_differ(
    analysis: Analysis, name: str, format_warmer: FormatWarmer
) -> Caution | None:
    own, base = (
        analysis.tests.temperature[analysis.tests.rows_of(which)]
        for which in (name, analysis.baseline)
    )
    own, base = own[~np.isnan(own)], base[~np.isnan(base)]
    if not (own.size and base.size):
        return None
    difference = float(np.mean(own) - np.mean(base))
    if abs(difference) < _TEMPERATURES_APART:
        return None
    message = (
        f"{name} was tested {format_warmer(abs(difference))} "
        f"{'warmer' if difference > 0 else 'colder'} than {analysis.baseline} on average, and the "
        f"comparison does not allow for it; at the {100 * _SENSITIVITY:.1f} % per kelvin that "
        f"is common for solid propellants this alone makes it about "
        f"{100 * _SENSITIVITY * abs(difference):.0f} % {'faster' if difference > 0 else 'slower'}"
    )
    return Caution("temperatures-differ", message)


def _nothing_to_compare(analysis: Analysis) -> Caution | None:
    if len(analysis.names) > 1:
        return None
    message = f"only the baseline {analysis.baseline} has burn rates"
    return Caution("nothing-to-compare", message)


def _not_separable(analysis: Analysis) -> Caution | None:
    if analysis.separable or analysis.fit.df == 0 or len(analysis.names) == 1:
        return None
    message = (
        "batches of one formulation were not repeated so that their spread can be seen: a "
        "difference between formulations cannot be told from one between batches, and has no "
        "interval; exponents are compared as those of the batches tested. Mix a second batch of at "
        "least one formulation"
    )
    return Caution("not-separable", message)


def _no_repeats(analysis: Analysis) -> Caution | None:
    if not (analysis.separable and analysis.single_tests and analysis.fit.residual_sd):
        return None
    message = (
        "each batch was tested once: spread between batches and between tests cannot be told "
        f"apart; together they are {100 * analysis.fit.residual_sd:.1f} % of the rate"
    )
    return Caution("no-repeats", message)


def _few_batches(analysis: Analysis) -> Caution | None:
    df = analysis.fit.between_df
    if not analysis.separable or analysis.fit.exact or df >= _FEW_BATCH_DF:
        return None
    message = (
        f"the spread between batches rests on {df} repeated "
        f"{'batch' if df == 1 else 'batches'}: the intervals are wide for that, and more "
        "batches narrow them more than more tests do"
    )
    return Caution("few-batches", message)


def _no_batch_scatter(analysis: Analysis) -> Caution | None:
    if analysis.fit.exact or analysis.fit.batch_sd != 0.0:
        return None
    count = len(analysis.fit.batches)
    message = (
        f"no spread between the {count} batches shows beyond what the tests' own scatter "
        "explains; that is an estimate and no proof that batches are alike"
    )
    return Caution("batch-scatter-zero", message)


def _no_scatter(analysis: Analysis) -> Caution | None:
    fit = analysis.fit
    if fit.exact:
        message = (
            "the rates follow the model without any scatter, which measurements do not: an "
            "interval of no width says nothing about real propellant"
        )
        return Caution("no-scatter", message)
    if fit.within_sd is None or analysis.known_variance is not None:
        return None
    if not closer_than_readings(fit.within_sd, fit.within_df):
        return None
    message = (
        f"tests of one batch scatter by {digits_text(100 * fit.within_sd)} % of the rate, less "
        "than readings of strands can: where rates were worked out from a law rather than "
        "measured, these intervals say nothing about real propellant"
    )
    return Caution("no-scatter", message)


def _exponent_varies(analysis: Analysis) -> Caution | None:
    p = analysis.exponent_heterogeneity_p
    if p is None or p >= _UNLIKELY:
        return None
    spread = analysis.fit.slope_sd
    message = (
        f"batches of one formulation differ in exponent more than chance explains (p = {p:.1g}"
    )
    message += "" if spread is None else f", standard deviation {spread:.2g}"
    message += (
        "): the intervals allow for it, and are wider for that; look at what differed when they "
        "were made"
    )
    return Caution("exponent-varies", message)


def _exponents_not_separable(analysis: Analysis) -> Caution | None:
    apart = analysis.exponents_separable or not analysis.separable
    if apart or len(analysis.layout.measured) < 2:
        return None
    message = (
        "no formulation has two batches tested over a range of pressures: how far batches differ "
        "in exponent is not known, and exponents are compared as those of the batches tested"
    )
    return Caution("exponents-not-separable", message)


def _shared_errors(analysis: Analysis) -> Caution | None:
    shared = analysis.tests.shared_sd[analysis.tests.is_firing]
    largest = float(np.max(shared, initial=0.0))
    if largest < _SHARED_MATTERS:
        return None
    message = (
        f"up to {100 * largest:.1f} % of the firings' rates (standard uncertainty) is common to "
        "all of them, such as an assumed nozzle efficiency or the calibration: more firings do not "
        "make it smaller, and it stays in whole in every interval that rests on firings"
    )
    return Caution("shared-errors", message)


def _no_freedom(analysis: Analysis) -> Caution | None:
    if analysis.fit.df > 0:
        return None
    message = (
        "there are as many unknowns as tests: nothing is left to judge the scatter from, and no "
        "value has an interval; test more"
    )
    return Caution("few-points", message)


def _methods_pooled(analysis: Analysis) -> Caution | None:
    if not analysis.both_kinds:
        return None
    offset = analysis.method_offset
    message = "strands and firings are compared together"
    if offset is None:
        message += ", and nothing ties the two methods to each other"
    else:
        message += ", with one offset between the two methods taken for all formulations"
    return Caution("methods-pooled", message)


def _uncertainty_overstated(analysis: Analysis) -> Caution | None:
    fit = analysis.fit
    likely = fit.overstatement_p is None or fit.overstatement_p >= _UNLIKELY
    if likely or fit.residual_sd != 0.0 or fit.within_sd is None:
        return None
    message = (
        f"tests of one batch scatter by {100 * fit.within_sd:.1f} %, less than their stated "
        "uncertainties say; the intervals keep the stated ones, as an error that all tests share "
        "does not show as scatter, and are wide for that"
    )
    return Caution("uncertainty-overstated", message)


def _sections_merged(analysis: Analysis) -> Caution | None:
    merged = analysis.tests.merged
    if not merged:
        return None
    shown = ", ".join(merged[:5]) + (", …" if len(merged) > 5 else "")
    message = f"sections of one burn count as one test, their mean ({shown})"
    return Caution("sections-merged", message)
