"""The pictures are checked by what stands in them; all data here are invented."""

from __future__ import annotations

import itertools
import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.container import ErrorbarContainer
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.ratelaw import RateFit, RateSeries, fit_batches
from strandwise.reduction import FiringReduction, RatePoint, TraceSeries
from strandwise.report import DisplayUnits, display_units, in_unit
from strandwise.report.axes import few_ticks, log_ticks
from strandwise.report.figures import (
    draw_comparison,
    draw_firing_trace,
    draw_rate_laws,
    picture_bytes,
)
from strandwise.report.style import house_style
from strandwise.tracking import Comparison, RateObservations, compare_formulations

METRIC = display_units("metric")
INCH_POUND = display_units("inch-pound")


def batch(
    name: str,
    formulation: str = "base",
    *,
    rate: float = 8.0,
    exponent: float = 0.35,
    tests: int = 6,
    span: tuple[float, float] = (0.7, 7.0),
    scatter: float = 0.02,
    kind: str = "strand",
    excluded: int | None = None,
    outlier: int | None = None,
    seed: int = 1,
) -> list[RatePoint]:
    """Tests of one batch: `rate` in mm/s at 1 MPa, pressures in MPa."""
    pressures = np.geomspace(*span, tests) * 1e6
    noise = np.random.default_rng([seed, *name.encode()]).normal(0.0, scatter, tests)
    rates = rate * 1e-3 * (pressures / 1e6) ** exponent * np.exp(noise)
    if outlier is not None:
        rates[outlier] *= 2.5
    return [
        RatePoint(
            test=f"{name}-{place + 1}",
            batch=name,
            formulation=formulation,
            kind=kind,  # type: ignore[arg-type]
            pressure=float(p),
            pressure_sd=0.01 * float(p),
            rate=float(r),
            rate_sd=0.01 * float(r),
            uncertainty="stated",
            used=place != excluded,
            why_not="a bubble in the strand" if place == excluded else None,
        )
        for place, (p, r) in enumerate(zip(pressures, rates, strict=True))
    ]


def fitted(*batches: list[RatePoint]) -> list[RateFit]:
    series = []
    for points in batches:
        used = [point for point in points if point.used]
        series.append(
            RateSeries(
                label=used[0].batch,
                formulation=used[0].formulation,
                tests=tuple(point.test for point in used),
                pressure=np.array([point.pressure for point in used]),
                rate=np.array([point.rate for point in used]),
                pressure_sd=np.array([point.pressure_sd or 0.0 for point in used]),
                rate_sd=np.array([point.rate_sd or 0.0 for point in used]),
                kinds=tuple(point.kind for point in used),
            )
        )
    return fit_batches(series)


def drawn(*batches: list[RatePoint], units: DisplayUnits = METRIC, title: str = "") -> Figure:
    return draw_rate_laws(
        fitted(*batches), [point for points in batches for point in points], units, title
    )


def bars(ax: Axes) -> list[ErrorbarContainer]:
    return [found for found in ax.containers if isinstance(found, ErrorbarContainer)]


def bands(ax: Axes) -> list[PolyCollection]:
    return [found for found in ax.collections if isinstance(found, PolyCollection)]


def words(figure: Figure) -> str:
    """Every visible text of a figure, on one line each."""
    with house_style():
        figure.draw_without_rendering()
    texts = [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]
    return "\n".join(" ".join(text.split()) for text in texts if text.strip())


def nine_batches() -> list[list[RatePoint]]:
    return [
        batch(f"B-{place:02d}", formulation, rate=rate, seed=place)
        for formulation, rate, places in (
            ("base", 8.2, (1, 2, 3)),
            ("carbonate-10", 7.1, (4, 5, 6)),
            ("oxide-1-on-top", 9.4, (7, 8, 9)),
        )
        for place in places
    ]


