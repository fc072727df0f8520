"""A grain in plain text: what is drawn is measured on the drawing."""

from __future__ import annotations

import pytest

from strandwise.motor import EndBurner, HollowCylinder, MultiCore
from strandwise.report.grain_sketch import grain_sketch


def section(lines: list[str]) -> list[str]:
    return [f"{line:<22}"[:22] for line in lines]


def cut(lines: list[str]) -> list[str]:
    return [line[26:] for line in lines]


@pytest.mark.parametrize("core", [8e-3, 16e-3, 24e-3])
def test_the_share_of_propellant_is_that_of_the_sizes(core: float) -> None:
    grain = HollowCylinder(33e-3, core, 57.5e-3)
    drawn = "".join(section(grain_sketch(grain))).count("#") / (11 * 22)
    share = 0.7854 * (1.0 - (core / 33e-3) ** 2)
    assert drawn == pytest.approx(share, abs=0.05)


def test_segments_stand_side_by_side_in_their_proportion() -> None:
    lines = cut(grain_sketch(HollowCylinder(33e-3, 16e-3, lengths=(60e-3, 30e-3))))
    first, second = lines[0].split()
    assert len(first) == pytest.approx(2 * len(second), abs=1)
    assert set(lines[5].strip()) == set()
    assert len(lines) == 11


def test_an_offset_core_lies_off_the_middle() -> None:
    lines = cut(grain_sketch(HollowCylinder(33e-3, 9e-3, 50e-3), offset=6e-3))
    walls = ["#" in line for line in lines]
    assert walls.index(False) > 11 - 1 - walls[::-1].index(False) - 3
    assert sum(walls[: walls.index(False)]) > sum(walls[::-1][: walls[::-1].index(False)])


def test_several_cores_are_as_many_holes() -> None:
    grain = MultiCore(60e-3, 12e-3, 4, 34e-3, 50e-3)
    middle = section(grain_sketch(grain))[5].strip()
    # The row through the axis meets two of the four cores, left and right.
    assert len(middle.split()) == 3


def test_an_end_burner_is_solid() -> None:
    lines = grain_sketch(EndBurner(38e-3, 70e-3))
    assert all("#" in line for line in cut(lines))


@pytest.mark.parametrize(
    "grain",
    [
        HollowCylinder(33e-3, 16e-3, 57.5e-3, segments=100),
        HollowCylinder(10e-3, 4e-3, 2.0),
        EndBurner(0.5, 5e-3),
    ],
)
def test_no_line_is_wider_than_a_terminal(grain: HollowCylinder | EndBurner) -> None:
    assert max(map(len, grain_sketch(grain))) <= 70


@pytest.mark.parametrize("room", [30, 38, 60])
def test_a_narrow_room_has_the_cut_below_the_section(room: int) -> None:
    grain = HollowCylinder(33e-3, 16e-3, lengths=(60e-3, 30e-3))
    lines = grain_sketch(grain, room=room)
    assert max(map(len, lines)) <= room
    assert len(lines) == 2 * 11 + 1
    assert section(lines[:11]) == section(grain_sketch(grain))
    first, second = lines[12].split()
    assert len(first) == pytest.approx(2 * len(second), abs=1)
    assert grain_sketch(grain, room=70) == grain_sketch(grain)
