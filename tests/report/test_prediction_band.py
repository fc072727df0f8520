"""The band in which one more test would fall: drawn where a law is alone, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from strandwise.ratelaw import RateFit, RateSeries, fit_batches
from strandwise.reduction import RatePoint
from strandwise.report import display_units
from strandwise.report.figures import draw_rate_laws

METRIC = display_units("metric")
WORDS = "Dotted: where one more test"


def drawn(names: list[str], tests: int = 6) -> tuple[Figure, list[RateFit]]:
    rng = np.random.default_rng(4)
    pressure = np.geomspace(1e6, 6e6, tests)
    points, series = [], []
    for name in names:
        rate = 8e-3 * (pressure / 3e6) ** 0.4 * np.exp(0.02 * rng.normal(size=tests))
        labels = tuple(f"{name}-{number}" for number in range(tests))
        zeros = np.zeros(tests)
        series.append(
            RateSeries(
                label=name,
                formulation="base",
                tests=labels,
                pressure=pressure,
                rate=rate,
                pressure_sd=zeros,
                rate_sd=zeros,
                kinds=("strand",) * tests,
            )
        )
        points += [
            RatePoint(
                test=label,
                batch=name,
                formulation="base",
                kind="strand",
                pressure=p,
                pressure_sd=None,
                rate=r,
                rate_sd=None,
                uncertainty="not stated",
            )
            for label, p, r in zip(labels, pressure.tolist(), rate.tolist(), strict=True)
        ]
    fits = fit_batches(series)
    return draw_rate_laws(fits, points, METRIC), fits


def edges(figure: Figure, fits: list[RateFit]) -> list[np.ndarray]:
    """Curves over pressure that are not the laws themselves."""
    (ax,) = figure.axes
    curves = [line.get_xydata() for line in ax.lines if len(line.get_xdata()) > 20]
    laws = [fit.band(curve[:, 0] * 1e6).rate * 1e3 for fit in fits for curve in curves[:1]]
    return [c for c in curves if not any(np.allclose(c[:, 1], law, rtol=1e-9) for law in laws)]


def words_of(figure: Figure) -> str:
    return " ".join(text.get_text() for text in figure.findobj(Text))


def test_a_law_alone_shows_where_one_more_test_would_fall() -> None:
    figure, (fit,) = drawn(["B-1"])
    low, high = edges(figure, [fit])
    band = fit.band(low[:, 0] * 1e6)
    assert low[:, 1] == pytest.approx(band.new_low * 1e3, rel=1e-9)
    assert high[:, 1] == pytest.approx(band.new_high * 1e3, rel=1e-9)
    assert WORDS in " ".join(words_of(figure).split())


@pytest.mark.parametrize(("names", "tests"), [(["B-1", "B-2"], 6), (["B-1"], 2)])
def test_several_laws_or_two_tests_show_none(names: list[str], tests: int) -> None:
    figure, fits = drawn(names, tests)
    assert edges(figure, fits) == []
    assert WORDS not in " ".join(words_of(figure).split())
