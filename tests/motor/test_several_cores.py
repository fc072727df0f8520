"""Grains whose cores meet each other or the wall: exact arcs against counted points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.motor import (
    HollowCylinder,
    MultiCore,
    burning_area,
    burnout_depth,
    offset_core_area_table,
    port_area,
    propellant_volume,
    web,
)

OUTER = frozenset({"outer"})
CLOSED = frozenset({"outer", "ends"})

FOUR = MultiCore(0.060, 0.010, 4, 0.034, 0.1, inhibited=CLOSED)
SIX_AND_ONE = MultiCore(0.060, 0.008, 6, 0.036, 0.1, inhibited=CLOSED, central_core_diameter=0.012)
TWO_OPEN = MultiCore(0.060, 0.010, 2, 0.026, 0.1, inhibited=frozenset({"ends"}))
SEVEN_OPEN = MultiCore(
    0.050, 0.006, 6, 0.028, 0.1, inhibited=frozenset({"ends"}), central_core_diameter=0.006
)
SEVERAL = [FOUR, SIX_AND_ONE, TWO_OPEN, SEVEN_OPEN]


def depth_to_reach(grain: MultiCore, side: int = 900) -> tuple[np.ndarray, float]:
    """Distance from every point of a square lattice to its nearest burning edge, m; cell area.

    Propellant that is left at a depth is where the distance exceeds it: independent of arcs.
    """
    half = grain.outer_diameter / 2
    line = (np.arange(side) + 0.5) / side * 2 * half - half
    x, y = np.meshgrid(line, line)
    from_axis = np.hypot(x, y)
    turns = 2 * np.pi * np.arange(grain.cores) / grain.cores
    ring = grain.circle_diameter / 2
    fronts = [
        np.hypot(x - ring * np.cos(turn), y - ring * np.sin(turn)) - grain.core_diameter / 2
        for turn in turns
    ]
    if grain.central_core_diameter is not None:
        fronts.append(from_axis - grain.central_core_diameter / 2)
    if "outer" not in grain.inhibited:
        fronts.append(half - from_axis)
    reach = np.min(fronts, axis=0)
    return np.where(from_axis < half, reach, -1.0), (2 * half / side) ** 2


@pytest.mark.parametrize("grain", SEVERAL)
def test_what_is_left_agrees_with_counted_points(grain):
    reach, cell = depth_to_reach(grain)
    for share in (0.0, 0.3, 0.9, 1.0):
        depth = share * web(grain)
        counted = np.count_nonzero(reach > depth) * cell * 0.1
        assert float(propellant_volume(grain, depth)) == pytest.approx(counted, rel=1.5e-3)
    whole = np.count_nonzero(reach > 0.0) * cell * 0.1
    for share in (0.2, 0.5, 0.8):
        depth = web(grain) + share * (burnout_depth(grain) - web(grain))
        counted = np.count_nonzero(reach > depth) * cell * 0.1
        assert float(propellant_volume(grain, depth)) == pytest.approx(counted, abs=5e-4 * whole)
    assert burnout_depth(grain) == pytest.approx(reach.max(), abs=1e-4)


@pytest.mark.parametrize("grain", SEVERAL)
def test_cores_apart_are_cylinders(grain):
    # Until the web every edge is a whole circle: areas by hand.
    depth = np.linspace(0.0, 0.999 * web(grain), 7)
    edges = grain.cores * (grain.core_diameter + 2 * depth)
    if grain.central_core_diameter is not None:
        edges = edges + grain.central_core_diameter + 2 * depth
    if "outer" not in grain.inhibited:
        edges = edges + grain.outer_diameter - 2 * depth
    assert burning_area(grain, depth) == pytest.approx(math.pi * edges * 0.1)
    assert float(port_area(grain)) == pytest.approx(
        math.pi
        / 4
        * (grain.cores * grain.core_diameter**2 + (grain.central_core_diameter or 0) ** 2)
    )


GRAINS = st.builds(
    lambda cores, share, wall, faces, length: MultiCore(
        outer_diameter=0.1,
        core_diameter=2 * share * wall * math.sin(math.pi / cores) / 2,
        cores=cores,
        circle_diameter=wall,
        length=length,
        segments=2,
        inhibited=frozenset(faces),
    ),
    st.integers(2, 9),
    st.floats(0.1, 0.8),
    st.floats(0.02, 0.05),
    st.sets(st.sampled_from(["outer", "one-end"])),
    st.floats(0.01, 0.3),
)


@settings(max_examples=40)
@given(GRAINS)
def test_area_is_the_rate_of_volume_loss_down_to_nothing(grain):
    # dV/dx = −A, by definition of the burnt depth; midpoint sums over a fine grid.
    edges = np.linspace(0.0, burnout_depth(grain), 4001)
    middle = (edges[1:] + edges[:-1]) / 2
    burnt = np.cumsum(burning_area(grain, middle)) * edges[1]
    whole = float(propellant_volume(grain))
    assert whole - propellant_volume(grain, edges[1:]) == pytest.approx(burnt, abs=2e-5 * whole)
    assert float(propellant_volume(grain, burnout_depth(grain))) < 1e-9 * whole
    assert burning_area(grain, 1.001 * burnout_depth(grain)) == 0.0


def test_slivers_begin_at_the_web():
    # 4 cores of 10 mm on 34 mm in 60 mm: 14.04 mm between cores, 8 mm to the wall.
    assert FOUR.wall_between == pytest.approx(0.034 * math.sin(math.pi / 4) - 0.010)
    assert FOUR.wall_outside == pytest.approx(0.008)
    assert web(FOUR) == pytest.approx(0.034 * math.sin(math.pi / 4) / 2 - 0.005)
    # The point midway between two cores at the wall burns last: law of cosines.
    last = math.sqrt(0.030**2 + 0.017**2 - 2 * 0.030 * 0.017 * math.cos(math.pi / 4)) - 0.005
    assert burnout_depth(FOUR) == pytest.approx(last)


@pytest.mark.parametrize("inhibited", [OUTER, CLOSED, frozenset(), frozenset({"one-end"})])
def test_a_core_on_the_axis_gives_the_closed_form(inhibited):
    plain = HollowCylinder(0.04, 0.012, 0.08, 2, inhibited)
    table = offset_core_area_table(0.04, 0.012, 0.0, 0.08, segments=2, inhibited=inhibited)
    assert web(table) == pytest.approx(web(plain))
    assert np.array(table.area) == pytest.approx(burning_area(plain, table.web), rel=1e-9)
    assert float(propellant_volume(table)) == pytest.approx(
        float(propellant_volume(plain)), rel=1e-4
    )


@pytest.mark.parametrize("inhibited", [OUTER, CLOSED, frozenset(), frozenset({"one-end"})])
@pytest.mark.parametrize("offset", [1e-5, 0.001, 0.003, 0.0125])
def test_an_offset_core_holds_its_volume(offset, inhibited):
    table = offset_core_area_table(0.04, 0.012, offset, 0.08, inhibited=inhibited)
    # The volume does not depend on where the core lies.
    exact = math.pi / 4 * (0.04**2 - 0.012**2) * 0.08
    assert float(propellant_volume(table)) == pytest.approx(exact, rel=1e-4)
    fronts = 1 if "outer" in inhibited else 2
    assert web(table) == pytest.approx((0.014 - offset) / fronts)
    assert burnout_depth(table) == pytest.approx((0.014 + offset) / fronts)
    assert table.area[-1] == 0.0


def test_an_offset_core_agrees_with_points_thrown_at_random():
    # Monte Carlo: the share of points in the case that lie farther from the core's edge than x.
    offset, draws = 0.004, 400_000
    table = offset_core_area_table(0.04, 0.012, offset, 1.0, inhibited=CLOSED)
    rng = np.random.default_rng(20)
    radius = 0.02 * np.sqrt(rng.uniform(size=draws))
    turn = rng.uniform(0.0, 2 * np.pi, draws)
    reach = np.hypot(radius * np.cos(turn) - offset, radius * np.sin(turn)) - 0.006
    case = math.pi * 0.02**2
    for depth in (0.005, 0.010, 0.013, 0.016):
        share = np.count_nonzero(reach > depth) / draws
        spread = 4 * math.sqrt(share * (1 - share) / draws) * case
        assert float(propellant_volume(table, depth)) == pytest.approx(share * case, abs=spread)


def test_an_offset_core_that_its_ends_outrun_has_no_slivers():
    table = offset_core_area_table(0.04, 0.012, 0.002, 0.01, inhibited=OUTER)
    assert table.slivers_from is None
    assert web(table) == pytest.approx(0.005)
    assert table.area[-1] > 0.0


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: MultiCore(0.06, 0.02, 6, 0.034, 0.1), "−3 mm of propellant part one core from"),
        (
            lambda: MultiCore(0.06, 0.02, 3, 0.045, 0.1),
            "−2.5 mm .* part the cores from the outside",
        ),
        (
            lambda: MultiCore(0.06, 0.01, 3, 0.03, 0.1, central_core_diameter=0.03),
            "−5 mm of propellant part the cores from the central one",
        ),
        (lambda: MultiCore(0.06, 0.01, 1, 0.03, 0.1), "with 1 on its circle"),
        (
            lambda: MultiCore(0.06, 0.01, 3, 0.03, 0.1, inhibited=frozenset({"core"})),
            "its cores inhibited",
        ),
        (lambda: MultiCore(0.06, 0.01, 3, 0.03), "without a length"),
        (
            lambda: offset_core_area_table(0.04, 0.012, 0.02, 0.1),
            "offset of 20 mm .* wall of 14 mm",
        ),
        (lambda: offset_core_area_table(0.04, 0.012, -1e-3, 0.1), "offset of −1 mm"),
        (lambda: offset_core_area_table(0.04, 0.012, 1e-3, 0.1, rows=3), "table of 3 rows"),
        (
            lambda: offset_core_area_table(
                0.04, 0.012, 1e-3, 0.1, inhibited=frozenset({"outer", "core"})
            ),
            "offset core that is inhibited",
        ),
    ],
)
def test_impossible_grains_are_refused(build, message):
    with pytest.raises(DataError, match=message):
        build()
