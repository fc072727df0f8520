"""The file of a motor to be forecast: what it says, and ten ways in which it is damaged."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from strandwise.errors import RecordsError
from strandwise.motor import EndBurner, HollowCylinder
from strandwise.records import MotorRecord, PressureScale, read_motor

GOOD = """\
temperature = "20 degC"
temperature_low = "-5 degC"
temperature_high = "35 degC"
temperature_sensitivity = 0.002

[grain]
shape = "hollow-cylinder"
outer_diameter = "46 mm"
core_diameter = "18 mm"
length = "78 mm"
segments = 4
inhibited = ["outer"]
core_diameter_sd = "0.15 mm"
free_volume = "120 cm3"

[nozzle]
throat_diameter = "12 mm"
throat_diameter_after = "12.2 mm"
throat_diameter_sd = "0.05 mm"
exit_diameter = "26 mm"
divergence_half_angle = "12 deg"

[gas]
characteristic_velocity = "890 m/s"
characteristic_velocity_sd = "10 m/s"
specific_heat_ratio = 1.13

[case]
pressure_limit = "870 psig"
"""
SCALE = PressureScale("absolute", 96_500.0)


def read(folder: Path, text: str) -> MotorRecord:
    path = folder / "big.toml"
    path.write_text(text, encoding="utf-8")
    return read_motor(path, "big.toml", SCALE)


def test_a_motor_is_read_in_si(tmp_path: Path) -> None:
    motor = read(tmp_path, GOOD)
    assert motor.name == "big"
    assert isinstance(motor.grain, HollowCylinder)
    assert motor.grain.outer_diameter == pytest.approx(0.046)
    assert motor.grain_uncertainty.core_diameter_sd == pytest.approx(0.15e-3)
    assert motor.free_volume == pytest.approx(120e-6)
    assert motor.nozzle.throat_diameter_after == pytest.approx(0.0122)
    assert motor.nozzle.divergence_half_angle == pytest.approx(math.radians(12.0))
    assert motor.gas.characteristic_velocity == 890.0
    assert motor.characteristic_velocity_sd == 10.0
    # 870 psi above 96.5 kPa; 6894.757 Pa is a psi (NIST SP 811).
    assert motor.pressure_limit == pytest.approx(870.0 * 6894.757293 + 96_500.0)
    assert motor.temperature_low == pytest.approx(268.15)
    assert motor.temperature_sensitivity == 0.002


def test_own_ambient_pressure_counts_for_gauge_readings(tmp_path: Path) -> None:
    motor = read(tmp_path, 'ambient_pressure = "80 kPa"\n' + GOOD)
    assert motor.ambient_pressure == 80_000.0
    assert motor.pressure_limit == pytest.approx(870.0 * 6894.757293 + 80_000.0)


def test_little_is_enough(tmp_path: Path) -> None:
    motor = read(
        tmp_path,
        '[grain]\nshape = "end-burner"\nouter_diameter = "40 mm"\nlength = "60 mm"\n'
        '[nozzle]\nthroat_diameter = "4 mm"\n',
    )
    assert isinstance(motor.grain, EndBurner)
    assert motor.pressure_limit is None
    assert motor.gas.characteristic_velocity is None


def test_an_unknown_key_is_a_remark(tmp_path: Path) -> None:
    path = tmp_path / "big.toml"
    path.write_text("paint = 'red'\n" + GOOD, encoding="utf-8")
    motor = read_motor(path, "big.toml", SCALE)
    assert [remark.source.field for remark in motor.remarks] == ["paint"]


DAMAGED = {
    "no grain": (GOOD.replace("[grain]", "[grein]"), "grein", "grain"),
    "no nozzle": (GOOD.partition("[nozzle]")[0], "nozzle", r"no \[nozzle\]"),
    "no throat": (GOOD.replace('throat_diameter = "12 mm"\n', ""), "throat_diameter", "missing"),
    "no unit": (GOOD.replace('"46 mm"', "46"), "outer_diameter", "no unit"),
    "wrong kind": (
        GOOD.replace('"890 m/s"', '"890 kg"'),
        "characteristic_velocity",
        "a mass, and a velocity",
    ),
    "exchanged": (GOOD.replace('"46 mm"', '"14 mm"'), "grain", "not smaller than the outer"),
    "unknown shape": (GOOD.replace("hollow-cylinder", "starfish"), "shape", "no shape"),
    "exit smaller": (GOOD.replace('"26 mm"', '"6 mm"'), "nozzle", "smaller than the throat"),
    "limit negative": (GOOD.replace('"870 psig"', '"-3 MPa"'), "pressure_limit", "-3 MPa"),
    "torn": (GOOD.replace('length = "78 mm"', 'length = "78'), None, "not valid TOML"),
    "hot before cold": (GOOD.replace('"-5 degC"', '"50 degC"'), "temperature_low", "is above"),
    "misspelt": (GOOD.replace("pressure_limit", "presure_limit"), "presure_limit", "not a key"),
    "table as text": (
        GOOD.partition("[case]")[0].replace("[grain]", 'case = "6 MPa"\n[grain]'),
        "case",
        "6 MPa",
    ),
    "empty": ("", "grain", r"no \[grain\]"),
}


@pytest.mark.parametrize("damage", DAMAGED)
def test_a_damaged_file_gets_a_message_with_its_place(tmp_path: Path, damage: str) -> None:
    # Issue: ten damaged motor files each get a clear message.
    text, field, match = DAMAGED[damage]
    with pytest.raises(RecordsError, match=match) as caught:
        read(tmp_path, text)
    finding = caught.value.findings[0]
    assert finding.source.path == "big.toml"
    assert finding.expected or finding.hint
    if field is not None:
        assert any(field in (found.source.field or "") for found in caught.value.findings)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="does not exist"):
        read_motor(tmp_path / "none.toml", "none.toml", SCALE)
