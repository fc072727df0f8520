from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import replace

import pytest

from strandwise.errors import DataError, RequestError
from strandwise.formulation import Ingredient, Recipe, elements_of, molar_mass
from strandwise.formulation import products as products_module
from strandwise.formulation.equilibrium import (
    available,
    equilibrium_from_elements,
    recipe_equilibrium,
)

needs_extra = pytest.mark.skipif(not available(), reason="the extra `thermo` is not installed")

THOUSAND_PSI = 6.894757e6
R = 8.314462618


def recipe(**fractions: float) -> Recipe:
    named = {key.replace("_", "-"): fraction for key, fraction in fractions.items()}
    return Recipe(formulation="mix", parent=None, mass_fractions=named, lineage=("mix",))


def sugar(key: str) -> Recipe:
    return recipe(potassium_nitrate=0.65, **{key: 0.35})


# Coefficients above 1000 K of the GRI-Mech 3.0 thermodynamic data (Smith et al., 1999): another
# compilation than the package's.
GRI = {
    "CO": (2.71518561, 0.00206252743, -9.98825771e-07, 2.30053008e-10, -2.03647716e-14,
           -14151.8724, 7.81868772),
    "CO2": (3.85746029, 0.00441437026, -2.21481404e-06, 5.23490188e-10, -4.72084164e-14,
            -48759.166, 2.27163806),
    "H2": (3.3372792, -4.94024731e-05, 4.99456778e-07, -1.79566394e-10, 2.00255376e-14,
           -950.158922, -3.20502331),
    "H2O": (3.03399249, 0.00217691804, -1.64072518e-07, -9.7041987e-11, 1.68200992e-14,
            -30004.2971, 4.9667701),
    "N2": (2.92664, 0.0014879768, -5.68476e-07, 1.0097038e-10, -6.753351e-15,
           -922.7977, 5.980528),
}  # fmt: skip
# Molten potassium carbonate as NIST-JANAF has it, from memory: formation −1150.18 kJ/mol, heating
# of the solid to 1174 K 142.6 kJ/mol, fusion 27.6 kJ/mol, then 209.2 J/(mol·K).
CARBONATE_AT_1174, CARBONATE_CP = (-1150.18 + 142.6 + 27.6) * 1e3, 209.2


def cp(species: str, t: float) -> float:
    return R * sum(a * t**k for k, a in enumerate(GRI[species][:5]))


def enthalpy(species: str, t: float) -> float:
    a = GRI[species]
    return R * (sum(a[k] * t ** (k + 1) / (k + 1) for k in range(5)) + a[5])


def gibbs(species: str, t: float) -> float:
    a = GRI[species]
    entropy = R * (a[0] * math.log(t) + sum(a[k] * t**k / k for k in range(1, 5)) + a[6])
    return enthalpy(species, t) - t * entropy


