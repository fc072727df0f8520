"""A test against the others of its batch, formulation or campaign: far off in rate or pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from heapq import nlargest, nsmallest
from statistics import median
from typing import TYPE_CHECKING

from strandwise.findings import Finding
from strandwise.motor import web
from strandwise.records.fields import STRAND_FIELDS
from strandwise.records.places import at_field
from strandwise.records.plausible import SLIP, implausible, implausible_firing, told_in
from strandwise.units import Kind, digits_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from strandwise.findings import Source
    from strandwise.records.model import Batch, Campaign, Firing, StrandReading

__all__ = [
    "BurntTest",
    "Comparison",
    "burnt_by_hand",
    "burnt_strand",
    "pressure_by_thrust",
    "unlikely_firing",
    "unlikely_strand",
]

# Common practice, no source: batches and catalysts move a rate less than this, slips of a unit or
# of the decimal point more.
_FACTOR = 3.0
_EXPONENT = 0.4  # of the pressure, to bring the others' rates to the test's pressure
_EXPONENT_DOUBT = 0.3  # widens the factor with the distance in pressure
_FAR_BELOW, _FAR_ABOVE = 5.0, 2.5  # all others, in pressure: tests are stepped up in less
_IN_AIR = 1.2e5  # Pa; what burns in the open is far below the rest, and no slip
_LEAST_OTHERS = 3
_LEAST_FOR_A_RANGE = 5
_NEAREST = 5
_UNKNOWN_PRESSURE = math.log(10.0)  # taken as if it were a tenfold pressure away
_THRUST_COEFFICIENT = 1.3  # for a rough pressure where thrust alone was read


@dataclass(frozen=True, slots=True)
class BurntTest:
    """What one test burnt, roughly.

    Parameters
    ----------
    test, batch
        Names.
    rate
        m/s.
    pressure
        Absolute, Pa; None where nothing tells it.
    source
        Of the record.
    """

    test: str
    batch: str
    rate: float
    pressure: float | None
    source: Source


def burnt_strand(reading: StrandReading) -> BurntTest | None:
    """Of a strand's reading; None where its time is not told or it takes no part in fits."""
    time = reading.time
    if time is None and reading.frames and reading.frame_rate:
        time = reading.frames / reading.frame_rate
    if not time or reading.exclude:
        return None
    end = reading.pressure if reading.pressure_end is None else reading.pressure_end
    pressure = math.sqrt(reading.pressure * end)
    return BurntTest(reading.test, reading.batch, reading.length / time, pressure, reading.source)


def burnt_by_hand(firing: Firing) -> BurntTest | None:
    """Of a firing's hand readings; None without them, or where it takes no part in fits."""
    summary = firing.summary
    if summary is None or firing.exclude:
        return None
    pressure = summary.mean_pressure
    if pressure is None and summary.mean_thrust is not None:
        pressure = pressure_by_thrust(firing, summary.mean_thrust)
    rate = web(firing.grain) / summary.burn_time
    return BurntTest(firing.test, firing.batch, rate, pressure, firing.source)


def pressure_by_thrust(firing: Firing, thrust: float) -> float | None:
    """Chamber pressure, Pa, that a thrust asks for roughly; None without a nozzle."""
    if firing.nozzle is None:
        return None
    throat = math.pi / 4.0 * firing.nozzle.throat_diameter**2
    return thrust / (_THRUST_COEFFICIENT * throat)


def unlikely_strand(reading: StrandReading, comparison: Comparison) -> Iterator[Finding]:
    """Findings on a strand's values; where these are likely, on its pressure or rate by others'."""
    found = list(implausible(reading, STRAND_FIELDS, comparison.units))
    burnt = burnt_strand(reading)
    yield from found
    if not found and burnt is not None:
        far = list(comparison.far_in_pressure(burnt, "pressure"))
        yield from far or comparison.unlike_others(burnt)


def unlikely_firing(
    firing: Firing, void_free_density: float | None, comparison: Comparison
) -> Iterator[Finding]:
    """Likewise on a firing's; for `void_free_density` see `implausible_firing`."""
    found = list(implausible_firing(firing, void_free_density, comparison.units))
    burnt = burnt_by_hand(firing)
    yield from found
    if found or burnt is None:
        return
    far: list[Finding] = []
    if firing.summary is not None and firing.summary.mean_pressure is not None:
        far += comparison.far_in_pressure(burnt, "summary.mean_pressure")
    yield from far or comparison.unlike_others(burnt)


