"""What a motor would see before anyone casts it, with its spread; SI, absolute pressures.

Estimates from small samples: nothing here is a licence to fire anything.
"""

from __future__ import annotations

from strandwise.forecast.burn import Burn, BurnInputs, burn_from_arrays
from strandwise.forecast.cautions import SMALL_PORT, temperature_cautions
from strandwise.forecast.design import MotorDesign, Tolerances
from strandwise.forecast.grain_curve import GrainCurve, tabulate_grain
from strandwise.forecast.hindcast import (
    FiredMotor,
    Hindcast,
    HindcastRow,
    HindcastScore,
    Quantity,
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
    temperature_for,
)
from strandwise.forecast.neutral import NeutralGrain, neutral_grain
from strandwise.forecast.outcome import BurnBands, MotorOutcome, MotorVariation, burn_motor
from strandwise.forecast.results import CaseRisk, Forecast, SoakForecast, Spread, Wanted, spread_of
from strandwise.forecast.sizing import (
    DRILLS,
    DoseSize,
    DrillName,
    RateSize,
    ThroatSize,
    size_dose,
    size_rate,
    size_throat,
    sizing_temperature,
)
from strandwise.forecast.sources import law_from_analysis, law_from_fit

__all__ = [
    "DRILLS",
    "FEWEST_DRAWS",
    "MOST_DRAWS",
    "SMALL_PORT",
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
    "Quantity",
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
    "sizing_temperature",
    "spread_of",
    "tabulate_grain",
    "temperature_cautions",
    "temperature_for",
]