@pytest.mark.parametrize(
    ("units", "pressure", "rate"),
    [
        (METRIC, "Absolute pressure (MPa)", "Burn rate (mm/s)"),
        (INCH_POUND, "Absolute pressure (psi)", "Burn rate (in/s)"),
    ],
)
def test_rate_axes_carry_quantity_and_unit(units: DisplayUnits, pressure: str, rate: str) -> None:
    (ax,) = drawn(batch("B-01"), units=units).axes
    assert (ax.get_xlabel(), ax.get_ylabel()) == (pressure, rate)
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")


def test_every_test_has_bars_on_both_axes_and_a_law_its_band() -> None:
    first, second = batch("B-01"), batch("B-02", seed=2)
    (ax,) = drawn(first, second).axes
    assert len(bars(ax)) == 12
    assert all(bar.has_xerr and bar.has_yerr for bar in bars(ax))
    assert len(bands(ax)) == 2


def test_points_bars_and_law_stand_where_the_results_say() -> None:
    points = batch("B-01")
    (fit,) = fitted(points)
    (ax,) = draw_rate_laws([fit], points, INCH_POUND).axes
    for bar, point in zip(bars(ax), points, strict=True):
        marker, _, (horizontal, vertical) = bar.lines
        assert marker.get_xdata() == pytest.approx([in_unit(point.pressure, INCH_POUND.pressure)])
        assert marker.get_ydata() == pytest.approx([in_unit(point.rate, INCH_POUND.rate)])
        # 1 % of the value either way, as invented above
        (left, right) = horizontal.get_segments()[0][:, 0]
        (below, above) = vertical.get_segments()[0][:, 1]
        assert (right / left, above / below) == pytest.approx((1.01 / 0.99, 1.01 / 0.99))
    law = next(line for line in ax.lines if len(line.get_xdata()) > 2)
    x, y = (np.asarray(data, dtype=float) for data in law.get_data())
    assert in_unit(fit.rate_at(points[0].pressure).rate, INCH_POUND.rate) == pytest.approx(y[0])
    # r = a·P^n is straight on these axes, with slope n
    assert np.diff(np.log(y)) / np.diff(np.log(x)) == pytest.approx(np.full(len(x) - 1, fit.n))


def test_law_and_band_end_where_the_tests_end() -> None:
    points = batch("B-01", span=(1.3, 4.1), excluded=5)
    (ax,) = drawn(points).axes
    tested = [point.pressure / 1e6 for point in points if point.used]
    for line in ax.lines:
        if len(line.get_xdata()) > 2:
            assert min(line.get_xdata()) == pytest.approx(min(tested))
            assert max(line.get_xdata()) == pytest.approx(max(tested))
    (band,) = bands(ax)
    x = band.get_paths()[0].vertices[:, 0]
    assert (x.min(), x.max()) == pytest.approx((min(tested), max(tested)))


def test_excluded_tests_stay_in_sight_hollow_and_crossed() -> None:
    figure = drawn(batch("B-01", excluded=2))
    (ax,) = figure.axes
    faces = [bar.lines[0].get_markerfacecolor() for bar in bars(ax)]
    assert [place for place, face in enumerate(faces) if face == "white"] == [2]
    assert sum(line.get_marker() == "x" for line in ax.lines) == 1
    assert "left out of the fit" in words(figure)


def test_firings_differ_from_strands_in_more_than_colour() -> None:
    figure = drawn(batch("B-01"), batch("F-01", kind="firing"))
    (ax,) = figure.axes
    assert [bar.lines[0].get_fillstyle() for bar in bars(ax)] == ["full"] * 6 + ["bottom"] * 6
    assert "Half-filled: motor firings; filled: strands." in words(figure)


def test_an_outlier_is_named_and_kept() -> None:
    points = batch("B-01", tests=8, outlier=5)
    (fit,) = fitted(points)
    assert "outlier" in {caution.code for caution in fit.cautions}
    figure = draw_rate_laws([fit], points, METRIC)
    assert [text.get_text() for text in figure.axes[0].texts] == ["B-01-6"]
    low, high = figure.axes[0].get_ylim()
    assert low < in_unit(points[5].rate, METRIC.rate) < high


