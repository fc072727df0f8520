"""What the sizes in a firing's record come to, for a person to look at before it is kept."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.formulation import resolve_recipes, void_free_density
from strandwise.motor import burning_area, port_area, propellant_volume, web
from strandwise.records import grain_density, initial_kn

if TYPE_CHECKING:
    from strandwise.records import Campaign, Firing

__all__ = ["FiringSizes", "sizes_of_firing", "void_free_density_of_batch"]


@dataclass(frozen=True, kw_only=True, slots=True)
class FiringSizes:
    """Sizes before the burn, SI; None where the record does not allow one.

    Parameters
    ----------
    web
        m.
    port, burning_area, throat_area
        m².
    kn
        Burning over throat area, 1.
    volume
        Of the propellant, m³.
    density
        Weighed mass over volume, kg/m³.
    void_free_density
        Of the recipe, kg/m³.
    """

    web: float
    port: float | None
    burning_area: float
    throat_area: float | None
    kn: float | None
    volume: float
    density: float | None
    void_free_density: float | None


def sizes_of_firing(firing: Firing, void_free: float | None) -> FiringSizes:
    """Work out the sizes of a firing's grain and nozzle.

    Parameters
    ----------
    firing
        The record.
    void_free
        Density of its recipe without voids, kg/m³; None where not known.
    """
    # The port of an offset core is that of the same core on the axis.
    cored = firing.grain if firing.offset_core is None else firing.offset_core.cylinder
    port = port_area(cored)
    nozzle = firing.nozzle
    return FiringSizes(
        web=web(firing.grain),
        port=None if port is None else float(port),
        burning_area=float(burning_area(firing.grain, 0.0)),
        throat_area=None if nozzle is None else math.pi / 4.0 * nozzle.throat_diameter**2,
        kn=initial_kn(firing),
        volume=float(propellant_volume(firing.grain)),
        density=grain_density(firing),
        void_free_density=void_free,
    )


def void_free_density_of_batch(campaign: Campaign, batch: str) -> float | None:
    """Density without voids of the recipe that a batch was mixed from, kg/m³; None: not known."""
    mixed = campaign.batches.get(batch)
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    recipe = None if mixed is None else recipes.get(mixed.formulation)
    return None if recipe is None else void_free_density(recipe, campaign.ingredients)
