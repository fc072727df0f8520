"""`strandwise report`: where it writes, what it refuses to replace, and what it says."""

from __future__ import annotations

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
    assert told == {"page": str(empty / "bare.html"), "bytes": len(page)}
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
        (("--motor", "none"), "there is no motor's file 'none'"),
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
