"""What a motor would see before anyone casts it, with its spread; SI, absolute pressures.

Estimates from small samples: nothing here is a licence to fire anything. Names are imported from
their modules when they are first used: a forecast must not wait for what sizes and hindcasts need.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from strandwise.forecast.burn import Burn, BurnInputs, burn_from_arrays
    from strandwise.forecast.cautions import SMALL_PORT, temperature_cautions
    from strandwise.forecast.design import MotorDesign, Tolerances, VelocityFrom
    from strandwise.forecast.grain_curve import GrainCurve, tabulate_grain
    from strandwise.forecast.greatest import GreatestPressure, PressureFactor, greatest_pressure
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
    from strandwise.forecast.results import (
        CaseRisk,
        Forecast,
        SoakForecast,
        Spread,
        Wanted,
        spread_of,
    )
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
    from strandwise.forecast.wording import IN_SI, Wording

_HOMES = {
    "burn": (
        "Burn",
        "BurnInputs",
        "burn_from_arrays",
    ),
    "cautions": (
        "SMALL_PORT",
        "temperature_cautions",
    ),
    "design": (
        "MotorDesign",
        "Tolerances",
        "VelocityFrom",
    ),
    "grain_curve": (
        "GrainCurve",
        "tabulate_grain",
    ),
    "greatest": ("GreatestPressure", "PressureFactor", "greatest_pressure"),
    "hindcast": (
        "FiredMotor",
        "Hindcast",
        "HindcastRow",
        "HindcastScore",
        "Quantity",
        "Reading",
        "hindcast_firings",
    ),
    "laws": (
        "BatchSpread",
        "DrawnLaw",
        "LawMembers",
        "LawSource",
        "MethodOffset",
        "draw_law",
    ),
    "montecarlo": (
        "FEWEST_DRAWS",
        "MOST_DRAWS",
        "draw_motor",
        "forecast_motor",
        "temperature_for",
    ),
    "neutral": (
        "NeutralGrain",
        "neutral_grain",
    ),
    "outcome": (
        "BurnBands",
        "MotorOutcome",
        "MotorVariation",
        "burn_motor",
    ),
    "results": (
        "CaseRisk",
        "Forecast",
        "SoakForecast",
        "Spread",
        "Wanted",
        "spread_of",
    ),
    "sizing": (
        "DRILLS",
        "DoseSize",
        "DrillName",
        "RateSize",
        "ThroatSize",
        "size_dose",
        "size_rate",
        "size_throat",
        "sizing_temperature",
    ),
    "sources": (
        "law_from_analysis",
        "law_from_fit",
    ),
    "wording": (
        "IN_SI",
        "Wording",
    ),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "DRILLS",
    "FEWEST_DRAWS",
    "IN_SI",
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
    "GreatestPressure",
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
    "PressureFactor",
    "Quantity",
    "RateSize",
    "Reading",
    "SoakForecast",
    "Spread",
    "ThroatSize",
    "Tolerances",
    "VelocityFrom",
    "Wanted",
    "Wording",
    "burn_from_arrays",
    "burn_motor",
    "draw_law",
    "draw_motor",
    "forecast_motor",
    "greatest_pressure",
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


def __getattr__(name: str) -> object:
    if name not in _HOME_OF:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    value: object = getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
