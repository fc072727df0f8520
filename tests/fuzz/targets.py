"""Every reader of files and texts as a function of bytes, for inputs that nobody wrote.

A reader may answer with findings or raise one of our own errors. Anything else that it raises is
a defect, and so is one input that takes seconds.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

from strandwise.cli import main
from strandwise.errors import StrandwiseError
from strandwise.findings import Finding
from strandwise.formulation import parse_weighings, resolve_recipes
from strandwise.records import (
    BATCH_FIELDS,
    INSTRUMENT_KINDS,
    STRAND_FIELDS,
    CampaignFolder,
    Instrument,
    PressureScale,
    load_of_row,
    parse_firing,
    read_calibration_table,
    read_campaign,
    read_motor,
    split_row,
    timing_fault,
    with_lines,
)
from strandwise.records.csvrecords import record_values
from strandwise.records.csvtable import parse_csv_table
from strandwise.records.field import Field
from strandwise.records.formulation_files import formulations_of, read_ingredients
from strandwise.records.instrument_files import parse_instruments
from strandwise.records.journal_entries import read_entry
from strandwise.records.settings_files import settings_of
from strandwise.records.textfiles import decode_text
from strandwise.records.tomltable import parse_toml_table
from strandwise.reduction.logfile import find_columns, load_columns, read_log
from strandwise.units import (
    Kind,
    kinds_of_unit,
    parse_heading,
    parse_number,
    parse_quantity,
    parse_unit,
    parse_unit_choice,
)
from strandwise.workflow.traces import with_trace_problems

__all__ = ["TARGETS", "Workshop", "expected"]

SCALE = PressureScale("gauge", 97716.6)
KINDS = tuple(Kind)
INGREDIENTS = """\
potassium-nitrate = { role = "oxidiser" }
sorbitol = { role = "fuel" }
calcium-carbonate = { role = "retarder" }
"""
CAMPAIGN = {
    "campaign.toml": 'title = "x"\nbaseline = "base"\naltitude = "300 m"\n',
    "formulations.toml": "[base]\ningredients = { potassium-nitrate = 65, sorbitol = 35 }\n",
    "batches.csv": "batch,formulation,mass (g)\nB-1,base,450\n",
    "strands.csv": "test,batch,length (mm),time (s),pressure (psig)\nS-1,B-1,60.4,12.13,149\n",
    "firings/F-1.toml": 'batch = "B-1"\n[grain]\nshape = "end-burner"\nouter_diameter = "38 mm"\n'
    'length = "75 mm"\n[trace]\nfile = "traces/F-1.csv"\ntime = "t (s)"\npressure = "p (psig)"\n',
    "traces/F-1.csv": "t,p\n0,0\n1,300\n2,0\n",
}
SPOILT = tuple(CAMPAIGN)


def expected(error: BaseException) -> bool:
    """Whether an error is one that a reader may raise."""
    return isinstance(error, StrandwiseError)


class Workshop:
    """The targets, and a folder in memory or on the disk for those that read files."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.bench = folder / "bench"
        self.campaign = CampaignFolder(self.bench, "c")
        for name, text in CAMPAIGN.items():
            self._put(self.campaign.path / name, text.encode("utf-8"))
        self._put(self.bench / "shared" / "ingredients.toml", INGREDIENTS.encode("utf-8"))
        self._put(self.bench / "shared" / "instruments.toml", b"")

    def _put(self, path: Path, content: bytes) -> Path:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        return path

    def quantity(self, data: bytes) -> None:
        """One text as everything that a text may be; the first byte chooses the kind."""
        text = data[1:].decode("utf-8", errors="surrogateescape")
        kind = KINDS[(data[0] if data else 0) % len(KINDS)]
        for read in (
            lambda: parse_quantity(text, kind),
            lambda: parse_unit(text, kind),
            lambda: parse_number(text),
            lambda: parse_heading(text),
            lambda: kinds_of_unit(text),
            lambda: parse_unit_choice(text),
        ):
            try:
                read()
            except StrandwiseError as error:
                str(error)

    def field(self, data: bytes) -> None:
        """One text as the value of a field, which the first byte chooses."""
        text = data[1:].decode("utf-8", errors="surrogateescape")
        fields = (*BATCH_FIELDS, *STRAND_FIELDS)
        field = fields[(data[0] if data else 0) % len(fields)]
        field.parse(text, SCALE)

    def weighings(self, data: bytes) -> None:
        """What was weighed into a batch."""
        parse_weighings(data.decode("utf-8", errors="surrogateescape"))

    def calibration_row(self, data: bytes) -> None:
        """A row of a calibration as an option gives it."""
        row = split_row(data.decode("utf-8", errors="surrogateescape"), "row 1")
        for kind in INSTRUMENT_KINDS:
            try:
                load_of_row(row, kind, SCALE)
            except StrandwiseError as error:
                str(error)

    def settings(self, data: bytes) -> None:
        """`campaign.toml`."""
        table = self._toml(data)
        if table is not None:
            for finding in (*settings_of(table).problems, *table.remarks):
                str(finding)

    def formulations(self, data: bytes) -> None:
        """`formulations.toml`, down to mass fractions."""
        table = self._toml(data)
        if table is not None:
            known, _, _ = read_ingredients(self.bench / "shared" / "ingredients.toml", "i.toml")
            specs, faults, remarks = formulations_of(table)
            for finding in (*faults, *remarks, *resolve_recipes(specs, known)[1]):
                str(finding)

    def ingredients(self, data: bytes) -> None:
        """`ingredients.toml`."""
        path = self._put(self.folder / "ingredients.toml", data)
        _, faults, remarks = read_ingredients(path, path.name)
        for finding in (*faults, *remarks):
            str(finding)

    def instruments(self, data: bytes) -> None:
        """`instruments.toml`."""
        content = decode_text(data, "x")
        if not isinstance(content, Finding):
            for findings in parse_instruments(content.text, "x", SCALE)[1:]:
                list(map(str, findings))

    def batches(self, data: bytes) -> None:
        """`batches.csv`."""
        self._csv(data, BATCH_FIELDS)

    def strands(self, data: bytes) -> None:
        """`strands.csv`."""
        self._csv(data, STRAND_FIELDS)

    def firing(self, data: bytes) -> None:
        """A firing's file."""
        content = decode_text(data, "x")
        if isinstance(content, Finding):
            return
        cell = Instrument(
            name="cell", kind="load-cell", reading_unit="count",
            readings=(0.0, 9.0), loads=(0.0, 9.0), source=decode_source(),
        )  # fmt: skip
        path = self.campaign.firing("F-1")
        firing, faults, remarks = parse_firing(
            content.text, path, self.campaign, SCALE, {"cell": cell}
        )
        for finding in with_lines([*faults, *remarks], self.campaign):
            str(finding)
        if firing is not None and firing.trace is not None:
            inside = firing.trace.file.resolve().is_relative_to(self.bench.resolve())
            assert inside, f"{firing.trace.file} is outside of the bench folder"

    def motor(self, data: bytes) -> None:
        """A motor's file."""
        path = self._put(self.folder / "motor.toml", data)
        read_motor(path, path.name, SCALE)

    def trace(self, data: bytes) -> None:
        """A raw logger file; the first byte chooses how its columns are named."""
        which = (data[0] if data else 0) % 4
        path = self._put(self.folder / "trace.csv", data[1:])
        log = read_log(path)
        wanted: list[list[str | int]] = [["t", "p"], [1, 2], ["time", "thrust"], [1, "p"]]
        units = ["s", "psig"] if which < 2 else ["ms", "N"]
        for read in (
            lambda: find_columns(log, wanted[which], units=units),
            lambda: load_columns(log, wanted[which], units=units, clock_scale=1.0),
        ):
            try:
                read()
            except StrandwiseError as error:
                str(error)

    def calibration_table(self, data: bytes) -> None:
        """A CSV file of a calibration."""
        path = self._put(self.folder / "calibration.csv", data)
        read_calibration_table(path, "load-cell")

    def journal(self, data: bytes) -> None:
        """An entry of a journal."""
        try:
            read_entry(data, 1)
        except ValueError as error:  # of the function's own
            str(error)

    def whole(self, data: bytes) -> None:
        """One file of a campaign spoilt, which the first byte chooses; then the whole is read."""
        name = SPOILT[(data[0] if data else 0) % len(SPOILT)]
        path = self.campaign.path / name
        before = path.read_bytes()
        try:
            path.write_bytes(data[1:])
            reading = with_trace_problems(read_campaign(self.campaign))
            for finding in (*reading.problems, *reading.remarks):
                str(finding)
        finally:
            path.write_bytes(before)

    def options(self, data: bytes) -> None:
        """Options of the commands that read no data; the first byte chooses the command."""
        texts = data[1:].decode("utf-8", errors="surrogateescape").replace("\0", " ").split("\n")
        texts = [*texts, "", "", ""][:3]
        bench = ["--bench", str(self.bench)]
        calls = (
            ["mix", "show", "c", texts[0]],
            ["mix", "derive", "c", "--put", texts[0], "--for", texts[1], "--dose", texts[2]],
            ["new", texts[0] or "c", "--recipe", texts[1], "--altitude", texts[2]],
            ["log", "strand", "c", "--test", texts[0], "--batch", "B-1", "--length", texts[1],
             "--time", "1 s", "--pressure", texts[2]],
            ["log", "batch", "c", "--batch", texts[0], "--formulation", "base", "--mass", texts[1],
             "--weighings", texts[2]],
            ["calibrate", texts[0], "--kind", "load-cell", "--row", texts[1], "--row", texts[2]],
            ["check", texts[0]],
            ["undo", texts[0]],
        )  # fmt: skip
        code = main([*bench, *calls[(data[0] if data else 0) % len(calls)]])
        assert code in (0, 1, 2), f"exit code {code}"

    def _toml(self, data: bytes):  # type: ignore[no-untyped-def]
        content = decode_text(data, "x")
        if isinstance(content, Finding):
            return None
        table, findings = parse_toml_table(content.text, "x", SCALE)
        list(map(str, findings))
        return table

    def _csv(self, data: bytes, fields: tuple[Field, ...]) -> None:
        content = decode_text(data, "x")
        if isinstance(content, Finding):
            return
        table, findings = parse_csv_table(content, "x", fields)
        if table is not None:
            read = record_values(table, fields, SCALE)
            findings += read.findings
            for _, values in read.records:
                timing_fault(values)
        list(map(str, findings))


def decode_source():  # type: ignore[no-untyped-def]
    """A place for a record that no file holds."""
    from strandwise.findings import Source

    return Source("x", 1)


def in_memory() -> str | None:
    """A folder that is no disk, where there is one."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def workshop() -> tuple[Workshop, tempfile.TemporaryDirectory[str]]:
    """A workshop and the folder that goes when it is no longer needed."""
    folder = tempfile.TemporaryDirectory(dir=in_memory(), prefix="strandwise-fuzz-")
    return Workshop(Path(folder.name)), folder


TARGETS: dict[str, Callable[[Workshop, bytes], None]] = {
    name: getattr(Workshop, name)
    for name in (
        "quantity", "field", "weighings", "calibration_row", "settings", "formulations",
        "ingredients", "instruments", "batches", "strands", "firing", "motor", "trace",
        "calibration_table", "journal", "whole", "options",
    )
}  # fmt: skip
