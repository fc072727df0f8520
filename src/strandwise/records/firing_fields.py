"""Every field of a firing's file, in one table for each of its own tables."""

from __future__ import annotations

from dataclasses import replace

from strandwise.records.field import Field, length_field, pressure_field, sd_field
from strandwise.records.fields import DATE_FIELD, EXCLUDE_FIELD, NOTES_FIELD, TEMPERATURE_FIELD
from strandwise.units import Kind

__all__ = [
    "EVENT_FIELDS",
    "FIRING_FIELDS",
    "FIRING_TABLES",
    "GAS_FIELDS",
    "GRAIN_FIELDS",
    "NOZZLE_FIELDS",
    "SUMMARY_FIELDS",
]

GAS_FIELDS = (
    Field(
        name="characteristic_velocity",
        help="delivered characteristic velocity c*",
        kind=Kind.VELOCITY,
        above=0.0,
        plausible=(300.0, 2500.0),
    ),
    Field(
        name="specific_heat_ratio",
        help="ratio of specific heats γ of the gas (with its condensed part)",
        form="number",
        above=1.0,
        at_most=5.0 / 3.0,
    ),
)

_MASS = Field(
    name="mass",
    help="mass of propellant in the motor",
    kind=Kind.MASS,
    metric="g",
    inch_pound="lb",
    above=0.0,
    plausible=(1e-3, 100.0),
)
_DENSITY = Field(
    name="density",
    help="density of the propellant",
    kind=Kind.DENSITY,
    metric="g/cm3",
    inch_pound="lb/in3",
    above=0.0,
    plausible=(800.0, 3000.0),
)
_GRAIN_COMMON = (
    _MASS,
    _DENSITY,
    Field(
        name="free_volume",
        help="of the chamber before the burn: cores, gaps and dead space",
        kind=Kind.VOLUME,
        metric="cm3",
        inch_pound="in3",
        above=0.0,
        plausible=(1e-7, 0.1),
    ),
    sd_field(_MASS),
    sd_field(_DENSITY),
)
_OUTER = length_field("outer_diameter", "of the grain", required=True, plausible=(5e-3, 0.5))
_CORE = length_field("core_diameter", "of the bore", required=True, plausible=(1e-3, 0.4))
_LENGTH = length_field("length", "of one segment", required=True, plausible=(5e-3, 2.0))
_SEGMENTED = (
    replace(_LENGTH, instead="lengths"),
    Field(
        name="lengths",
        help='of each segment where they differ: "60 mm, 75 mm"',
        form="quantities",
        kind=Kind.LENGTH,
        metric="mm",
        inch_pound="in",
        above=0.0,
        plausible=(5e-3, 2.0),
    ),
    Field(
        name="segments", help="number of equal segments", form="integer", at_least=1, at_most=100
    ),
)
_BORED_SD = (sd_field(_OUTER), sd_field(_CORE), sd_field(_LENGTH))

# By shape; `inhibited` is a list of faces and is read beside these.
GRAIN_FIELDS: dict[str, tuple[Field, ...]] = {
    "hollow-cylinder": (
        _OUTER,
        _CORE,
        *_SEGMENTED,
        length_field(
            "core_offset",
            "of the core's axis from the grain's",
            above=None,
            at_least=0.0,
        ),
        *_GRAIN_COMMON,
        *_BORED_SD,
    ),
    "multi-core": (
        _OUTER,
        replace(_CORE, help="of each core on the circle"),
        Field(
            name="cores",
            help="number of cores, evenly on a circle",
            form="integer",
            required=True,
            at_least=2,
            at_most=100,
        ),
        length_field(
            "circle_diameter",
            "of the circle through the cores' centres",
            required=True,
            plausible=(2e-3, 0.5),
        ),
        length_field(
            "central_core_diameter", "of a further core on the axis", plausible=(1e-3, 0.4)
        ),
        *_SEGMENTED,
        *_GRAIN_COMMON,
        *_BORED_SD,
    ),
    "end-burner": (
        _OUTER,
        replace(_LENGTH, help="of the grain"),
        *_GRAIN_COMMON,
        sd_field(_OUTER),
        sd_field(_LENGTH),
    ),
    "area-table": (
        Field(
            name="web",
            help='burnt depths: "0 mm, 2 mm, 6 mm"',
            form="quantities",
            kind=Kind.LENGTH,
            metric="mm",
            required=True,
            at_least=0.0,
        ),
        Field(
            name="area",
            help='burning area at each depth: "40 cm2, 42 cm2, 44 cm2"',
            form="quantities",
            kind=Kind.AREA,
            required=True,
            at_least=0.0,
        ),
        length_field("slivers_from", "burnt depth from which only slivers burn"),
        *_GRAIN_COMMON,
    ),
}

