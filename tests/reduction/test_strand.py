from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from strandwise.errors import DataError
from strandwise.findings import Source
from strandwise.records import ReadingUncertainty, StrandReading
from strandwise.reduction.strand import (
    frame_time,
    rate_mean_pressure_linear,
    reduce_strand,
    strand_rate_from_arrays,
)

NOTHING = ReadingUncertainty()


def row(**fields: object) -> StrandReading:
    values: dict[str, object] = {
        "test": "S-1",
        "batch": "B-1",
        "length": 0.080,
        "time": 10.0,
        "pressure": 2e6,
        "source": Source("campaigns/c/strands.csv", 2),
    }
    return StrandReading(**{**values, **fields})  # type: ignore[arg-type]


def codes(readings: list[StrandReading], uncertainty: ReadingUncertainty = NOTHING) -> set[str]:
    point = reduce_strand(readings, "base", uncertainty, exponent=0.4)
    return {caution.code for caution in point.cautions}


# --- rate-mean pressure: the definition ((1/t)∫Pⁿdt)^(1/n), integrated by quadrature -------------


@pytest.mark.parametrize("n", [-1.0, -0.3, 0.2, 0.4, 0.7, 1.0, 1.5])
@pytest.mark.parametrize("ends", [(1e6, 1.001e6), (2e6, 3e6), (5e6, 1e6), (1e5, 1e7)])
def test_rate_mean_pressure_is_the_integral(n: float, ends: tuple[float, float]) -> None:
    start, end = ends
    integral, _ = quad(lambda t: ((start + (end - start) * t) / 1e6) ** n, 0.0, 1.0, epsrel=1e-12)
    assert rate_mean_pressure_linear(start, end, n) == pytest.approx(
        1e6 * integral ** (1.0 / n), rel=1e-10
    )


@pytest.mark.parametrize("n", [0.0, 1e-12, -1e-9, 9.9e-7, 1.01e-6])
def test_rate_mean_pressure_near_no_exponent_is_the_mean_logarithm(n: float) -> None:
    integral, _ = quad(lambda t: math.log(2.0 + 3.0 * t), 0.0, 1.0, epsrel=1e-13)
    assert rate_mean_pressure_linear(2e6, 5e6, n) == pytest.approx(
        1e6 * math.exp(integral), rel=2e-7
    )


def test_rate_mean_pressure_has_no_step_where_its_series_takes_over() -> None:
    below = rate_mean_pressure_linear(1e6, 9e6, 0.999e-6)
    above = rate_mean_pressure_linear(1e6, 9e6, 1.001e-6)
    assert above == pytest.approx(below, rel=1e-9)


@given(
    start=st.floats(1e4, 5e7),
    ratio=st.floats(0.2, 5.0),
    n=st.floats(-2.0, 2.0),
)
@settings(max_examples=60, deadline=None)
def test_rate_mean_pressure_lies_between_the_ends_and_is_symmetric(
    start: float, ratio: float, n: float
) -> None:
    end = start * ratio
    mean = rate_mean_pressure_linear(start, end, n)
    assert min(start, end) * (1 - 1e-9) <= mean <= max(start, end) * (1 + 1e-9)
    assert rate_mean_pressure_linear(end, start, n) == pytest.approx(
        mean,
        rel=1e-12 + 1e-15 / max(abs(n), 1e-9),  # the logarithm's rounding over n
    )


def test_the_mean_rate_is_exact_at_the_rate_mean_pressure() -> None:
    # r_TOT = a·P_rm^n exactly for a power law (CPIA CPTR-75 (2002), from memory; algebra).
    a, n, start, end = 4.9173, 0.30, 3.0, 9.0
    mean_rate, _ = quad(lambda t: a * (start + (end - start) * t) ** n, 0.0, 1.0)
    mean = rate_mean_pressure_linear(start * 1e6, end * 1e6, n) / 1e6
    assert a * mean**n == pytest.approx(mean_rate, rel=1e-12)


@pytest.mark.parametrize(("start", "end"), [(0.0, 1e6), (1e6, -1.0), (math.nan, 1e6)])
def test_rate_mean_pressure_refuses_no_pressure(start: float, end: float) -> None:
    with pytest.raises(DataError, match="positive absolute pressures"):
        rate_mean_pressure_linear(start, end, 0.3)


# --- rate and its uncertainty ---------------------------------------------------------------------


def test_rate_is_length_over_time() -> None:
    # "dividing the propellant web by the burning time", NASA SP-8039 (1971), p. 77.
    unknown = np.array([math.nan])
    got = strand_rate_from_arrays(np.array([0.08]), np.array([10.0]), unknown, unknown)
    assert got.rate == pytest.approx(8e-3)
    assert got.rate_sd is None
    assert got.disagreement_p is None


def test_uncertainty_follows_the_guide() -> None:
    # JCGM 100:2008, 5.1.6: relative uncertainties of a quotient add in squares.
    got = strand_rate_from_arrays(
        np.array([0.08]), np.array([10.0]), np.array([0.0004]), np.array([0.1])
    )
    assert got.rate_sd == pytest.approx(8e-3 * math.hypot(0.005, 0.01))


