from __future__ import annotations

import contextlib
import csv
import hashlib
import os
import re
import select
import signal
import sys
import time
import tomllib
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

STRANDS = Path("campaigns/demo/strands.csv")
BATCHES = Path("campaigns/demo/batches.csv")
FIRINGS = Path("campaigns/demo/firings")
STRAND = (
    "--test", "S-99", "--batch", "M-01", "--length", "60 mm", "--time", "9.9 s",
    "--pressure", "251 psig",
)  # fmt: skip
GRAIN = (
    "--test", "F-09", "--batch", "M-01", "--outer-diameter", "33 mm", "--core-diameter", "16 mm",
    "--length", "57.5 mm", "--segments", "2", "--inhibited", "outer, ends",
)  # fmt: skip


@pytest.mark.usefixtures("bench")
def test_a_strand_is_added_at_the_end_and_nothing_else_changes(run: Any) -> None:
    before = STRANDS.read_bytes()
    result = run("log", "strand", "demo", *STRAND)
    assert (result.code, result.err) == (0, "")
    # 60 mm in 9.9 s; 251 psig on an ambient 96.5 kPa: NIST SP 811, 1 psi = 6894.757 Pa.
    assert result.out == (
        "Logged test S-99 in campaigns/demo/strands.csv\nBurn rate 6.06 mm/s at 1.83 MPa absolute\n"
    )
    after = STRANDS.read_bytes()
    assert after.startswith(before)
    assert after[len(before) :].rstrip() == b"S-99,M-01,,60,9.9,251"
    assert run("check", "demo").code == 0


NOTES = {
    "particle_size": ("90 µm sieve", "90 µm sieve"),
    "cook_time": ("25 min", "25"),
    "hold_time": ("0.5 h", "30"),
    "cooling": ("in the oven", "in the oven"),
    "cure": ("3 d over silica gel", "3 d over silica gel"),
}


def row_of_batch(name: str) -> dict[str, str]:
    """A row of the table by the headings' first words."""
    with BATCHES.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    (row,) = [row for row in rows if row["batch"] == name]
    return {heading.split(" (")[0]: text for heading, text in row.items()}


@pytest.mark.usefixtures("bench")
def test_how_a_batch_was_made_is_kept(run: Any) -> None:
    words = [word for name, (text, _) in NOTES.items()
             for word in (f"--{name.replace('_', '-')}", text)]  # fmt: skip
    batch = ("--batch", "M-10", "--formulation", "base")
    result = run("log", "batch", "demo", *batch, *words)
    assert (result.code, result.err) == (0, "")
    row = row_of_batch("M-10")
    assert {name: row[name] for name in NOTES} == {name: kept for name, (_, kept) in NOTES.items()}
    assert run("check", "demo").code == 0
    # The batches that were there before have nothing in the new columns.
    assert not row_of_batch("M-01")["cook_time"]
    refused = run("log", "batch", "demo", *batch[:1], "M-11", *batch[2:], "--cook-time", "25")
    assert refused.code == 1
    assert refused.err.startswith("strandwise: --cook-time: ")


@pytest.mark.usefixtures("bench")
def test_what_is_not_likely_is_logged_if_it_is_meant(run: Any) -> None:
    assert run("log", "strand", "demo", *STRAND, "--length", "3 m").code == 1
    result = run("log", "strand", "demo", *STRAND, "--length", "3 m", "--yes")
    assert (result.code, result.err) == (0, "")
    assert "remark: " in run("check", "demo").out


@pytest.mark.usefixtures("bench")
def test_a_rate_unlike_its_batchs_is_asked_back(run: Any) -> None:
    before = STRANDS.read_bytes()
    slip = run("log", "strand", "demo", *STRAND, "--time", "99 s")
    assert slip.code == 1
    # Own computation: 60 mm / 99 s; 251 psig on an ambient 96.5 kPa.
    assert slip.err.startswith("strandwise: not likely: burn rate of 0.606 mm/s at 1.83 MPa")
    assert "other tests of batch `M-01`" in slip.err
    assert STRANDS.read_bytes() == before
    assert run("log", "strand", "demo", *STRAND, "--time", "99 s", "--yes").code == 0
    checked = run("check", "demo")
    assert (checked.code, checked.out.count("remark: ")) == (0, 1)
    assert checked.out.endswith("demo: no problem found; 1 remark to look at\n")


