"""Physics that reduction and forecast share: grains, chambers and nozzles, in SI units."""

from __future__ import annotations

from strandwise.motor.chamber import HIGHEST_PRESSURE, steady_pressures
from strandwise.motor.erosion import ErosiveBurning
from strandwise.motor.grain import (
    burning_area,
    burnout_depth,
    port_area,
    propellant_mass,
    propellant_volume,
    web,
)
from strandwise.motor.nozzle import (
    Nozzle,
    exit_pressure_ratio,
    flow_separates,
    optimum_thrust_coefficient,
    pressure_from_thrust,
    thrust_coefficient,
)
from strandwise.motor.offset_core import offset_core_area_table
from strandwise.motor.shapes import (
    FACES,
    AreaTable,
    EndBurner,
    Grain,
    HollowCylinder,
    MultiCore,
    burning_ends,
)
from strandwise.motor.size_error import SizeError

__all__ = [
    "FACES",
    "HIGHEST_PRESSURE",
    "AreaTable",
    "EndBurner",
    "ErosiveBurning",
    "Grain",
    "HollowCylinder",
    "MultiCore",
    "Nozzle",
    "SizeError",
    "burning_area",
    "burning_ends",
    "burnout_depth",
    "exit_pressure_ratio",
    "flow_separates",
    "offset_core_area_table",
    "optimum_thrust_coefficient",
    "port_area",
    "pressure_from_thrust",
    "propellant_mass",
    "propellant_volume",
    "steady_pressures",
    "thrust_coefficient",
    "web",
]
