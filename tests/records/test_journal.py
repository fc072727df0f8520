"""The journal: what the program changed can be taken back, what a person changed is left alone."""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import RecordsError, RequestError
from strandwise.records import (
    Bench,
    CampaignFolder,
    Journal,
    campaign_lock,
    journal_of,
    shared_journal,
)
from strandwise.records import journal as journals
from strandwise.workflow.calibrate import NewCalibration, calibrate_instrument
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.recording import log_batch, log_strand
from strandwise.workflow.undoing import campaign_taking_back, shared_taking_back, take_back

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


def log(small: Any, test: str = "S-9", **changes: str) -> None:
    log_strand(small.folder, STRAND | {"test": test} | changes, confirmed=False)


def log_a_firing(small: Any, tmp_path: Path, content: bytes = RAW) -> None:
    raw = tmp_path / "LOG7.CSV"
    raw.write_bytes(content)
    tables = {"batch": "B-1", "grain": GRAIN, "trace": CHANNELS}
    log_firing(small.folder, "F-2", tables, raw_trace=raw, confirmed=False)


def undo(small: Any) -> Any:
    found = campaign_taking_back(small.folder, again=False)
    take_back(found)
    return found


def redo(small: Any) -> Any:
    found = campaign_taking_back(small.folder, again=True)
    take_back(found)
    return found


def test_changes_are_taken_back_one_after_the_other(small: Any) -> None:
    start = small.snapshot()
    log(small, "S-9", notes="windy")
    log_batch(small.folder, {"batch": "B-3", "formulation": "base"}, confirmed=False)
    log(small, "S-10")
    whole = small.text("strands.csv")
    (line,) = undo(small).lines
    assert line.startswith("-S-10,B-1,,80,11.2,")
    assert undo(small).entry.what == "log batch B-3"
    found = undo(small)
    assert (found.file, found.becomes) == ("campaigns/small/strands.csv", "changed")
    assert {k: v for k, v in small.snapshot().items() if ".journal" not in k} == start
    with pytest.raises(RequestError, match="nothing to undo in campaign `small`"):
        undo(small)
    assert [redo(small).entry.what for _ in range(3)] == [
        "log strand S-9", "log batch B-3", "log strand S-10",
    ]  # fmt: skip
    assert small.text("strands.csv") == whole
    with pytest.raises(RequestError, match="nothing to do again"):
        redo(small)
    assert small.read().problems == ()


def test_a_new_change_ends_what_could_be_done_again(small: Any) -> None:
    log(small)
    undo(small)
    log(small, "S-10")
    with pytest.raises(RequestError, match="nothing to do again"):
        redo(small)
    undo(small)
    redo(small)
    assert [s.test for s in small.read().sound().strands][3:] == ["S-10"]


def test_any_series_of_undoing_and_doing_again_goes_back_and_forth(small: Any) -> None:
    """Against a plain stack of the file's contents: own computation."""
    chance = random.Random(5)
    states, place = [small.text("strands.csv")], 0
    for step in range(60):
        move = chance.choice(("log", "undo", "redo"))
        if move == "log":
            log(small, f"S-{100 + step}")
            states = [*states[: place + 1], small.text("strands.csv")]
            place += 1
        elif move == "undo" and place:
            undo(small)
            place -= 1
        elif move == "redo" and place < len(states) - 1:
            redo(small)
            place += 1
        else:
            assert (journal_of(small.folder).next_undo() is None) == (place == 0)
            assert (journal_of(small.folder).next_redo() is None) == (place == len(states) - 1)
        assert small.text("strands.csv") == states[place]


def test_a_file_that_was_edited_since_is_left_alone(small: Any) -> None:
    log(small)
    small.write("strands.csv", small.text("strands.csv") + "S-77,B-1,,80,11.2,300\n")
    edited = small.snapshot()
    with pytest.raises(RequestError, match=r"was edited since `log strand S-9`.*by hand.*000001"):
        undo(small)
    assert small.snapshot() == edited
    # What the program adds to the edited file can be taken back; the edit stays.
    log(small, "S-10")
    undo(small)
    assert small.text("strands.csv").endswith("S-77,B-1,,80,11.2,300\n")


