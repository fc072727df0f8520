"""Sizes of powders out of the notes of batches."""

from __future__ import annotations

import pytest

from strandwise.workflow.tracking import particle_size_of


@pytest.mark.parametrize(
    ("text", "micrometres"),
    [
        ("<90 µm", 90.0),
        ("63 to 90 µm", (63.0 * 90.0) ** 0.5),
        ("63–90 um", (63.0 * 90.0) ** 0.5),
        ("sieved below 0,125 mm", 125.0),
        ("KNO3 90 µm, sorbitol 125 µm", None),
        ("ground by hand", None),
        ("", None),
        ("0 µm", None),
    ],
)
def test_one_size_with_its_unit(text: str, micrometres: float | None) -> None:
    found = particle_size_of(text)
    assert found == (None if micrometres is None else pytest.approx(micrometres * 1e-6))