def by_hand(mix: Recipe, table: Mapping[str, Ingredient]) -> tuple[float, float]:
    """Flame temperature and c* with CO, CO2, H2, H2O, N2 and molten K2CO3 as the only products.

    All potassium ends as carbonate, the rest is the water-gas equilibrium; the expansion keeps
    the composition, and c* comes from the closed formula with the two-phase γ.
    """
    atoms: dict[str, float] = {}
    heat = 0.0
    for key, fraction in mix.mass_fractions.items():
        entry = table[key]
        assert entry.formula is not None
        assert entry.formation_enthalpy is not None
        amount = fraction / molar_mass(entry.formula)
        heat += amount * entry.formation_enthalpy
        for symbol, count in elements_of(entry.formula).items():
            atoms[symbol] = atoms.get(symbol, 0.0) + amount * count
    carbonate = atoms["K"] / 2
    carbon, oxygen = atoms["C"] - carbonate, atoms["O"] - 3 * carbonate
    hydrogen, nitrogen = atoms["H"] / 2, atoms["N"] / 2

    def gas(t: float) -> dict[str, float]:
        ratio = math.exp(
            -(gibbs("CO2", t) + gibbs("H2", t) - gibbs("CO", t) - gibbs("H2O", t)) / (R * t)
        )
        low, high = max(0.0, oxygen - carbon - hydrogen), min(carbon, oxygen - carbon)
        for _ in range(200):
            dioxide = 0.5 * (low + high)
            water = oxygen - carbon - dioxide
            left = dioxide * (hydrogen - water)
            if left < ratio * (carbon - dioxide) * water:
                low = dioxide
            else:
                high = dioxide
        return {"CO": carbon - dioxide, "CO2": dioxide, "H2": hydrogen - water, "H2O": water,
                "N2": nitrogen}  # fmt: skip

    def excess(t: float) -> float:
        melt = carbonate * (CARBONATE_AT_1174 + CARBONATE_CP * (t - 1174.0))
        return sum(n * enthalpy(s, t) for s, n in gas(t).items()) + melt - heat

    low, high = 1200.0, 2500.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) < 0 else (low, middle)
    t = 0.5 * (low + high)
    moles = sum(gas(t).values())
    capacity = sum(n * cp(s, t) for s, n in gas(t).items()) + carbonate * CARBONATE_CP
    gamma = capacity / (capacity - moles * R)
    throat = math.sqrt(gamma) * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1)))
    return t, math.sqrt(moles * R * t) / throat


@needs_extra
def test_published_flame_temperature_and_velocity(shipped: dict[str, Ingredient]) -> None:
    # Potassium nitrate/sorbitol 65/35 at 6.895 MPa: 1600 K and c* 911 m/s, theory, from the
    # summary of a Delft University of Technology MSc thesis on nitrate/sugar propellants.
    found = recipe_equilibrium(sugar("sorbitol"), shipped, THOUSAND_PSI)
    assert found.flame_temperature == pytest.approx(1600.0, rel=0.01)
    assert found.characteristic_velocity == pytest.approx(911.0, rel=0.01)
    assert found.condensed == ("K2CO3(L)",)
    assert [caution.code for caution in found.cautions] == ["enthalpy-unsure"]


@needs_extra
@pytest.mark.parametrize("key", ["sorbitol", "dextrose", "sucrose"])
def test_three_sugars_against_an_independent_calculation(
    shipped: dict[str, Ingredient], key: str
) -> None:
    found = recipe_equilibrium(sugar(key), shipped, THOUSAND_PSI)
    temperature, velocity = by_hand(sugar(key), shipped)
    assert found.characteristic_velocity == pytest.approx(velocity, rel=0.01)
    # The hand calculation leaves out KOH, whose forming takes up heat: it is an upper end.
    assert 0.97 * temperature < found.flame_temperature < temperature


# Flame temperatures of 65/35 mixtures near 7 MPa as commonly published, from memory.
@needs_extra
@pytest.mark.parametrize(
    ("key", "kelvin"), [("sorbitol", 1600.0), ("dextrose", 1710.0), ("sucrose", 1720.0)]
)
def test_flame_temperatures_of_three_sugars(
    shipped: dict[str, Ingredient], key: str, kelvin: float
) -> None:
    found = recipe_equilibrium(sugar(key), shipped, THOUSAND_PSI)
    assert found.flame_temperature == pytest.approx(kelvin, rel=0.01)


@needs_extra
def test_condensed_carbonate_forms_whatever_its_rough_density(
    shipped: dict[str, Ingredient], monkeypatch: pytest.MonkeyPatch
) -> None:
    # The trap of data without densities: at 1 g/m3 the carbonate never forms, without a word.
    found = recipe_equilibrium(sugar("sorbitol"), shipped, THOUSAND_PSI)
    atoms = elements_of("KNO3")
    potassium = 0.65 / molar_mass("KNO3") * atoms["K"]
    assert 2 * found.products["K2CO3(L)"] > 0.95 * potassium
    assert found.condensed_fraction == pytest.approx(0.436, abs=0.01)
    monkeypatch.setitem(products_module._DENSITIES, "K2CO3(L)", 1000.0)
    rough = recipe_equilibrium(sugar("sorbitol"), shipped, THOUSAND_PSI)
    assert rough.flame_temperature == pytest.approx(found.flame_temperature, rel=1e-3)
    assert rough.characteristic_velocity == pytest.approx(found.characteristic_velocity, rel=5e-3)


