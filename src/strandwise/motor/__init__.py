"""Physics that reduction and forecast share: grains and nozzles, in SI units."""

from __future__ import annotations

from strandwise.motor.grain import (
    FACES,
    AreaTable,
    EndBurner,
    Grain,
    HollowCylinder,
    burning_area,
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

__all__ = [
    "FACES",
    "AreaTable",
    "EndBurner",
    "Grain",
    "HollowCylinder",
    "Nozzle",
    "burning_area",
    "exit_pressure_ratio",
    "flow_separates",
    "optimum_thrust_coefficient",
    "port_area",
    "pressure_from_thrust",
    "propellant_mass",
    "propellant_volume",
    "thrust_coefficient",
    "web",
]
