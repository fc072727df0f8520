"""Atoms, molar mass and oxygen balance of formulas and recipes."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Literal

from molmass import ELEMENTS, Formula, FormulaError

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = [
    "AlkaliProduct",
    "countable_elements",
    "elements_of",
    "mixture_oxygen_balance",
    "molar_mass",
    "oxygen_balance",
    "oxygen_balance_from_elements",
]

AlkaliProduct = Literal["oxide", "carbonate"]
"""Where alkali metals end up when oxygen is counted."""

_ALKALI = frozenset({"Li", "Na", "K", "Rb", "Cs"})
_ALKALINE_EARTH = frozenset({"Mg", "Ca", "Sr", "Ba"})
_HALOGENS = frozenset({"F", "Cl", "Br", "I"})

# Atoms of oxygen that one atom takes up in its usual product of full combustion; alkali and
# alkaline earth metals, hydrogen and halogens share theirs out in _oxygen_demand.
_OXYGEN_PER_ATOM = {
    "C": 2.0,  # CO2
    "N": 0.0,  # N2
    "O": 0.0,
    "S": 2.0,  # SO2
    "P": 2.5,  # P2O5
    "B": 1.5,  # B2O3
    "Al": 1.5,  # Al2O3
    "Si": 2.0,  # SiO2
    "Ti": 2.0,  # TiO2
    "Zr": 2.0,  # ZrO2
    "Cr": 1.5,  # Cr2O3
    "Mn": 2.0,  # MnO2
    "Fe": 1.5,  # Fe2O3
    "Co": 1.0,  # CoO
    "Ni": 1.0,  # NiO
    "Cu": 1.0,  # CuO
    "Zn": 1.0,  # ZnO
    "Sn": 2.0,  # SnO2
    "Pb": 1.0,  # PbO
    "Bi": 1.5,  # Bi2O3
}

_FORMULA = re.compile(
    r"(?P<body>[A-Z(][A-Za-z0-9()]*)(?:[.·](?P<water>[1-9]\d*)?(?P<hydrate>H2O))?"
)


def elements_of(formula: str) -> dict[str, int]:
    """Count the atoms of a chemical formula.

    Parameters
    ----------
    formula
        Element symbols with whole counts and round brackets; water of crystallisation at the
        end, as in ``CaSO4.2H2O`` or ``CaSO4·2H2O``.

    Returns
    -------
    dict
        Element to number of atoms.

    Raises
    ------
    DataError
        Not such a formula. Abbreviations (``Ph``), isotopes, charges, repeat counts (``n``) and
        broken counts are refused: they would be read as something else without a word.
    """
    hint = "write whole counts and round brackets, e.g. KNO3, Ca(NO3)2.4H2O; for a polymer its unit"
    match = _FORMULA.fullmatch(formula.strip())
    if match is None:
        msg = f"`{repr(formula)[1:-1]}` is not a chemical formula"
        raise DataError(msg, expected="element symbols with whole counts", hint=hint)
    water = f"(H2O){match['water'] or ''}" if match["hydrate"] else ""
    try:
        parsed = Formula(
            match["body"] + water,
            parse_groups=False,
            parse_oligos=False,
            parse_fractions=False,
            parse_arithmetic=False,
        )
        counts = {item.symbol: int(item.count) for item in parsed.composition().values()}
    except FormulaError as error:
        reason = str(error).splitlines()[0]
        msg = f"`{formula}` is not a chemical formula: {reason}"
        raise DataError(msg, hint=hint) from error
    strange = [symbol for symbol in counts if symbol not in ELEMENTS]
    if strange:
        msg = f"`{formula}` holds {', '.join(strange)}, which is no element"
        raise DataError(msg, expected="element symbols", hint=hint)
    return counts


def molar_mass(formula: str) -> float:
    """Molar mass of a formula, kg/mol, from the standard atomic weights.

    Raises
    ------
    DataError
        Not a chemical formula.
    """
    return _mass(elements_of(formula))


def oxygen_balance(formula: str, *, alkali: AlkaliProduct = "oxide") -> float:
    """Oxygen balance of one substance, g of oxygen per 100 g of it (percent).

    See `oxygen_balance_from_elements` for what is counted. With ``oxide``, potassium nitrate has
    +39.56; sources that take its potassium as free metal print +47.47.

    Raises
    ------
    DataError
        Not a chemical formula, or an element without a usual product in this table.
    """
    return oxygen_balance_from_elements(elements_of(formula), alkali=alkali)


def oxygen_balance_from_elements(
    atoms: Mapping[str, float], *, alkali: AlkaliProduct = "oxide"
) -> float:
    """Oxygen balance of a composition, g of oxygen per 100 g of it (percent).

    Oxygen that the composition holds, less what these products take: CO2, H2O, N2, SO2, the usual
    oxide of each metal (K2O, Na2O, CaO, MgO, Al2O3, Fe2O3, CuO, TiO2, MnO2, …). A halogen takes
    an alkali metal first, then hydrogen, then an alkaline earth metal, and no oxygen (KCl, HCl).
    This is the formula −1600/M·(2X + Y/2 + metal − Z) of the handbooks for C_X H_Y metal O_Z,
    with alkali metals as oxides (e.g. Meyer, Explosives, from memory).

    Parameters
    ----------
    atoms
        Element to amount, mol or atoms, of any total; each ≥ 0.
    alkali
        ``carbonate`` lets alkali metals end as carbonate. K2CO3 is K2O and CO2, so nothing
        changes as long as the composition holds the carbon; carbon that it lacks is taken from
        outside together with its oxygen. It therefore matters for an oxidiser by itself and not
        for a whole propellant, whose balance must be counted on the pooled elements.

    Raises
    ------
    DataError
        No atoms, a negative amount, or an element without a usual product in this table.
    """
    total = math.fsum(atoms.values())
    if not atoms or min(atoms.values()) < 0 or not 0 < total < math.inf:
        msg = f"the composition {dict(atoms)} cannot be counted"
        raise DataError(msg, expected="amounts of 0 or more, not all 0")
    spare = atoms.get("O", 0.0) - _oxygen_demand(atoms, alkali)
    return 100.0 * spare * ELEMENTS["O"].mass * 1e-3 / _mass(atoms)


def mixture_oxygen_balance(
    recipe: Recipe, ingredients: Mapping[str, Ingredient], *, alkali: AlkaliProduct = "oxide"
) -> float | None:
    """Oxygen balance of a recipe, g of oxygen per 100 g, counted on the pooled elements.

    Returns None where an ingredient is unknown or without a usable formula: a partial balance
    would mislead.
    """
    pooled: dict[str, float] = {}
    for key, fraction in recipe.mass_fractions.items():
        atoms = countable_elements(ingredients.get(key))
        if atoms is None:
            return None
        amount = fraction / _mass(atoms)
        for symbol, count in atoms.items():
            pooled[symbol] = pooled.get(symbol, 0.0) + amount * count
    return oxygen_balance_from_elements(pooled, alkali=alkali)


def countable_elements(ingredient: Ingredient | None) -> dict[str, int] | None:
    """Atoms in an ingredient's formula, or None where its oxygen balance cannot be counted."""
    if ingredient is None or ingredient.formula is None:
        return None
    try:
        atoms = elements_of(ingredient.formula)
        _oxygen_demand(atoms, "oxide")
    except DataError:
        return None
    return atoms


