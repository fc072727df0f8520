"""Faults of formulations as written, each with its place."""

from __future__ import annotations

import math
from dataclasses import replace as with_changes
from typing import TYPE_CHECKING

from strandwise.errors import did_you_mean
from strandwise.findings import Finding
from strandwise.formulation.recipe import ALL

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import FormulationSpec, Recipe

    Specs = Mapping[str, FormulationSpec]
    Ingredients = Mapping[str, Ingredient]
    Check = Callable[[FormulationSpec, Specs, Ingredients], Iterator[Finding]]

__all__ = ["ROUNDING", "cycle_fault", "faults_of", "faults_with_parent", "share_taken"]

# Published tables round: ten ingredients rounded to 0.1 % each miss 100 % by at most 0.5 %.
_SUM_TOLERANCE = 0.005
# Parts that are all at most 1 and add up to something in here were meant as fractions of 1.
_LOOKS_LIKE_FRACTIONS = (0.5, 1.5)
# Beyond these, sums lose ingredients to rounding.
_LEAST_PARTS, _MOST_PARTS = 1e-9, 1e9
ROUNDING = 1e-9
"""Shares typed as decimals (0.1 + 0.2 + 0.7) may miss 1 by this much."""


def faults_of(spec: FormulationSpec, specs: Specs, table: Ingredients) -> list[Finding]:
    """Find what is wrong with a formulation by itself, without its parent's recipe."""
    return [fault for check in _CHECKS for fault in check(spec, specs, table)]


def faults_with_parent(spec: FormulationSpec, parent: Recipe) -> Iterator[Finding]:
    """Find steps that take away what the parent does not hold."""
    for number, step in enumerate(spec.replace, start=1):
        if step.ingredient != ALL and step.ingredient not in parent.mass_fractions:
            present = list(parent.mass_fractions)
            yield _finding(
                spec,
                f"replace[{number}].ingredient",
                "not-in-parent",
                f"{spec.name} replaces {step.ingredient}, which {parent.formulation} does not hold",
                expected=f"one of {', '.join(present)} or {ALL}",
                hint=did_you_mean(step.ingredient, present),
            )


def cycle_fault(spec: FormulationSpec, cycle: tuple[str, ...]) -> Finding:
    """Name a ring of parents in full, at the place of its first formulation."""
    ring = " → ".join((*cycle, cycle[0]))
    return _finding(
        spec,
        "parent",
        "parent-cycle",
        f"formulations are each other's parents: {ring}",
        expected="a chain of parents that ends at a formulation written in parts",
        hint="write one of them with ingredients instead of a parent",
    )


def share_taken(spec: FormulationSpec, key: str) -> float:
    """Share of the parent's `key` that gives way, its part in `ALL` included."""
    return math.fsum(step.share for step in spec.replace if step.ingredient in (key, ALL))


def _check_kind(spec: FormulationSpec, _specs: Specs, _table: Ingredients) -> Iterator[Finding]:
    """Either parts, or a parent and steps from it."""
    either = "either ingredients, or a parent (with replace and add)"
    if spec.ingredients is None and spec.parent is None:
        message = f"formulation {spec.name} has neither ingredients nor a parent"
        yield _finding(spec, "", "no-ingredients", message, expected=either)
        return
    if spec.ingredients is not None and spec.parent is not None:
        message = f"formulation {spec.name} has both ingredients and a parent, {spec.parent}"
        yield _finding(spec, "parent", "ingredients-and-parent", message, expected=either)
        return
    if spec.parent is None and (spec.replace or spec.add):
        message = f"formulation {spec.name} has steps (replace, add) but no parent to start from"
        yield _finding(spec, "parent", "steps-without-parent", message, expected=either)
    if spec.parent is not None and spec.total is not None:
        message = (
            f"formulation {spec.name} states a total, {spec.total:g}, but starts from a parent"
        )
        hint = "leave the total out: a formulation with a parent has no parts to add up"
        yield _finding(spec, "total", "total-without-parts", message, hint=hint)


def _check_parent(spec: FormulationSpec, specs: Specs, _table: Ingredients) -> Iterator[Finding]:
    if spec.parent is not None and spec.parent not in specs:
        yield _finding(
            spec,
            "parent",
            "unknown-parent",
            f"{spec.name} starts from `{_shown(spec.parent)}`, no formulation of this campaign",
            expected="the name of a formulation in formulations.toml",
            hint=did_you_mean(spec.parent, [name for name in specs if name != spec.name]),
        )


def _check_known(spec: FormulationSpec, _specs: Specs, table: Ingredients) -> Iterator[Finding]:
    """Every ingredient that is named is in the table."""
    named = [(f"ingredients.{key}", key) for key in spec.ingredients or ()]
    for number, step in enumerate(spec.replace, start=1):
        if step.ingredient != ALL:
            named.append((f"replace[{number}].ingredient", step.ingredient))
        named.append((f"replace[{number}].with", step.replacement))
    for number, addition in enumerate(spec.add, start=1):
        named.append((f"add[{number}].ingredient", addition.ingredient))
    for field, key in named:
        if key not in table or key == ALL:
            yield _finding(
                spec,
                field,
                "unknown-ingredient",
                f"`{_shown(key)}` is no known ingredient",
                expected="a key of ingredients.toml",
                hint=(
                    f"`{ALL}` is what may give way as a whole; name what takes its place"
                    if key == ALL
                    else _ingredient_hint(key, table)
                ),
            )


