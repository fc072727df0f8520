from __future__ import annotations

import pytest

from strandwise.errors import UnitError
from strandwise.formulation import (
    Recipe,
    Weighing,
    deviation_cautions,
    parse_weighings,
    recipe_from_weighings,
    unknown_weighings,
)

NOMINAL = Recipe(
    formulation="base",
    parent=None,
    mass_fractions={"potassium-nitrate": 0.65, "sorbitol": 0.35},
    lineage=("base",),
)


def test_weighings_as_people_write_them() -> None:
    read = parse_weighings(
        "potassium-nitrate 292.5 g, sorbitol: 0.1575 kg; starch 31 g with 9 % water"
    )
    assert read == (
        Weighing(ingredient="potassium-nitrate", mass=pytest.approx(0.2925)),
        Weighing(ingredient="sorbitol", mass=pytest.approx(0.1575)),
        Weighing(ingredient="starch", mass=pytest.approx(0.031), water=pytest.approx(0.09)),
    )
    assert read[2].dry_mass == pytest.approx(0.02821)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("sorbitol", "`sorbitol` is no weighing; expected such as"),
        ("sorbitol 31", "sorbitol: `31` has no unit"),
        ("sorbitol 31 g,", "`` is no weighing"),
        ("sorbitol 0 g", "the weighing of sorbitol is 0 g"),
        ("sorbitol 31 mm", "sorbitol: `mm` is the unit of a length"),
        ("sorbitol 31 g with 100 % water", "sorbitol with 100 % water"),
        ("sorbitol 31 g, sorbitol 2 g", "sorbitol is weighed in twice"),
        ("Sorbitol 31 g", "is no weighing"),
    ],
)
def test_what_is_refused(text: str, message: str) -> None:
    with pytest.raises(UnitError, match=message):
        parse_weighings(text)


def test_weighings_define_the_recipe() -> None:
    weighings = parse_weighings("potassium-nitrate 300 g, sorbitol 154 g with 2.6 % water")
    actual = recipe_from_weighings(weighings, NOMINAL)
    dry = 154 * (1 - 0.026)
    assert actual.mass_fractions == pytest.approx(
        {"potassium-nitrate": 300 / (300 + dry), "sorbitol": dry / (300 + dry)}
    )
    assert (actual.formulation, actual.lineage) == ("base", ("base",))
    (caution,) = deviation_cautions("B-07", actual, NOMINAL)
    assert caution.code == "weighed-otherwise"
    assert "potassium-nitrate 66.67 % instead of 65.00 %" in caution.message


def test_a_slip_of_the_scale_is_no_other_recipe() -> None:
    actual = recipe_from_weighings(
        parse_weighings("potassium-nitrate 325.3 g, sorbitol 174.8 g"), NOMINAL
    )
    assert deviation_cautions("B-07", actual, NOMINAL) == ()


def test_strangers_are_named() -> None:
    weighings = parse_weighings("sorbitol 31 g, chalk 2 g")
    assert unknown_weighings(weighings, {}) == ("sorbitol", "chalk")
    actual = recipe_from_weighings(weighings, NOMINAL)
    assert "chalk 6.06 % instead of 0.00 %" in deviation_cautions("B", actual, NOMINAL)[0].message
