"""The pictures of a campaign; importing this brings matplotlib with it."""

from __future__ import annotations

from strandwise.report.comparison_figure import draw_comparison
from strandwise.report.firing_figure import draw_firing_trace
from strandwise.report.rate_figure import draw_rate_laws
from strandwise.report.style import PICTURE_FORMATS, picture_bytes, save_figure

__all__ = [
    "PICTURE_FORMATS",
    "draw_comparison",
    "draw_firing_trace",
    "draw_rate_laws",
    "picture_bytes",
    "save_figure",
]
