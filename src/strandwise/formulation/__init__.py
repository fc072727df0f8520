"""Ingredients, recipes and what follows from composition alone; knows no test records."""

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
from strandwise.formulation.dose import ON_TOP, dose_of
from strandwise.formulation.ingredients import (
    INGREDIENT_FIELDS,
    ROLES,
    Ingredient,
    IngredientField,
    Role,
)
from strandwise.formulation.process import (
    PROCESS_MARGIN,
    incompatibility_cautions,
    process_cautions,
)
from strandwise.formulation.properties import (
    RecipeProperties,
    oxidiser_fraction,
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

__all__ = [
    "ALL",
    "INGREDIENT_FIELDS",
    "ON_TOP",
    "PROCESS_MARGIN",
    "ROLES",
    "Addition",
    "AlkaliProduct",
    "Dose",
    "FormulationSpec",
    "Ingredient",
    "IngredientField",
    "Recipe",
    "RecipeProperties",
    "Replacement",
    "Role",
    "countable_elements",
    "dose_of",
    "elements_of",
    "incompatibility_cautions",
    "mixture_oxygen_balance",
    "molar_mass",
    "oxidiser_fraction",
    "oxygen_balance",
    "oxygen_balance_from_elements",
    "process_cautions",
    "recipe_properties",
    "resolve_recipes",
    "void_free_density",
]
