"""Ingredients, recipes and what follows from composition alone; knows no test records.

`strandwise.formulation.equilibrium` is imported by its own name, since it needs an extra.
"""

from __future__ import annotations

from strandwise.formulation.balance import (
    AlkaliProduct,
    countable_elements,
    elements_of,
    mixture_oxygen_balance,
    molar_mass,
    oxygen_balance,
    oxygen_balance_from_elements,
)
from strandwise.formulation.derive import (
    WAYS,
    Derivation,
    Way,
    derive_formulations,
    formulation_toml,
)
from strandwise.formulation.dose import ON_TOP, dose_of
from strandwise.formulation.ingredients import (
    INGREDIENT_FIELDS,
    ROLES,
    Ingredient,
    IngredientField,
    Role,
)
from strandwise.formulation.pairs import incompatibility_cautions
from strandwise.formulation.porosity import (
    INGREDIENT_DENSITY_SD,
    Porosity,
    porosity_of,
    sample_density,
    void_free_density_sd,
)
from strandwise.formulation.process import (
    PROCESS_MARGIN,
    ROOM,
    BatchProcess,
    gas_amount,
    handling_cautions,
    heat_cautions,
    process_cautions,
)
from strandwise.formulation.properties import (
    RecipeProperties,
    oxidiser_fraction,
    oxidiser_fuel_ratio,
    recipe_properties,
    void_free_density,
)
from strandwise.formulation.recipe import (
    ALL,
    Addition,
    Dose,
    FormulationSpec,
    Recipe,
    Replacement,
)
from strandwise.formulation.resolve import resolve_recipes
from strandwise.formulation.weigh_out import WeighOut, WeighOutRow, weigh_out
from strandwise.formulation.weighings import (
    Weighing,
    deviation_cautions,
    parse_weighings,
    recipe_from_weighings,
    unknown_weighings,
)

__all__ = [
    "ALL",
    "INGREDIENT_DENSITY_SD",
    "INGREDIENT_FIELDS",
    "ON_TOP",
    "PROCESS_MARGIN",
    "ROLES",
    "ROOM",
    "WAYS",
    "Addition",
    "AlkaliProduct",
    "BatchProcess",
    "Derivation",
    "Dose",
    "FormulationSpec",
    "Ingredient",
    "IngredientField",
    "Porosity",
    "Recipe",
    "RecipeProperties",
    "Replacement",
    "Role",
    "Way",
    "WeighOut",
    "WeighOutRow",
    "Weighing",
    "countable_elements",
    "derive_formulations",
    "deviation_cautions",
    "dose_of",
    "elements_of",
    "formulation_toml",
    "gas_amount",
    "handling_cautions",
    "heat_cautions",
    "incompatibility_cautions",
    "mixture_oxygen_balance",
    "molar_mass",
    "oxidiser_fraction",
    "oxidiser_fuel_ratio",
    "oxygen_balance",
    "oxygen_balance_from_elements",
    "parse_weighings",
    "porosity_of",
    "process_cautions",
    "recipe_from_weighings",
    "recipe_properties",
    "resolve_recipes",
    "sample_density",
    "unknown_weighings",
    "void_free_density",
    "void_free_density_sd",
    "weigh_out",
]
