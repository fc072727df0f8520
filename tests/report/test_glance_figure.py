"""A campaign at a glance is checked by what stands in the picture; the records are invented."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence

import pytest
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.text import Text

from strandwise.findings import Finding, Source
from strandwise.report import display_units
from strandwise.report.figures import draw_glance, picture_bytes
from strandwise.report.glance import CampaignGlance, GlanceBatch, GlanceTest

AssertApart = Callable[[Figure, Sequence[Text]], None]

METRIC = display_units("metric")
INCH_POUND = display_units("inch-pound")


def finding(message: str = "`time` is empty", line: int = 7, field: str | None = None) -> Finding:
    return Finding(Source("campaigns/x/strands.csv", line, field), "invented", message)


def tried(name: str, pressure: float | None, **fields: object) -> GlanceTest:
    given: dict[str, object] = {
        "test": name,
        "kind": "strand",
        "date": dt.date(2031, 3, 2),
        "pressure": pressure,
        "pressure_sd": 2e4,
    }
    return GlanceTest(**{**given, **fields})  # type: ignore[arg-type]


def batch(name: str, *tests: GlanceTest, **fields: object) -> GlanceBatch:
    given: dict[str, object] = {
        "batch": name,
        "formulation": "base",
        "mixed": dt.date(2031, 3, 1),
        "tests": tests,
    }
    return GlanceBatch(**{**given, **fields})  # type: ignore[arg-type]


def glance(*batches: GlanceBatch, **fields: object) -> CampaignGlance:
    given: dict[str, object] = {"name": "x", "batches": batches, "problems": (), "remarks": ()}
    return CampaignGlance(**{**given, **fields})  # type: ignore[arg-type]


def words(figure: Figure) -> str:
    texts = [text.get_text() for text in figure.findobj(Text) if text.get_text().strip()]
    return "\n".join(" ".join(text.split()) for text in texts)


def marks(ax: Axes, marker: str) -> list[tuple[float, str]]:
    """Pressure and filling of each mark, from the top."""
    found = [
        (float(y), float(x), str(line.get_markerfacecolor()))
        for line in ax.lines
        if line.get_marker() == marker
        for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)
    ]
    return [(x, face) for _, x, face in sorted(found)]


def bars(ax: Axes) -> list[tuple[float, float]]:
    return [
        (segment[0][0], segment[1][0])
        for found in ax.collections
        if isinstance(found, LineCollection)
        for segment in found.get_segments()
    ]


def crowded() -> CampaignGlance:
    batches = []
    for number in range(12):
        tests = [
            tried(
                f"S-{number}-{place}-of-spring",
                (1.2 + 0.02 * place) * 1e6,
                why_not="the lower wire never broke and the time is by eye"
                if place % 4 == 1
                else "",
                problems=(finding(line=place),) if place % 4 == 2 else (),
                remarks=(finding("burn rate of 65 mm/s", place),) if place == 7 else (),
            )
            for place in range(9)
        ]
        batches.append(
            batch(
                f"batch-{number}-of-a-long-spring",
                *tests,
                formulation=f"formulation-{number}-with-a-name-of-several-lines",
            )
        )
    listed = tuple(finding("a long message " * 20, line) for line in range(30))
    return glance(*batches, problems=listed)


@pytest.mark.parametrize(
    ("units", "label", "factor"),
    # 1 psi = 6894.757 Pa (NIST SP 811, appendix B.8).
    [(METRIC, "Absolute pressure (MPa)", 1e6), (INCH_POUND, "Absolute pressure (psi)", 6894.757)],
)
def test_tests_stand_at_their_pressures_from_the_top(
    units: object, label: str, factor: float
) -> None:
    shown = glance(
        batch("B-1", tried("S-1", 2e6), tried("S-2", 1e6), tried("F-1", 4e6, kind="firing")),
        batch("B-2", tried("S-3", 3e6, pressure_sd=None)),
    )
    figure = draw_glance(shown, units)  # type: ignore[arg-type]
    (ax,) = figure.axes
    assert ax.get_xlabel() == label
    assert [x for x, _ in marks(ax, "o")] == pytest.approx(
        [p / factor for p in (2e6, 1e6, 3e6)], rel=1e-6
    )
    assert [x for x, _ in marks(ax, "s")] == pytest.approx([4e6 / factor], rel=1e-6)
    for pressure, sd in ((2e6, 2e4), (1e6, 2e4), (4e6, 2e4), (3e6, 0.0)):
        ends = ((pressure - sd) / factor, (pressure + sd) / factor)
        assert any(bar == pytest.approx(ends, rel=1e-6) for bar in bars(ax))
    told = words(figure)
    assert "x: 2 batches, 4 tests" in told
    assert "B-1, base 2031-03-01; 2 strands, 1 firing" in told
    assert "Without a bar: that of the pressure is not known." in told


def test_left_out_tests_are_hollow_crossed_and_named_with_the_reason() -> None:
    shown = glance(batch("B-1", tried("S-1", 2e6), tried("S-2", 3e6, why_not="cracked")))
    figure = draw_glance(shown, METRIC)
    ax = figure.axes[0]
    assert marks(ax, "o")[1] == (3.0, "white")
    assert marks(ax, "o")[0][1] != "white"
    assert [x for x, _ in marks(ax, "x")] == [3.0]
    assert [text.get_text() for text in ax.texts] == ["S-2"]
    assert "S-2 left out: cracked" in words(figure)


def test_problems_and_remarks_differ_in_mark_and_in_sign() -> None:
    shown = glance(
        batch(
            "B-1",
            tried("S-1", 2e6, problems=(finding("there are two", 3, "test"),)),
            tried("S-2", 3e6, remarks=(finding("burn rate of 65 mm/s", 4),)),
        ),
        problems=(finding("`time` is empty", 9, "time (s)"),),
        remarks=(finding("nothing reads this", 1),),
    )
    figure = draw_glance(shown, METRIC)
    ax = figure.axes[0]
    assert [x for x, _ in marks(ax, "D")] == [2.0]
    assert [text.get_text() for text in ax.texts] == ["! S-1", "? S-2"]
    told = words(figure)
    assert "! S-1: test: there are two ? S-2: burn rate of 65 mm/s" in told
    assert "! campaigns/x/strands.csv:9, time (s): `time` is empty" in told
    assert "? campaigns/x/strands.csv:1: nothing reads this" in told
    assert "x: 1 batch, 2 tests, 2 problems, 2 remarks" in told


def test_what_cannot_be_placed_is_said() -> None:
    shown = glance(
        batch("B-1", tried("F-1", None, kind="firing", why_not="no throat is given")),
        batch("B-2"),
        batch("B-9", tried("S-1", 1e6), formulation="", mixed=None),
    )
    told = words(draw_glance(shown, METRIC))
    assert "F-1: no pressure known, no throat is given" in told
    assert "no test of it" in told
    assert "! B-9, no such batch on record no date; 1 strand" in told


@pytest.mark.parametrize("tests", [0, 1])
def test_a_campaign_that_has_hardly_begun(tests: int) -> None:
    shown = glance(batch("B-1", *(tried("S-1", 2e6),)[:tests]))
    figure = draw_glance(shown, METRIC)
    ax = figure.axes[0]
    assert len(marks(ax, "o")) == tests
    assert len(ax.get_xticks()) == (0 if tests == 0 else 3)
    assert figure.get_size_inches()[1] < 3.0


def test_a_campaign_of_problems_alone_lists_them() -> None:
    told = words(draw_glance(glance(problems=(finding(),)), METRIC))
    assert "campaigns/x/strands.csv:7: `time` is empty" in told


def test_no_text_of_a_crowded_glance_overlaps_another_or_leaves_it(
    assert_apart: AssertApart,
) -> None:
    figure = draw_glance(crowded(), METRIC)
    figure.draw_without_rendering()
    seen: list[Text] = list(figure.texts)
    for ax in figure.axes:
        seen += ax.texts
        seen += [*ax.get_yticklabels(), ax.xaxis.label] if ax.axison else []
    assert_apart(figure, seen)
    assert "and 20 more" in words(figure)


def test_same_records_same_bytes() -> None:
    shown = glance(batch("B-1", tried("S-1", 2e6), tried("S-2", 3e6, why_not="cracked")))
    first, second = (picture_bytes(draw_glance(shown, METRIC), ".svg") for _ in range(2))
    assert first == second


def test_of_very_many_batches_the_last_are_drawn_and_the_problems_of_all_told() -> None:
    early = batch("B-000", tried("S-0", 1e6, problems=(finding("there are two", 2),)))
    many = [
        batch(f"B-{number:03d}", *(tried(f"S-{number}-{place}", 2e6) for place in range(3)))
        for number in range(1, 1000)
    ]
    crowd = batch("B-999", *(tried(f"T-{n}", 2e6, why_not="cracked") for n in range(3000)))
    figure = draw_glance(glance(early, *many, crowd), METRIC)
    labels = [text.get_text() for text in figure.axes[0].get_yticklabels()]
    assert len(labels) == 60
    assert labels[-1].startswith("B-999")
    told = words(figure)
    assert "x: 1001 batches, 5998 tests, 1 problem" in told
    assert "Earlier batches are not drawn: 941." in told
    assert "! campaigns/x/strands.csv:2: there are two" in told
    assert "and more, which check and reduce tell" in told
    assert figure.get_size_inches()[1] < 60.0
