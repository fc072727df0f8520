"""Finding, making and copying bench folders and campaigns."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import RequestError
from strandwise.records import (
    Bench,
    CampaignFolder,
    campaign_lock,
    copy_campaign,
    create_bench,
    create_campaign,
    find_bench,
    read_campaign,
    shipped,
    write_new,
)
from strandwise.records import write as writing

PLAIN: dict[str, Any] = {
    "title": "A trial",
    "baseline": "base",
    "ingredients": {"potassium-nitrate": "65", "sorbitol": "35"},
    "units": "metric",
    "altitude": "300 m",
}


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return create_bench(tmp_path / "bench")


def tree(path: Path) -> list[str]:
    return sorted(entry.relative_to(path).as_posix() for entry in path.rglob("*"))


def test_a_bench_is_found_from_below(bench: Bench) -> None:
    below = bench.path / "campaigns" / "x" / "y"
    below.mkdir(parents=True)
    assert find_bench(below).path == bench.path
    assert find_bench(Path("/"), stated=bench.path).path == bench.path


@pytest.mark.parametrize("stated", [True, False])
def test_where_no_bench_is(tmp_path: Path, stated: bool) -> None:
    with pytest.raises(RequestError, match=r"no bench folder.*strandwise init"):
        find_bench(tmp_path, stated=tmp_path if stated else None)


def test_a_new_bench_has_the_shared_tables(bench: Bench) -> None:
    assert tree(bench.path) == [
        "campaigns",
        "shared",
        "shared/ingredients.toml",
        "shared/instruments.toml",
    ]
    assert bench.ingredients.read_bytes() == (shipped("shared") / "ingredients.toml").read_bytes()


@pytest.mark.parametrize(
    ("made", "said"),
    [("file", "is a file"), ("bench", "bench folder already"), ("odd", "not a folder")],
)
def test_a_bench_is_not_made_over_something_else(tmp_path: Path, made: str, said: str) -> None:
    path = tmp_path / "b"
    if made == "file":
        path.write_text("x")
    elif made == "bench":
        (path / "campaigns").mkdir(parents=True)
    else:
        path.mkdir()
        (path / "campaigns").write_text("x")
    before = tree(tmp_path)
    with pytest.raises(RequestError, match=said):
        create_bench(path)
    assert tree(tmp_path) == before


def test_a_bench_half_made_can_be_finished(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "b"

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", interrupt)
        with pytest.raises(KeyboardInterrupt, match=r"^$"):
            create_bench(path)
    assert not (path / "campaigns").exists()
    write_new(path / "shared" / "ingredients.toml", b"# mine\n")
    bench = create_bench(path)
    assert bench.ingredients.read_bytes() == b"# mine\n"
    assert bench.instruments.exists()


@pytest.mark.parametrize("units", ["metric", "inch-pound"])
@pytest.mark.parametrize("baseline", ["base", "Basis 1.5", "µ-mix"])
@pytest.mark.parametrize("title", ["A trial", 'of "quotes" and \\ and \n and é'])
def test_a_new_campaign_reads_without_fault(
    bench: Bench, units: str, baseline: str, title: str
) -> None:
    folder = bench.new_campaign("trial")
    create_campaign(folder, **{**PLAIN, "units": units, "baseline": baseline, "title": title})
    reading = read_campaign(folder)
    assert (reading.problems, reading.remarks) == ((), ())
    settings = reading.sound().settings
    assert (settings.title, settings.baseline, settings.units) == (title, baseline, units)
    assert settings.ambient_pressure is not None
    assert bench.campaign_names() == ["trial"]
    assert tree(folder.path) == [
        "batches.csv", "campaign.toml", "firings", "formulations.toml", "strands.csv", "traces",
    ]  # fmt: skip


def test_an_empty_folder_may_be_filled(bench: Bench) -> None:
    folder = bench.new_campaign("trial")
    folder.path.mkdir()
    create_campaign(folder, **{**PLAIN, "ingredients": {}, "altitude": ""})
    (problem,) = read_campaign(folder).problems
    assert problem.code == "unknown-formulation"
    assert bench.campaign("campaigns/trial/") == folder


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"altitude": "300"}, "altitude: `300` has no unit"),
        ({"altitude": "40 km"}, "out of range"),
        ({"baseline": "a/b"}, "cannot be a name"),
        ({"title": " "}, "title: `title` is missing"),
        ({"units": "imperial"}, "no system of units"),
        ({"ingredients": {"sorbitl": "35"}}, r"no ingredient `sorbitl`.*did you mean `sorbitol`"),
        ({"ingredients": {"sorbitol": "-3"}}, "sorbitol"),
        ({"ingredients": {"sorbitol": "}"}}, "not valid TOML"),
    ],
)
def test_what_would_not_read_back_is_not_made(
    bench: Bench, changes: dict[str, Any], said: str
) -> None:
    before = tree(bench.path)
    with pytest.raises(RequestError, match=said):
        create_campaign(bench.new_campaign("trial"), **(PLAIN | changes))
    assert tree(bench.path) == before


@pytest.mark.parametrize("make", ["file", "full"])
def test_a_campaign_is_not_made_over_another(bench: Bench, make: str) -> None:
    folder = bench.new_campaign("trial")
    if make == "file":
        folder.path.write_text("x")
    else:
        folder.path.mkdir()
        (folder.path / "mine.txt").write_text("x")
    before = tree(bench.path)
    with pytest.raises(RequestError, match=r"already|is a file"):
        create_campaign(folder, **PLAIN)
    with pytest.raises(RequestError, match=r"already|is a file"):
        copy_campaign(shipped("campaigns") / "demo", folder)
    assert tree(bench.path) == before


@pytest.mark.parametrize("after", range(1, 13))
def test_a_new_campaign_is_all_there_or_not_at_all(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    folder = bench.new_campaign("trial")
    calls = []
    real = os.fsync

    def interrupt(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == after:
            raise KeyboardInterrupt
        real(descriptor)

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        create_campaign(folder, **PLAIN)
    left = tree(bench.path / "campaigns")
    # The last call flushes the folder, behind the rename.
    assert (left == []) == (after < 12)
    assert bench.campaign_names() == ([] if after < 12 else ["trial"])


def test_a_campaign_in_the_making_is_none(bench: Bench) -> None:
    half = bench.path / "campaigns" / ".trial.abc.part"
    half.mkdir()
    (half / "campaign.toml").write_text("")
    assert bench.campaign_names() == []


def test_a_copy_leaves_hidden_files_behind(bench: Bench, small: Any) -> None:
    small.write(".write.lock", "")
    small.write("firings/.F-2.toml.x.part", "half")
    small.write(".journal/000001.json", "{}")
    folder = bench.new_campaign("copy")
    copy_campaign(small.folder.path, folder)
    assert tree(folder.path) == [
        name
        for name in tree(small.folder.path)
        if not any(hidden in name for hidden in (".write", ".part", ".journal"))
    ]
    # The instruments are those of the other bench folder.
    assert {p.code for p in read_campaign(folder).problems} <= {"unknown-instrument"}


@pytest.mark.parametrize("name", ["..", "a/b", "../x", "", " ", ".hidden", "nul", "x" * 70, "a\0"])
def test_names_that_no_campaign_may_have(bench: Bench, name: str) -> None:
    with pytest.raises(RequestError, match="cannot be a campaign's name"):
        bench.new_campaign(name)


def test_a_campaign_that_is_not_there(bench: Bench) -> None:
    create_campaign(bench.new_campaign("trial"), **PLAIN)
    said = r"no campaign `tral`.*did you mean `trial`.*[cC]ampaigns here: trial"
    with pytest.raises(RequestError, match=said):
        bench.campaign("tral")


def test_a_new_file_takes_no_others_place(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.symlink_to("nowhere")
    with pytest.raises(RequestError, match="exists already"):
        write_new(path, b"x")
    assert tree(tmp_path) == ["a"]
    with pytest.raises(RequestError, match="cannot write"):
        write_new(path / "b", b"x")


def test_a_lock_that_is_held_is_waited_for_and_told(
    small: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "_LOCK_SECONDS", 0.05)
    with (
        campaign_lock(small.folder),
        pytest.raises(RequestError, match="another program has been writing"),
        campaign_lock(small.folder),
    ):
        pass
    with campaign_lock(small.folder):
        pass


def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "campaigns").write_text("a file where a folder should be")
    with (
        pytest.raises(RequestError, match="cannot write"),
        campaign_lock(CampaignFolder(tmp_path, "x")),
    ):
        pass


@pytest.mark.parametrize("other", ["Chalk", "CHALK", "chal\N{KELVIN SIGN}"])
def test_campaigns_that_some_file_systems_take_for_one(bench: Bench, other: str) -> None:
    create_campaign(bench.new_campaign("chalk"), **PLAIN)
    for ask in (bench.new_campaign, bench.campaign):
        with pytest.raises(RequestError, match=r"differs from `chalk` only in capitals"):
            ask(other)
    # Letters in one sign or in two are one name to some (Unicode 15, annex 15: NFC, NFD).
    create_campaign(bench.new_campaign("\N{LATIN SMALL LETTER E WITH ACUTE}tude"), **PLAIN)
    with pytest.raises(RequestError, match=r"cannot be a|only in capitals"):
        bench.new_campaign("e\N{COMBINING ACUTE ACCENT}tude")


def test_campaigns_that_came_from_a_machine_that_tells_capitals_apart(bench: Bench) -> None:
    for name in ("chalk", "Chalk"):
        (bench.path / "campaigns" / name).mkdir(exist_ok=True)
        (bench.path / "campaigns" / name / "campaign.toml").write_text("")
    # A disk that does not tell them apart has the first alone.
    names = sorted(entry.name for entry in (bench.path / "campaigns").iterdir())
    assert "chalk" in names
    assert [bench.campaign(name).name for name in names] == names


def test_names_for_people_are_relative(bench: Bench) -> None:
    folder = bench.new_campaign("x")
    assert folder.shown(folder.firing("F-1")) == "campaigns/x/firings/F-1.toml"
    assert folder.shown(Path("/elsewhere/ingredients.toml")) == "ingredients.toml"


def test_a_motor_is_found_by_path_or_by_name_whatever_the_capitals_of_its_ending(
    tmp_path: Path,
) -> None:
    folder = CampaignFolder(tmp_path, "chalk")
    assert folder.motor_files() == []
    folder.motors.mkdir(parents=True)
    for name in ("big.toml", "SMALL.TOML", ".big.toml", "~old.toml", "notes.txt", "big.toml~"):
        (folder.motors / name).touch()
    assert [path.name for path in folder.motor_files()] == ["SMALL.TOML", "big.toml"]
    assert folder.motor(Path("big")) == folder.motors / "big.toml"
    assert folder.motor(Path("SMALL")) == folder.motors / "SMALL.TOML"
    assert folder.motor(Path("big.toml")) == folder.motors / "big.toml"
    assert folder.motor(folder.motors / "big.toml") == folder.motors / "big.toml"
    assert folder.motor(Path("huge")) is None
