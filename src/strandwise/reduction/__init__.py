"""Raw readings to rate points: strands, and firings by their traces or by hand.

Names are imported from their modules when they are first used: a command that looks for a
trace's columns must not wait for what an analysis needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from strandwise.reduction.assumptions import (
        ASSUMED_EFFICIENCY,
        ASSUMED_GAMMA,
        DENSITY_SD,
        DIAMETER_SD,
        LENGTH_SD,
        THROAT_SD,
    )
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
    from strandwise.reduction.matching import TraceMatch, match_trace
    from strandwise.reduction.montecarlo import Drawn, MonteCarlo, monte_carlo
    from strandwise.reduction.points import RatePoint
    from strandwise.reduction.rates import Rates, rates_from_arrays
    from strandwise.reduction.readings import Reading, free_volume_of
    from strandwise.reduction.results import Events, FiringReduction, Quality, TraceSeries
    from strandwise.reduction.strand import (
        StrandRate,
        frame_time,
        rate_mean_pressure_linear,
        reduce_strand,
        strand_rate_from_arrays,
    )
    from strandwise.reduction.swept import SweptRate, vandenkerckhove
    from strandwise.reduction.trace import Trace, read_trace
    from strandwise.reduction.trace_columns import ColumnFault, column_faults

_HOMES = {
    "assumptions": (
        "ASSUMED_EFFICIENCY",
        "ASSUMED_GAMMA",
        "DENSITY_SD",
        "DIAMETER_SD",
        "LENGTH_SD",
        "THROAT_SD",
    ),
    "budget": ("BudgetRow", "FiringBudget"),
    "calibration": ("Calibration", "calibration_from_arrays"),
    "calibration_checks": ("Curvature", "Hysteresis"),
    "calibration_report": (
        "CalibrationReport",
        "calibration_report_from_arrays",
        "report_calibration",
    ),
    "events": ("events_from_arrays",),
    "firing": ("reduce_firing",),
    "matching": ("TraceMatch", "match_trace"),
    "montecarlo": ("Drawn", "MonteCarlo", "monte_carlo"),
    "points": ("RatePoint",),
    "rates": ("Rates", "rates_from_arrays"),
    "readings": ("Reading", "free_volume_of"),
    "results": ("Events", "FiringReduction", "Quality", "TraceSeries"),
    "strand": (
        "StrandRate",
        "frame_time",
        "rate_mean_pressure_linear",
        "reduce_strand",
        "strand_rate_from_arrays",
    ),
    "swept": ("SweptRate", "vandenkerckhove"),
    "trace": ("Trace", "read_trace"),
    "trace_columns": ("ColumnFault", "column_faults"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "ASSUMED_EFFICIENCY",
    "ASSUMED_GAMMA",
    "DENSITY_SD",
    "DIAMETER_SD",
    "LENGTH_SD",
    "THROAT_SD",
    "BudgetRow",
    "Calibration",
    "CalibrationReport",
    "ColumnFault",
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
    "TraceMatch",
    "TraceSeries",
    "calibration_from_arrays",
    "calibration_report_from_arrays",
    "column_faults",
    "events_from_arrays",
    "frame_time",
    "free_volume_of",
    "match_trace",
    "monte_carlo",
    "rate_mean_pressure_linear",
    "rates_from_arrays",
    "read_trace",
    "reduce_firing",
    "reduce_strand",
    "report_calibration",
    "strand_rate_from_arrays",
    "vandenkerckhove",
]


def __getattr__(name: str) -> object:
    if name not in _HOME_OF:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    value: object = getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
