"""Raw readings to rate points: strands, and firings by their traces or by hand."""

from __future__ import annotations

from strandwise.reduction.calibration import Calibration, calibration_from_arrays
from strandwise.reduction.events import events_from_arrays
from strandwise.reduction.firing import reduce_firing
from strandwise.reduction.points import RatePoint
from strandwise.reduction.rates import Rates, rates_from_arrays
from strandwise.reduction.results import Events, FiringReduction, Quality, TraceSeries
from strandwise.reduction.strand import (
    StrandRate,
    frame_time,
    rate_mean_pressure_linear,
    reduce_strand,
    strand_rate_from_arrays,
)
from strandwise.reduction.trace import Trace, read_trace

__all__ = [
    "Calibration",
    "Events",
    "FiringReduction",
    "Quality",
    "RatePoint",
    "Rates",
    "StrandRate",
    "Trace",
    "TraceSeries",
    "calibration_from_arrays",
    "events_from_arrays",
    "frame_time",
    "rate_mean_pressure_linear",
    "rates_from_arrays",
    "read_trace",
    "reduce_firing",
    "reduce_strand",
    "strand_rate_from_arrays",
]