def test_nine_batches_share_axes_in_a_panel_a_formulation() -> None:
    batches = nine_batches()
    figure = drawn(*batches, title="Invented")
    assert [ax.get_title(loc="left") for ax in figure.axes] == [
        "base",
        "carbonate-10",
        "oxide-1-on-top",
    ]
    assert len({ax.get_xlim() for ax in figure.axes}) == 1
    assert len({ax.get_ylim() for ax in figure.axes}) == 1
    for ax in figure.axes:
        assert len(bars(ax)) == 18
        assert len(bands(ax)) == 3
        legend = ax.get_legend()
        assert legend is not None
        handles = [handle for handle in legend.legend_handles if isinstance(handle, Line2D)]
        assert len({handle.get_marker() for handle in handles}) == 3
        assert len({handle.get_color() for handle in handles}) == 3
    assert "Invented" in words(figure)


@pytest.mark.parametrize(("count", "sizes"), [(5, [2, 3]), (9, [3, 3, 3]), (13, [3, 3, 3, 4])])
def test_many_batches_of_one_formulation_are_spread(count: int, sizes: list[int]) -> None:
    figure = drawn(*[batch(f"B-{place}", seed=place) for place in range(count)])
    assert [len(bands(ax)) for ax in figure.axes] == sizes
    titles = [ax.get_title(loc="left") for ax in figure.axes]
    assert titles == [f"base, {place + 1} of {len(sizes)}" for place in range(len(sizes))]


@pytest.mark.parametrize(
    "batches",
    [
        [batch("B-01")],
        [batch(f"B-{place}", seed=place) for place in range(4)],
        [batch(f"a-long-name-of-a-batch-{place}", seed=place, span=(4, 5)) for place in range(9)],
        [batch("B-01", tests=3, scatter=0.3)],
    ],
)
def test_legends_stand_clear_of_all_that_is_drawn(batches: list[list[RatePoint]]) -> None:
    figure = drawn(*batches, title="A title")
    figure.draw_without_rendering()
    for ax in figure.axes:
        legend = ax.get_legend()
        assert legend is not None
        floor = legend.get_window_extent().y0
        for band in bands(ax):
            top = band.get_paths()[0].vertices[:, 1].max()
            assert ax.transData.transform((1.0, top))[1] < floor
        for bar in bars(ax):
            top = bar.lines[2][1].get_segments()[0][:, 1].max()
            assert ax.transData.transform((1.0, top))[1] < floor
        assert legend.get_window_extent().x1 <= ax.get_window_extent().x1 + 1.0


def test_a_wide_band_does_not_flatten_the_tests_and_says_so() -> None:
    points = batch("B-01", tests=3, scatter=0.2)
    (fit,) = fitted(points)
    figure = draw_rate_laws([fit], points, METRIC)
    bottom, top = figure.axes[0].get_ylim()
    # Student's t with one degree of freedom: the band spans many times what was measured.
    _, high = fit.rate_at(points[-1].pressure).ci95 or (math.nan, math.nan)
    assert in_unit(high, METRIC.rate) > top
    rates = [point.rate for point in points]
    assert math.log(max(rates) / min(rates)) > 0.3 * math.log(top / bottom)
    assert "Band wider than the picture: B-01." in words(figure)


def test_what_is_not_known_is_said_in_words() -> None:
    two, one = batch("two", tests=2), batch("one", tests=1)
    figure = drawn(batch("B-01"), two, one)
    text = words(figure)
    assert "Two tests leave no band: two." in text
    assert "Tests that decide no law: one." in text
    assert "one: no law" in text
    (ax,) = figure.axes
    assert len(bands(ax)) == 1
    assert len(bars(ax)) == 9


