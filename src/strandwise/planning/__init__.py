"""What to test next, and how many tests a question needs."""

from __future__ import annotations

from strandwise.planning.candidates import RangeExtension
from strandwise.planning.motor_tests import (
    MotorSuggestion,
    MotorTests,
    next_tests_for_motor,
    peak_sentence,
    suggestion_for_motor_sentence,
)
from strandwise.planning.next_test import NextTests, Suggestion, next_tests
from strandwise.planning.peak import MotorCause, PeakModel, PeakPrecision, PeakTarget
from strandwise.planning.power import (
    MOST_BATCHES,
    DesignPower,
    DetectableShift,
    critical_t_from_arrays,
    design_power_from_arrays,
    designs_that_detect,
    detectable_shifts,
)
from strandwise.planning.power_curves import PowerCurve, power_curves
from strandwise.planning.reasons import SuggestionKind
from strandwise.planning.run_sheet import RunSheet, RunSheetRow, balanced_tests, run_sheet
from strandwise.planning.sentences import (
    design_sentence,
    detectable_sentence,
    next_tests_sentence,
    suggestion_sentence,
)

__all__ = [
    "MOST_BATCHES",
    "DesignPower",
    "DetectableShift",
    "MotorCause",
    "MotorSuggestion",
    "MotorTests",
    "NextTests",
    "PeakModel",
    "PeakPrecision",
    "PeakTarget",
    "PowerCurve",
    "RangeExtension",
    "RunSheet",
    "RunSheetRow",
    "Suggestion",
    "SuggestionKind",
    "balanced_tests",
    "critical_t_from_arrays",
    "design_power_from_arrays",
    "design_sentence",
    "designs_that_detect",
    "detectable_sentence",
    "detectable_shifts",
    "next_tests",
    "next_tests_for_motor",
    "next_tests_sentence",
    "peak_sentence",
    "power_curves",
    "run_sheet",
    "suggestion_for_motor_sentence",
    "suggestion_sentence",
]