def test_uncertainty_agrees_with_a_simulation() -> None:
    rng = np.random.default_rng(20260101)
    lengths, times = np.array([0.02, 0.03]), np.array([2.5, 4.0])
    length_sds, time_sds = np.array([2e-4, 3e-4]), np.array([0.03, 0.02])
    got = strand_rate_from_arrays(lengths, times, length_sds, time_sds)
    drawn = (lengths + length_sds * rng.normal(size=(40000, 2))).sum(axis=1) / (
        times + time_sds * rng.normal(size=(40000, 2))
    ).sum(axis=1)
    assert got.rate_sd == pytest.approx(drawn.std(), rel=0.02)


@pytest.mark.parametrize(
    ("lengths", "times", "match"),
    [
        ([], [], "one section at least"),
        ([0.1], [1.0, 2.0], "one shape"),
        ([0.0], [1.0], "positive lengths"),
        ([0.1], [math.inf], "positive lengths"),
    ],
)
def test_arrays_that_are_no_sections_are_refused(
    lengths: list[float], times: list[float], match: str
) -> None:
    with pytest.raises(DataError, match=match):
        strand_rate_from_arrays(
            np.array(lengths), np.array(times), np.full(len(lengths), 0.0), np.zeros(len(lengths))
        )


def test_negative_uncertainty_is_refused() -> None:
    one = np.array([1.0])
    with pytest.raises(DataError, match="0 or more"):
        strand_rate_from_arrays(one, one, -one, one)


def test_frames_have_both_ends_uniform_over_a_frame() -> None:
    # The difference of two uniform errors is triangular: a²/6, JCGM 100:2008, 4.3.9 (the use for
    # video frames is common practice, no source).
    time, sd = frame_time(240.0, 120.0)
    assert time == 2.0
    assert sd == pytest.approx(1.0 / 120.0 / math.sqrt(6.0))
    rng = np.random.default_rng(7)
    start, true = rng.uniform(0.0, 1.0, 200000), rng.uniform(100.0, 300.0, 200000)
    counted = np.floor(start + true) - np.floor(start)
    assert sd == pytest.approx((counted - true).std() / 120.0, rel=0.01)


def test_no_frames_are_refused() -> None:
    with pytest.raises(DataError, match="positive count"):
        frame_time(0.0, 120.0)


# --- records --------------------------------------------------------------------------------------


def test_one_row() -> None:
    point = reduce_strand([row(temperature=291.0)], "base", NOTHING, exponent=0.4)
    assert (point.test, point.batch, point.formulation, point.kind) == (
        "S-1",
        "B-1",
        "base",
        "strand",
    )
    assert point.rate == pytest.approx(8e-3)
    assert point.pressure == pytest.approx(2e6)
    assert (point.rate_sd, point.pressure_sd) == (None, None)
    assert point.uncertainty == "scatter"
    assert point.temperature == 291.0
    assert point.used
    assert point.why_not is None
    assert point.cautions == ()


@pytest.mark.parametrize(
    ("fields", "uncertainty", "rate_sd", "text"),
    [
        (
            {"length_sd": 4e-4, "time_sd": 0.1},
            NOTHING,
            8e-3 * math.hypot(0.005, 0.01),
            "length stated, time stated, pressure scatter",
        ),
        (
            {"length_sd": 4e-4},
            NOTHING,
            8e-3 * 0.005,
            "length stated, time scatter, pressure scatter",
        ),
        (
            {"length_sd": 4e-4},
            ReadingUncertainty(length_sd=1.0, time_sd=0.1),
            8e-3 * math.hypot(0.005, 0.01),
            "length stated, time stated, pressure scatter",
        ),
        (
            {},
            # step/√12: JCGM 100:2008, 4.3.7.
            ReadingUncertainty(length_resolution=1e-3, time_resolution=0.01),
            8e-3 * math.hypot(1e-3 / math.sqrt(12) / 0.08, 0.01 / math.sqrt(12) / 10.0),
            "length resolution, time resolution, pressure scatter",
        ),
        (
            {"time": None, "frames": 300.0, "frame_rate": 30.0},
            ReadingUncertainty(time_sd=0.2),
            8e-3 / 30.0 / math.sqrt(6.0) / 10.0,
            "length scatter, time frames, pressure scatter",
        ),
    ],
)
def test_where_an_uncertainty_comes_from(
    fields: dict[str, object], uncertainty: ReadingUncertainty, rate_sd: float, text: str
) -> None:
    point = reduce_strand([row(**fields)], "base", uncertainty, exponent=0.4)
    assert point.rate_sd == pytest.approx(rate_sd)
    assert point.uncertainty == text


def test_pressure_uncertainty_does_not_average_out_over_sections() -> None:
    rows = [row(length=0.02, time=2.5, pressure_sd=3e4) for _ in range(4)]
    point = reduce_strand(rows, "base", NOTHING, exponent=0.4)
    assert point.pressure_sd == pytest.approx(3e4)


