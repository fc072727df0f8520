"""The version of a campaign's files: what older ones say stays readable, newer ones are refused."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from strandwise.errors import RecordsError
from strandwise.records import Bench, create_campaign, read_campaign
from strandwise.records.fields import FORMAT
from strandwise.workflow.recording import log_strand

# A campaign as the first release wrote it, before versions were written down. It is not to be
# changed: that these texts read as they do is the promise.
BEFORE_VERSIONS = {
    "campaign.toml": """\
title = "From before"
baseline = "base"
units = "inch-pound"
altitude = "300 m"
pressure_readings = "gauge"
reference_pressure = "4 MPa"

[uncertainty]
time_sd = "0.1 s"
""",
    "formulations.toml": """\
[base]
ingredients = { potassium-nitrate = 65, sorbitol = 35 }

[carbonate-10]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]
""",
    "batches.csv": "batch,formulation,mixed,mass (g)\nB-1,base,2026-03-07,450\n",
    "strands.csv": "test,batch,length (in),time (s),pressure (psi)\nS-1,B-1,2 3/8,12.13,250\n",
    "firings/F-1.toml": """\
batch = "B-1"

[grain]
shape = "hollow-cylinder"
outer_diameter = "38 mm"
core_diameter = "12 mm"
length = "75 mm"

[summary]
burn_time = "1.9 s"
mean_pressure = "440 psig"
""",
}
STRAND = {"test": "S-9", "batch": "B-1", "length": "80 mm", "time": "11.2 s", "pressure": "2 MPa"}


@pytest.fixture
def older(small: Any) -> Any:
    for path in (small.file("traces/F-1.csv"), small.file("firings/F-1.toml")):
        path.unlink()
    for name, text in BEFORE_VERSIONS.items():
        small.write(name, text)
    return small


def without_places(value: Any) -> Any:
    """A record without the lines on which it stands."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: without_places(getattr(value, field.name))
            for field in dataclasses.fields(value)
            if field.name not in ("source", "origin", "format", "path")
        }
    if isinstance(value, dict):
        return {key: without_places(one) for key, one in value.items()}
    if isinstance(value, tuple):
        return tuple(without_places(one) for one in value)
    return value


def test_a_campaign_of_before_is_read(older: Any) -> None:
    reading = older.read()
    assert (reading.problems, reading.remarks) == ((), ())
    campaign = reading.sound()
    assert campaign.settings.format is None
    # The inch is 25.4 mm exactly: NIST SP 811 (2008), appendix B.8.
    assert campaign.strands[0].length == pytest.approx(2.375 * 0.0254, rel=1e-15)
    # 250 psi on a gauge, psi from the same source; the air at 300 m by the standard atmosphere,
    # 97 772 Pa (from memory of ISO 2533, table 5).
    assert campaign.strands[0].pressure == pytest.approx(250 * 6894.757 + 97772.0, rel=1e-5)
    assert set(campaign.formulations) == {"base", "carbonate-10"}
    assert campaign.firings[0].summary is not None


def test_stating_the_version_changes_no_meaning(older: Any) -> None:
    before = without_places(older.read().sound())
    older.write("campaign.toml", "format = 1\n" + older.text("campaign.toml"))
    reading = older.read()
    assert (reading.problems, reading.remarks) == ((), ())
    assert reading.sound().settings.format == 1
    assert without_places(reading.sound()) == before


def test_a_record_added_leaves_the_version_as_it_is(older: Any) -> None:
    before = older.text("campaign.toml")
    log_strand(older.folder, STRAND, confirmed=False)
    assert older.text("campaign.toml") == before
    assert older.read().problems == ()


@pytest.mark.parametrize("stated", [FORMAT + 1, 99, 2**70])
def test_a_newer_version_is_refused_whole(older: Any, stated: int) -> None:
    # Keys and files of a later version mean what this one cannot know: one fault, no guesses.
    older.write("campaign.toml", f"format = {stated}\nbaselines = [1]\n")
    older.write("strands.csv", "test,flight\nS-1,x\n")
    before = older.snapshot()
    reading = older.read()
    (problem,) = reading.problems
    assert (problem.code, reading.campaign, reading.remarks) == ("newer-format", None, ())
    assert problem.source.line == 1
    assert f"format {stated}" in problem.message
    assert "newer strandwise" in problem.hint
    with pytest.raises(RecordsError, match="newer strandwise"):
        log_strand(older.folder, STRAND, confirmed=False)
    assert older.snapshot() == before


@pytest.mark.parametrize("stated", ["0", "-1", "1.0", '"one"', "true", "[1]", "nan", "0x1"])
def test_what_is_no_version(older: Any, stated: str) -> None:
    older.write("campaign.toml", f"format = {stated}\n" + older.text("campaign.toml"))
    codes = [(p.code, p.source.field) for p in older.read().problems]
    assert codes == ([] if stated == "0x1" else [("bad-value", "format")])


def test_new_states_the_version(small: Any) -> None:
    folder = Bench(small.path).new_campaign("fresh")
    create_campaign(
        folder, title="x", baseline="base", ingredients={"sorbitol": "35"}, units="metric",
        altitude="",
    )  # fmt: skip
    assert folder.settings.read_text("utf-8").startswith(f"format = {FORMAT}\n")
    assert read_campaign(folder).sound().settings.format == FORMAT
