"""How even a grain burns, and what would make both ends of its burn alike."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.motor import HollowCylinder, burning_area, web

if TYPE_CHECKING:
    from strandwise.motor import Grain

__all__ = ["NeutralGrain", "neutral_grain"]


@dataclass(frozen=True, kw_only=True, slots=True)
class NeutralGrain:
    """How even a grain burns, and which length or core would make both ends of the burn alike.

    Parameters
    ----------
    spread
        Highest over lowest burning area within the web.
    start_to_end
        Burning area at the start over that at burnout.
    segment_length
        Of a segment with the same diameters that ends as it starts, (3D + d)/2, m; None where the
        shape has none.
    core_diameter
        That would do the same with the length as it is, 2L − 3D, m; None where there is none, or
        where its port is no wider than the throat, so that the gas would choke in it.
    choking_core
        The same where the gas would choke in it, m; else None.
    core_port_to_throat
        Area of either's port over that of the throat; None without a throat or without either.
    """

    spread: float
    start_to_end: float
    segment_length: float | None
    core_diameter: float | None
    choking_core: float | None = None
    core_port_to_throat: float | None = None


def neutral_grain(grain: Grain, throat_diameter: float | None = None) -> NeutralGrain:
    """Judge how even a grain burns.

    A cylinder that burns at core and both ends starts and ends with the same area where
    L = (3D + d)/2; between the two the area rises (from memory; checked in the tests), so that
    neutral is meant roughly.

    Parameters
    ----------
    grain
        As drawn.
    throat_diameter
        Widest that it may burn with, m; None: a core is not held against it. Gas that flows
        through a port narrower than the throat is at the speed of sound in the port (Sutton and
        Biblarz, from memory).
    """
    # At the burnout itself an area may fall to nothing at once; just before it counts.
    depth = np.linspace(0.0, web(grain) * (1.0 - 1e-9), 401)
    area = burning_area(grain, depth)
    lowest = float(area.min())
    length = core = choking = ratio = None
    if isinstance(grain, HollowCylinder) and grain.inhibited == {"outer"}:
        length = (3.0 * grain.outer_diameter + grain.core_diameter) / 2.0
        own = float(np.mean(grain.segment_lengths))
        wanted = 2.0 * own - 3.0 * grain.outer_diameter
        core = wanted if 0.0 < wanted < grain.outer_diameter else None
    if core is not None and throat_diameter is not None:
        ratio = (core / throat_diameter) ** 2
        if ratio <= 1.0:
            core, choking = None, core
    return NeutralGrain(
        spread=float(area.max()) / lowest if lowest > 0.0 else math.inf,
        start_to_end=float(area[0] / area[-1]) if area[-1] > 0.0 else math.inf,
        segment_length=length,
        core_diameter=core,
        choking_core=choking,
        core_port_to_throat=ratio,
    )
