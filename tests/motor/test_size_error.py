"""Sizes that contradict each other are told in the units of whoever reads it."""

from __future__ import annotations

import pytest

from strandwise.errors import DataError
from strandwise.motor import AreaTable, HollowCylinder, Nozzle, SizeError
from strandwise.units import wording_in


def test_a_core_as_wide_as_the_grain() -> None:
    with pytest.raises(SizeError, match=r"the core, 25\.4 mm, is not smaller") as raised:
        HollowCylinder(0.0127, 0.0254, 0.1)
    told = raised.value.worded(wording_in("inch-pound"))
    assert isinstance(told, DataError)
    # 25.4 mm to the inch, exact (NIST SP 811).
    assert str(told) == (
        "the core, 1 in, is not smaller than the outer diameter, 0.5 in; check that the two "
        "diameters are not exchanged"
    )


def test_sizes_stand_in_what_was_expected_as_well() -> None:
    with pytest.raises(SizeError) as raised:
        AreaTable((0.0, 0.0127), (1e-3, 1e-3), slivers_from=0.0254)
    assert raised.value.expected == "no more than the last, 12.7 mm"
    assert raised.value.worded(wording_in("mixed")).expected == "no more than the last, 0.5 in"


def test_diameters_that_hardly_differ_are_told_apart() -> None:
    with pytest.raises(SizeError, match=r"12\.001 mm is smaller than the throat, 12\.004 mm"):
        Nozzle(throat_diameter=12.004e-3, exit_diameter=12.001e-3)
