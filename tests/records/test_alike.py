"""Names that differ only in capitals, on disks that tell capitals apart and on those that do not.

Every test holds on both: what it expects is asked of the listing of the folder where it matters.
"""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import RequestError
from strandwise.formulation import derive_formulations
from strandwise.records import journal_of, write_new
from strandwise.records import write as writing
from strandwise.records.alike import entry_alike, fold_name, lies_in, may_lie_in
from strandwise.records.alike_checks import files_are_told_apart, files_in_other_capitals
from strandwise.workflow.deriving import write_derivations
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.page import may_be_written
from strandwise.workflow.recording import log_batch, log_strand
from strandwise.workflow.undoing import campaign_taking_back, take_back

STRAND = {"test": "S-9", "batch": "B-1", "length": "80 mm", "time": "11.2 s", "pressure": "2 MPa"}
GRAIN = {
    "shape": "hollow-cylinder",
    "outer_diameter": "38 mm",
    "core_diameter": "12 mm",
    "length": "75 mm",
    "segments": 2,
}
CHANNELS = {"time": "millis (ms)", "pressure": "p (psig)"}
RAW = b"millis,p\n0,0\n10,300\n"
TRACE = "millis,p,raw\n0,0,100\n10,300,700\n20,0,101\n"


def log_a_firing(small: Any, tmp_path: Path, test: str = "F-2") -> None:
    raw = tmp_path / "LOG7.CSV"
    raw.write_bytes(RAW)
    tables = {"batch": "B-1", "grain": GRAIN, "trace": CHANNELS}
    log_firing(small.folder, test, tables, raw_trace=raw, confirmed=False)


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def rename(path: Path, name: str) -> None:
    """Rename by way of a third name, which every file system does."""
    path.rename(path.with_name("aside")).rename(path.with_name(name))


# Unicode's CaseFolding.txt (common and full foldings) and canonical composition (annex 15).
@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("F-1", "f-1"),
        ("stra\N{LATIN SMALL LETTER SHARP S}e", "STRASSE"),
        ("\N{GREEK SMALL LETTER FINAL SIGMA}", "\N{GREEK CAPITAL LETTER SIGMA}"),
        ("\N{KELVIN SIGN}", "k"),
        ("\N{ANGSTROM SIGN}", "a\N{COMBINING RING ABOVE}"),
        ("\N{LATIN SMALL LETTER Y WITH DIAERESIS}", "\N{LATIN CAPITAL LETTER Y WITH DIAERESIS}"),
    ],
)
def test_names_that_are_one(one: str, other: str) -> None:
    assert fold_name(one) == fold_name(other)


@pytest.mark.parametrize(("one", "other"), [("F-1", "F-11"), ("a b", "ab"), ("o", "ö"), ("0", "O")])
def test_names_that_are_two(one: str, other: str) -> None:
    assert fold_name(one) != fold_name(other)


def test_an_entry_is_found_as_the_disk_spells_it(tmp_path: Path) -> None:
    (tmp_path / "Chalk.csv").write_text("x")
    assert entry_alike(tmp_path / "CHALK.CSV") == tmp_path / "Chalk.csv"
    assert entry_alike(tmp_path / "Chalk.csv") == tmp_path / "Chalk.csv"
    assert entry_alike(tmp_path / "chalk.txt") is None
    assert entry_alike(tmp_path / "gone" / "chalk.csv") is None
    (tmp_path / "to-nowhere").symlink_to("nowhere")
    assert entry_alike(tmp_path / "To-Nowhere") == tmp_path / "to-nowhere"


def test_a_new_file_is_not_made_beside_one_like_it(tmp_path: Path) -> None:
    (tmp_path / "Chalk.csv").write_text("mine")
    with pytest.raises(RequestError, match=r"differs from `Chalk.csv` beside it only in capitals"):
        write_new(tmp_path / "chalk.csv", b"x")
    (tmp_path / "other").write_text("x")
    with pytest.raises(RequestError, match=r"differs from `Chalk.csv` beside it only in capitals"):
        writing.rename_file(tmp_path / "other", tmp_path / "CHALK.csv")
    assert (tmp_path / "Chalk.csv").read_text() == "mine"
    assert names(tmp_path) == ["Chalk.csv", "other"]


