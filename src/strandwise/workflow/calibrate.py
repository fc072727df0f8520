"""Calibrating an instrument: from known loads to a line, its worth, and `instruments.toml`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from strandwise.errors import RecordsError, RequestError, UnitError
from strandwise.records import (
    INSTRUMENT_KINDS,
    RAW_UNITS,
    TEST_FIELD,
    Bench,
    Field,
    PressureScale,
    journal_of,
    load_of_row,
    read_calibration_table,
    read_instruments,
    read_settings,
    shared_journal,
    split_row,
    try_instrument,
    write_instrument,
)
from strandwise.reduction import calibration_report_from_arrays, report_calibration
from strandwise.units import Kind, is_gauge, parse_quantity
from strandwise.workflow.new_record import read_for_logging
from strandwise.workflow.opening import pressure_scale, unknown_name

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from strandwise.records import CalibrationRow, CampaignFolder, Instrument
    from strandwise.reduction import CalibrationReport

__all__ = [
    "Calibrated",
    "NewCalibration",
    "calibrate_instrument",
    "calibration_in_place",
    "units_of_bench",
]

_STANDARD_ATMOSPHERE = 101325.0
_TELLING = 4  # rows; of fewer the interval of the slope is too wide to tell anything
_FEWEST = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class NewCalibration:
    """What a person measured.

    Parameters
    ----------
    name
        Of the instrument.
    kind, reading_unit
        As of `Instrument`; empty: of the instrument that is replaced, or, for the unit, that of
        the rows, else ``count``.
    rows
        Texts ``reading = load``.
    table
        CSV file with more rows; None: none.
    resolution
        Smallest step of the load, with its unit; empty where not stated.
    notes
        Whatever should be remembered.
    calibrated
        Day; None where not known.
    """

    name: str
    kind: str = ""
    reading_unit: str = ""
    rows: tuple[str, ...] = ()
    table: Path | None = None
    resolution: str = ""
    notes: str = ""
    calibrated: dt.date | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Calibrated:
    """A calibration and where it stands.

    Parameters
    ----------
    report
        Its line and how far to trust it.
    file
        Relative to the bench folder.
    slope_change
        Of the new slope against that of the calibration it replaced, as a share; None: none.
    resolution
        Smallest step of the load, N or Pa; None where not stated.
    remarks
        What the place of the entry brings with it, for a person.
    """

    report: CalibrationReport
    file: str
    resolution: float | None = None
    slope_change: float | None = None
    remarks: tuple[str, ...] = ()


def calibration_in_place(bench: Bench, folder: CampaignFolder | None, name: str) -> Calibrated:
    """Judge the calibration of an instrument as it stands in the files.

    Parameters
    ----------
    bench
        The bench folder.
    folder
        Campaign whose instrument it is, its own before the shared one; None: the shared one, else
        that of the only campaign that has one of that name.
    name
        Of the instrument.

    Raises
    ------
    RequestError
        There is no such instrument, or several campaigns have one.
    RecordsError
        Its entry, or its file, is at fault.
    """
    scale = _scale(folder)
    places = [bench.instruments] if folder is None else [folder.own_instruments, bench.instruments]
    known: list[str] = []
    for path in places:
        found = _read(path, bench, scale, name)
        if name in found:
            return Calibrated(
                report=report_calibration(found[name]),
                file=_shown(path, bench),
                resolution=found[name].resolution,
            )
        known += found
    if folder is None:
        owners = _owners(bench, name)
        if len(owners) > 1:
            names = ", ".join(f"`{owner}`" for owner in owners)
            msg = f"the campaigns {names} each have an instrument `{name}`"
            raise RequestError(msg, hint="say which with --campaign")
        if owners:
            return calibration_in_place(bench, bench.campaign(owners[0]), name)
    error = unknown_name("instrument", name, known)
    if not error.hint:
        error.hint = 'to calibrate a new one give its rows: --row "61231 = 0 N" …'
    raise error


def calibrate_instrument(
    bench: Bench,
    folder: CampaignFolder | None,
    new: NewCalibration,
    *,
    replace: bool,
    before_writing: Callable[[CalibrationReport], object] = lambda _: None,
) -> Calibrated:
    """Fit and judge a new calibration, and write it to `instruments.toml`.

    Parameters
    ----------
    bench
        The bench folder.
    folder
        Campaign that is to have the instrument for itself; None: shared by all.
    new
        What was measured.
    replace
        Whether an instrument of that name is calibrated anew; without it the name must be free.
    before_writing
        Called with the report once nothing stands in the way but the disk, such as to draw it.

    Raises
    ------
    RequestError, RecordsError, DataError, UnitError
        What was given, or the file, is at fault; nothing was changed.
    """
    path = bench.instruments if folder is None else folder.own_instruments
    scale = _scale(folder)
    name = _name(new.name)
    old = _read(path, bench, scale, name).get(name) if replace else None
    kind = _kind(new.kind, old)
    if old is not None and kind != old.kind:
        msg = f"`{name}` is a {old.kind}"
        raise RequestError(
            msg, expected=f"--kind {old.kind}", hint=f"give a {kind} a name of its own"
        )
    rows = [split_row(text, f"row {at}") for at, text in enumerate(new.rows, start=1)]
    if new.table is not None:
        rows += read_calibration_table(new.table, kind)
    if len(rows) < _FEWEST:
        msg = f"{len(rows)} row{'s' * (len(rows) != 1)} of a calibration"
        raise RequestError(msg, expected="at least two, over the whole range that is used")
    unit = _reading_unit(new.reading_unit or (old.reading_unit if old else ""), rows)
    if folder is None:
        _refuse_open_zeros(rows, kind)
    loads = [load_of_row(row, kind, scale) for row in rows]
    report = calibration_report_from_arrays(
        [row.reading for row in rows], loads, name=name, kind=kind, reading_unit=unit
    )
    _refuse_no_slope(report, len(rows))
    entry = _entry(new, kind, unit, rows, scale)
    try_instrument(path, _shown(path, bench), name, entry, replace=replace)
    before_writing(report)
    journal = shared_journal(bench) if folder is None else journal_of(folder)
    write_instrument(path, _shown(path, bench), name, entry, replace=replace, journal=journal)
    change = None
    if old is not None:
        change = report.line.slope / report_calibration(old).line.slope - 1.0
    return Calibrated(
        report=report,
        file=_shown(path, bench),
        resolution=_read(path, bench, scale, name)[name].resolution,
        slope_change=change,
        remarks=tuple(_remarks(bench, folder, name, kind)),
    )


def units_of_bench(bench: Bench) -> str:
    """Units that all campaigns of a bench folder show; ``metric`` where they differ."""
    found = set()
    for name in bench.campaign_names():
        folder = bench.campaign(name)
        settings = read_settings(folder.settings, folder.shown(folder.settings)).settings
        if settings is not None:
            found.add(settings.units)
    return found.pop() if len(found) == 1 else "metric"


def _refuse_no_slope(report: CalibrationReport, rows: int) -> None:
    """Refuse rows of which not even the sign of the slope is known."""
    interval = report.slope_ci95
    if interval is None or not interval[0] <= 0.0 <= interval[1] or rows < _TELLING:
        return
    farthest = int(np.argmax(np.abs(report.residuals)))
    msg = f"the readings of `{report.name}` do not follow the loads: the line's slope may be 0"
    raise RequestError(
        msg,
        expected="readings that rise, or fall, with the load",
        hint=f"row {farthest + 1} is the farthest off: look for a slip of the unit or of a digit; "
        "nothing was written",
    )


def _scale(folder: CampaignFolder | None) -> PressureScale:
    if folder is not None:
        return pressure_scale(read_for_logging(folder)[0])
    # Gauge loads of the shared file count from each campaign's own air; to judge the line, which
    # this only moves, the standard atmosphere does.
    return PressureScale("absolute", _STANDARD_ATMOSPHERE)


def _shown(path: Path, bench: Bench) -> str:
    return path.relative_to(bench.path).as_posix()


def _read(path: Path, bench: Bench, scale: PressureScale, name: str) -> dict[str, Instrument]:
    if not path.exists():
        return {}
    found, findings, _ = read_instruments(path, _shown(path, bench), scale)
    own = [f for f in findings if (f.source.field or name).partition(".")[0] == name]
    if own:
        raise RecordsError(own)
    return found


def _owners(bench: Bench, name: str) -> list[str]:
    """Campaigns that have an instrument of that name for themselves."""
    owners = []
    for campaign in bench.campaign_names():
        path = bench.campaign(campaign).own_instruments
        scale = PressureScale("absolute", _STANDARD_ATMOSPHERE)
        if path.exists() and name in read_instruments(path, _shown(path, bench), scale)[0]:
            owners.append(campaign)
    return owners


def _remarks(bench: Bench, folder: CampaignFolder | None, name: str, kind: str) -> list[str]:
    if folder is None:
        remarks = [
            f"campaigns/{owner} has its own `{name}`, which stays in use there"
            for owner in _owners(bench, name)
        ]
        if INSTRUMENT_KINDS[kind] is Kind.PRESSURE:
            remarks.append(
                "gauge pressures are shown here above the standard atmosphere; each campaign adds "
                "its own pressure of the air"
            )
        return remarks
    scale = PressureScale("absolute", _STANDARD_ATMOSPHERE)
    shared = bench.instruments
    if shared.exists() and name in read_instruments(shared, _shown(shared, bench), scale)[0]:
        return [f"in this campaign it takes the place of the shared `{name}`"]
    return []


def _name(text: str) -> str:
    try:
        return str(TEST_FIELD.parse(text, PressureScale()))
    except UnitError as error:
        msg = f"{error.message} of an instrument"
        raise RequestError(msg, expected=error.expected) from error


def _kind(stated: str, old: Instrument | None) -> str:
    kind = stated or ("" if old is None else old.kind)
    if kind not in INSTRUMENT_KINDS:
        msg = f"`{kind}` is no kind of instrument" if kind else "the kind of instrument is missing"
        wanted = " or ".join(f"--kind {known}" for known in INSTRUMENT_KINDS)
        raise RequestError(msg, expected=wanted)
    return kind


def _reading_unit(stated: str, rows: Sequence[CalibrationRow]) -> str:
    units = list(dict.fromkeys(row.reading_unit for row in rows if row.reading_unit))
    unit = stated or (units[0] if units else "count")
    if unit not in RAW_UNITS:
        msg = f"`{unit}` is no raw reading of a logger"
        raise RequestError(msg, expected=" or ".join(RAW_UNITS))
    for row in rows:
        if row.reading_unit not in ("", unit):
            msg = f"{row.place}: a reading in `{row.reading_unit}` among readings in `{unit}`"
            raise RequestError(msg, expected=f"all readings in {unit}")
    return unit


def _refuse_open_zeros(rows: Sequence[CalibrationRow], kind: str) -> None:
    """Refuse pressures that one campaign reads as absolute and another as gauge."""
    if INSTRUMENT_KINDS[kind] is not Kind.PRESSURE:
        return
    for row in rows:
        try:
            unit = parse_quantity(row.load, Kind.PRESSURE).unit
        except UnitError as error:
            msg = f"{row.place}: {error.message}"
            raise RequestError(msg, expected=error.expected, hint=error.hint) from error
        if is_gauge(unit, "gauge") != is_gauge(unit, "absolute"):
            msg = f"{row.place}: `{row.load}` does not say from where it counts"
            raise RequestError(
                msg,
                expected="a unit with its zero, such as psig, barg, MPag or psia, bara, MPaa",
                hint="the file is shared by all campaigns, which may read plain units differently",
            )


def _entry(
    new: NewCalibration,
    kind: str,
    unit: str,
    rows: Sequence[CalibrationRow],
    scale: PressureScale,
) -> dict[str, Any]:
    entry: dict[str, Any] = {"kind": kind, "reading_unit": unit}
    if new.calibrated is not None:
        entry["calibrated"] = new.calibrated
    entry["calibration"] = [
        {"reading": int(r.reading) if r.reading.is_integer() else r.reading, "load": r.load}
        for r in rows
    ]
    fields = (
        Field(name="resolution", help="", kind=INSTRUMENT_KINDS[kind], above=0.0),
        Field(name="notes", help="", form="text"),
    )
    for field, text in zip(fields, (new.resolution, new.notes), strict=True):
        if text:
            try:
                field.parse(text, scale)
            except UnitError as error:
                msg = f"{field.name}: {error.message}"
                raise RequestError(msg, expected=error.expected, hint=error.hint) from error
            entry[field.name] = text
    return entry
