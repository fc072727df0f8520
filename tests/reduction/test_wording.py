from __future__ import annotations

import pytest

from strandwise.errors import UnitError
from strandwise.records import Gas
from strandwise.reduction import reduce_firing, wording_in

# NIST SP 811: 6894.757 Pa to the psi, 4.4482216 N to the lbf, 0.3048 m, 0.45359237 kg, 25.4 mm.
ONE = {"Pa": 6894.757, "N": 4.4482216}


@pytest.mark.parametrize(
    ("choice", "said"),
    [
        ("inch-pound", ["525 psi", "1235 psi", "45.9 lbf", "3006 ft/s", "0.281 in", "0.377 lb"]),
        ("mixed", ["525 psi", "1235 psi", "204 N", "916 m/s", "0.281 in", "171 g"]),
        ("metric", ["3.62 MPa", "8.51 MPa", "204 N", "916 m/s", "7.14 mm", "171 g"]),
        ("metric, bar", ["36.2 bar", "85.1 bar", "204 N", "916 m/s", "7.14 mm", "171 g"]),
    ],
)
def test_quantities_in_the_units_of_the_reader(choice, said):
    say = wording_in(choice)
    assert [
        say.signal(525.0 * ONE["Pa"], "Pa"),
        say.signal(1234.6 * ONE["Pa"], "Pa"),  # never 1.23e+03
        say.signal(204.2, "N"),
        say.speed(916.2),
        say.size(7.14375e-3, "m"),
        say.size(0.17095, "kg"),
    ] == said


def test_an_impulse_has_the_unit_of_the_force():
    assert wording_in("inch-pound").impulse(45.7 * ONE["N"]) == "45.7 lbf·s"
    assert wording_in("metric").impulse(3824.6) == "3825 N·s"


def test_no_such_choice():
    with pytest.raises(UnitError):
        wording_in("furlongs")


def test_a_firing_speaks_in_them(sim):
    from strandwise.records import Summary

    result = reduce_firing(
        sim.firing(sim.Motor(), summary=Summary(burn_time=2.0, mean_pressure=1.0e6)),
        "base",
        gas=Gas(characteristic_velocity=900.0, specific_heat_ratio=1.13),
        ambient=101325.0,
        density=None,
        exponent=0.35,
        wording=wording_in("inch-pound"),
    )
    (message,) = [c.message for c in result.cautions if c.code == "c-star-off"]
    assert f"{result.characteristic_velocity / 0.3048:.0f} ft/s" in message
    assert "2953 ft/s" in message
    assert "m/s" not in message
