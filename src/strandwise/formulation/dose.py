"""How much of one ingredient tells a formulation from an ancestor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.formulation.recipe import Dose

if TYPE_CHECKING:
    from collections.abc import Mapping

    from strandwise.formulation.recipe import FormulationSpec

__all__ = ["ON_TOP", "dose_of"]

ON_TOP = "on-top"
"""What a dose replaces when its ingredient was added to the whole."""


def dose_of(name: str, specs: Mapping[str, FormulationSpec], baseline: str) -> Dose | None:
    """Dose of a formulation relative to an ancestor, where it has one.

    It has one when every step from the baseline down to it puts in the same ingredient in place
    of the same thing. Doses of a chain compose: shares to 1 − Π(1 − s), parts per hundred on top
    to Π(1 + p/100) − 1.

    Parameters
    ----------
    name
        Formulation.
    specs
        Formulations by name, without faults.
    baseline
        Ancestor from which the dose is counted.

    Returns
    -------
    Dose or None
        None for the baseline itself, for what does not descend from it, and for a chain of
        different steps.

    Raises
    ------
    RequestError
        `name` is not in `specs`.
    """
    if name not in specs:
        msg = f"`{name}` is no formulation of this campaign"
        raise RequestError(msg, expected=f"one of {', '.join(specs)}")
    chain = _chain(name, specs, baseline)
    steps = [_single_step(spec) for spec in chain]
    if not steps or steps[0] is None:
        return None
    ingredient, replaces, _ = steps[0]
    factors: list[float] = []
    for step in steps:
        if step is None or step[:2] != (ingredient, replaces):
            return None
        factors.append(1.0 + step[2] if replaces == ON_TOP else 1.0 - step[2])
    amount = math.prod(factors) - 1.0
    return Dose(
        ingredient=ingredient,
        replaces=replaces,
        amount=amount if replaces == ON_TOP else -amount,
        relative_to=baseline,
    )


def _chain(name: str, specs: Mapping[str, FormulationSpec], baseline: str) -> list[FormulationSpec]:
    """Formulations from `name` up to below the baseline; empty where it is no ancestor."""
    chain: dict[str, FormulationSpec] = {}
    current: str | None = name
    while current is not None and current != baseline:
        if current not in specs or current in chain:
            return []
        chain[current] = specs[current]
        current = specs[current].parent
    return list(chain.values()) if current == baseline else []


def _single_step(spec: FormulationSpec) -> tuple[str, str, float] | None:
    """Ingredient, what it replaces and the amount, where the steps of `spec` are of one kind."""
    if spec.replace and not spec.add:
        kinds = {(step.replacement, step.ingredient) for step in spec.replace}
        amount = math.fsum(step.share for step in spec.replace)
    elif spec.add and not spec.replace:
        kinds = {(step.ingredient, ON_TOP) for step in spec.add}
        amount = math.fsum(step.parts for step in spec.add) / 100.0
    else:
        return None
    if len(kinds) != 1:
        return None
    ingredient, replaces = kinds.pop()
    return None if ingredient == replaces else (ingredient, replaces, amount)
