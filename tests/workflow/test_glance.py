"""A campaign's records as its picture has them; the records are invented."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from strandwise.errors import RequestError
from strandwise.records import CampaignFolder, read_campaign
from strandwise.report.glance import CampaignGlance, GlanceTest
from strandwise.workflow.glance import glance_at
from strandwise.workflow.reducing import reduce_campaign

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def folder(tmp_path: Path) -> CampaignFolder:
    shutil.copytree(ROOT / "campaigns" / "demo", tmp_path / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", tmp_path / "shared")
    return CampaignFolder(tmp_path, "demo")


def glance(folder: CampaignFolder) -> CampaignGlance:
    return glance_at(read_campaign(folder))


def by_name(found: CampaignGlance) -> dict[str, GlanceTest]:
    return {test.test: test for batch in found.batches for test in batch.tests}


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_a_sound_campaign_has_every_test_where_reduce_has_it(folder: CampaignFolder) -> None:
    reduced = reduce_campaign(read_campaign(folder).sound())
    found = glance(folder)
    assert (found.problems, found.remarks) == ((), ())
    tests = by_name(found)
    assert set(tests) == {point.test for point in reduced.points}
    for point in reduced.points:
        test = tests[point.test]
        assert (test.kind, test.pressure, test.pressure_sd) == (
            point.kind,
            point.pressure,
            point.pressure_sd,
        )
        assert test.why_not == (point.why_not or "")


def test_batches_and_their_tests_stand_in_the_order_of_their_dates(folder: CampaignFolder) -> None:
    change(folder.batches, "M-01,base,2026-03-07", "M-01,base,2027-01-01")
    found = glance(folder)
    days = [batch.mixed for batch in found.batches]
    assert days == sorted(days, key=lambda day: day or dt.date.max)
    assert found.batches[-1].batch == "M-01"
    for batch in found.batches:
        own = [test.date or dt.date.max for test in batch.tests]
        assert own == sorted(own)


def test_findings_go_with_the_record_that_they_are_about(folder: CampaignFolder) -> None:
    strands = folder.strands.read_text(encoding="utf-8").splitlines()
    place = next(n for n, line in enumerate(strands) if line.startswith("S-003,"))
    strands[place] = strands[place].replace("M-01", "M-99")
    strands.append("S-99,M-01,,x,9.9,300,,,,")
    folder.strands.write_text("\n".join(strands) + "\n", encoding="utf-8")
    change(folder.batches, "M-05,carbonate-10", "M-05,carbonat-10")
    found = glance(folder)
    odd = by_name(found)["S-003"]
    assert [one.source.line for one in odd.problems] == [place + 1]
    unknown = next(batch for batch in found.batches if batch.batch == "M-99")
    assert (unknown.formulation, unknown.tests) == ("", (odd,))
    # As nobody knows its batch, it stands as its row has it.
    assert odd.pressure_sd is None
    of_batch = next(batch for batch in found.batches if batch.batch == "M-05")
    assert "carbonat-10" in of_batch.problems[0].message
    assert [one.source.line for one in found.problems] == [len(strands)]
    assert "S-99" not in by_name(found)


def test_a_trace_that_cannot_be_reduced_keeps_no_other_test_out(folder: CampaignFolder) -> None:
    before = by_name(glance(folder))
    trace = folder.traces / "F-03.csv"
    head = trace.read_text(encoding="utf-8").splitlines()[:3]
    trace.write_text("\n".join(head) + "\n", encoding="utf-8")
    change(folder.firings / "F-03.toml", "sha256 = ", "# sha256 = ")
    found = by_name(glance(folder))
    assert found.keys() == before.keys()
    assert found["F-03"].pressure is None
    assert {name: test for name, test in found.items() if name != "F-03"} == {
        name: test for name, test in before.items() if name != "F-03"
    }


def test_two_strands_of_one_name_stand_as_their_rows_have_them(folder: CampaignFolder) -> None:
    text = folder.strands.read_text(encoding="utf-8")
    first = next(line for line in text.splitlines() if line.startswith("S-001,"))
    doubled = first.replace("S-001,", "S-054,").replace(",149,", ",301,")
    folder.strands.write_text(text + first.replace("S-001", "S-98") + f"\n{doubled}\n", "utf-8")
    found = glance(folder)
    both = [t for batch in found.batches for t in batch.tests if t.test == "S-054"]
    assert len(both) == 2
    assert len({test.pressure for test in both}) == 2
    assert any(test.problems for test in both)


def test_settings_at_fault_and_an_empty_campaign_are_refused(folder: CampaignFolder) -> None:
    for path in (folder.batches, folder.strands):
        head = path.read_text(encoding="utf-8").splitlines()[0]
        path.write_text(f"{head}\n", encoding="utf-8")
    shutil.rmtree(folder.firings)
    with pytest.raises(RequestError, match="neither a batch nor a test to draw"):
        glance(folder)
    change(folder.settings, "baseline =", "baselin =")
    with pytest.raises(RequestError, match=r"while campaign\.toml is at fault"):
        glance(folder)