def test_the_version_before_stands_in_the_journal(small: Any) -> None:
    small.write("strands.csv", b"\xef\xbb\xbf" + small.file("strands.csv").read_bytes())
    before = small.file("strands.csv").read_bytes()
    log(small)
    (entry,) = small.folder.path.glob(".journal/*.json")
    assert json.loads(entry.read_text("utf-8"))["before"].encode("utf-8") == before
    undo(small)
    assert small.file("strands.csv").read_bytes() == before


def test_a_firing_goes_and_its_trace_stays_under_another_name(small: Any, tmp_path: Path) -> None:
    log_a_firing(small, tmp_path)
    found = undo(small)
    assert found.becomes == "removed"
    kept = "campaigns/small/traces/F-2.undone-1.csv"
    assert found.traces == (("campaigns/small/traces/F-2.csv", kept),)
    assert not small.file("firings/F-2.toml").exists()
    assert small.file("traces/F-2.undone-1.csv").read_bytes() == RAW
    # So the firing can be logged anew with the right file, and the wrong one is still there.
    log_a_firing(small, tmp_path, RAW + b"20,300\n")
    undo(small)
    assert small.file("traces/F-2.undone-2.csv").exists()
    redo(small)
    assert small.text("traces/F-2.csv").endswith("20,300\n")
    assert small.file("traces/F-2.undone-1.csv").read_bytes() == RAW
    assert small.read().problems == ()


def test_a_trace_that_was_there_before_its_firing_keeps_its_name(
    small: Any, tmp_path: Path
) -> None:
    small.write("traces/F-2.csv", RAW)
    log_a_firing(small, tmp_path)
    assert undo(small).traces == ()
    assert small.file("traces/F-2.csv").read_bytes() == RAW


def test_a_firing_does_not_come_back_without_its_trace(small: Any, tmp_path: Path) -> None:
    log_a_firing(small, tmp_path)
    undo(small)
    small.file("traces/F-2.undone-1.csv").unlink()
    with pytest.raises(RequestError, match=r"trace traces/F-2\.undone-1\.csv is not there"):
        redo(small)
    assert not small.file("firings/F-2.toml").exists()


def test_a_calibration_is_taken_back_where_it_was_made(small: Any) -> None:
    rows = ("100 = 0 N", "500 = 20 N", "900 = 40 N")
    new = NewCalibration(name="cell-2", kind="load-cell", rows=rows)
    before = small.text("shared/instruments.toml")
    bench = Bench(small.path)
    calibrate_instrument(bench, None, new, replace=False)
    calibrate_instrument(bench, small.folder, new, replace=False)
    found = undo(small)
    assert (found.entry.what, found.becomes) == ("calibrate cell-2", "removed")
    assert not small.file("instruments.toml").exists()
    take_back(shared_taking_back(bench, again=False))
    assert small.text("shared/instruments.toml") == before
    take_back(shared_taking_back(bench, again=True))
    assert "[cell-2]" in small.text("shared/instruments.toml")


def test_the_journal_does_not_grow_without_end(small: Any, monkeypatch: Any) -> None:
    monkeypatch.setattr(journals, "_MOST_ENTRIES", 5)
    for number in range(12):
        log(small, f"S-{number + 10}")
    folder = small.folder.path / ".journal"
    assert sorted(path.name for path in folder.iterdir()) == [f"{n:06d}.json" for n in range(8, 13)]
    monkeypatch.setattr(journals, "_MOST_BYTES", 10)
    log(small, "S-99")
    assert [path.name for path in folder.iterdir()] == ["000013.json"]
    assert undo(small).entry.what == "log strand S-99"


