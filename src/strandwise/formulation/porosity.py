"""Voids in a casting from its measured density."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.formulation.properties import void_free_density

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = [
    "INGREDIENT_DENSITY_SD",
    "Porosity",
    "porosity_of",
    "sample_density",
    "void_free_density_sd",
]

INGREDIENT_DENSITY_SD = 0.005
"""Relative standard uncertainty of an ingredient's density where nothing is stated.

Own judgement: handbooks differ by 0.2 % (potassium nitrate 2.105 to 2.11 g/cm³) to 1.3 % (dextrose
1.54 to 1.56 g/cm³)."""

_POROUS = 0.10
_DENSER = 2.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Porosity:
    """Voids per volume of a casting.

    Parameters
    ----------
    value
        1 − ρ/ρ₀; negative where the casting is denser than its ingredients allow.
    sd
        Standard uncertainty.
    density, density_sd
        Measured, kg/m³; the uncertainty is None where it is not known and then left out of `sd`.
    void_free_density, void_free_density_sd
        Of the ingredients without voids, kg/m³.
    cautions
        What to heed.
    """

    value: float
    sd: float
    density: float
    density_sd: float | None
    void_free_density: float
    void_free_density_sd: float
    cautions: tuple[Caution, ...] = ()


def sample_density(
    mass: float, volume: float, mass_sd: float | None = None, volume_sd: float | None = None
) -> tuple[float, float | None]:
    """Density of a sample, kg/m³, and its standard uncertainty (JCGM 100:2008, 5.1.6).

    Parameters
    ----------
    mass, volume
        kg, m³.
    mass_sd, volume_sd
        Standard uncertainties; where one is None, so is that of the density.

    Raises
    ------
    DataError
        Mass or volume is not above 0.
    """
    if not (mass > 0 and volume > 0):
        msg = f"a sample of {mass:g} kg and {volume:g} m3"
        raise DataError(msg, expected="a mass and a volume above 0")
    density = mass / volume
    if mass_sd is None or volume_sd is None:
        return density, None
    return density, density * math.hypot(mass_sd / mass, volume_sd / volume)


def void_free_density_sd(
    recipe: Recipe,
    ingredients: Mapping[str, Ingredient],
    *,
    ingredient_sd: float = INGREDIENT_DENSITY_SD,
) -> float | None:
    """Standard uncertainty of the density without voids, kg/m³; None where that is not known.

    The ingredients' densities are taken as independent: u(ρ₀)/ρ₀ = √Σ(φ_i u_i)² with the volume
    fractions φ_i (JCGM 100:2008, 5.1.2).

    Parameters
    ----------
    recipe, ingredients
        What was mixed, and its densities.
    ingredient_sd
        Relative standard uncertainty of each ingredient's density.
    """
    solid = void_free_density(recipe, ingredients)
    if solid is None:
        return None
    shares = []
    for key, fraction in recipe.mass_fractions.items():
        of_ingredient = ingredients[key].density
        assert of_ingredient is not None
        shares.append(fraction * solid / of_ingredient)
    return solid * ingredient_sd * math.hypot(*shares)


def porosity_of(
    recipe: Recipe,
    ingredients: Mapping[str, Ingredient],
    density: float,
    density_sd: float | None = None,
    *,
    ingredient_sd: float = INGREDIENT_DENSITY_SD,
) -> Porosity | None:
    """Porosity of a casting: 1 − ρ/ρ₀ with 1/ρ₀ = Σ w_i/ρ_i.

    The uncertainty of ρ₀ is that of `void_free_density_sd`. That volumes add is an assumption: a
    sugar that sets as a glass is a little lighter than its crystal.

    Parameters
    ----------
    recipe, ingredients
        What was mixed, and its densities.
    density, density_sd
        Measured, kg/m³.
    ingredient_sd
        Relative standard uncertainty of each ingredient's density.

    Returns
    -------
    Porosity or None
        None where an ingredient's density is not known.

    Raises
    ------
    DataError
        The density is not above 0.
    """
    if not density > 0:
        msg = f"density {density:g} kg/m3"
        raise DataError(msg, expected="a density above 0")
    solid = void_free_density(recipe, ingredients)
    solid_sd = void_free_density_sd(recipe, ingredients, ingredient_sd=ingredient_sd)
    if solid is None or solid_sd is None:
        return None
    relative = math.hypot(solid_sd / solid, (density_sd or 0.0) / density)
    value = 1.0 - density / solid
    sd = density / solid * relative
    return Porosity(
        value=value,
        sd=sd,
        density=density,
        density_sd=density_sd,
        void_free_density=solid,
        void_free_density_sd=solid_sd,
        cautions=_cautions(value, sd),
    )


def _cautions(value: float, sd: float) -> tuple[Caution, ...]:
    shown = f"{100 * value:.1f} % ± {100 * sd:.1f} %"
    if value < -_DENSER * sd:
        message = (
            f"porosity {shown}: denser than its ingredients without voids; weigh and measure the "
            "sample again, and check the recipe"
        )
        return (Caution("denser-than-void-free", message),)
    if value > _POROUS:
        message = (
            f"porosity {shown}: a casting this porous may burn through its voids, far faster than "
            "its rate law says; do not fire a grain of it"
        )
        return (Caution("porous", message),)
    return ()
