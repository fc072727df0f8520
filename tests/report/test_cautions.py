from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.findings import Caution
from strandwise.report.cautions import caution_lines


def said(*labelled: tuple[str, str]) -> tuple[str, ...]:
    return caution_lines((label, Caution("a-code", message)) for label, message in labelled)


@pytest.mark.parametrize(
    ("labelled", "lines"),
    [
        ([], ()),
        ([("M-01", "few tests")], ("M-01: few tests",)),
        ([("", "few batches")], ("few batches",)),
        ([("M-01", "few tests"), ("M-03", "few tests")], ("M-01, M-03: few tests",)),
        ([("M-01", "few tests"), ("M-01", "few tests")], ("M-01: few tests",)),
        ([("base", "base was tested to 6 MPa")], ("base was tested to 6 MPa",)),
        (
            [("A", "scatter 2.2 times"), ("B", "scatter 10 times"), ("C", "scatter 3 times")],
            ("A, B, C: scatter 2.2 to 10 times",),
        ),
        (
            [("A", "test S-014 is 2.4 % off"), ("B", "test S-021 is 2.4 % off")],
            ("A: test S-014 is 2.4 % off", "B: test S-021 is 2.4 % off"),
        ),
        (
            [("A", "from 1 to 6 MPa"), ("B", "from 2 to 7 MPa"), ("C", "from 1 to 6 MPa")],
            ("A, C: from 1 to 6 MPa", "B: from 2 to 7 MPa"),
        ),
        ([("A", "1 firing left out")], ("A: 1 firing left out",)),
        (
            [("A", "1 firing left out"), ("B", "1 firing left out")],
            ("A, B: 1 firing each left out",),
        ),
        (
            [("A", "3 batches are fitted as one"), ("B", "2 batches are fitted as one")],
            ("A, B: 2 to 3 batches each are fitted as one",),
        ),
        ([("A", "1 of 3 tests"), ("B", "1 of 3 tests")], ("A, B: 1 of 3 tests",)),
        ([("A", "n = -0.5"), ("B", "n = 0.5")], ("A: n = -0.5", "B: n = 0.5")),
    ],
)
def test_one_line_for_each_thing_to_heed(
    labelled: list[tuple[str, str]], lines: tuple[str, ...]
) -> None:
    assert said(*labelled) == lines


def test_the_code_is_not_shown_and_keeps_messages_apart() -> None:
    lines = caution_lines([("A", Caution("one", "few")), ("B", Caution("two", "few"))])
    assert lines == ("A: few", "B: few")


@settings(max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(["M-1", "M-2"]), st.text("a1.- ", max_size=8))))
def test_no_label_is_lost(labelled: list[tuple[str, str]]) -> None:
    text = "\n".join(said(*labelled))
    for label, message in labelled:
        assert label in text or message.startswith(f"{label} ")
    assert len(said(*labelled)) <= len(labelled)
