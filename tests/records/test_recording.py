"""Logging: records join a campaign's files one by one, whoever else is writing."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import RecordsError, RequestError
from strandwise.records import StrandReading
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.recording import log_batch, log_strand

STRAND = {"test": "S-9", "batch": "B-1", "length": "80 mm", "time": "11.2 s", "pressure": "2 MPa"}
GRAIN = {
    "shape": "hollow-cylinder",
    "outer_diameter": "38 mm",
    "core_diameter": "12 mm",
    "length": "75 mm",
    "segments": 2,
}
SUMMARY = {"burn_time": "1.9 s", "mean_pressure": "440 psig"}
CHANNELS = {"time": "millis (ms)", "pressure": "p (psig)"}


def test_a_strand_and_a_batch(small: Any) -> None:
    before = small.text("strands.csv")
    logged = log_batch(
        small.folder, {"batch": "B-3", "formulation": "base", "mass": "1 lb"}, confirmed=False
    )
    assert logged.file == "campaigns/small/batches.csv"
    log_strand(small.folder, STRAND | {"batch": "B-3", "notes": "windy"}, confirmed=False)
    campaign = small.read().sound()
    # The avoirdupois pound is 0.45359237 kg exactly: NIST SP 811 (2008), appendix B.8.
    assert campaign.batches["B-3"].mass == 0.45359237
    new = campaign.strands[-1]
    assert (new.test, new.length, new.time, new.pressure) == ("S-9", 0.08, 11.2, 2e6)
    head, _, rest = before.partition("\n")
    assert small.text("strands.csv").startswith(f"{head},notes\n{rest}")


def test_the_first_strand_makes_its_file(small: Any) -> None:
    small.file("strands.csv").unlink()
    log_strand(small.folder, STRAND, confirmed=False)
    assert [s.test for s in small.read().sound().strands] == ["S-9"]


@pytest.mark.parametrize(
    ("changes", "error", "said"),
    [
        ({"test": "S-1"}, RequestError, "test `S-1` exists already"),
        ({"test": "s-1"}, RequestError, "differs from `S-1` only in capitals"),
        ({"test": "f-1"}, RequestError, "differs from `F-1` only in capitals"),
        ({"test": "F-1"}, RequestError, "test `F-1` exists already"),
        ({"test": "../x"}, RecordsError, "cannot be a name"),
        ({"batch": "B-9"}, RecordsError, "`B-9`, which is not in"),
        ({"length": "31.5 m"}, RequestError, "not likely: length of 31500 mm"),
        ({"length": "80"}, RecordsError, "`80` has no unit"),
        ({"time": "16 ms"}, RequestError, "burn rate of 5000 mm/s"),
        ({"notes": "\udcff"}, RecordsError, "cannot keep"),
    ],
)
def test_what_is_wrong_is_not_logged(
    small: Any, changes: dict[str, str], error: type[Exception], said: str
) -> None:
    before = small.snapshot()
    with pytest.raises(error, match=said):
        log_strand(small.folder, STRAND | changes, confirmed=False)
    assert small.snapshot() == before


def test_what_is_not_likely_may_be_meant(small: Any) -> None:
    logged = log_strand(small.folder, STRAND | {"length": "31.5 m"}, confirmed=True)
    assert isinstance(logged.record, StrandReading)
    assert logged.record.length == 31.5


def test_wires_follow_each_other(small: Any) -> None:
    log_strand(small.folder, STRAND, confirmed=False)
    wire = STRAND | {"length": "40 mm", "time": "5.7 s"}
    log_strand(small.folder, wire, confirmed=False, wire=True)
    assert [s.test for s in small.read().sound().strands[-2:]] == ["S-9", "S-9"]
    for name in ("S-1", "S-77", "F-1"):
        with pytest.raises(RequestError, match=f"`{name}` is not the strand that was logged last"):
            log_strand(small.folder, wire | {"test": name}, confirmed=False, wire=True)


@pytest.mark.parametrize("name", ["B-1", "b-1"])
def test_a_batch_has_a_name_of_its_own(small: Any, name: str) -> None:
    with pytest.raises(RequestError, match=r"exists already|only in capitals"):
        log_batch(small.folder, {"batch": name, "formulation": "base"}, confirmed=False)


def test_faults_elsewhere_do_not_stand_in_the_way(small: Any) -> None:
    small.swap("formulations.toml", "sorbitol = 35", "sorbitl = 35")
    small.swap("firings/F-1.toml", '"38 mm"', '"38"')
    small.swap("strands.csv", "9.90", "fast")
    log_strand(small.folder, STRAND, confirmed=False)
    assert small.text("strands.csv").splitlines()[-1].startswith("S-9,B-1,,80,11.2,")


@pytest.mark.parametrize(
    ("old", "new"), [("300 m", "300"), ("altitude", 'pressure_readings = "gage"\naltitude')]
)
def test_with_faulty_settings_nothing_is_logged(small: Any, old: str, new: str) -> None:
    small.swap("campaign.toml", old, new)
    before = small.snapshot()
    with pytest.raises(RecordsError, match=r"campaign\.toml") as error:
        log_strand(small.folder, STRAND, confirmed=False)
    assert {f.source.path for f in error.value.findings} == {"campaigns/small/campaign.toml"}
    assert small.snapshot() == before


def test_a_firing_by_hand(small: Any) -> None:
    logged = log_firing(
        small.folder,
        "F-2",
        {"batch": "B-1", "date": "2026-05-02", "grain": GRAIN, "summary": SUMMARY},
        raw_trace=None,
        confirmed=False,
    )
    assert logged.file == "campaigns/small/firings/F-2.toml"
    one, two = small.read().sound().firings
    assert (one.test, two.test) == ("F-1", "F-2")
    assert two.summary == logged.record.summary  # type: ignore[union-attr]


def test_a_firing_with_its_trace(small: Any, tmp_path: Path) -> None:
    raw = tmp_path / "LOG00007.TXT"
    raw.write_bytes(b"millis,p\n0,0\n10,300\n")
    tables = {"batch": "B-1", "grain": GRAIN, "trace": CHANNELS}
    log_firing(small.folder, "F-2", tables, raw_trace=raw, confirmed=False)
    kept = small.file("traces/F-2.txt")
    assert kept.read_bytes() == raw.read_bytes()
    firing = small.read().sound().firings[1]
    assert firing.trace is not None
    assert firing.trace.file == kept
    assert firing.trace.sha256 == hashlib.sha256(raw.read_bytes()).hexdigest()
    kept.write_bytes(b"changed")
    (problem,) = small.read().problems
    assert problem.code == "trace-changed"


def test_a_trace_left_by_an_interrupted_log_is_taken(small: Any, tmp_path: Path) -> None:
    raw = tmp_path / "log.csv"
    raw.write_bytes(b"millis,p\n0,0\n")
    small.write("traces/F-2.csv", raw.read_bytes())
    tables = {"batch": "B-1", "grain": GRAIN, "trace": CHANNELS}
    log_firing(small.folder, "F-2", tables, raw_trace=raw, confirmed=False)
    assert small.read().problems == ()
    small.write("traces/F-3.csv", "another")
    with pytest.raises(RequestError, match="exists already, with another content"):
        log_firing(small.folder, "F-3", tables, raw_trace=raw, confirmed=False)
    assert small.text("traces/F-3.csv") == "another"


@pytest.mark.parametrize(
    ("test", "changes", "said"),
    [
        ("F-1", {}, "`F-1` exists already"),
        ("f-1", {}, "only in capitals"),
        ("S-1", {}, "`S-1` exists already"),
        ("../../../x", {}, "cannot be a name"),
        ("F-2", {"batch": "B-9"}, "not in batches.csv"),
        ("F-2", {"batch": "\udcff"}, "cannot be a name"),
        ("F-2", {"notes": "\udcff"}, "cannot keep"),
        ("F-2", {"grain": GRAIN | {"core_diameter": "40 mm"}}, "core"),
        ("F-2", {"grain": GRAIN | {"length": "75"}}, "`75` has no unit"),
        ("F-2", {"summary": SUMMARY | {"burn_time": "1 ms"}}, "not likely"),
        ("F-2", {"trace": "traces/F-1.csv"}, "a table"),
        ("F-2", {"trace": {"file": "../../../etc/x", **CHANNELS}}, "not in the bench folder"),
    ],
)
def test_a_firing_at_fault_is_not_logged(
    small: Any, test: str, changes: dict[str, Any], said: str
) -> None:
    tables = {"batch": "B-1", "grain": GRAIN, "summary": SUMMARY}
    before = small.snapshot()
    with pytest.raises((RecordsError, RequestError), match=said):
        log_firing(small.folder, test, tables | changes, raw_trace=None, confirmed=False)
    assert small.snapshot() == before


def test_a_trace_is_not_left_behind_when_the_firing_cannot_be_written(
    small: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = tmp_path / "log.csv"
    raw.write_bytes(b"millis,p\n0,0\n")
    real = Path.replace

    def refuse(path: Path, target: Path) -> Path:
        if target.suffix == ".toml":
            raise OSError(28, "No space left on device")
        return real(path, target)

    before = small.snapshot()
    monkeypatch.setattr(Path, "replace", refuse)
    tables = {"batch": "B-1", "grain": GRAIN, "trace": CHANNELS}
    with pytest.raises(RequestError, match="No space left"):
        log_firing(small.folder, "F-2", tables, raw_trace=raw, confirmed=False)
    assert small.snapshot() == before


@pytest.mark.parametrize(("spoil", "said"), [("folder", "is a folder"), ("gone", "does not exist")])
def test_a_trace_that_is_no_file(small: Any, tmp_path: Path, spoil: str, said: str) -> None:
    raw = tmp_path / "log.csv"
    if spoil == "folder":
        raw.mkdir()
    tables = {"batch": "B-1", "grain": GRAIN, "trace": CHANNELS}
    with pytest.raises(RequestError, match=said):
        log_firing(small.folder, "F-2", tables, raw_trace=raw, confirmed=False)


_WRITER = """
import sys
from pathlib import Path
from strandwise.records import CampaignFolder
from strandwise.workflow.recording import log_strand

