from __future__ import annotations

import math
import random

import pytest

from strandwise.errors import DataError
from strandwise.formulation import (
    Ingredient,
    Recipe,
    porosity_of,
    sample_density,
    void_free_density_sd,
)

MIX = Recipe(
    formulation="base",
    parent=None,
    mass_fractions={"potassium-nitrate": 0.65, "sorbitol": 0.35},
    lineage=("base",),
)


def test_porosity_of_a_casting(shipped: dict[str, Ingredient]) -> None:
    # Void-free 1/(0.65/2.11 + 0.35/1.489) = 1.8412 g/cm3 by hand.
    found = porosity_of(MIX, shipped, 1764.0, 9.0)
    assert found is not None
    solid = 1000 / (0.65 / 2.11 + 0.35 / 1.489)
    assert found.void_free_density == pytest.approx(solid)
    assert found.value == pytest.approx(1 - 1764 / solid)
    assert found.cautions == ()


def test_uncertainty_against_draws(shipped: dict[str, Ingredient]) -> None:
    # JCGM 101:2008: the same by drawing every input.
    draw = random.Random(5)
    densities = [shipped[key].density or 0.0 for key in MIX.mass_fractions]
    values = []
    for _ in range(20000):
        volume = sum(
            w / (rho * (1 + draw.gauss(0, 0.005)))
            for w, rho in zip(MIX.mass_fractions.values(), densities, strict=True)
        )
        values.append(1 - (1764 + draw.gauss(0, 9)) * volume)
    mean = sum(values) / len(values)
    sd = math.sqrt(sum((v - mean) ** 2 for v in values) / (len(values) - 1))
    found = porosity_of(MIX, shipped, 1764.0, 9.0)
    assert found is not None
    assert found.sd == pytest.approx(sd, rel=0.03)
    unstated = porosity_of(MIX, shipped, 1764.0)
    assert unstated is not None
    assert unstated.density_sd is None
    assert unstated.sd < found.sd


def test_uncertainty_without_voids_by_hand(shipped: dict[str, Ingredient]) -> None:
    # Volumes 0.65/2.11 and 0.35/1.489, each known to 0.5 %: JCGM 100:2008, equation (12).
    volumes = (0.65 / 2.11, 0.35 / 1.489)
    solid = 1000 / sum(volumes)
    by_hand = 0.005 * solid * math.hypot(*volumes) / sum(volumes)
    assert void_free_density_sd(MIX, shipped) == pytest.approx(by_hand)
    unknown = {key: value for key, value in shipped.items() if key != "sorbitol"}
    assert void_free_density_sd(MIX, unknown) is None


@pytest.mark.parametrize(
    ("density", "code", "text"),
    [(1620.0, "porous", "do not fire"), (1880.0, "denser-than-void-free", "weigh and measure")],
)
def test_cautions(shipped: dict[str, Ingredient], density: float, code: str, text: str) -> None:
    found = porosity_of(MIX, shipped, density, 5.0)
    assert found is not None
    assert [caution.code for caution in found.cautions] == [code]
    assert text in found.cautions[0].message


def test_unknown_density_gives_none(shipped: dict[str, Ingredient]) -> None:
    assert porosity_of(MIX, {"sorbitol": shipped["sorbitol"]}, 1764.0) is None


def test_density_of_a_sample() -> None:
    density, sd = sample_density(0.1234, 7e-5, 1e-4, 1e-6)
    assert density == pytest.approx(1762.857, abs=1e-3)
    assert sd == pytest.approx(density * math.hypot(1e-4 / 0.1234, 1e-6 / 7e-5))
    assert sample_density(0.1234, 7e-5, 1e-4)[1] is None


@pytest.mark.parametrize(("mass", "volume"), [(0.0, 1e-5), (0.1, 0.0), (0.1, math.nan)])
def test_sample_must_be_one(mass: float, volume: float) -> None:
    with pytest.raises(DataError, match="expected a mass and a volume above 0"):
        sample_density(mass, volume)


def test_density_must_be_one(shipped: dict[str, Ingredient]) -> None:
    with pytest.raises(DataError, match="density 0 kg/m3"):
        porosity_of(MIX, shipped, 0.0)
