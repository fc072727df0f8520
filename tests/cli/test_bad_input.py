"""Files and options at fault: one clear message each, exit 1, and no file touched."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

STRANDS = Path("campaigns/demo/strands.csv")
ANALYSES = ("reduce", "fit", "compare")
SOUND = {
    "--test": "S-99",
    "--batch": "M-01",
    "--length": "60 mm",
    "--time": "9.9 s",
    "--pressure": "251 psig",
}


def cell(column: int, text: str) -> Callable[[Path], None]:
    """Put `text` into a column of the row of test S-002, in line 3."""

    def spoil(file: Path) -> None:
        lines = file.read_text(encoding="utf-8").splitlines()
        cells = lines[2].split(",")
        assert cells[0] == "S-002"
        cells[column] = text
        lines[2] = ",".join(cells)
        file.write_text("\n".join(lines) + "\n", encoding="utf-8")

    return spoil


def heading(old: str, new: str) -> Callable[[Path], None]:
    def spoil(file: Path) -> None:
        text = file.read_text(encoding="utf-8")
        assert text.count(old) == 1
        file.write_text(text.replace(old, new), encoding="utf-8")

    return spoil


def into_a_folder(file: Path) -> None:
    file.unlink()
    file.mkdir()


def not_utf_8(file: Path) -> None:
    file.write_bytes(
        file.read_bytes() + b"S-98,M-01,2026-03-21,60.4,12.13,149,166,19.4,,n\xe9ant\n"
    )


# What is spoilt, how, and what the message has to name: (file and line, field, words).
FILES = {
    "empty file": (lambda file: file.write_bytes(b""), "strands.csv: ", "no headings"),
    "missing column": (heading("length (mm)", "len (mm)"), "strands.csv:1, length", "no column"),
    "not UTF-8": (not_utf_8, "strands.csv:56", "UTF-8"),
    "a folder": (into_a_folder, "strands.csv: ", "folder"),
    "unknown unit": (heading("length (mm)", "length (mn)"), "strands.csv:1, length", "`mn`"),
}
ROWS = {
    "negative time": (cell(4, "-9.90"), "strands.csv:3, time", "`-9.90`"),
    "zero pressure": (cell(5, "0 psia"), "strands.csv:3, pressure", "`0 psia`"),
    "text in a number": (cell(3, "sixty"), "strands.csv:3, length", "`sixty`"),
    "unknown unit": (cell(3, "60 furlongs"), "strands.csv:3, length", "`furlongs`"),
    "duplicate test": (cell(0, "S-007"), "strands.csv:8, test", "`S-007`"),
    "unknown batch": (cell(1, "M-77"), "strands.csv:3, batch", "`M-77`"),
}
OPTIONS = {
    "unknown unit": ({"pressure": "251 psu"}, "--pressure: ", "`psu`"),
    "negative time": ({"time": "-9.9 s"}, "--time: ", "`-9.9 s`"),
    "zero pressure": ({"pressure": "0 psia"}, "--pressure: ", "`0 psia`"),
    "text in a number": ({"length": "sixty mm"}, "--length: ", "`sixty mm`"),
    "decimal comma": ({"length": "60,4 mm"}, "--length: ", "`60.4 mm`"),
    "no unit": ({"length": "60"}, "--length: ", "has no unit"),
    "duplicate test": ({"test": "S-002"}, "test `S-002` exists already", "strands.csv:3"),
    "duplicate of a firing": ({"test": "F-01"}, "test `F-01` exists already", "F-01.toml"),
    "unknown batch": ({"batch": "M-77"}, "--batch: ", "`M-77`"),
    "a path for a name": ({"test": "../S"}, "--test: ", "cannot be a name"),
    "length of 31.5 m": ({"length": "31.5 m"}, "not likely: length of 31500 mm", "--yes"),
    "rate of 5 m/s": ({"time": "0.06 s", "length": "300 mm"}, "not likely: burn rate of",
                      "5000 mm/s"),
}  # fmt: skip


def log_strand(run: Any, *options: str, **changes: str) -> Any:
    given = {**SOUND, **{f"--{name}": text for name, text in changes.items()}}
    words = [word for pair in given.items() for word in pair]
    return run("log", "strand", "demo", *words, *options)


@pytest.mark.parametrize("command", ANALYSES)
@pytest.mark.parametrize("fault", [*FILES.items(), *ROWS.items()], ids=lambda fault: fault[0])
def test_a_fault_in_a_file_stops_an_analysis(
    run: Any, bench: Path, digest: Any, fault: Any, command: str
) -> None:
    _, (spoil, place, words) = fault
    spoil(bench / STRANDS)
    before = digest(bench)
    for options in ([], ["--json"]):
        result = run(command, "demo", *options)
        assert (result.code, result.out) == (1, "")
        assert result.err.startswith(f"strandwise: campaigns/demo/{place}")
        assert words in result.err
        assert result.err.count("\n") == 1
    assert digest(bench) == before


@pytest.mark.parametrize("fault", [*FILES.items(), *ROWS.items()], ids=lambda fault: fault[0])
def test_check_names_the_place(run: Any, bench: Path, digest: Any, fault: Any) -> None:
    _, (spoil, place, words) = fault
    spoil(bench / STRANDS)
    before = digest(bench)
    result = run("check", "demo")
    assert (result.code, result.err) == (1, "")
    message, summary = result.out.splitlines()
    assert message.startswith(f"campaigns/demo/{place}")
    assert words in message
    assert summary == "demo: 1 problem in 1 file"
    problems = run("check", "demo", "--json")
    assert (problems.code, problems.err) == (1, "")
    (problem,) = problems.json["problems"]
    assert problem["file"] == "campaigns/demo/strands.csv"
    line = place.partition(":")[2].partition(",")[0].strip()
    assert problem["line"] == (int(line) if line else None)
    assert digest(bench) == before


@pytest.mark.parametrize("fault", FILES.items(), ids=lambda fault: fault[0])
def test_a_file_at_fault_gets_no_record(run: Any, bench: Path, digest: Any, fault: Any) -> None:
    _, (spoil, place, words) = fault
    spoil(bench / STRANDS)
    before = digest(bench)
    result = log_strand(run)
    assert (result.code, result.out) == (1, "")
    assert result.err.startswith(f"strandwise: campaigns/demo/{place}")
    assert words in result.err
    assert digest(bench) == before


@pytest.mark.parametrize("fault", OPTIONS.items(), ids=lambda fault: fault[0])
def test_a_strand_at_fault_is_not_recorded(run: Any, bench: Path, digest: Any, fault: Any) -> None:
    _, (changes, place, words) = fault
    before = digest(bench)
    for options in ([], ["--json"]):
        result = log_strand(run, *options, **changes)
        assert (result.code, result.out) == (1, "")
        assert result.err.startswith(f"strandwise: {place}")
        assert words in result.err
        assert result.err.count("\n") == 1
    assert digest(bench) == before


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--batch", "M-01", "--formulation", "base"), "batch `M-01` exists already"),
        (("--batch", "M-11", "--formulation", "bas"), "--formulation: "),
        (("--batch", "M-11", "--formulation", "base", "--mass", "-1 g"), "--mass: "),
        (("--batch", "M-11", "--formulation", "base", "--mixed", "1/2/26"), "--mixed: "),
        (("--batch", "M-11", "--formulation", "base", "--density", "18 g/cm3"), "not likely: "),
    ],
)
def test_a_batch_at_fault_is_not_recorded(
    run: Any, bench: Path, digest: Any, args: tuple[str, ...], said: str
) -> None:
    before = digest(bench)
    result = run("log", "batch", "demo", *args)
    assert (result.code, result.out) == (1, "")
    assert result.err.startswith(f"strandwise: {said}")
    assert result.err.count("\n") == 1
    assert digest(bench) == before


GRAIN = (
    "--test", "F-09", "--batch", "M-01", "--outer-diameter", "33 mm", "--core-diameter", "16 mm",
    "--length", "57.5 mm",
)  # fmt: skip
BY_HAND = ("--burn-time", "1.1 s", "--mean-pressure", "440 psig")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ((*GRAIN, *BY_HAND, "--test", "F-01"), "test `F-01` exists already"),
        ((*GRAIN, *BY_HAND, "--test", "S-001"), "test `S-001` exists already"),
        ((*GRAIN, *BY_HAND, "--test", "../F"), "--test: `../F` cannot be a name"),
        ((*GRAIN, *BY_HAND, "--batch", "M-77"), "--batch: "),
        ((*GRAIN, *BY_HAND, "--core-diameter", "35 mm"), "the new record, grain"),
        ((*GRAIN, *BY_HAND, "--outer-diameter", "33"), "--outer-diameter: `33` has no unit"),
        ((*GRAIN, *BY_HAND, "--length", "31.5 m"), "not likely: length of 31500 mm"),
        ((*GRAIN, *BY_HAND, "--inhibited", "outside"), "--inhibited: "),
        ((*GRAIN, "--trace-file", "nowhere.csv", "--trace-time", "t (s)", "--trace-pressure",
          "p (psig)"), "the trace nowhere.csv does not exist"),
        ((*GRAIN, "--trace-file", "campaigns", "--trace-time", "t (s)", "--trace-pressure",
          "p (psig)"), "the trace campaigns is a folder"),
        ((*GRAIN, "--trace-file", str(STRANDS), "--trace-time", "t (mm)", "--trace-pressure",
          "p (psig)"), "--trace-time: "),
    ],
)  # fmt: skip
def test_a_firing_at_fault_is_not_recorded(
    run: Any, bench: Path, digest: Any, args: tuple[str, ...], said: str
) -> None:
    before = digest(bench)
    result = run("log", "firing", "demo", *args)
    assert (result.code, result.out) == (1, "")
    assert result.err.startswith(f"strandwise: {said}")
    assert digest(bench) == before


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
@pytest.mark.parametrize("kind", ["pipe", "endless", "nothing"])
def test_a_trace_that_never_ends_is_not_waited_for(
    run: Any, bench: Path, digest: Any, kind: str
) -> None:
    path = Path("log.csv")
    if kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to("/dev/zero" if kind == "endless" else "/dev/null")
    trace = ("--trace-file", "log.csv", "--trace-time", "t (s)", "--trace-pressure", "p (psig)")
    before = digest(bench / "campaigns")
    for args in (
        ("log", "firing", "demo", *GRAIN, *trace),
        ("calibrate", "cell-9", "--kind", "load-cell", "--table", "log.csv"),
        ("forecast", "demo", "log.csv"),
    ):
        result = run(*args)
        assert (result.code, result.out) == (1, "")
        assert "plain file" in result.err or "no motor's file" in result.err
    assert digest(bench / "campaigns") == before


@pytest.mark.parametrize("mark", [".~lock.strands.csv#", "~$strands.csv"])
def test_a_table_that_a_spreadsheet_has_open_gets_no_record(
    run: Any, bench: Path, digest: Any, mark: str
) -> None:
    (bench / STRANDS).with_name(mark).write_text("somebody")
    before = digest(bench)
    result = log_strand(run)
    assert (result.code, result.out) == (1, "")
    assert result.err.startswith("strandwise: campaigns/demo/strands.csv is open in a spreadsheet")
    assert "save and close it there" in result.err
    assert digest(bench) == before
    assert run("check", "demo").code == 0


def test_check_reports_faults_of_every_file_at_once(run: Any, bench: Path) -> None:
    campaign = bench / "campaigns" / "demo"
    cell(4, "-9.90")(campaign / "strands.csv")
    heading("M-02,carbonate-10", "M-02,carbonat-10")(campaign / "batches.csv")
    heading('"33.0 mm"', '"33.0"')(campaign / "firings" / "F-01.toml")
    result = run("check", "demo", "--json")
    assert result.code == 1
    assert not result.json["ok"]
    assert {Path(problem["file"]).name for problem in result.json["problems"]} == {
        "F-01.toml", "batches.csv", "strands.csv"
    }  # fmt: skip
    assert json.dumps(result.json)