def test_excluded_in_any_row_is_not_used_and_says_why() -> None:
    rows = [row(length=0.04, time=5.0), row(length=0.04, time=5.1, exclude="side burning")]
    point = reduce_strand(rows, "base", NOTHING, exponent=0.4)
    assert not point.used
    assert point.why_not == "side burning"
    assert point.rate == pytest.approx(0.08 / 10.1)


def test_rising_pressure_gives_the_rate_mean_over_rise_and_sections() -> None:
    n = 0.5
    rows = [
        row(length=0.04, time=4.0, pressure=2e6, pressure_end=3e6),
        row(length=0.04, time=3.0, pressure=3e6, pressure_end=4e6),
    ]

    def pressure(t: float) -> float:
        return 2.0 + t / 4.0 if t < 4.0 else 3.0 + (t - 4.0) / 3.0

    integral, _ = quad(lambda t: pressure(t) ** n, 0.0, 7.0, points=[4.0])
    point = reduce_strand(rows, "base", NOTHING, exponent=n)
    assert point.pressure == pytest.approx(1e6 * (integral / 7.0) ** (1.0 / n), rel=1e-7)
    assert reduce_strand(rows, "base", NOTHING, exponent=0.0).pressure == pytest.approx(
        reduce_strand(rows, "base", NOTHING, exponent=2e-6).pressure, rel=1e-5
    )


def test_wires_that_disagree_with_their_uncertainty_are_named() -> None:
    stated = {"length_sd": 1e-4, "time_sd": 0.01}
    apart = [row(length=0.02, time=2.5, **stated), row(length=0.02, time=2.9, **stated)]
    close = [row(length=0.02, time=2.5, **stated), row(length=0.02, time=2.51, **stated)]
    assert codes(apart) == {"wires-disagree"}
    assert codes(close) == set()


def test_wires_far_apart_are_named_even_without_uncertainty() -> None:
    assert codes([row(length=0.02, time=2.5), row(length=0.02, time=2.9)]) == {"wires-disagree"}
    assert codes([row(length=0.02, time=2.5), row(length=0.02, time=2.6)]) == set()


def test_a_rise_in_pressure_is_no_disagreement_of_wires() -> None:
    rows = [
        row(length=0.02, time=2.5, pressure=2e6),
        row(length=0.02, time=2.5 / 1.5**0.4, pressure=3e6),
    ]
    assert codes(rows) == set()


def test_wrongly_rejected_wires_are_one_in_a_hundred() -> None:
    rng = np.random.default_rng(11)
    drawn = 2.5 + 0.02 * rng.normal(size=(1500, 3))
    rows = [[row(length=0.02, time=t, length_sd=1e-9, time_sd=0.02) for t in ts] for ts in drawn]
    named = sum("wires-disagree" in codes(one) for one in rows)
    assert 3 <= named <= 30


@pytest.mark.parametrize(
    ("pairs", "cumulative"),
    [
        ([(0.02, 2.5), (0.04, 5.0), (0.06, 7.4)], True),
        ([(0.02, 2.5), (0.021, 2.6), (0.022, 2.7)], False),
        ([(0.02, 2.5), (0.02, 2.5)], False),
        ([(0.03, 3.7), (0.02, 2.5), (0.04, 5.0)], False),
    ],
)
def test_lengths_and_times_that_look_cumulative(
    pairs: list[tuple[float, float]], cumulative: bool
) -> None:
    found = codes([row(length=length, time=time) for length, time in pairs])
    assert ("wires-look-cumulative" in found) is cumulative


@pytest.mark.parametrize(
    ("rows", "match"),
    [
        ([], "without rows"),
        ([row(), row(test="S-2")], "several tests"),
        ([row(), row(batch="B-2")], "several tests"),
        ([row(time=None)], "neither a time nor frames"),
        ([row(time=None, frames=30.0)], "neither a time nor frames"),
    ],
)
def test_rows_that_are_not_one_test_are_refused(rows: list[StrandReading], match: str) -> None:
    with pytest.raises(DataError, match=match):
        reduce_strand(rows, "base", NOTHING, exponent=0.4)


@pytest.mark.parametrize("sds", [(None, None), (2e-4, None), (None, 0.1), (2e-4, 0.1)])
def test_one_section_is_reduced_as_arrays_of_one_are(sds: tuple[float | None, ...]) -> None:
    length_sd, time_sd = sds
    reading = row(length=0.0813, time=9.7, length_sd=length_sd, time_sd=time_sd)
    point = reduce_strand([reading], "base", NOTHING, exponent=0.4)
    known = [np.array([math.nan if sd is None else sd]) for sd in sds]
    whole = strand_rate_from_arrays(np.array([0.0813]), np.array([9.7]), *known)
    assert (point.rate, point.pressure) == (whole.rate, 2e6)
    assert point.rate_sd == (None if whole.rate_sd is None else pytest.approx(whole.rate_sd))
