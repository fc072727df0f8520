from __future__ import annotations

import datetime

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.tracking import (
    DriftChart,
    change_point_from_arrays,
    drift_chart,
    drift_sentences,
    individuals_limits_from_arrays,
)

AT = 4e6
FIRST = datetime.date(2031, 3, 1)


def chart(
    values: list[float] | np.ndarray,
    *,
    sd: list[float | None] | None = None,
    dates: list[datetime.date | None] | None = None,
) -> DriftChart:
    """Invented batches, one a week; values are ln r about 7 mm/s."""
    count = len(values)
    return drift_chart(
        [f"M{index + 1}" for index in range(count)],
        dates or [FIRST + datetime.timedelta(weeks=index) for index in range(count)],
        np.log(7e-3) + np.asarray(values),
        sd,
        formulation="base",
        pressure=AT,
        seed=1,
    )


def codes(found: DriftChart) -> set[str]:
    return {caution.code for caution in found.cautions}


@pytest.mark.parametrize(
    ("values", "centre", "mean_range", "lower", "upper"),
    [
        # Flow rate of ten batches: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
        # "Individuals control charts" (from memory; it takes 1.128 for d₂).
        (
            [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1],
            50.81, 1.8778, 45.8159, 55.8041,
        ),
        # Viscosity of a primer paint, fifteen batches: D. C. Montgomery, Introduction to
        # Statistical Quality Control, chapter on individual measurements (from memory).
        (
            [33.75, 33.05, 34.00, 33.81, 33.46, 34.02, 33.68, 33.27, 33.49, 33.20, 33.62, 33.00,
             33.54, 33.12, 33.84],
            33.52, 0.48, 32.24, 34.80,
        ),
    ],
)  # fmt: skip
def test_published_charts(
    values: list[float], centre: float, mean_range: float, lower: float, upper: float
) -> None:
    limits = individuals_limits_from_arrays(values)
    assert limits.centre == pytest.approx(centre, abs=0.005)
    assert limits.mean_moving_range == pytest.approx(mean_range, abs=0.005)
    assert limits.lower == pytest.approx(lower, abs=0.006)
    assert limits.upper == pytest.approx(upper, abs=0.006)


def test_constants_of_ranges_of_two() -> None:
    # ASTM MNL 7, Manual on Presentation of Data and Control Chart Analysis: d₂ 1.128, E₂ 2.659,
    # D₄ 3.267 for n = 2.
    limits = individuals_limits_from_arrays([0.0, 1.0, 0.0])
    assert 1.0 / limits.sigma == pytest.approx(1.128, abs=5e-4)
    assert limits.upper - limits.centre == pytest.approx(2.659, abs=5e-4)
    assert limits.moving_range_limit == pytest.approx(3.267, abs=5e-4)


def test_a_step_is_found_where_it_was_made() -> None:
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(40):
        values = rng.normal(0, 0.02, 16)
        values[9:] -= 0.06
        change = change_point_from_arrays(values, names=[str(i) for i in range(16)], seed=1)
        hits += change.p < 0.05 and change.first_after in ("8", "9", "10")
    assert hits >= 36


def test_a_steady_row_shows_a_step_as_seldom_as_said() -> None:
    rng = np.random.default_rng(4)
    p = np.array(
        [
            change_point_from_arrays(
                rng.normal(size=10), names=[str(i) for i in range(10)], seed=1, permutations=199
            ).p
            for _ in range(400)
        ]
    )
    # A permutation p-value is uniform: 5 % and 50 % within 3 standard deviations.
    assert np.mean(p <= 0.05) == pytest.approx(0.05, abs=0.033)
    assert np.mean(p <= 0.5) == pytest.approx(0.5, abs=0.075)


def test_the_same_seed_gives_the_same_chart() -> None:
    values = np.random.default_rng(5).normal(0, 0.02, 12)
    assert chart(values) == chart(values)


def test_signals_name_their_batches() -> None:
    # Neighbours differ by 1 % in turn, but for M6: σ is then about 0.04.
    values = [0.0, 0.01, 0.0, 0.01, 0.0, 0.17, 0.0, 0.01, 0.0, 0.01]
    found = chart(values)
    assert [(s.rule, s.upwards, s.batches) for s in found.signals] == [
        ("beyond-limits", True, ("M6",))
    ]
    assert found.points[5].rules == ("beyond-limits",)
    assert found.wide_ranges == ("M6", "M7")
    told = "; ".join(drift_sentences(found))
    assert "M6 lies above the limits" in told
    assert "about every 75 batches by chance" in told


def test_a_trend_is_told_as_one_pattern() -> None:
    found = chart([0.0, 0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 0.0, 0.03, 0.01])
    (trend,) = [signal for signal in found.signals if signal.rule == "trend"]
    assert trend.batches == ("M1", "M2", "M3", "M4", "M5", "M6", "M7")
    assert "M1 to M7: 7 batches in a row, each faster than the one before" in drift_sentences(found)


