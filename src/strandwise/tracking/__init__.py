"""What changed from batch to batch, and what an additive did."""

from __future__ import annotations

from strandwise.tracking.comparison import (
    Comparison,
    DoseSlope,
    FormulationShift,
    RateKind,
    RateObservations,
)
from strandwise.tracking.mixed import ContrastEstimate, MixedFit, fit_mixed_model
from strandwise.tracking.multiple import many_to_one_p
from strandwise.tracking.sentences import dose_sentence, sentence
from strandwise.tracking.shifts import compare_formulations

__all__ = [
    "Comparison",
    "ContrastEstimate",
    "DoseSlope",
    "FormulationShift",
    "MixedFit",
    "RateKind",
    "RateObservations",
    "compare_formulations",
    "dose_sentence",
    "fit_mixed_model",
    "many_to_one_p",
    "sentence",
]
