"""The records of a campaign as frozen dataclasses; SI units, absolute pressures.

A field that the files may leave out is None. Every record knows its place (`source`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping
    from pathlib import Path

    from strandwise.findings import Source
    from strandwise.formulation import FormulationSpec, Ingredient
    from strandwise.motor import Grain, HollowCylinder, Nozzle

__all__ = [
    "Batch",
    "Campaign",
    "Channel",
    "EventOverrides",
    "Firing",
    "Gas",
    "GrainUncertainty",
    "Instrument",
    "OffsetCore",
    "ReadingUncertainty",
    "Settings",
    "StrandReading",
    "Summary",
    "TraceSpec",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class Gas:
    """Combustion gas as a nozzle sees it.

    Parameters
    ----------
    characteristic_velocity
        c*, m/s.
    specific_heat_ratio
        γ, 1.
    """

    characteristic_velocity: float | None = None
    specific_heat_ratio: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingUncertainty:
    """How well a campaign's hand readings are known where a row does not say it.

    The `*_sd` are standard uncertainties; the `*_resolution` are the smallest steps that the
    instrument shows, taken as uniform over one step (standard uncertainty: step / √12). SI units.
    """

    length_sd: float | None = None
    time_sd: float | None = None
    pressure_sd: float | None = None
    length_resolution: float | None = None
    time_resolution: float | None = None
    pressure_resolution: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Settings:
    """What `campaign.toml` says.

    Parameters
    ----------
    title
        For people.
    baseline
        Formulation that the others are compared with.
    format
        Version of the campaign's files; None: of the time before it was written down.
    reference_pressure
        Absolute pressure at which rates are quoted, Pa; None: chosen inside the data.
    ambient_pressure
        Pa, as given or from the altitude; None where neither is given.
    pressure_readings
        What a pressure unit without a zero of its own means.
    readings_stated
        Whether the file says so.
    units
        What people see, as `strandwise.units.parse_unit_choice` keeps it: ``metric``,
        ``inch-pound`` or ``mixed``, and units that differ from it.
    """

    title: str
    baseline: str
    format: int | None = None
    reference_pressure: float | None = None
    ambient_pressure: float | None = None
    pressure_readings: Literal["absolute", "gauge"] = "absolute"
    readings_stated: bool = False
    units: str = "metric"
    notes: str = ""
    uncertainty: ReadingUncertainty = field(default_factory=ReadingUncertainty)
    gas: Gas = field(default_factory=Gas)


@dataclass(frozen=True, kw_only=True, slots=True)
class Batch:
    """One mix of a formulation.

    Parameters
    ----------
    batch, formulation, mixed
        Names, and the day of mixing.
    mass
        kg.
    density, density_sd
        Of the cast propellant as measured, kg/m³, and its standard uncertainty.
    process, process_temperature
        How it was made, and the highest temperature of the mix meanwhile, K.
    sample_mass, sample_volume
        Of a cast sample from which the density follows, kg and m³, with standard uncertainties.
    weighings
        What was really weighed in, as `strandwise.formulation.parse_weighings` reads it.
    particle_size, cooling, cure
        For people.
    cook_time, hold_time
        For which it was heated, and held hot before casting, s.
    """

    batch: str
    formulation: str
    mixed: dt.date | None = None
    mass: float | None = None
    density: float | None = None
    process: str = ""
    process_temperature: float | None = None
    density_sd: float | None = None
    sample_mass: float | None = None
    sample_mass_sd: float | None = None
    sample_volume: float | None = None
    sample_volume_sd: float | None = None
    weighings: str = ""
    particle_size: str = ""
    cook_time: float | None = None
    hold_time: float | None = None
    cooling: str = ""
    cure: str = ""
    notes: str = ""
    source: Source

    @property
    def measured_density(self) -> float | None:
        """Density as stated, else of the sample, kg/m³; None where neither was measured."""
        if self.density is not None:
            return self.density
        if self.sample_mass is None or self.sample_volume is None:
            return None
        return self.sample_mass / self.sample_volume


@dataclass(frozen=True, kw_only=True, slots=True)
class StrandReading:
    """One row of `strands.csv`: a length burnt and the time it took.

    Several readings share a `test` where one strand carries several timing wires; each is then
    a section of the strand with its own length and time.

    Parameters
    ----------
    length, time
        m, s. `time` is None where frames were counted.
    frames, frame_rate
        Count and 1/s.
    pressure, pressure_end
        Absolute pressure at the start and, in a closed vessel, at the end, Pa.
    temperature
        Of the propellant before the burn, K.
    length_sd, time_sd, pressure_sd
        Standard uncertainties as stated in the row, SI.
    exclude
        Reason why the test takes no part in fits; empty where it does.
    """

    test: str
    batch: str
    length: float
    time: float | None = None
    frames: float | None = None
    frame_rate: float | None = None
    pressure: float
    pressure_end: float | None = None
    date: dt.date | None = None
    temperature: float | None = None
    length_sd: float | None = None
    time_sd: float | None = None
    pressure_sd: float | None = None
    exclude: str = ""
    notes: str = ""
    source: Source


@dataclass(frozen=True, kw_only=True, slots=True)
class Instrument:
    """A gauge, cell or amplifier whose readings a calibration turns into SI.

    Parameters
    ----------
    name, kind
        Key in `instruments.toml`; ``load-cell`` or ``pressure-transducer``.
    reading_unit
        ``count``, ``V`` or ``mV``.
    readings, loads
        The calibration table: what was read (in `reading_unit`) and what was applied
        (N, or absolute Pa), at least two pairs.
    resolution
        Smallest step in SI of the load; None where not stated.
    """

    name: str
    kind: Literal["load-cell", "pressure-transducer"]
    reading_unit: str
    readings: tuple[float, ...]
    loads: tuple[float, ...]
    resolution: float | None = None
    source: Source


@dataclass(frozen=True, kw_only=True, slots=True)
class Channel:
    """One column of a raw logger file.

    Parameters
    ----------
    column
        Heading as the file writes it, or the column's number counted from 1.
    unit
        As written (`ms`, `psig`, `gf`, `count`, …).
    scale, offset
        SI = reading · scale + offset, absolute pressures included; both None for a channel that
        only an instrument can turn into SI.
    instrument
        Whose calibration applies; None where `unit` is physical.
    file
        Own file of this channel; None where it is the trace's.
    time
        Own clock of this channel; None where it is the trace's.
    sample_rate
        1/s, where there is no clock column.
    sha256
        Digest of its own file, lower-case hex; None where none was kept, or without such a file.
    """

    column: str | int
    unit: str
    scale: float | None = None
    offset: float | None = None
    instrument: Instrument | None = None
    file: Path | None = None
    time: Channel | None = None
    sample_rate: float | None = None
    sha256: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class TraceSpec:
    """Where a firing's raw trace is and what its columns mean.

    Parameters
    ----------
    file
        Path on disk, inside the bench folder.
    sha256
        Digest kept since the trace was logged, lower-case hex; None where none was kept.
    time
        Clock channel (scale to s); None where `sample_rate` is given.
    sample_rate
        1/s.
    pressure, thrust
        At least one.
    """

    file: Path
    sha256: str | None = None
    time: Channel | None = None
    sample_rate: float | None = None
    pressure: Channel | None = None
    thrust: Channel | None = None

    @property
    def channels(self) -> dict[str, Channel]:
        """Those that there are, by ``pressure`` and ``thrust``."""
        both = {"pressure": self.pressure, "thrust": self.thrust}
        return {name: channel for name, channel in both.items() if channel is not None}


@dataclass(frozen=True, kw_only=True, slots=True)
class Summary:
    """What was read by hand from a firing: s, N, absolute Pa, and standard uncertainties."""

    burn_time: float
    mean_thrust: float | None = None
    peak_thrust: float | None = None
    mean_pressure: float | None = None
    peak_pressure: float | None = None
    burn_time_sd: float | None = None
    mean_thrust_sd: float | None = None
    mean_pressure_sd: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class EventOverrides:
    """Instants on the trace's own clock that a person set, s; None: found by rule."""

    ignition: float | None = None
    web_burnout: float | None = None
    end: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class GrainUncertainty:
    """Standard uncertainties of a grain's readings as its record states them, SI.

    None: not stated, and left to what a careful reading is worth. `length_sd` is of the length
    of one segment.
    """

    outer_diameter_sd: float | None = None
    core_diameter_sd: float | None = None
    length_sd: float | None = None
    mass_sd: float | None = None
    density_sd: float | None = None


