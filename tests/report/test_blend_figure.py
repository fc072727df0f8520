"""Rate against composition is checked by what stands in the picture; the blends are invented."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.text import Text

from strandwise.errors import RequestError
from strandwise.report import display_units
from strandwise.report.figures import draw_blends, picture_bytes
from strandwise.tracking import BlendLines, MeasuredBlend, exchange_lines, fit_mixture

METRIC = display_units("metric")
INCH_POUND = display_units("inch-pound")
TRUTH = {"nitrate": -4.0, "sugar": -6.5, "coolant": -14.0}
MIXES = (
    (0.65, 0.35, 0.00), (0.60, 0.40, 0.00), (0.65, 0.31, 0.04), (0.60, 0.36, 0.04),
    (0.70, 0.28, 0.02), (0.68, 0.26, 0.06), (0.58, 0.37, 0.05),
)  # fmt: skip


def blend(
    batch: str, formulation: str, fractions: dict[str, float], rate: float, *, bar: bool = True
) -> MeasuredBlend:
    return MeasuredBlend(
        batch=batch,
        formulation=formulation,
        fractions=fractions,
        rate=rate,
        ci95=(0.97 * rate, 1.03 * rate) if bar else None,
    )


def chalked() -> list[MeasuredBlend]:
    """Two batches of the baseline and two with chalk in place of sugar."""
    base, chalk = {"nitrate": 0.65, "sugar": 0.35}, {"nitrate": 0.65, "sugar": 0.31, "chalk": 0.04}
    return [
        blend("B-1", "base", base, 8e-3),
        blend("B-2", "chalk-10", chalk, 7.1e-3),
        blend("B-3", "base", base, 8.2e-3),
        blend("B-4", "chalk-10", chalk, 7.2e-3, bar=False),
    ]


def modelled() -> tuple[list[MeasuredBlend], BlendLines]:
    rng = np.random.default_rng(4)
    measured = [
        blend(
            f"B-{number}",
            f"mix-{number}",
            dict(zip(TRUTH, mix, strict=True)),
            math.exp(
                sum(x * b for x, b in zip(mix, TRUTH.values(), strict=True)) + rng.normal(0, 0.03)
            ),
        )
        for number, mix in enumerate(MIXES)
    ]
    fit = fit_mixture(
        {one.batch: one.fractions for one in measured},
        {one.batch: math.log(one.rate) for one in measured},
    )
    return measured, exchange_lines(fit, measured)


def words(figure: Figure) -> str:
    texts = [text.get_text() for text in figure.findobj(Text) if text.get_text().strip()]
    return "\n".join(" ".join(text.split()) for text in texts)


def marks(ax: Axes) -> dict[str, tuple[float, float]]:
    """Where the point of each batch stands."""
    return {
        str(line.get_label()): (float(line.get_xdata()[0]), float(line.get_ydata()[0]))
        for line in ax.lines
        if str(line.get_label()).startswith("B-")
    }


def test_without_a_model_the_rates_stand_as_measured_against_what_moves() -> None:
    figure = draw_blends(chalked(), None, 4e6, METRIC, why_not="too few blends")
    sugar, chalk = figure.axes
    assert sugar.get_xlabel() == "sugar (% by mass)"
    assert chalk.get_xlabel() == "chalk (% by mass)"
    assert sugar.get_ylabel() == "Burn rate (mm/s)"
    for ax, share in ((sugar, 35.0), (chalk, 0.0)):
        found = marks(ax)
        assert found["B-1"][1] == pytest.approx(8.0)
        assert found["B-3"][1] == pytest.approx(8.2)
        # Side by side about their own fraction
        assert (found["B-1"][0] + found["B-3"][0]) / 2.0 == pytest.approx(share)
        assert found["B-1"][0] < found["B-3"][0]
    bars = [sorted(line.get_ydata()) for line in chalk.lines if len(line.get_ydata()) == 2]
    assert sorted(bars) == [pytest.approx([0.97 * rate, 1.03 * rate]) for rate in (7.1, 8.0, 8.2)]
    told = words(figure)
    assert "Burn rate at 4.00 MPa absolute against composition" in told
    assert "1: base; 2: chalk-10." in told
    assert "Hollow: two tests, which leave no interval." in told
    assert "No line: too few blends." in told


def test_a_model_is_drawn_as_far_as_it_was_tested_and_dashed_on_grey_beyond() -> None:
    measured, model = modelled()
    figure = draw_blends(measured, model, 4e6, INCH_POUND)
    assert len(figure.axes) == 3
    per_inch = 25.4e-3  # m, exact (NIST SP 811, appendix B.8)
    for ax, line in zip(figure.axes, model.lines, strict=False):
        curves = [one for one in ax.lines if len(one.get_xdata()) > 10]
        whole, inside = sorted(curves, key=lambda one: -len(one.get_xdata()))
        assert whole.get_linestyle() == "--"
        assert np.array(whole.get_ydata()) * per_inch == pytest.approx(np.array(line.rate))
        low, high = (100.0 * end for end in line.tested)
        assert low - 1e-6 <= min(inside.get_xdata()) <= max(inside.get_xdata()) <= high + 1e-6
        (band,) = [one for one in ax.collections if isinstance(one, PolyCollection)]
        heights = band.get_paths()[0].vertices[:, 1] * per_inch
        assert (heights.min(), heights.max()) == pytest.approx((min(line.low), max(line.high)))
        grey = [(one.get_x(), one.get_x() + one.get_width()) for one in ax.patches]
        assert grey[-1] == pytest.approx((high, 100.0 * line.fractions[-1]))
        assert ax.get_title(loc="left") == line.more
    told = words(figure)
    assert "no blend was tested there" in told
    assert "in place of nitrate" in told


def test_the_last_panel_has_the_rates_as_measured_against_the_model() -> None:
    measured, model = modelled()
    ax = draw_blends(measured, model, 4e6, METRIC).axes[-1]
    found = marks(ax)
    for one, by_model in zip(measured, model.modelled, strict=True):
        assert found[one.batch] == pytest.approx((1e3 * by_model, 1e3 * one.rate))
    assert ax.get_xlabel() == "By the model (mm/s)"


def test_batches_that_were_not_tested_there_are_named() -> None:
    told = words(draw_blends(chalked(), None, 4e6, METRIC, left_out=("B-7",)))
    assert "Not tested around this pressure: B-7." in told


def test_nothing_to_draw_is_refused() -> None:
    with pytest.raises(RequestError, match=r"no batch was tested around 580 psi"):
        draw_blends([], None, 4e6, INCH_POUND)
    with pytest.raises(RequestError, match="all batches consist of the same"):
        draw_blends(chalked()[::2], None, 4e6, METRIC)


@pytest.mark.parametrize("with_model", [False, True])
def test_labels_stand_apart_and_inside(with_model: bool) -> None:
    if with_model:
        measured, model = modelled()
        figure = draw_blends(measured, model, 4e6, METRIC)
    else:
        longest = "a-name-of-an-ingredient-that-is-very-long-indeed"
        measured = [
            blend(
                f"B-{number}",
                f"formulation-{number}",
                {"nitrate": 0.6, longest: 0.4 - 0.03 * number, f"other-{number}": 0.03 * number},
                8e-3 - 2e-4 * number,
            )
            for number in range(8)
        ]
        figure = draw_blends(measured, None, 4e6, INCH_POUND)
    figure.draw_without_rendering()
    seen = list(figure.texts)
    for ax in figure.axes:
        seen += [ax.xaxis.label, ax.yaxis.label, ax._left_title]  # type: ignore[attr-defined]
    boxes = [(t.get_text(), t.get_window_extent()) for t in seen if t.get_text().strip()]
    for (text, box), (other_text, other) in itertools.combinations(boxes, 2):
        assert not box.overlaps(other), (text, other_text)
    for text, box in boxes:
        assert box.x0 >= 0.0, text
        assert box.x1 <= figure.bbox.x1, text


def test_same_blends_same_bytes() -> None:
    measured, model = modelled()
    first, second = (
        picture_bytes(draw_blends(measured, model, 4e6, METRIC), ".svg") for _ in range(2)
    )
    assert first == second


def test_numbers_of_many_formulations_at_one_fraction_do_not_cover_each_other() -> None:
    many = [
        blend(f"B-{k}", f"mix-{k}", {"nitrate": 0.65, "sugar": 0.35, "chalk": 0.0}, 8e-3 + k * 3e-5)
        for k in range(11)
    ]
    many.append(blend("B-z", "z", {"nitrate": 0.65, "sugar": 0.31, "chalk": 0.04}, 7e-3))
    figure = draw_blends(many, None, 4e6, METRIC)
    figure.draw_without_rendering()
    for ax in figure.axes:
        boxes = [text.get_window_extent() for text in ax.texts]
        assert len(boxes) == 12
        assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))
        assert all(box.y1 <= ax.get_window_extent().y1 + 1.0 for box in boxes)


def test_untested_fractions_are_hatched_and_not_only_grey() -> None:
    figure = draw_blends(*modelled(), 4e6, METRIC)
    hatched = [patch for ax in figure.axes for patch in ax.patches if patch.get_hatch()]
    assert hatched
    assert "dashed and hatched: no blend was tested there" in words(figure)
    assert "grey" not in words(figure).lower()
