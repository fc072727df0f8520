"""A frozen campaign of format 1 reads as it did, and gives the answers that it gave.

The kept answers are our own output, renewed by `steps.py`: they show a change, not that a number is
right, which the tests of the rooms show against published values.
"""

from __future__ import annotations

import importlib.util
import json
import shutil
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
_spec = importlib.util.spec_from_file_location("golden_steps", HERE / "steps.py")
assert _spec is not None
assert _spec.loader is not None
steps = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(steps)
# Numbers that come from a search for the maximum of a likelihood, or from many draws, depend on
# the last digits of the machine's exponential; more than this much would be another answer.
CLOSE = 2e-5


def differences(kept: Any, now: Any, path: str = "") -> list[str]:
    """Where two JSON values differ; new keys are allowed, as the promise of the JSON is."""
    if isinstance(kept, bool) or kept is None or isinstance(kept, str):
        return [] if kept == now else [f"{path}: was {kept!r}, is {now!r}"]
    if isinstance(kept, int | float):
        number = isinstance(now, int | float) and not isinstance(now, bool)
        good = number and now == pytest.approx(kept, rel=CLOSE, abs=1e-9)
        return [] if good else [f"{path}: was {kept!r}, is {now!r}"]
    if isinstance(kept, list):
        if not isinstance(now, list) or len(kept) != len(now):
            return [f"{path}: was a list of {len(kept)}, is {now!r}"]
        pairs = zip(kept, now, strict=True)
        return [d for i, (a, b) in enumerate(pairs) for d in differences(a, b, f"{path}[{i}]")]
    if not isinstance(now, dict):
        return [f"{path}: was a table, is {now!r}"]
    return [d for key in kept for d in differences(kept[key], now.get(key), f"{path}.{key}")]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("golden") / "bench"
    shutil.copytree(steps.BENCH, folder)
    return folder


@pytest.mark.parametrize("step", list(steps.STEPS))
def test_the_frozen_campaign_gives_the_answers_that_it_gave(step: str, bench: Path) -> None:
    kept = json.loads((steps.KEPT / f"{step}.json").read_text(encoding="utf-8"))
    assert not differences(kept, steps.answer(step, bench))


def test_a_changed_answer_would_be_seen() -> None:
    kept = json.loads((steps.KEPT / "fit.json").read_text(encoding="utf-8"))
    changed = json.loads(json.dumps(kept))
    changed["fits"][0]["n"] *= 1.0001
    assert differences(kept, changed) == [
        f".fits[0].n: was {kept['fits'][0]['n']!r}, is {changed['fits'][0]['n']!r}"
    ]
