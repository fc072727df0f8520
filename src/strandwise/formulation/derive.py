"""One nominal percentage, three substitutions: which is which, before anything is mixed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

from strandwise.errors import RequestError
from strandwise.findings import Source
from strandwise.formulation.recipe import ALL, Addition, FormulationSpec, Replacement
from strandwise.formulation.resolve import resolve_recipes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = ["WAYS", "Derivation", "Way", "derive_formulations", "formulation_toml"]

Way = Literal["of-ingredient", "of-all", "on-top"]
"""What a percentage is of: one ingredient of the parent, all of the parent, or parts added."""

WAYS: tuple[Way, ...] = get_args(Way)
"""Every way, in the order in which they are shown."""

_PLACE = "(derived)"


@dataclass(frozen=True, kw_only=True, slots=True)
class Derivation:
    """A formulation made from a parent by one substitution.

    Parameters
    ----------
    way
        What the percentage is of.
    share
        The nominal percentage as a fraction.
    spec
        As `formulations.toml` would say it.
    recipe
        Its mass fractions.
    meaning
        What was done, in words.
    """

    way: Way
    share: float
    spec: FormulationSpec
    recipe: Recipe
    meaning: str


def derive_formulations(
    specs: Mapping[str, FormulationSpec],
    ingredients: Mapping[str, Ingredient],
    *,
    parent: str,
    replacement: str,
    shares: Sequence[float],
    replaces: str | None = None,
    ways: Sequence[Way] | None = None,
    stem: str | None = None,
) -> tuple[Derivation, ...]:
    """Derive formulations from a parent, for each share in each way.

    Parameters
    ----------
    specs, ingredients
        Formulations without faults, and the table of ingredients.
    parent
        Formulation from which to start.
    replacement
        Key of what is put in.
    shares
        Nominal percentages as fractions.
    replaces
        Ingredient that gives way in the way ``of-ingredient``; None: that way is left out unless
        it is asked for.
    ways
        Which; None: all that can be done.
    stem
        Start of the names; None: `replacement`.

    Returns
    -------
    tuple of Derivation
        By share, then by way.

    Raises
    ------
    RequestError
        The parent is unknown, nothing is asked for, a name is taken or doubled, or a substitution
        cannot be done (all the reasons, as reading a file would give them).
    """
    if parent not in specs:
        msg = f"there is no formulation `{parent}`"
        raise RequestError(msg, expected=f"one of {', '.join(specs)}")
    if ways is None:
        ways = [way for way in WAYS if way != "of-ingredient" or replaces is not None]
    if "of-ingredient" in ways and replaces is None:
        msg = "nothing is named that gives way"
        raise RequestError(msg, expected="an ingredient of the parent, such as `sorbitol`")
    if replaces == replacement:
        msg = f"{replaces} in place of {replacement} changes nothing"
        raise RequestError(msg, expected="another ingredient")
    if not shares:
        msg = "no dose is given"
        raise RequestError(msg, expected="at least one, such as 5 %")
    derived: dict[str, tuple[Way, float, FormulationSpec]] = {}
    for share in shares:
        for way in ways:
            spec = _spec(way, share, parent, replacement, replaces or "", stem or replacement)
            if spec.name in specs or spec.name in derived:
                msg = f"there is a formulation `{spec.name}` already"
                raise RequestError(msg, hint="give another start of the name, or other doses")
            derived[spec.name] = (way, share, spec)
    recipes, findings = resolve_recipes(
        {**specs, **{name: spec for name, (_, _, spec) in derived.items()}}, ingredients
    )
    faults = [finding for finding in findings if finding.source.path == _PLACE]
    if faults:
        first = faults[0]
        told = "; ".join(dict.fromkeys(finding.message for finding in faults))
        raise RequestError(told, expected=first.expected, hint=first.hint)
    return tuple(
        Derivation(
            way=way, share=share, spec=spec, recipe=recipes[name], meaning=_meaning(way, spec)
        )
        for name, (way, share, spec) in derived.items()
    )


def formulation_toml(derivation: Derivation) -> str:
    """The table of `formulations.toml` for a derived formulation, with what it means as comment."""
    spec = derivation.spec
    lines = [f"[{spec.name}]  # {derivation.meaning}", f'parent = "{spec.parent}"']
    for step in spec.replace:
        lines.append(
            f'replace = [{{ ingredient = "{step.ingredient}", share = "{100 * step.share:.12g} %", '
            f'with = "{step.replacement}" }}]'
        )
    for addition in spec.add:
        lines.append(
            f'add = [{{ ingredient = "{addition.ingredient}", parts = {addition.parts:.12g} }}]'
        )
    return "\n".join(lines) + "\n"


def _spec(
    way: Way, share: float, parent: str, replacement: str, replaces: str, stem: str
) -> FormulationSpec:
    percent = f"{100 * share:.12g}".replace(".", "_").replace("-", "minus")
    if way == "on-top":
        name = f"{stem}-{percent}-on-top"
        add = (Addition(ingredient=replacement, parts=100.0 * share),)
        return FormulationSpec(name=name, parent=parent, add=add, source=Source(_PLACE))
    of = ALL if way == "of-all" else replaces
    step = Replacement(ingredient=of, share=share, replacement=replacement)
    return FormulationSpec(
        name=f"{stem}-{percent}-of-{of}", parent=parent, replace=(step,), source=Source(_PLACE)
    )


def _meaning(way: Way, spec: FormulationSpec) -> str:
    if way == "on-top":
        (addition,) = spec.add
        amount = f"{addition.parts:.6g}"
        part = "part" if amount == "1" else "parts"
        return f"{amount} {part} of {addition.ingredient} to 100 parts of {spec.parent}"
    (step,) = spec.replace
    if way == "of-all":
        return f"{100 * step.share:.6g} % of all of {spec.parent}, every ingredient alike"
    return f"{100 * step.share:.6g} % of the {step.ingredient} of {spec.parent}, and only of it"
