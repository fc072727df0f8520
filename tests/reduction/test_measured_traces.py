"""Measured logs against the careful readings in the SOURCE.txt beside each set.

Those readings take the samples above 10 % of the peak over a baseline; no other rule is known of
them. Where ours differ by more than a few per cent the reason stands beside the number.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from strandwise.errors import DataError
from strandwise.findings import Source
from strandwise.motor import HollowCylinder, Nozzle
from strandwise.records import Channel, Firing, Gas, Instrument, TraceSpec
from strandwise.reduction import events_from_arrays, read_trace, reduce_firing

DATA = Path(__file__).parents[1] / "data"
SMALL = DATA / "small-motors-raw-counts"
LARGE = DATA / "sorbitol-multigrain"
GRAM_FORCE = 9.80665e-3  # N, NIST SP 811 appendix B

# grams = count · 0.00111 + 561.2, as the authors' own column says.
CELL = Instrument(
    name="cell",
    kind="load-cell",
    reading_unit="count",
    readings=(-561.2 / 0.00111, (2000.0 - 561.2) / 0.00111),
    loads=(0.0, 2000.0 * GRAM_FORCE),
    source=Source("instruments.toml"),
)
SMALL_GRAIN = HollowCylinder(0.03, 0.008, 0.05, inhibited=frozenset({"outer"}))  # invented
LARGE_GRAIN = HollowCylinder(0.086, 0.033, 0.145, 3, inhibited=frozenset({"outer"}))


def small(name, time, values):
    return TraceSpec(
        file=SMALL / f"Rocket_Engine_Data_-_{name}.csv",
        time=Channel(column=time, unit="ms", scale=1e-3, offset=0.0),
        thrust=Channel(column=values, unit="count", instrument=CELL),
    )


def large(name, column=2):
    return TraceSpec(
        file=LARGE / name,
        time=Channel(column=1, unit="ms", scale=1e-3, offset=0.0),
        thrust=Channel(column=column, unit="gf", scale=GRAM_FORCE, offset=0.0),
    )


def reduced(spec, grain, nozzle=None):
    firing = Firing(
        test="T", batch="B", grain=grain, nozzle=nozzle, trace=spec, source=Source("T.toml")
    )
    return reduce_firing(firing, "base", gas=Gas(), ambient=101325.0, density=None, exponent=0.3)


@pytest.mark.parametrize(
    ("name", "time", "values", "peak", "action", "impulse"),
    [
        ("Control_1", "time(millis)", "values", 9.5, 7.4, 24.0),
        ("Control_2", "time", "data", 9.8, 6.9, 21.0),
        # The stand was touched at 62 s, 9 s after the end; a ramp to the level after that makes
        # the impulse 26. Ours ramps to the quiet part just after the end.
        ("5x10", "time", "data", 11.0, 9.0, 26.0),
        ("10x5", "time", "data", 10.2, 7.1, 21.0),
        ("25_25", "time", "Data", 8.3, 6.1, 22.0),
        ("8mm", "time", "data", 2.6, 7.7, 6.0),
        ("Initial_Test_(test_rocket_stand)", "time(millis)", "values", 4.9, 9.7, 9.0),
    ],
)
def test_small_motors(name, time, values, peak, action, impulse):
    result = reduced(small(name, time, values), SMALL_GRAIN)
    assert result.peak_thrust == pytest.approx(peak, rel=0.03)
    assert result.action_time == pytest.approx(action, rel=0.05)
    assert result.total_impulse == pytest.approx(impulse, rel=0.08)
    assert result.point is None
    assert "without a nozzle" in result.why_no_point


def test_small_motor_whose_cell_was_disturbed():
    # 6 mm: 7.0 N, 3.9 s, 9 N·s. The cell hangs 150 to 330 g low after the burn, so its zero is
    # known to a fraction of a newton only; ours holds the zero from before, gets 7.9 N·s, and
    # its own uncertainty of the zero covers the difference.
    spec = small("6mm", "time", "data")
    result = reduced(spec, SMALL_GRAIN)
    assert result.peak_thrust == pytest.approx(7.0, rel=0.04)
    assert result.action_time == pytest.approx(3.9, rel=0.05)
    assert "no-baseline-after" in [c.code for c in result.cautions]
    trace = read_trace(spec)
    zero_sd = events_from_arrays(trace.time, trace.thrust, unit="N").zero_sd
    assert abs(result.total_impulse - 9.0) < 2.0 * zero_sd * result.action_time
    assert zero_sd < 0.15 * result.peak_thrust


@pytest.mark.parametrize(
    ("name", "column", "peak", "action", "impulse"),
    [
        ("test1_1grain_from_xlsx_rawdata.csv", 2, 237.0, 4.30, 748.0),
        ("test2_full_from_xlsx_sheet1.csv", 3, 1544.0, 2.31, 1829.0),
        ("Static_test_II_26-07-24.csv", 3, 1544.0, 2.31, 1829.0),
        ("test3_measured_columns_only.csv", 2, 2454.0, 0.61, 787.0),
        ("Static_test_31st_Oct_2024.txt", 2, 1488.0, 2.95, 2812.0),
        ("Static_test_31st_Oct_2024_(reducted).txt", 2, 1488.0, 2.95, 2812.0),
        ("earlier_apr12_2024_from_xlsx.csv", 2, 3992.0, 1.00, 2440.0),
    ],
)
def test_large_motor(name, column, peak, action, impulse):
    result = reduced(large(name, column), LARGE_GRAIN, Nozzle(0.023, exit_diameter=0.061))
    assert result.peak_thrust == pytest.approx(peak, rel=0.03)
    assert result.action_time == pytest.approx(action, rel=0.05)
    assert result.total_impulse == pytest.approx(impulse, rel=0.05)
    assert result.pressure_from == "thrust"
    assert result.point is not None
    assert result.point.pressure_sd > 0.03 * result.point.pressure


def test_large_motor_with_a_gap_in_its_rise():
    # 25 April: 3,091 N, 1.18 s, 2,665 N·s. 124 ms are missing in the rise: the reading counts
    # from the first sample after the gap (135.618 s), ours from where a straight line through
    # the gap passes 10 % (135.53 s). The difference lies within the gap, and the gap is told.
    result = reduced(
        large("earlier_apr25_2024_from_xlsx.csv"), LARGE_GRAIN, Nozzle(0.023, exit_diameter=0.061)
    )
    assert result.peak_thrust == pytest.approx(3091.0, rel=0.03)
    assert result.total_impulse == pytest.approx(2665.0, rel=0.03)
    assert 1.18 - 0.02 < result.action_time < 1.18 + 0.124
    assert 135.494 < result.ignition < 135.618
    assert result.burn_time_sd > 0.124 / 12**0.5
    assert "gap-in-burn" in [c.code for c in result.cautions]


def test_full_capture_with_boot_noise_equals_its_cleaned_copy():
    full = reduced(large("Static_test_31st_Oct_2024.txt"), LARGE_GRAIN)
    clean = reduced(large("Static_test_31st_Oct_2024_(reducted).txt"), LARGE_GRAIN)
    assert full.ignition == pytest.approx(clean.ignition, abs=1e-6)
    assert full.total_impulse == pytest.approx(clean.total_impulse, rel=1e-6)
    assert any("restarts 2 times" in line for line in full.account)


def test_failed_firing_is_told_from_its_trace():
    # test3 collapses at 0.85 s (SOURCE.txt): it never burnt as its grain should.
    result = reduced(
        large("test3_measured_columns_only.csv"), LARGE_GRAIN, Nozzle(0.023, exit_diameter=0.061)
    )
    assert not result.quality.fit
    assert {"trace-unlike-grain", "trace-not-neutral", "slow-tail-off", "no-baseline"} <= {
        c.code for c in result.cautions
    }


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        (small("(Unknown)_and_error", "time", "data"), "does not come back"),
        (large("static_test_jan.txt"), "5 samples, 547 ms apart"),
    ],
)
def test_what_cannot_be_reduced_is_refused(spec, message):
    trace = read_trace(spec)
    with pytest.raises(DataError, match=message):
        events_from_arrays(trace.time, trace.thrust, unit="N")
    result = reduced(spec, SMALL_GRAIN)
    assert result.point is None
    assert message in result.why_no_point
    assert "trace-refused" in [c.code for c in result.cautions]
