"""Cautions about the campaign as a whole, and where the others stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.report.page.blocks import Cautions, Links, Paragraph, Section
from strandwise.report.page.content import Missing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.report.page.blocks import Block
    from strandwise.report.page.content import PageContent

__all__ = ["cautions_section"]


def cautions_section(content: PageContent, sections: Sequence[Section]) -> Section:
    """Cautions of no section of their own, and how many stand in each of the `sections`."""
    plan = content.next_tests
    planned = [] if isinstance(plan, Missing) else [("", one) for one in plan.cautions]
    planned += [
        (f"motor {one.motor}", caution)
        for one in content.motor_plans
        if not isinstance(one.tests, Missing)
        for caution in one.tests.cautions
    ]
    whole = [("", one) for one in content.cautions]
    blocks: list[Block] = [*Cautions.of((*whole, *planned))]
    elsewhere = tuple(
        (section.name, f"{section.title}: {section.caution_count} to heed")
        for section in sections
        if section.caution_count
    )
    if elsewhere:
        blocks += [Paragraph("What to heed about one result stands below it:"), Links(elsewhere)]
    if not blocks:
        blocks.append(Paragraph("The program found nothing to warn of; that is no clearance."))
    return Section(name="cautions", title="Cautions", blocks=blocks)
