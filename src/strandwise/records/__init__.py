"""Plain text on disk ⇄ frozen dataclasses: reading, checking, writing.

Names are imported from their modules when they are first used: a command that shows its options
needs the table of fields and must not wait for the numerical libraries that a grain needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from strandwise.records.append import (
        append_record,
        open_table,
    )
    from strandwise.records.checks import (
        problems_of,
        sha256_of,
    )
    from strandwise.records.create import (
        copy_campaign,
        create_bench,
        create_campaign,
    )
    from strandwise.records.fields import (
        BATCH_FIELDS,
        FIRING_FIELDS,
        GRAIN_FIELDS,
        NOZZLE_FIELDS,
        STRAND_FIELDS,
        SUMMARY_FIELDS,
        TEST_FIELD,
        Field,
        PressureScale,
    )
    from strandwise.records.firing_files import (
        parse_firing,
    )
    from strandwise.records.folder import (
        Bench,
        CampaignFolder,
        find_bench,
        shipped,
    )
    from strandwise.records.model import (
        Batch,
        Campaign,
        Channel,
        EventOverrides,
        Firing,
        Gas,
        Instrument,
        ReadingUncertainty,
        Settings,
        StrandReading,
        Summary,
        TraceSpec,
    )
    from strandwise.records.plausible import (
        implausible,
        implausible_firing,
    )
    from strandwise.records.read import (
        CampaignReading,
        read_campaign,
    )
    from strandwise.records.write import (
        campaign_lock,
        compose_firing,
        write_new,
    )

_HOMES = {
    "append": ("append_record", "open_table"),
    "checks": ("problems_of", "sha256_of"),
    "create": ("copy_campaign", "create_bench", "create_campaign"),
    "fields": (
        "BATCH_FIELDS",
        "FIRING_FIELDS",
        "GRAIN_FIELDS",
        "NOZZLE_FIELDS",
        "STRAND_FIELDS",
        "SUMMARY_FIELDS",
        "TEST_FIELD",
        "Field",
        "PressureScale",
    ),
    "firing_files": ("parse_firing",),
    "folder": ("Bench", "CampaignFolder", "find_bench", "shipped"),
    "model": (
        "Batch",
        "Campaign",
        "Channel",
        "EventOverrides",
        "Firing",
        "Gas",
        "Instrument",
        "ReadingUncertainty",
        "Settings",
        "StrandReading",
        "Summary",
        "TraceSpec",
    ),
    "plausible": ("implausible", "implausible_firing"),
    "read": ("CampaignReading", "read_campaign"),
    "write": ("campaign_lock", "compose_firing", "write_new"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "BATCH_FIELDS",
    "FIRING_FIELDS",
    "GRAIN_FIELDS",
    "NOZZLE_FIELDS",
    "STRAND_FIELDS",
    "SUMMARY_FIELDS",
    "TEST_FIELD",
    "Batch",
    "Bench",
    "Campaign",
    "CampaignFolder",
    "CampaignReading",
    "Channel",
    "EventOverrides",
    "Field",
    "Firing",
    "Gas",
    "Instrument",
    "PressureScale",
    "ReadingUncertainty",
    "Settings",
    "StrandReading",
    "Summary",
    "TraceSpec",
    "append_record",
    "campaign_lock",
    "compose_firing",
    "copy_campaign",
    "create_bench",
    "create_campaign",
    "find_bench",
    "implausible",
    "implausible_firing",
    "open_table",
    "parse_firing",
    "problems_of",
    "read_campaign",
    "sha256_of",
    "shipped",
    "write_new",
]


def __getattr__(name: str) -> object:
    if name not in _HOME_OF:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    value: object = getattr(import_module(f"{__name__}.{_HOME_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
