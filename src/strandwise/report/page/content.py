"""What a campaign's page is made of: finished results, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.findings import Caution
    from strandwise.forecast import Forecast, Hindcast
    from strandwise.formulation import Porosity, Recipe, RecipeProperties
    from strandwise.planning import DetectableShift, MotorTests, NextTests
    from strandwise.ratelaw import RateFit
    from strandwise.records import Campaign
    from strandwise.reduction import FiringReduction, RatePoint
    from strandwise.tracking import Comparison, DriftChart

__all__ = [
    "FormulationDrift",
    "InputFile",
    "Missing",
    "MotorForecasts",
    "MotorPlan",
    "PageContent",
    "RecipeEntry",
    "UnreadFiring",
]


@dataclass(frozen=True, slots=True)
class Missing:
    """A part that these records do not give, and why, for a person."""

    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class InputFile:
    """A file that the page was made from.

    Parameters
    ----------
    name
        Relative to the bench folder.
    size
        Bytes.
    sha256
        Lower-case hex.
    """

    name: str
    size: int
    sha256: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FormulationDrift:
    """The batches of one formulation over their mixing dates."""

    formulation: str
    chart: DriftChart | Missing


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorForecasts:
    """One motor with the propellants of the campaign, made with bands."""

    motor: str
    forecasts: tuple[Forecast, ...] | Missing


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorPlan:
    """Which test would tell most of one motor's peak pressure."""

    motor: str
    tests: MotorTests | Missing


@dataclass(frozen=True, kw_only=True, slots=True)
class UnreadFiring:
    """A firing whose raw trace is not there, cannot be read or is not the one that was logged.

    Parameters
    ----------
    test
        Its name.
    why
        What is wrong, with the file.
    """

    test: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class RecipeEntry:
    """One formulation, what follows from its composition, and the voids of its batches.

    Parameters
    ----------
    recipe, properties
        What it consists of, and what follows.
    porosities
        By batch, for the batches whose density was measured.
    cautions
        What to heed before mixing it.
    """

    recipe: Recipe
    properties: RecipeProperties
    porosities: tuple[tuple[str, Porosity], ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PageContent:
    """Everything that a campaign's page shows.

    Parameters
    ----------
    campaign
        The records.
    points, firings
        Every test reduced.
    fits, comparison, hindcast, next_tests
        Finished, or why not.
    detectable
        Shifts that the tests so far could have shown; empty where there is no plan.
    motor_plans
        What to test next for the sake of each motor's peak pressure; empty where no peak is
        wanted.
    drifts
        One for each formulation with a batch.
    motors
        One for each motor asked for.
    recipes
        In the order of the campaign's file.
    cautions
        About the campaign as a whole.
    unread
        Firings that take no part in anything, since their raw traces cannot be used.
    inputs
        The files that all this was made from.
    software
        Name and version of what made it.
    """

    campaign: Campaign
    points: Sequence[RatePoint]
    firings: Sequence[FiringReduction]
    fits: tuple[RateFit, ...] | Missing
    comparison: Comparison | Missing
    hindcast: Hindcast | Missing
    next_tests: NextTests | Missing
    detectable: tuple[DetectableShift, ...]
    motor_plans: tuple[MotorPlan, ...]
    drifts: tuple[FormulationDrift, ...]
    motors: tuple[MotorForecasts, ...]
    recipes: tuple[RecipeEntry, ...] | Missing
    cautions: tuple[Caution, ...]
    unread: tuple[UnreadFiring, ...]
    inputs: tuple[InputFile, ...]
    software: tuple[tuple[str, str], ...]
