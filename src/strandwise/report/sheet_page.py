"""A weigh-out sheet as a page to print: one file, nothing loaded from elsewhere."""

from __future__ import annotations

from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined

if TYPE_CHECKING:
    from strandwise.report.sheet import Sheet

__all__ = ["sheet_page"]


def sheet_page(sheet: Sheet, *, footer: str) -> str:
    """HTML of a weigh-out sheet; names are escaped, since people choose them."""
    environment = Environment(
        loader=PackageLoader("strandwise.report"), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("sheet.html").render(sheet=sheet, footer=footer)
