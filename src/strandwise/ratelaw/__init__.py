"""Burn-rate laws fitted to rate points: arrays in, laws with honest intervals out.

Laws other than the power law are fitted by `strandwise.ratelaw.nonlinear`, which is not imported
here because it takes a second to load.
"""

from __future__ import annotations

from strandwise.ratelaw.choice import LawCandidate, LawChoice
from strandwise.ratelaw.explain import Explanation, Influence, NextTest, explain_fit
from strandwise.ratelaw.fit import (
    common_reference_pressure,
    fit_batches,
    fit_exponents,
    fit_power_laws,
)
from strandwise.ratelaw.lack_of_fit import lack_of_fit_p
from strandwise.ratelaw.laws import LAW_NAMES, LAWS, LawParameter, RateLaw, law_named
from strandwise.ratelaw.lines import LineFits, fit_lines
from strandwise.ratelaw.no_reading import closer_than_readings
from strandwise.ratelaw.outliers import grubbs_critical
from strandwise.ratelaw.results import (
    Coefficient,
    FittedParameter,
    RateBand,
    RateEstimate,
    RateFit,
)
from strandwise.ratelaw.series import RateSeries
from strandwise.ratelaw.temperature import (
    Normalisation,
    TemperatureEffect,
    normalised,
    pressure_sensitivity,
    pressure_sensitivity_interval,
    temperature_reason,
)

__all__ = [
    "LAWS",
    "LAW_NAMES",
    "Coefficient",
    "Explanation",
    "FittedParameter",
    "Influence",
    "LawCandidate",
    "LawChoice",
    "LawParameter",
    "LineFits",
    "NextTest",
    "Normalisation",
    "RateBand",
    "RateEstimate",
    "RateFit",
    "RateLaw",
    "RateSeries",
    "TemperatureEffect",
    "closer_than_readings",
    "common_reference_pressure",
    "explain_fit",
    "fit_batches",
    "fit_exponents",
    "fit_lines",
    "fit_power_laws",
    "grubbs_critical",
    "lack_of_fit_p",
    "law_named",
    "normalised",
    "pressure_sensitivity",
    "pressure_sensitivity_interval",
    "temperature_reason",
]
