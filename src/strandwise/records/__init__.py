"""Plain text on disk ⇄ frozen dataclasses: reading, checking, writing."""

from __future__ import annotations

from strandwise.records.checks import (
    implausible,
    implausible_firing,
    problems_of,
    sha256_of,
)
from strandwise.records.create import copy_campaign, create_bench, create_campaign
from strandwise.records.fields import (
    BATCH_FIELDS,
    FIRING_FIELDS,
    GRAIN_FIELDS,
    NOZZLE_FIELDS,
    STRAND_FIELDS,
    SUMMARY_FIELDS,
    Field,
    PressureScale,
)
from strandwise.records.firing_files import parse_firing
from strandwise.records.folder import Bench, CampaignFolder, find_bench, shipped
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
from strandwise.records.read import CampaignReading, read_campaign
from strandwise.records.write import append_record, campaign_lock, compose_firing, write_new

__all__ = [
    "BATCH_FIELDS",
    "FIRING_FIELDS",
    "GRAIN_FIELDS",
    "NOZZLE_FIELDS",
    "STRAND_FIELDS",
    "SUMMARY_FIELDS",
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
    "parse_firing",
    "problems_of",
    "read_campaign",
    "sha256_of",
    "shipped",
    "write_new",
]