@pytest.mark.usefixtures("bench")
def test_a_trace_in_seconds_that_are_milliseconds_is_asked_back(run: Any) -> None:
    words = (
        "log", "firing", "demo", *GRAIN, "--trace-file", "campaigns/demo/traces/F-01.csv",
        "--trace-time", "millis (s)", "--trace-pressure", "p (psig)",
    )  # fmt: skip
    refused = run(*words)
    assert refused.code == 1
    assert "not likely: by its trace the burn lasts about" in refused.err
    assert not (FIRINGS / "F-09.toml").exists()
    assert run(*words, "--yes").code == 0
    checked = run("check", "demo")
    assert "F-09.toml" in checked.out
    assert "look at the unit of the clock" in checked.out


@pytest.mark.usefixtures("bench")
def test_a_reading_in_another_zero_than_the_column_s_stays_as_it_was_typed(run: Any) -> None:
    before = STRANDS.read_bytes()
    assert run("log", "strand", "demo", *STRAND, "--pressure", "1.83 MPa").code == 0
    assert STRANDS.read_bytes()[len(before) :].rstrip() == b"S-99,M-01,,60,9.9,1.83 MPa"
    (point,) = [p for p in run("reduce", "demo", "--json").json["points"] if p["test"] == "S-99"]
    assert point["pressure_MPa"] == pytest.approx(1.83, rel=1e-12)
    assert run("undo", "demo", "--yes").code == 0
    assert STRANDS.read_bytes() == before


@pytest.mark.usefixtures("bench")
def test_a_pressure_below_vacuum_is_told_in_its_own_unit(run: Any) -> None:
    told = run("log", "strand", "demo", *STRAND[:-2], "--pressure=-20 psig")
    assert told.code == 1
    # 96.5 kPa / 6.894757 kPa (NIST SP 811) is 14.00 psi.
    assert "absolute pressure of −6.004 psi, as the air is at 14 psi" in told.err


@pytest.mark.usefixtures("bench")
def test_one_more_wire_of_the_strand_logged_last(run: Any) -> None:
    assert run("log", "strand", "demo", *STRAND).code == 0
    more = ("--length", "30 mm", "--time", "4.9 s")
    assert run("log", "strand", "demo", *STRAND, *more).code == 1
    assert run("log", "strand", "demo", *STRAND, *more, "--wire").code == 0
    points = run("reduce", "demo", "--json").json["points"]
    assert [point["test"] for point in points].count("S-99") == 1


@pytest.mark.usefixtures("bench")
def test_video_frames_in_place_of_a_time(run: Any) -> None:
    words = [*STRAND[:6], "--frames", "2376", "--frame-rate", "240 frames/s", *STRAND[8:]]
    result = run("log", "strand", "demo", *words, "--json")
    assert result.json["rate_mm_s"] == pytest.approx(60 / (2376 / 240))


@pytest.mark.usefixtures("bench")
def test_a_firing_keeps_its_raw_trace_and_the_digest(run: Any) -> None:
    raw = Path("run7.CSV")
    raw.write_bytes(Path("campaigns/demo/traces/F-01.csv").read_bytes())
    result = run(
        "log", "firing", "demo", *GRAIN, "--trace-file", str(raw), "--trace-time", "millis (ms)",
        "--trace-pressure", "p (psig)",
    )  # fmt: skip
    assert (result.code, result.err) == (0, "")
    kept = tomllib.loads((FIRINGS / "F-09.toml").read_text(encoding="utf-8"))
    copy = Path("campaigns/demo") / kept["trace"]["file"]
    assert copy.read_bytes() == raw.read_bytes()
    assert kept["trace"]["sha256"] == hashlib.sha256(raw.read_bytes()).hexdigest()
    assert kept["grain"]["inhibited"] == ["outer", "ends"]
    assert run("check", "demo").code == 0
    firing = next(f for f in run("reduce", "demo", "--json").json["firings"] if f["test"] == "F-09")
    assert firing["pressure_from"] == "gauge"
    # The digest guards the copy.
    copy.write_bytes(copy.read_bytes() + b"99999,0\n")
    changed = run("check", "demo")
    assert changed.code == 1
    assert "is not the file that was logged" in changed.out


LIKE_F03 = (
    "--test", "F-09", "--batch", "M-06", "--outer-diameter", "33.0 mm", "--core-diameter",
    "16.0 mm", "--length", "57.5 mm", "--segments", "2", "--inhibited", "outer", "--mass",
    "137.4 g", "--throat-diameter", "5.90 mm", "--throat-diameter-after", "5.95 mm",
    "--exit-diameter", "13.0 mm", "--divergence-half-angle", "12 deg",
)  # fmt: skip


