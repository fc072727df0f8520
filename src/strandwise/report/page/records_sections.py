"""Sections on recipes, tests left out, all tests, and what the page was made from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.report.labels import NO_VALUE, format_number, in_unit
from strandwise.report.page.blocks import (
    Cautions,
    Cell,
    Head,
    PageTable,
    Paragraph,
    Section,
    bare,
    said,
)
from strandwise.report.page.content import Missing

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.records import Firing, StrandReading
    from strandwise.report.page.blocks import Block
    from strandwise.report.page.content import PageContent, RecipeEntry
    from strandwise.report.page.writing import Writer

__all__ = ["left_out_section", "origin_section", "recipes_section", "tests_section"]


def recipes_section(content: PageContent, write: Writer) -> Section:
    """What each formulation consists of, and the voids of its batches."""
    recipes = content.recipes
    blocks: list[Block]
    if isinstance(recipes, Missing):
        blocks = [Paragraph(said(f"The recipes cannot be shown: {recipes.why}"))]
    else:
        blocks = [_recipe_table(recipes, write)]
        if any(entry.porosities for entry in recipes):
            blocks.append(_porosity_table(recipes, write))
        blocks.append(_batch_table(content, write))
        blocks += Cautions.of(
            (entry.recipe.formulation, c) for entry in recipes for c in entry.cautions
        )
    return Section(name="recipes", title="Recipes and batches", blocks=blocks)


def _recipe_table(recipes: tuple[RecipeEntry, ...], write: Writer) -> PageTable:
    names = list(dict.fromkeys(name for entry in recipes for name in entry.recipe.mass_fractions))
    rows = []
    for entry in recipes:
        fractions, found = entry.recipe.mass_fractions, entry.properties
        rows.append(
            [
                bare(entry.recipe.formulation),
                bare(entry.recipe.parent or ""),
                *(_share(fractions.get(name)) for name in names),
                _fixed(found.oxygen_balance, 2, sign="+"),
                _fixed(found.oxidiser_fuel_ratio, 3),
                _density(found.void_free_density, write),
            ]
        )
    return PageTable(
        name="recipes-table",
        caption="Recipes, per cent by mass",
        heads=[
            Head("Formulation", "text"),
            Head("from", "text"),
            *(Head(name, file=f"{name} (%)") for name in names),
            Head("oxygen balance (%)"),
            Head("oxidiser over fuel"),
            write.head("density without voids", write.units.density),
        ],
        rows=rows,
    )


def _density(value: float | None, write: Writer) -> Cell:
    if value is None:
        return Cell(NO_VALUE)
    shown = in_unit(value, write.units.density)
    return Cell(format_number(shown, digits=4), shown)


def _fixed(value: float | None, places: int, sign: str = "") -> Cell:
    """A number of the recipe, with the digits that `mix show` prints."""
    if value is None:
        return Cell(NO_VALUE)
    return Cell(f"{value:{sign}.{places}f}".replace("-", "−"), value)


def _share(fraction: float | None) -> Cell:
    if fraction is None:
        return Cell("", None)
    return Cell(f"{100.0 * fraction:.2f}", 100.0 * fraction)


def _porosity_table(recipes: tuple[RecipeEntry, ...], write: Writer) -> PageTable:
    rows = [
        [
            bare(batch),
            bare(entry.recipe.formulation),
            _density(found.density, write),
            _density(found.void_free_density, write),
            Cell(f"{100.0 * found.value:.1f}".replace("-", "−"), 100.0 * found.value),
            Cell(f"{100.0 * found.sd:.1f}", 100.0 * found.sd),
        ]
        for entry in recipes
        for batch, found in entry.porosities
    ]
    return PageTable(
        name="porosity-table",
        caption="Voids of the batches by measured density",
        heads=[
            Head("Batch", "text"),
            Head("Formulation", "text"),
            write.head("density", write.units.density),
            write.head("without voids", write.units.density),
            Head("voids (%)"),
            Head("± (%)"),
        ],
        rows=rows,
        notes=("± is one standard uncertainty.",),
    )


def _batch_table(content: PageContent, write: Writer) -> PageTable:
    units = write.units
    rows = [
        [
            bare(batch.batch),
            bare(batch.formulation),
            bare("" if batch.mixed is None else batch.mixed.isoformat()),
            write.quantity(batch.mass, units.mass),
            bare(batch.process),
            write.quantity(batch.process_temperature, units.temperature),
            bare(batch.notes),
        ]
        for batch in content.campaign.batches.values()
    ]
    return PageTable(
        name="batches-table",
        caption="Batches",
        heads=[
            Head("Batch", "text"),
            Head("Formulation", "text"),
            Head("mixed", "text"),
            write.head("mass", units.mass),
            Head("process", "text"),
            write.head("process temperature", units.temperature),
            Head("notes", "text"),
        ],
        rows=rows,
    )


def left_out_section(content: PageContent) -> Section:
    """Every test that takes no part in the fits, and why."""
    rows = [
        [
            bare(point.test),
            bare(point.batch),
            bare(point.formulation),
            bare(point.kind),
            bare(point.why_not or "no reason recorded"),
        ]
        for point in content.points
        if not point.used
    ]
    rows += [
        [
            bare(firing.test),
            bare(firing.batch),
            bare(firing.formulation),
            bare("firing"),
            bare(firing.why_no_point or "no rate could be had"),
        ]
        for firing in content.firings
        if firing.point is None
    ]
    rows += [
        [bare(one.test), *[bare(NO_VALUE)] * 2, bare("firing"), bare(one.why)]
        for one in content.unread
    ]
    blocks: list[Block]
    if rows:
        blocks = [
            PageTable(
                name="left-out-table",
                caption="Tests without a part in the fits",
                heads=[
                    Head("Test", "text"),
                    Head("Batch", "text"),
                    Head("Formulation", "text"),
                    Head("kind", "text"),
                    Head("reason", "text"),
                ],
                rows=rows,
            )
        ]
    else:
        blocks = [Paragraph("No test is left out.")]
    return Section(name="left-out", title="Tests left out", blocks=blocks)


def tests_section(content: PageContent, write: Writer) -> Section:
    """Every test with its numbers."""
    campaign, units = content.campaign, write.units
    records: Mapping[str, StrandReading | Firing] = {
        **{strand.test: strand for strand in campaign.strands},
        **{firing.test: firing for firing in campaign.firings},
    }
    rows = []
    for point in content.points:
        record = records[point.test]
        rows.append(
            [
                bare(point.test),
                bare(point.batch),
                bare(point.formulation),
                bare(point.kind),
                bare("" if record.date is None else record.date.isoformat()),
                write.quantity(point.pressure, units.pressure, point.pressure_sd),
                write.spread(point.pressure_sd, units.pressure),
                write.quantity(point.rate, units.rate, point.rate_sd),
                write.spread(point.rate_sd, units.rate),
                write.quantity(point.temperature, units.temperature),
                bare("yes" if point.used else "no"),
                bare(record.notes),
            ]
        )
    blocks: list[Block]
    if rows:
        blocks = [
            PageTable(
                name="tests-table",
                caption="Every test that gave a rate, absolute pressures",
                heads=[
                    Head("Test", "text"),
                    Head("Batch", "text"),
                    Head("Formulation", "text"),
                    Head("kind", "text"),
                    Head("date", "text"),
                    write.head("pressure", units.pressure),
                    write.head("±", units.pressure),
                    write.head("rate", units.rate),
                    write.head("±", units.rate),
                    write.head("temperature", units.temperature),
                    Head("used", "text"),
                    Head("notes", "text"),
                ],
                rows=rows,
                notes=(
                    "± is one standard uncertainty; where nothing is known of the readings there "
                    "is none, and the fit takes it from the scatter.",
                ),
            ),
            # Those of the firings stand with them.
            *Cautions.of(
                (point.test, caution)
                for point in content.points
                if point.kind == "strand"
                for caution in point.cautions
            ),
        ]
    else:
        blocks = [Paragraph("No test has given a burn rate yet.")]
    return Section(name="tests", title="All tests", blocks=blocks)


def origin_section(content: PageContent) -> Section:
    """The files and the software that the page was made from."""
    blocks: list[Block] = [
        PageTable(
            name="inputs-table",
            caption="Files that this page was made from",
            heads=[Head("File", "text"), Head("bytes"), Head("SHA-256", "text")],
            rows=[
                [bare(one.name), Cell(str(one.size), one.size), bare(one.sha256)]
                for one in content.inputs
            ],
        ),
        PageTable(
            name="software-table",
            caption="Software",
            heads=[Head("Name", "text"), Head("version", "text")],
            rows=[[bare(name), bare(version)] for name, version in content.software],
            notes=("The same files and the same software give the same page, byte for byte.",),
        ),
    ]
    return Section(name="origin", title="Where this comes from", blocks=blocks)
