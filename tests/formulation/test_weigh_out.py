from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import RequestError
from strandwise.formulation import Ingredient, Recipe, weigh_out

G = 1e-3


def recipe(**fractions: float) -> Recipe:
    named = {key.replace("_", "-"): fraction for key, fraction in fractions.items()}
    return Recipe(formulation="mix", parent=None, mass_fractions=named, lineage=("mix",))


BASE = recipe(potassium_nitrate=0.65, sorbitol=0.35)


def test_plain_sheet_by_hand(shipped: dict[str, Ingredient]) -> None:
    sheet = weigh_out(BASE, shipped, 333 * G, resolution=1 * G)
    nitrate, sorbitol = sheet.rows
    assert (nitrate.exact_mass, sorbitol.exact_mass) == pytest.approx((216.45 * G, 116.55 * G))
    assert (nitrate.to_weigh, sorbitol.to_weigh) == (0.216, 0.117)
    assert nitrate.rounding == pytest.approx(-0.45 * G)
    assert sorbitol.rounding_share == pytest.approx(0.45 / 116.55)
    assert [row.running_total for row in sheet.rows] == [0.216, 0.333]
    assert sheet.total == 0.333
    assert sheet.actual_fractions["sorbitol"] == pytest.approx(117 / 333)


def test_water_is_weighed_in_on_top(shipped: dict[str, Ingredient]) -> None:
    # 35 g of dry starch with 9 % of water: 35 / 0.91 = 38.4615 g.
    mix = recipe(potassium_nitrate=0.65, starch=0.35)
    sheet = weigh_out(mix, shipped, 100 * G, resolution=0.01 * G, water={"starch": 0.09})
    starch = sheet.rows[1]
    assert starch.exact_mass == pytest.approx(38.461538 * G)
    assert starch.to_weigh == 0.03846
    assert starch.dry_mass == pytest.approx(35 * G)
    assert sheet.dry_total == pytest.approx(65 * G + 0.91 * 38.46 * G)
    assert sheet.actual_fractions["starch"] == pytest.approx(0.35, abs=1e-5)
    assert sheet.cautions == ()


def test_hygroscopic_ingredient_without_stated_water_is_cautioned(
    shipped: dict[str, Ingredient],
) -> None:
    (caution,) = weigh_out(BASE, shipped, 500 * G, resolution=0.1 * G).cautions
    assert caution.code == "water-not-stated"
    assert caution.message.startswith("sorbitol takes up water")
    told = weigh_out(BASE, shipped, 500 * G, resolution=0.1 * G, water={"sorbitol": 0.0}).cautions
    assert told == ()


def test_coarse_scale_is_cautioned(shipped: dict[str, Ingredient]) -> None:
    mix = recipe(potassium_nitrate=0.644, sucrose=0.346, iron_oxide=0.01)
    (caution,) = weigh_out(mix, shipped, 100 * G, resolution=0.1 * G).cautions
    assert caution.code == "coarse-scale"
    assert "iron-oxide: half a step of the scale is 5.0 %" in caution.message


@pytest.mark.parametrize(
    ("mass", "step", "water", "message"),
    [
        (0.0, 0.1 * G, {}, "mass of the batch is 0 g"),
        (0.5, 0.0, {}, "step of the scale is 0 g"),
        (0.5, 1.0, {}, "325 g of potassium-nitrate is less than one step.*finer than 1000 g"),
        (0.5, 0.1 * G, {"sucrose": 0.1}, "mix holds no sucrose"),
        (0.5, 0.1 * G, {"sorbitol": 1.0}, "sorbitol with 100 % of water"),
    ],
)
def test_refusals(
    shipped: dict[str, Ingredient], mass: float, step: float, water: dict[str, float], message: str
) -> None:
    with pytest.raises(RequestError, match=message):
        weigh_out(BASE, shipped, mass, resolution=step, water=water)


@given(
    st.floats(0.05, 5.0),
    st.sampled_from(["0.00001", "0.0001", "0.0005", "0.001"]),
    st.floats(0.05, 0.95),
    st.floats(0.0, 0.2),
)
@settings(max_examples=60)
def test_every_mass_is_on_the_scale_and_within_half_a_step(
    mass: float, step: str, share: float, water: float
) -> None:
    mix = recipe(potassium_nitrate=share, sorbitol=1 - share)
    sheet = weigh_out(mix, {}, mass, resolution=float(step), water={"sorbitol": water})
    for row in sheet.rows:
        assert Decimal(repr(row.to_weigh)) % Decimal(step) == 0
        assert abs(row.rounding) <= 0.5 * float(step) * (1 + 1e-9)
    total = sum(Decimal(repr(row.to_weigh)) for row in sheet.rows)
    assert Decimal(repr(sheet.total)) == total
    assert sum(sheet.actual_fractions.values()) == pytest.approx(1.0)
