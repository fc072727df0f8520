"""What changed from batch to batch, and what an additive did."""

from __future__ import annotations

from strandwise.tracking.analysis import Analysis, analyse
from strandwise.tracking.at_least import AtLeast, AtLeastVerdict, at_least
from strandwise.tracking.blends import (
    BlendLines,
    BlendPoint,
    ExchangeLine,
    MeasuredBlend,
    exchange_lines,
)
from strandwise.tracking.change_point import ChangePoint, change_point_from_arrays
from strandwise.tracking.comparison import (
    Comparison,
    DoseSlope,
    FormulationShift,
    RateKind,
    RateObservations,
)
from strandwise.tracking.covariates import BatchCovariate, CovariateSlope
from strandwise.tracking.drift import (
    DriftChart,
    DriftPoint,
    DriftSignal,
    drift_chart,
)
from strandwise.tracking.drift_sentences import drift_sentences, signal_sentence
from strandwise.tracking.equivalence import Equivalence, EquivalenceVerdict, equivalence
from strandwise.tracking.individuals import IndividualsLimits, individuals_limits_from_arrays
from strandwise.tracking.mixed import ContrastEstimate, MixedFit, fit_mixed_model
from strandwise.tracking.mixture import (
    BlendingTerm,
    MixtureFit,
    fit_mixture,
    fit_mixture_from_arrays,
)
from strandwise.tracking.multiple import many_to_one_p
from strandwise.tracking.run_rules import RunRule, RunRuleHits, run_rule_hits
from strandwise.tracking.sentences import (
    at_least_sentence,
    change_size,
    covariate_sentence,
    dose_sentence,
    equivalence_sentence,
    in_megapascals,
    in_millimetres_per_second,
    sentence,
    spread_sentence,
)
from strandwise.tracking.shifts import compare_formulations
from strandwise.tracking.stand_outs import FAR_FIRING, FAR_STRAND, StandOut, stand_outs
from strandwise.tracking.what_if import (
    PlannedTest,
    ShiftPrecision,
    VarianceComponents,
    shift_precision,
    variance_components,
)

__all__ = [
    "FAR_FIRING",
    "FAR_STRAND",
    "Analysis",
    "AtLeast",
    "AtLeastVerdict",
    "BatchCovariate",
    "BlendLines",
    "BlendPoint",
    "BlendingTerm",
    "ChangePoint",
    "Comparison",
    "ContrastEstimate",
    "CovariateSlope",
    "DoseSlope",
    "DriftChart",
    "DriftPoint",
    "DriftSignal",
    "Equivalence",
    "EquivalenceVerdict",
    "ExchangeLine",
    "FormulationShift",
    "IndividualsLimits",
    "MeasuredBlend",
    "MixedFit",
    "MixtureFit",
    "PlannedTest",
    "RateKind",
    "RateObservations",
    "RunRule",
    "RunRuleHits",
    "ShiftPrecision",
    "StandOut",
    "VarianceComponents",
    "analyse",
    "at_least",
    "at_least_sentence",
    "change_point_from_arrays",
    "change_size",
    "compare_formulations",
    "covariate_sentence",
    "dose_sentence",
    "drift_chart",
    "drift_sentences",
    "equivalence",
    "equivalence_sentence",
    "exchange_lines",
    "fit_mixed_model",
    "fit_mixture",
    "fit_mixture_from_arrays",
    "in_megapascals",
    "in_millimetres_per_second",
    "individuals_limits_from_arrays",
    "many_to_one_p",
    "run_rule_hits",
    "sentence",
    "shift_precision",
    "signal_sentence",
    "spread_sentence",
    "stand_outs",
    "variance_components",
]
