"""Pictures and tables of finished results; nothing is computed here.

Import `strandwise.report.figures`, `strandwise.report.style` and `strandwise.report.tables`
where they are used: they bring matplotlib and rich with them, which `labels` does without.
"""

from __future__ import annotations

from strandwise.report.labels import (
    NO_VALUE,
    DisplayUnits,
    axis_label,
    display_units,
    format_interval,
    format_number,
    format_plus_minus,
    format_probability,
    in_unit,
    plain_number,
    unit_text,
)

__all__ = [
    "NO_VALUE",
    "DisplayUnits",
    "axis_label",
    "display_units",
    "format_interval",
    "format_number",
    "format_plus_minus",
    "format_probability",
    "in_unit",
    "plain_number",
    "unit_text",
]