def test_unknown_uncertainties_draw_no_bars() -> None:
    known = batch("B-01")[0]
    points = [
        RatePoint(
            test=f"T{place}",
            batch="B-01",
            formulation="base",
            kind="strand",
            pressure=known.pressure * place,
            pressure_sd=None,
            rate=known.rate * place**0.4,
            rate_sd=None,
            uncertainty="scatter",
        )
        for place in (1, 2, 3)
    ]
    figure = draw_rate_laws(fitted(points), points, METRIC)
    assert not any(bar.has_xerr or bar.has_yerr for bar in bars(figure.axes[0]))
    assert "one standard uncertainty" not in words(figure)


def test_a_pool_shows_the_tests_of_its_formulation() -> None:
    points = [*batch("B-01"), *batch("B-02", seed=2), *batch("B-03", "other")]
    pooled = [
        RatePoint(**{**{n: getattr(p, n) for n in p.__slots__}, "batch": "base pooled"})
        for p in points[:12]
    ]
    (ax,) = draw_rate_laws(fitted(pooled), points, METRIC).axes
    assert len(bars(ax)) == 12


def test_tests_of_no_law_are_refused() -> None:
    with pytest.raises(RequestError, match="none of the 6 tests belongs to one of the 1 rate laws"):
        draw_rate_laws(fitted(batch("B-01")), batch("B-99", "another"), METRIC)


@pytest.mark.parametrize("name", ["_hidden", "$B$", "a\\b{c}", "批号", "100 %"])
def test_any_name_is_drawn_as_it_is_written(name: str) -> None:
    figure = drawn(batch(name, f"of {name}"), title=name)
    assert f"{name}: n =" in words(figure)
    assert picture_bytes(figure, ".png").startswith(b"\x89PNG")


def test_ticks_are_plain_numbers() -> None:
    (ax,) = drawn(batch("B-01", rate=2.0)).axes
    labels = [text.get_text() for text in ax.get_xticklabels()]
    assert labels == ["1", "2", "5"]


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (0.6, 8.0, [1.0, 2.0, 5.0]),
        (0.9, 3.2, [1.0, 1.5, 2.0, 3.0]),
        (600.0, 720.0, [600.0, 650.0, 700.0]),
        (0.001, 1000.0, [1e-3, 1e-2, 1e-1, 1.0, 10.0, 100.0, 1000.0]),
    ],
)
def test_log_ticks(low: float, high: float, ticks: list[float]) -> None:
    assert log_ticks(low, high) == ticks


def comparison(batches: list[list[RatePoint]], pressure: float = 4e6) -> Comparison:
    points = [point for tests in batches for point in tests]
    return compare_formulations(
        RateObservations.from_points(points), baseline="base", pressure=pressure
    )


def interval_bars(ax: Axes) -> list[Line2D]:
    """Horizontal lines that are not the zero line or a single mark."""
    return [
        line
        for line in ax.lines
        if len(line.get_xdata()) == 2 and line.get_ydata()[0] == line.get_ydata()[1]
    ]


def test_comparison_shows_each_shift_with_its_interval() -> None:
    result = comparison(nine_batches())
    figure = draw_comparison(result, METRIC)
    rate, exponent = figure.axes
    assert rate.get_xlabel() == "Change of burn rate (% of the baseline's)"
    assert exponent.get_xlabel() == "Change of the exponent n"
    assert len(interval_bars(rate)) == len(interval_bars(exponent)) == 2
    for bar, row in zip(interval_bars(rate), result.formulations[1:], strict=True):
        assert row.shift_ci95 is not None
        assert bar.get_xdata() == pytest.approx([100.0 * end for end in row.shift_ci95])
    labels = [text.get_text() for text in rate.get_yticklabels()]
    assert labels == [
        "base (baseline)\n3 batches, 18 tests",
        "carbonate-10\n3 batches, 18 tests",
        "oxide-1-on-top\n3 batches, 18 tests",
    ]
    text = words(figure)
    assert "Formulations beside base at 4.00 MPa absolute" in text
    assert "not widened for the number compared" in text
    assert rate.get_xlim()[0] < 0.0 < rate.get_xlim()[1]