def test_a_folder_spelt_otherwise_is_the_same_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = tmp_path / "bench"
    (bench / "in").mkdir(parents=True)
    assert lies_in(bench / "in" / "x", bench)
    assert not lies_in(tmp_path / "in" / "x", bench)
    # A disk that does not tell capitals apart has the same number for both spellings.
    real = Path.stat

    def stat(path: Path, **how: Any) -> os.stat_result:
        return real(Path(str(path).replace("BENCH", "bench")), **how)

    assert not lies_in(tmp_path / "BENCH" / "gone", bench / "in")
    monkeypatch.setattr(Path, "stat", stat)
    assert lies_in(tmp_path / "BENCH" / "in" / "x", bench)
    assert not lies_in(tmp_path / "BENCH", bench / "in")


def test_what_may_lie_in_a_folder(tmp_path: Path) -> None:
    traces = tmp_path / "traces"
    traces.mkdir()
    assert may_lie_in(traces / "page.html", traces)
    assert may_lie_in(tmp_path / "Traces" / "page.html", traces)
    assert may_lie_in(tmp_path / "x" / ".." / "TRACES" / "page.html", traces)
    assert not may_lie_in(tmp_path / "traces.html", traces)


@pytest.mark.parametrize("name", ["traces", "Traces", "TRACES"])
def test_no_page_goes_among_the_traces(small: Any, name: str) -> None:
    with pytest.raises(RequestError, match="among the raw traces"):
        may_be_written(small.folder, small.folder.path / name / "page.html")


RECORDS = ["campaign.toml", "formulations.toml", "batches.csv", "strands.csv"]


@pytest.mark.parametrize("name", [*RECORDS, "firings"])
def test_records_in_other_capitals_are_told(small: Any, name: str) -> None:
    before = small.read()
    path = small.file(name)
    rename(path, name.capitalize())
    reading = small.read()
    if path.exists():
        # Found here, and not where the bench folder may be copied to.
        assert reading.problems == ()
        assert [(r.code, r.source.path) for r in reading.remarks] == [
            ("other-capitals", f"campaigns/small/{name}")
        ]
        assert reading.sound().strands == before.sound().strands
    else:
        (problem,) = reading.problems
        assert (problem.code, problem.source.path) == ("file-missing", f"campaigns/small/{name}")
        assert f"`{name.capitalize()}`" in problem.message
        assert "only in capitals" in problem.message
        assert f"`{name}`" in problem.hint


