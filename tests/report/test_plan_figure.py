"""The picture of a plan is checked by what stands in it; the campaigns are invented."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.text import Text

from strandwise.planning import (
    MotorTests,
    NextTests,
    PeakTarget,
    PowerCurve,
    next_tests,
    next_tests_for_motor,
    power_curves,
)
from strandwise.report import display_units
from strandwise.report.figures import draw_plan, picture_bytes
from strandwise.tracking import Analysis, RateObservations, analyse, variance_components

AssertApart = Callable[[Figure, Sequence[Text]], None]

METRIC = display_units("metric")
INCH_POUND = display_units("inch-pound")
AT = 4e6
LONG = "a-formulation-whose-name-takes-several-lines-of-its-own"


def analysed(batches: dict[str, int], seed: int = 3) -> Analysis:
    """Strands at three pressures, 7 mm/s and n = 0.4 at 4 MPa."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, count in batches.items():
        for batch in range(count):
            effect = rng.normal(0, 0.03)
            for pressure in (2e6, 4e6, 7e6):
                log_rate = np.log(7e-3) + 0.4 * np.log(pressure / AT) + effect
                log_rate += rng.normal(0, 0.01)
                rows.append((f"{name}-{batch}", name, pressure, float(np.exp(log_rate))))
    return analyse(
        RateObservations(
            test=[f"T{index}" for index in range(len(rows))],
            batch=[row[0] for row in rows],
            formulation=[row[1] for row in rows],
            is_firing=[False] * len(rows),
            pressure=[row[2] for row in rows],
            rate=[row[3] for row in rows],
        ),
        baseline="base",
        pressure=AT,
    )


def planned(batches: dict[str, int]) -> tuple[NextTests, tuple[PowerCurve, ...]]:
    analysis = analysed(batches)
    components = variance_components(analysis)
    plan = next_tests(analysis, components=components)
    return plan, power_curves(analysis, components, plan.targets)


def for_motor(batches: dict[str, int]) -> MotorTests:
    targets = [
        PeakTarget(formulation=name, pressure=5e6, exponent=0.4, motor_variance=1e-3)
        for name in batches
    ]
    return next_tests_for_motor(analysed(batches), targets)


def words(figure: Figure) -> str:
    texts = [text.get_text() for text in figure.findobj(Text) if text.get_text().strip()]
    return "\n".join(" ".join(text.split()) for text in texts)


def dots(ax: Axes) -> list[float]:
    return [float(line.get_xdata()[0]) for line in ax.lines if line.get_marker() == "o"]


def test_every_suggestion_stands_where_the_plan_has_it() -> None:
    plan, curves = planned({"base": 3, "slow": 3})
    figure = draw_plan(plan, curves, METRIC)
    left, _ = figure.axes
    assert plan.interval_now is not None
    assert dots(left) == pytest.approx(
        [100.0 * math.expm1(one.interval_after) for one in plan.suggestions]
    )
    now = next(line for line in left.lines if line.get_linestyle() == "--")
    assert now.get_xdata()[0] == pytest.approx(100.0 * math.expm1(plan.interval_now))
    assert left.get_xlim()[0] == 0.0
    labels = [" ".join(text.get_text().split()) for text in left.get_yticklabels()]
    assert labels[0].startswith("1. new batch of ")
    assert labels[0].endswith("2.00 to 7.00 MPa")
    told = words(figure)
    assert "at 4.00 MPa absolute" in told
    assert " narrower" in told
    assert "from batch to batch" in told


