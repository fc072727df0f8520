"""From a campaign's records to rate points: every strand and firing reduced."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Literal

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.progress import steps
from strandwise.ratelaw import RateSeries, fit_exponents
from strandwise.reduction import reduce_firing, reduce_strand
from strandwise.units import METRIC, Wording, wording_in
from strandwise.workflow.opening import unknown_name
from strandwise.workflow.thermochemistry import default_gas

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from strandwise.records import Campaign, Firing, Gas, StrandReading
    from strandwise.reduction import FiringReduction, RatePoint

__all__ = ["ReducedCampaign", "one_test", "reduce_campaign", "reference_of", "series_of"]

_GAS_NAMES = {"characteristic_velocity": "c*", "specific_heat_ratio": "γ"}
_USUAL_EXPONENT = 0.4
_EXPONENT_TOLERANCE = 1e-10
_LARGEST_EXPONENT = 1.0  # either way; a plateau's is below 0, beyond 1 no motor burns steadily
_LEAST_SPAN = 1.2  # highest over lowest pressure, from which tests tell an exponent
_MOST_ROUNDS = 50


@dataclass(frozen=True, kw_only=True, slots=True)
class ReducedCampaign:
    """Every test of a campaign reduced.

    Parameters
    ----------
    campaign
        What was reduced.
    points
        One for each strand and each firing that gave one, used or not, in the files' order.
    firings
        What each firing gave beside its point.
    cautions
        Reasons to trust the whole less.
    wording
        Units of the sentences.
    """

    campaign: Campaign
    points: tuple[RatePoint, ...]
    firings: tuple[FiringReduction, ...]
    cautions: tuple[Caution, ...] = ()
    wording: Wording = METRIC


def reduce_campaign(campaign: Campaign, units: str | None = None) -> ReducedCampaign:
    """Reduce every strand and firing.

    A test during which the pressure moved stands at its rate-mean pressure, which depends on the
    exponent; that is fitted and the reduction repeated until it no longer moves.

    Parameters
    ----------
    campaign
        Free of faults.
    units
        Choice of units in which cautions and accounts speak; None: the campaign's.

    Raises
    ------
    DataError
        A raw trace cannot be read; the message names the test.
    """
    tests = [list(rows) for _, rows in groupby(campaign.strands, key=lambda s: s.test)]
    exponents: dict[str, float] = {}
    strands: list[RatePoint] = []
    wording = wording_in(units or campaign.settings.units)
    for _ in range(_MOST_ROUNDS):
        strands = [_reduce_strand(campaign, rows, exponents, wording) for rows in tests]
        if not campaign.firings and not any(s.pressure_end for s in campaign.strands):
            break
        found = _exponents(campaign, strands)
        moved = max((abs(found[b] - exponents.get(b, math.inf)) for b in found), default=0.0)
        exponents = found
        if moved <= _EXPONENT_TOLERANCE or not any(s.pressure_end for s in campaign.strands):
            break
    gases: dict[str, Gas] = {}
    fired = steps(campaign.firings, "reducing firings")
    firings = [_reduce_firing(campaign, firing, exponents, gases, wording) for firing in fired]
    if firings and not strands:
        points = [firing.point for firing in firings if firing.point]
        exponents = _exponents(campaign, points)
        firings = [
            # A raw file takes its time: it is read again only where the exponent is a new one.
            done
            if exponents.get(firing.batch, _USUAL_EXPONENT) == _USUAL_EXPONENT
            else _reduce_firing(campaign, firing, exponents, gases, wording)
            for firing, done in zip(campaign.firings, firings, strict=True)
        ]
    points = [*strands, *(firing.point for firing in firings if firing.point)]
    return ReducedCampaign(
        campaign=campaign, points=tuple(points), firings=tuple(firings), wording=wording
    )


def reference_of(reduced: ReducedCampaign) -> float:
    """Pressure at which batches and formulations are told, absolute, Pa.

    The one that the campaign states, else the middle (geometric mean) of all tests that are used,
    so that every command takes the same.
    """
    stated = reduced.campaign.settings.reference_pressure
    used = [math.log(point.pressure) for point in reduced.points if point.used]
    return math.exp(sum(used) / len(used)) if stated is None else stated


def one_test(reduced: ReducedCampaign, test: str) -> ReducedCampaign:
    """The same with one test alone.

    Raises
    ------
    RequestError
        There is no such test.
    """
    points = tuple(point for point in reduced.points if point.test == test)
    firings = tuple(firing for firing in reduced.firings if firing.test == test)
    if not points and not firings:
        known = dict.fromkeys([p.test for p in reduced.points] + [f.test for f in reduced.firings])
        error = unknown_name("test", test, known)
        raise error
    return dataclasses.replace(reduced, points=points, firings=firings)


def _reduce_strand(
    campaign: Campaign,
    rows: Sequence[StrandReading],
    exponents: Mapping[str, float],
    wording: Wording,
) -> RatePoint:
    batch = rows[0].batch
    return reduce_strand(
        rows,
        campaign.batches[batch].formulation,
        campaign.settings.uncertainty,
        exponent=exponents.get(batch, _USUAL_EXPONENT),
        wording=wording,
    )


def _reduce_firing(
    campaign: Campaign,
    firing: Firing,
    exponents: Mapping[str, float],
    gases: dict[str, Gas],
    wording: Wording,
) -> FiringReduction:
    batch = campaign.batches[firing.batch]
    ambient = firing.ambient_pressure
    if ambient is None:
        ambient = campaign.settings.ambient_pressure
    gas = _first_known(firing.gas, campaign.settings.gas)
    filled = gas
    if _is_open(gas):
        # Once a formulation: an equilibrium takes a tenth of a second and more.
        if batch.formulation not in gases:
            gases[batch.formulation] = default_gas(campaign, batch.formulation)
        filled = _first_known(gas, gases[batch.formulation])
    calculated = [n for n in _GAS_NAMES if getattr(filled, n) != getattr(gas, n)]
    try:
        reduction = reduce_firing(
            firing,
            batch.formulation,
            gas=filled,
            ambient=ambient,
            density=batch.measured_density,
            exponent=exponents.get(firing.batch, _USUAL_EXPONENT),
            c_star_calculated="characteristic_velocity" in calculated,
            wording=wording,
        )
    except DataError as error:
        msg = f"test {firing.test} ({firing.source.path}): {error.message}"
        raise DataError(msg, expected=error.expected, hint=error.hint) from error
    if not calculated:
        return reduction
    caution = _equilibrium_caution(calculated)
    return dataclasses.replace(reduction, cautions=(*reduction.cautions, caution))


def _equilibrium_caution(calculated: Sequence[str]) -> Caution:
    """Say which values of the gas nobody stated."""
    names = " and ".join(_GAS_NAMES[name] for name in calculated)
    are = "is" if len(calculated) == 1 else "are"
    text = f"[gas] states no {names.replace(' and ', ' and no ')}: {names} {are} taken from "
    text += "the recipe's chemical equilibrium"
    if "characteristic_velocity" in calculated:
        text += ", which has no losses and is the most that a motor can show"
    return Caution("gas-by-equilibrium", text)


def _first_known(first: Gas, second: Gas) -> Gas:
    """Values of the first gas, and of the second where the first has none."""
    names = [item.name for item in dataclasses.fields(first)]
    known = {name: getattr(first, name) for name in names if getattr(first, name) is not None}
    return dataclasses.replace(second, **known)


def _is_open(gas: Gas) -> bool:
    return any(getattr(gas, item.name) is None for item in dataclasses.fields(gas))


def _exponents(campaign: Campaign, points: Sequence[RatePoint]) -> dict[str, float]:
    """Exponent of each batch: its own, else that of its formulation, else of the campaign."""
    series = series_of(points, by="batch")
    own = {
        one.label: n
        for one, n in zip(series, fit_exponents(series), strict=True)
        if n is not None and len(one.tests) > 2 and _is_told(n, one)
    }
    by_formulation: dict[str, list[float]] = {}
    for one in series:
        if one.label in own:
            by_formulation.setdefault(one.formulation, []).append(own[one.label])
    means = {name: sum(ns) / len(ns) for name, ns in by_formulation.items()}
    overall = sum(own.values()) / len(own) if own else _USUAL_EXPONENT
    return {
        name: own.get(name, means.get(batch.formulation, overall))
        for name, batch in campaign.batches.items()
    }


def _is_told(n: float, series: RateSeries) -> bool:
    """Whether an exponent may be one: tests of nearly one pressure give any number."""
    span = float(np.max(series.pressure) / np.min(series.pressure))
    return abs(n) <= _LARGEST_EXPONENT and span >= _LEAST_SPAN


def series_of(
    points: Iterable[RatePoint],
    *,
    by: Literal["batch", "formulation"],
    wording: Wording = METRIC,
) -> list[RateSeries]:
    """Rate points that are used as the series that laws are fitted to, one a batch or formulation.

    Parameters
    ----------
    points
        In any order; those of one group keep theirs.
    by
        What a series is of.
    wording
        Units of the sentences about its fit.
    """
    groups: dict[str, list[RatePoint]] = {}
    for point in points:
        if point.used:
            groups.setdefault(getattr(point, by), []).append(point)
    return [
        RateSeries(
            label=label,
            formulation=group[0].formulation,
            tests=tuple(p.test for p in group),
            pressure=np.array([p.pressure for p in group]),
            rate=np.array([p.rate for p in group]),
            pressure_sd=np.array([p.pressure_sd or 0.0 for p in group]),
            rate_sd=np.array([p.rate_sd or 0.0 for p in group]),
            kinds=tuple(p.kind for p in group),
            temperature=np.array([p.temperature or np.nan for p in group]),
            correlation=np.array([p.correlation for p in group]),
            wording=wording,
        )
        for label, group in groups.items()
    ]