def test_records_found_in_other_capitals_are_remarks(
    small: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    rename(small.file("strands.csv"), "Strands.csv")
    monkeypatch.setattr(os.path, "lexists", lambda _: True)
    problems, (remark,) = files_in_other_capitals(small.folder)
    assert problems == []
    assert remark.code == "other-capitals"
    assert "`Strands.csv` differs from `strands.csv` only in capitals" in remark.message
    assert "do not find it" in remark.message


def test_a_folder_of_traces_in_other_capitals_is_one_problem(small: Any) -> None:
    campaign = small.read().sound()
    rename(small.folder.traces, "Traces")
    assert list(files_are_told_apart(campaign, small.folder, [])) == []
    reading = small.read()
    # A firing whose trace is not found is the problem where capitals are told apart.
    missing = [] if small.file("traces").exists() else [("file-missing", "trace.file")]
    assert [(p.code, p.source.field) for p in reading.problems] == missing
    (remark,) = reading.remarks
    assert (remark.code, remark.source.path) == ("other-capitals", "campaigns/small/traces")


@pytest.mark.parametrize("name", ["ingredients.toml", "Shared", "motors"])
def test_what_may_be_absent_is_told_too(small: Any, name: str) -> None:
    if name == "Shared":
        rename(small.path / "shared", "Shared")
    elif name == "motors":
        small.file("Motors").mkdir()
    else:
        small.write("Ingredients.toml", 'chalk = { role = "retarder" }\n')
    found = [*small.read().problems, *small.read().remarks]
    assert "only in capitals" in "\n".join(finding.message for finding in found)


def test_a_second_file_of_records_is_a_problem(small: Any) -> None:
    listed = names(small.folder.path)
    small.write("Strands.csv", small.text("strands.csv"))
    reading = small.read()
    if names(small.folder.path) == listed:
        assert reading.problems == ()
    else:
        (problem,) = reading.problems
        assert problem.code == "alike-files"
        assert "`Strands.csv` is not read: it differs from `strands.csv`" in problem.message


def test_no_record_is_written_beside_one_in_other_capitals(small: Any, tmp_path: Path) -> None:
    rename(small.file("strands.csv"), "Strands.csv")
    rename(small.file("firings"), "Firings")
    two = not small.file("strands.csv").exists()
    before = small.snapshot()
    for log in (
        lambda: log_strand(small.folder, STRAND, confirmed=False),
        lambda: log_a_firing(small, tmp_path),
    ):
        if two:
            with pytest.raises(RequestError, match="only in capitals"):
                log()
        else:
            log()
    if two:
        assert small.snapshot() == before
    else:
        assert [s.test for s in small.read().sound().strands][-1] == "S-9"
        assert [f.test for f in small.read().sound().firings] == ["F-1", "F-2"]
    there = names(small.folder.path)
    assert len({fold_name(name) for name in there}) == len(there)


def test_two_formulations_are_told_apart(small: Any) -> None:
    small.write(
        "formulations.toml", small.text("formulations.toml") + '\n[Base]\nparent = "base"\n'
    )
    (problem,) = small.read().problems
    assert (problem.code, problem.source.line) == ("duplicate-formulation", 8)
    assert "formulation `Base` differs from `base` only in capitals" in problem.message


def test_a_formulation_is_not_derived_beside_one_like_it(small: Any) -> None:
    campaign = small.read().sound()
    derived = derive_formulations(
        campaign.formulations,
        campaign.ingredients,
        parent="base",
        replacement="calcium-carbonate",
        shares=[0.1],
        replaces="sorbitol",
        ways=["of-all"],
        stem="CARBONATE",
    )
    spec = dataclasses.replace(derived[0].spec, name="CARBONATE-10")
    with pytest.raises(RequestError, match=r"`carbonate-10` already, which differs.*in capitals"):
        write_derivations(small.folder, [dataclasses.replace(derived[0], spec=spec)])
    before = small.text("formulations.toml")
    write_derivations(small.folder, derived)
    assert small.text("formulations.toml").startswith(before)


@pytest.mark.parametrize("name", ["b-1", "B-1"])
def test_a_batch_like_another_is_refused(small: Any, name: str) -> None:
    with pytest.raises(RequestError, match=r"exists already|only in capitals"):
        log_batch(small.folder, {"batch": name, "formulation": "base"}, confirmed=False)


@pytest.mark.parametrize("content", ["", "batch = "])
def test_a_firing_whose_file_is_at_fault_keeps_its_name(
    small: Any, tmp_path: Path, content: str
) -> None:
    small.write("firings/f-2.toml", content)
    with pytest.raises(RequestError, match="`F-2` differs from `f-2` only in capitals"):
        log_a_firing(small, tmp_path)
    assert names(small.folder.firings) == ["F-1.toml", "f-2.toml"]


def test_two_files_of_one_firing(small: Any) -> None:
    small.write("firings/F-1.TOML", small.text("firings/F-1.toml"))
    two = len(names(small.folder.firings)) == 2
    said = [problem.message for problem in small.read().problems]
    assert said == ["test `F-1` has another file, campaigns/small/firings/F-1.TOML"] * two


def test_another_trace_in_other_capitals_is_not_joined(small: Any, tmp_path: Path) -> None:
    small.write("traces/f-2.CSV", "another")
    with pytest.raises(RequestError, match=r"traces/f-2.CSV exists already, with another content"):
        log_a_firing(small, tmp_path)
    assert names(small.folder.traces) == ["F-1.csv", "f-2.CSV"]
    # One that was left there by an interrupted command is taken, as the disk spells it.
    small.write("traces/f-2.CSV", RAW)
    log_a_firing(small, tmp_path)
    assert names(small.folder.traces) == ["F-1.csv", "f-2.CSV"]
    assert 'file = "traces/f-2.CSV"' in small.text("firings/F-2.toml")
    assert (small.read().problems, small.read().remarks) == ((), ())


def test_undone_traces_get_names_that_every_disk_tells_apart(small: Any, tmp_path: Path) -> None:
    for test in ("F-2", "f-2"):
        log_a_firing(small, tmp_path, test)
        take_back(campaign_taking_back(small.folder, again=False))
    assert names(small.folder.traces) == [
        "F-1.csv",
        "F-2.undone-1.csv",
        "f-2.undone-2.csv",
    ]
    take_back(campaign_taking_back(small.folder, again=True))
    assert names(small.folder.traces) == ["F-1.csv", "F-2.undone-1.csv", "f-2.csv"]
    assert (small.read().problems, small.read().remarks) == ((), ())


@pytest.mark.parametrize("name", ["firings/f-2.toml", "traces/f-2.csv"])
def test_nothing_is_brought_back_beside_a_file_like_it(
    small: Any, tmp_path: Path, name: str
) -> None:
    log_a_firing(small, tmp_path)
    take_back(campaign_taking_back(small.folder, again=False))
    small.write(name, "mine")
    before = small.snapshot()
    with pytest.raises(RequestError, match=r"only in capitals|was edited since"):
        take_back(campaign_taking_back(small.folder, again=True))
    assert small.snapshot() == before
    assert len(journal_of(small.folder).entries()) == 2


def test_a_trace_named_in_other_capitals(small: Any) -> None:
    small.swap("firings/F-1.toml", "traces/F-1.csv", "traces/f-1.CSV")
    reading = small.read()
    if small.file("traces/f-1.CSV").exists():
        (remark,) = reading.remarks
        assert (remark.code, remark.source.field) == ("other-capitals", "trace.file")
        assert reading.problems == ()
    else:
        (problem,) = reading.problems
        assert (problem.code, problem.source.field) == ("file-missing", "trace.file")
        assert "`F-1.csv` there differs only in capitals" in problem.hint


def test_a_trace_found_in_other_capitals_is_a_remark(small: Any) -> None:
    campaign = small.read().sound()
    (firing,) = campaign.firings
    trace = firing.trace
    assert trace is not None
    assert trace.pressure is not None
    spelt = dataclasses.replace(
        trace,
        file=small.file("Traces/f-1.csv"),
        pressure=dataclasses.replace(trace.pressure, file=small.file("traces/F-1.CSV")),
        thrust=dataclasses.replace(trace.pressure, file=small.file("traces/F-1.csv")),
    )
    changed = dataclasses.replace(campaign, firings=(dataclasses.replace(firing, trace=spelt),))
    one, two = files_are_told_apart(changed, small.folder, [])
    assert (one.source.field, two.source.field) == ("trace.file", "trace.pressure.file")
    assert "`Traces/f-1.csv` is `traces/F-1.csv` on the disk" in one.message
    # A link to a folder elsewhere in the bench is no matter of capitals.
    outside = dataclasses.replace(trace, file=small.file("../small/traces/F-1.csv"))
    changed = dataclasses.replace(campaign, firings=(dataclasses.replace(firing, trace=outside),))
    assert list(files_are_told_apart(changed, small.folder, [])) == []


@pytest.mark.parametrize("name", ["traces/F-1.csv", "motors/F-1.csv"])
def test_two_files_alike_are_a_remark(small: Any, name: str) -> None:
    other = name.replace("F-1.csv", "f-1.CSV")
    small.write(name, TRACE)
    small.write(other, TRACE)
    said = [(r.code, r.source.path) for r in small.read().remarks]
    two = len(names(small.file(name).parent)) == 2
    assert said == [("alike-files", f"campaigns/small/{other}")] * two
