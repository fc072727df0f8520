"""Every field of every record: its form, unit, range and meaning, in one table each.

The tables drive the reading, the checks, the options and questions of `log`, and the headings of
new files, so that a field is described once. Those of a firing are in `firing_fields`.
"""

from __future__ import annotations

from strandwise.records.field import (
    Field,
    length_field,
    pressure_field,
    sd_field,
    temperature_field,
)
from strandwise.units import Kind

__all__ = [
    "BATCH_FIELDS",
    "DATE_FIELD",
    "EXCLUDE_FIELD",
    "FORMAT",
    "NOTES_FIELD",
    "SETTINGS_FIELDS",
    "STRAND_FIELDS",
    "TEMPERATURE_FIELD",
    "TEST_FIELD",
    "UNCERTAINTY_FIELDS",
]


def _name(name: str, help: str) -> Field:
    return Field(name=name, help=help, form="name", required=True)


TEST_FIELD = _name("test", "name of the test")
NOTES_FIELD = Field(name="notes", help="whatever should be remembered", form="text")
EXCLUDE_FIELD = Field(
    name="exclude",
    help="reason why the test takes no part in fits (it stays in the files and is shown)",
    form="text",
)
DATE_FIELD = Field(name="date", help="day of the test, year-month-day", form="date")
TEMPERATURE_FIELD = temperature_field("temperature", "of the propellant before the burn")

_DENSITY = Field(
    name="density",
    help="measured density of the cast propellant",
    kind=Kind.DENSITY,
    metric="g/cm3",
    inch_pound="lb/in3",
    above=0.0,
    plausible=(800.0, 3000.0),
)
_SAMPLE_MASS = Field(
    name="sample_mass",
    help="mass of a cast sample, for its density",
    kind=Kind.MASS,
    metric="g",
    inch_pound="lb",
    above=0.0,
    plausible=(1e-4, 10.0),
)
_SAMPLE_VOLUME = Field(
    name="sample_volume",
    help="volume of that sample, from its sizes or the water that it displaces",
    kind=Kind.VOLUME,
    metric="cm3",
    inch_pound="in3",
    above=0.0,
    plausible=(1e-7, 1e-2),
)


def _minutes(name: str, help: str) -> Field:
    return Field(
        name=name,
        help=help,
        kind=Kind.TIME,
        metric="min",
        inch_pound="min",
        at_least=0.0,
        plausible=(10.0, 86400.0),
    )


BATCH_FIELDS = (
    _name("batch", "name of the batch"),
    _name("formulation", "formulation it was mixed from"),
    Field(name="mixed", help="day of mixing, year-month-day", form="date"),
    Field(
        name="mass",
        help="mass of the batch",
        kind=Kind.MASS,
        metric="g",
        inch_pound="lb",
        above=0.0,
        plausible=(1e-3, 1e3),
    ),
    _DENSITY,
    Field(name="process", help="how it was made: melted, recrystallised, pressed, …", form="text"),
    temperature_field(
        "process_temperature", "highest temperature of the mix while it was made", 573.15
    ),
    NOTES_FIELD,
    sd_field(_DENSITY),
    _SAMPLE_MASS,
    sd_field(_SAMPLE_MASS),
    _SAMPLE_VOLUME,
    sd_field(_SAMPLE_VOLUME),
    Field(
        name="weighings",
        help='what was really weighed in: "sorbitol 157.6 g, starch 31 g with 9 % water, …"',
        form="text",
    ),
    Field(name="particle_size", help="of the powders: sieve, or how they were ground", form="text"),
    _minutes("cook_time", "time for which the mix was heated"),
    _minutes("hold_time", "time for which it was held hot before casting"),
    Field(name="cooling", help="how it cooled: in air, in the oven, …", form="text"),
    Field(name="cure", help="how it cured or dried, and for how long", form="text"),
)

_STRAND_LENGTH = length_field(
    "length", "length burnt between the two marks or wires", required=True, plausible=(2e-3, 1.0)
)
_STRAND_TIME = Field(
    name="time",
    help="time that the length took (or give frames and frame_rate)",
    kind=Kind.TIME,
    metric="s",
    inch_pound="s",
    above=0.0,
    plausible=(0.05, 900.0),
)
_STRAND_PRESSURE = pressure_field("pressure", "pressure around the strand", required=True)

STRAND_FIELDS = (
    TEST_FIELD,
    _name("batch", "batch that the strand was cut or cast from"),
    _STRAND_LENGTH,
    _STRAND_TIME,
    Field(
        name="frames",
        help="video frames between the marks, in place of a time",
        form="number",
        above=0.0,
        plausible=(2.0, 1e6),
    ),
    Field(
        name="frame_rate",
        help="frames per second of the camera",
        kind=Kind.FREQUENCY,
        metric="1/s",
        inch_pound="1/s",
        above=0.0,
        plausible=(5.0, 1e5),
    ),
    _STRAND_PRESSURE,
    pressure_field("pressure_end", "pressure when the burn ended, in a closed vessel"),
    DATE_FIELD,
    TEMPERATURE_FIELD,
    sd_field(_STRAND_LENGTH),
    sd_field(_STRAND_TIME),
    sd_field(_STRAND_PRESSURE),
    EXCLUDE_FIELD,
    NOTES_FIELD,
)

UNCERTAINTY_FIELDS = tuple(
    Field(name=f"{reading.name}_{suffix}", help=help, kind=reading.kind, above=0.0)
    for suffix, help in (
        ("sd", "standard uncertainty of such readings where a row states none"),
        ("resolution", "smallest step the instrument shows"),
    )
    for reading in (_STRAND_LENGTH, _STRAND_TIME, _STRAND_PRESSURE)
)

FORMAT = 1
"""Version of the files of a campaign that `new` writes, and the highest that is read.

A campaign that states none is of the time before the version was written down, and is read as
version 1: nothing in it has another meaning.
"""

SETTINGS_FIELDS = (
    Field(
        name="format",
        help="version of the campaign's files",
        form="integer",
        at_least=1,
        at_most=FORMAT,
    ),
    Field(name="title", help="title of the campaign", form="text", required=True),
    Field(
        name="baseline",
        help="formulation that the others are compared with",
        form="name",
        required=True,
    ),
    pressure_field("reference_pressure", "absolute pressure at which rates are quoted"),
    pressure_field(
        "ambient_pressure", "pressure of the air at the bench, absolute", plausible=(5e4, 1.1e5)
    ),
    Field(
        name="altitude",
        help="height of the bench above the sea, where no ambient pressure is given",
        kind=Kind.LENGTH,
        metric="m",
        inch_pound="ft",
        at_least=-500.0,
        at_most=11000.0,
    ),
    Field(
        name="pressure_readings",
        help="what a pressure unit without a zero of its own counts from",
        form="choice",
        choices=("absolute", "gauge"),
    ),
    Field(
        name="units",
        help="units that people see",
        form="units",
    ),
    NOTES_FIELD,
)
