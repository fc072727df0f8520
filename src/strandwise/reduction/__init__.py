"""Raw readings to rate points: strands, and firings by their traces or by hand."""

from __future__ import annotations

from strandwise.reduction.budget import BudgetRow, FiringBudget
from strandwise.reduction.calibration import Calibration, calibration_from_arrays
from strandwise.reduction.calibration_checks import Curvature, Hysteresis
from strandwise.reduction.calibration_report import (
    CalibrationReport,
    calibration_report_from_arrays,
    report_calibration,
)
from strandwise.reduction.events import events_from_arrays
from strandwise.reduction.firing import reduce_firing
from strandwise.reduction.montecarlo import Drawn, MonteCarlo, monte_carlo
from strandwise.reduction.points import RatePoint
from strandwise.reduction.rates import Rates, rates_from_arrays
from strandwise.reduction.readings import Reading
from strandwise.reduction.results import Events, FiringReduction, Quality, TraceSeries
from strandwise.reduction.strand import (
    StrandRate,
    frame_time,
    rate_mean_pressure_linear,
    reduce_strand,
    strand_rate_from_arrays,
)
from strandwise.reduction.swept import SweptRate
from strandwise.reduction.trace import Trace, read_trace

__all__ = [
    "BudgetRow",
    "Calibration",
    "CalibrationReport",
    "Curvature",
    "Drawn",
    "Events",
    "FiringBudget",
    "FiringReduction",
    "Hysteresis",
    "MonteCarlo",
    "Quality",
    "RatePoint",
    "Rates",
    "Reading",
    "StrandRate",
    "SweptRate",
    "Trace",
    "TraceSeries",
    "calibration_from_arrays",
    "calibration_report_from_arrays",
    "events_from_arrays",
    "frame_time",
    "monte_carlo",
    "rate_mean_pressure_linear",
    "rates_from_arrays",
    "read_trace",
    "reduce_firing",
    "reduce_strand",
    "report_calibration",
    "strand_rate_from_arrays",
]
