from __future__ import annotations

import itertools
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
    burnout_depth,
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


def test_a_bore_of_published_examples():
    # An open course on rocket propulsion, part III, B3: bore 0.110 to 0.240 m in radius, n = 0.30;
    # the pressure rises 3.0481-fold. Its trace integral of 89.908 MPa·s (own computation from the
    # same motor: L 2.600 m, throat 0.120 m, 1800 kg/m³, c* 1520 m/s) is the mass times c*/A_t.
    bore = HollowCylinder(0.480, 0.220, 2.600, inhibited=frozenset({"outer", "ends"}), density=1800)
    first, last = burning_area(bore, [0.0, web(bore)])
    assert (last / first) ** (1 / 0.7) == pytest.approx(3.0481, abs=5e-5)
    throat = math.pi / 4 * 0.120**2
    mass = propellant_mass(bore)
    assert mass * 1520 / throat == pytest.approx(89.908000e6, rel=1e-7)
    # A public page of problems in rocketry (from memory): a channel of 10 m by 1 m at 10.47 mm/s
    # and 1.70 g/ml gives 559 kg/s.
    channel = HollowCylinder(2.0, 1.0, 10.0, inhibited=frozenset({"outer", "ends"}))
    assert float(burning_area(channel, 0.0)) * 10.47e-3 * 1700 == pytest.approx(559, abs=0.5)


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


@pytest.mark.parametrize(
    ("inhibited", "length", "expected"),
    [
        ({"outer", "one-end"}, 0.1, 0.01),
        ({"outer", "one-end"}, 0.008, 0.008),
        ({"outer", "core", "one-end"}, 0.1, 0.1),
    ],
)
def test_one_end_recedes_alone(inhibited, length, expected):
    grain = HollowCylinder(0.03, 0.01, length, inhibited=frozenset(inhibited))
    assert web(grain) == pytest.approx(expected)
    # One annulus of the two: areas by hand.
    ends = math.pi / 4 * (0.03**2 - 0.01**2)
    side = math.pi * 0.01 * length * ("core" not in inhibited)
    assert float(burning_area(grain, 0.0)) == pytest.approx(ends + side)


def test_segments_of_unequal_lengths():
    long = HollowCylinder(0.038, 0.012, 0.07, inhibited=OUTER)
    short = HollowCylinder(0.038, 0.012, 0.02, inhibited=OUTER)
    both = HollowCylinder(0.038, 0.012, lengths=(0.07, 0.02), inhibited=OUTER)
    assert both.segment_lengths == (0.07, 0.02)
    # The short one is gone at 10 mm, by its ends; the long one burns on to its wall of 13 mm.
    assert (web(short), web(long), web(both)) == pytest.approx((0.010, 0.013, 0.013))
    depth = np.linspace(0.0, 0.0131, 60)
    for function in (burning_area, propellant_volume):
        assert function(both, depth) == pytest.approx(
            function(long, depth) + function(short, depth), abs=1e-18
        )
    assert float(burning_area(both, 0.0100001)) < float(burning_area(both, 0.0099999))


def test_equal_lengths_are_a_length_and_a_count():
    listed = HollowCylinder(0.038, 0.012, lengths=(0.05, 0.05, 0.05), inhibited=OUTER)
    counted = HollowCylinder(0.038, 0.012, 0.05, 3, OUTER)
    depth = np.linspace(0.0, 0.013, 20)
    assert burning_area(listed, depth) == pytest.approx(burning_area(counted, depth))
    assert port_area(listed, depth) == pytest.approx(port_area(counted, depth))


CYLINDERS = st.builds(
    HollowCylinder,
    st.floats(0.02, 0.2),
    st.floats(0.001, 0.019),
    st.floats(0.01, 0.5),
    st.integers(1, 6),
    st.sets(st.sampled_from(["outer", "core", "ends"]), max_size=2).map(frozenset),
)
STACKS = st.builds(
    lambda outer, core, lengths, inhibited: HollowCylinder(
        outer, core, lengths=tuple(lengths), inhibited=inhibited
    ),
    st.floats(0.02, 0.2),
    st.floats(0.001, 0.019),
    st.lists(st.floats(0.002, 0.5), min_size=1, max_size=4),
    st.sets(st.sampled_from(["outer", "core", "one-end"]), max_size=3).map(frozenset),
)


@settings(max_examples=60)
@given(st.one_of(CYLINDERS, STACKS))
def test_area_is_the_rate_of_volume_loss_down_to_nothing(grain):
    # By definition of the burnt depth: dV/dx = −A. Simpson's rule is exact for areas that are
    # quadratic in x, as these are between the depths at which a segment burns out.
    ends = {length / n for length in grain.segment_lengths for n in (1, 2)}
    knots = sorted({0.0, web(grain), *(end for end in ends if end < web(grain))})
    whole = float(propellant_volume(grain))
    for start, stop in itertools.pairwise(knots):
        inner = np.array([start + 1e-9 * (stop - start), (start + stop) / 2, stop])
        inner[0] += 2e-9 * stop
        area = burning_area(grain, inner)
        lost = (stop - start) * float(area @ [1.0, 4.0, 1.0]) / 6.0
        held = propellant_volume(grain, [start, stop])
        assert float(held[0] - held[1]) == pytest.approx(lost, rel=1e-6, abs=1e-7 * whole)
    assert float(propellant_volume(grain, burnout_depth(grain))) <= 1e-12 * whole
    assert burning_area(grain, 1.001 * web(grain)) == 0.0
    assert web(grain) == burnout_depth(grain)


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
    slivered = AreaTable((0.0, 0.01, 0.02), (1e-3, 3e-3, 0.0), slivers_from=0.01)
    assert (web(slivered), burnout_depth(slivered)) == (0.01, 0.02)
    assert float(burning_area(slivered, 0.015)) == pytest.approx(1.5e-3)
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
        (lambda: HollowCylinder(0.03, 0.01), "without a length; expected the length of one"),
        (lambda: HollowCylinder(0.03, 0.01, 0.1, lengths=(0.1,)), "a length and lengths"),
        (lambda: HollowCylinder(0.03, 0.01, lengths=(0.1, 0.0)), "length of the grain is 0"),
        (lambda: HollowCylinder(0.03, 0.01, segments=3, lengths=(0.1, 0.2)), "3 segments with 2"),
        (
            lambda: HollowCylinder(0.03, 0.01, 0.1, inhibited=frozenset({"ends", "one-end"})),
            "both ends and one-end",
        ),
        (lambda: EndBurner(0.03, 0.1, inhibited=frozenset({"ends"})), "ends inhibited"),
        (lambda: AreaTable((0.0,), (1.0,)), "1 depths"),
        (lambda: AreaTable((0.0, 0.01), (1.0, 0.0), slivers_from=0.02), "slivers from .* 20 mm"),
        (lambda: AreaTable((0.001, 0.002), (1.0, 1.0)), "starts at a burnt depth of 1 mm"),
        (lambda: AreaTable((0.0, 0.002, 0.002), (1.0, 1.0, 1.0)), "2 mm follows 2 mm"),
        (lambda: AreaTable((0.0, 0.002), (0.0, 1.0)), "burning area of 0"),
        (lambda: AreaTable((0.0, math.inf), (1.0, 1.0)), "not a finite number"),
    ],
)
def test_impossible_grains_are_refused(build, message):
    with pytest.raises(DataError, match=message):
        build()