def two_loggers() -> tuple[str, str]:
    """The trace of F-03 as two loggers would have written it, each with its own clock."""
    lines = Path("campaigns/demo/traces/F-03.csv").read_text(encoding="utf-8").splitlines()[2:]
    rows = [line.split(",") for line in lines]
    Path("gauge.csv").write_text(
        "millis;p\n" + "".join(f"{row[0]};{row[1].replace('.', ',')}\n" for row in rows),
        encoding="utf-8",
    )
    # Switched on a while later, and as a second counts from a day long ago.
    late = rows[150:]
    Path("CELL.TXT").write_text(
        "epoch raw\n" + "".join(f"{1.7e9 + int(row[0]) / 1e3:.3f} {row[2]}\n" for row in late),
        encoding="utf-8",
    )
    return "gauge.csv", "CELL.TXT"


def firing_of(run: Any, test: str) -> Any:
    return next(f for f in run("reduce", "demo", "--json").json["firings"] if f["test"] == test)


@pytest.mark.usefixtures("bench")
def test_a_channel_from_a_second_logger(run: Any) -> None:
    gauge, cell = two_loggers()
    result = run(
        "log", "firing", "demo", *LIKE_F03, "--trace-file", gauge, "--trace-time", "millis (ms)",
        "--trace-pressure", "p (psig)", "--trace-thrust-file", cell,
        "--trace-thrust", "raw (count)", "--trace-thrust-time", "epoch (s)",
        "--trace-thrust-instrument", "cell-2",
    )  # fmt: skip
    assert (result.code, result.err) == (0, "")
    kept = tomllib.loads((FIRINGS / "F-09.toml").read_text(encoding="utf-8"))["trace"]
    for table, raw in ((kept, gauge), (kept["thrust"], cell)):
        copy = Path("campaigns/demo") / table["file"]
        assert copy.read_bytes() == Path(raw).read_bytes()
        assert table["sha256"] == hashlib.sha256(copy.read_bytes()).hexdigest()
    assert kept["thrust"]["file"] == "traces/F-09-thrust.txt"
    assert run("check", "demo").code == 0
    # The same firing as F-03, which one logger wrote; the clocks are set by the rise.
    one, two = firing_of(run, "F-03"), firing_of(run, "F-09")
    assert two["pressure_from"] == "gauge"
    for name in ("burn_time_s", "rate_mean_pressure_MPa", "characteristic_velocity_m_s"):
        assert two[name] == pytest.approx(one[name], rel=1e-6)
    for name in ("total_impulse_N_s", "mean_thrust_N", "thrust_coefficient"):
        assert two[name] == pytest.approx(one[name], rel=5e-3)
    assert any("F-09-thrust.txt" in line for line in two["account"])
    # Each copy is guarded by its own digest.
    copy = Path("campaigns/demo/traces/F-09-thrust.txt")
    copy.write_bytes(copy.read_bytes() + b"1700000099 0\n")
    changed = run("check", "demo", "--json").json["problems"]
    assert [(p["code"], p["field"]) for p in changed] == [("trace-changed", "trace.thrust.sha256")]


@pytest.mark.usefixtures("bench")
def test_both_files_of_a_firing_go_and_come_back_together(run: Any) -> None:
    gauge, cell = two_loggers()
    words = (
        "log", "firing", "demo", *LIKE_F03, "--trace-file", gauge, "--trace-time", "millis (ms)",
        "--trace-pressure", "p (psig)", "--trace-thrust-file", cell,
        "--trace-thrust", "raw (count)", "--trace-thrust-time", "epoch (s)",
        "--trace-instrument", "cell-2",
    )  # fmt: skip
    assert run(*words).code == 0
    traces = Path("campaigns/demo/traces")
    names = {"F-09.csv", "F-09-thrust.txt"}
    assert names <= {path.name for path in traces.iterdir()}
    assert run("undo", "demo", "--yes").code == 0
    assert not names & {path.name for path in traces.iterdir()}
    assert run("undo", "demo", "--redo", "--yes").code == 0
    assert names <= {path.name for path in traces.iterdir()}
    assert run("check", "demo").code == 0
    assert run("undo", "demo", "--yes").code == 0
    # The names are free again, for another content too.
    Path(cell).write_text(Path(cell).read_text(encoding="utf-8") + "1700000099.0 0\n")
    assert run(*words).code == 0


