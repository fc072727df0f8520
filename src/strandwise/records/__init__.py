"""Plain text on disk ⇄ frozen dataclasses: reading, checking, writing.

Names are imported from their modules when they are first used: a command that shows its options
needs the table of fields and must not wait for the numerical libraries that a grain needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from strandwise.records.alike import entry_alike, fold_name, may_lie_in
    from strandwise.records.append import (
        append_record,
        open_table,
    )
    from strandwise.records.calibration_rows import (
        CalibrationRow,
        load_of_row,
        read_calibration_table,
        split_row,
    )
    from strandwise.records.checks import (
        problems_of,
        sha256_of,
    )
    from strandwise.records.compared import (
        BurntTest,
        Comparison,
        pressure_by_thrust,
        unlikely_firing,
        unlikely_strand,
    )
    from strandwise.records.create import (
        copy_campaign,
        create_bench,
        create_campaign,
    )
    from strandwise.records.csvrecords import (
        timing_fault,
        written_names,
    )
    from strandwise.records.field import Field, PressureScale
    from strandwise.records.fields import BATCH_FIELDS, STRAND_FIELDS, TEST_FIELD
    from strandwise.records.firing_fields import (
        FIRING_FIELDS,
        GRAIN_FIELDS,
        NOZZLE_FIELDS,
        SUMMARY_FIELDS,
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
    from strandwise.records.instrument_edit import (
        try_instrument,
        write_instrument,
    )
    from strandwise.records.instrument_files import (
        INSTRUMENT_KINDS,
        RAW_UNITS,
        read_instruments,
    )
    from strandwise.records.journal import (
        Journal,
        journal_of,
        lock_of,
        shared_journal,
    )
    from strandwise.records.journal_entries import (
        Entry,
    )
    from strandwise.records.model import (
        Batch,
        Campaign,
        Channel,
        EventOverrides,
        Firing,
        Gas,
        GrainUncertainty,
        Instrument,
        OffsetCore,
        ReadingUncertainty,
        Settings,
        StrandReading,
        Summary,
        TraceSpec,
    )
    from strandwise.records.motor_file import (
        MotorRecord,
        motor_findings,
        read_motor,
    )
    from strandwise.records.places import (
        with_lines,
    )
    from strandwise.records.plausible import (
        LARGE_IGNITER,
        grain_density,
        implausible,
        implausible_firing,
        initial_kn,
        told_in,
        unlikely_rate,
    )
    from strandwise.records.read import (
        CampaignReading,
        read_campaign,
    )
    from strandwise.records.settings_files import read_settings
    from strandwise.records.textfiles import (
        LARGEST_TRACE,
        WHOLE_FILE_CODES,
        kind_of,
        read_plain,
    )
    from strandwise.records.write import (
        campaign_lock,
        compose_firing,
        new_folder,
        refuse_open_in_spreadsheet,
        write_bytes,
        write_new,
    )
    from strandwise.records.zeros import unnamed_zeros, unnamed_zeros_among

_HOMES = {
    "alike": ("entry_alike", "fold_name", "may_lie_in"),
    "append": ("append_record", "open_table"),
    "calibration_rows": (
        "CalibrationRow",
        "load_of_row",
        "read_calibration_table",
        "split_row",
    ),
    "checks": ("problems_of", "sha256_of"),
    "compared": (
        "BurntTest",
        "Comparison",
        "pressure_by_thrust",
        "unlikely_firing",
        "unlikely_strand",
    ),
    "create": ("copy_campaign", "create_bench", "create_campaign"),
    "csvrecords": ("timing_fault", "written_names"),
    "field": ("Field", "PressureScale"),
    "fields": ("BATCH_FIELDS", "STRAND_FIELDS", "TEST_FIELD"),
    "firing_fields": ("FIRING_FIELDS", "GRAIN_FIELDS", "NOZZLE_FIELDS", "SUMMARY_FIELDS"),
    "firing_files": ("parse_firing",),
    "folder": ("Bench", "CampaignFolder", "find_bench", "shipped"),
    "instrument_edit": ("try_instrument", "write_instrument"),
    "instrument_files": ("INSTRUMENT_KINDS", "RAW_UNITS", "read_instruments"),
    "journal": ("Journal", "journal_of", "lock_of", "shared_journal"),
    "journal_entries": ("Entry",),
    "model": (
        "Batch",
        "Campaign",
        "Channel",
        "EventOverrides",
        "Firing",
        "Gas",
        "GrainUncertainty",
        "Instrument",
        "OffsetCore",
        "ReadingUncertainty",
        "Settings",
        "StrandReading",
        "Summary",
        "TraceSpec",
    ),
    "motor_file": ("MotorRecord", "motor_findings", "read_motor"),
    "places": ("with_lines",),
    "plausible": (
        "LARGE_IGNITER",
        "grain_density",
        "implausible",
        "implausible_firing",
        "initial_kn",
        "told_in",
        "unlikely_rate",
    ),
    "read": ("CampaignReading", "read_campaign"),
    "settings_files": ("read_settings",),
    "textfiles": ("LARGEST_TRACE", "WHOLE_FILE_CODES", "kind_of", "read_plain"),
    "write": (
        "campaign_lock",
        "compose_firing",
        "new_folder",
        "refuse_open_in_spreadsheet",
        "write_bytes",
        "write_new",
    ),
    "zeros": ("unnamed_zeros", "unnamed_zeros_among"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "BATCH_FIELDS",
    "FIRING_FIELDS",
    "GRAIN_FIELDS",
    "INSTRUMENT_KINDS",
    "LARGEST_TRACE",
    "LARGE_IGNITER",
    "NOZZLE_FIELDS",
    "RAW_UNITS",
    "STRAND_FIELDS",
    "SUMMARY_FIELDS",
    "TEST_FIELD",
    "WHOLE_FILE_CODES",
    "Batch",
    "Bench",
    "BurntTest",
    "CalibrationRow",
    "Campaign",
    "CampaignFolder",
    "CampaignReading",
    "Channel",
    "Comparison",
    "Entry",
    "EventOverrides",
    "Field",
    "Firing",
    "Gas",
    "GrainUncertainty",
    "Instrument",
    "Journal",
    "MotorRecord",
    "OffsetCore",
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
    "entry_alike",
    "find_bench",
    "fold_name",
    "grain_density",
    "implausible",
    "implausible_firing",
    "initial_kn",
    "journal_of",
    "kind_of",
    "load_of_row",
    "lock_of",
    "may_lie_in",
    "motor_findings",
    "new_folder",
    "open_table",
    "parse_firing",
    "pressure_by_thrust",
    "problems_of",
    "read_calibration_table",
    "read_campaign",
    "read_instruments",
    "read_motor",
    "read_plain",
    "read_settings",
    "refuse_open_in_spreadsheet",
    "sha256_of",
    "shared_journal",
    "shipped",
    "split_row",
    "timing_fault",
    "told_in",
    "try_instrument",
    "unlikely_firing",
    "unlikely_rate",
    "unlikely_strand",
    "unnamed_zeros",
    "unnamed_zeros_among",
    "with_lines",
    "write_bytes",
    "write_instrument",
    "write_new",
    "written_names",
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
