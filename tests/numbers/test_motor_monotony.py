"""A motor answers a change of its drawing in the direction that physics gives.

Seeds are the same throughout, so that the same drawn laws meet each drawing.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def forecast(started: Any, tmp_path_factory: Any) -> Any:
    """Forecast of the demonstration motor with some of its text replaced."""
    bench = tmp_path_factory.mktemp("bench")
    shutil.copytree(ROOT / "campaigns" / "demo", bench / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", bench / "shared")
    motor = bench / "campaigns" / "demo" / "motors" / "full-size.toml"
    drawing = motor.read_text(encoding="utf-8")

    def of(*changes: tuple[str, str]) -> dict[str, Any]:
        text = drawing
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        motor.write_text(text, encoding="utf-8")
        words = ("--formulation", "base", "--draws", "1000", "--seed", "3", "--json")
        code, out, err = started(bench, "forecast", "demo", "full-size", *words)
        assert code == 0, err
        told = json.loads(out)
        return dict(told["forecasts"][0] if "forecasts" in told else told)

    return of


def test_a_wider_throat_lowers_the_pressure_and_lengthens_the_burn(forecast: Any) -> None:
    wider = (
        ('throat_diameter = "12.00 mm"', 'throat_diameter = "12.50 mm"'),
        ('throat_diameter_after = "12.20 mm"', 'throat_diameter_after = "12.70 mm"'),
    )
    first, second = forecast(), forecast(*wider)
    for key in ("p05", "median", "p95", "p99"):
        assert second["peak_pressure_MPa"][key] < first["peak_pressure_MPa"][key]
        assert second["burn_time_s"][key] > first["burn_time_s"][key]
    assert second["initial_kn"] < first["initial_kn"]
    assert second["case"]["probability_over"] <= first["case"]["probability_over"]


def test_a_longer_grain_raises_the_pressure_and_the_impulse(forecast: Any) -> None:
    first, second = forecast(), forecast(('length = "78.0 mm"', 'length = "84.0 mm"'))
    for key in ("median", "p95"):
        assert second["peak_pressure_MPa"][key] > first["peak_pressure_MPa"][key]
        assert second["total_impulse_N_s"][key] > first["total_impulse_N_s"][key]


def test_a_stronger_case_is_passed_less_often(forecast: Any) -> None:
    limits = ("4 MPa", "5 MPa", "6 MPa", "8 MPa")
    told = [forecast(('pressure_limit = "6 MPa"', f'pressure_limit = "{p}"')) for p in limits]
    over = [row["case"]["probability_over"] for row in told]
    assert over == sorted(over, reverse=True)
    assert over[0] > over[-1]
    peaks = [row["peak_pressure_MPa"]["median"] for row in told]
    assert peaks == [peaks[0]] * len(peaks)


def test_a_hotter_gas_raises_the_pressure(forecast: Any) -> None:
    first = forecast()
    second = forecast(
        ('characteristic_velocity = "890 m/s"', 'characteristic_velocity = "920 m/s"')
    )
    # P = (Kn·a·ρ·c*)^(1/(1−n)): the ratio of the pressures is that of c* to the power 1/(1−n).
    assert second["peak_pressure_MPa"]["median"] / first["peak_pressure_MPa"]["median"] > 920 / 890