def test_comparison_at_a_pressure_in_psi() -> None:
    figure = draw_comparison(comparison(nine_batches(), 600.0 * 6894.757), INCH_POUND)
    assert "at 600 psi absolute" in words(figure)


def test_one_batch_each_is_said_in_words_in_place_of_a_bar() -> None:
    figure = draw_comparison(
        comparison([batch("B-01"), batch("B-02", "carbonate-10", rate=7.0)]), METRIC
    )
    rate, exponent = figure.axes
    assert not interval_bars(rate)
    assert len(interval_bars(exponent)) == 1
    assert "no interval: not separable from its batch" in words(figure)
    assert "1 batch, 6 tests" in words(figure)


def test_tests_at_one_pressure_have_no_exponent() -> None:
    single = batch("B-40", "single", span=(4.0, 4.0), tests=3)
    figure = draw_comparison(comparison([*nine_batches(), single]), METRIC)
    assert "not known: tested at one pressure" in words(figure)


def test_extrapolated_rows_say_so() -> None:
    figure = draw_comparison(comparison(nine_batches(), 12e6), METRIC)
    text = words(figure)
    assert "not tested at this pressure" in text
    assert "Dashed: extrapolated" in text
    assert all(bar.get_linestyle() == "--" for bar in interval_bars(figure.axes[0]))


def upright_lines(ax: Axes) -> dict[float, str]:
    """Place and line pattern of the lines from bottom to top, less the line of no change."""
    return {
        round(float(line.get_xdata()[0]), 9): str(line.get_linestyle())
        for line in ax.lines
        if list(line.get_ydata()) == [0, 1] and line.get_xdata()[0] != 0.0
    }


def test_what_was_asked_about_is_drawn_and_named() -> None:
    result = comparison(nine_batches())
    assert not upright_lines(draw_comparison(result, METRIC).axes[0])
    figure = draw_comparison(result, METRIC, within=0.4, slower=0.05, faster=0.025)
    rate, exponent = figure.axes
    lines = upright_lines(rate)
    assert set(lines) == {-40.0, 40.0, -5.0, 2.5}
    assert not upright_lines(exponent)
    low, high = rate.get_xlim()
    assert low < -40.0
    assert high > 40.0
    text = words(figure)
    assert "Dotted: the margin of ±40 % asked about." in text
    assert "5 % slower, as asked about" in text
    assert "2.5 % faster, as asked about" in text


@settings(max_examples=60)
@given(st.floats(-1.0, 0.0), st.floats(0.0, 1.0), st.floats(-3.0, 3.0))
def test_an_axis_has_three_to_five_round_ticks(below: float, above: float, decade: float) -> None:
    assume(above - below > 1e-3)
    low, high = below * 10.0**decade, above * 10.0**decade
    ticks = few_ticks(low, high)
    assert 3 <= len(ticks) <= 5
    assert all(low <= tick + 1e-9 * (high - low) for tick in ticks)
    assert all(tick - 1e-9 * (high - low) <= high for tick in ticks)
    assert np.ptp(np.diff(ticks)) < 1e-9 * (high - low)
    assert len(f"{abs(ticks[1] - ticks[0]):.3e}".split("e")[0].rstrip("0")) <= 2


def test_the_axes_of_a_comparison_show_a_scale() -> None:
    for ax in draw_comparison(comparison(nine_batches()), METRIC).axes:
        low, high = ax.get_xlim()
        assert sum(low <= tick <= high for tick in ax.get_xticks()) >= 3


def test_an_interval_beyond_the_picture_ends_in_an_arrow() -> None:
    wild = [batch("B-20", "wild", tests=2, span=(0.7, 0.8), scatter=0.05)]
    figure = draw_comparison(comparison([*nine_batches(), *wild]), METRIC)
    markers = {str(line.get_marker()) for ax in figure.axes for line in ax.lines}
    assert markers & {"<", ">"}


