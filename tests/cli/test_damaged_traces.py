"""A measured logger file, damaged in every way that files are: from `log firing` to `reduce`.

The file is that of an open project, under the MIT licence; its licence and source stand beside it
in `tests/data`. Expected is a clear message, and no rate where there is nothing to take it from.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

SOURCE = Path(__file__).parents[1] / "data/sorbitol-multigrain/test2_full_from_xlsx_sheet1.csv"
FIRINGS = Path("campaigns/demo/firings")
CLOCK, THRUST = "column 1 (ms)", "column 3 (gf)"
MOTOR = (
    "--test", "X-1", "--batch", "M-01", "--outer-diameter", "86 mm", "--core-diameter", "33 mm",
    "--length", "145 mm", "--segments", "3", "--mass", "3573 g", "--throat-diameter", "23 mm",
    "--exit-diameter", "61 mm",
)  # fmt: skip
Rows = list[list[str]]


def rows() -> Rows:
    return [line.split(",") for line in SOURCE.read_text(encoding="utf-8").splitlines()]


def content(made: Rows) -> bytes:
    return "".join(f"{','.join(row)}\n" for row in made).encode()


def shuffled(made: Rows) -> Rows:
    return random.Random(1).sample(made, len(made))


def log(run: Any, raw: bytes, time: str = CLOCK, thrust: str = THRUST, *more: str) -> Any:
    for path in FIRINGS.iterdir():
        path.unlink()
    Path("raw.csv").write_bytes(raw)
    return run(
        "log", "firing", "demo", *MOTOR, "--trace-file", "raw.csv", "--trace-time", time,
        "--trace-thrust", thrust, *more,
    )  # fmt: skip


def reduced(run: Any, *words: Any) -> Any:
    assert log(run, *words).code == 0
    assert run("check", "demo").code == 0
    (firing,) = run("reduce", "demo", "--test", "X-1", "--json").json["firings"]
    return firing


NO_RATE: dict[str, tuple[Callable[[Rows], Rows], str]] = {
    "cut off early": (lambda made: made[:165], "the trace does not come back"),
    "a few rows": (lambda made: made[:6], "expected at least 8 within the firing"),
    "columns in another order": (lambda made: [row[::-1] for row in made], "goes back"),
    "rows in another order": (shuffled, "goes back"),
    "no thrust": (lambda made: [[*row[:2], "0"] for row in made], "no firing stands out"),
    "all zeros": (lambda made: [["0"] * 3 for _ in made], "does not move"),
    "NaN for thrust": (lambda made: [[*row[:2], "NaN"] for row in made], "0 readings of thrust"),
    "NaN for time": (lambda made: [["nan", *row[1:]] for row in made], "holds a time"),
    "infinite": (lambda made: [[*row[:2], "inf"] for row in made], "0 readings of thrust"),
}


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("damage", NO_RATE)
def test_what_gives_no_rate_says_why(run: Any, damage: str) -> None:
    make, said = NO_RATE[damage]
    firing = reduced(run, content(make(rows())))
    assert said in firing["why_no_point"]
    assert firing["rate_thickness_over_time_mm_s"] is None
    assert firing["peak_pressure_MPa"] is None
    told = run("reduce", "demo", "--test", "X-1").out
    assert f"no rate point: {firing['why_no_point']}" in told


NO_FILE: dict[str, tuple[bytes, str]] = {
    "binary": (random.Random(2).randbytes(20_000), "is not text"),
    "zero bytes": (b"\0" * 5000, "is not text"),
    "empty": (b"", "is empty"),
    "words": (b"the logger did not start\n" * 40, "no line of `raw.csv` holds 3 numbers"),
    "a column short": (content([row[:2] for row in rows()]), "no line of `raw.csv` holds 3"),
}


@pytest.mark.parametrize("damage", NO_FILE)
def test_what_is_no_log_is_not_kept(run: Any, bench: Path, digest: Any, damage: str) -> None:
    raw, said = NO_FILE[damage]
    log(run, raw)
    before = digest(bench)
    result = log(run, raw)
    after = digest(bench)
    del before["raw.csv"], after["raw.csv"]
    assert (result.code, result.out) == (1, "")
    assert result.err.startswith("strandwise: --trace-")
    assert said in result.err
    assert after == before


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    ("time", "thrust", "code", "said"),
    [
        ("column 1 (us)", THRUST, "unlikely-size", "check the unit of the clock"),
        ("column 1 (s)", THRUST, "unlikely-size", "check the unit of the clock"),
        (CLOCK, "column 3 (kgf)", "unlikely-size", "check the unit of the column"),
        (CLOCK, "column 3 (N)", "thrust-coefficient-impossible", "thrust is most likely wrong"),
    ],
)
def test_a_unit_taken_for_another_is_told(
    run: Any, time: str, thrust: str, code: str, said: str
) -> None:
    asked = log(run, SOURCE.read_bytes(), time, thrust)
    assert asked.code == 1
    assert asked.err.startswith("strandwise: not likely: by ")
    firing = reduced(run, SOURCE.read_bytes(), time, thrust, "--yes")
    assert any(w["code"] == code and said in w["message"] for w in firing["warnings"])


@pytest.mark.usefixtures("bench")
def test_harmless_damage_gives_the_careful_reading(run: Any) -> None:
    """SOURCE.txt beside the file: 1,544 N, 2.31 s of action and 1,829 N·s by a careful reading."""
    every_other = [[*row[:2], row[2] if at % 2 else "NaN"] for at, row in enumerate(rows())]
    upside_down = [[*row[:2], f"-{row[2]}".replace("--", "")] for row in rows()]
    cut_after = content(rows())[: len(content(rows())) // 2]
    in_utf_16 = content(rows()).decode().encode("utf-16")
    for raw in (content(every_other), content(upside_down), cut_after, in_utf_16):
        firing = reduced(run, raw)
        assert firing["peak_thrust_N"] == pytest.approx(1544.0, rel=0.02)
        assert firing["action_time_s"] == pytest.approx(2.31, rel=0.02)
        assert firing["total_impulse_N_s"] == pytest.approx(1829.0, rel=0.02)
        (FIRINGS / "X-1.toml").unlink()
        for path in Path("campaigns/demo/traces").glob("X-1*"):
            path.unlink()
