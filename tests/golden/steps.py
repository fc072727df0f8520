"""The steps that the frozen campaign is taken through, and what of their JSON is kept.

Run this file to renew what is kept, after a change of answers that is meant and explained in the
commit: `.venv/bin/python tests/golden/steps.py`.
"""

from __future__ import annotations

import contextlib
import io
import json
from pathlib import Path
from typing import Any

BENCH = Path(__file__).with_name("bench")
KEPT = Path(__file__).with_name("answers")
STEPS = {
    "check": ("check", "golden"),
    "recipes": ("mix", "show", "golden"),
    "reduce": ("reduce", "golden"),
    "fit": ("fit", "golden"),
    "fit-segmented": ("fit", "golden", "--law", "segmented", "--pool", "formulation"),
    "fit-auto": ("fit", "golden", "--law", "auto", "--pool", "formulation"),
    "compare": ("compare", "golden", "--at", "4 MPa", "--within", "10 %"),
    "drift": ("drift", "golden"),
    "plan": ("plan", "golden"),
    "forecast": ("forecast", "golden", "full-size", "--draws", "2000", "--seed", "1"),
    "hindcast": ("forecast", "golden", "--hindcast", "--seed", "1"),
}
# Sentences may be worded anew; what they are told about is kept by codes and numbers.
_WORDING = {"message", "why", "expected", "problem", "hint", "text", "account", "advice"}


def answer(step: str, bench: Path = BENCH) -> Any:
    """JSON of one step without its sentences."""
    from strandwise.cli import main

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(["--bench", str(bench), *STEPS[step], "--json"])
    if code:
        raise RuntimeError(err.getvalue())
    return _without_wording(json.loads(out.getvalue()))


def _without_wording(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _without_wording(item) for k, item in value.items() if k not in _WORDING}
    if isinstance(value, list):
        return [_without_wording(item) for item in value]
    return value


if __name__ == "__main__":
    KEPT.mkdir(exist_ok=True)
    for name in STEPS:
        text = json.dumps(answer(name), ensure_ascii=False, indent=1)
        (KEPT / f"{name}.json").write_text(f"{text}\n", encoding="utf-8")
