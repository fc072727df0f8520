"""The drift chart is checked by what stands in it; the batches are invented."""

from __future__ import annotations

import datetime

import numpy as np
import pytest

from strandwise.errors import RequestError
from strandwise.report import display_units
from strandwise.report.figures import draw_drift, picture_bytes
from strandwise.tracking import DriftChart, drift_chart

METRIC = display_units("metric")


def chart(count: int, *, step: float = 0.0) -> DriftChart:
    values = np.log(7e-3) + np.random.default_rng(2).normal(0, 0.01, count)
    values[count // 2 :] += step
    return drift_chart(
        [f"M{index + 1}" for index in range(count)],
        [datetime.date(2031, 3, 1) + datetime.timedelta(weeks=index) for index in range(count)],
        values,
        [0.004] * count,
        formulation="base",
        pressure=4e6,
        seed=1,
    )


def footnote(figure: object) -> str:
    return " ".join(text.get_text() for text in figure.texts).replace("\n", " ")  # type: ignore[attr-defined]


def test_centre_and_limits_stand_where_the_chart_has_them() -> None:
    found = chart(12)
    figure = draw_drift(found, METRIC)
    upper, lower = figure.axes
    shown = sorted(
        line.get_ydata()[0]
        for line in upper.lines
        if len(line.get_xdata()) == 2 and list(line.get_xdata()) == [0, 1]
    )
    assert shown == pytest.approx([1e3 * x for x in (found.lower, found.centre, found.upper)])
    rates = next(line for line in upper.lines if len(line.get_xdata()) == 12)
    assert rates.get_ydata() == pytest.approx([1e3 * point.rate for point in found.points])
    labels = [label.get_text() for label in lower.get_xticklabels()]
    assert labels[0] == "M1\n2031-03-01"
    assert upper.get_ylabel() == "Burn rate (mm/s)"
    assert "base: batches at 4.00 MPa absolute" in footnote(figure)


def test_a_change_of_level_and_signals_are_explained() -> None:
    told = footnote(draw_drift(chart(14, step=-0.08), METRIC))
    assert "Open squares: part of a pattern" in told
    assert "Heavy lines: mean levels before and after the clearest change" in told
    steady = footnote(draw_drift(chart(14), METRIC))
    assert "Heavy lines" not in steady


def test_few_batches_are_said_to_be_few() -> None:
    assert "4 batches are few" in footnote(draw_drift(chart(4), METRIC))


def test_one_batch_is_no_picture() -> None:
    with pytest.raises(RequestError, match="one batch of base shows no drift"):
        draw_drift(chart(1), METRIC)


def test_same_chart_same_bytes() -> None:
    first, second = (
        picture_bytes(draw_drift(chart(60), display_units("inch-pound")), ".svg") for _ in range(2)
    )
    assert first == second