@needs_extra
def test_velocity_agrees_with_the_closed_formula(shipped: dict[str, Ingredient]) -> None:
    # c* = √(R T/M)/Γ(γ) (Sutton and Biblarz, from memory), with mass per mol of gas as M.
    found = recipe_equilibrium(sugar("dextrose"), shipped, 5e6)
    g = found.specific_heat_ratio
    throat = math.sqrt(g) * (2 / (g + 1)) ** ((g + 1) / (2 * (g - 1)))
    closed = math.sqrt(R * found.flame_temperature / found.molar_mass) / throat
    assert found.characteristic_velocity == pytest.approx(closed, rel=2e-3)
    assert found.molar_mass == pytest.approx(
        found.gas_molar_mass / (1 - found.condensed_fraction), rel=1e-9
    )


@needs_extra
def test_products_keep_the_elements(shipped: dict[str, Ingredient]) -> None:
    found = recipe_equilibrium(sugar("sorbitol"), shipped, THOUSAND_PSI)
    carbon = found.products["CO"] + found.products["CO2"] + found.products["K2CO3(L)"]
    assert carbon == pytest.approx(6 * 0.35 / molar_mass("C6H14O6"), rel=1e-3)


@needs_extra
def test_hydrogen_and_oxygen_burn_to_the_dissociated_flame() -> None:
    # Stoichiometric hydrogen and oxygen at 1 atm: 3080 K (any combustion textbook, from memory).
    found = equilibrium_from_elements({"H": 4 / 0.03603, "O": 2 / 0.03603}, 0.0, 101325.0)
    assert found.flame_temperature == pytest.approx(3080.0, abs=15.0)
    assert found.condensed_fraction == pytest.approx(0.0, abs=1e-9)


@needs_extra
@pytest.mark.parametrize(
    "mix",
    [
        recipe(potassium_nitrate=0.65, sorbitol=0.315, calcium_carbonate=0.035),
        recipe(potassium_nitrate=0.65, sorbitol=0.315, sodium_bicarbonate=0.035),
        recipe(potassium_nitrate=0.65, sorbitol=0.315, oxamide=0.035),
        recipe(potassium_nitrate=0.6435, sorbitol=0.3465, iron_oxide=0.01),
        recipe(sodium_nitrate=0.65, sorbitol=0.35),
        recipe(ammonium_nitrate=0.65, sorbitol=0.35),
        recipe(potassium_perchlorate=0.65, sorbitol=0.35),
        recipe(potassium_nitrate=0.74, carbon_black=0.15, sulfur=0.11),
        recipe(potassium_nitrate=0.5, sorbitol=0.5),
        recipe(potassium_nitrate=0.85, sorbitol=0.15),
    ],
    ids=lambda mix: ",".join(mix.mass_fractions),
)
def test_many_recipes_have_an_equilibrium(shipped: dict[str, Ingredient], mix: Recipe) -> None:
    found = recipe_equilibrium(mix, shipped, 4e6)
    assert 1000 < found.flame_temperature < 2500
    assert 500 < found.characteristic_velocity < 1300
    assert 1.0 < found.specific_heat_ratio < 1.4
    assert 0 <= found.condensed_fraction < 0.7


@needs_extra
def test_retarder_in_place_of_fuel_lowers_the_velocity(
    shipped: dict[str, Ingredient],
) -> None:
    base = recipe_equilibrium(sugar("sorbitol"), shipped, 4e6)
    chalk = recipe(potassium_nitrate=0.65, sorbitol=0.28, calcium_carbonate=0.07)
    with_chalk = recipe_equilibrium(chalk, shipped, 4e6)
    assert with_chalk.characteristic_velocity < 0.98 * base.characteristic_velocity


