"""Columns that a record names, looked for in the logger's file."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import RecordsError, RequestError
from strandwise.records import CampaignFolder, journal, read_campaign
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.traces import trace_problems, with_trace_problems

FIRING = """\
batch = "B-1"

[grain]
shape = "hollow-cylinder"
outer_diameter = "38 mm"
core_diameter = "12 mm"
length = "75 mm"

[trace]
file = "traces/F-1.csv"
time = "millis (ms)"
pressure = "chamber (psig)"
"""
TRACE = "millis,chamber\n0,0\n10,300\n20,0\n"
X = "firings/F-1.toml"


@pytest.fixture
def folder(tmp_path: Path) -> CampaignFolder:
    folder = CampaignFolder(tmp_path, "small")
    files = {
        "campaign.toml": 'title = "Invented"\nbaseline = "base"\naltitude = "300 m"\n',
        "formulations.toml": "[base]\ningredients = { nitrate = 65, sorbitol = 35 }\n",
        "ingredients.toml": 'nitrate = { role = "oxidiser" }\nsorbitol = { role = "fuel" }\n',
        "batches.csv": "batch,formulation\nB-1,base\n",
        "traces/F-1.csv": TRACE,
        X: FIRING,
    }
    for name, text in files.items():
        path = folder.path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def problems(folder: CampaignFolder) -> tuple[Any, ...]:
    return trace_problems(read_campaign(folder).sound())


def swap(folder: CampaignFolder, name: str, old: str, new: str) -> None:
    path = folder.path / name
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_columns_that_are_there(folder: CampaignFolder) -> None:
    assert problems(folder) == ()


@pytest.mark.parametrize(
    "content",
    [
        "millis;chamber (psig)\n0;0,5\n10;300,5\n",
        "logger 7\n\nmillis\tchamber\n0\t0\n10\t300\n",
        "millis=0 chamber=1\nmillis=10 chamber=300\nmillis=20 chamber=2\n",
        "Millis, Chamber\n0, 0\n10, 300\n",
    ],
    ids=["semicolons", "words above", "keyed", "capitals"],
)
def test_however_the_logger_writes_them(folder: CampaignFolder, content: str) -> None:
    (folder.path / "traces/F-1.csv").write_text(content, encoding="utf-8")
    assert problems(folder) == ()


@pytest.mark.parametrize(
    ("old", "new", "field", "line", "hint"),
    [
        ('"chamber (psig)"', '"chambre (psig)"', "trace.pressure", 12, "did you mean `chamber`?"),
        ('"millis (ms)"', '"time (ms)"', "trace.time", 11, "by number"),
        ('"millis (ms)"', '"column 3 (ms)"', "trace.time", 11, "column numbers"),
    ],
)
def test_a_column_that_is_not_there(
    folder: CampaignFolder, old: str, new: str, field: str, line: int, hint: str
) -> None:
    swap(folder, X, old, new)
    (problem,) = problems(folder)
    assert (problem.code, problem.source.field, problem.source.line) == (
        "unknown-column",
        field,
        line,
    )
    assert hint in problem.hint


def test_two_columns_that_are_not_there_are_two_problems(folder: CampaignFolder) -> None:
    swap(folder, X, "millis (ms)", "mills (ms)")
    swap(folder, X, "chamber (psig)", "champer (psig)")
    assert [problem.source.field for problem in problems(folder)] == [
        "trace.time",
        "trace.pressure",
    ]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"\x00\x01\x02" * 50, "is not text"),
        (b"only words\nand more of them\n", "no line of `F-1.csv` holds"),
    ],
    ids=["empty", "binary", "words"],
)
def test_a_file_that_is_no_log_is_one_problem(
    folder: CampaignFolder, content: bytes, said: str
) -> None:
    (folder.path / "traces/F-1.csv").write_bytes(content)
    (problem,) = problems(folder)
    assert (problem.code, problem.source.field) == ("bad-trace", "trace.file")
    assert said in problem.message


def test_a_channel_of_another_file_is_looked_for_there(folder: CampaignFolder) -> None:
    (folder.path / "traces/F-1b.csv").write_text("t,cell\n0,1\n1,5\n", encoding="utf-8")
    channel = '{ column = "cel", unit = "N", file = "traces/F-1b.csv", time = "t (s)" }'
    swap(folder, X, 'pressure = "chamber', f'thrust = {channel}\npressure = "chamber')
    (problem,) = problems(folder)
    assert problem.source.field == "trace.thrust"
    assert "`F-1b.csv` has no column headed `cel`" in problem.message


def test_a_changed_file_is_told_once(folder: CampaignFolder) -> None:
    swap(folder, X, 'file = "traces/F-1.csv"', f'file = "traces/F-1.csv"\nsha256 = "{"0" * 64}"')
    swap(folder, X, "chamber (psig)", "champer (psig)")
    (problem,) = with_trace_problems(read_campaign(folder)).problems
    assert problem.code == "trace-changed"


def test_a_firing_of_a_column_that_is_not_there_is_not_logged(
    folder: CampaignFolder, tmp_path: Path
) -> None:
    raw = tmp_path / "run.csv"
    raw.write_text(TRACE, encoding="utf-8")
    before = sorted(path.name for path in folder.path.rglob("*"))
    grain = {
        "shape": "hollow-cylinder",
        "outer_diameter": "38 mm",
        "core_diameter": "12 mm",
        "length": "75 mm",
    }
    tables = {
        "batch": "B-1",
        "grain": grain,
        "trace": {"time": "millis (ms)", "pressure": "chambre (psig)"},
    }
    with pytest.raises(RecordsError, match=r"`run\.csv` has no column headed `chambre`") as error:
        log_firing(folder, "F-2", tables, raw_trace=raw, confirmed=False)
    assert error.value.findings[0].source.field == "trace.pressure"
    assert sorted(path.name for path in folder.path.rglob("*")) == before


def two_loggers(tmp_path: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    gauge, cell = tmp_path / "gauge.csv", tmp_path / "cell.TXT"
    gauge.write_text(TRACE, encoding="utf-8")
    cell.write_text("t,F\n0,1\n1,5\n2,1\n", encoding="utf-8")
    grain = {
        "shape": "hollow-cylinder",
        "outer_diameter": "38 mm",
        "core_diameter": "12 mm",
        "length": "75 mm",
    }
    trace = {
        "time": "millis (ms)",
        "pressure": "chamber (psig)",
        "thrust": {"column": "F (N)", "time": "t (s)"},
    }
    files = {"raw_trace": gauge, "channel_traces": {"thrust": cell}}
    return {"batch": "B-1", "grain": grain, "trace": trace}, files


def test_two_logger_files_are_kept_each_with_its_digest(
    folder: CampaignFolder, tmp_path: Path
) -> None:
    tables, files = two_loggers(tmp_path)
    logged = log_firing(folder, "F-2", tables, **files, confirmed=True)
    firing = read_campaign(folder).sound().firings[1]
    assert firing.trace is not None
    assert firing.trace.thrust is not None
    for channel, name, raw in (
        (firing.trace, "F-2.csv", files["raw_trace"]),
        (firing.trace.thrust, "F-2-thrust.txt", files["channel_traces"]["thrust"]),
    ):
        assert channel.file == folder.traces / name
        assert channel.file.read_bytes() == raw.read_bytes()
        assert channel.sha256 == hashlib.sha256(raw.read_bytes()).hexdigest()
    assert logged.record.trace == firing.trace
    assert problems(folder) == ()


@pytest.mark.parametrize("failing", ["F-2.csv", "F-2-thrust.txt", "F-2.toml"])
def test_a_disk_that_is_full_keeps_none_of_the_two_files(
    folder: CampaignFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: str
) -> None:
    tables, files = two_loggers(tmp_path)

    def names() -> list[str]:
        return sorted(path.name for path in folder.path.rglob("*") if path.name != ".write.lock")

    before = names()
    for name in ("write_new", "write_bytes"):
        real = getattr(journal, name)

        def write(path: Path, *args: Any, real: Any = real, **more: Any) -> None:
            if path.name == failing:
                msg = "no space left"
                raise RequestError(msg)
            real(path, *args, **more)

        monkeypatch.setattr(journal, name, write)
    with pytest.raises(RequestError, match="no space left"):
        log_firing(folder, "F-2", tables, **files, confirmed=True)
    assert names() == before


def test_a_second_file_of_the_same_name_with_another_content_is_not_touched(
    folder: CampaignFolder, tmp_path: Path
) -> None:
    tables, files = two_loggers(tmp_path)
    there = folder.traces / "F-2-thrust.txt"
    there.write_text("t,F\n0,9\n", encoding="utf-8")
    with pytest.raises(RequestError, match=r"F-2-thrust\.txt exists already, with another content"):
        log_firing(folder, "F-2", tables, **files, confirmed=True)
    assert there.read_text(encoding="utf-8") == "t,F\n0,9\n"
    assert not (folder.traces / "F-2.csv").exists()
