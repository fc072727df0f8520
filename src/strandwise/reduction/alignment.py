"""Two channels logged on two clocks, brought together on the rise of the firing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.signals import middle_of_three, noise_sd, thinned

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Alignment", "aligned"]

_LEVELS = (0.2, 0.3, 0.4, 0.5, 0.6)  # of the height; their instants are averaged
_SAME_RISE = 0.05  # of the width at half height; rises closer than this are on one clock
_LEAST_OVER_NOISE = 8.0


@dataclass(frozen=True, slots=True)
class Alignment:
    """What to add to the second channel's clock, s, and what is said of it."""

    seconds: float
    account: tuple[str, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class _Rise:
    instants: Floats
    width: float


def aligned(
    names: Sequence[str], times: tuple[Floats, Floats], values: tuple[Floats, Floats]
) -> Alignment:
    """Return the shift that brings the second channel's rise to the first's.

    Channels whose rises agree within 5 % of the firing's width, or three samples, are taken to
    share a clock and are left as they are. Else the shift is the mean of the differences between
    the instants at which either passes 20 to 60 % of its height; no delay between pressure and
    thrust is left to be seen then.

    Parameters
    ----------
    names
        Of the two channels, for messages.
    times
        s, rising, each on its own clock.
    values
        Of any unit, of the shapes of the times.

    Returns
    -------
    Alignment

    Raises
    ------
    DataError
        The clocks differ and a channel shows no rise out of its noise.
    """
    rises = [_rise(t, y) for t, y in zip(times, values, strict=True)]
    for name, rise in zip(names, rises, strict=True):
        if rise is None:
            msg = f"{names[0]} and {names[1]} have clocks of their own, and {name} shows no rise"
            raise DataError(
                msg,
                expected="a firing in both channels, to bring the clocks together by",
                hint="check the column, or give only the channel that the rate is to come from",
            )
    first, second = (rise for rise in rises if rise is not None)
    step = max(float(np.median(thinned(np.diff(t)))) for t in times)
    apart = first.instants - second.instants
    shift = float(np.mean(apart))
    inside = times[0][0] <= second.instants[0] <= times[0][-1]
    if inside and abs(shift) <= max(_SAME_RISE * max(first.width, second.width), 3.0 * step):
        text = f"{names[0]} and {names[1]} rise within {abs(shift):.3g} s: taken to share a clock"
        return Alignment(0.0, (text,), ())
    doubt = float(np.hypot(np.std(apart), step / np.sqrt(6.0)))
    shown = f"{shift:+.4f}".replace("-", "−")
    text = (
        f"{names[1]} has a clock of its own: {shown} s added to it, so that it rises with "
        f"{names[0]} (known to about {doubt:.2g} s)"
    )
    warning = (
        f"{names[0]} and {names[1]} were logged on two clocks and are brought together on their "
        "rise: a delay between them cannot be seen, and clocks that run unequally are not noticed"
    )
    return Alignment(shift, (text,), (Caution("clocks-aligned", warning),))


def _rise(time: Floats, values: Floats) -> _Rise | None:
    """Return when the largest event passes each level for good before its height, and its width."""
    if len(values) < 5:
        return None
    smooth = middle_of_three(middle_of_three(values))
    rest = float(np.median(smooth[: max(3, len(smooth) // 100)]))
    off = np.abs(smooth - rest)
    # The highest tenth stands for the height, not an igniter's peak or a knock.
    half = off > 0.5 * float(off.max())
    height = float(np.median(off[half]))
    if height <= _LEAST_OVER_NOISE * noise_sd(values):
        return None
    top, end = _longest(time, off > 0.5 * height)
    instants = []
    for level in _LEVELS:
        under = np.flatnonzero(off[: top + 1] <= level * height)
        over = np.flatnonzero(off[top : end + 1] > level * height)
        i = int(under[-1]) if len(under) else 0
        if level > _LEVELS[3]:
            i = top + int(over[0]) - 1 if len(over) else top
        i = max(i, 0)
        share = (level * height - off[i]) / (off[i + 1] - off[i]) if off[i + 1] != off[i] else 0.0
        instants.append(time[i] + np.clip(share, 0.0, 1.0) * (time[i + 1] - time[i]))
    return _Rise(np.array(instants), float(time[end] - time[top]))


def _longest(time: Floats, high: NDArray[np.bool_]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], high, [False]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2] - 1
    k = int(np.argmax(time[stops] - time[starts]))
    return int(starts[k]), int(stops[k])