@dataclass(frozen=True, slots=True)
class OffsetCore:
    """A hollow cylinder whose core was found off its axis, as measured.

    Parameters
    ----------
    cylinder
        The grain as it would be with the core on the axis.
    offset
        Between the two axes, m.
    """

    cylinder: HollowCylinder
    offset: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Firing:
    """One motor firing; the file's name is the test's name.

    Parameters
    ----------
    grain
        Of an offset core: its exact burning areas as a table.
    grain_uncertainty
        As stated.
    offset_core
        What the table of an offset core came from; None for every other grain.
    free_volume
        Of the chamber before the burn, m³; None where not stated.
    igniter_mass
        Of what the igniter burns, kg; None where not stated.
    """

    test: str
    batch: str
    grain: Grain
    nozzle: Nozzle | None = None
    trace: TraceSpec | None = None
    summary: Summary | None = None
    events: EventOverrides = field(default_factory=EventOverrides)
    grain_uncertainty: GrainUncertainty = field(default_factory=GrainUncertainty)
    offset_core: OffsetCore | None = None
    free_volume: float | None = None
    gas: Gas = field(default_factory=Gas)
    date: dt.date | None = None
    temperature: float | None = None
    ambient_pressure: float | None = None
    igniter_mass: float | None = None
    exclude: str = ""
    notes: str = ""
    source: Source


@dataclass(frozen=True, kw_only=True, slots=True)
class Campaign:
    """A whole campaign as read; keys of the mappings are the records' own names."""

    name: str
    path: Path
    settings: Settings
    ingredients: Mapping[str, Ingredient]
    formulations: Mapping[str, FormulationSpec]
    batches: Mapping[str, Batch]
    strands: tuple[StrandReading, ...]
    firings: tuple[Firing, ...]
    instruments: Mapping[str, Instrument]
