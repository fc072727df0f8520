from __future__ import annotations

import io
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.report.tables import Column, print_table

ESCAPE = re.compile(r"\x1b\[[0-9;]*m")
COLUMNS = (
    Column("batch", kind="text"),
    Column("tests"),
    Column("rate at 4 MPa", "mm/s"),
    Column("to heed", kind="text"),
)
LONG = "three tests within a narrow range of pressures, so the exponent is hardly known"
ROWS = (
    ("B-01", "12", "9.12 ± 0.11", ""),
    ("B-02 [bold]", "3", "−10.4 ± 1.2", LONG),
)
NOTE = "Invented numbers, to show a table."


class Terminal(io.TextIOWrapper):
    def isatty(self) -> bool:
        return True


def printed(
    monkeypatch: pytest.MonkeyPatch,
    *,
    width: int = 120,
    terminal: bool = True,
    encoding: str = "utf-8",
    no_colour: bool = False,
    rows: tuple[tuple[str, ...], ...] = ROWS,
    title: str = "Rate laws",
) -> str:
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    if no_colour:
        monkeypatch.setenv("NO_COLOR", "1")
    raw = io.BytesIO()
    file = (Terminal if terminal else io.TextIOWrapper)(raw, encoding=encoding, newline="\n")
    print_table(COLUMNS, rows, file=file, title=title, notes=[NOTE])
    file.flush()
    return raw.getvalue().decode(encoding)


def test_a_pipe_gets_plain_text_as_wide_as_it_must_be(monkeypatch: pytest.MonkeyPatch) -> None:
    text = printed(monkeypatch, terminal=False, width=20)
    assert text.splitlines() == [
        "Rate laws",
        "",
        "batch        tests  rate at 4 MPa (mm/s)  to heed",
        "-----------  -----  --------------------  " + "-" * len(LONG),
        "B-01            12           9.12 ± 0.11",
        f"B-02 [bold]      3           −10.4 ± 1.2  {LONG}",
        "",
        NOTE,
    ]


@pytest.mark.parametrize("force", ["FORCE_COLOR", "CLICOLOR_FORCE"])
def test_a_pipe_stays_plain_whatever_the_environment(
    monkeypatch: pytest.MonkeyPatch, force: str
) -> None:
    file = io.StringIO()
    monkeypatch.setenv(force, "1")
    print_table(COLUMNS, ROWS, file=file)
    assert "\x1b" not in file.getvalue()
    assert not re.search("[\u2500-\u257f]", file.getvalue())


@pytest.mark.parametrize("width", [140, 90, 66, 40, 24])
def test_a_terminal_wraps_and_loses_nothing(monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    lines = ESCAPE.sub("", printed(monkeypatch, width=width)).splitlines()
    assert max(map(len, lines)) <= width
    shown = " ".join(" ".join(lines).split())
    for word in f"Rate laws batch tests B-01 12 B-02 [bold] {LONG}".split():
        assert word in shown
    assert "…" not in shown


@pytest.mark.parametrize("width", [140, 90, 66, 40])
def test_a_number_is_never_broken(monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    lines = ESCAPE.sub("", printed(monkeypatch, width=width)).splitlines()
    assert sum("9.12 ± 0.11" in line for line in lines) == 1
    assert sum("−10.4 ± 1.2" in line for line in lines) == 1


def test_numbers_stand_at_the_right_of_their_column(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = ESCAPE.sub("", printed(monkeypatch, width=140)).splitlines()
    ends = {
        line.index(number) + len(number)
        for line in lines
        for number in ("9.12 ± 0.11", "−10.4 ± 1.2", "(mm/s)")
        if number in line
    }
    assert len(ends) == 1


def test_no_colour_codes_where_they_are_not_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    # https://no-color.org: bold and dim may stay, colours (SGR 30-49, 90-107) may not.
    codes = re.findall(r"\x1b\[([0-9;]*)m", printed(monkeypatch, no_colour=True))
    numbers = {int(code) for group in codes for code in group.split(";") if code}
    assert not numbers & {*range(30, 50), *range(90, 108)}


@pytest.mark.parametrize(
    ("encoding", "number"), [("ascii", "-10.4 +/- 1.2"), ("cp1252", "-10.4 ± 1.2")]
)
@pytest.mark.parametrize("terminal", [True, False])
def test_an_encoding_without_the_signs_gets_them_spelt(
    monkeypatch: pytest.MonkeyPatch, encoding: str, number: str, terminal: bool
) -> None:
    assert number in printed(monkeypatch, encoding=encoding, terminal=terminal)


@pytest.mark.parametrize("terminal", [True, False])
def test_a_name_cannot_steer_the_terminal(monkeypatch: pytest.MonkeyPatch, terminal: bool) -> None:
    rows = (("B\x1b[2J\nsecond\u202e", "1", "1", "x"),)
    text = ESCAPE.sub("", printed(monkeypatch, terminal=terminal, rows=rows))
    assert "\x1b" not in text
    assert r"B\x1b[2J second\x202e" in text


def test_a_row_of_another_length_is_refused() -> None:
    with pytest.raises(DataError, match="row 2 of the table `Rates` has 3 cells; expected 4"):
        print_table(COLUMNS, [ROWS[0], ("a", "b", "c")], file=io.StringIO(), title="Rates")


def test_a_table_without_rows_shows_its_headings() -> None:
    file = io.StringIO()
    print_table(COLUMNS, [], file=file)
    assert file.getvalue().startswith("batch  tests  rate at 4 MPa (mm/s)  to heed\n")


@settings(max_examples=60)
@given(
    st.lists(st.tuples(*[st.text(min_size=1, max_size=30)] * 4).map(tuple), min_size=1, max_size=4),
)
def test_any_text_prints_one_line_a_row(rows: list[tuple[str, ...]]) -> None:
    file = io.StringIO()
    print_table(COLUMNS, rows, file=file)
    assert len(file.getvalue().split("\n")) == 2 + len(rows) + 1
