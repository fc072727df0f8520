"""What a trace shows of a firing that went wrong: several events, chuffing, a burst.

The rules and their limits are our own; no source. They can miss a mishap and can be wrong: they
are cautions, and the numbers of the trace stay as they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.reduction.stretches import Pulse

    Floats = NDArray[np.float64]

__all__ = ["burst_cautions", "pulse_cautions"]

_HIGH = 0.3  # of the firing's peak; lower pulses are handling, or igniters
_LARGE = 0.1  # of the firing's integral
_CLOSE = 8.0  # times the longer of two pulses: chuffs follow each other sooner than this
_CHUFF_AREA = 0.02  # of the largest pulse
_CHUFFS = 3
_FALL_TIME = 1.5e-3  # s; no chamber empties from 80 to 20 % so fast
_RESOLVED = 5e-4  # s; sampling from which that can be told
_FALL_AT_ONCE = 4e-3  # s, within two samples: fast enough where the signal was rising
_RISING = 0.10  # of the middle level: the signal was on its way up when it was lost
_HIGH_AT_END = 0.7  # of the peak


def pulse_cautions(
    pulses: Sequence[Pulse], start: float, end: float, peak: float
) -> tuple[Caution, ...]:
    """Warn where the trace holds more events than the firing that was taken.

    Parameters
    ----------
    pulses
        Every stretch above a tenth of the peak.
    start, end
        Of the firing that was taken, s.
    peak
        Its highest value, in the unit of the pulses' heights.

    Returns
    -------
    tuple of Caution
        ``chuffing`` where at least three pulses follow each other closely, ``several-events``
        where another stretch is as high as 30 % and holds 10 % of the firing's integral.
    """
    own = [p for p in pulses if p.start <= end and p.end >= start]
    if not own:
        return ()
    area = max(p.area for p in own)
    high = [p for p in pulses if p.height >= _HIGH * peak and p.area >= _CHUFF_AREA * area]
    chain = _chain(high, start, end)
    if len(chain) >= _CHUFFS:
        text = (
            f"the signal falls to rest between {len(chain)} pulses from {chain[0].start:.3f} to "
            f"{chain[-1].end:.3f} s: the motor chuffed. Events and means are those of the largest "
            "pulse alone, in which only part of the web burnt: its rate means nothing"
        )
        return (Caution("chuffing", text),)
    others = [
        p for p in high if p.area >= _LARGE * area and not (p.start <= end and p.end >= start)
    ]
    if not others:
        return ()
    shown = ", ".join(f"{p.start:.3f} to {p.end:.3f} s" for p in others[:3])
    more = ", …" if len(others) > 3 else ""
    text = (
        f"the trace holds {len(others)} more event{'s' if len(others) > 1 else ''} ({shown}{more}) "
        f"besides the one that was taken ({start:.3f} to {end:.3f} s, the largest): check that it "
        "is this firing, and set [events] if it is not"
    )
    return (Caution("several-events", text),)


def _chain(pulses: Sequence[Pulse], start: float, end: float) -> list[Pulse]:
    """Return the pulses that follow each other closely, the firing's among them."""
    chain: list[Pulse] = []
    for pulse in pulses:
        if chain:
            longest = max(p.end - p.start for p in (chain[-1], pulse))
            if pulse.start - chain[-1].end > _CLOSE * longest:
                if any(p.end >= start for p in chain):
                    break
                chain = []
        chain.append(pulse)
    return chain if any(p.start <= end and p.end >= start for p in chain) else []


def burst_cautions(t: Floats, z: Floats, start: float, end: float) -> tuple[Caution, ...]:
    """Warn where the signal is lost at once from near its height.

    Two signs are looked for: a fall from 80 to 20 % of the level faster than any chamber
    empties, where the sampling can tell; and a fall within two samples from a signal that was
    on its way up.

    Parameters
    ----------
    t, z
        s and the zeroed signal around the firing; shape (N,).
    start, end
        Of the action, s.

    Returns
    -------
    tuple of Caution
        ``burst``, or none.
    """
    inside = np.flatnonzero((t >= start) & (t <= end))
    if len(inside) < 8:
        return ()
    peak = float(np.max(z[inside]))
    action = end - start
    step = float(np.median(np.diff(t[inside])))
    # The level just before the last fall through half of the peak, over a twentieth of the action.
    over = inside[z[inside] > 0.5 * peak]
    last = int(over[-1])
    first = int(np.searchsorted(t, t[last] - 0.05 * action))
    level = float(np.median(z[first : max(last, first + 1)]))
    high = inside[z[inside] > 0.8 * level]
    a = int(high[-1])
    under = np.flatnonzero(z[a:] < 0.2 * level)
    if not len(under) or level < _HIGH_AT_END * peak:
        return ()
    fall = float(t[a + int(under[0])] - t[a])
    steady = z[int(inside[len(inside) // 10]) : first]
    middle = float(np.median(steady)) if len(steady) > 2 else level
    rising = level > (1.0 + _RISING) * middle
    at_once = int(under[0]) <= 2 and fall <= _FALL_AT_ONCE
    impossible = step <= _RESOLVED and fall <= _FALL_TIME
    if not (impossible or (rising and at_once)):
        return ()
    text = (
        f"the signal is lost within {1e3 * fall:.3g} ms at {t[a]:.3f} s, from "
        f"{100.0 * level / peak:.0f} % of its peak"
        + (" while it was rising" if rising else "")
        + ": as when a case, a closure or a nozzle lets go, or a sensor comes off. If so, no web "
        "burnt through then and there is no burn time, and no rate, in this trace"
    )
    return (Caution("burst", text),)
