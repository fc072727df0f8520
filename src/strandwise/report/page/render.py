"""The page itself: sections into one HTML file that loads nothing."""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.metadata import version
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from strandwise.progress import steps
from strandwise.report.page.cautions_section import cautions_section
from strandwise.report.page.decision import decision_lines
from strandwise.report.page.firings_and_motors import (
    firings_section,
    forecast_section,
    hindcast_section,
)
from strandwise.report.page.laws_and_shifts import (
    doses_section,
    drift_section,
    laws_section,
    shifts_section,
)
from strandwise.report.page.records_sections import (
    left_out_section,
    origin_section,
    recipes_section,
    tests_section,
)
from strandwise.report.page.writing import Writer

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from strandwise.report.labels import DisplayUnits
    from strandwise.report.page.blocks import Section
    from strandwise.report.page.content import PageContent

__all__ = ["render_page"]

_PARTS: tuple[Callable[[PageContent, Writer], Section], ...] = (
    laws_section,
    shifts_section,
    doses_section,
    drift_section,
    firings_section,
    hindcast_section,
    forecast_section,
    recipes_section,
    lambda content, _: left_out_section(content),
    tests_section,
    lambda content, _: origin_section(content),
)
_CAUTIONS_AFTER = "recipes"
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:%|[kM]?Pa|psi|bar|mm|in/s|g/|kg|lb|°))")
_BACKTICKED = re.compile("`([^`]+)`")


def render_page(content: PageContent, units: DisplayUnits, *, notices: Sequence[str]) -> bytes:
    """A campaign's page as UTF-8 HTML; the same content gives the same bytes.

    Parameters
    ----------
    content
        Finished results.
    units
        What the reader sees.
    notices
        Words on conduct, printed below the decision.
    """
    write = Writer(units)
    sections = [make(content, write) for make in steps(_PARTS, "drawing the page")]
    place = next(n for n, one in enumerate(sections, 1) if one.name == _CAUTIONS_AFTER)
    sections.insert(place, cautions_section(content, sections))
    environment = Environment(
        loader=PackageLoader("strandwise.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["worded"] = _worded
    style, script = (_source(environment, name) for name in ("page.css", "page.js"))
    text = environment.get_template("page.html").render(
        generator=f"strandwise {version('strandwise')}",
        title=content.campaign.settings.title or content.campaign.name,
        campaign=content.campaign,
        # What stands between the tags is what the browser hashes.
        style=Markup(style),
        script=Markup(script),
        policy="; ".join(
            [
                "default-src 'none'",
                f"style-src '{_digest(style)}'",
                f"script-src '{_digest(script)}'",
                "base-uri 'none'",
                "form-action 'none'",
            ]
        ),
        decision=decision_lines(content, write),
        notices=notices,
        sections=sections,
        units=units,
    )
    return text.encode("utf-8")


def _worded(text: str) -> Markup:
    """Prose of the page: numbers stay with their units, and what is in backticks is code."""
    kept = _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", str(escape(text)))
    # Escaped above; code is the one element that is added.
    return Markup(_BACKTICKED.sub(r"<code>\1</code>", kept))


def _source(environment: Environment, name: str) -> str:
    # Neither holds anything of the campaign.
    return environment.get_template(name).render()


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()
