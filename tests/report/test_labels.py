from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import UnitError
from strandwise.report import (
    NO_VALUE,
    axis_label,
    display_units,
    format_interval,
    format_number,
    format_plus_minus,
    format_probability,
    in_unit,
    plain_number,
    unit_text,
)
from strandwise.report.labels import format_change, format_change_interval

# Exact conversion factors: NIST SP 811 (2008), appendix B.8: 1 in = 25.4 mm, 1 psi = 6894.757 Pa,
# 1 lbf = 4.448222 N, t/°F = 9/5·(T/K) − 459.67.
CONVERSIONS = [
    ("metric", "rate", 0.0074, 7.4, "mm/s"),
    ("metric", "pressure", 4.0e6, 4.0, "MPa"),
    ("metric", "length", 0.0315, 31.5, "mm"),
    ("metric", "force", 410.0, 410.0, "N"),
    ("metric", "temperature", 291.15, 18.0, "°C"),
    ("inch-pound", "rate", 0.00762, 0.3, "in/s"),
    ("inch-pound", "pressure", 6894.757e3, 1000.0, "psi"),
    ("inch-pound", "length", 0.0254, 1.0, "in"),
    ("inch-pound", "force", 4.448222, 1.0, "lbf"),
    ("inch-pound", "temperature", 293.15, 68.0, "°F"),
    ("inch-pound", "density", 27679.90471, 1.0, "lb/in³"),
    ("inch-pound", "area", 6.4516e-4, 1.0, "in²"),
    ("inch-pound", "impulse", 4.448222, 1.0, "lbf·s"),
    ("inch-pound", "gas_velocity", 0.3048, 1.0, "ft/s"),
    ("mixed", "rate", 0.00762, 0.3, "in/s"),
    ("mixed", "pressure", 6894.757e3, 1000.0, "psi"),
    ("mixed", "length", 0.0254, 1.0, "in"),
    ("mixed", "mass", 0.236, 236.0, "g"),
    ("mixed", "force", 410.0, 410.0, "N"),
    ("mixed", "impulse", 410.0, 410.0, "N·s"),
    ("mixed", "temperature", 291.15, 18.0, "°C"),
    ("metric, bar", "pressure", 4.0e6, 40.0, "bar"),
    ("metric, bar", "rate", 0.0074, 7.4, "mm/s"),
    ("mixed, lbf, mm/s", "force", 4.448222, 1.0, "lbf"),
    ("mixed, lbf, mm/s", "rate", 0.0074, 7.4, "mm/s"),
]


@pytest.mark.parametrize(("system", "quantity", "si", "shown", "symbol"), CONVERSIONS)
def test_units_of_a_reader(
    system: str, quantity: str, si: float, shown: float, symbol: str
) -> None:
    unit = getattr(display_units(system), quantity)
    assert in_unit(si, unit) == pytest.approx(shown, rel=2e-7)
    assert in_unit(np.array([si, si]), unit) == pytest.approx([shown, shown], rel=2e-7)
    assert unit_text(unit) == symbol


def test_unknown_system_of_units_is_refused_with_the_known_ones() -> None:
    with pytest.raises(UnitError, match=r"`imperial`.*`metric`, `inch-pound` or `mixed`"):
        display_units("imperial")


def test_axis_label_holds_its_unit() -> None:
    units = display_units("metric")
    assert axis_label("Burn rate", units.rate) == "Burn rate (mm/s)"
    assert axis_label("Exponent", "") == "Exponent"


# JCGM 100:2008, 7.2.6: at most two digits of the uncertainty, and the value to the same place.
# The first row is the end gauge of its annex H.1 (50.000 838 mm, u = 32 nm; from memory).
@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (50.000838, 0.000032, "50.000838 ± 0.000032"),
        (100.02147, 0.00035, "100.02147 ± 0.00035"),  # JCGM 100:2008, 7.2.2
        (7.4182, 0.1137, "7.42 ± 0.11"),
        (7.4182, 0.0996, "7.42 ± 0.10"),
        (7.4182, 0.0995, "7.42 ± 0.10"),
        (1234.0, 250.0, "1230 ± 250"),
        (580.0, 9.96, "580 ± 10"),
        (-0.004, 0.11, "0.00 ± 0.11"),
        (-7.4182, 0.1137, "−7.42 ± 0.11"),
        (7.4182, None, "7.42"),
        (7.4182, 0.0, "7.42"),
        (7.4182, math.inf, "7.42"),
        (None, 0.1, NO_VALUE),
        (math.nan, 0.1, NO_VALUE),
    ],
)
def test_value_and_uncertainty(value: float | None, uncertainty: float | None, text: str) -> None:
    assert format_plus_minus(value, uncertainty) == text


