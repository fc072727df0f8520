"""The picture of a swept rate, checked by what stands in it; all data here are invented."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from strandwise.errors import RequestError
from strandwise.reduction import FiringReduction, RatePoint
from strandwise.report import display_units, in_unit
from strandwise.report.figures import draw_swept_rate, picture_bytes
from strandwise.report.style import house_style

METRIC = display_units("metric")
INCH_POUND = display_units("inch-pound")


@dataclass(frozen=True, kw_only=True)
class Invented:
    """What the picture takes from a swept rate: r = 8 mm/s · (P/3 MPa)^0.35, n known to ±0.022."""

    pressure: np.ndarray
    rate: np.ndarray
    used: np.ndarray
    closure: float = 1.004
    exponent: float | None = 0.35
    why_no_exponent: str | None = None

    def exponent_interval(self) -> tuple[float, float] | None:
        return None if self.exponent is None else (self.exponent - 0.022, self.exponent + 0.022)

    def rate_at(self, pressure: float) -> float:
        return 8e-3 * (pressure / 3e6) ** 0.35

    def rate_interval(self, pressure: float) -> tuple[float, float]:
        half = 0.01 + 0.02 * abs(math.log(pressure / 3e6))
        return self.rate_at(pressure) * (1.0 - half), self.rate_at(pressure) * (1.0 + half)


def swept(*, rise: float = 2.0, samples: int = 2000, known: bool = True) -> Invented:
    """Pressure rising by `rise` over 1.5 s, noise of 1 %; a tenth at either end is not used."""
    time = np.linspace(0.0, 1.5, samples)
    pressure = 3e6 * rise ** (time / 1.5 - 0.5)
    noise = np.random.default_rng(4).normal(0.0, 0.01, samples)
    rate = 8e-3 * (pressure / 3e6) ** 0.35 * np.exp(noise)
    return Invented(
        pressure=pressure,
        rate=np.where((time < 0.15) | (time > 1.35), 1.0, rate),
        used=(time >= 0.15) & (time <= 1.35),
        exponent=0.35 if known else None,
        why_no_exponent=None if known else "the pressure moves by 4 % over the burn",
    )


def reduction(found: Invented | None = None, **fields: object) -> FiringReduction:
    given: dict[str, object] = {
        "test": "F-07",
        "batch": "B-03",
        "formulation": "base",
        "web": 0.012,
        "pressure_from": "gauge",
        "swept": found or swept(),
        "point": RatePoint(
            test="F-07",
            batch="B-03",
            formulation="base",
            kind="firing",
            pressure=3.1e6,
            pressure_sd=3e4,
            rate=8.2e-3,
            rate_sd=2e-4,
            uncertainty="invented",
        ),
    }
    return FiringReduction(**(given | fields))  # type: ignore[arg-type]


def words(figure: Figure) -> str:
    with house_style():
        figure.draw_without_rendering()
    texts = figure.findobj(lambda artist: hasattr(artist, "get_text"))
    return "\n".join(" ".join(text.get_text().split()) for text in texts)


@pytest.mark.parametrize("units", [METRIC, INCH_POUND])
def test_samples_law_and_point_stand_where_the_results_say(units):
    found = swept()
    (ax,) = draw_swept_rate(reduction(found), units).axes
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")
    first, second, law, *_ = ax.lines
    for half in (first, second):
        pressure, rate = (np.asarray(data, dtype=float) for data in half.get_data())
        assert 100 < len(pressure) <= 150
        # every mark lies on the invented law within its noise of 1 %
        expected = in_unit(8e-3, units.rate) * (pressure / in_unit(3e6, units.pressure)) ** 0.35
        assert np.abs(np.log(rate / expected)).max() < 0.05
    assert max(first.get_xdata()) < min(second.get_xdata())
    x, y = (np.asarray(data, dtype=float) for data in law.get_data())
    assert np.diff(np.log(y)) / np.diff(np.log(x)) == pytest.approx(np.full(len(x) - 1, 0.35))
    inside = found.pressure[found.used]
    assert (x[0], x[-1]) == pytest.approx(
        (in_unit(inside.min(), units.pressure), in_unit(inside.max(), units.pressure))
    )
    marks = [line for line in ax.lines if line.get_fillstyle() == "bottom"]
    assert [mark.get_xdata()[0] for mark in marks] == pytest.approx(
        [in_unit(3.1e6, units.pressure)]
    )


def test_the_band_is_the_interval_of_the_law():
    found = swept()
    (ax,) = draw_swept_rate(reduction(found), METRIC).axes
    (band,) = (c for c in ax.collections if isinstance(c, PolyCollection))
    low, high = found.rate_interval(float(found.pressure[found.used].min()))
    vertices = band.get_paths()[0].vertices
    ends = vertices[np.isclose(vertices[:, 0], vertices[:, 0].min()), 1]
    assert (ends.min(), ends.max()) == pytest.approx((low * 1e3, high * 1e3))


def test_what_it_says():
    text = words(draw_swept_rate(reduction(), METRIC))
    assert "law within the firing: n = 0.350 (0.328 … 0.372)" in text
    assert "Web over burn time: 8.20 ± 0.20 mm/s" in text
    assert "missed the grain's by +0.40 %" in text
    assert "the firing counts once" in text
    assert "not measured" not in text
    close = replace(swept(), closure=1.0002)
    text = words(draw_swept_rate(reduction(close, pressure_from="thrust"), METRIC))
    assert "closed on the grain's within 0.1 %" in text
    assert "Pressure from the thrust, not measured." in text


def test_without_an_exponent_there_is_no_law_and_the_reason_stands():
    flat = swept(rise=1.04, known=False)
    figure = draw_swept_rate(reduction(flat, point=None), METRIC)
    (ax,) = figure.axes
    assert not ax.collections
    assert len(ax.lines) == 2
    assert "No exponent from this firing: the pressure moves by 4 %" in words(figure)
    low, high = ax.get_xlim()
    assert high / low > 1.3


def test_the_legend_stands_clear_of_the_samples():
    figure = draw_swept_rate(reduction(swept(rise=0.4)), METRIC)
    figure.draw_without_rendering()
    (ax,) = figure.axes
    floor = ax.get_legend().get_window_extent().y0
    for line in ax.lines:
        drawn = np.column_stack(line.get_data()).astype(float)
        tops = ax.transData.transform(drawn)[:, 1]
        assert tops.max() < floor


def test_a_firing_without_a_swept_rate_is_refused():
    with pytest.raises(RequestError, match="firing `F-07` has no swept rate to draw"):
        draw_swept_rate(replace(reduction(), swept=None), METRIC)


def test_the_picture_is_the_same_each_time():
    first, second = (picture_bytes(draw_swept_rate(reduction(), METRIC), ".svg") for _ in range(2))
    assert first == second


def test_a_firing_that_no_fit_uses_says_so():
    plain = reduction(swept())
    left = replace(plain, point=replace(plain.point, used=False, why_not="the signal is lost"))
    assert "No fit uses this firing: the signal is lost." in words(draw_swept_rate(left, METRIC))
    assert "No fit uses" not in words(draw_swept_rate(plain, METRIC))
