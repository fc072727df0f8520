"""Where there is no number none is printed: never NaN, never infinity, in no format."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
NOT_A_NUMBER = re.compile(r"(?<![A-Za-z-])[+−-]?(nan|inf(inity)?)(?![A-Za-z])", re.IGNORECASE)
STEPS = ("reduce", "fit", "compare", "drift", "plan")


def thinned(campaign: Any, keep: dict[str, int]) -> Any:
    """The first so many strands of each batch named; none of the others."""
    left = dict(keep)
    strands = []
    for strand in campaign.strands:
        if left.get(strand.batch, 0) > 0:
            left[strand.batch] -= 1
            strands.append(strand)
    return campaign.with_strands(strands)


def odd_campaigns(invent: Any) -> dict[str, Any]:
    full = invent(5)
    level = full.with_strands([replace(s, pressure=3.5) for s in full.strands])
    same = full.with_strands([replace(s, pressure=3.5, time=10.0) for s in full.strands])
    return {
        "no strand": full.with_strands([]),
        "one strand": thinned(full, {"B-1": 1}),
        "two strands": thinned(full, {"B-1": 2}),
        "three strands": thinned(full, {"B-1": 3}),
        "one strand a batch": thinned(full, {f"B-{i}": 1 for i in range(1, 5)}),
        "two strands a batch": thinned(full, {f"B-{i}": 2 for i in range(1, 5)}),
        "the baseline alone": thinned(full, {"B-1": 5, "B-3": 5}),
        "no baseline": thinned(full, {"B-2": 5, "B-4": 5}),
        "one batch each": thinned(full, {"B-1": 5, "B-2": 5}),
        "uneven": thinned(full, {"B-1": 5, "B-2": 1, "B-3": 2}),
        "one pressure": level,
        "one reading again and again": same,
        "no noise": invent(5, noise=0.0),
    }


@pytest.mark.parametrize(
    "name",
    [
        "no strand", "one strand", "two strands", "three strands", "one strand a batch",
        "two strands a batch", "the baseline alone", "no baseline", "one batch each", "uneven",
        "one pressure", "one reading again and again", "no noise",
    ],
)  # fmt: skip
def test_an_odd_campaign_is_answered_or_refused_but_never_with_nan(
    invent: Any, started: Any, tmp_path: Path, name: str
) -> None:
    odd_campaigns(invent)[name].written(tmp_path)
    shutil.copytree(
        ROOT / "campaigns" / "demo" / "motors", tmp_path / "campaigns" / "made" / "motors"
    )
    for step in (*STEPS, "forecast"):
        words = [step, "made", *(["full-size", "--draws", "500"] if step == "forecast" else [])]
        code, out, err = started(tmp_path, *words)
        assert code in (0, 1), (step, err)
        assert (code == 1) == bool(err.startswith("strandwise: ")), (step, err)
        assert not NOT_A_NUMBER.search(out + err), step
        code, out, err = started(tmp_path, *words, "--json")
        assert code in (0, 1), (step, err)
        if code == 0:
            json.loads(out, parse_constant=pytest.fail)


def test_the_search_would_find_one() -> None:
    assert NOT_A_NUMBER.search("rate  nan  mm/s")
    assert NOT_A_NUMBER.search("(−inf … 3)")
    assert not NOT_A_NUMBER.search("information of a financial kind; init")


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores cannot be chosen here")
@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one core only")
def test_a_seed_gives_the_same_numbers_on_one_core_and_on_two(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "campaigns" / "demo", tmp_path / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", tmp_path / "shared")
    command = [sys.executable, "-m", "strandwise", "forecast", "demo", "full-size"]
    command += ["--seed", "7", "--draws", "4000", "--json"]
    cores = sorted(os.sched_getaffinity(0))
    printed = []
    for count in (1, 2):
        chosen = set(cores[:count])
        done = subprocess.run(
            command,
            cwd=tmp_path,
            capture_output=True,
            check=True,
            preexec_fn=lambda chosen=chosen: os.sched_setaffinity(0, chosen),
            env=os.environ | {"OMP_NUM_THREADS": str(count), "OPENBLAS_NUM_THREADS": str(count)},
        )
        printed.append(done.stdout)
    assert printed[0] == printed[1]