folder = CampaignFolder(Path(sys.argv[1]), "small")
for number in range(5):
    texts = {"test": f"W-{sys.argv[2]}-{number}", "batch": "B-1", "length": "80 mm",
             "time": f"{11 + number} s", "pressure": "2 MPa", "notes": "from " + sys.argv[2]}
    log_strand(folder, texts, confirmed=False)
"""


def test_many_writers_at_once(small: Any) -> None:
    before = small.text("strands.csv")
    command = [sys.executable, "-c", _WRITER, str(small.path)]
    source = Path(__file__).parents[2] / "src"
    writers = [
        subprocess.Popen([*command, str(number)], env=os.environ | {"PYTHONPATH": str(source)})
        for number in range(4)
    ]
    assert [writer.wait(60) for writer in writers] == [0, 0, 0, 0]
    reading = small.read()
    assert reading.problems == ()
    names = [s.test for s in reading.sound().strands]
    assert names[:3] == ["S-1", "S-2", "S-3"]
    assert sorted(names[3:]) == [f"W-{w}-{n}" for w in range(4) for n in range(5)]
    for writer in range(4):
        own = [name for name in names if name.startswith(f"W-{writer}")]
        assert own == sorted(own)
    head, _, rest = before.partition("\n")
    assert small.text("strands.csv").startswith(f"{head},notes\n{rest}")
    assert not list(small.folder.path.rglob("*.part"))
