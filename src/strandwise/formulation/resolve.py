"""From formulations as written to mass fractions, with every fault at once."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from strandwise.formulation.faults import (
    ROUNDING,
    cycle_fault,
    faults_of,
    faults_with_parent,
    share_taken,
)
from strandwise.formulation.recipe import ALL, Recipe

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.findings import Finding
    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import FormulationSpec

    Specs = Mapping[str, FormulationSpec]

__all__ = ["resolve_recipes"]


def resolve_recipes(
    specs: Mapping[str, FormulationSpec], ingredients: Mapping[str, Ingredient]
) -> tuple[dict[str, Recipe], list[Finding]]:
    """Turn every formulation into mass fractions.

    All steps of a formulation start from its parent's mass fractions m. A share s of ingredient
    i that gives way to j moves s·m_i from i to j; a share of `ALL` moves that share of everything
    to j. What is added comes on top, in parts per hundred of the parent, and the whole is brought
    back to 1. The order in which steps are written does not matter.

    Parameters
    ----------
    specs
        Formulations by name.
    ingredients
        Table of ingredients by key.

    Returns
    -------
    tuple
        Recipes of the formulations without fault, in the order of `specs`; and every fault,
        sorted by place. A formulation whose ancestor is at fault has no recipe, and no finding
        for that alone. Nothing is raised for what the files say.
    """
    findings: list[Finding] = []
    at_fault: set[str] = set()
    for name, spec in specs.items():
        faults = faults_of(spec, specs, ingredients)
        findings.extend(faults)
        if faults:
            at_fault.add(name)
    for cycle in _cycles(specs):
        findings.append(cycle_fault(specs[cycle[0]], cycle))

    recipes: dict[str, Recipe] = {}
    for name in _parents_first(specs):
        spec = specs[name]
        if name in at_fault:
            continue
        if spec.ingredients is not None:
            recipes[name] = _from_parts(spec, spec.ingredients)
        elif spec.parent in recipes:
            parent = recipes[spec.parent]
            faults = list(faults_with_parent(spec, parent))
            findings.extend(faults)
            if not faults:
                recipes[name] = _derive(spec, parent)
    findings.sort(key=lambda finding: finding.source.sort_key)
    return {name: recipes[name] for name in specs if name in recipes}, findings


def _from_parts(spec: FormulationSpec, parts: Mapping[str, float]) -> Recipe:
    total = math.fsum(parts.values())
    return Recipe(
        formulation=spec.name,
        parent=None,
        mass_fractions={key: amount / total for key, amount in parts.items()},
        lineage=(spec.name,),
    )


def _derive(spec: FormulationSpec, parent: Recipe) -> Recipe:
    fractions = parent.mass_fractions
    contributions: dict[str, list[float]] = {}
    for key, fraction in fractions.items():
        kept = 1.0 - share_taken(spec, key)
        contributions[key] = [fraction * kept if kept > ROUNDING else 0.0]
    for step in spec.replace:
        moved = step.share * (1.0 if step.ingredient == ALL else fractions[step.ingredient])
        contributions.setdefault(step.replacement, []).append(moved)
    for addition in spec.add:
        contributions.setdefault(addition.ingredient, []).append(addition.parts / 100.0)
    # fsum rounds once, so the result does not depend on the order of the steps.
    amounts = {key: math.fsum(terms) for key, terms in contributions.items()}
    total = math.fsum(amounts.values())
    return Recipe(
        formulation=spec.name,
        parent=parent.formulation,
        mass_fractions={key: amount / total for key, amount in amounts.items() if amount > 0},
        lineage=(*parent.lineage, spec.name),
    )


def _cycles(specs: Specs) -> list[tuple[str, ...]]:
    """Every ring of formulations that are each other's parents, once, first written first."""
    cycles: list[tuple[str, ...]] = []
    seen: set[str] = set()
    for start in specs:
        path: list[str] = []
        name: str | None = start
        while name is not None and name in specs and name not in seen:
            seen.add(name)
            path.append(name)
            name = specs[name].parent
        if name in path:
            ring = path[path.index(name) :]
            first = min(ring, key=list(specs).index)
            turn = ring.index(first)
            cycles.append((*ring[turn:], *ring[:turn]))
    return cycles


def _parents_first(specs: Specs) -> list[str]:
    """Names of the formulations, each after its parent; those in or under a cycle included."""
    order: dict[str, None] = {}
    for start in specs:
        path: dict[str, None] = {}
        name: str | None = start
        while name is not None and name in specs and name not in order and name not in path:
            path[name] = None
            name = specs[name].parent
        order.update(dict.fromkeys(reversed(path)))
    return list(order)
