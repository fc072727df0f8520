"""`undo` says what it takes back, asks, and takes back no more than that."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

STRAND = (
    "log", "strand", "demo", "--test", "S-99", "--batch", "M-01", "--length", "60 mm",
    "--time", "9.9 s", "--pressure", "251 psig",
)  # fmt: skip


def logged(run: Any) -> bytes:
    path = Path("campaigns/demo/strands.csv")
    before = path.read_bytes()
    assert run(*STRAND).code == 0
    assert path.read_bytes() != before
    return before


def test_the_last_record_goes(run: Any, bench: Path) -> None:
    before = logged(run)
    result = run("undo", "demo", "--yes")
    assert (result.code, result.err) == (0, "")
    first, file, line, last = result.out.splitlines()
    assert first.startswith("Undo: log strand S-99 (")
    assert file == "campaigns/demo/strands.csv is changed:"
    assert line.startswith("  -S-99,M-01,")
    assert last == "Undone."
    assert (bench / "campaigns/demo/strands.csv").read_bytes() == before
    again = run("undo", "demo", "--redo", "--yes")
    assert again.out.splitlines()[2].startswith("  +S-99,M-01,")
    assert "S-99" in (bench / "campaigns/demo/strands.csv").read_text("utf-8")
    assert run("check", "demo").code == 0


def test_nothing_goes_unasked(run: Any, bench: Path, digest: Any) -> None:
    logged(run)
    before = digest(bench)
    for options in ([], ["--json"]):
        result = run("undo", "demo", *options)
        assert result.code == 1
        shown = result.err if options else result.out
        assert "-S-99,M-01," in shown
        assert result.err.endswith(
            "strandwise: nobody is there to ask; --yes does it; nothing was changed\n"
        )
    assert digest(bench) == before


@pytest.mark.parametrize(("answer", "code"), [("y\n", 0), ("\n", 1), ("n\n", 1)])
def test_on_a_terminal_it_asks(
    run: Any, bench: Path, monkeypatch: pytest.MonkeyPatch, answer: str, code: int
) -> None:
    before = logged(run)
    monkeypatch.setattr("strandwise.cli.undo.at_terminal", lambda: True)
    monkeypatch.setattr("click.confirm", lambda *_, **__: answer == "y\n")
    assert run("undo", "demo").code == code
    now = (bench / "campaigns/demo/strands.csv").read_bytes()
    assert (now == before) == (code == 0)


def test_json(run: Any, bench: Path) -> None:
    logged(run)
    result = run("undo", "demo", "--yes", "--json")
    assert (result.code, result.err) == (0, "")
    told = result.json
    assert told["change"] == "log strand S-99"
    assert told["file"] == "campaigns/demo/strands.csv"
    assert told["becomes"] == "changed"
    assert told["traces"] == []
    assert (bench / told["file"]).exists()


@pytest.mark.parametrize(
    ("args", "code", "said"),
    [
        (("undo", "demo"), 1, "there is nothing to undo in campaign `demo`"),
        (("undo", "demo", "--redo"), 1, "there is nothing to do again in campaign `demo`"),
        (("undo", "--shared"), 1, "there is nothing to undo in the shared tables"),
        (("undo", "dmo"), 1, "there is no campaign `dmo`"),
        (("undo",), 2, "Give either CAMPAIGN or --shared."),
        (("undo", "demo", "--shared"), 2, "Give either CAMPAIGN or --shared."),
    ],
)
def test_what_cannot_be_undone(
    run: Any, bench: Path, digest: Any, args: tuple[str, ...], code: int, said: str
) -> None:
    before = digest(bench)
    result = run(*args)
    assert (result.code, result.out) == (code, "")
    assert said in result.err
    assert digest(bench) == before


def test_a_shared_calibration_goes(run: Any, bench: Path) -> None:
    before = (bench / "shared/instruments.toml").read_bytes()
    rows = [word for row in ("1 = 0 N", "5 = 2 N", "9 = 4 N") for word in ("--row", row)]
    assert run("calibrate", "cell-77", "--kind", "load-cell", *rows).code == 0
    assert (
        run("undo", "--shared", "--yes").out.splitlines()[0].startswith("Undo: calibrate cell-77")
    )
    assert (bench / "shared/instruments.toml").read_bytes() == before


def test_derived_formulations_go(run: Any, bench: Path) -> None:
    path = bench / "campaigns/demo/formulations.toml"
    before = path.read_bytes()
    done = run(
        "mix", "derive", "demo", "--put", "oxamide", "--for", "sorbitol", "--dose", "2%",
        "--way", "of-ingredient", "--write",
    )  # fmt: skip
    assert done.code == 0, done.err
    assert path.read_bytes() != before
    assert run("undo", "demo", "--yes").out.startswith("Undo: mix derive ")
    assert path.read_bytes() == before
