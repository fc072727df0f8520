"""Sixty strands, eight writers at once, every fourth of them killed while it writes."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from strandwise.records import journal_of
from strandwise.workflow.recording import log_strand

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")

# One process for each strand, all from one that has loaded the program; a strand is acknowledged
# when its process has been told that it was logged.
_WRITERS = """
import json, os, random, signal, sys, time
from pathlib import Path
from strandwise.records import CampaignFolder
from strandwise.workflow.recording import log_strand

folder = CampaignFolder(Path(sys.argv[1]), "small")
chance = random.Random(int(sys.argv[2]))

def texts(name):
    return {"test": name, "batch": "B-1", "length": "80 mm", "time": "11.2 s",
            "pressure": "2 MPa", "notes": "from " + name}

log_strand(folder, texts("W-first"), confirmed=False)  # which loads what is loaded late
start = time.monotonic()
log_strand(folder, texts("W-second"), confirmed=False)
once = time.monotonic() - start
waiting = [f"W-{number}" for number in range(60)]
running, done, killed = {}, ["W-first", "W-second"], []

def reap(block):
    pid, status = os.waitpid(-1, 0 if block else os.WNOHANG)
    if pid:
        name, _ = running.pop(pid)
        if os.WIFSIGNALED(status):
            killed.append(name)
        elif os.WEXITSTATUS(status) == 0:
            done.append(name)
        else:
            raise SystemExit(f"{name} failed with {os.WEXITSTATUS(status)}")

while waiting or running:
    while waiting and len(running) < 8:
        name = waiting.pop(0)
        pid = os.fork()
        if pid == 0:
            code = 1
            try:
                log_strand(folder, texts(name), confirmed=False)
                code = 0
            finally:
                os._exit(code)
        victim = int(name[2:]) % 4 == 3
        # Eight take turns: a writer is at work somewhere within eight times that of one.
        due = time.monotonic() + chance.uniform(0.0, 6.0 * once) if victim else None
        running[pid] = (name, due)
    for pid, (name, due) in list(running.items()):
        if due is not None and time.monotonic() >= due:
            os.kill(pid, signal.SIGKILL)
            running[pid] = (name, None)
    reap(block=False)
    time.sleep(0.001)
print(json.dumps({"done": done, "killed": killed}))
"""


def run_writers(small: Any, seed: int) -> dict[str, list[str]]:
    source = Path(__file__).parents[2] / "src"
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    finished = subprocess.run(
        [sys.executable, "-c", _WRITERS, str(small.path), str(seed)],
        env=os.environ | {"PYTHONPATH": str(source)} | threads,
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert finished.returncode == 0, finished.stderr
    assert finished.stderr == ""
    told: dict[str, list[str]] = json.loads(finished.stdout)
    return told


def test_what_was_acknowledged_is_there_once(small: Any) -> None:
    before = small.text("strands.csv")
    told = run_writers(small, seed=8)
    assert len(told["done"]) + len(told["killed"]) == 62
    # Some of the fifteen that were aimed at may have been done before they were hit.
    assert 3 <= len(told["killed"]) <= 15
    reading = small.read()
    assert reading.problems == ()
    names = [strand.test for strand in reading.sound().strands]
    assert len(names) == len(set(names))
    assert set(told["done"]) <= set(names)
    assert set(names) - {"S-1", "S-2", "S-3"} <= {*told["done"], *told["killed"]}
    head, _, rest = before.partition("\n")
    assert small.text("strands.csv").startswith(f"{head},notes\n{rest}")
    # Those that were killed can be logged once more, and nothing of them stays behind.
    for name in [name for name in told["killed"] if name not in names]:
        texts = {"test": name, "batch": "B-1", "length": "80 mm", "time": "11 s"}
        log_strand(small.folder, texts | {"pressure": "2 MPa"}, confirmed=False)
    reading = small.read()
    assert reading.problems == ()
    assert len(reading.sound().strands) == 3 + 62
    assert list(small.folder.path.rglob("*.part")) == []
    assert journal_of(small.folder).next_undo() is not None
