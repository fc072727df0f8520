"""The picture of a calibration, checked by what stands in it; all data here are invented."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from strandwise.errors import RequestError
from strandwise.reduction import CalibrationReport, calibration_report_from_arrays
from strandwise.report import display_units
from strandwise.report.figures import draw_calibration, picture_bytes
from strandwise.report.style import house_style

METRIC = display_units("metric")
INCH_POUND = display_units("inch-pound")
LOADS = np.array([0.0, 50.0, 100.0, 150.0, 200.0, 150.0, 100.0, 50.0, 0.0])


def cell(
    loads: np.ndarray = LOADS, lag: float = 0.0, slip: float = 0.0, **fields: str
) -> CalibrationReport:
    falling = np.concatenate([[False], np.diff(loads) < 0.0])
    noise = np.random.default_rng(2).normal(0.0, 0.2, len(loads))
    readings = (loads + lag * falling + noise) * 40.0 + 8000.0
    readings[2] += slip * 40.0
    given = {"name": "cell-9", "kind": "load-cell", "reading_unit": "count"} | fields
    return calibration_report_from_arrays(readings, loads, **given)


def words(figure: Figure) -> str:
    with house_style():
        figure.draw_without_rendering()
    texts = figure.findobj(lambda artist: hasattr(artist, "get_text"))
    return "\n".join(" ".join(text.get_text().split()) for text in texts)


@pytest.mark.parametrize(
    ("units", "kind", "labels"),
    [
        (METRIC, "load-cell", ("Reading (count)", "Load (N)", "Load (N)", "Load minus line (N)")),
        (
            INCH_POUND,
            "pressure-transducer",
            (
                "Reading (count)",
                "Absolute pressure (psi)",
                "Absolute pressure (psi)",
                "Absolute pressure minus line (psi)",
            ),
        ),
    ],
)
def test_axes_carry_quantity_and_unit(units, kind, labels):
    left, right = draw_calibration(cell(kind=kind), units).axes
    assert (left.get_xlabel(), left.get_ylabel(), right.get_xlabel(), right.get_ylabel()) == labels


def test_rows_and_line_stand_where_the_report_says():
    report = cell(np.array([0.0, 40.0, 90.0, 130.0, 200.0]))
    left, right = draw_calibration(report, INCH_POUND).axes
    pound = 4.4482216152605  # N, NIST SP 811
    line, rows = left.lines
    x, y = line.get_data()
    assert np.asarray(y) * pound == pytest.approx(report.load_at(x))
    assert rows.get_xdata() == pytest.approx(report.readings)
    assert np.asarray(rows.get_ydata()) * pound == pytest.approx(report.loads)
    assert np.asarray(right.lines[-1].get_ydata()) * pound == pytest.approx(report.residuals)


def test_bands_are_the_intervals_of_line_and_row():
    report = cell()
    right = draw_calibration(report, METRIC).axes[1]
    outer, inner = (found for found in right.collections if isinstance(found, PolyCollection))
    for band, sd in ((inner, report.line_sd_at), (outer, report.reading_sd_at)):
        vertices = band.get_paths()[0].vertices
        lowest = vertices[np.argmin(vertices[:, 0])]
        reading = (lowest[0] - report.line.intercept) / report.line.slope
        # Student's t for 7 degrees of freedom, any printed table: 2.365
        assert abs(lowest[1]) == pytest.approx(2.365 * float(sd(reading)), rel=1e-3)


def test_up_and_down_are_told_apart_in_more_than_colour():
    figure = draw_calibration(cell(lag=4.0), METRIC)
    markers = [str(line.get_marker()) for line in figure.axes[1].lines]
    assert {"^", "v"} <= set(markers)
    text = words(figure)
    assert "Pointing down: load reached from above." in text
    assert "from above minus from below up to" in text
    assert "Cautions, which calibrate spells out: not linear, hysteresis." in text


def test_a_row_that_stands_off_is_ringed():
    report = cell(slip=12.0)
    figure = draw_calibration(report, METRIC)
    assert report.odd_row == 2
    assert "Ringed: row 3, which stands off the others." in words(figure)
    ring = figure.axes[1].lines[-1]
    assert ring.get_markerfacecolor() == "none"
    assert list(ring.get_xdata()) == [100.0]


def test_the_slope_is_written_with_its_uncertainty_and_unit():
    assert "N per count (one standard" in words(draw_calibration(cell(), METRIC))
    counts = calibration_report_from_arrays(
        [0, 40100, 80000, 119900, 160000],
        [0.0, 10.0, 20.0, 30.0, 40.0],
        kind="load-cell",
        reading_unit="count",
    )
    text = words(draw_calibration(counts, METRIC))
    assert "Slope 0.25012 ± 0.00014 N per 1000 counts (one standard uncertainty; 95 %: " in text
    volts = calibration_report_from_arrays(
        [0.5, 1.5, 2.5, 3.5, 4.5],
        [1e5, 26.1e5, 51e5, 75.9e5, 101e5],
        kind="pressure-transducer",
        reading_unit="V",
    )
    # Least squares by hand: (2·(10.1 − 0.1) + (7.59 − 2.61)) / 10 MPa per V.
    assert "Slope 2.4980 ±" in words(draw_calibration(volts, METRIC))


def test_two_rows_show_no_band_and_say_so():
    report = calibration_report_from_arrays(
        [0.5, 4.5], [0.0, 900.0], kind="load-cell", reading_unit="V", name="two"
    )
    figure = draw_calibration(report, METRIC)
    assert not figure.axes[1].collections
    assert "Slope 225 N per V; two rows tell no uncertainty." in words(figure)


def test_loads_of_no_known_unit_are_refused():
    with pytest.raises(RequestError, match="instrument of kind `ruler` cannot be drawn"):
        draw_calibration(cell(kind="ruler"), METRIC)


def test_the_picture_is_the_same_each_time():
    first, second = (
        picture_bytes(draw_calibration(cell(lag=3.0), METRIC), ".svg") for _ in range(2)
    )
    assert first == second
