"""Standard uncertainties taken where a record states none, and the values assumed with them.

Each is a guess at what a careful amateur's reading is worth (common practice, no source, where no
other is named); whoever states an uncertainty in the record is not judged by these.
"""

from __future__ import annotations

__all__ = [
    "AMBIENT_RECORDED_SD",
    "AMBIENT_UNRECORDED_SD",
    "ASSUMED_EFFICIENCY",
    "ASSUMED_EFFICIENCY_SD",
    "ASSUMED_GAMMA",
    "DENSITY_SD",
    "DIAMETER_SD",
    "FREE_VOLUME_SD",
    "GAMMA_SD",
    "HAND_READING_SD",
    "HAND_TIME_SD",
    "IGNITER_SD",
    "LENGTH_SD",
    "MASS_SD",
    "MEAN_OF_PEAK",
    "OFF_CENTRE_SD",
    "SENSOR_SD",
    "SEPARATED_SD",
    "STATED_EFFICIENCY_SD",
    "STATED_FREE_VOLUME_SD",
    "STATED_GAMMA_SD",
    "STATED_IGNITER_SD",
    "SUBSONIC_SD",
    "THROAT_SD",
    "THROAT_WEAR_BY_PRESSURE",
    "UNKNOWN_ANGLE_SD",
    "ZERO_SD",
]

DIAMETER_SD = 0.2e-3
"""m, outer and core diameter of a grain: a caliper on a cast, slightly oval piece."""

LENGTH_SD = 0.3e-3
"""m, length of one segment."""

OFF_CENTRE_SD = 0.14e-3
"""m, of the web where a core is: it is not quite centred. With both diameters: 0.2 mm of web."""

THROAT_SD = 0.05e-3
"""m, a caliper in a bore."""

THROAT_WEAR_BY_PRESSURE = (0.5, 0.29)
"""Share of the throat's wear that goes with ∫ p dt, the rest going with time: anything from none to
all is as likely (rectangular: GUM 4.3.7)."""

MASS_SD = (0.5e-3, 0.002)
"""kg, and share of the propellant's mass; the larger: a kitchen scale."""

DENSITY_SD = 0.01
"""Share of a density, where the mass follows from it."""

SENSOR_SD = 0.01
"""Share of a reading, where no calibration says it."""

ZERO_SD = 0.005
"""Share of the peak, where a trace does not show its zero."""

AMBIENT_RECORDED_SD = 500.0
"""Pa, where ambient pressure or altitude is recorded: the weather."""

AMBIENT_UNRECORDED_SD = 8.0e3
"""Pa, where nothing is recorded: sea level to about 1500 m."""

ASSUMED_GAMMA = 1.13
"""Ratio of specific heats where none is given."""

GAMMA_SD = 0.05
"""Of an assumed ratio of specific heats."""

STATED_GAMMA_SD = 0.01
"""Of a given ratio of specific heats."""

ASSUMED_EFFICIENCY = 0.95
"""Delivered over ideal thrust coefficient: middle of 0.92–0.98, NASA SP-8039 p. 32."""

ASSUMED_EFFICIENCY_SD = 0.03
"""Wider than that range: nozzles turned by hand."""

STATED_EFFICIENCY_SD = 0.02
"""Of an efficiency that is given."""

SEPARATED_SD = 0.05
"""Share of the thrust coefficient where the flow has left the wall."""

SUBSONIC_SD = 0.10
"""Share of the thrust coefficient where the throat is not choked."""

UNKNOWN_ANGLE_SD = 0.01
"""Share of the thrust coefficient, half-angles of 0 to 20°."""

FREE_VOLUME_SD = 0.5
"""Share of a chamber's free volume, of which the record says only the core."""

STATED_FREE_VOLUME_SD = 0.05
"""Share of a free volume that is given."""

IGNITER_SD = (0.1e-3, 0.002)
"""kg, and share of the propellant's mass; the larger: gas of an igniter, which the mass balance
counts as the propellant's, where its mass is not recorded."""

STATED_IGNITER_SD = 0.3
"""Share of an igniter's recorded mass: part of it stays as residue, part burns before the rise."""

HAND_TIME_SD = (0.1, 0.05)
"""s, and share of a burn time read by hand; the larger."""

HAND_READING_SD = 0.05
"""Share of a mean read by hand."""

MEAN_OF_PEAK = (0.8, 0.4 / 12.0**0.5)
"""Mean over peak and its standard uncertainty: 0.6 to 1, uniform."""
