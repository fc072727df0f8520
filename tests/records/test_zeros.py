"""Pressures whose unit names no zero, beside others of that unit that name gauge."""

from __future__ import annotations

from typing import Any

import pytest

from strandwise.errors import UnlikelyError
from strandwise.records import unnamed_zeros
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.recording import log_strand

ROWS = "S-9,B-1,2026-03-22,60.1,10.4,150 psi\nS-10,B-1,2026-03-22,60.1,10.5,152 psi\n"
STRAND = {"test": "S-9", "batch": "B-1", "length": "60.1 mm", "time": "10.4 s"}
GRAIN = {
    "shape": "hollow-cylinder",
    "outer_diameter": "38 mm",
    "core_diameter": "12 mm",
    "length": "75 mm",
    "segments": 2,
}


def found(bench: Any) -> list[Any]:
    return list(unnamed_zeros(bench.read().sound(), bench.folder))


def test_a_bare_psi_among_gauge_readings_is_remarked_once(small: Any) -> None:
    small.write("strands.csv", small.text("strands.csv") + ROWS)
    (remark,) = found(small)
    assert (remark.code, remark.source.line) == ("unnamed-zero", 5)
    assert remark.message.startswith("`150 psi` names no zero and counts as absolute (and 1 more")
    assert "`pressure (psig)`" in remark.message
    assert remark.expected == "`psig` for a gauge reading, `psia` for an absolute one"


@pytest.mark.parametrize("stated", ["absolute", "gauge"])
def test_what_the_campaign_states_is_no_slip(small: Any, stated: str) -> None:
    small.write("strands.csv", small.text("strands.csv") + ROWS)
    small.swap("campaign.toml", "altitude", f'pressure_readings = "{stated}"\naltitude')
    assert found(small) == []


@pytest.mark.parametrize("cell", ["150 psia", "150 psig", "151", "1.1 MPa", "11 bar"])
def test_a_named_zero_and_another_unit_are_no_slip(small: Any, cell: str) -> None:
    small.write("strands.csv", small.text("strands.csv") + f"S-9,B-1,2026-03-22,60,10,{cell}\n")
    assert found(small) == []


def test_a_bare_heading_beside_a_gauge_s_column(small: Any) -> None:
    # The firing's trace is in psig.
    small.swap("strands.csv", "(psig)", "(psi)")
    (remark,) = found(small)
    assert remark.message.startswith("`pressure (psi)` names no zero")
    assert "`p (psig)` (campaigns/small/firings/F-1.toml)" in remark.message
    assert remark.source.line == 1
    small.swap("firings/F-1.toml", "p (psig)", "p (psi)")
    assert found(small) == []


def test_a_firing_s_own_reading(small: Any) -> None:
    text = small.text("firings/F-1.toml").partition("[trace]")[0]
    text += '[summary]\nburn_time = "1 s"\nmean_pressure = "430 psi"\npeak_pressure = "480 psi"\n'
    small.write("firings/F-1.toml", text)
    assert [(r.source.field, r.source.line) for r in found(small)] == [
        ("summary.mean_pressure", 19),
        ("summary.peak_pressure", 20),
    ]


def test_log_asks_back(small: Any) -> None:
    before = small.snapshot()
    with pytest.raises(UnlikelyError, match="`150 psi` names no zero and counts as absolute"):
        log_strand(small.folder, STRAND | {"pressure": "150 psi"}, confirmed=False)
    summary = {"burn_time": "1.1 s", "mean_pressure": "430 psi"}
    tables = {"batch": "B-1", "grain": GRAIN, "summary": summary}
    with pytest.raises(UnlikelyError) as told:
        log_firing(small.folder, "F-9", tables, raw_trace=None, confirmed=False)
    (finding,) = told.value.findings
    assert (finding.code, finding.source.field) == ("unnamed-zero", "summary.mean_pressure")
    assert small.snapshot() == before
    log_strand(small.folder, STRAND | {"pressure": "150 psia"}, confirmed=False)
    log_strand(small.folder, STRAND | {"test": "S-10", "pressure": "150 psi"}, confirmed=True)
    (remark,) = found(small)
    assert remark.source.line == 6
