"""What a motor would see before anyone casts it, with its spread; SI, absolute pressures.

Estimates from small samples: nothing here is a licence to fire anything.
"""

from __future__ import annotations

from strandwise.forecast.burn import HIGHEST_PRESSURE, Burn, BurnInputs, burn_from_arrays
from strandwise.forecast.design import MotorDesign, Tolerances
from strandwise.forecast.grain_curve import GrainCurve, tabulate_grain
from strandwise.forecast.hindcast import (
    FiredMotor,
    Hindcast,
    HindcastRow,
    HindcastScore,
    Reading,
    hindcast_firings,
)
from strandwise.forecast.laws import (
    BatchSpread,
    DrawnLaw,
    LawMembers,
    LawSource,
    MethodOffset,
    draw_law,
)
from strandwise.forecast.montecarlo import (
    FEWEST_DRAWS,
    MOST_DRAWS,
    draw_motor,
    forecast_motor,
)
from strandwise.forecast.outcome import BurnBands, MotorOutcome, MotorVariation, burn_motor
from strandwise.forecast.results import CaseRisk, Forecast, SoakForecast, Spread, Wanted, spread_of
from strandwise.forecast.sizing import (
    DRILLS,
    DoseSize,
    DrillName,
    NeutralGrain,
    RateSize,
    ThroatSize,
    neutral_grain,
    size_dose,
    size_rate,
    size_throat,
)
from strandwise.forecast.sources import law_from_analysis, law_from_fit
from strandwise.forecast.steady import stable_pressures

__all__ = [
    "DRILLS",
    "FEWEST_DRAWS",
    "HIGHEST_PRESSURE",
    "MOST_DRAWS",
    "BatchSpread",
    "Burn",
    "BurnBands",
    "BurnInputs",
    "CaseRisk",
    "DoseSize",
    "DrawnLaw",
    "DrillName",
    "FiredMotor",
    "Forecast",
    "GrainCurve",
    "Hindcast",
    "HindcastRow",
    "HindcastScore",
    "LawMembers",
    "LawSource",
    "MethodOffset",
    "MotorDesign",
    "MotorOutcome",
    "MotorVariation",
    "NeutralGrain",
    "RateSize",
    "Reading",
    "SoakForecast",
    "Spread",
    "ThroatSize",
    "Tolerances",
    "Wanted",
    "burn_from_arrays",
    "burn_motor",
    "draw_law",
    "draw_motor",
    "forecast_motor",
    "hindcast_firings",
    "law_from_analysis",
    "law_from_fit",
    "neutral_grain",
    "size_dose",
    "size_rate",
    "size_throat",
    "spread_of",
    "stable_pressures",
    "tabulate_grain",
]