def _check_amounts(spec: FormulationSpec, _specs: Specs, _table: Ingredients) -> Iterator[Finding]:
    """Parts are numbers above 0, shares are in (0, 1]."""
    if spec.ingredients is not None and not spec.ingredients:
        yield _finding(
            spec, "ingredients", "no-ingredients", f"formulation {spec.name} lists no ingredient"
        )
    parts = [
        (f"ingredients.{key}", key, amount) for key, amount in (spec.ingredients or {}).items()
    ]
    for number, addition in enumerate(spec.add, start=1):
        parts.append((f"add[{number}].parts", addition.ingredient, addition.parts))
    for field, key, amount in parts:
        if not _LEAST_PARTS <= amount <= _MOST_PARTS:
            yield _finding(
                spec,
                field,
                "bad-parts",
                f"{amount:g} parts of {key}",
                expected="a number above 0" if not amount > 0 else "a number from 1e-9 to 1e9",
                hint="leave out what is not in the mixture" if amount == 0 else "",
            )
    for number, step in enumerate(spec.replace, start=1):
        if not 0 < step.share <= 1:
            yield _finding(
                spec,
                f"replace[{number}].share",
                "bad-share",
                f"share {100 * step.share:g} % of {step.ingredient}",
                expected="a share above 0 % and up to 100 %",
                hint='write "10 %" for a tenth of the parent\'s amount',
            )


def _check_shares(spec: FormulationSpec, _specs: Specs, _table: Ingredients) -> Iterator[Finding]:
    """No more of an ingredient gives way than the parent has."""
    if not all(0 < step.share <= 1 for step in spec.replace):
        return
    of_all = math.fsum(step.share for step in spec.replace if step.ingredient == ALL)
    for key in dict.fromkeys(step.ingredient for step in spec.replace):
        taken = of_all if key == ALL else share_taken(spec, key)
        hidden_by_all = key != ALL and of_all > 1.0 + ROUNDING
        if taken <= 1.0 + ROUNDING or hidden_by_all:
            continue
        included = f", {100 * of_all:g} % as its part of all" if key != ALL and of_all else ""
        yield _finding(
            spec,
            "replace",
            "shares-over-all",
            f"shares of {key} that give way add up to {100 * taken:g} %{included}",
            expected="100 % or less",
            hint="all shares are of the parent's amount, not of what an earlier step left",
        )


def _check_sum(spec: FormulationSpec, _specs: Specs, _table: Ingredients) -> Iterator[Finding]:
    """Parts that are meant to add up to something do."""
    parts = spec.ingredients
    if not parts or not all(_LEAST_PARTS <= part <= _MOST_PARTS for part in parts.values()):
        return
    total = math.fsum(parts.values())
    if spec.percent and abs(total - 100.0) > 100.0 * _SUM_TOLERANCE + ROUNDING:
        yield _finding(
            spec,
            "ingredients",
            "percent-do-not-add-up",
            f"percentages of {spec.name} add up to {total:.6g} %",
            expected="100 % within 0.5 %",
            hint="correct them, or write plain parts by mass without %",
        )
    if spec.total is not None:
        if not abs(total - spec.total) <= _SUM_TOLERANCE * abs(spec.total) + ROUNDING:
            yield _finding(
                spec,
                "total",
                "total-does-not-match",
                f"parts of {spec.name} add up to {total:.6g}, the stated total is {spec.total:g}",
                expected="the same within 0.5 %",
                hint="correct the parts or the total",
            )
    elif not spec.percent and _fail_as_fractions(parts, total):
        yield _finding(
            spec,
            "ingredients",
            "fractions-do-not-add-up",
            f"fractions of {spec.name} add up to {total:.6g}",
            expected="1 within 0.005",
            hint="correct them; if they are parts by mass of another total, write them so that one "
            "is above 1, or state the total",
        )


def _fail_as_fractions(parts: Mapping[str, float], total: float) -> bool:
    least, most = _LOOKS_LIKE_FRACTIONS
    meant_as_fractions = max(parts.values()) <= 1.0 and least <= total <= most
    return meant_as_fractions and abs(total - 1.0) > _SUM_TOLERANCE + ROUNDING


_CHECKS: tuple[Check, ...] = (
    _check_kind,
    _check_parent,
    _check_known,
    _check_amounts,
    _check_shares,
    _check_sum,
)


def _finding(
    spec: FormulationSpec,
    field: str,
    code: str,
    message: str,
    *,
    expected: str = "",
    hint: str = "",
) -> Finding:
    place = with_changes(spec.source, field=f"{spec.name}.{field}" if field else spec.name)
    return Finding(place, code, message, expected, hint)


def _ingredient_hint(key: str, table: Ingredients) -> str:
    """Guess by the key, or by the formula for those who write one."""
    same_formula = [
        known
        for known, entry in table.items()
        if (entry.formula or "").casefold() == key.casefold()
    ]
    if same_formula:
        return f"did you mean `{same_formula[0]}`?"
    guess = did_you_mean(key, list(table))
    return guess or "add it to the ingredients.toml beside the campaign's campaign.toml"


def _shown(text: str) -> str:
    """Text with control characters made visible, as they must not steer a terminal."""
    return repr(text)[1:-1]
