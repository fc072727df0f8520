from __future__ import annotations

import math

import numpy as np
import pytest

from strandwise.formulation import Ingredient, elements_of, molar_mass
from strandwise.formulation.equilibrium import available
from strandwise.formulation.least_gibbs import least_gibbs
from strandwise.formulation.products import System

needs_extra = pytest.mark.skipif(not available(), reason="the extra `thermo` is not installed")
NONE = np.zeros((0, 1))


@pytest.mark.parametrize("constant", [1e-12, 1e-4, 1.0, 30.0, 1e6])
def test_dissociation_against_its_closed_formula(constant: float) -> None:
    # A2 = 2 A at the standard pressure: K = 4 α²/(1 − α²), so α = √(K/(4 + K)).
    gibbs = np.array([0.0, -0.5 * math.log(constant)])
    amounts = least_gibbs(np.array([[2.0], [1.0]]), gibbs, NONE, np.zeros(0), np.array([2.0]))
    assert amounts is not None
    alpha = math.sqrt(constant / (4 + constant))
    assert amounts == pytest.approx([1 - alpha, 2 * alpha], rel=1e-6)


@pytest.mark.parametrize("saturation", [0.1, 0.4, 0.9])
def test_vapour_over_its_liquid(saturation: float) -> None:
    # A mole of A beside a mole of an inert gas B: vapour fraction x = saturation while there is
    # liquid, so the vapour is x/(1 − x) mol; above x = 1/2 all of it is vapour.
    amounts = least_gibbs(
        np.eye(2),
        np.zeros(2),
        np.array([[1.0, 0.0]]),
        np.array([math.log(saturation)]),
        np.array([1.0, 1.0]),
    )
    assert amounts is not None
    vapour = min(saturation / (1 - saturation), 1.0)
    assert amounts == pytest.approx([vapour, 1.0, 1.0 - vapour], abs=1e-7)


def test_of_two_forms_the_stabler_one_is_there() -> None:
    amounts = least_gibbs(
        np.eye(2),
        np.zeros(2),
        np.array([[1.0, 0.0], [1.0, 0.0]]),
        np.array([-2.0, -2.5]),
        np.array([1.0, 1.0]),
    )
    assert amounts is not None
    assert amounts[2] == 0.0
    assert amounts[3] == pytest.approx(1 - math.exp(-2.5) / (1 - math.exp(-2.5)), abs=1e-7)


def elements(parts: dict[str, float], table: dict[str, Ingredient]) -> dict[str, float]:
    found: dict[str, float] = {}
    for key, part in parts.items():
        formula = table[key].formula or ""
        for symbol, count in elements_of(formula).items():
            found[symbol] = found.get(symbol, 0.0) + part / molar_mass(formula) * count
    return found


@needs_extra
@pytest.mark.parametrize("temperature", [900.0, 1300.0, 1700.0, 2300.0, 3500.0])
@pytest.mark.parametrize(
    "parts",
    [
        {"potassium-nitrate": 0.65, "sorbitol": 0.35},
        {"potassium-nitrate": 0.65, "sorbitol": 0.315, "calcium-carbonate": 0.035},
        {"potassium-nitrate": 0.65, "sorbitol": 0.30, "sulfur": 0.05},
        {"potassium-perchlorate": 0.65, "sorbitol": 0.35},
    ],
    ids=lambda parts: ",".join(parts),
)
def test_two_solvers_agree(
    shipped: dict[str, Ingredient], parts: dict[str, float], temperature: float
) -> None:
    system = System(elements(parts, shipped))
    present = [phase for low, high, phase in system._condensed if low <= temperature < high]
    for phase in present:
        phase.TP = temperature, 5e6
    ours = system._by_newton(present, temperature, 5e6)
    theirs = system._by_library(present, temperature, 5e6)
    assert ours is not None
    assert system._fault(present, ours, temperature, 5e6) == ""
    assert theirs is not None
    assert ours == pytest.approx(theirs, rel=1e-4, abs=1e-6)


@needs_extra
def test_soot_beside_carbonate(shipped: dict[str, Ingredient]) -> None:
    # A mixture so rich that carbon is left over, where the library's solver gives up.
    system = System(elements({"potassium-nitrate": 0.504, "sucrose": 0.496}, shipped))
    found = system.at_temperature(995.0, 5.4e6)
    assert found.condensed == ("C(gr)", "K2CO3(s)")


@needs_extra
def test_what_is_no_equilibrium_is_found_out(shipped: dict[str, Ingredient]) -> None:
    system = System(elements({"potassium-nitrate": 0.65, "sorbitol": 0.35}, shipped))
    present = [phase for low, high, phase in system._condensed if low <= 1500.0 < high]
    for phase in present:
        phase.TP = 1500.0, 5e6
    sound = system._by_newton(present, 1500.0, 5e6)
    assert sound is not None
    lost = sound.copy()
    lost[np.argmax(lost)] *= 1.01
    assert "elements off by" in system._fault(present, lost, 1500.0, 5e6)
    without = system._by_newton([], 1500.0, 5e6)
    assert without is not None
    gas_alone = np.concatenate([without, np.zeros(len(present))])
    assert "potentials by" in system._fault(present, gas_alone, 1500.0, 5e6)
    assert system._fault(present, None, 1500.0, 5e6) == "the solver gave up"
