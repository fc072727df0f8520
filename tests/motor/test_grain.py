from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.motor import (
    AreaTable,
    EndBurner,
    HollowCylinder,
    burning_area,
    port_area,
    propellant_mass,
    propellant_volume,
    web,
)

OUTER = frozenset({"outer"})


def test_near_neutral_hollow_cylinder():
    # Geometry from memory: L = (3D + d)/2 gives equal areas at start and burnout; D 38 mm,
    # d 13 mm, the areas recomputed by hand.
    grain = HollowCylinder(0.038, 0.013, 0.0635, inhibited=OUTER)
    assert web(grain) == pytest.approx(0.0125, abs=1e-15)
    area = burning_area(grain, [0.0, 0.00625, 0.0125]) * 1e6
    assert area == pytest.approx([4596.15, 5332.46, 4596.15], abs=0.005)


@pytest.mark.parametrize(
    ("inhibited", "length", "expected"),
    [
        ({"outer"}, 0.1, 0.01),
        ({"core"}, 0.1, 0.01),
        (set(), 0.1, 0.005),
        ({"ends"}, 0.1, 0.005),
        ({"outer", "ends"}, 0.01, 0.01),
        ({"outer"}, 0.012, 0.006),
        ({"outer", "core"}, 0.1, 0.05),
    ],
)
def test_web_of_hollow_cylinder(inhibited, length, expected):
    # By definition of the web: the least depth at which two faces meet.
    grain = HollowCylinder(0.03, 0.01, length, inhibited=frozenset(inhibited))
    assert web(grain) == pytest.approx(expected)


GRAINS = st.builds(
    HollowCylinder,
    st.floats(0.02, 0.2),
    st.floats(0.001, 0.019),
    st.floats(0.01, 0.5),
    st.integers(1, 6),
    st.sets(st.sampled_from(["outer", "core", "ends"]), max_size=2).map(frozenset),
)


@settings(max_examples=40)
@given(GRAINS)
def test_area_is_the_rate_of_volume_loss(grain):
    depth = np.linspace(0.0, web(grain), 4001)
    lost = np.trapezoid(burning_area(grain, depth), depth)
    assert lost == pytest.approx(
        float(propellant_volume(grain, 0.0) - propellant_volume(grain, web(grain))), rel=1e-6
    )
    assert burning_area(grain, 1.001 * web(grain)) == 0.0


def test_end_burner_and_table():
    end = EndBurner(0.05, 0.08)
    assert web(end) == 0.08
    assert burning_area(end, [0.0, 0.08, 0.0801]) == pytest.approx(
        [math.pi / 4 * 0.0025, math.pi / 4 * 0.0025, 0.0]
    )
    table = AreaTable((0.0, 0.01, 0.02), (1e-3, 3e-3, 0.0))
    assert float(propellant_volume(table)) == pytest.approx(2e-5 + 1.5e-5)
    assert float(propellant_volume(table, 0.015)) == pytest.approx(0.5 * 0.005 * 1.5e-3)
    assert port_area(table) is None
    assert port_area(HollowCylinder(0.03, 0.01, 0.1)) == pytest.approx(math.pi / 4 * 1e-4)


def test_mass_comes_first_then_density():
    assert propellant_mass(HollowCylinder(0.03, 0.01, 0.1, mass=0.1, density=1.0), 2.0) == 0.1
    cylinder = HollowCylinder(0.03, 0.01, 0.1)
    assert propellant_mass(cylinder) is None
    assert propellant_mass(cylinder, 1800.0) == pytest.approx(1800 * math.pi / 4 * 8e-4 * 0.1)


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: HollowCylinder(0.01, 0.03, 0.1), "core, 30 mm, is not smaller"),
        (lambda: HollowCylinder(0.03, 0.01, -0.1), "length of the grain is -0.1"),
        (lambda: HollowCylinder(0.03, 0.01, 0.1, 0), "0 segments"),
        (lambda: HollowCylinder(0.03, 0.01, 0.1, inhibited=frozenset({"top"})), "top named"),
        (
            lambda: HollowCylinder(0.03, 0.01, 0.1, inhibited=frozenset({"outer", "core", "ends"})),
            "no face is left",
        ),
        (lambda: HollowCylinder(0.03, 0.01, 0.1, mass=math.nan), "mass of the grain is nan"),
        (lambda: EndBurner(0.03, 0.1, inhibited=frozenset({"ends"})), "ends inhibited"),
        (lambda: AreaTable((0.0,), (1.0,)), "1 depths"),
        (lambda: AreaTable((0.001, 0.002), (1.0, 1.0)), "starts at a burnt depth of 1 mm"),
        (lambda: AreaTable((0.0, 0.002, 0.002), (1.0, 1.0, 1.0)), "2 mm follows 2 mm"),
        (lambda: AreaTable((0.0, 0.002), (0.0, 1.0)), "burning area of 0"),
        (lambda: AreaTable((0.0, math.inf), (1.0, 1.0)), "not a finite number"),
    ],
)
def test_impossible_grains_are_refused(build, message):
    with pytest.raises(DataError, match=message):
        build()
