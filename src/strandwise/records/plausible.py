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

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from strandwise.findings import Source
    from strandwise.records.field import Field
    from strandwise.records.model import Batch, Firing

__all__ = [
    "PLAUSIBLE_KN",
    "PLAUSIBLE_RATE",
    "grain_density",
    "implausible",
    "implausible_firing",
    "initial_kn",
]

_SHAPES = {
    HollowCylinder: "hollow-cylinder",
    MultiCore: "multi-core",
    EndBurner: "end-burner",
    AreaTable: "area-table",
}
_SLIP = "look for a slip of the unit or of the decimal point"

PLAUSIBLE_RATE = (1e-4, 0.1)
"""Burn rates that a strand or small motor may show, m/s; common practice, no source."""

PLAUSIBLE_KN = (10.0, 2000.0)
"""Burning over throat area as the motor lights; common practice, no source."""

# Castings hold air and do not exceed the density without it by more than they are misread.
_DENSITY_MISREAD = 1.03
_LEAST_DENSITY = 0.7  # of the void-free one: less is another slip than air in the casting


def implausible(record: Batch | StrandReading, fields: Sequence[Field]) -> Iterator[Finding]:
    """Findings on the values of a record that lie outside what its fields call plausible."""
    yield from _unlikely_values(record, fields, record.source)
    if isinstance(record, StrandReading):
        time = record.time
        if time is None and record.frames and record.frame_rate:
            time = record.frames / record.frame_rate
        if time:
            yield from _unlikely_rate(record.length / time, record.source)


def implausible_firing(firing: Firing, void_free_density: float | None = None) -> Iterator[Finding]:
    """Findings on a firing's sizes, density, Kn, hand readings and burn rate that are not likely.

    Parameters
    ----------
    firing
        The record.
    void_free_density
        Of its batch's recipe, kg/m³; None where not known.
    """
    source = firing.source
    measured = firing.grain if firing.offset_core is None else firing.offset_core.cylinder
    shape = _SHAPES[type(measured)]
    yield from _unlikely_values(firing, FIRING_FIELDS, source)
    sizes = list(_unlikely_values(measured, GRAIN_FIELDS[shape], source, "grain"))
    # What follows from a size that is not likely itself is no second finding.
    yield from sizes or _unlikely_density(firing, void_free_density)
    if firing.nozzle is not None:
        throat = list(_unlikely_values(firing.nozzle, NOZZLE_FIELDS, source, "nozzle"))
        yield from throat if sizes or throat else _unlikely_throat(firing)
    if firing.summary is not None:
        yield from _unlikely_values(firing.summary, SUMMARY_FIELDS, source, "summary")
        yield from _unlikely_rate(web(firing.grain) / firing.summary.burn_time, source)


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


def _unlikely_density(firing: Firing, void_free: float | None) -> Iterator[Finding]:
    found = grain_density(firing)
    stated = firing.grain.density
    key, what, density = "grain.mass", "a density of", found
    if found is None:
        key, what, density = "grain.density", "a stated density of", stated
    if density is None:
        return
    if void_free is None:
        low, high = 800.0, 3000.0
        expected = f"{low / 1e3:g} to {high / 1e3:g} g/cm³"
    else:
        low, high = _LEAST_DENSITY * void_free, _DENSITY_MISREAD * void_free
        expected = f"no more than the recipe's {void_free / 1e3:.3f} g/cm³ without voids"
        if density < low:
            expected = f"at least {low / 1e3:.3g} g/cm³, of {void_free / 1e3:.3f} without voids"
    if not low <= density <= high:
        message = f"{what} {density / 1e3:.4g} g/cm³"
        if found is not None:
            message = f"mass and sizes of the grain make {message}"
        hint = "look for a slip in the sizes, the number of segments, the mass or the recipe"
        yield Finding(at_field(firing.source, key), "implausible", message, expected, hint)


def _unlikely_throat(firing: Firing) -> Iterator[Finding]:
    assert firing.nozzle is not None
    measured = firing.grain if firing.offset_core is None else firing.offset_core.cylinder
    outer = getattr(measured, "outer_diameter", getattr(measured, "diameter", None))
    throat = firing.nozzle.throat_diameter
    place = at_field(firing.source, "nozzle.throat_diameter")
    kn = initial_kn(firing)
    low, high = PLAUSIBLE_KN
    if outer is not None and throat >= outer:
        message = f"throat diameter of {throat * 1e3:.4g} mm in a motor of a grain as wide as "
        expected = "a throat narrower than the grain"
        yield Finding(place, "implausible", f"{message}{outer * 1e3:.4g} mm", expected, _SLIP)
    elif kn is not None and not low <= kn <= high:
        message = f"throat diameter of {throat * 1e3:.4g} mm, which makes Kn {kn:.4g}"
        yield Finding(place, "implausible", message, f"Kn of {low:g} to {high:g}", _SLIP)


def _unlikely_values(
    record: object, fields: Sequence[Field], source: Source, table: str = ""
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
                    f"{field.name.replace('_', ' ')} of {field.shown(one)}",
                    f"{field.shown(low)} to {field.shown(high)}",
                    _SLIP,
                )


def _unlikely_rate(rate: float, source: Source) -> Iterator[Finding]:
    low, high = PLAUSIBLE_RATE
    if not low <= rate <= high:
        yield Finding(
            source,
            "implausible",
            f"burn rate of {rate * 1e3:.4g} mm/s",
            f"{low * 1e3:g} to {high * 1e3:g} mm/s",
            _SLIP,
        )
