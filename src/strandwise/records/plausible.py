"""Values that are possible but not likely: slips of a unit or of a decimal point."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from strandwise.findings import Finding
from strandwise.motor import (
    AreaTable,
    EndBurner,
    HollowCylinder,
    MultiCore,
    burning_area,
    propellant_volume,
    web,
)
from strandwise.records.firing_fields import (
    FIRING_FIELDS,
    GRAIN_FIELDS,
    NOZZLE_FIELDS,
    SUMMARY_FIELDS,
)
from strandwise.records.model import StrandReading
from strandwise.records.places import at_field
from strandwise.units import Kind, from_si, units_shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from strandwise.findings import Source
    from strandwise.motor import Nozzle
    from strandwise.records.field import Field
    from strandwise.records.model import Batch, Firing, Summary

__all__ = [
    "LARGE_IGNITER",
    "PLAUSIBLE_KN",
    "PLAUSIBLE_RATE",
    "SLIP",
    "grain_density",
    "implausible",
    "implausible_firing",
    "initial_kn",
    "told_in",
    "unlikely_rate",
]

_SHAPES = {
    HollowCylinder: "hollow-cylinder",
    MultiCore: "multi-core",
    EndBurner: "end-burner",
    AreaTable: "area-table",
}
SLIP = "look for a slip of the unit or of the decimal point"

PLAUSIBLE_RATE = (3e-4, 0.1)
"""Burn rates that a strand or small motor may show, m/s; common practice, no source."""

PLAUSIBLE_KN = (10.0, 2000.0)
"""Burning over throat area as the motor lights; common practice, no source."""

# Castings hold air and do not exceed the density without it by more than they are misread.
_DENSITY_MISREAD = 1.03
_LEAST_DENSITY = 0.7  # of the void-free one: less is another slip than air in the casting
# A burn widens the throat, or leaves a film in it; common practice, no source.
_THROAT_AFTER = (0.95, 1.5)

LARGE_IGNITER = 0.1
"""Of the propellant's mass: beyond it an igniter's is a slip; common practice, no source."""


def implausible(
    record: Batch | StrandReading, fields: Sequence[Field], units: str = "metric"
) -> Iterator[Finding]:
    """Findings on the values of a record that lie outside what its fields call plausible.

    Parameters
    ----------
    record, fields
        The record, and the fields that it has.
    units
        The reader's, in which values are told.
    """
    yield from _unlikely_values(record, fields, record.source, units=units)
    if isinstance(record, StrandReading):
        time = record.time
        if time is None and record.frames and record.frame_rate:
            time = record.frames / record.frame_rate
        if time:
            yield from unlikely_rate(record.length / time, record.source, units)


def implausible_firing(
    firing: Firing, void_free_density: float | None = None, units: str = "metric"
) -> Iterator[Finding]:
    """Findings on a firing's sizes, density, Kn, hand readings and burn rate that are not likely.

    Parameters
    ----------
    firing
        The record.
    void_free_density
        Of its batch's recipe, kg/m³; None where not known.
    units
        The reader's, in which values are told.
    """
    source = firing.source
    measured = firing.grain if firing.offset_core is None else firing.offset_core.cylinder
    shape = _SHAPES[type(measured)]
    own = list(_unlikely_values(firing, FIRING_FIELDS, source, units=units))
    yield from own
    if not any(finding.source.field == "igniter_mass" for finding in own):
        yield from _unlikely_igniter(firing, units)
    sizes = list(_unlikely_values(measured, GRAIN_FIELDS[shape], source, "grain", units))
    # What follows from a size that is not likely itself is no second finding.
    yield from sizes or _unlikely_density(firing, void_free_density, units)
    if firing.nozzle is not None:
        throat = list(_unlikely_values(firing.nozzle, NOZZLE_FIELDS, source, "nozzle", units))
        throat = throat or list(_unlikely_wear(firing.nozzle, source, units))
        yield from throat if sizes or throat else _unlikely_throat(firing, units)
    if firing.summary is not None:
        yield from _unlikely_values(firing.summary, SUMMARY_FIELDS, source, "summary", units)
        yield from _unlikely_peaks(firing.summary, source, units)
        yield from unlikely_rate(web(firing.grain) / firing.summary.burn_time, source, units)


def initial_kn(firing: Firing) -> float | None:
    """Burning over throat area before the burn; None without a nozzle."""
    if firing.nozzle is None:
        return None
    throat = math.pi / 4.0 * firing.nozzle.throat_diameter**2
    return float(burning_area(firing.grain, 0.0)) / throat


def grain_density(firing: Firing) -> float | None:
    """Weighed mass over the volume that the sizes give, kg/m³; None where not weighed."""
    mass = firing.grain.mass
    return None if mass is None else mass / float(propellant_volume(firing.grain))


def _unlikely_igniter(firing: Firing, units: str) -> Iterator[Finding]:
    igniter, mass = firing.igniter_mass, firing.grain.mass
    if mass is None and firing.grain.density is not None:
        mass = firing.grain.density * float(propellant_volume(firing.grain))
    if igniter is None or mass is None or igniter <= LARGE_IGNITER * mass:
        return
    own, most, propellant = (
        told_in(one, Kind.MASS, units) for one in (igniter, LARGE_IGNITER * mass, mass)
    )
    message = f"igniter mass of {own} beside {propellant} of propellant"
    hint = f"{SLIP}; it is counted as gas beside the propellant's, and moves c*"
    place = at_field(firing.source, "igniter_mass")
    yield Finding(place, "implausible", message, f"no more than {most}, a tenth", hint)


def _unlikely_density(firing: Firing, void_free: float | None, units: str) -> Iterator[Finding]:
    def told(value: float, digits: int = 4) -> str:
        return told_in(value, Kind.DENSITY, units, digits)

    found = grain_density(firing)
    stated = firing.grain.density
    key, what, density = "grain.mass", "a density of", found
    if found is None:
        key, what, density = "grain.density", "a stated density of", stated
    if density is None:
        return
    if void_free is None:
        low, high = 800.0, 3000.0
        expected = f"{told(low)} to {told(high)}"
    else:
        low, high = _LEAST_DENSITY * void_free, _DENSITY_MISREAD * void_free
        expected = f"no more than the recipe's {told(void_free)} without voids"
        if density < low:
            expected = f"at least {told(low, 3)}, of {told(void_free)} without voids"
    if not low <= density <= high:
        message = f"{what} {told(density)}"
        if found is not None:
            message = f"mass and sizes of the grain make {message}"
        hint = "look for a slip in the sizes, the number of segments, the mass or the recipe"
        yield Finding(at_field(firing.source, key), "implausible", message, expected, hint)


def _unlikely_wear(nozzle: Nozzle, source: Source, units: str) -> Iterator[Finding]:
    """A throat that the burn narrowed, or widened more than throats last."""
    after, before = nozzle.throat_diameter_after, nozzle.throat_diameter
    low, high = (limit * before for limit in _THROAT_AFTER)
    if after is None or low <= after <= high:
        return
    least, most, was, now = (told_in(one, Kind.LENGTH, units) for one in (low, high, before, after))
    message = f"throat diameter of {was} before the burn and {now} after it"
    hint = "a burn widens a throat, or leaves a film in it: look whether the two are exchanged"
    place = at_field(source, "nozzle.throat_diameter_after")
    yield Finding(place, "implausible", message, f"{least} to {most} after it", hint)


def _unlikely_peaks(summary: Summary, source: Source, units: str) -> Iterator[Finding]:
    """Means above the highest reading, which cannot be."""
    for what, kind, mean, peak in (
        ("pressure", Kind.PRESSURE, summary.mean_pressure, summary.peak_pressure),
        ("thrust", Kind.FORCE, summary.mean_thrust, summary.peak_thrust),
    ):
        if mean is None or peak is None or mean <= peak:
            continue
        highest = told_in(peak, kind, units)
        message = f"mean {what} of {told_in(mean, kind, units)}, above the peak of {highest}"
        hint = "look whether the two are exchanged, or one is of another unit or zero"
        place = at_field(source, f"summary.mean_{what}")
        yield Finding(place, "implausible", message, f"no more than {highest}", hint)


def _unlikely_throat(firing: Firing, units: str) -> Iterator[Finding]:
    assert firing.nozzle is not None
    measured = firing.grain if firing.offset_core is None else firing.offset_core.cylinder
    outer = getattr(measured, "outer_diameter", getattr(measured, "diameter", None))
    throat = firing.nozzle.throat_diameter
    place = at_field(firing.source, "nozzle.throat_diameter")
    kn = initial_kn(firing)
    low, high = PLAUSIBLE_KN
    told = told_in(throat, Kind.LENGTH, units)
    if outer is not None and throat >= outer:
        wide = told_in(outer, Kind.LENGTH, units)
        message = f"throat diameter of {told} in a motor of a grain as wide as {wide}"
        expected = "a throat narrower than the grain"
        yield Finding(place, "implausible", message, expected, SLIP)
    elif kn is not None and not low <= kn <= high:
        message = f"throat diameter of {told}, which makes Kn {kn:.4g}"
        yield Finding(place, "implausible", message, f"Kn of {low:g} to {high:g}", SLIP)


def _unlikely_values(
    record: object, fields: Sequence[Field], source: Source, table: str = "", units: str = "metric"
) -> Iterator[Finding]:
    for field in fields:
        value = getattr(record, field.name, None)
        if field.name == "outer_diameter" and isinstance(record, EndBurner):
            value = record.diameter
        if value is None or field.plausible is None:
            continue
        low, high = field.plausible
        for one in value if isinstance(value, tuple) else (value,):
            if not low <= one <= high:
                yield Finding(
                    at_field(source, f"{table}.{field.name}" if table else field.name),
                    "implausible",
                    f"{field.name.replace('_', ' ')} of {field.shown(one, units)}",
                    f"{field.shown(low, units, 4)} to {field.shown(high, units, 4)}",
                    SLIP,
                )


def unlikely_rate(rate: float, source: Source, units: str) -> Iterator[Finding]:
    """A finding on a burn rate, m/s, that no strand or small motor shows."""
    low, high = PLAUSIBLE_RATE
    if not low <= rate <= high:
        told, least, most = (told_in(one, Kind.VELOCITY, units) for one in (rate, low, high))
        message = f"burn rate of {told}"
        yield Finding(source, "implausible", message, f"{least} to {most}", SLIP)


def told_in(value: float, kind: Kind, units: str, digits: int = 4) -> str:
    """A value in SI with its unit, as a reader of `units` sees it."""
    unit = next(one for one in units_shown(units).values() if one.kind is kind)
    number = f"{float(f'{from_si(value, unit):.{digits}g}'):.15g}"
    return f"{number} {unit.symbol.replace('cm3', 'cm³').replace('in3', 'in³')}"
