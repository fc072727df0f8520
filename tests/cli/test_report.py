"""`strandwise report`: where it writes, what it refuses to replace, and what it says."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture
def bare(run: Any, empty: Path) -> str:
    """A campaign without a test, whose page is quickly made."""
    assert run("init", str(empty)).code == 0
    assert run("new", "bare", "--recipe", "potassium-nitrate 65, sorbitol 35").code == 0
    return "bare"


def test_it_writes_the_page_and_replaces_it(run: Any, empty: Path, bare: str) -> None:
    first = run("report", bare)
    assert (first.code, first.err) == (0, "")
    assert "Wrote bare.html" in first.out
    assert "Fire remotely" in first.out
    page = (empty / "bare.html").read_bytes()
    assert page.startswith(b"<!DOCTYPE html>")
    told = run("report", bare, "--json").json
    assert told == {"page": str(empty / "bare.html"), "bytes": len(page), "left_out": []}
    assert (empty / "bare.html").read_bytes() == page


@pytest.mark.parametrize(
    ("target", "words"),
    [
        ("mine.html", "is no page that this program wrote"),
        ("campaigns/bare/strands.csv", "is no page that this program wrote"),
        ("campaigns/bare/traces/page.html", "among the raw traces"),
        ("campaigns", "is a folder"),
        ("nowhere/page.html", "the folder `nowhere`"),
    ],
)
def test_it_replaces_nothing_else(
    run: Any, empty: Path, bare: str, digest: Callable[[Path], Any], target: str, words: str
) -> None:
    (empty / "mine.html").write_text("<!DOCTYPE html><title>my notes</title>")
    (empty / "campaigns" / "bare" / "traces").mkdir(exist_ok=True)
    before = digest(empty)
    result = run("report", bare, "-o", target)
    assert result.code == 1
    assert words in result.err
    assert digest(empty) == before


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--motor", "none"), "there is no motor's file `none`"),
        (("--peak-below", "4"), "--peak-below: `4` has no unit"),
        (("--burn-longer", "4 mm"), "--burn-longer: `mm` is the unit of a length"),
    ],
)
def test_a_bad_request_writes_nothing(
    run: Any, empty: Path, bare: str, options: tuple[str, ...], words: str
) -> None:
    result = run("report", bare, *options)
    assert result.code == 1
    assert words in result.err
    assert not (empty / "bare.html").exists()


def without_trace(bench: Path, how: str) -> Path:
    """The demonstration with one firing alone, whose trace was lost or changed."""
    folder = bench / "campaigns" / "demo"
    shutil.rmtree(folder / "motors")
    head = (folder / "strands.csv").read_text(encoding="utf-8").partition("\n")[0]
    (folder / "strands.csv").write_text(f"{head}\n", encoding="utf-8")
    for firing in ("F-01", "F-03", "F-04"):
        (folder / "firings" / f"{firing}.toml").unlink()
    trace = folder / "traces" / "F-02.csv"
    if how == "lost":
        trace.unlink()
    else:
        trace.write_text(trace.read_text(encoding="utf-8") + "1,1\n", encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("how", "why"), [("lost", "does not exist"), ("changed", "is not the file that was logged")]
)
def test_a_trace_that_cannot_be_used_is_told_on_the_page(
    run: Any, bench: Path, how: str, why: str
) -> None:
    without_trace(bench, how)
    result = run("report", "demo", "-o", "page.html")
    assert result.code == 0
    assert "F-02 is left out of the page" in result.err
    assert why in result.err
    page = Path("page.html").read_text(encoding="utf-8")
    decision = page.partition('<section id="decision"')[2].partition("</section>")[0]
    left_out = page.partition('<section id="left-out"')[2].partition("</section>")[0]
    assert "F-02 takes no part" in decision
    assert why in decision
    assert "F-02" in left_out
    assert why in left_out
    (told,) = run("report", "demo", "-o", "page.html", "--json").json["left_out"]
    assert told["test"] == "F-02"
    assert why in told["why"]


def test_any_other_fault_still_stops_the_page(run: Any, bench: Path) -> None:
    folder = without_trace(bench, "lost")
    with (folder / "strands.csv").open("a", encoding="utf-8") as file:
        file.write("S-1,M-01,2026-05-09,80,9.2\n")
    result = run("report", "demo", "-o", "page.html")
    assert result.code == 1
    assert "strands.csv:2" in result.err
    assert "does not exist" in result.err
    assert not Path("page.html").exists()