def test_the_chances_stand_where_the_curves_have_them() -> None:
    plan, curves = planned({"base": 3, "slow": 3, "slower": 2})
    figure = draw_plan(plan, curves, METRIC, shift=-0.05)
    _, right = figure.axes
    drawn = [line for line in right.lines if len(line.get_xdata()) == len(curves[0].shifts)]
    assert len(drawn) == len(curves)
    for curve in curves:
        assert any(
            np.allclose(line.get_ydata(), 100.0 * np.array(curve.power))
            and np.allclose(line.get_xdata(), -100.0 * np.array(curve.shifts))
            for line in drawn
        )
    legend = right.get_legend()
    assert legend is not None
    assert len(legend.get_texts()) == 4
    ends = {str(line.get_marker()): line for line in right.lines if line.get_marker() != "None"}
    assert sorted(ends) == ["D", "^", "o", "s"]
    of_hardest = [curve for curve in curves if curve.formulation == "slower"]
    for marker, curve in zip("os^D", of_hardest, strict=True):
        assert ends[marker].get_xdata()[0] == pytest.approx(-100.0 * curve.shown)
        assert ends[marker].get_ydata()[0] == 80.0
    (band,) = [found for found in right.collections if isinstance(found, PolyCollection)]
    heights = band.get_paths()[0].vertices[:, 1]
    hardest = min(curves, key=lambda curve: curve.shown)
    assert hardest.formulation == "slower"
    now = next(c for c in curves if c.formulation == "slower" and c.new_batches == 0)
    assert heights.max() == pytest.approx(100.0 * max(now.high))
    levels = [list(line.get_ydata()) for line in right.lines if list(line.get_xdata()) == [0, 1]]
    assert levels == [[80.0, 80.0]]
    told = words(figure)
    assert "slower, which is hardest to show" in told
    assert "Upright line: the shift asked for." in told
    assert "Band: 95 %" in told


def test_one_batch_each_has_no_now_and_no_band_and_says_so() -> None:
    plan, curves = planned({"base": 1, "slow": 1})
    figure = draw_plan(plan, curves, INCH_POUND)
    left, right = figure.axes
    told = words(figure)
    assert "now not known" in told
    assert "partly assumed" in told
    assert not [line for line in left.lines if line.get_linestyle() == "--"]
    assert not [found for found in right.collections if isinstance(found, PolyCollection)]
    assert "psi" in told
    assert "MPa" not in told


def test_without_suggestions_and_curves_words_stand_in_their_place() -> None:
    plan, _ = planned({"base": 3, "slow": 3})
    bare = NextTests(
        targets=plan.targets,
        pressure=plan.pressure,
        interval_now=plan.interval_now,
        components=plan.components,
        batch_share=plan.batch_share,
        suggestions=(),
        extensions=(),
    )
    told = words(draw_plan(bare, (), METRIC))
    assert "nothing to suggest at the pressures permitted" in told
    assert "no number of new batches looked at gives a shift an interval" in told


def test_a_motor_shows_what_its_spread_comes_from() -> None:
    plan = for_motor({"base": 3, "slow": 3})
    figure = draw_plan(plan, (), INCH_POUND, "A motor")
    left, right = figure.axes
    assert dots(left) == pytest.approx([100.0 * one.sd_after for one in plan.suggestions])
    shares = [bar.get_width() for bar in right.patches]
    assert sum(shares) == pytest.approx(200.0)
    for place, now in enumerate(plan.now):
        own = [bar for bar in right.patches if bar.get_y() == pytest.approx(place - 0.25)]
        parts = [now.batches, now.tests, now.shared, now.motor]
        assert [bar.get_width() for bar in own] == pytest.approx(
            [100.0 * part / now.variance for part in parts]
        )
    hatches = [bar.get_hatch() for bar in right.patches[::2]]
    assert len(set(hatches)) == len(hatches)
    labels = [text.get_text() for text in right.get_yticklabels()]
    assert labels[0].startswith("base\n725 psi ±")  # 5 MPa / 6894.757 Pa
    told = words(figure)
    assert "A motor" in told
    assert "off the variance" in told
    assert "not a licence" in told


@pytest.mark.parametrize("kind", ["shift", "motor"])
def test_no_text_of_a_crowded_plan_overlaps_another_or_leaves_it(
    kind: str, assert_apart: AssertApart
) -> None:
    batches = {"base": 2} | {f"{LONG}-{number}": 2 for number in range(7)}
    if kind == "motor":
        figure = draw_plan(for_motor(batches), (), INCH_POUND)
    else:
        figure = draw_plan(*planned(batches), INCH_POUND, shift=-0.05)
    figure.draw_without_rendering()
    seen: list[Text] = list(figure.texts)
    for ax in figure.axes:
        legend = ax.get_legend()
        seen += [*ax.texts, *ax.get_yticklabels(), ax.xaxis.label]
        seen += [] if legend is None else legend.get_texts()
        seen.append(ax._left_title)  # type: ignore[attr-defined]
    assert_apart(figure, seen)


def test_same_plan_same_bytes() -> None:
    plan, curves = planned({"base": 3, "slow": 3})
    first, second = (picture_bytes(draw_plan(plan, curves, METRIC), ".svg") for _ in range(2))
    assert first == second