NOZZLE_FIELDS = (
    length_field(
        "throat_diameter", "of the nozzle before the burn", required=True, plausible=(1e-3, 0.2)
    ),
    length_field("throat_diameter_after", "of the nozzle after the burn", plausible=(1e-3, 0.2)),
    length_field("throat_diameter_sd", "standard uncertainty of the throat diameter"),
    length_field("exit_diameter", "of the nozzle", plausible=(1e-3, 0.5)),
    Field(
        name="divergence_half_angle",
        help="half angle of the cone behind the throat",
        kind=Kind.ANGLE,
        metric="deg",
        inch_pound="deg",
        at_least=0.0,
        at_most=1.5707,
    ),
    Field(
        name="efficiency",
        help="delivered over ideal thrust coefficient, divergence apart",
        form="number",
        above=0.0,
        at_most=1.1,
    ),
)

SUMMARY_FIELDS = (
    Field(
        name="burn_time",
        help="from ignition to the end of the web, read by hand",
        kind=Kind.TIME,
        required=True,
        above=0.0,
        plausible=(0.05, 120.0),
    ),
    Field(name="mean_thrust", help="mean over the burn", kind=Kind.FORCE, above=0.0),
    Field(name="peak_thrust", help="highest reading", kind=Kind.FORCE, above=0.0),
    pressure_field("mean_pressure", "mean over the burn"),
    pressure_field("peak_pressure", "highest reading"),
    Field(name="burn_time_sd", help="standard uncertainty", kind=Kind.TIME, above=0.0),
    Field(name="mean_thrust_sd", help="standard uncertainty", kind=Kind.FORCE, above=0.0),
    Field(name="mean_pressure_sd", help="standard uncertainty", kind=Kind.PRESSURE, above=0.0),
)

EVENT_FIELDS = tuple(
    Field(name=name, help=help, kind=Kind.TIME, bare="s")
    for name, help in (
        ("ignition", "instant of ignition on the trace's own clock"),
        ("web_burnout", "instant at which the web was burnt through"),
        ("end", "end of action"),
    )
)

FIRING_FIELDS = (
    Field(name="batch", help="batch that the grain was cast from", form="name", required=True),
    DATE_FIELD,
    TEMPERATURE_FIELD,
    pressure_field(
        "ambient_pressure",
        "pressure of the air on that day, where it differs from the campaign's",
        plausible=(5e4, 1.1e5),
    ),
    Field(
        name="igniter_mass",
        help="of what the igniter burns, beside the propellant's own mass",
        kind=Kind.MASS,
        metric="g",
        inch_pound="g",
        at_least=0.0,
        plausible=(2e-5, 0.05),
    ),
    EXCLUDE_FIELD,
    NOTES_FIELD,
)

FIRING_TABLES = {
    "grain": tuple(field for fields in GRAIN_FIELDS.values() for field in fields),
    "nozzle": NOZZLE_FIELDS,
    "summary": SUMMARY_FIELDS,
    "events": EVENT_FIELDS,
    "gas": GAS_FIELDS,
    "": FIRING_FIELDS,
}
"""Fields of a firing's file by table, the top of the file being ``""``."""