def _mass(atoms: Mapping[str, float]) -> float:
    """Mass of a composition, kg, for amounts in mol."""
    return math.fsum(ELEMENTS[symbol].mass * count for symbol, count in atoms.items()) * 1e-3


def _oxygen_demand(atoms: Mapping[str, float], alkali: AlkaliProduct) -> float:
    """Atoms of oxygen that the usual products of a composition take."""
    demand = 0.0
    carbon = atoms.get("C", 0.0)
    alkali_atoms = earth_atoms = halogen_atoms = 0.0
    for symbol, count in atoms.items():
        if symbol in _ALKALI:
            alkali_atoms += count
        elif symbol in _ALKALINE_EARTH:
            earth_atoms += count
        elif symbol in _HALOGENS:
            halogen_atoms += count
        elif symbol in _OXYGEN_PER_ATOM:
            demand += _OXYGEN_PER_ATOM[symbol] * count
        elif symbol != "H":
            msg = f"no usual product of full combustion is known here for {symbol}"
            raise DataError(
                msg, hint="leave the ingredient's formula out; no balance is given then"
            )
    free_alkali = max(0.0, alkali_atoms - halogen_atoms)
    # One halogen atom frees the half oxygen atom that its partner would have taken.
    partners = alkali_atoms + atoms.get("H", 0.0) + 2.0 * earth_atoms
    demand += max(0.0, partners - halogen_atoms) / 2.0
    if alkali == "carbonate":
        demand += 2.0 * max(0.0, free_alkali / 2.0 - carbon)
    return demand
