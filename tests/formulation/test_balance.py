from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.formulation import (
    Ingredient,
    Recipe,
    elements_of,
    mixture_oxygen_balance,
    molar_mass,
    oxygen_balance,
    oxygen_balance_from_elements,
)


def recipe(**fractions: float) -> Recipe:
    named = {key.replace("_", "-"): fraction for key, fraction in fractions.items()}
    return Recipe(formulation="mix", parent=None, mass_fractions=named, lineage=("mix",))


def substance(key: str, formula: str | None, density: float | None, **more: object) -> Ingredient:
    return Ingredient(key=key, **{"role": "other", "formula": formula, "density": density} | more)


@pytest.mark.parametrize(
    ("formula", "g_mol"),
    [
        # Molar masses as printed in the CRC Handbook (from IUPAC standard atomic weights), from
        # memory; 0.01 g/mol covers their rounding.
        ("KNO3", 101.10),
        ("NaNO3", 84.99),
        ("NH4NO3", 80.04),
        ("C12H22O11", 342.30),
        ("C6H14O6", 182.17),
        ("C6H12O6.H2O", 198.17),
        ("CaCO3", 100.09),
        ("NaHCO3", 84.01),
        ("(NH4)2SO4", 132.14),
        ("Fe2O3", 159.69),
        # NIST Chemistry WebBook: sucrose 342.2965, water 18.0153, from memory.
        ("H2O", 18.0153),
    ],
)
def test_molar_mass(formula: str, g_mol: float) -> None:
    assert molar_mass(formula) * 1e3 == pytest.approx(g_mol, abs=0.01)


@pytest.mark.parametrize(
    ("written", "atoms"),
    [
        ("CuSO4.5H2O", {"Cu": 1, "S": 1, "O": 9, "H": 10}),
        ("CuSO4·5H2O", {"Cu": 1, "S": 1, "O": 9, "H": 10}),
        ("C6H12O6.H2O", {"C": 6, "H": 14, "O": 7}),
        (" Mg5(CO3)4(OH)2.4H2O ", {"Mg": 5, "C": 4, "O": 18, "H": 10}),
        ("Co", {"Co": 1}),
        ("CO", {"C": 1, "O": 1}),
    ],
)
def test_elements(written: str, atoms: dict[str, int]) -> None:
    assert elements_of(written) == atoms


@pytest.mark.parametrize(
    "written",
    [
        "",
        "  ",
        "HTPB",
        "AP",
        "PhCH3",
        "(C6H10O5)n",
        "C7.1H10",
        "C7.075H10.65O0.223",
        "D2O",
        "[13C]O2",
        "NH4+",
        "kno3",
        "2CaSO4.H2O",
        "KNO3 65 %",
        "C(",
        "e-",
    ],
)
def test_what_is_no_formula_is_refused(written: str) -> None:
    with pytest.raises(DataError, match=r"chemical formula|no element"):
        elements_of(written)


@given(st.text(alphabet="CHNOKSaeln0123456789().·+-[] ", max_size=12))
def test_any_text_is_counted_or_refused(text: str) -> None:
    try:
        atoms = elements_of(text)
    except DataError:
        return
    assert all(count > 0 for count in atoms.values())


# Handbook values, g O2 per 100 g with alkali metals as oxides (e.g. Meyer, Köhler, Homburg,
# Explosives), from memory; recomputed from the formula −1600/M·(2C + H/2 + metal − O).
@pytest.mark.parametrize(
    ("formula", "percent"),
    [
        ("KNO3", 39.56),
        ("NaNO3", 47.06),
        ("NH4NO3", 19.99),
        ("C12H22O11", -112.18),
        ("C6H14O6", -114.17),
        ("C6H12O6", -106.57),
        ("C6H12O6.H2O", -96.88),
        ("C4H10O4", -117.91),
        ("C6H10O5", -118.41),
        ("NaHCO3", 0.0),
        ("CaCO3", 0.0),
        ("C2H4N2O2", -72.67),
        ("NH4HCO3", -30.36),
        ("NH4Cl", -44.87),
        ("(NH4)2C2O4.H2O", -45.03),
        ("C", -266.4),
        # Perchlorates: chlorine as KCl and HCl (Meyer, Explosives: +46.2 and +34.04).
        ("KClO4", 46.19),
        ("NH4ClO4", 34.04),
        # Aluminium to Al2O3 (Meyer, Explosives: −89.0); water and full oxides are spent.
        ("Al", -88.95),
        ("H2O", 0.0),
        ("Fe2O3", 0.0),
        ("TiO2", 0.0),
        ("Sr(NO3)2", 37.80),
        ("Ba(NO3)2", 30.61),
    ],
)
def test_oxygen_balance(formula: str, percent: float) -> None:
    assert oxygen_balance(formula) == pytest.approx(percent, abs=0.04)