@needs_extra
def test_mostly_condensed_products_are_cautioned(shipped: dict[str, Ingredient]) -> None:
    heavy = recipe(potassium_nitrate=0.5, sorbitol=0.15, iron_oxide=0.35)
    found = recipe_equilibrium(heavy, shipped, 4e6)
    assert [caution.code for caution in found.cautions] == ["mostly-condensed", "enthalpy-unsure"]


@needs_extra
def test_an_enthalpy_that_nobody_can_look_up_is_told(shipped: dict[str, Ingredient]) -> None:
    # Sorbitol's is recalled, erythritol's that of the liquid (NIST Chemistry WebBook, read), the
    # others' stand in a handbook as they are.
    for sugar, told in (("sorbitol", "from memory"), ("erythritol", "of the liquid")):
        mix = recipe(**{"potassium_nitrate": 0.65, sugar: 0.35})
        (caution,) = recipe_equilibrium(mix, shipped, 4e6).cautions
        assert caution.code == "enthalpy-unsure"
        assert f"of {sugar} with this source" in caution.message
        assert told in caution.message
    assert (
        recipe_equilibrium(recipe(potassium_nitrate=0.65, sucrose=0.35), shipped, 4e6).cautions
        == ()
    )


@needs_extra
def test_erythritol_gives_more_than_the_solid_would(shipped: dict[str, Ingredient]) -> None:
    # Its enthalpy is that of the liquid; 40 kJ/mol of fusion, from memory: c* 2.0 % above (own
    # computation), as the table of ingredients says.
    mix = recipe(potassium_nitrate=0.65, erythritol=0.35)
    solid = dataclasses.replace(shipped["erythritol"], formation_enthalpy=-950.5e3)
    liquid = recipe_equilibrium(mix, shipped, 7e6).characteristic_velocity
    less = recipe_equilibrium(mix, {**shipped, "erythritol": solid}, 7e6).characteristic_velocity
    assert liquid / less == pytest.approx(1.020, abs=0.003)


def test_ingredient_without_enthalpy_is_named(shipped: dict[str, Ingredient]) -> None:
    # The message does not depend on the extra: the recipe is looked at first.
    mix = recipe(potassium_nitrate=0.65, maltitol=0.3, charcoal=0.05)
    with pytest.raises(
        RequestError,
        match=r"no enthalpy of formation is known of maltitol, charcoal; no formula is known of "
        r"charcoal.*ingredients\.toml",
    ):
        recipe_equilibrium(mix, shipped, 4e6)
    with pytest.raises(RequestError, match="no entry in the table of ingredients is known of x"):
        recipe_equilibrium(recipe(x=1.0), shipped, 4e6)


@needs_extra
def test_element_without_products_is_named(shipped: dict[str, Ingredient]) -> None:
    mix = recipe(potassium_nitrate=0.65, sorbitol=0.34, manganese_dioxide=0.01)
    with pytest.raises(RequestError, match="no gas with Mn"):
        recipe_equilibrium(mix, shipped, 4e6)


@needs_extra
@pytest.mark.parametrize("pressure", [0.0, -1e5, math.nan, math.inf])
def test_pressure_must_be_one(shipped: dict[str, Ingredient], pressure: float) -> None:
    with pytest.raises(DataError, match="expected an absolute pressure above 0"):
        recipe_equilibrium(sugar("sorbitol"), shipped, pressure)


@needs_extra
def test_what_does_not_burn_is_refused(shipped: dict[str, Ingredient]) -> None:
    cold = replace(shipped["sorbitol"], formation_enthalpy=-9e6)
    with pytest.raises(DataError, match="than any flame of a propellant"):
        recipe_equilibrium(sugar("sorbitol"), {**shipped, "sorbitol": cold}, 4e6)


