"""Round bores in a round grain: what is left of the cross-section as they recede, exactly.

Every bore keeps its centre and grows by the burnt depth; where the outside burns too, the outer
circle shrinks by it. What is left is bounded by arcs of these circles alone, so its perimeter and
its area (Green's theorem, ½ ∮ x dy − y dx) are sums over arcs, before bores meet each other or
the wall as well as after, down to the last sliver.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["RoundBores", "bores_perimeter", "bores_section"]

_TURN = 2.0 * np.pi
# About one centre all of an edge burns out at once; at that depth it still counts, as it does
# for a hollow cylinder.
_TOUCHING = 1e-9


@dataclass(frozen=True, slots=True)
class RoundBores:
    """Circles of a cross-section before the burn, m.

    Parameters
    ----------
    outer_radius
        About the origin.
    centres
        (x, y) of each bore.
    radii
        Of each bore.
    outer_burns
        Whether the outer circle shrinks, or is a wall.
    counts
        How often each bore's own edge counts: 1 each, or, of bores that symmetry makes alike,
        their number for one of them and 0 for the others, which saves their arcs.
    """

    outer_radius: float
    centres: tuple[tuple[float, float], ...]
    radii: tuple[float, ...]
    outer_burns: bool
    counts: tuple[int, ...]


def bores_perimeter(bores: RoundBores, depth: Floats) -> Floats:
    """Return the length of burning edge at a burnt depth.

    Parameters
    ----------
    bores
        m.
    depth
        Burnt depth, m, 0 or more, of any shape.

    Returns
    -------
    ndarray
        m, of the shape of `depth`; 0 where nothing is left.
    """
    flat = np.ravel(depth)
    total = np.zeros_like(flat)
    for bore, count in enumerate(bores.counts):
        if count:
            starts, ends = _open_arcs_of_bore(bores, bore, flat)
            total += count * (bores.radii[bore] + flat) * np.sum(ends - starts, axis=0)
    if bores.outer_burns:
        starts, ends = _open_arcs_of_outside(bores, flat)
        total += np.maximum(bores.outer_radius - flat, 0.0) * np.sum(ends - starts, axis=0)
    return total.reshape(np.shape(depth))


def bores_section(bores: RoundBores, depth: Floats) -> Floats:
    """Return the cross-section of propellant that is left at a burnt depth.

    Parameters
    ----------
    bores
        m.
    depth
        Burnt depth, m, 0 or more, of any shape.

    Returns
    -------
    ndarray
        m², of the shape of `depth`; its derivative is minus `bores_perimeter`.
    """
    flat = np.ravel(depth)
    outer = _outer_radius(bores, flat)
    starts, ends = _open_arcs_of_outside(bores, flat)
    total = 0.5 * outer**2 * np.sum(ends - starts, axis=0)
    for bore, count in enumerate(bores.counts):
        if count:
            total -= count * _swept_by_bore(bores, bore, flat)
    # What is left may round to less than nothing where it is nothing.
    return np.asarray(np.maximum(total, 0.0).reshape(np.shape(depth)))


def _swept_by_bore(bores: RoundBores, bore: int, depth: Floats) -> Floats:
    """½ ∮ x dy − y dx along the open arcs of one bore."""
    x, y = bores.centres[bore]
    radius = bores.radii[bore] + depth
    starts, ends = _open_arcs_of_bore(bores, bore, depth)
    about_centre = radius * np.sum(ends - starts, axis=0)
    eastward = x * np.sum(np.sin(ends) - np.sin(starts), axis=0)
    northward = y * np.sum(np.cos(ends) - np.cos(starts), axis=0)
    return np.asarray(0.5 * radius * (about_centre + eastward - northward))


def _outer_radius(bores: RoundBores, depth: Floats) -> Floats:
    if bores.outer_burns:
        return np.maximum(bores.outer_radius - depth, 0.0)
    return np.full_like(depth, bores.outer_radius)


def _open_arcs_of_bore(bores: RoundBores, bore: int, depth: Floats) -> tuple[Floats, Floats]:
    """Arcs of one bore that lie in propellant: angles of start and end, shape (arcs, N)."""
    x, y = bores.centres[bore]
    radius = bores.radii[bore] + depth
    covers = []
    for other, ((u, v), start) in enumerate(zip(bores.centres, bores.radii, strict=True)):
        if other == bore:
            continue
        away = float(np.hypot(u - x, v - y))
        # A point at angle θ from the bearing of the other centre lies in the other bore where
        # cos θ exceeds this (law of cosines).
        least = (radius**2 + away**2 - (start + depth) ** 2) / (2.0 * radius * away)
        covers.append(_around(float(np.arctan2(v - y, u - x)), least))
    offset = float(np.hypot(x, y))
    room = _outer_radius(bores, depth) ** 2 - radius**2 - offset**2
    if offset > 0.0:
        covers.append(_around(float(np.arctan2(y, x)), room / (2.0 * radius * offset)))
    else:
        covers.append(_all_or_nothing(room, bores.outer_radius))
    return _gaps(covers)


def _open_arcs_of_outside(bores: RoundBores, depth: Floats) -> tuple[Floats, Floats]:
    """Arcs of the outer circle that lie in no bore, as `_open_arcs_of_bore`."""
    outer = _outer_radius(bores, depth)
    covers = []
    for (x, y), start in zip(bores.centres, bores.radii, strict=True):
        away = float(np.hypot(x, y))
        room = outer**2 + away**2 - (start + depth) ** 2
        if away > 0.0:
            least = np.divide(
                room,
                2.0 * outer * away,
                out=np.where(room > 0.0, 2.0, -2.0),
                where=outer > 0.0,
            )
            covers.append(_around(float(np.arctan2(y, x)), least))
        else:
            covers.append(_all_or_nothing(outer**2 - (start + depth) ** 2, bores.outer_radius))
    return _gaps(covers)


def _all_or_nothing(room: Floats, scale: float) -> tuple[Floats, Floats]:
    """Cover of a circle by another about the same centre: nothing where there is room, or all."""
    return _around(0.0, np.where(room > -_TOUCHING * scale**2, 2.0, -2.0))


def _around(bearing: float, least_cosine: Floats) -> tuple[Floats, Floats]:
    """Angles covered about a bearing, where the cosine exceeds a value: start and end."""
    half = np.arccos(np.clip(least_cosine, -1.0, 1.0))
    start = np.mod(bearing - half, _TURN)
    return start, start + 2.0 * half


def _gaps(covers: list[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """What a union of angular intervals leaves open of a full turn, shape (arcs, N)."""
    starts = np.stack([start for start, _ in covers])
    ends = np.stack([end for _, end in covers])
    past = np.maximum(ends - _TURN, 0.0)
    starts = np.concatenate([starts, np.zeros_like(past)])
    ends = np.concatenate([np.minimum(ends, _TURN), past])
    order = np.argsort(starts, axis=0)
    starts = np.take_along_axis(starts, order, axis=0)
    ends = np.take_along_axis(ends, order, axis=0)
    reached = np.maximum.accumulate(ends, axis=0)
    edge = np.zeros((1, starts.shape[1]))
    opened = np.concatenate([edge, reached])
    closed = np.concatenate([starts, edge + _TURN])
    return opened, np.maximum(opened, closed)