def test_potassium_is_not_counted_as_free_metal() -> None:
    # The trap of public tables that print +47.5 % for potassium nitrate: 3·16.00/101.10.
    all_oxygen = 100 * 3 * 15.9994e-3 / molar_mass("KNO3")
    assert all_oxygen == pytest.approx(47.47, abs=0.01)
    assert oxygen_balance("KNO3") < all_oxygen - 7


def test_carbonate_takes_its_carbon_with_its_oxygen() -> None:
    # 4 KNO3 + 2 C -> 2 K2CO3 + 2 N2 + 3 O2: 1.5 O per KNO3 are free, 24.00/101.10.
    assert oxygen_balance("KNO3", alkali="carbonate") == pytest.approx(23.74, abs=0.01)
    assert oxygen_balance("NaHCO3", alkali="carbonate") == pytest.approx(0.0, abs=1e-9)
    # Potassium that leaves as chloride needs no carbonate.
    assert oxygen_balance("KClO4", alkali="carbonate") == oxygen_balance("KClO4")


def test_convention_does_not_matter_for_a_mixture_with_enough_carbon(
    shipped: dict[str, Ingredient],
) -> None:
    mix = recipe(potassium_nitrate=0.65, sorbitol=0.35)
    oxide = mixture_oxygen_balance(mix, shipped)
    assert mixture_oxygen_balance(mix, shipped, alkali="carbonate") == pytest.approx(oxide)
    # Mass-weighted sum of the handbook values: 0.65·39.56 − 0.35·114.17.
    assert oxide == pytest.approx(0.65 * 39.56 - 0.35 * 114.17, abs=0.02)


def test_published_mixture_balance() -> None:
    # Worked example of a published lecture on liquid explosives: NH4NO3 85, TNT 11, wood 4 with
    # +0.2, −0.74 and −1.38 g/g gives +0.0334 g/g. Wood by its cellulose unit is −1.18 g/g, which
    # shifts the sum by 0.008; TNT is C7H5N3O6.
    table = {
        "an": substance("an", "NH4NO3", None),
        "tnt": substance("tnt", "C7H5N3O6", None),
        "wood": substance("wood", "C6H10O5", None),
    }
    percent = mixture_oxygen_balance(recipe(an=0.85, tnt=0.11, wood=0.04), table)
    assert percent == pytest.approx(3.34 + 4 * (1.38 - 1.184), abs=0.05)


@given(
    st.dictionaries(
        st.sampled_from(["KNO3", "C6H14O6", "CaCO3", "Fe2O3", "C2H4N2O2", "S", "C"]),
        st.floats(0.01, 1.0),
        min_size=1,
    )
)
def test_balance_of_a_mixture_is_the_mass_weighted_sum(parts: dict[str, float]) -> None:
    total = sum(parts.values())
    fractions = {formula: part / total for formula, part in parts.items()}
    table = {formula: substance(formula, formula, None) for formula in parts}
    mix = Recipe(formulation="m", parent=None, mass_fractions=fractions, lineage=("m",))
    expected = sum(w * oxygen_balance(formula) for formula, w in fractions.items())
    assert mixture_oxygen_balance(mix, table) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("atoms", [{}, {"C": -1.0, "O": 3.0}, {"C": 0.0}, {"C": float("nan")}])
def test_balance_refuses_what_is_no_composition(atoms: dict[str, float]) -> None:
    with pytest.raises(DataError, match="cannot be counted"):
        oxygen_balance_from_elements(atoms)


def test_element_without_usual_product_is_refused() -> None:
    with pytest.raises(DataError, match="no usual product of full combustion is known here for U"):
        oxygen_balance("UO2")