@pytest.mark.parametrize(
    ("more", "option", "said"),
    [
        (("--trace-thrust-file", "CELL.TXT"), "--trace-thrust", "names no column"),
        (
            ("--trace-thrust-file", "CELL.TXT", "--trace-thrust", "row (N)", "--trace-thrust-time",
             "epoch (s)"),
            "--trace-thrust",
            "`CELL.TXT` has no column headed `row`",
        ),
        (
            ("--trace-thrust-file", "CELL.TXT", "--trace-thrust", "raw (N)", "--trace-thrust-time",
             "epok (s)"),
            "--trace-thrust",
            "`CELL.TXT` has no column headed `epok`",
        ),
        (
            ("--trace-thrust-file", "CELL.TXT", "--trace-thrust", "raw (N)",
             "--trace-thrust-sample-rate", "500"),
            "--trace-thrust-sample-rate",
            "`500` has no unit",
        ),
        (
            ("--trace-thrust-file", "CELL.TXT", "--trace-thrust", "raw (count)",
             "--trace-thrust-time", "epoch (s)", "--trace-thrust-instrument", "cell-9"),
            "--trace-thrust-instrument",
            "there is no instrument `cell-9`",
        ),
        (
            ("--trace-thrust-file", "nowhere.txt", "--trace-thrust", "raw (N)"),
            "the trace nowhere.txt",
            "does not exist",
        ),
    ],
)  # fmt: skip
def test_a_second_logger_at_fault(
    run: Any, bench: Path, digest: Any, more: tuple[str, ...], option: str, said: str
) -> None:
    gauge, _ = two_loggers()
    before = digest(bench)
    result = run(
        "log", "firing", "demo", *LIKE_F03, "--trace-file", gauge, "--trace-time", "millis (ms)",
        "--trace-pressure", "p (psig)", *more,
    )  # fmt: skip
    assert result.code == 1
    assert result.err.startswith(f"strandwise: {option}")
    assert said in result.err
    assert digest(bench) == before


@pytest.mark.usefixtures("bench")
def test_a_second_file_needs_the_first(run: Any) -> None:
    _, cell = two_loggers()
    result = run("log", "firing", "demo", *LIKE_F03, "--trace-thrust-file", cell)
    assert result.code == 2
    assert "Missing option --trace-file" in result.err
    two = ("--trace-thrust-file", cell, "--trace-pressure-file", cell)
    result = run("log", "firing", "demo", *LIKE_F03, *two)
    assert "--trace-file (one of the files given goes there)" in " ".join(result.err.split())


@pytest.mark.usefixtures("bench")
def test_counts_need_their_instrument(run: Any) -> None:
    trace = ("--trace-file", "campaigns/demo/traces/F-02.csv")
    heading = Path(trace[1]).read_text(encoding="utf-8").splitlines()
    names = next(line for line in heading if not line.startswith("#")).split(",")
    channels = ("--trace-time", f"{names[0]} (ms)", "--trace-thrust", f"{names[-1]} (count)")
    refused = run("log", "firing", "demo", *GRAIN, *trace, *channels)
    assert refused.code == 2
    told = " ".join(refused.err.split())
    assert "Missing option --trace-instrument (of instruments.toml, whose calibration" in told
    own = ("--trace-thrust-instrument", "cell-9")
    refused = run("log", "firing", "demo", *GRAIN, *trace, *channels, *own)
    assert refused.code == 1
    assert refused.err.startswith("strandwise: --trace-thrust-instrument: there is no instrument")
    logged = run(
        "log", "firing", "demo", *GRAIN, *trace, *channels, "--trace-instrument", "cell-2",
        "--throat-diameter", "6.6 mm",
    )  # fmt: skip
    assert (logged.code, logged.err) == (0, "")


@pytest.mark.usefixtures("bench")
def test_a_campaign_in_inches_is_answered_in_inches(run: Any) -> None:
    settings = Path("campaigns/demo/campaign.toml")
    text = settings.read_text(encoding="utf-8").replace('"metric"', '"inch-pound"')
    settings.write_text(text, encoding="utf-8")
    result = run("log", "strand", "demo", *STRAND)
    # 60 mm / 25.4 / 9.9 s; 251 psi + 96.5 kPa / 6.894757 kPa.
    assert "Burn rate 0.239 in/s at 265 psi absolute" in result.out