def test_an_undoing_whose_change_is_forgotten_still_can_be_done_again(
    small: Any, monkeypatch: Any
) -> None:
    log(small)
    monkeypatch.setattr(journals, "_MOST_ENTRIES", 1)
    undo(small)
    assert redo(small).entry.what == "log strand S-9"
    assert undo(small).lines[0].startswith("-S-9,")


def refusal(change: Any) -> str:
    try:
        change()
    except (RequestError, RecordsError) as error:
        return str(error)
    return ""


def entry_file(small: Any) -> Path:
    (path,) = small.folder.path.glob(".journal/*.json")
    return Path(path)


@pytest.mark.parametrize(
    "name",
    [
        "../../../etc/passwd", "/etc/passwd", "firings/../../../x.toml", "traces/../strands.csv",
        "firings/a/b.toml", ".write.lock", "firings/.x.toml", "traces/..", "..", "",
        "firings\\x.toml", "notes.txt", "firings/nul.toml", "traces/a\0b",
    ],
)  # fmt: skip
@pytest.mark.parametrize("where", ["file", "raw"])
def test_a_journal_from_elsewhere_reaches_no_other_file(small: Any, where: str, name: str) -> None:
    log(small)
    path = entry_file(small)
    entry = json.loads(path.read_text("utf-8"))
    if where == "file":
        entry["file"] = name
    else:
        entry["raw"] = [{"file": name, "before": None, "sha256": "0" * 64}]
    path.write_text(json.dumps(entry), encoding="utf-8")
    before = small.snapshot()
    with pytest.raises(RequestError, match=r"is no record|cannot be read"):
        undo(small)
    assert small.snapshot() == before


@pytest.mark.parametrize(
    "spoil",
    [
        lambda _: "",
        lambda text: text[:40],
        lambda _: "[" * 100_000,
        lambda _: "1" * 10_000,
        lambda _: "null",
        lambda text: text.replace('"journal": 1', '"journal": 2'),
        lambda text: text.replace('"number": 1', '"number": 3'),
        lambda text: text.replace('"kind": "change"', '"kind": "else"'),
        lambda text: text.replace('"what"', '"why"'),
        lambda text: text.replace('"raw": []', '"raw": [{"file": 3}]'),
        lambda text: text.replace('"raw": []', '"raw": [1]'),
        lambda text: text.replace('"strands.csv"', "7"),
        lambda text: text.replace('"before": "', '"before": "\\ud800'),
    ],
)
def test_an_entry_that_was_damaged_is_told(small: Any, spoil: Any) -> None:
    log(small)
    path = entry_file(small)
    path.write_text(spoil(path.read_text("utf-8")), encoding="utf-8")
    with pytest.raises(RequestError, match=r"000001\.json cannot be read as an entry"):
        undo(small)
    # It does not stand in the way of a record.
    log(small, "S-10")
    assert [s.test for s in small.read().sound().strands][3:] == ["S-9", "S-10"]


