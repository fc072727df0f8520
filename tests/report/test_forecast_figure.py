"""Pictures of forecasts and hindcasts show what their results hold."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from strandwise.errors import RequestError
from strandwise.forecast import (
    Forecast,
    Hindcast,
    HindcastRow,
    HindcastScore,
    LawSource,
    MotorDesign,
    forecast_motor,
)
from strandwise.motor import HollowCylinder, Nozzle
from strandwise.report.figures import draw_forecast, draw_hindcast, picture_bytes
from strandwise.report.labels import display_units

METRIC, INCH = display_units("metric"), display_units("inch-pound")
DESIGN = MotorDesign(
    name="big",
    grain=HollowCylinder(0.038, 0.018, 0.06, segments=3, inhibited=frozenset({"outer"})),
    nozzle=Nozzle(0.0105, exit_diameter=0.02),
    density=1780.0,
    characteristic_velocity=890.0,
    specific_heat_ratio=1.13,
    thrust_efficiency=0.94,
    ambient_pressure=1e5,
    case_limit=4e6,
)


def forecast(name: str, rate: float = 8e-3, *, bands: bool = True) -> Forecast:
    source = LawSource(
        formulation=name,
        law="power",
        reference_pressure=3.5e6,
        ln_r0=math.log(rate),
        n=0.42,
        covariance=np.diag([0.03**2, 0.01**2]),
        df=(10.0, 20.0),
        pressure_range=(0.9e6, 6e6),
        batches=3,
        strands=12,
        firings=2,
    )
    return forecast_motor(DESIGN, source, draws=300, seed=1, bands=bands)


@pytest.mark.parametrize("units", [METRIC, INCH], ids=["metric", "inch-pound"])
def test_lines_bands_and_limit_are_drawn(units: object) -> None:
    both = [forecast("base"), forecast("slow", 7e-3)]
    figure = draw_forecast(both, units)  # type: ignore[arg-type]
    upper, lower = figure.axes
    assert [text.get_text() for text in upper.get_legend().get_texts()] == ["base", "slow"]
    unit = 1e6 if units is METRIC else 6894.757
    for one, line in zip(both, upper.get_lines(), strict=False):
        assert one.bands is not None
        drawn = np.asarray(line.get_ydata(), dtype=float)
        np.testing.assert_allclose(drawn * unit, one.bands.pressure[2], rtol=1e-4)
    limit = upper.get_lines()[2]
    assert float(np.asarray(limit.get_ydata())[0]) * unit == pytest.approx(4e6, rel=1e-4)
    assert len(upper.collections) == 2
    assert "Thrust" in lower.get_title(loc="left") + lower.get_title()


def test_hatching_marks_what_was_not_tested() -> None:
    one = dataclasses.replace(forecast("base"), tested=(0.9e6, 1.5e6))
    upper, _ = draw_forecast([one], METRIC).axes
    ends = sorted(
        (float(patch.get_y()), float(patch.get_y() + patch.get_height()))  # type: ignore[attr-defined]
        for patch in upper.patches
    )
    assert len(ends) == 2
    assert ends[0] == pytest.approx((0.0, 0.9))
    assert ends[1][0] == pytest.approx(1.5)
    # In a grey print no shade of grey is told from another.
    assert all(patch.get_hatch() for patch in upper.patches)
    # However high the stated limit lifts the axis, all above the tests is hatched.
    assert ends[1][1] == pytest.approx(upper.get_ylim()[1])
    assert upper.get_ylim()[1] > 4.0


def test_forecasts_without_bands_are_refused() -> None:
    with pytest.raises(RequestError, match="without their bands"):
        draw_forecast([forecast("base", bands=False)], METRIC)
    with pytest.raises(RequestError, match="without their bands"):
        draw_forecast([], METRIC)


def test_the_same_forecast_gives_the_same_picture() -> None:
    first, second = (picture_bytes(draw_forecast([forecast("base")], METRIC), ".svg") for _ in "ab")
    assert first == second


def hindcast() -> Hindcast:
    rows = tuple(
        HindcastRow(
            test=f"F{number}",
            batch="B1",
            formulation="base",
            basis="all-others",
            quantity="mean-pressure" if number < 2 else "burn-time",
            measured=value,
            measured_sd=0.01 * value,
            predicted=1.05 * value,
            interval=(0.9 * value, 1.2 * value),
            inside=number != 1,
            deviation=-0.05,
            z=-0.7,
        )
        for number, value in enumerate((3e6, 4e6, 1.2))
    )
    scores = (
        HindcastScore(
            quantity="mean-pressure", basis="all-others", count=2, inside=1, mean_deviation=-0.05,
            typical_deviation=0.05, z_rms=0.7,
        ),
        HindcastScore(
            quantity="burn-time", basis="all-others", count=1, inside=1, mean_deviation=-0.05,
            typical_deviation=0.05, z_rms=0.7,
        ),
    )  # fmt: skip
    return Hindcast(rows=rows, scores=scores, skipped=(), cautions=())


def test_hindcast_draws_a_panel_a_quantity_and_marks_what_was_missed() -> None:
    figure = draw_hindcast(hindcast(), METRIC)
    upper, lower = figure.axes
    assert [label.get_text() for label in upper.get_yticklabels()] == ["F0  base", "F1  base"]
    marks = [line for line in upper.get_lines() if line.get_marker() == "s"]
    assert [float(np.asarray(mark.get_xdata())[0]) for mark in marks] == pytest.approx([3.0, 4.0])
    assert marks[1].get_markerfacecolor() == "white"
    assert marks[0].get_markerfacecolor() != "white"
    assert len(lower.get_yticklabels()) == 1
    assert "1 of 2 inside" in " ".join(text.get_text().replace("\n", " ") for text in figure.texts)


def test_hindcast_of_nothing_is_refused() -> None:
    empty = dataclasses.replace(hindcast(), rows=(), scores=())
    with pytest.raises(RequestError, match="without a firing"):
        draw_hindcast(empty, METRIC)