class Terminal:
    """The program on a terminal of its own, answered like a person would."""

    def __init__(self, args: Sequence[str], answers: Sequence[str], columns: int = 100) -> None:
        import pty

        self._child, self._end = pty.fork()
        if self._child == 0:
            os.environ |= {"TERM": "dumb", "COLUMNS": str(columns)}
            os.execv(sys.executable, [sys.executable, "-m", "strandwise", *args])
        self.text = ""
        asked = 0
        left = list(answers)
        while self._read():
            prompt = self.text[asked:].splitlines()[-1:] or [""]
            if prompt[0].endswith(": "):
                answer = left.pop(0) if left else "\x04"
                asked = len(self.text)
                self._write(answer)
        # The end is closed last: closing it hangs up on a program that is still about to leave.
        self.code = os.waitstatus_to_exitcode(os.waitpid(self._child, 0)[1])
        os.close(self._end)
        self.unused = left

    def _write(self, answer: str) -> None:
        if answer in ("\x03", "\x04"):
            # Python loses a signal between the prompt and its read; a hand is never that quick.
            time.sleep(0.3)
            os.write(self._end, answer.encode())
        else:
            os.write(self._end, f"{answer}\n".encode())

    def _read(self) -> bool:
        if not select.select([self._end], [], [], 20.0)[0]:
            os.kill(self._child, signal.SIGKILL)
            pytest.fail(f"nobody answered the program, which said:\n{self.text}")
        data = b""
        with contextlib.suppress(OSError):  # how Linux says that the other end is closed
            data = os.read(self._end, 65536)
        self.text += data.decode(errors="replace").replace("\r\n", "\n")
        return bool(data)


on_a_terminal = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")


@on_a_terminal
def test_what_is_not_likely_is_told_in_the_unit_asked_for(bench: Path) -> None:
    settings = bench / "campaigns" / "demo" / "campaign.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(re.sub(r'(?m)^units = ".*"', 'units = "inch-pound"', text))
    told = Terminal(
        ["log", "strand", "demo", "--test", "S-99", "--batch", "M-02"],
        ["60 in", "n", "3 in", "9.9 s", "300 psig", "", "", "", "n"],
    )
    assert (told.code, told.unused) == (1, [])
    # 2 mm and 1 m, the ends of what is likely, at 25.4 mm to the inch (NIST SP 811, B.8).
    said = " ".join(told.text.split())
    assert "60.00 in is not likely (likely: 0.07874 in to 39.37 in)" in said


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_a_terminal_asks_for_what_is_missing_until_it_can_be_used() -> None:
    told = Terminal(
        ["log", "strand", "demo", "--batch", "M-02"],
        ["", "S-001", "S-99", "60", "31.5 m", "n", "60 mm", "9,9 s", "9.9 s", "251 psig", "", "",
         "wind from the west", ""],
    )  # fmt: skip
    assert (told.code, told.unused) == (0, [])
    for words in (
        "this one is needed",
        "`S-001` exists already",
        "`60` has no unit",
        "31500 mm is not likely",
        "write `9.9 s`",
        "Burn rate 6.06 mm/s at 1.83 MPa absolute",
        "Save it? [Y/n]",
        "Logged test S-99",
    ):
        assert words in " ".join(told.text.split())
    today = datetime.now().astimezone().date().isoformat()
    row = STRANDS.read_text(encoding="utf-8").splitlines()[-1]
    assert row == f"S-99,M-02,{today},60,9.9,251,,,,wind from the west"


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_a_terminal_asks_about_frames_if_there_is_no_time() -> None:
    told = Terminal(
        ["log", "strand", "demo", "--test", "S-99", "--batch", "M-01", "--length", "60 mm",
         "--pressure", "251 psig"],
        ["", "2376", "240 frames/s", "", "", "", "y"],
    )  # fmt: skip
    assert (told.code, told.unused) == (0, [])
    assert "Burn rate 6.06 mm/s" in told.text