def test_a_journal_that_leads_elsewhere_gets_nothing(small: Any, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (small.folder.path / ".journal").symlink_to(tmp_path / "out")
    before = small.text("strands.csv")
    with pytest.raises(RequestError, match="is a link, which a journal is not"):
        log(small)
    assert small.text("strands.csv") == before
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize("mark", [".~lock.strands.csv#", "~$strands.csv"])
def test_a_file_that_a_spreadsheet_has_open_is_not_written(small: Any, mark: str) -> None:
    log(small)
    (small.folder.path / mark).write_text("somebody")
    before = small.snapshot()
    for change in (lambda: log(small, "S-10"), lambda: undo(small)):
        with pytest.raises(RequestError, match=r"strands\.csv is open in a spreadsheet"):
            change()
    assert small.snapshot() == before
    log_batch(small.folder, {"batch": "B-3", "formulation": "base"}, confirmed=False)
    (small.folder.path / mark).unlink()
    log(small, "S-10")


def test_a_newer_format_is_not_undone(small: Any) -> None:
    log(small)
    small.write("campaign.toml", "format = 99\n" + small.text("campaign.toml"))
    with pytest.raises(RecordsError, match="format 99"):
        undo(small)


def _changes(small: Any, tmp_path: Path) -> dict[str, Any]:
    return {
        "a strand": lambda: log(small, "S-10"),
        "a firing": lambda: log_a_firing(small, tmp_path),
        "undoing": lambda: undo(small),
    }


@pytest.mark.parametrize("name", ["a strand", "a firing", "undoing"])
def test_a_disk_that_is_full_at_any_call_leaves_all_as_it_was(
    small: Any, tmp_path: Path, name: str
) -> None:
    log_a_firing(small, tmp_path)
    if name == "a firing":
        undo(small)

    def records() -> dict[str, bytes | None]:
        return {k: v for k, v in small.snapshot().items() if ".journal" not in k}

    start = records()
    before = small.snapshot()
    change = _changes(small, tmp_path)[name]
    fail_at, failures = 0, 0
    while True:
        fail_at += 1
        calls = [0]

        def guarded(real: Any, calls: list[int], fail_at: int) -> Any:
            def call(*args: Any, **more: Any) -> Any:
                calls[0] += 1
                if calls[0] == fail_at:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                return real(*args, **more)

            return call

        with pytest.MonkeyPatch.context() as patch:
            for name_of_call in ("fsync", "replace", "rename", "mkdir", "fdopen", "chmod"):
                real_call = getattr(os, name_of_call)
                patch.setattr(os, name_of_call, guarded(real_call, calls, fail_at))
            try:
                change()
            except RequestError as error:
                failures += 1
                message = str(error)
            else:
                if calls[0] < fail_at:
                    break
                message = ""  # what failed was a thing done after, such as pruning
        if message and "did not confirm" not in message:
            assert "No space left" in message
            assert small.snapshot() == before
        elif message:
            # It was made, and may be lost with the power: said, and it can be taken back.
            assert small.read().problems == ()
        assert list(small.path.rglob("*.part")) == []
        if records() != start:
            redo(small) if name == "undoing" else undo(small)
            for path in small.folder.path.glob("traces/*.undone-[2-9]*"):
                path.unlink()
        assert records() == start
        before = small.snapshot()
    assert failures >= 6


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_folder_that_may_not_be_written_gets_one_message(small: Any) -> None:
    """Permissions do not stop the superuser: where the tests are root's another user is asked."""
    with tempfile.TemporaryDirectory() as root:
        Path(root).chmod(0o755)
        bench = Path(shutil.copytree(small.path, Path(root) / "bench"))
        folders = [bench, *(path for path in bench.rglob("*") if path.is_dir())]
        before = sorted(bench.rglob("*"))
        for folder in folders:
            folder.chmod(0o555)
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                if os.getuid() == 0:
                    os.setuid(65534)
                log_strand(CampaignFolder(bench, "small"), STRAND, confirmed=False)
                said = "logged"
            except RequestError as error:
                said = str(error)
            except BaseException as error:
                said = repr(error)
            os.write(writer, said.encode("utf-8"))
            os._exit(0)
        os.close(writer)
        said = os.read(reader, 10_000).decode("utf-8")
        os.close(reader)
        os.waitpid(child, 0)
        for folder in folders:
            folder.chmod(0o755)
        assert said.startswith(f"cannot write {bench}/campaigns/small: Permission denied")
        assert "nothing was changed" in said
        assert sorted(bench.rglob("*")) == before


@pytest.mark.parametrize("name", ["strands.csv", "firings", "traces", "campaign", ".write.lock"])
def test_a_link_out_of_the_bench_folder_is_not_followed(
    small: Any, tmp_path: Path, name: str
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    inside = small.folder.path if name == "campaign" else small.file(name)
    if inside.exists():
        inside.rename(out / "kept")
    else:
        (out / "kept").write_text("")
    inside.symlink_to(out / "kept")
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    said = [refusal(lambda: log(small)), refusal(lambda: log_a_firing(small, tmp_path))]
    assert any(said)
    for text in said:
        assert not text or "bench folder" in text or "is a link" in text
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before


def test_a_link_inside_the_bench_folder_is_written_through(small: Any) -> None:
    real = small.path / "shared" / "strands-of-all.csv"
    small.file("strands.csv").rename(real)
    small.file("strands.csv").symlink_to(real)
    log(small)
    assert small.file("strands.csv").is_symlink()
    assert real.read_text("utf-8").splitlines()[-1].startswith("S-9,")
    undo(small)
    assert small.file("strands.csv").is_symlink()
    assert small.read().problems == ()


def test_an_undoing_that_somebody_forestalled_is_refused(small: Any) -> None:
    log(small)
    found = campaign_taking_back(small.folder, again=False)
    log(small, "S-10")
    with pytest.raises(RequestError, match="another change was made in the meantime"):
        take_back(found)


def test_what_a_killed_writer_left_is_cleared_away(small: Any) -> None:
    for name in (".strands.csv.abc_1234.part", "firings/.F-2.toml.abcd1234.part"):
        small.write(name, "half")
    small.write("notes.part", "mine")
    log(small)
    assert [path.name for path in small.path.rglob("*.part")] == ["notes.part"]


def test_the_journal_keeps_records_alone(small: Any) -> None:
    journal = Journal(small.folder.path, small.path)
    with campaign_lock(small.folder), pytest.raises(RequestError, match="is no record"):
        journal.change("x", small.folder.path / "notes.txt", b"x")
    assert shared_journal(Bench(small.path)).entries() == ()


def test_a_rename_that_loses_the_file_and_fails_loses_no_record(
    small: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As some drivers of exFAT rename over a file: it is removed first.
    log(small, "S-8")
    before = small.snapshot()
    real = Path.replace

    def lose(path: Path, target: Path) -> Path:
        if target.name == "strands.csv" and not calls:
            calls.append(target)
            target.unlink()
            raise OSError(errno.EIO, "Input/output error")
        return real(path, target)

    calls: list[Path] = []
    monkeypatch.setattr(Path, "replace", lose)
    with pytest.raises(RequestError, match="Input/output error"):
        log(small)
    assert calls
    assert small.snapshot() == before


@pytest.mark.parametrize("name", ["strands.csv", "batches.csv"])
def test_a_record_lost_while_it_was_replaced_is_told_and_kept(small: Any, name: str) -> None:
    log(small, "S-8")
    if name == "batches.csv":
        log_batch(small.folder, {"batch": "B-9", "formulation": "base"}, confirmed=False)
    whole = small.text(name)
    # What a disk holds that went away after the first half of the rename.
    temporary = small.file(f".{name}.a1b2c3d4.part")
    small.file(name).rename(temporary)
    (problem,) = small.read().problems
    assert (problem.code, problem.source.path) == ("file-missing", f"campaigns/small/{name}")
    assert f"`{temporary.name}`" in problem.hint
    before = small.snapshot()
    for again in (
        lambda: log(small),
        lambda: log_batch(small.folder, {"batch": "B-8", "formulation": "base"}, confirmed=False),
        lambda: undo(small),
    ):
        with pytest.raises((RequestError, RecordsError), match=r"is gone|edited since"):
            again()
    assert small.snapshot() == before
    temporary.rename(small.file(name))
    log(small)
    assert small.text(name).startswith(whole)
    assert small.read().problems == ()


def test_a_record_that_a_person_deleted_is_no_lost_one(small: Any) -> None:
    log(small, "S-8")
    small.file("strands.csv").unlink()
    # Half of a new file, as a writer leaves it that was killed.
    small.write(".strands.csv.a1b2c3d4.part", "test,ba")
    assert small.read().problems == ()
    log(small)
    assert [s.test for s in small.read().sound().strands] == ["S-9"]
    assert not small.file(".strands.csv.a1b2c3d4.part").exists()
