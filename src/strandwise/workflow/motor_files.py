"""The files of a campaign's motors among all that `check` looks at."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from strandwise.records import PressureScale, motor_findings
from strandwise.workflow.opening import pressure_scale

if TYPE_CHECKING:
    from strandwise.records import CampaignFolder, CampaignReading

__all__ = ["with_motor_problems"]


def with_motor_problems(reading: CampaignReading, folder: CampaignFolder) -> CampaignReading:
    """A campaign as read, with the faults of its motors' files among the others.

    They are no part of the campaign: its tests are sound without them.
    """
    known = reading.campaign is not None
    scale = PressureScale() if reading.campaign is None else pressure_scale(reading.campaign)
    problems, remarks = motor_findings(folder, scale)
    # Without the campaign's settings nobody knows the zero of gauge readings: that is told there.
    problems = [p for p in problems if known or p.code != "no-ambient-pressure"]
    both = ((*reading.problems, *problems), (*reading.remarks, *remarks))
    told = [tuple(sorted(dict.fromkeys(one), key=lambda f: f.source.sort_key)) for one in both]
    return dataclasses.replace(reading, problems=told[0], remarks=told[1])
