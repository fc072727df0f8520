"""A channel with a logger file of its own, and that file's digest."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import DataError
from strandwise.reduction import read_trace
from strandwise.workflow.firing_recording import log_firing

X = "firings/F-1.toml"
OWN = b"t,raw\n0,100\n1,600\n2,101\n"
GRAIN = {
    "shape": "hollow-cylinder",
    "outer_diameter": "38 mm",
    "core_diameter": "12 mm",
    "length": "75 mm",
}


@pytest.fixture
def two_files(small: Any) -> Any:
    small.write("traces/F-1b.csv", OWN)
    small.swap(
        X,
        'instrument = "cell" }',
        'instrument = "cell", file = "traces/F-1b.csv", time = "t (s)", '
        f'sha256 = "{hashlib.sha256(OWN).hexdigest().upper()}" }}',
    )
    return small


def test_its_digest_is_kept_and_checked(two_files: Any) -> None:
    (firing,) = two_files.read().sound().firings
    assert firing.trace.thrust.sha256 == hashlib.sha256(OWN).hexdigest()
    two_files.write("traces/F-1b.csv", OWN + b"3,100\n")
    (problem,) = two_files.read().problems
    assert (problem.code, problem.source.field) == ("trace-changed", "trace.thrust.sha256")
    assert problem.source.line == 21
    assert "traces/F-1b.csv" in problem.message


def test_the_reader_refuses_a_changed_file(two_files: Any) -> None:
    (firing,) = two_files.read().sound().firings
    two_files.write("traces/F-1b.csv", OWN + b"3,100\n")
    with pytest.raises(DataError, match=r"F-1b\.csv` has changed since it was logged"):
        read_trace(firing.trace)


@pytest.mark.parametrize(
    ("old", "new", "field", "said"),
    [
        ('file = "traces/F-1b.csv", ', "", "trace.thrust.sha256", "no file of its own"),
        ('sha256 = "', 'sha256 = "x', "trace.thrust.sha256", "is no digest"),
    ],
)
def test_a_digest_at_fault(two_files: Any, old: str, new: str, field: str, said: str) -> None:
    two_files.swap(X, old, new)
    (problem,) = two_files.read().problems
    assert problem.source.field == field
    assert said in problem.message


def test_logging_keeps_the_digest_of_each_file(small: Any, tmp_path: Path) -> None:
    small.write("traces/own.csv", OWN)
    raw = tmp_path / "run.csv"
    raw.write_bytes(b"millis,p\n0,0\n10,300\n20,0\n")
    tables = {
        "batch": "B-1",
        "grain": GRAIN,
        "trace": {
            "time": "millis (ms)",
            "pressure": "p (psig)",
            "thrust": {
                "column": "raw",
                "unit": "count",
                "instrument": "cell",
                "file": "traces/own.csv",
                "time": "t (s)",
            },
        },
    }
    log_firing(small.folder, "F-2", tables, raw_trace=raw, confirmed=False)
    firing = small.read().sound().firings[1]
    assert firing.trace.thrust.sha256 == hashlib.sha256(OWN).hexdigest()
    assert firing.trace.sha256 == hashlib.sha256(raw.read_bytes()).hexdigest()