def test_a_baseline_alone_is_refused() -> None:
    with pytest.raises(RequestError, match=r"no formulation has tests to set beside .* `base`"):
        draw_comparison(comparison([batch("B-01"), batch("B-02", seed=2)]), METRIC)


def test_no_text_of_a_comparison_overlaps_another() -> None:
    extra = [batch("B-30", "an-exceedingly-long-name-of-a-formulation-in-several-words")]
    figure = draw_comparison(comparison([*nine_batches(), *extra], 12e6), METRIC)
    figure.draw_without_rendering()
    for ax in figure.axes:
        boxes = [text.get_window_extent() for text in (*ax.texts, *ax.get_yticklabels())]
        boxes = [box for box in boxes if box.width > 1.0]
        for place, box in enumerate(boxes):
            assert not any(box.overlaps(other) for other in boxes[place + 1 :])
            assert box.x0 >= 0.0
            assert box.x1 <= figure.bbox.x1


def firing(
    *, pressure: bool = True, thrust: bool = True, samples: int = 6000, **fields: object
) -> FiringReduction:
    """One firing: 4 MPa for 1.9 s, with a single sample of 6 MPa at 1 s."""
    time = np.linspace(4.0, 10.0, samples)
    burn = time - 5.0
    p = 1e5 + 4e6 * (1.0 - np.exp(-np.clip(burn, 0.0, None) / 0.03)) * (burn < 1.9)
    p[np.argmin(abs(burn - 1.0))] = 6e6
    given: dict[str, object] = {
        "test": "F-07",
        "batch": "B-03",
        "formulation": "base",
        "ignition": 5.01,
        "web_burnout": 6.88,
        "end": 7.0,
        "burn_time": 1.87,
        "burn_time_sd": 0.012,
        "web": 0.0065,
        "pressure_from": "gauge" if pressure else None,
        "trace_series": TraceSeries(
            time=time, pressure=p if pressure else None, thrust=1e-4 * p if thrust else None
        ),
    }
    return FiringReduction(**{**given, **fields})  # type: ignore[arg-type]


def test_firing_shows_pressure_and_thrust_with_the_events() -> None:
    figure = draw_firing_trace(firing(), METRIC)
    pressure, thrust = figure.axes
    assert pressure.get_ylabel() == "Absolute pressure (MPa)"
    assert thrust.get_ylabel() == "Thrust (N)"
    assert thrust.get_xlabel() == "Time from ignition (s)"
    assert [text.get_text() for text in pressure.texts] == [
        "ignition",
        "web burnout 1.870 s",
        "end of action 1.99 s",
    ]
    for ax in figure.axes:
        places = [line.get_xdata()[0] for line in ax.lines if list(line.get_ydata()) == [0, 1]]
        assert places == pytest.approx([0.0, 1.87, 1.99])
    assert "burn time, 1.870 ± 0.012 s" in words(figure)


@pytest.mark.parametrize("samples", [6000, 400_000])
def test_thinning_a_long_trace_keeps_its_peak(samples: int) -> None:
    figure = draw_firing_trace(firing(samples=samples), METRIC)
    line = max(figure.axes[0].lines, key=lambda found: len(found.get_xdata()))
    assert max(line.get_ydata()) == pytest.approx(6.0)
    assert len(line.get_xdata()) <= 4000


def test_pressure_from_thrust_is_not_passed_off_as_measured() -> None:
    figure = draw_firing_trace(firing(pressure_from="thrust"), INCH_POUND)
    assert figure.axes[0].get_ylabel() == "Absolute pressure (psi),\nfrom the thrust"
    assert "not measured" in words(figure)