def test_without_the_extra_a_hint(
    shipped: dict[str, Ingredient], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(products_module, "cantera", None)
    with pytest.raises(RequestError, match=r"extra `thermo`.*pip install 'strandwise\[thermo\]'"):
        recipe_equilibrium(sugar("sorbitol"), shipped, 4e6)


def by_library(mix: Recipe, table: Mapping[str, Ingredient]) -> tuple[float, float]:
    """Flame temperature and c* by the library's own solver, which the package asks only in need.

    Gases of the four and five elements by name, molten carbonate as the one condensed phase;
    enthalpy, then entropy at the pressure of the throat, are found by bisection.
    """
    cantera = pytest.importorskip("cantera")
    gas_names = [
        *(
            "CO",
            "CO2",
            "CH4",
            "HCN",
            "C",
            "H2",
            "H2O",
            "H",
            "OH",
            "NH3",
            "N2",
            "N",
            "NO",
            "O2",
            "O",
        ),
        *("K", "KOH", "KO", "KH"),
    ]
    everything = {s.name: s for s in cantera.Species.list_from_file("nasa_gas.yaml")}
    gas = cantera.Solution(
        thermo="ideal-gas", kinetics="none", species=[everything[n] for n in gas_names]
    )
    melt_data = next(
        dict(s.input_data)
        for s in cantera.Species.list_from_file("nasa_condensed.yaml")
        if s.name == "K2CO3(L)"
    )
    melt_data["equation-of-state"] = {"model": "constant-volume", "density": 1900.0}
    melt = cantera.Solution(
        thermo="fixed-stoichiometry", species=[cantera.Species.from_dict(melt_data)]
    )
    atoms: dict[str, float] = {}
    heat = 0.0
    for key, fraction in mix.mass_fractions.items():
        formula, formation = table[key].formula, table[key].formation_enthalpy
        assert formula is not None
        assert formation is not None
        amount = fraction / molar_mass(formula) / 1e3  # kmol, as the library counts
        heat += amount * formation * 1e3
        for symbol, count in elements_of(formula).items():
            atoms[symbol] = atoms.get(symbol, 0.0) + amount * count

    def state(temperature: float, pressure: float) -> tuple[float, float, float]:
        gas.TPX = temperature, pressure, atoms
        mixture = cantera.Mixture([(gas, sum(atoms.values())), (melt, 0.0)])
        mixture.T, mixture.P = temperature, pressure
        mixture.equilibrate("TP", solver="vcs", rtol=1e-9, max_steps=2000)
        amounts = mixture.species_moles
        gas.TPX = temperature, pressure, amounts[:-1]
        melt.TP = temperature, pressure
        parts = [(gas, float(sum(amounts[:-1]))), (melt, float(amounts[-1]))]
        return (
            sum(n * phase.enthalpy_mole for phase, n in parts),
            sum(n * phase.entropy_mole for phase, n in parts),
            sum(n * phase.volume_mole for phase, n in parts),
        )

    def where(place: int, value: float, pressure: float, low: float, high: float) -> float:
        for _ in range(30):
            middle = 0.5 * (low + high)
            below = state(middle, pressure)[place] < value
            low, high = (middle, high) if below else (low, middle)
        return 0.5 * (low + high)

    flame = where(0, heat, THOUSAND_PSI, 1300.0, 2200.0)
    entropy = state(flame, THOUSAND_PSI)[1]

    def flow(ratio: float) -> float:
        pressure = ratio * THOUSAND_PSI
        enthalpy, _, volume = state(where(1, entropy, pressure, 1200.0, flame), pressure)
        return math.sqrt(2.0 * (heat - enthalpy)) / volume

    # Flat at its greatest value: a step of 0.02 misses it by less than a thousandth.
    return flame, THOUSAND_PSI / max(flow(ratio) for ratio in (0.56, 0.58, 0.60))


@needs_extra
@pytest.mark.parametrize("key", ["sorbitol", "dextrose", "sucrose"])
def test_three_sugars_against_the_library(shipped: dict[str, Ingredient], key: str) -> None:
    found = recipe_equilibrium(sugar(key), shipped, THOUSAND_PSI)
    temperature, velocity = by_library(sugar(key), shipped)
    assert found.flame_temperature == pytest.approx(temperature, rel=1e-3)
    assert found.characteristic_velocity == pytest.approx(velocity, rel=2e-3)