@on_a_terminal
def test_no_saves_nothing_and_says_how_to_go_on(bench: Path, digest: Any) -> None:
    before = digest(bench)
    told = Terminal(
        ["log", "batch", "demo"],
        ["M-10", "bas", "base", "", "450 g", *[""] * 9, "n"],
    )
    assert (told.code, told.unused) == (1, [])
    assert "there is no formulation `bas`; did you mean `base`?" in told.text
    assert "Nothing was saved." in told.text
    assert "strandwise log batch demo --batch M-10 --formulation base" in told.text
    assert "--mass '450 g'" in told.text
    assert digest(bench) == before


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_a_terminal_asks_how_a_batch_was_made() -> None:
    told = Terminal(
        ["log", "batch", "demo"],
        ["M-10", "base", "", "450 g", "", "90 µm sieve", "", "", "25 min", "0.5 h", "in the oven",
         "3 d over silica gel", "", "y"],
    )  # fmt: skip
    assert (told.code, told.unused) == (0, [])
    row = row_of_batch("M-10")
    assert {name: row[name] for name in NOTES} == {name: kept for name, (_, kept) in NOTES.items()}


@on_a_terminal
@pytest.mark.parametrize(("answer", "code"), [("n", 1), ("y", 0)])
def test_a_terminal_asks_whether_the_unlikely_is_meant(
    bench: Path, digest: Any, answer: str, code: int
) -> None:
    before = digest(bench)
    told = Terminal(["log", "strand", "demo", *STRAND, "--time", "0.06 s"], [answer])
    assert (told.code, told.unused) == (code, [])
    assert "Not likely: burn rate of 1000 mm/s" in told.text
    assert "Is it meant? [y/N]" in told.text
    assert (digest(bench) == before) == bool(code)


@on_a_terminal
@pytest.mark.parametrize("key", ["\x03", "\x04"])
def test_leaving_the_questions_saves_nothing(bench: Path, digest: Any, key: str) -> None:
    before = digest(bench)
    told = Terminal(["log", "strand", "demo"], ["S-99", key])
    assert (told.code, told.unused) == (130, [])
    assert "Traceback" not in told.text
    assert digest(bench) == before


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_a_firing_is_asked_for_part_by_part() -> None:
    told = Terminal(
        ["log", "firing", "demo"],
        ["F-09", "M-01", "", "33 mm", "16 mm", "57.5 mm", "2", "", "outer", "6.6 mm", "", "",
         "nowhere.csv", "campaigns/demo/traces/F-01.csv", "millis (ms)", "", "", "p (psig)",
         "", "2026-05-02", "18 degC", "", "y"],
    )  # fmt: skip
    assert (told.code, told.unused) == (0, [])
    for heading in ("The grain\n", "The nozzle\n", "The readings\n"):
        assert heading in told.text
    assert "`nowhere.csv` is not a file" in told.text
    # 33 mm outside, 16 mm inside: (33 − 16) / 2, and π/4·6.6² mm², said before the question.
    before, _, _ = told.text.partition("Save it? [Y/n]")
    assert "web            8.500 mm" in before
    assert "throat area    34.21 mm²" in before
    assert "####" in before
    assert "One of the two is needed." in told.text
    kept = tomllib.loads((FIRINGS / "F-09.toml").read_text(encoding="utf-8"))
    assert kept["grain"]["shape"] == "hollow-cylinder"
    assert kept["trace"]["pressure"] == "p (psig)"
    assert str(kept["date"]) == "2026-05-02"


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_a_second_logger_is_asked_for() -> None:
    gauge, cell = two_loggers()
    told = Terminal(
        ["log", "firing", "demo", *LIKE_F03, "--trace-file", gauge],
        ["", "millis (ms)", "p (psig)", "", "nowhere.txt", cell, "raw (count)", "", "500 Hz",
         "cell-2", "2026-05-02", "", "", "y"],
    )  # fmt: skip
    assert (told.code, told.unused) == (0, []), told.text
    assert "Thrust file: of a second logger" in told.text
    kept = tomllib.loads((FIRINGS / "F-09.toml").read_text(encoding="utf-8"))["trace"]
    thrust = kept["thrust"]
    assert (thrust["column"], thrust["unit"], thrust["instrument"]) == ("raw", "count", "cell-2")
    assert (thrust["sample_rate"], thrust["file"]) == ("500 Hz", "traces/F-09-thrust.txt")


READ = ("--throat-diameter", "6.6 mm", "--burn-time", "1.1 s", "--mean-pressure", "440 psig")


