"""What the making of a batch does to its ingredients: heat, room air, and how fine they are."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.formulation.balance import molar_mass
from strandwise.units import METRIC, Wording, symbol_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from strandwise.formulation.ingredients import Ingredient
    from strandwise.formulation.recipe import Recipe

__all__ = [
    "PROCESS_MARGIN",
    "ROOM",
    "BatchProcess",
    "gas_amount",
    "handling_cautions",
    "heat_cautions",
    "process_cautions",
]

PROCESS_MARGIN = 20.0
"""How near a process may come to an ingredient's temperature without a caution, K.

Common practice, no source: room for a pan that is hotter than its thermometer."""

ROOM = 298.15
"""Temperature of a mix that nobody heats, K."""

_GAS_CONSTANT = 8.31446261815324
_ATMOSPHERE = 101325.0
# A cooked mix seldom gets hotter than this, so what bears it needs no temperature on record.
_HOTTEST_COOKING = 473.15
_HEATED = re.compile(r"melt|cook|recryst|simmer|boil|warm|heat|oven|\bhot\b", re.IGNORECASE)
_NOT_HEATED = re.compile(
    r"\b(?:not|never|no|without)\s+(?:any\s+)?\w+|\bun(?:heated|melted|cooked)|\bnon-\w+",
    re.IGNORECASE,
)
_PRESSED = re.compile(r"press|ramm", re.IGNORECASE)
_GAS = re.compile(r"\s*(?P<count>[0-9]+(?:\.[0-9]+)?)\s+(?P<formula>[A-Z][A-Za-z0-9]*)\s*")


@dataclass(frozen=True, kw_only=True, slots=True)
class BatchProcess:
    """How one batch was made.

    Parameters
    ----------
    batch
        Its name.
    process
        In the maker's words: melt-cast, pressed, …
    temperature
        Highest of the mix while it was made, K; None where it was not recorded.
    particle_size
        Of the powders, in the maker's words.
    """

    batch: str
    process: str = ""
    temperature: float | None = None
    particle_size: str = ""

    @property
    def is_heated(self) -> bool:
        """Whether the words say that it was melted or cooked."""
        return _HEATED.search(_NOT_HEATED.sub("", self.process)) is not None

    @property
    def is_pressed(self) -> bool:
        """Whether the words say that it was pressed."""
        return _PRESSED.search(self.process) is not None


@dataclass(frozen=True, slots=True)
class _Change:
    """A change that heat brings about in an ingredient, and what follows from it."""

    field: Literal["decomposes", "loses_water", "sublimes", "melts"]
    code: str
    verb: str
    consequence: str
    advice: str


_CHANGES = (
    _Change(
        "decomposes",
        "decomposes-in-process",
        "begins to decompose at",
        "what was weighed in may no longer be what is in the grain, and gas given off leaves voids",
        "press it dry, or choose another ingredient",
    ),
    _Change(
        "loses_water",
        "loses-water-in-process",
        "gives off its water of crystallisation from",
        "the batch then holds less of it than was weighed in, and steam leaves voids",
        "press it dry, or weigh in the anhydrous form",
    ),
    _Change(
        "sublimes",
        "sublimes-in-process",
        "sublimes at",
        "some of it may leave the batch while it is made",
        "press it dry, or choose another ingredient",
    ),
    _Change(
        "melts",
        "melts-in-process",
        "melts at",
        "it does not stay the powder of the particle size that was weighed in",
        "process it cooler, or press it dry",
    ),
)


def process_cautions(
    recipe: Recipe,
    ingredients: Mapping[str, Ingredient],
    process_temperatures: Sequence[float],
    wording: Wording = METRIC,
) -> tuple[Caution, ...]:
    """Caution where batches were made hotter than an ingredient bears, or within 20 K of it.

    Fuels and binders are melted on purpose, so melting is no caution for them; nor is it for what
    is liquid at room temperature anyway.

    Parameters
    ----------
    recipe, ingredients
        What the batches consist of, and the table of ingredients; an ingredient that is not in
        the table gives none.
    process_temperatures
        Highest temperatures to which the batches were brought while made, K; the highest counts.
    wording
        Units of the sentences.
    """
    present = [ingredients[key] for key in recipe.mass_fractions if key in ingredients]
    if not process_temperatures:
        return _even_in_the_room(present, wording)
    hottest = max(process_temperatures)
    return tuple(
        _caution(change, ingredient, limit, hottest, wording)
        for ingredient in present
        for change in _CHANGES
        if (limit := _limit(change, ingredient)) is not None and hottest >= limit - PROCESS_MARGIN
    )


def heat_cautions(
    recipe: Recipe,
    ingredients: Mapping[str, Ingredient],
    temperature: float | None,
    wording: Wording = METRIC,
) -> tuple[Caution, ...]:
    """What heat would do to a recipe that is not mixed yet.

    Parameters
    ----------
    recipe, ingredients
        What is to be mixed, and the table of ingredients.
    temperature
        Highest to which the mix is to be brought, K; None where nobody said: what cooking may
        do to an ingredient is then told all the same. Fuels and binders are left out of that,
        since they are what is melted.
    wording
        Units of the sentences.
    """
    if temperature is not None:
        return process_cautions(recipe, ingredients, [temperature], wording)
    present = [ingredients[key] for key in recipe.mass_fractions if key in ingredients]
    told = _even_in_the_room(present, wording)
    for ingredient in present:
        limits = [
            (limit, change)
            for change in _CHANGES
            if change.field != "melts"
            and (limit := _limit(change, ingredient)) is not None
            and ROOM + PROCESS_MARGIN < limit < _HOTTEST_COOKING
        ]
        if ingredient.role in ("fuel", "binder") or not limits:
            continue
        limit, change = min(limits, key=lambda item: item[0])
        told += (
            Caution(
                "heat-sensitive",
                f"{ingredient.key} {change.verb} {wording.warmth(limit)} "
                f"({ingredient.source.get(change.field, 'no source given')}), and how hot the mix "
                f"will get is not known: where it is melted or cooked, {change.consequence}; "
                f"{change.advice}",
            ),
        )
    return told


def _even_in_the_room(present: Sequence[Ingredient], wording: Wording) -> tuple[Caution, ...]:
    """Where an ingredient decomposes at room temperature or near it, however it is processed."""
    return tuple(
        Caution(
            change.code,
            f"{ingredient.key} {change.verb} {wording.warmth(limit)} "
            f"({ingredient.source.get(change.field, 'no source given')}), which a warm room comes "
            f"near to: {change.consequence}; keep it cool and closed, mix it last, or choose "
            "another ingredient",
        )
        for ingredient in present
        for change in _CHANGES
        if change.field != "melts"
        and (limit := _limit(change, ingredient)) is not None
        and limit - PROCESS_MARGIN <= ROOM
    )


def handling_cautions(
    recipe: Recipe,
    ingredients: Mapping[str, Ingredient],
    processes: Sequence[BatchProcess] = (),
    wording: Wording = METRIC,
) -> tuple[Caution, ...]:
    """Caution about moisture, particle size and what was not recorded of the making.

    Parameters
    ----------
    recipe, ingredients
        What is mixed, and the table of ingredients.
    processes
        How batches of it were made; may be empty before there is one.
    wording
        Units of the sentences.
    """
    present = [ingredients[key] for key in recipe.mass_fractions if key in ingredients]
    return (
        *_moisture(present),
        *_unrecorded_heat(present, processes, wording),
        *_particle_sizes(present, processes),
    )


def gas_amount(gives_off: str) -> tuple[float, tuple[str, ...]]:
    """Gas that a mole of an ingredient gives off when it decomposes, mol, and which gases.

    Parameters
    ----------
    gives_off
        Such as ``0.5 CO2, 0.5 H2O``: moles per mole of the ingredient's formula.

    Raises
    ------
    DataError
        The text is not of that form.
    """
    amount, names = 0.0, []
    for part in gives_off.split(","):
        match = _GAS.fullmatch(part)
        if match is None:
            msg = f"`{part.strip()}` is no amount of a gas"
            raise DataError(msg, expected="moles and a formula, such as `0.5 CO2, 0.5 H2O`")
        amount += float(match["count"])
        names.append(match["formula"])
    return amount, tuple(names)


def _moisture(present: Sequence[Ingredient]) -> tuple[Caution, ...]:
    thirsty = [ingredient.key for ingredient in present if ingredient.hygroscopic]
    if not thirsty:
        return ()
    return (
        Caution(
            "takes-up-water",
            f"{', '.join(thirsty)} take{'s' if len(thirsty) == 1 else ''} up water from room air "
            "(ingredient table, from memory), which is weighed in with it and slows the burn: dry "
            "before weighing, keep closed; `mix sheet --water` allows for what is left",
        ),
    )


def _unrecorded_heat(
    present: Sequence[Ingredient], processes: Sequence[BatchProcess], wording: Wording
) -> tuple[Caution, ...]:
    """Where batches were heated without a temperature on record and something bears little."""
    batches = [p.batch for p in processes if p.is_heated and p.temperature is None]
    limits = [
        (limit, ingredient.key, change.verb)
        for ingredient in present
        for change in _CHANGES
        if (limit := _limit(change, ingredient)) is not None and limit < _HOTTEST_COOKING
    ]
    if not batches or not limits:
        return ()
    limit, key, verb = min(limits)
    melting = [i.melts for i in present if i.role in ("fuel", "binder") and i.melts is not None]
    least = min(melting) if melting else None
    known = ""
    if least is not None and least > limit:
        known = f", and a melt is at least at {wording.warmth(least)}"
    return (
        Caution(
            "process-temperature-unrecorded",
            f"batches {', '.join(batches)} were heated and nobody wrote down how hot, but {key} "
            f"{verb} {wording.warmth(limit)}{known}: record process_temperature; press it dry, or "
            "choose another ingredient, if the mix gets that hot",
        ),
    )


def _particle_sizes(
    present: Sequence[Ingredient], processes: Sequence[BatchProcess]
) -> tuple[Caution, ...]:
    cautions = [
        Caution("particle-size", f"{ingredient.key}: {ingredient.particle_size}")
        for ingredient in present
        if ingredient.particle_size
    ]
    stated = {p.particle_size.strip() for p in processes if p.particle_size.strip()}
    if len(stated) > 1:
        cautions.append(
            Caution(
                "particle-size-differs",
                f"batches were made with different powders ({'; '.join(sorted(stated))}): finer "
                "powders mostly burn faster (common practice, no source), so a difference between "
                "these batches need not come from the recipe",
            )
        )
    unstated = [p.batch for p in processes if p.is_pressed and not p.particle_size.strip()]
    if unstated:
        cautions.append(
            Caution(
                "particle-size-unrecorded",
                f"batches {', '.join(unstated)} were pressed: the rate of a pressed powder depends "
                "on how fine it is (common practice, no source); record particle_size",
            )
        )
    return tuple(cautions)


def _limit(change: _Change, ingredient: Ingredient) -> float | None:
    limit: float | None = getattr(ingredient, change.field)
    if limit is None or change.field != "melts":
        return limit
    meant_to_melt = ingredient.role in ("fuel", "binder")
    return None if meant_to_melt or limit < ROOM else limit


def _caution(
    change: _Change, ingredient: Ingredient, limit: float, hottest: float, wording: Wording
) -> Caution:
    source = ingredient.source.get(change.field, "no source given")
    near = wording.warmer(PROCESS_MARGIN)
    relation = "goes up to" if hottest >= limit else f"comes within {near} of that, at"
    return Caution(
        change.code,
        f"{ingredient.key} {change.verb} {wording.warmth(limit)} ({source}) and the process "
        f"{relation} {wording.warmth(hottest)}: {change.consequence}"
        f"{_gas(change, ingredient, hottest, wording)}; {change.advice}",
    )


def _gas(change: _Change, ingredient: Ingredient, hottest: float, wording: Wording) -> str:
    """How much gas a gram can make, where the table says what it gives off."""
    if change.field not in ("decomposes", "sublimes") or not ingredient.gives_off:
        return ""
    if ingredient.formula is None:
        return ""
    amount, names = gas_amount(ingredient.gives_off)
    moles = 1e-3 * amount / molar_mass(ingredient.formula)
    volume = moles * _GAS_CONSTANT * max(hottest, ROOM) / _ATMOSPHERE
    per_unit = wording.size(volume * 1e3 * float(wording.mass.factor), "m³", 2)
    return (
        f" (1 {symbol_of(wording.mass)} of it can give off {per_unit} of gas, {', '.join(names)}, "
        f"at {wording.warmth(hottest)} and 1 atm)"
    )