@pytest.mark.parametrize(
    ("interval", "signed", "text"),
    [
        ((7.2, 7.6), False, "(7.20 … 7.60)"),
        ((-0.05, 0.09), True, "(−0.050 … +0.090)"),
        ((-70.0, 900.0), True, "(−70 … +900)"),
        ((7.2, 7.2), False, "(7.20 … 7.20)"),
        (None, False, NO_VALUE),
        ((math.nan, 1.0), False, NO_VALUE),
    ],
)
def test_interval(interval: tuple[float, float] | None, signed: bool, text: str) -> None:
    assert format_interval(interval, signed=signed) == text


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (9.996, 3, "10.0"),
        (0.0, 3, "0"),
        (1234.5, 3, "1230"),
        (4.0, 3, "4.00"),
        (1.5e-9, 2, "1.5e−9"),
        (1.5e12, 2, "1.5e12"),
    ],
)
def test_significant_digits_without_an_uncertainty(value: float, digits: int, text: str) -> None:
    assert format_number(value, digits=digits) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, NO_VALUE),
        (0.0, "< 0.001"),
        (0.0012, "0.001"),
        (0.62, "0.62"),
        (0.987, "0.987"),
        (1.0, "> 0.999"),
    ],
)
def test_probability(value: float | None, text: str) -> None:
    assert format_probability(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.5, "0.5"), (1000.0, "1000"), (1e-3, "0.001"), (-2.5, "−2.5"), (0.0, "0")]
)
def test_plain_number_is_never_a_power(value: float, text: str) -> None:
    assert plain_number(value) == text


@settings(max_examples=200)
@given(
    st.floats(min_value=-1e300, max_value=1e300),
    st.floats(min_value=0.0, max_value=1e300, exclude_min=True),
)
def test_shown_value_is_within_the_last_place_of_the_uncertainty(value: float, sd: float) -> None:
    shown = float(format_number(value, sd).replace("−", "-"))
    # Half a unit of the second digit is at most 0.05 of the rounded uncertainty, which is at most
    # 1/0.995 of the uncertainty itself. An uncertainty beyond six digits of the value is not
    # followed: half a unit of the sixth is at most 5e-6 of the value.
    assert abs(shown - value) <= max(
        0.05 / 0.995 * 1.0001 * sd + 1e-15 * abs(value), 5.001e-6 * abs(value)
    )


def test_readings_without_scatter_do_not_fill_the_line_with_digits() -> None:
    assert format_number(4.5, 1e-15) == "4.50000"
    assert format_number(123456789.0, 1e-9) == "1.23456789e8"


def test_labels_bring_neither_matplotlib_nor_rich() -> None:
    code = (
        "import sys, strandwise.report\n"
        "heavy = {'matplotlib', 'rich', 'pandas', 'scipy', 'lmfit', 'jinja2'}\n"
        "sys.exit(','.join(heavy & set(sys.modules)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("value", "interval", "text"),
    [
        # Two significant digits of the half-width (JCGM 100:2008, 7.2.6), two decimals at most.
        (-9.1, (-13.2, -5.0), "−9.1"),
        (-0.0000833, None, "0.0"),
        (-0.0000833, (-0.0001, -0.00007), "0.00"),
        (0.1234, (0.1, 0.15), "+0.12"),
        (-99.97, (-99.999, 300.0), "−99.97"),
        (-100.0, (-100.0, 300.0), "−100"),
        (-46.0, (-99.0, 5e4), "−50"),
        (41.26, None, "+41.3"),
        (None, None, "—"),
        (math.nan, None, "—"),
    ],
)
def test_a_change_has_the_digits_of_its_interval_and_no_more(
    value: float | None, interval: tuple[float, float] | None, text: str
) -> None:
    assert format_change(value, interval) == text


@given(st.floats(-100.0, 1e6, exclude_min=True), st.floats(0.0, 1e6), st.floats(0.0, 1e6))
def test_no_change_short_of_the_whole_is_rounded_to_it(
    value: float, below: float, above: float
) -> None:
    ends = (max(value - below, -100.0 + 1e-8), value + above)
    low = format_change_interval(ends).strip("(").partition(" … ")[0]
    for text in (format_change(value, ends), low):
        shown = float(text.replace("−", "-"))
        assert shown > -100.0 or value < -100.0 + 1e-8


def test_a_change_of_no_bound_has_no_interval() -> None:
    assert format_change_interval((-5.0, math.inf)) == "—"
    assert format_change_interval(None) == "—"