class Comparison:
    """Tests of a campaign, against which any test of it can be held.

    Parameters
    ----------
    campaign
        Its strands and its firings read by hand are the tests compared with.
    """

    def __init__(self, campaign: Campaign) -> None:
        self.units = campaign.settings.units
        self._batches: Mapping[str, Batch] = campaign.batches
        strands = (burnt_strand(reading) for reading in campaign.strands)
        firings = (burnt_by_hand(firing) for firing in campaign.firings)
        self._groups: dict[tuple[str, str], list[tuple[float, float, str]]] = {}
        for burnt in (*strands, *firings):
            if burnt is not None and burnt.pressure is not None:
                entry = (math.log(burnt.pressure), math.log(burnt.rate), burnt.test)
                for key in self._keys(burnt.batch):
                    self._groups.setdefault(key, []).append(entry)
        # The last of a test's entries stays: its lowest, and its highest.
        every = sorted(self._groups.get(("campaign", ""), ()))
        lowest = {test: at for at, _, test in reversed(every)}
        highest = {test: at for at, _, test in every}
        self._tests = lowest.keys()
        self._lowest = nsmallest(2, lowest.items(), key=lambda one: one[1])
        self._highest = nlargest(2, highest.items(), key=lambda one: one[1])

    def unlike_others(self, burnt: BurntTest) -> Iterator[Finding]:
        """A finding where a rate is 3 times off what the others near its pressure give, or more.

        Compared with are the other tests of the batch, else of the formulation, else of the
        campaign, the first of these that has at least three: the median of the five nearest in
        pressure, brought to the test's pressure by the exponent 0.4. The factor widens with the
        distance in pressure.
        """
        for key in self._keys(burnt.batch):
            others = [one for one in self._groups.get(key, ()) if one[2] != burnt.test]
            if len({name for *_, name in others}) >= _LEAST_OTHERS:
                yield from self._held_against(burnt, others, key)
                return

    def far_in_pressure(self, burnt: BurntTest, field: str) -> Iterator[Finding]:
        """A finding where a pressure is over 2.5 times those of all other tests, or below a fifth.

        Below them it may be that of the open air. Nothing is said beside fewer than five tests.
        """
        if (
            burnt.pressure is None
            or len(self._tests) - (burnt.test in self._tests) < _LEAST_FOR_A_RANGE
        ):
            return
        low, high = (
            math.exp(next(at for test, at in ends if test != burnt.test))
            for ends in (self._lowest, self._highest)
        )
        least, most = low / _FAR_BELOW, high * _FAR_ABOVE
        if least <= burnt.pressure <= most or burnt.pressure < min(_IN_AIR, low):
            return
        told, least_told, most_told, low_told, high_told = (
            told_in(one, Kind.PRESSURE, self.units, 3)
            for one in (burnt.pressure, least, most, low, high)
        )
        times, way, end_told = burnt.pressure / high, "above", f"highest, {high_told}"
        if burnt.pressure < low:
            times, way, end_told = low / burnt.pressure, "below", f"lowest, {low_told}"
        message = (
            f"pressure of {told} absolute, {digits_text(times)} times {way} the {end_told}, of all "
            "other tests of the campaign"
        )
        hint = (
            "look for another unit or zero, and for a decimal comma that split a number in two and "
            "shifted the cells behind it"
        )
        place = at_field(burnt.source, field)
        yield Finding(place, "unlikely-pressure", message, f"{least_told} to {most_told}", hint)

    def _held_against(
        self,
        burnt: BurntTest,
        others: Sequence[tuple[float, float, str]],
        key: tuple[str, str],
    ) -> Iterator[Finding]:
        if burnt.pressure is None:
            usual = median(rate for _, rate, _ in others)
            far = _UNKNOWN_PRESSURE
        else:
            at = math.log(burnt.pressure)
            near = nsmallest(_NEAREST, others, key=lambda one: abs(one[0] - at))
            usual = median(rate + _EXPONENT * (at - pressure) for pressure, rate, _ in near)
            far = median(abs(at - pressure) for pressure, *_ in near)
        allowed = math.log(_FACTOR) + _EXPONENT_DOUBT * far
        off = math.log(burnt.rate) - usual
        if abs(off) < allowed:
            return
        rate, theirs, least, most = (
            told_in(one, Kind.VELOCITY, self.units, 3)
            for one in (
                burnt.rate,
                math.exp(usual),
                math.exp(usual - allowed),
                math.exp(usual + allowed),
            )
        )
        way = "more" if off > 0.0 else "less"
        group = f"{key[0]} `{key[1]}`" if key[1] else "the campaign"
        there = ""
        if burnt.pressure is not None:
            there = f" at {told_in(burnt.pressure, Kind.PRESSURE, self.units, 3)} absolute"
        message = (
            f"burn rate of {rate}{there}, {digits_text(math.exp(abs(off)))} times {way} than the "
            f"other tests of {group} give (about {theirs})"
        )
        yield Finding(burnt.source, "implausible", message, f"{least} to {most}", SLIP)

    def _keys(self, batch: str) -> list[tuple[str, str]]:
        mixed = self._batches.get(batch)
        formulation = [] if mixed is None else [("formulation", mixed.formulation)]
        return [("batch", batch), *formulation, ("campaign", "")]
