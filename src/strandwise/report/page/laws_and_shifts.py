"""Sections on the laws, on what the formulations did, on doses and on batches over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.planning import detectable_sentence
from strandwise.report.labels import NO_VALUE, format_number, plain_number, unit_text
from strandwise.report.page.blocks import (
    Cautions,
    Cell,
    Head,
    PageTable,
    Paragraph,
    Section,
    Subheading,
    bare,
    said,
)
from strandwise.report.page.content import Missing
from strandwise.report.page.pictures import (
    comparison_picture,
    dose_picture,
    drift_picture,
    law_pictures,
)
from strandwise.report.page.writing import (
    change,
    change_cells,
    count,
    interval_cells,
    number,
    probability,
)
from strandwise.tracking import dose_sentence, drift_sentences, sentence, spread_sentence

if TYPE_CHECKING:
    from strandwise.ratelaw import RateFit
    from strandwise.report.page.blocks import Block
    from strandwise.report.page.content import PageContent
    from strandwise.report.page.writing import Writer
    from strandwise.tracking import Comparison, DoseSlope, DriftChart, FormulationShift

__all__ = ["doses_section", "drift_section", "laws_section", "shifts_section"]


def laws_section(content: PageContent, write: Writer) -> Section:
    """The law of each batch."""
    fits = content.fits
    blocks: list[Block]
    if isinstance(fits, Missing):
        blocks = [Paragraph(said(f"No law can be fitted: {fits.why}"))]
    else:
        blocks = [
            *law_pictures(fits, content.points, write),
            _laws_table(fits, write),
            *Cautions.of((fit.label, caution) for fit in fits for caution in fit.cautions),
        ]
    return Section(name="laws", title="Burn-rate laws", blocks=blocks)


def _laws_table(fits: tuple[RateFit, ...], write: Writer) -> PageTable:
    rate, pressure = write.units.rate, write.units.pressure
    at_one = f"({unit_text(rate)} at 1 {unit_text(pressure)})"
    # Two lines at the least, and none that ends in a bare number.
    unbroken = at_one.replace(" at 1 ", "\N{NO-BREAK SPACE}at 1\N{NO-BREAK SPACE}")
    heads = [
        Head("Batch", "text"),
        Head("Formulation", "text"),
        Head("tests"),
        write.head("tested from", pressure),
        write.head("to", pressure),
        Head(f"a {unbroken}", file=f"a {at_one}"),
        Head("from", file=f"a 95 % from {at_one}"),
        Head("to", file=f"a 95 % to {at_one}"),
        Head("n"),
        Head("from", file="n 95 % from"),
        Head("to", file="n 95 % to"),
        write.head("at", pressure),
        write.head("rate", rate),
        write.head("from", rate),
        write.head("to", rate),
        Head("scatter (%)"),
    ]
    return PageTable(
        name="laws-table",
        caption="Laws, rate = a·Pⁿ",
        heads=heads,
        rows=[_law_row(fit, write) for fit in fits],
        notes=(
            f"P is absolute in {unit_text(pressure)}, the rate in {unit_text(rate)}. From and to: "
            "95 % intervals. Scatter is from test to test, beyond the uncertainty of the readings.",
        ),
    )


def _law_row(fit: RateFit, write: Writer) -> list[Cell]:
    rate, pressure = write.units.rate, write.units.pressure
    span = fit.pressure_range or (None, None)
    row = [bare(fit.label), bare(fit.formulation), count(fit.points)]
    row += [write.quantity(end, pressure) for end in span]
    if not fit.identified:
        return row + [bare(NO_VALUE)] * 11
    if fit.law == "power":
        a = fit.coefficient_a(float(rate.factor), float(pressure.factor))
        row += [number(a.value, a.ci95), *interval_cells(a.ci95)]
    else:
        row += [bare(NO_VALUE)] * 3
    row += [number(fit.n, fit.n_ci95), *interval_cells(fit.n_ci95)]
    found = fit.rate_at(fit.reference_pressure)
    half = None if found.ci95 is None else (found.ci95[1] - found.ci95[0]) / 2.0
    row += [
        write.quantity(fit.reference_pressure, pressure),
        write.quantity(found.rate, rate, half),
        *write.interval(found.ci95, rate),
    ]
    scatter = None if fit.scatter is None else 100.0 * fit.scatter
    shown = NO_VALUE if scatter is None else f"{scatter:.1f}"
    return [*row, Cell(shown, scatter)]


def shifts_section(content: PageContent, write: Writer) -> Section:
    """What each formulation did against the baseline."""
    comparison = content.comparison
    blocks: list[Block]
    if isinstance(comparison, Missing):
        blocks = [Paragraph(said(f"Formulations cannot be compared: {comparison.why}"))]
    else:
        others = [r for r in comparison.formulations if r.formulation != comparison.baseline]
        blocks = [
            *(Paragraph(text) for text in _shift_sentences(comparison, write)),
            *(Paragraph(said(detectable_sentence(one)), weak=True) for one in content.detectable),
            *([comparison_picture(comparison, write)] if others else []),
            _shifts_table(comparison, write),
            *Cautions.of(
                [
                    *(
                        (row.formulation, c)
                        for row in comparison.formulations
                        for c in row.cautions
                    ),
                    *(("", caution) for caution in comparison.cautions),
                ]
            ),
        ]
        if not others:
            only = f"Only {comparison.baseline} has tests: there is nothing to compare it with."
            blocks.insert(0, Paragraph(only))
    return Section(name="shifts", title="What each formulation did", blocks=blocks)


def _shift_sentences(comparison: Comparison, write: Writer) -> list[str]:
    """One sentence a formulation, the baseline first."""
    return [
        # It may begin with a name, which keeps its letters.
        f"{sentence(row, comparison, format_pressure=write.pressure, format_rate=write.rate)}."
        for row in comparison.formulations
    ]


def _shifts_table(comparison: Comparison, write: Writer) -> PageTable:
    rate = write.units.rate
    at = write.pressure(comparison.pressure)
    heads = [
        Head("Formulation", "text"),
        Head("batches"),
        Head("tests"),
        write.head("rate", rate),
        write.head("from", rate),
        write.head("to", rate),
        Head("shift (%)"),
        Head("from (%)", file="shift 95 % from (%)"),
        Head("to (%)", file="shift 95 % to (%)"),
        Head("p", file="p of the shift"),
        Head("slower, probability"),
        Head("n"),
        Head("Δn"),
        Head("from", file="Δn 95 % from"),
        Head("to", file="Δn 95 % to"),
        Head("p", file="p of Δn"),
    ]
    return PageTable(
        name="shifts-table",
        caption=f"Formulations against {comparison.baseline} at {at} absolute",
        heads=heads,
        rows=[_shift_row(row, comparison, write) for row in comparison.formulations],
        notes=_spread_notes(comparison),
    )


def _shift_row(row: FormulationShift, comparison: Comparison, write: Writer) -> list[Cell]:
    rate = write.units.rate
    half = None if row.rate_ci95 is None else (row.rate_ci95[1] - row.rate_ci95[0]) / 2.0
    cells = [
        bare(row.formulation),
        count(row.batches),
        count(row.points),
        write.quantity(row.rate, rate, half),
        *write.interval(row.rate_ci95, rate),
    ]
    n = Cell(format_number(row.n, row.n_sd), row.n)
    if row.formulation == comparison.baseline:
        blank = bare("")
        return [*cells, bare("baseline"), *[blank] * 4, n, *[blank] * 4]
    shift = None if row.shift is None else 100.0 * row.shift
    ends = row.shift_ci95 and (100.0 * row.shift_ci95[0], 100.0 * row.shift_ci95[1])
    return [
        *cells,
        change(shift, ends),
        *change_cells(ends),
        probability(row.shift_p),
        probability(row.probability_slower),
        n,
        number(row.n_shift, row.n_shift_ci95, signed=True),
        *interval_cells(row.n_shift_ci95, signed=True),
        probability(row.n_shift_p),
    ]


def _spread_notes(comparison: Comparison) -> list[str]:
    spread = spread_sentence(comparison)
    notes = [said(spread)] if spread else []
    if comparison.method_offset is not None:
        offset, ends = 100.0 * comparison.method_offset, comparison.method_offset_ci95
        text = f"Firings read {change(offset).text} % against strands"
        if ends is not None:
            scaled = (100.0 * ends[0], 100.0 * ends[1])
            low, high = change_cells(scaled)
            text = f"Firings read {change(offset, scaled).text} % against strands"
            text += f", 95 % interval {low.text} to {high.text} %"
        notes.append(f"{text}.")
    notes.append(
        "From and to: 95 % intervals, each for its formulation alone; p allows for the number "
        "compared."
    )
    return notes


def doses_section(content: PageContent, write: Writer) -> Section:
    """What each percent of an ingredient did."""
    comparison = content.comparison
    blocks: list[Block] = []
    if isinstance(comparison, Missing):
        blocks.append(Paragraph(said(f"No dose can be judged: {comparison.why}")))
    elif not comparison.doses:
        blocks.append(
            Paragraph(
                "No formulation differs from the baseline by the dose of one ingredient alone, so "
                "no effect of a dose is known."
            )
        )
    else:
        for place, slope in enumerate(comparison.doses, start=1):
            blocks.append(Paragraph(said(dose_sentence(slope))))
            blocks.append(dose_picture(slope, comparison, place, write))
        blocks.append(_dose_table(comparison.doses))
        blocks += Cautions.of((d.ingredient, c) for d in comparison.doses for c in d.cautions)
    return Section(name="dose", title="Dose", blocks=blocks)


def _dose_table(doses: tuple[DoseSlope, ...]) -> PageTable:
    rows = []
    for slope in doses:
        amounts = ", ".join(
            f"{name}: {plain_number(float(f'{100.0 * amount:.4g}'))} %"
            for name, amount in zip(slope.formulations, slope.amounts, strict=True)
        )
        rows.append(
            [
                bare(slope.ingredient),
                bare(slope.replaces),
                bare(amounts),
                change(slope.percent_per_percent, slope.ci95),
                *change_cells(slope.ci95),
            ]
        )
    return PageTable(
        name="dose-table",
        caption="Change of burn rate for each percent of dose",
        heads=[
            Head("Ingredient", "text"),
            Head("in place of", "text"),
            Head("doses tested", "text"),
            Head("change (% a percent)"),
            Head("from", file="95 % from (% a percent)"),
            Head("to", file="95 % to (% a percent)"),
        ],
        rows=rows,
    )


def drift_section(content: PageContent, write: Writer) -> Section:
    """Whether batches that were meant to be alike stayed alike."""
    blocks: list[Block] = []
    if not content.drifts:
        blocks.append(Paragraph("No batch is recorded, so nothing can drift."))
    for place, one in enumerate(content.drifts, start=1):
        blocks.append(Subheading(one.formulation))
        chart = one.chart
        if isinstance(chart, Missing):
            blocks.append(Paragraph(said(f"No chart: {chart.why}")))
            continue
        told = drift_sentences(chart, format_pressure=write.pressure, format_rate=write.rate)
        blocks.append(Paragraph(" ".join(said(text) for text in told)))
        if len(chart.points) > 1:
            blocks.append(drift_picture(chart, place, write))
        else:
            blocks.append(Paragraph("One batch alone shows no drift."))
        blocks += Cautions.of(("", caution) for caution in chart.cautions)
    charts = [one.chart for one in content.drifts if not isinstance(one.chart, Missing)]
    if charts:
        blocks.append(_drift_table(charts, write))
    return Section(name="drift", title="Batches over time", blocks=blocks)


def _drift_table(charts: list[DriftChart], write: Writer) -> PageTable:
    rows = [
        [
            bare(point.batch),
            bare(chart.formulation),
            bare(point.mixed_on.isoformat()),
            write.quantity(point.rate, write.units.rate),
            _percent(point.log_rate_sd),
            _percent(point.moving_range),
            bare("part of a pattern" if point.rules else ""),
        ]
        for chart in charts
        for point in chart.points
    ]
    return PageTable(
        name="drift-table",
        caption=f"Batches at {write.pressure(charts[0].pressure)} absolute",
        heads=[
            Head("Batch", "text"),
            Head("Formulation", "text"),
            Head("mixed", "text"),
            write.head("rate", write.units.rate),
            Head("± (%)"),
            Head("moving range (%)"),
            Head("signal", "text"),
        ],
        rows=rows,
    )


def _percent(share: float | None) -> Cell:
    return Cell(NO_VALUE) if share is None else Cell(f"{100.0 * share:.1f}", 100.0 * share)
