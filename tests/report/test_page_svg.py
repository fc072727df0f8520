"""A figure within the page: no style of its own, words as words, points where they are drawn."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import pytest
from matplotlib.figure import Figure

from strandwise.report.page.svg import Mark, inline_svg
from strandwise.report.style import house_style, new_figure


def figure(shift: float = 0.0) -> Figure:
    with house_style():
        made = new_figure(4.0, 3.0)
        ax = made.subplots()
        ax.plot([1.0, 2.0 + shift, 3.0], [1.0, 4.0, 9.0], marker="o", markersize=4.0)
        ax.fill_between([1.0, 3.0], [0.0, 1.0], [1.0, 2.0], alpha=0.2)
        ax.set_title("<b> & \x0b title")
    return made


def drawn(shift: float = 0.0, **words: str) -> str:
    told = {"name": "pic-1", "title": "What it is", "description": "What it shows"} | words
    marks = [Mark(0, x, y, f"T-{x:g}: <point>") for x, y in ((1.0, 1.0), (2.0, 4.0), (3.0, 9.0))]
    return str(inline_svg(figure(shift), marks=marks, **told))


def test_a_policy_without_inline_style_leaves_it_as_it_is() -> None:
    text = drawn()
    assert "style" not in text
    assert "xmlns" not in text
    root = ET.fromstring(text)
    assert {e.get("stroke") for e in root.iter("path")} >= {"#5d6673"}
    assert any(e.get("opacity") == "0.2" or e.get("fill-opacity") == "0.2" for e in root.iter())


def test_words_stay_words_and_are_escaped() -> None:
    text = drawn(title="<script>", description="a & b \x00")
    root = ET.fromstring(text)
    assert next(e.text for e in root.iter("title")) == "<script>"
    assert "<b> & � title" in [e.text for e in root.iter("text")]


def test_marks_lie_on_the_points_that_they_name() -> None:
    root = ET.fromstring(drawn())
    places = [(float(c.attrib["cx"]), float(c.attrib["cy"])) for c in root.iter("circle")]
    # The markers as matplotlib placed them.
    points = [
        (float(e.attrib["x"]), float(e.attrib["y"]))
        for group in root.iter("g")
        if group.get("clip-path")
        for e in group.iter("use")
    ]
    assert len(points) == 3
    for place, point in zip(places, points, strict=True):
        assert place == pytest.approx(point, abs=0.11)


def test_one_mark_is_a_stop_of_the_tab_key() -> None:
    root = ET.fromstring(drawn())
    marks = [e for e in root.iter("g") if e.get("class") == "mark"]
    assert [e.attrib["tabindex"] for e in marks] == ["0", "-1", "-1"]
    assert marks[0].attrib["aria-label"] == "T-1: <point>"


def test_ids_count_up_and_do_not_hang_on_the_last_bit_of_a_coordinate() -> None:
    text, moved = drawn(), drawn(shift=1e-9)
    assert text == moved
    ids = re.findall(r' id="pic-1-(\d+)"', text)
    assert sorted(map(int, ids)) == list(range(1, len(ids) + 1))
    assert set(re.findall(r"#pic-1-(\d+)", text)) == set(ids)


def test_two_pictures_share_no_id() -> None:
    ids = [set(re.findall(r' id="([^"]+)"', drawn(name=name))) for name in ("pic-1", "pic-2")]
    assert not ids[0] & ids[1]
