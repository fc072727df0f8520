from __future__ import annotations

from strandwise.records import Gas
from strandwise.reduction import reduce_firing
from strandwise.units import wording_in


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
