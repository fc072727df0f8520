"""Sections on the firings, on the hindcast that tests the tool, and on motors not yet cast."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.report.labels import (
    NO_VALUE,
    format_number,
    format_plus_minus,
    in_unit,
    unit_text,
)
from strandwise.report.page.blocks import (
    Cautions,
    Cell,
    Head,
    Items,
    PageTable,
    Paragraph,
    Section,
    Subheading,
    bare,
    labelled,
    said,
)
from strandwise.report.page.content import Missing
from strandwise.report.page.pictures import firing_picture, forecast_picture, hindcast_picture
from strandwise.report.page.writing import chance, interval_cells, number, ratio
from strandwise.units import digits_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.findings import Caution
    from strandwise.forecast import Forecast, Hindcast, HindcastRow
    from strandwise.reduction import FiringReduction
    from strandwise.report.page.blocks import Block
    from strandwise.report.page.content import PageContent
    from strandwise.report.page.writing import Writer

__all__ = ["firings_section", "forecast_section", "hindcast_section"]

_MOST_TRACES = 24
_BASES = {"all-others": "all other tests", "strands-alone": "the strands alone"}


def firings_section(content: PageContent, write: Writer) -> Section:
    """What each firing gave, its trace and its events."""
    firings = content.firings
    if not firings:
        what = "can be used" if content.unread else "is recorded"
        none = f"No firing {what}: the rates rest on strands alone."
        return Section(name="firings", title="Firings", blocks=[Paragraph(none)])
    traced = [firing for firing in firings if _has_trace(firing)]
    # The newest stand last in the files.
    drawn = traced[-_MOST_TRACES:]
    blocks: list[Block] = [_firings_table(firings, write)]
    if len(drawn) < len(traced):
        blocks.append(
            Paragraph(
                f"The last {len(drawn)} of {len(traced)} traces are drawn; `strandwise reduce "
                f"{content.campaign.name} --test TEST --figure FILE` draws any other."
            )
        )
    by_hand = [firing.test for firing in firings if not _has_trace(firing)]
    if by_hand:
        blocks.append(Paragraph(f"Without a trace to draw: {', '.join(by_hand)}."))
    for place, firing in enumerate(drawn, start=1):
        blocks.append(Subheading(f"{firing.test}: {firing.formulation}, batch {firing.batch}"))
        blocks.append(firing_picture(firing, place, write))
        rules = tuple(labelled(text) for text in (*firing.rules, *firing.account))
        if rules:
            blocks.append(Items(rules))
        blocks += Cautions.of(("", caution) for caution in firing.cautions)
    shown = {firing.test for firing in drawn}
    rest = [firing for firing in firings if firing.test not in shown]
    blocks += Cautions.of((firing.test, c) for firing in rest for c in firing.cautions)
    return Section(name="firings", title="Firings", blocks=blocks)


def _has_trace(firing: FiringReduction) -> bool:
    series = firing.trace_series
    return series is not None and (series.pressure is not None or series.thrust is not None)


def _firings_table(firings: Sequence[FiringReduction], write: Writer) -> PageTable:
    units = write.units
    heads = [
        Head("Firing", "text"),
        Head("Batch", "text"),
        Head("Formulation", "text"),
        write.head("web", units.length),
        Head("burn time (s)"),
        Head("±", file="± burn time (s)"),
        Head("action time (s)"),
        write.head("rate-mean pressure", units.pressure),
        write.head("peak pressure", units.pressure),
        Head("pressure from", "text"),
        write.head("peak thrust", units.force),
        write.head("impulse", units.impulse),
        Head("specific impulse (s)"),
        write.head("c*", units.gas_velocity),
        write.head("± c*", units.gas_velocity),
        write.head("rate", units.rate),
        write.head("± rate", units.rate),
        Head("used", "text"),
    ]
    rows = []
    for one in firings:
        rate = None if one.point is None else one.point.rate
        rate_sd = None if one.point is None else one.point.rate_sd
        rows.append(
            [
                bare(one.test),
                bare(one.batch),
                bare(one.formulation),
                write.quantity(one.web, units.length),
                Cell(format_number(one.burn_time, one.burn_time_sd), one.burn_time),
                Cell(format_number(one.burn_time_sd, digits=2), one.burn_time_sd),
                number(one.action_time),
                write.quantity(one.rate_mean_pressure, units.pressure, one.pressure_sd),
                write.quantity(one.peak_pressure, units.pressure),
                bare(one.pressure_from or NO_VALUE),
                write.quantity(one.peak_thrust, units.force),
                write.quantity(one.total_impulse, units.impulse),
                number(one.specific_impulse),
                write.quantity(
                    one.characteristic_velocity,
                    units.gas_velocity,
                    one.characteristic_velocity_sd,
                ),
                write.spread(one.characteristic_velocity_sd, units.gas_velocity),
                write.quantity(rate, units.rate, rate_sd),
                write.spread(rate_sd, units.rate),
                bare(_part(one)),
            ]
        )
    return PageTable(
        name="firings-table", caption="Firings, absolute pressures", heads=heads, rows=rows
    )


def _part(firing: FiringReduction) -> str:
    """Whether a firing counts in laws, shifts and forecasts, and why not."""
    point = firing.point
    if point is not None and point.used:
        return "yes"
    why = firing.why_no_point if point is None else point.why_not
    return f"NO: {why}" if why else "NO"


def hindcast_section(content: PageContent, write: Writer) -> Section:
    """Firings predicted without themselves."""
    found = content.hindcast
    blocks: list[Block]
    if isinstance(found, Missing):
        blocks = [Paragraph(said(f"The forecast was not held against a firing: {found.why}"))]
        return Section(name="hindcast", title="Hindcast", blocks=blocks)
    blocks = [
        Paragraph(
            "Each firing is predicted from all other tests, and then looked at: this is how far "
            "the forecasts of this campaign have been right."
        ),
        *(Paragraph(text) for text in _scores(found)),
        *([hindcast_picture(found, write)] if found.rows else []),
        *([_hindcast_table(found.rows, write)] if found.rows else []),
        *(Paragraph(said(f"{test} is left out: {why}")) for test, why in found.skipped),
        *Cautions.of(("", caution) for caution in found.cautions),
    ]
    return Section(name="hindcast", title="Hindcast", blocks=blocks)


def _scores(found: Hindcast) -> list[str]:
    texts = []
    for score in found.scores:
        mean = format_number(100.0 * score.mean_deviation, digits=2, signed=True)
        texts.append(
            said(
                f"{score.quantity.replace('-', ' ')} from {_BASES[score.basis]}: {score.inside} of "
                f"{score.count} inside their 95 % interval; measured over predicted "
                f"{mean} % on average, {digits_text(100.0 * score.typical_deviation)} % typically"
            )
        )
    return texts


def _hindcast_table(rows: Sequence[HindcastRow], write: Writer) -> PageTable:
    cells = []
    for row in rows:
        timed = row.quantity == "burn-time"
        measured, predicted, low, high = (
            value if timed else in_unit(value, write.units.pressure)
            for value in (row.measured, row.predicted, *row.interval)
        )
        cells.append(
            [
                bare(row.test),
                bare(row.formulation),
                bare(row.quantity.replace("-", " ")),
                bare(_BASES[row.basis]),
                bare("s" if timed else unit_text(write.units.pressure)),
                number(measured),
                number(predicted),
                *interval_cells((low, high)),
                bare("inside" if row.inside else "OUTSIDE"),
            ]
        )
    return PageTable(
        name="hindcast-table",
        caption="Predicted and measured, absolute pressures",
        heads=[
            Head("Firing", "text"),
            Head("Formulation", "text"),
            Head("quantity", "text"),
            Head("predicted from", "text"),
            Head("unit", "text"),
            Head("measured"),
            Head("predicted"),
            Head("from", file="95 % from"),
            Head("to", file="95 % to"),
            Head("inside the 95 %", "text"),
        ],
        rows=cells,
    )


def forecast_section(content: PageContent, write: Writer) -> Section:
    """What full-size motors would see."""
    blocks: list[Block] = []
    if not content.motors:
        blocks.append(
            Paragraph(
                "No motor is given: a file in the campaign's folder motors/ says what one would "
                "see with these propellants."
            )
        )
    for place, one in enumerate(content.motors, start=1):
        blocks.append(Subheading(f"Motor {one.motor}"))
        found = one.forecasts
        if isinstance(found, Missing):
            blocks.append(Paragraph(said(f"No forecast: {found.why}")))
            continue
        blocks.append(forecast_picture(found, place, write))
        blocks.append(_forecast_table(found, place, write))
        blocks += [Paragraph(text) for text in _soaks(found, write)]
        blocks += Cautions.of(_shared(found))
    return Section(name="forecast", title="Forecast", blocks=blocks)


def _forecast_table(found: Sequence[Forecast], place: int, write: Writer) -> PageTable:
    units, first = write.units, found[0]
    heads = [
        Head("Formulation", "text"),
        write.head("peak, median", units.pressure),
        write.head("5 %", units.pressure),
        write.head("95 %", units.pressure),
        write.head("99 %", units.pressure),
        write.head("lowest, median", units.pressure),
        Head("burn, median (s)"),
        Head("5 % (s)"),
        Head("95 % (s)"),
        write.head("peak thrust", units.force),
        write.head("impulse", units.impulse),
    ]
    heads += [Head("over the case's limit (%)")] if first.case else []
    heads += [write.head("MEOP", units.pressure), Head("draws above MEOP (%)")]
    heads += [Head("limit/MEOP")] if first.case else []
    heads += [Head("as wanted (%)")] if first.wanted else []
    rows = []
    for one in found:
        peak, burn = one.peak_pressure, one.burn_time
        row = [bare(one.formulation)]
        row += [
            _bounded(value, write)
            for value in (peak.median, peak.p05, peak.p95, peak.p99, one.lowest_pressure.median)
        ]
        row += [number(burn.median), number(burn.p05), number(burn.p95)]
        row += [
            write.quantity(one.peak_thrust.median, units.force),
            write.quantity(one.total_impulse.median, units.impulse),
        ]
        row += (
            [chance(one.case.probability_over if one.case else None, one.draws)]
            if first.case
            else []
        )
        meop = one.greatest.value
        row += [
            _bounded(meop, write),
            chance(None if meop is None else one.greatest.share_above, one.draws),
        ]
        if first.case:
            row.append(ratio(None if meop is None or one.case is None else one.case.limit / meop))
        row += (
            [chance(one.wanted.probability if one.wanted else None, one.draws)]
            if first.wanted
            else []
        )
        rows.append(row)
    notes = [
        f"{first.draws} motors drawn (seed {first.seed}); the columns in per cent are the values "
        "that so many of the draws do not exceed. Absolute pressures.",
        "Lowest: the lowest pressure while the web burns, once the chamber is full.",
        "MEOP: maximum expected operating pressure, the peak of the motor as drawn with hottest "
        "propellant, burn rate, throat, density, c* and grain each at the value that one motor in "
        "a hundred exceeds, all at once, as far as they are known; `strandwise forecast` lists the "
        "factors.",
        f"Burning over throat area {first.initial_kn:.0f} at the start, {first.peak_kn:.0f} at "
        "most.",
    ]
    if first.case:
        notes.append(f"The case is stated to be made for {write.limit(first.case.limit)}.")
    return PageTable(
        name=f"forecast-table-{place}",
        caption=f"Motor {first.motor}",
        heads=heads,
        rows=rows,
        notes=notes,
    )


def _bounded(value: float | None, write: Writer) -> Cell:
    if value is None:
        return Cell("no bound")
    return write.quantity(value, write.units.pressure)


def _soaks(found: Sequence[Forecast], write: Writer) -> list[str]:
    texts = []
    for one in found:
        for soak in one.soaks:
            unit = write.units.temperature
            at = f"{format_number(in_unit(soak.temperature, unit), digits=3)} {unit_text(unit)}"
            peaks = [
                "no bound" if value is None else write.pressure(value)
                for value in (soak.peak_pressure.median, soak.peak_pressure.p99)
            ]
            over = ""
            if soak.probability_over is not None:
                over = f"; over the case's limit: {chance(soak.probability_over, one.draws).text}"
            texts.append(
                f"{one.formulation} soaked to {at}: peak {peaks[0]}, 99 % of the draws below "
                f"{peaks[1]}, burn {format_plus_minus(soak.burn_time.median, None)} s{over}."
            )
    return texts


def _shared(found: Sequence[Forecast]) -> list[tuple[str, Caution]]:
    """Cautions, one that all formulations share told once."""
    shared = set.intersection(*(set(one.cautions) for one in found))
    own = [(one.formulation, c) for one in found for c in one.cautions if c not in shared]
    return [*own, *(("", c) for c in found[0].cautions if c in shared)]
