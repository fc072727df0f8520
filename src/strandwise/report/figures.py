"""The pictures of a campaign; importing this brings matplotlib with it."""

from __future__ import annotations

from strandwise.report.blend_figure import draw_blends
from strandwise.report.calibration_figure import draw_calibration
from strandwise.report.comparison_figure import draw_comparison
from strandwise.report.drift_figure import draw_drift
from strandwise.report.firing_figure import draw_firing_trace
from strandwise.report.forecast_figure import draw_forecast
from strandwise.report.glance_figure import draw_glance
from strandwise.report.hindcast_figure import draw_hindcast
from strandwise.report.plan_figure import draw_plan
from strandwise.report.rate_figure import draw_rate_laws
from strandwise.report.recipe_figure import RecipeRow, draw_recipes
from strandwise.report.style import PICTURE_FORMATS, picture_bytes, save_figure
from strandwise.report.swept_figure import draw_swept_rate

__all__ = [
    "PICTURE_FORMATS",
    "RecipeRow",
    "draw_blends",
    "draw_calibration",
    "draw_comparison",
    "draw_drift",
    "draw_firing_trace",
    "draw_forecast",
    "draw_glance",
    "draw_hindcast",
    "draw_plan",
    "draw_rate_laws",
    "draw_recipes",
    "draw_swept_rate",
    "picture_bytes",
    "save_figure",
]
