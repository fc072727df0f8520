"""`strandwise calibrate`: an instrument's line through known loads, and how far to trust it."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    bench_option,
    echo_cautions,
    echo_done,
    echo_json,
    echo_text,
    examples,
    figure_option,
    here,
    json_option,
    units_option,
)

if TYPE_CHECKING:
    from strandwise.records import Bench, CampaignFolder
    from strandwise.reduction import CalibrationReport
    from strandwise.report.labels import DisplayUnits
    from strandwise.workflow.calibrate import Calibrated

__all__ = ["command"]

_MANY = 1e-2  # load per reading below which the slope is told for a thousand readings
_EXACT = 1e-9  # of the span: rounding, and no scatter
_SI = {"load-cell": ("N", 1.0), "pressure-transducer": ("MPa", 1e6)}


@click.command(
    "calibrate",
    epilog=examples(
        "strandwise calibrate cell-2 --campaign demo --figure cell-2.svg",
        'strandwise calibrate cell-3 --kind load-cell --row "61231 = 0 N" \\\n'
        '  --row "113702 = 5 kgf" --row "165968 = 10 kgf" --row "270930 = 20 kgf" \\\n'
        '  --row "165981 = 10 kgf" --row "61240 = 0 N"',
    ),
)
@click.argument("name")
@click.option("--campaign", metavar="CAMPAIGN", help="Whose own instrument; otherwise shared.")
@click.option("--kind", metavar="KIND", help="load-cell or pressure-transducer.")
@click.option("--reading-unit", metavar="UNIT", help="What the logger writes: count, V or mV.")
@click.option(
    "--row", "rows", multiple=True, metavar="ROW", help='One pair, "61231 = 0 N"; in order taken.'
)
@click.option(
    "--table",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="CSV file of pairs, headed reading and load (UNIT).",
)
@click.option("--resolution", metavar="LOAD", help='Smallest step of the load, "0.05 N".')
@click.option("--calibrated", metavar="DATE", help="Day of the calibration; otherwise today.")
@click.option("--notes", metavar="TEXT", help="Whatever should be remembered.")
@click.option("--replace", is_flag=True, help="Calibrate an instrument anew that is there.")
@units_option
@figure_option
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    /,
    name: str,
    *,
    campaign: str | None,
    rows: tuple[str, ...],
    table: Path | None,
    replace: bool,
    units: str | None,
    figure: Path | None,
    as_json: bool,
    **stated: str | None,
) -> None:
    """Fit and judge the calibration of the load cell or pressure gauge NAME.

    With rows, in the order in which they were taken, a line is fitted through them and the
    instrument written to instruments.toml: shared/ of the bench, or the campaign's own. Go up
    and down again with the loads: that shows hysteresis. Without rows the calibration that is
    there is told.
    """
    from strandwise.records import find_bench
    from strandwise.report.labels import display_units
    from strandwise.workflow.calibrate import calibrate_instrument, calibration_in_place

    stated_bench = bench_option(ctx)
    bench = find_bench(stated_bench or here(), stated=stated_bench)
    folder = None if campaign is None else bench.campaign(campaign)
    shown = display_units(units or _units(folder, bench))

    def draw(report: CalibrationReport) -> None:
        if figure is not None:
            from strandwise.report.figures import draw_calibration, save_figure

            save_figure(draw_calibration(report, shown), figure)

    is_new = bool(rows) or table is not None
    if is_new:
        new = _new(name, rows, table, stated)
        done = calibrate_instrument(bench, folder, new, replace=replace, before_writing=draw)
    else:
        _refuse_alone(stated, replace=replace)
        done = calibration_in_place(bench, folder, name)
        draw(done.report)
    if as_json:
        echo_json(_as_json(done, written=is_new))
        return
    echo_text(f"{'Calibrated' if is_new else 'Calibration of'} {name} in {done.file}\n")
    _print(done, shown)
    if figure is not None:
        echo_done(f"\nPicture: {figure}")


def _units(folder: CampaignFolder | None, bench: Bench) -> str:
    from strandwise.workflow.calibrate import units_of_bench
    from strandwise.workflow.new_record import read_for_logging

    return units_of_bench(bench) if folder is None else read_for_logging(folder)[0].settings.units


def _new(
    name: str, rows: tuple[str, ...], table: Path | None, stated: dict[str, str | None]
) -> Any:
    from strandwise.cli.asking import today
    from strandwise.errors import RequestError, UnitError
    from strandwise.records import STRAND_FIELDS, PressureScale
    from strandwise.workflow.calibrate import NewCalibration

    date = next(field for field in STRAND_FIELDS if field.name == "date")
    try:
        calibrated: Any = date.parse(stated["calibrated"] or today(), PressureScale())
    except UnitError as error:
        msg = f"--calibrated: {error.message}"
        raise RequestError(msg, expected=error.expected) from error
    return NewCalibration(
        name=name,
        kind=stated["kind"] or "",
        reading_unit=stated["reading_unit"] or "",
        rows=rows,
        table=table,
        resolution=stated["resolution"] or "",
        notes=stated["notes"] or "",
        calibrated=calibrated,
    )


def _refuse_alone(stated: dict[str, str | None], *, replace: bool) -> None:
    given = [f"--{option.replace('_', '-')}" for option, text in stated.items() if text]
    given += ["--replace"] * replace
    if given:
        msg = f"{', '.join(given)} without a row: give --row or --table."
        raise click.UsageError(msg)


def _as_json(done: Calibrated, *, written: bool) -> dict[str, Any]:
    from strandwise.cli.showing import cautions_json, percent, scaled

    report, line = done.report, done.report.line
    unit, factor = _SI[report.kind]
    per = f"{unit}_per_{report.reading_unit}"
    ci95 = report.slope_ci95
    return {
        "instrument": report.name,
        "kind": report.kind,
        "reading_unit": report.reading_unit,
        "file": done.file,
        "written": written,
        "rows": [
            {"reading": x, f"load_{unit}": y / factor, f"load_minus_line_{unit}": left / factor}
            for x, y, left in zip(
                report.readings.tolist(),
                report.loads.tolist(),
                report.residuals.tolist(),
                strict=True,
            )
        ],
        f"slope_{per}": line.slope / factor,
        f"slope_sd_{per}": scaled(line.slope_sd, factor),
        f"slope_ci95_{per}": None if ci95 is None else [end / factor for end in ci95],
        f"load_at_reading_0_{unit}": line.intercept / factor,
        f"load_at_reading_0_sd_{unit}": scaled(line.intercept_sd, factor),
        "linearity_percent": percent(report.linearity),
        "bend_percent": None if report.curvature is None else percent(report.curvature.bow),
        "hysteresis_percent": (
            None if report.hysteresis is None else percent(report.hysteresis.largest)
        ),
        "repeatability_percent": percent(report.repeatability),
        "slope_change_percent": percent(done.slope_change),
        "remarks": list(done.remarks),
        "warnings": cautions_json(report.cautions),
    }


def _print(done: Calibrated, units: DisplayUnits) -> None:
    from strandwise.report.labels import unit_text
    from strandwise.report.tables import Column, print_table

    report = done.report
    unit = units.force if report.kind == "load-cell" else units.pressure
    factor, symbol = float(unit.factor), unit_text(unit)
    what = "load" if report.kind == "load-cell" else "absolute pressure"
    columns = [
        Column("Row", kind="text"),
        Column("reading", report.reading_unit),
        Column(what, symbol),
        Column("minus line", symbol),
        Column("of the span", "%"),
        Column("reached from", kind="text"),
    ]
    rows = []
    step = _step(done)
    places = _places(step / factor)
    for at, (reading, load, left) in enumerate(
        zip(report.readings, report.loads, report.residuals, strict=True)
    ):
        side = "" if report.from_above is None else "above" if report.from_above[at] else "below"
        rows.append(
            [
                str(at + 1),
                f"{reading:.10g}",
                _signed(float(load) / factor, places).removeprefix("+"),
                _signed(float(left) / factor, places),
                _signed(100.0 * float(left) / report.span, _places(100.0 * step / report.span)),
                side,
            ]
        )
    if report.from_above is None:
        columns.pop()
        rows = [row[:-1] for row in rows]
    print_table(columns, rows, file=sys.stdout)
    echo_text()
    for sentence in [*_sentences(report, factor, symbol), *_about(done)]:
        echo_text(sentence)
    echo_cautions(("", caution) for caution in report.cautions)


def _step(done: Calibrated) -> float:
    """Load whose place is the last that rows are told to: the resolution, else of their scatter."""
    report = done.report
    farthest = report.linearity * report.span
    scatter = farthest / 10.0 if report.linearity > _EXACT else 0.0
    return max(done.resolution or scatter, report.span * (1e-6 if scatter else 1e-4))


def _places(step: float) -> int:
    return max(0, -math.floor(math.log10(step)))


def _sentences(report: CalibrationReport, factor: float, symbol: str) -> list[str]:
    """What the line is and how good, in plain words."""
    from strandwise.report.labels import format_interval, format_number, format_plus_minus

    line = report.line
    slope, sd = line.slope / factor, line.slope_sd
    many = 1000.0 if abs(slope) < _MANY else 1.0
    per = f"{'1000 ' if many > 1.0 else ''}{report.reading_unit}"
    per += "s" * (many > 1.0 and report.reading_unit == "count")
    own = format_plus_minus(slope * many, None if sd is None else sd / factor * many)
    law = f"Line: {own} {symbol} per {per}"
    ci95 = report.slope_ci95
    exact = ci95 is not None and report.linearity < _EXACT
    if exact:
        said = [
            f"Line: {format_number(slope * many, digits=6)} {symbol} per {per}. Every row lies on "
            "it to the last digit, as in a data sheet: that does not say how good it is."
        ]
    elif ci95 is None:
        said = [f"{law}; two rows tell nothing of its uncertainty."]
    else:
        ends = sorted(end / factor * many for end in ci95)
        between = format_interval((ends[0], ends[1])).strip("()").replace(" … ", " and ")
        said = [f"{law} (one standard uncertainty), with 95 % confidence between {between}."]
    if slope:
        absolute = "" if report.kind == "load-cell" else " absolute"
        at = f"{-line.intercept / line.slope:.6g} {report.reading_unit}"
        said.append(f"Its zero, 0 {symbol}{absolute}, is at a reading of {at}.".replace("-", "−"))
    if report.degrees_of_freedom > 0 and not exact:
        share = format_number(100.0 * report.linearity, digits=2)
        said.append(f"Linearity: the row farthest off the line lies {share} % of the span from it.")
    said.append(_hysteresis(report, factor, symbol))
    if report.repeatability is not None:
        share = format_number(100.0 * report.repeatability, digits=2)
        said.append(f"Repeats of a load scatter by {share} % of the span (standard deviation).")
    sd_of_one = report.reading_sd_at(report.readings.mean())
    if sd_of_one is not None and report.t95 is not None and not exact:
        half = format_number(report.t95 * float(sd_of_one) / factor, digits=2)
        said.append(
            f"One load read off it in the middle of the span is known to ± {half} {symbol} (95 %); "
            "an error that all known loads share is not in that."
        )
    return said


def _hysteresis(report: CalibrationReport, factor: float, symbol: str) -> str:
    from strandwise.report.labels import format_number

    found = report.hysteresis
    if found is None:
        return (
            "Hysteresis: not known, since no load was reached both from below and from above; go "
            "up and down again with the loads."
        )
    share = format_number(100.0 * abs(found.largest), digits=2)
    where = f"{format_number(found.at_load / factor)} {symbol}"
    way = "more" if found.largest > 0.0 else "less"
    return (
        f"Hysteresis: at {where} it reads {share} % of the span {way} from above than from below."
    )


def _about(done: Calibrated) -> list[str]:
    said = []
    if done.slope_change is not None:
        size = _signed(100.0 * done.slope_change, 2)
        said.append(f"Against the calibration that it replaces the slope changed by {size} %.")
    return [*said, *(f"Note: {remark}." for remark in done.remarks)]


def _signed(value: float, places: int) -> str:
    rounded = round(value, places) + 0.0
    return f"{rounded:+.{places}f}".replace("-", "−") if rounded else f"{0:.{places}f}"