def test_the_doubt_about_web_burnout_is_shaded_and_cautions_are_named() -> None:
    cautions = (Caution("trace-not-neutral", "invented"), Caution("ambient-assumed", "invented"))
    figure = draw_firing_trace(
        firing(burn_time_sd=0.1, rate_mean_pressure=4e6, peak_pressure=6e6, cautions=cautions),
        METRIC,
    )
    pressure, thrust = figure.axes
    burn, doubt = pressure.patches
    assert (burn.get_x(), burn.get_width()) == pytest.approx((0.0, 1.87))
    assert (doubt.get_x(), doubt.get_width()) == pytest.approx((1.77, 0.2))
    levels = [line for line in pressure.lines if list(line.get_xdata()) == [0.0, 6.88 - 5.01]]
    assert [list(line.get_ydata()) for line in levels] == [pytest.approx([4.0, 4.0])]
    assert len(thrust.lines) == len(pressure.lines)  # the zero line in place of the level
    assert pressure.get_ylim()[0] == 0.0
    text = words(figure)
    assert "darker: this uncertainty" in text
    assert "Peak 6.00 MPa absolute." in text
    assert "Cautions, which reduce spells out: trace not neutral, ambient assumed." in text


def test_the_samples_of_a_sparse_trace_are_marked() -> None:
    def markers(samples: int) -> set[str]:
        figure = draw_firing_trace(firing(samples=samples), METRIC)
        line = max(figure.axes[0].lines, key=lambda found: len(found.get_xdata()))
        return {str(line.get_marker())}

    assert markers(120) == {"."}
    assert markers(6000) == {"None"}


@pytest.mark.parametrize("end", [7.0, 7.6, 9.9])
@pytest.mark.parametrize("web_burnout", [5.1, 6.0, 6.9])
@pytest.mark.parametrize("ignition", [4.01, 5.01])
def test_names_of_events_stand_apart_and_inside(
    ignition: float, web_burnout: float, end: float
) -> None:
    figure = draw_firing_trace(firing(ignition=ignition, web_burnout=web_burnout, end=end), METRIC)
    figure.draw_without_rendering()
    (ax, _) = figure.axes
    boxes = [text.get_window_extent() for text in ax.texts]
    assert len(boxes) == 3
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))
    for box in boxes:
        assert box.x0 >= 0.0
        assert box.x1 <= figure.bbox.x1


def test_firing_without_a_rate_says_why() -> None:
    figure = draw_firing_trace(
        firing(pressure=False, why_no_point="no throat is given to get a pressure from"), METRIC
    )
    assert len(figure.axes) == 1
    assert "No burn rate: no throat is given to get a pressure from." in words(figure)


def test_a_firing_that_no_fit_uses_says_so() -> None:
    (point,) = [p for p in batch("B-03", excluded=2) if not p.used]
    told = words(draw_firing_trace(firing(point=point), METRIC))
    assert "No fit uses it: a bubble in the strand." in told


def test_an_early_burnout_does_not_write_over_the_ignition() -> None:
    figure = draw_firing_trace(firing(web_burnout=5.2), METRIC)
    figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in figure.axes[0].texts]
    assert not any(a.overlaps(b) for a, b in itertools.pairwise(boxes))


@pytest.mark.parametrize(
    ("reduction", "reason"),
    [
        (firing(trace_series=None), "`F-07` has no trace to draw; expected a firing with"),
        (firing(pressure=False, thrust=False), "`F-07` carries neither pressure nor thrust"),
    ],
)
def test_nothing_to_draw_is_refused(reduction: FiringReduction, reason: str) -> None:
    with pytest.raises(RequestError, match=reason):
        draw_firing_trace(reduction, METRIC)


def test_pictures_are_well_formed_and_the_same_each_time() -> None:
    def all_three() -> list[bytes]:
        figures = (
            drawn(*nine_batches()),
            draw_comparison(comparison(nine_batches()), METRIC),
            draw_firing_trace(firing(), METRIC),
        )
        return [picture_bytes(figure, ".svg") for figure in figures]

    first = all_three()
    assert first == all_three()
    for data in first:
        assert ET.fromstring(data).tag == "{http://www.w3.org/2000/svg}svg"
