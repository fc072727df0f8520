"""What `log` must not write: records that `check` would refuse on the next day."""

from __future__ import annotations

from typing import Any

import pytest

from strandwise.errors import RecordsError, RequestError
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.recording import log_batch, log_strand

STRAND = {"test": "N-1", "batch": "B-1", "length": "80 mm", "pressure": "2.5 MPa"}


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        ({"frames": "2400"}, "frames without a frame rate"),
        ({"frames": "2400", "frame_rate": "240 1/s", "time": "10 s"}, "both a time and frames"),
        ({}, "neither a time nor a number of frames"),
    ],
)
def test_a_time_told_badly(small: Any, texts: dict[str, str], said: str) -> None:
    before = small.snapshot()
    with pytest.raises(RecordsError, match=said):
        log_strand(small.folder, STRAND | texts, confirmed=False)
    assert small.snapshot() == before


def test_a_name_that_stands_in_a_row_with_a_fault(small: Any) -> None:
    rows = small.text("strands.csv").rstrip("\n").splitlines()
    cells = rows[1].split(",")
    faulty = [cell if place else "X-9" for place, cell in enumerate(cells)]
    length = next(i for i, head in enumerate(rows[0].split(",")) if head.startswith("length"))
    faulty[length] = "-80"
    small.write("strands.csv", "\n".join([*rows, ",".join(faulty)]) + "\n")
    before = small.snapshot()
    with pytest.raises(RequestError, match="test `X-9` exists already"):
        log_strand(small.folder, STRAND | {"test": "X-9", "time": "10 s"}, confirmed=False)
    assert small.snapshot() == before


def test_a_batch_that_stands_in_a_row_with_a_fault(small: Any) -> None:
    small.write("batches.csv", "batch,formulation,mass (g)\nB-1,base,300\nB-2,base,-3\n")
    with pytest.raises(RequestError, match="batch `B-2` exists already"):
        log_batch(small.folder, {"batch": "B-2", "formulation": "base"}, confirmed=False)


def test_only_a_strand_is_told_of_further_wires(small: Any, tmp_path: Any) -> None:
    with pytest.raises(RequestError) as strand:
        log_strand(small.folder, STRAND | {"test": "S-1", "time": "10 s"}, confirmed=False)
    assert "--wire" in str(strand.value)
    raw = tmp_path / "log.csv"
    raw.write_bytes(b"millis,p\n0,0\n10,300\n")
    with pytest.raises(RequestError, match="test `F-1` exists already") as firing:
        log_firing(small.folder, "F-1", {"batch": "B-1"}, raw_trace=raw, confirmed=False)
    assert "choose another name" in str(firing.value)
    assert "wire" not in str(firing.value)


@pytest.mark.parametrize("content", [None, b"", "batch,formulation\n".encode("utf-16")])
def test_no_strand_without_batches_that_can_be_read(small: Any, content: bytes | None) -> None:
    if content is None:
        small.file("batches.csv").unlink()
    else:
        small.write("batches.csv", content)
    before = small.snapshot()
    with pytest.raises(RecordsError, match=r"batches\.csv"):
        log_strand(small.folder, STRAND | {"time": "10 s"}, confirmed=False)
    assert small.snapshot() == before


def test_sections_of_a_closed_vessel_go_on_where_the_last_ended(small: Any) -> None:
    heading = "test,batch,length (mm),time (s),pressure (MPa),pressure_end (MPa)\n"
    small.write("strands.csv", f"{heading}S-1,B-1,25,3.1,2.0,2.1\nS-1,B-1,25,3.0,2.1,2.2\n")
    assert not [p for p in small.read().problems if p.code == "duplicate-test"]
    small.write("strands.csv", f"{heading}S-1,B-1,25,3.1,2.0,2.1\nS-1,B-1,25,3.0,3.0,3.2\n")
    (problem,) = [p for p in small.read().problems if p.code == "duplicate-test"]
    assert "another pressure" in problem.message
