"""Sizes for a wanted pressure; expected values by own algebra unless a source is named."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from strandwise.errors import RequestError
from strandwise.forecast import (
    BatchSpread,
    DrillName,
    LawSource,
    MotorDesign,
    RateSize,
    draw_motor,
    neutral_grain,
    size_dose,
    size_rate,
    size_throat,
)
from strandwise.motor import AreaTable, EndBurner, HollowCylinder, Nozzle
from strandwise.tracking import DoseSlope

BASE = LawSource(
    formulation="base",
    law="power",
    reference_pressure=3.5e6,
    ln_r0=math.log(8e-3),
    n=0.42,
    covariance=np.diag([0.01**2, 0.01**2]),
    df=(20.0, 40.0),
    pressure_range=(0.8e6, 7e6),
    batches=4,
    strands=20,
    firings=3,
    batch_spread=BatchSpread(sd=0.02, df=6.0),
)
DESIGN = MotorDesign(
    name="motor",
    grain=HollowCylinder(0.038, 0.013, 0.0635, segments=3, inhibited=frozenset({"outer"})),
    nozzle=Nozzle(0.0105, 0.0107, exit_diameter=0.02),
    density=1780.0,
    characteristic_velocity=890.0,
    specific_heat_ratio=1.13,
    thrust_efficiency=0.94,
    ambient_pressure=1e5,
)
DRAWS = 2000


@pytest.mark.parametrize("percentile", [0.9, 0.99])
@pytest.mark.parametrize("target", [1.2e6, 3e6, 9e6])
def test_throat_puts_the_percentile_where_it_was_wanted(target: float, percentile: float) -> None:
    found = size_throat(DESIGN, BASE, target, percentile=percentile, draws=DRAWS)
    assert found.peak_at_percentile == pytest.approx(target, rel=2e-4)
    assert found.drilled_diameter == found.throat_diameter
    assert found.peak_median < target


def test_throat_agrees_with_the_steady_balance() -> None:
    # P goes as A_t^(−1/(1 − n)) (steady balance, NASA SP-8039 p. 57): twice the pressure needs
    # a throat of 2^(−(1 − n)/2) of the diameter, but for the gas that fills the chamber.
    motor = dataclasses.replace(DESIGN, nozzle=Nozzle(0.0105))
    low, high = (size_throat(motor, BASE, p, percentile=0.6, draws=DRAWS) for p in (2e6, 4e6))
    ratio = high.throat_diameter / low.throat_diameter
    assert ratio == pytest.approx(2.0 ** (-0.58 / 2.0), rel=3e-3)


@pytest.mark.parametrize("sigma_p", [0.003, -0.003])
def test_throat_is_sized_for_the_temperature_that_burns_fastest(sigma_p: float) -> None:
    told = dataclasses.replace(
        BASE, sigma_p=sigma_p, reference_temperature=293.15, temperature_range=(260.0, 330.0)
    )
    motor = dataclasses.replace(DESIGN, temperature_low=273.15, temperature_high=313.15)
    usual = size_throat(DESIGN, told, 3e6, draws=DRAWS)
    found = size_throat(motor, told, 3e6, draws=DRAWS)
    # 20 K either way raise the rate by 6 %, ln P by that over 1 - n, as 1/A_t does.
    ratio = found.throat_diameter / usual.throat_diameter
    assert ratio == pytest.approx(math.exp(0.003 * 20.0 / 2.0), rel=3e-3)


@pytest.mark.parametrize(("drills", "step"), [("tenths-of-mm", 1e-4), ("64ths", 0.0254 / 64.0)])
def test_drilled_throat_is_the_next_larger_and_lowers_the_pressure(
    drills: DrillName, step: float
) -> None:
    found = size_throat(DESIGN, BASE, 3e6, drills=drills, draws=DRAWS)
    assert 0.0 <= found.drilled_diameter - found.throat_diameter < step
    assert found.drilled_diameter / step == pytest.approx(round(found.drilled_diameter / step))
    assert found.peak_at_percentile <= 3e6 * (1.0 + 2e-4)


def test_rate_needed_is_the_pressure_ratio_to_one_less_the_exponent() -> None:
    # P goes as a^(1/(1 − n)); a percentile is not quite the median's ratio: n differs by draw.
    peak = np.quantile(draw_motor(DESIGN, BASE, draws=DRAWS, seed=1).peak_pressure, 0.6)
    found = size_rate(DESIGN, BASE, 0.8 * float(peak), percentile=0.6, draws=DRAWS)
    assert found.log_factor == pytest.approx(0.58 * math.log(0.8), rel=0.02)
    again = draw_motor(DESIGN, BASE.shifted(found.log_factor), draws=DRAWS, seed=1)
    reached = np.quantile(again.peak_pressure, 0.6, method="higher")
    assert reached == pytest.approx(0.8 * float(peak), rel=2e-4)
    assert found.change == pytest.approx(math.expm1(found.log_factor))


def test_sizes_that_nothing_gives_are_refused() -> None:
    with pytest.raises(RequestError, match="no throat from a seventh"):
        size_throat(DESIGN, BASE, 900e6, draws=DRAWS)
    with pytest.raises(RequestError, match="no burn rate from a seventh"):
        size_rate(DESIGN, BASE, 150e6, draws=DRAWS)


@pytest.mark.parametrize(
    ("target", "percentile", "match"),
    [(1e5, 0.99, "peak of 0.1 MPa"), (3e6, 0.5, "50 % of its draws"), (3e6, 1.0, "100 %")],
)
def test_requests_out_of_range_are_refused(target: float, percentile: float, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        size_throat(DESIGN, BASE, target, percentile=percentile)
    with pytest.raises(ValueError, match=match):
        size_rate(DESIGN, BASE, target, percentile=percentile)


# ------------------------------------------------------------------- dose


def slope(**changes: Any) -> DoseSlope:
    options: dict[str, Any] = {
        "ingredient": "calcium-carbonate",
        "replaces": "sorbitol",
        "formulations": ("ten", "twenty"),
        "amounts": (0.10, 0.20),
        "percent_per_percent": -1.0,
        "ci95": (-1.3, -0.7),
    }
    return DoseSlope(**{**options, **changes})


def needed(log_factor: float) -> RateSize:
    return RateSize(target=4e6, percentile=0.99, log_factor=log_factor)


def test_dose_is_the_change_over_the_slope() -> None:
    # ln 0.99 each percent: ten of them slow by 1 − 0.99^10.
    found = size_dose(slope(), needed(10.0 * math.log(0.99)))
    assert found.dose == pytest.approx(0.10)
    assert found.interval is not None
    low, high = found.interval
    assert low == pytest.approx(0.10 * math.log(0.99) / math.log(0.987))
    assert high == pytest.approx(0.10 * math.log(0.99) / math.log(0.993))
    assert [caution.code for caution in found.cautions] == ["dose-changes-more"]


def test_upper_end_beyond_the_tested_doses_is_told() -> None:
    found = size_dose(slope(), needed(17.0 * math.log(0.99)))
    assert found.dose == pytest.approx(0.17)
    assert "dose-extrapolated" in {caution.code for caution in found.cautions}


@pytest.mark.parametrize(
    ("changes", "log_factor", "why"),
    [
        ({}, 21.0 * math.log(0.99), "no more than 20 % was tested"),
        ({"ci95": (-1.5, 0.2)}, -0.1, "not told from none"),
        ({"percent_per_percent": 1.0, "ci95": (0.5, 1.5)}, -0.1, "burn faster"),
        ({"percent_per_percent": None}, -0.1, "is not known"),
        ({"ci95": None}, -0.1, "is not known"),
        ({}, 0.02, "need not burn slower"),
    ],
)
def test_dose_that_the_tests_do_not_carry_is_refused(
    changes: dict[str, Any], log_factor: float, why: str
) -> None:
    found = size_dose(slope(**changes), needed(log_factor))
    assert found.dose is None
    assert found.interval is None
    assert why in found.why_not


# ------------------------------------------------------------------- grain


def test_neutral_segment_is_three_outer_diameters_and_a_core_over_two() -> None:
    # From memory: L = (3D + d)/2; D = 38, d = 13 mm gives 63.5 mm, 4596.15 mm² at both ends of
    # the burn and 5332.46 mm² halfway, a spread of 16 %.
    grain = HollowCylinder(0.038, 0.013, 0.050, segments=2, inhibited=frozenset({"outer"}))
    found = neutral_grain(grain)
    assert found.segment_length == pytest.approx(0.0635)
    assert found.core_diameter is None  # 2·50 − 3·38 is below 0
    even = neutral_grain(HollowCylinder(0.038, 0.013, 0.0635, inhibited=frozenset({"outer"})))
    assert even.start_to_end == pytest.approx(1.0, abs=1e-6)
    assert even.spread == pytest.approx(5332.46 / 4596.15, rel=1e-4)
    assert even.core_diameter == pytest.approx(0.013)


@pytest.mark.parametrize(
    ("throat", "core", "choking"), [(0.006, 0.010, None), (0.012, None, 0.010), (None, 0.010, None)]
)
def test_no_core_is_named_that_the_gas_would_choke_in(
    throat: float | None, core: float | None, choking: float | None
) -> None:
    # 2L − 3D = 2·62 − 3·38 = 10 mm; over throats of 6 and 12 mm (10/6)² and (10/12)² areas.
    grain = HollowCylinder(0.038, 0.013, 0.062, inhibited=frozenset({"outer"}))
    found = neutral_grain(grain, throat)
    assert found.core_diameter == (core if core is None else pytest.approx(core))
    assert found.choking_core == (choking if choking is None else pytest.approx(choking))
    ratio = found.core_port_to_throat
    assert ratio == (None if throat is None else pytest.approx((0.010 / throat) ** 2))


def test_shapes_without_a_neutral_length_have_none() -> None:
    bore = HollowCylinder(0.048, 0.022, 0.26, inhibited=frozenset({"outer", "ends"}))
    for grain in (bore, EndBurner(0.04, 0.05), AreaTable((0.0, 0.01), (0.02, 0.03))):
        assert neutral_grain(grain).segment_length is None
    assert neutral_grain(bore).spread == pytest.approx(48.0 / 22.0, rel=1e-6)
    assert neutral_grain(EndBurner(0.04, 0.05)).spread == pytest.approx(1.0)
    falling = neutral_grain(AreaTable((0.0, 0.01), (0.02, 0.0)))
    assert falling.spread > 1e6
