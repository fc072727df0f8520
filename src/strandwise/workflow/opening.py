"""What every job on a campaign begins with: its folder, its zero of pressure, names that it has."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.records import PressureScale, find_bench

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from strandwise.records import Campaign, CampaignFolder

__all__ = ["open_campaign", "pressure_scale", "unknown_name"]


def open_campaign(name: str, *, bench: Path | None, start: Path) -> CampaignFolder:
    """Folder of an existing campaign of the stated bench folder, or of the one around `start`.

    Raises
    ------
    RequestError
        There is no bench folder, or no such campaign in it.
    """
    return find_bench(start, stated=bench).campaign(name)


def unknown_name(what: str, name: str, known: Iterable[str]) -> RequestError:
    """The error of a request that names a batch or formulation that there is not."""
    names = list(known)
    close = difflib.get_close_matches(name, names, n=1)
    msg = f"there is no {what} `{name}`"
    return RequestError(
        msg,
        expected=f"one of {', '.join(names) or 'none yet'}",
        hint=f"did you mean `{close[0]}`?" if close else "",
    )


def pressure_scale(campaign: Campaign) -> PressureScale:
    """Zero of the campaign's pressure readings, and the units of its reader."""
    own = campaign.settings
    return PressureScale(own.pressure_readings, own.ambient_pressure, own.units)