def test_dates_make_the_order() -> None:
    dates: list[datetime.date | None] = [
        FIRST, None, FIRST - datetime.timedelta(days=3), FIRST + datetime.timedelta(days=2),
    ]  # fmt: skip
    found = chart([0.0, 0.5, 0.02, 0.04], dates=dates)
    assert [point.batch for point in found.points] == ["M3", "M1", "M4"]
    assert [point.moving_range for point in found.points] == pytest.approx([None, 0.02, 0.04])
    assert found.centre == pytest.approx(7e-3 * np.exp(0.02))
    assert codes(found) == {"few-batches", "undated"}


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (1, "nothing about drift can be judged"),
        (4, "neither eight in a row on one side nor six in a row rising or falling can be seen"),
        (7, "eight in a row on one side cannot be seen"),
    ],
)
def test_few_batches_say_what_cannot_be_judged(count: int, said: str) -> None:
    found = chart(np.random.default_rng(6).normal(0, 0.02, count))
    assert said in found.cautions[0].message
    assert found.change is None
    assert (found.sigma is None) == (count == 1)
    assert "few-batches" not in codes(chart(np.random.default_rng(6).normal(0, 0.02, 8)))


@pytest.mark.parametrize("count", [4, 7])
def test_how_rough_the_limits_of_few_batches_are(count: int) -> None:
    rows = np.random.default_rng(8).normal(size=(20_000, count))
    ranges = np.mean(np.abs(np.diff(rows)), axis=1)
    rough = 100 * float(np.std(ranges) / np.mean(ranges))
    message = chart(np.arange(count) % 2 * 0.01).cautions[0].message
    told = float(message.split("±")[1].split(" %")[0])
    assert told == pytest.approx(rough, rel=0.06)


def test_uncertain_batches_are_said_to_be() -> None:
    values = np.random.default_rng(9).normal(0, 0.02, 10)
    found = chart(values, sd=[0.02] * 9 + [0.06])
    assert found.measurement_share > 0.5
    assert codes(found) == {"measurement-scatter", "uneven-uncertainty"}
    assert chart(values, sd=[0.001] * 10).cautions == ()
    assert chart(values, sd=[0.001] * 9 + [None]).measurement_share is None


def test_batches_without_scatter_have_no_limits() -> None:
    found = chart([0.0] * 9)
    assert (found.lower, found.upper, found.signals, found.change) == (None, None, (), None)
    assert codes(found) == {"no-scatter"}


def test_sentences_of_a_step() -> None:
    values = np.random.default_rng(3).normal(0, 0.01, 14)
    values[7:] -= 0.08
    told = "; ".join(drift_sentences(chart(values)))
    assert "the level changed between M7 and M8" in told
    assert "slower, p = 0.001)" in told


def test_sentences_of_a_steady_row() -> None:
    told = "; ".join(drift_sentences(chart([0.0, 0.01, -0.01, 0.005, -0.005, 0.01, -0.01, 0.0])))
    assert "8 batches of base burn 7 mm/s at 4.0 MPa on average" in told
    assert "no pattern shows that a steady process seldom has" in told
    assert "no change of level stands out" in told


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"batches": ["M1", "M1"]}, "twice"),
        ({"log_rate": [-5.0]}, "2 batches with 2 dates, 1 rates"),
        ({"log_rate": [-5.0, float("nan")]}, r"batch M2 has ln\(rate\)"),
        ({"log_rate_sd": [0.01, -0.01]}, "batch M2 has"),
        ({"mixed_on": [None, None]}, "no batch of base has a mixing date"),
    ],
)
def test_what_cannot_be_charted(change: dict[str, object], message: str) -> None:
    given: dict[str, object] = {
        "batches": ["M1", "M2"], "mixed_on": [FIRST, FIRST], "log_rate": [-5.0, -5.01],
    } | change  # fmt: skip
    with pytest.raises(DataError, match=message):
        drift_chart(**given, formulation="base", pressure=AT, seed=1)  # type: ignore[arg-type]


def test_arrays_that_are_too_short() -> None:
    with pytest.raises(DataError, match="have no moving range"):
        individuals_limits_from_arrays([1.0])
    with pytest.raises(DataError, match="not finite"):
        individuals_limits_from_arrays([1.0, float("inf")])
    with pytest.raises(DataError, match="expected at least four values"):
        change_point_from_arrays([1.0, 2.0, 3.0], names=["a", "b", "c"], seed=1)


@pytest.mark.parametrize(
    ("tested", "said"),
    [
        ([(1e6, 7e6), (2e6, 6e6)], None),
        ([(1e6, AT), (AT, 6e6)], None),
        ([None, None], None),
        ([(1e6, 3e6), (2e6, 3.5e6)], "base was tested from 1.0 MPa to 3.5 MPa: the rates of its"),
        ([(1e6, 7e6), (5e6, 6e6)], "batch M2 was tested from 5.0 MPa to 6.0 MPa: its rate at 4.0"),
        ([(1e6, 3e6), (5e6, 6e6)], "no test of M1, M2 reaches 4.0 MPa from both sides"),
    ],
)
def test_rates_outside_what_was_tested_are_said_to_be(
    tested: list[tuple[float, float] | None], said: str | None
) -> None:
    found = drift_chart(
        ["M1", "M2"],
        [FIRST, FIRST + datetime.timedelta(weeks=1)],
        [-5.0, -5.02],
        formulation="base",
        pressure=AT,
        seed=1,
        tested=tested,
    )
    told = [caution.message for caution in found.cautions if caution.code == "extrapolated"]
    assert len(told) == (said is not None)
    assert all(text.startswith(said or "") for text in told)