@on_a_terminal
@pytest.mark.parametrize(("answer", "code"), [("n", 1), ("", 0)])
def test_a_firing_given_as_options_is_drawn_back_before_it_is_saved(
    bench: Path, digest: Any, answer: str, code: int
) -> None:
    before = digest(bench)
    told = Terminal(["log", "firing", "demo", *GRAIN, *READ], [answer])
    assert (told.code, told.unused) == (code, [])
    assert "Kn             169 as it lights" in told.text  # π·16·115 / (π/4·6.6²)
    assert told.text.index("Kn ") < told.text.index("Save it? [Y/n]")
    assert (digest(bench) == before) == bool(code)
    assert ("Nothing was saved." in told.text) == bool(code)


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_with_yes_nothing_is_asked() -> None:
    told = Terminal(["log", "firing", "demo", *GRAIN, *READ, "--yes"], [])
    assert told.code == 0
    assert "Save it?" not in told.text
    assert "Kn             169 as it lights" in told.text


@on_a_terminal
@pytest.mark.parametrize(("answer", "code"), [("", 1), ("y", 0)])
def test_an_unlikely_firing_is_not_saved_by_a_bare_enter(
    bench: Path, digest: Any, answer: str, code: int
) -> None:
    before = digest(bench)
    told = Terminal(["log", "firing", "demo", *GRAIN, *READ, "--mass", "170 g"], [answer])
    assert (told.code, told.unused) == (code, [])
    assert "Not likely: mass and sizes of the grain make a density of 2.2" in told.text
    assert "Is that meant, and is it to be saved? [y/N]" in told.text
    assert (digest(bench) == before) == bool(code)


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_unequal_lengths_are_asked_for_where_there_is_no_one_length() -> None:
    told = Terminal(
        ["log", "firing", "demo", "--test", "F-09", "--batch", "M-01", *READ, "--shape",
         "hollow-cylinder", "--mass", "101 g", "--inhibited", "outer", "--date", "2026-05-02"],
        ["33 mm", "16 mm", "", "57.5", "57.5 mm, 30 mm", "", "", "", "", "", "", "", ""],
    )  # fmt: skip
    assert told.code == 0, told.text
    assert "`57.5` has no unit" in told.text
    kept = tomllib.loads((FIRINGS / "F-09.toml").read_text(encoding="utf-8"))["grain"]
    assert kept["lengths"] == ["57.5 mm", "30 mm"]


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_several_cores_are_asked_for() -> None:
    told = Terminal(
        ["log", "firing", "demo", "--test", "F-09", "--batch", "M-01", "--shape", "multi-core",
         *READ],
        ["33 mm", "6 mm", "4", "17 mm", "57.5 mm", "", "2", "", "outer", "6.65 mm", "6.7 mm",
         "", "", "", "", "", "", "", ""],
    )  # fmt: skip
    assert told.code == 0, told.text
    kept = tomllib.loads((FIRINGS / "F-09.toml").read_text(encoding="utf-8"))["grain"]
    assert (kept["cores"], kept["circle_diameter"], kept["segments"]) == (4, "17 mm", 2)


@on_a_terminal
@pytest.mark.usefixtures("bench")
def test_answers_leave_standard_output_to_the_json(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    script = f'"{sys.executable}" -m strandwise log batch demo --json > "{out}"'
    import pty

    child, end = pty.fork()
    if child == 0:
        os.execv("/bin/sh", ["/bin/sh", "-c", script])
    os.write(end, b"M-10\nbase\n" + b"\n" * 11 + b"y\n")
    with contextlib.suppress(OSError):
        while os.read(end, 65536):
            pass
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    assert out.read_text(encoding="utf-8").startswith('{\n  "file": "campaigns/demo/batches.csv"')


@on_a_terminal
@pytest.mark.usefixtures("empty")
def test_new_asks_for_the_recipe() -> None:
    assert Terminal(["init", "."], []).code == 0
    told = Terminal(["new", "chalk"], ["sorbitol", "potassium-nitrate 65, sorbitol 35"])
    assert (told.code, told.unused) == (0, [])
    assert "`sorbitol` is no amount of an ingredient" in told.text
    assert Terminal(["mix", "show", "chalk"], []).code == 0


@on_a_terminal
@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("columns", [60, 80, 100, 160])
def test_a_table_fits_the_terminal_and_keeps_every_batch(columns: int) -> None:
    told = Terminal(["fit", "demo"], [], columns)
    assert told.code == 0
    table = told.text.partition("rate = a")[0]
    assert max(map(len, table.splitlines())) <= columns
    for number in range(1, 10):
        assert f"M-0{number}" in table
