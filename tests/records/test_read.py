# ruff: noqa: E501 (one case a line can be read as a table)
"""What is wrong with a campaign's files is told once, with its place; nothing crashes."""

from __future__ import annotations

import datetime as dt
import os
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from strandwise.errors import RecordsError
from strandwise.units import standard_atmosphere_pressure

PSI = 6894.757293168361  # lbf/in² from 0.45359237 kg · 9.80665 m/s² over (25.4 mm)², all exact


def test_a_sound_campaign(small: Any) -> None:
    reading = small.read()
    assert (reading.problems, reading.remarks) == ((), ())
    campaign = reading.sound()
    assert campaign.settings.ambient_pressure == standard_atmosphere_pressure(300.0)
    assert list(campaign.batches) == ["B-1", "B-2"]
    assert campaign.batches["B-1"].mixed == dt.date(2026, 3, 7)
    assert campaign.batches["B-1"].mass == 0.45
    assert campaign.batches["B-2"].density == 1806.0
    assert list(campaign.formulations) == ["base", "carbonate-10"]
    first = campaign.strands[0]
    assert (first.test, first.length, first.time) == ("S-1", 0.0604, 12.13)
    ambient = campaign.settings.ambient_pressure
    assert first.pressure == pytest.approx(149 * PSI + ambient, rel=1e-12)
    assert str(first.source) == "campaigns/small/strands.csv:2"
    (firing,) = campaign.firings
    assert (firing.test, firing.batch, firing.grain.segments) == ("F-1", "B-1", 2)


C, F, B, S, X, INSTRUMENTS = (
    "campaign.toml",
    "formulations.toml",
    "batches.csv",
    "strands.csv",
    "firings/F-1.toml",
    "shared/instruments.toml",
)
SWAPS = {
    # campaign.toml
    "not TOML": (C, 'baseline = "base"', 'baseline = "base', "toml-syntax", C, 2, None, "not valid"),
    "no closing bracket": (C, '"300 m"', "[", "toml-syntax", C, 3, None, "not valid TOML"),
    "key twice": (C, "altitude", 'title = "x"\naltitude', "toml-syntax", C, 3, None, "overwrite"),
    "no title": (C, 'title = "Invented for the tests"\n', "", "missing-field", C, None, "title", "missing"),
    "title misspelt": (C, "title", "titel", "unknown-key", C, 1, "titel", "nothing reads it"),
    "title is a table": (C, '"Invented for the tests"', "{ a = 1 }", "bad-value", C, 1, "title", "a table"),
    "title is true": (C, '"Invented for the tests"', "true", "bad-value", C, 1, "title", "`true`"),
    "unknown baseline": (C, '"base"', '"bsae"', "unknown-formulation", C, 2, "baseline", "`bsae`"),
    "baseline no name": (C, '"base"', '"a/b"', "bad-value", C, 2, "baseline", "cannot be a name"),
    "altitude without unit": (C, '"300 m"', "300", "bad-value", C, 3, "altitude", "`300` has no unit"),
    "altitude too high": (C, '"300 m"', '"40 km"', "bad-value", C, 3, "altitude", "out of range"),
    "two pressures of the air": (C, "altitude", 'ambient_pressure = "98 kPa"\naltitude', "given-twice", C, 4, "altitude", "both"),
    "no pressure of the air": (C, 'altitude = "300 m"\n', "", "no-ambient-pressure", X, 20, "trace.pressure", "and 1 more"),
    "units unknown": (C, "altitude", 'units = "imperial"\naltitude', "bad-value", C, 3, "units", "no system of units"),
    "uncertainty no table": (C, "altitude", 'uncertainty = "1 mm"\naltitude', "not-a-table", C, 3, "uncertainty", "`1 mm`"),
    "uncertainty negative": (C, '"300 m"\n', '"300 m"\n[uncertainty]\nlength_sd = "-1 mm"\n', "bad-value", C, 5, "uncertainty.length_sd", "out of range"),
    "gas ratio": (C, '"300 m"\n', '"300 m"\n[gas]\nspecific_heat_ratio = 0.9\n', "bad-value", C, 5, "gas.specific_heat_ratio", "`0.9` is out of range"),
    # formulations.toml
    "unknown ingredient": (F, "sorbitol = 35", "sorbitl = 35", "unknown-ingredient", F, 2, "base.ingredients.sorbitl", "sorbitl"),
    "unknown parent": (F, 'parent = "base"', 'parent = "bsae"', "unknown-parent", F, 5, "carbonate-10.parent", "bsae"),
    "parts no number": (F, "sorbitol = 35", 'sorbitol = "many"', "bad-value", F, 2, "base.ingredients.sorbitol", "many"),
    "parts a list": (F, "sorbitol = 35", "sorbitol = [35]", "bad-value", F, 2, "base.ingredients.sorbitol", "a list"),
    "parts are infinite": (F, "sorbitol = 35", "sorbitol = inf", "bad-value", F, 2, "base.ingredients.sorbitol", "inf"),
    "percent and parts": (F, "sorbitol = 35", 'sorbitol = "35 %"', "mixed-parts", F, 2, "base.ingredients", "some amounts"),
    "share without unit": (F, '"10 %"', "0.1", "bad-value", F, 6, "carbonate-10.replace[1].share", "`0.1` has no unit"),
    "share a list": (F, '"10 %"', "[]", "bad-value", F, 6, "carbonate-10.replace[1].share", "a list"),
    "step key misspelt": (F, "share", "shere", "unknown-key", F, 6, "carbonate-10.replace[1].shere", "no part of a step"),
    "step incomplete": (F, ', share = "10 %"', "", "missing-field", F, 6, "carbonate-10.replace[1]", "no `share`"),
    "replace no list": (F, '[{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]', '"x"', "bad-value", F, 6, "carbonate-10.replace", "`x`"),
    "not in parent": (F, 'ingredient = "sorbitol"', 'ingredient = "sucrose"', "not-in-parent", F, 6, "carbonate-10.replace[1].ingredient", "sucrose"),
    "total is not a number": (F, "35 }", "35 }\ntotal = nan", "bad-value", F, 3, "base.total", "nan"),
    "a formulation is a value": (F, "[base]", "odd = 1\n[base]", "not-a-table", F, 1, "odd", "`1`"),
    "formulation no name": (F, "[carbonate-10]", '["a/b"]\nparent = "base"\n[carbonate-10]', "bad-name", F, 4, "a/b", "cannot be a name"),
    # batches.csv
    "no formulation column": (B, "formulation", "recipe", "missing-column", B, 1, "formulation", "no column"),
    "unknown formulation": (B, "B-2,carbonate-10", "B-2,carbonate-20", "unknown-formulation", B, 3, "formulation", "carbonate-20"),
    "batch twice": (B, "B-2,carbonate-10", "B-1,base\nB-2,carbonate-10", "duplicate-batch", B, 3, "batch", "already in line 2"),
    "batch no name": (B, "B-2", "B/3,base\nB-2", "bad-value", B, 3, "batch", "`B/3`"),
    "batch empty": (B, "B-2,", ",base\nB-2,", "missing-value", B, 3, "batch", "empty"),
    "mass negative": (B, "2026-03-07,450", "2026-03-07,-450", "bad-value", B, 2, "mass (g)", "`-450`"),
    "day of no calendar": (B, "2026-03-07", "2026-02-30", "bad-value", B, 2, "mixed", "calendar"),
    "unknown unit of all": (B, "mass (g)", "mass (stone)", "unknown-unit", B, 1, "mass (stone)", "stone"),
    "no unit at all": (B, "mass (g)", "mass", "missing-unit", B, 1, "mass", "`450` in line 2"),
    "cells too many": (B, "450,1.764", "450,1,764", "too-many-cells", B, 2, None, "6 cells"),
    # strands.csv
    "zero pressure": (S, "9.90,251", "9.90,-14.2", "bad-value", S, 3, "pressure (psig)", "absolute pressure"),
    "negative time": (S, "9.90", "-9.90", "bad-value", S, 3, "time (s)", "`-9.90`"),
    "text in a number": (S, "9.90", "fast", "bad-value", S, 3, "time (s)", "fast"),
    "wrong unit in cell": (S, "60.0", "60.0 s", "bad-value", S, 3, "length (mm)", "unit of a time"),
    "duplicate test": (S, "S-3", "S-1", "duplicate-test", S, 4, "test", "line 2, and other tests"),
    "same row twice": (S, "S-2,B-1,2026-03-21,60.0,9.90,251", "S-1,B-1,2026-03-21,60.4,12.13,149", "duplicate-test", S, 3, "test", "same length and time"),
    "wires disagree": (S, "S-2,", "S-1,", "duplicate-test", S, 3, "test", "another pressure"),
    "strands told apart by capitals": (S, "S-3", "s-1", "duplicate-test", S, 4, "test", "`s-1` differs from `S-1` only in capitals"),
    "strand and firing told apart by capitals": (S, "S-3", "f-1", "duplicate-test", X, 1, None, "`F-1` differs from `f-1` only in capitals"),
    "batches told apart by capitals": (B, "B-2,carbonate-10", "B-2,base\nb-2,carbonate-10", "duplicate-batch", B, 4, "batch", "`b-2` differs from `B-2` only in capitals"),
    "strand of a firing's name": (S, "S-3", "F-1", "duplicate-test", X, 1, None, "also a strand"),
    "unknown batch": (S, "S-3,B-2", "S-3,B-9", "unknown-batch", S, 4, "batch", "`B-9`"),
    "no length column": (S, "length (mm)", "burnt (mm)", "missing-column", S, 1, "length", "no column"),
    "no time column": (S, "time (s)", "took (s)", "missing-column", S, 1, "time", "neither"),
    "time empty": (S, "60.0,9.90", "60.0,", "bad-timing", S, 3, "time", "neither a time"),
    "unknown unit of lengths": (S, "length (mm)", "length (furlong)", "unknown-unit", S, 1, "length (furlong)", "furlong"),
    "unknown unit of times": (S, "time (s)", "time (jiffy)", "unknown-unit", S, 1, "time (jiffy)", "jiffy"),
    "unit of another kind": (S, "time (s)", "time (mm)", "unknown-unit", S, 1, "time (mm)", "unit of a length"),
    "lengths without unit": (S, "length (mm)", "length", "missing-unit", S, 1, "length", "`60.4` in line 2"),
    "quote not closed": (S, "S-2,", '"S-2,', "unreadable-row", S, 3, None, "cannot be split"),
    "inch mark in quotes": (S, "S-2,B-1,2026-03-21,60.0", 'S-2,B-1,2026-03-21,"5/16" in', "unreadable-row", S, 3, None, "cannot be split"),
    # firings
    "firing of no batch": (X, 'batch = "B-1"\n', "", "missing-field", X, None, "batch", "missing"),
    "firing of unknown batch": (X, '"B-1"', '"B-9"', "unknown-batch", X, 1, "batch", "`B-9`"),
    "no instrument": (X, '"cell"', '"cel"', "unknown-instrument", X, 21, "trace.thrust.instrument", "`cel`"),
    # instruments
    "instrument of no kind": (INSTRUMENTS, '"load-cell"', '"scale"', "bad-value", INSTRUMENTS, 2, "cell.kind", "`scale`"),
    "kind is a list": (INSTRUMENTS, '"load-cell"', "[]", "bad-value", INSTRUMENTS, 2, "cell.kind", "a list"),
    "kind missing": (INSTRUMENTS, 'kind = "load-cell"\n', "", "missing-field", INSTRUMENTS, 1, "cell.kind", "missing"),
    "raw unit unknown": (INSTRUMENTS, '"count"', '"N"', "unknown-unit", INSTRUMENTS, 3, "cell.reading_unit", "`N`"),
    "load without unit": (INSTRUMENTS, '"40 N"', "40", "bad-value", INSTRUMENTS, 4, "cell.calibration[2].load", "`40` has no unit"),
    "one reading": (INSTRUMENTS, "reading = 900", "reading = 100", "bad-value", INSTRUMENTS, 4, "cell.calibration", "two different readings"),
    "one load": (INSTRUMENTS, '"40 N"', '"0 N"', "bad-value", INSTRUMENTS, 4, "cell.calibration", "two different loads"),
    "reading misspelt": (INSTRUMENTS, "reading = 900", "raeding = 900", "unknown-key", INSTRUMENTS, 4, "cell.calibration[2].raeding", "nothing reads it"),
}  # fmt: skip


@pytest.mark.parametrize("case", SWAPS.values(), ids=SWAPS.keys())
def test_one_fault_one_finding(small: Any, case: Any) -> None:
    name, old, new, code, file, line, field, said = case
    small.swap(name, old, new)
    before = small.snapshot()
    reading = small.read()
    assert [str(problem) for problem in reading.problems[1:]] == []
    (problem,) = reading.problems
    path = file if file.startswith("shared/") else f"campaigns/small/{file}"
    place = (problem.code, problem.source.path, problem.source.line, problem.source.field)
    assert place == (code, path, line, field)
    assert re.search(re.escape(said), problem.message), problem.message
    assert problem.expected or problem.hint
    assert small.snapshot() == before
    with pytest.raises(RecordsError, match=re.escape(path)):
        reading.sound()


def _folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _missing(path: Path) -> None:
    path.unlink()


def _loop(path: Path) -> None:
    path.unlink()
    path.symlink_to(path)


def _fifo(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _huge(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(30_000_000)


SPOILERS = {
    "a folder": (_folder, "not-a-file"),
    "a pipe": (_fifo, "not-a-file"),
    "a link to itself": (_loop, "file-missing"),
    "too large": (_huge, "file-too-large"),
    "UTF-16": (lambda p: p.write_bytes(p.read_text("utf-8").encode("utf-16")), "not-utf-8"),
    "Latin-1": (lambda p: p.write_bytes(b"# caf\xe9\n" + p.read_bytes()), "not-utf-8"),
    "zero bytes": (lambda p: p.write_bytes(p.read_bytes()[:-9] + b"\0" * 9), "not-text"),
}


@pytest.mark.parametrize("name", [C, F, B, S, X, INSTRUMENTS])
@pytest.mark.parametrize("spoiler", SPOILERS.values(), ids=SPOILERS.keys())
def test_a_file_that_is_no_text_is_one_finding(small: Any, name: str, spoiler: Any) -> None:
    spoil, code = spoiler
    spoil(small.file(name))
    reading = small.read()
    (problem,) = reading.problems
    assert problem.code == code
    assert problem.source.path.endswith(name)
    assert problem.expected
    assert (reading.campaign is None) == (name == C)


@pytest.mark.parametrize("name", [C, F, B])
def test_a_file_that_is_needed_is_missed(small: Any, name: str) -> None:
    _missing(small.file(name))
    (problem,) = small.read().problems
    assert (problem.code, problem.source.path) == ("file-missing", f"campaigns/small/{name}")


@pytest.mark.parametrize("name", [B, S])
def test_an_empty_table_is_a_fault(small: Any, name: str) -> None:
    small.write(name, "")
    (problem,) = small.read().problems
    assert (problem.code, problem.source.path) == ("empty-file", f"campaigns/small/{name}")


def test_a_campaign_of_firings_alone_has_no_strands(small: Any) -> None:
    _missing(small.file(S))
    reading = small.read()
    assert reading.problems == ()
    assert reading.sound().strands == ()


def test_a_campaign_without_tests_needs_no_batches(small: Any) -> None:
    for name in (B, S, X):
        _missing(small.file(name))
    assert small.read().sound().batches == {}


def test_a_link_that_leads_nowhere_is_not_taken_for_no_strands(small: Any) -> None:
    small.file(S).unlink()
    small.file(S).symlink_to("gone.csv")
    (problem,) = small.read().problems
    assert (problem.code, problem.message) == (
        "file-missing",
        "the file is a link that leads nowhere",
    )


def test_a_file_that_may_not_be_read(small: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    # Permissions do not stop the superuser, as whom tests may run.
    real = os.open

    def refuse(path: Any, *rest: Any, **more: Any) -> int:
        if Path(path).name == "strands.csv":
            raise PermissionError(13, "Permission denied")
        return real(path, *rest, **more)

    monkeypatch.setattr(os, "open", refuse)
    (problem,) = small.read().problems
    assert (problem.code, problem.source.line) == ("unreadable", None)
    assert "Permission denied" in problem.message


def test_a_file_that_cannot_be_looked_at_is_not_taken_for_none(
    small: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As in a folder that may not be searched, which `Path.exists` of Python 3.14 does not tell.
    real = Path.stat

    def refuse(path: Path, **how: Any) -> os.stat_result:
        if path.name in ("strands.csv", "F-1.csv"):
            raise PermissionError(13, "Permission denied")
        return real(path, **how)

    monkeypatch.setattr(Path, "stat", refuse)
    trace, strands = small.read().problems
    assert (strands.code, trace.source.field) == ("unreadable", "trace.file")
    assert all("Permission denied" in problem.message for problem in (trace, strands))


def test_firings_as_a_file(small: Any) -> None:
    small.file(X).unlink()
    small.file("firings").rmdir()
    small.write("firings", "")
    (problem,) = small.read().problems
    assert (problem.code, problem.source.path) == ("not-a-folder", "campaigns/small/firings")


def test_deep_nesting_is_refused(small: Any) -> None:
    small.write(C, small.text(C) + "deep = " + "[" * 20_000 + "]" * 20_000 + "\n")
    (problem,) = small.read().problems
    assert problem.code == "toml-syntax"


def test_a_table_as_deep_as_can_be_written_is_no_trouble(small: Any) -> None:
    for name, key in ((C, "title"), (X, "batch"), (INSTRUMENTS, "cell"), (F, "base")):
        text = re.sub(rf"(?m)^(\[)?{key}\b.*\n", "", small.text(name), count=1)
        small.write(name, f"{key}.{'a.' * 1200}a = 1\n" + text)
    reading = small.read()
    assert reading.campaign is None
    assert all(len(str(problem)) < 1000 for problem in reading.problems)


def test_faults_are_sorted_and_all_there(small: Any) -> None:
    small.swap(S, "9.90", "-9.90")
    small.swap(S, "60.4", "sixty")
    small.swap(B, "450,1.764", "-450,1.764")
    small.swap(X, '"38 mm"', '"38"')
    small.swap(C, "300 m", "300")
    problems = small.read().problems
    places = [(p.source.path.removeprefix("campaigns/small/"), p.source.line) for p in problems]
    assert places == [(B, 2), (C, 3), (X, 7), (S, 2), (S, 3)]


def test_a_batch_whose_row_is_at_fault_is_not_unknown_too(small: Any) -> None:
    small.swap(B, "B-2,carbonate-10,2026-03-08,450", "B-2,carbonate-10,2026-03-08,4,50")
    small.swap(S, "S-2,B-1", "S-2,B-9")
    found = [(p.code, p.source.line) for p in small.read().problems]
    assert found == [("too-many-cells", 3), ("unknown-batch", 3)]


def test_what_a_faulty_formulation_causes_is_not_told_twice(small: Any) -> None:
    small.swap(F, "sorbitol = 35 }", "sorbitol = [] }")
    (problem,) = small.read().problems
    assert problem.source.field == "base.ingredients.sorbitol"


@pytest.mark.parametrize("content", ["[sorbitol]\nrole = []\n", "[sorbitol\n"])
def test_what_a_faulty_ingredient_causes_is_not_told_twice(small: Any, content: str) -> None:
    small.write("ingredients.toml", content)
    (problem,) = small.read().problems
    assert problem.source.path == "campaigns/small/ingredients.toml"
    small.file("ingredients.toml").rename(small.file("shared/ingredients.toml"))
    small.swap("formulations.toml", "potassium-nitrate = 65, ", "")
    small.write("formulations.toml", small.text("formulations.toml").partition("[carb")[0])
    problems = small.read().problems
    assert {p.source.path for p in problems if p.code != "unknown-formulation"} == {
        "shared/ingredients.toml"
    }


def test_without_shared_tables_the_shipped_ones_count(small: Any) -> None:
    small.file("shared/ingredients.toml").unlink()
    campaign = small.read().sound()
    assert len(campaign.ingredients) > 20


def test_gauge_readings_without_the_air_are_one_finding(small: Any) -> None:
    small.swap(C, 'altitude = "300 m"\n', "")
    small.swap(S, "pressure (psig)", "pressure")
    for pressure in ("149", "251", "153"):
        small.swap(S, f",{pressure}\n", f",{pressure} psig\n")
    (problem,) = small.read().problems
    assert problem.code == "no-ambient-pressure"
    assert "and 3 more such" in problem.message
    small.swap(X, '"p (psig)"', '"p (psia)"')
    (problem,) = small.read().problems
    assert (problem.source.line, problem.source.field) == (2, "pressure")
    assert "altitude" in problem.hint


def test_with_a_faulty_altitude_gauge_readings_are_not_told_too(small: Any) -> None:
    small.swap(C, "300 m", "300 mm2")
    (problem,) = small.read().problems
    assert problem.source.field == "altitude"


@pytest.mark.parametrize("name", [B, S])
@pytest.mark.parametrize(
    "save",
    [
        lambda text: text.replace(",", ";"),
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\r"),
        lambda text: "\ufeff" + text,
        lambda text: "sep=,\n" + text,
        lambda text: "# mine, all mine\n\n" + text + "\n,,,,\n \n",
        lambda text: text.replace("\n", ",,,\n"),
    ],
)
def test_however_a_spreadsheet_saved_it(small: Any, name: str, save: Any) -> None:
    def records() -> list[Any]:
        campaign = small.read().sound()
        kept = [*campaign.batches.values(), *campaign.strands]
        return [tuple(getattr(r, n) for n in r.__slots__ if n != "source") for r in kept]

    before = records()
    small.write(name, save(small.text(name)))
    assert records() == before


@pytest.mark.parametrize("name", [C, F, X, INSTRUMENTS])
@pytest.mark.parametrize("newline", ["\r\n", "\r"])
def test_line_ends_of_toml(small: Any, name: str, newline: str) -> None:
    small.write(name, "\ufeff" + small.text(name).replace("\n", newline))
    assert small.read().problems == ()
    small.swap(X, "segments = 2", "segments = 2.0")
    (problem,) = small.read().problems
    assert (problem.source.line, problem.source.field) == (10, "grain.segments")


def test_frames_and_wires(small: Any) -> None:
    small.write(
        S,
        "test,batch,length (in),frames,frame_rate (1/s),time (ms),pressure (bara),pressure_sd\n"
        "S-1,B-1,2,480,240,,20,0.1 bar\n"
        "S-2,B-1,1 1/2,,,9000,20 bara,\n"
        "S-2,B-1,1 1/8,,,7000,20,0.2\n",
    )
    one, two, three = small.read().sound().strands
    assert (one.frames, one.frame_rate, one.time) == (480.0, 240.0, None)
    assert (one.pressure, one.pressure_sd) == (2e6, 1e4)
    assert (two.length, two.time, two.test) == (0.0381, 9.0, three.test)
    assert three.pressure_sd == 2e4


@pytest.mark.parametrize(
    ("row", "field"),
    [("60,480,,,20", "frame_rate"), ("60,480,240,2,20", "frames"), ("60,,240,,20", "time")],
)
def test_timing_is_one_way_or_the_other(small: Any, row: str, field: str) -> None:
    small.write(
        S,
        f"test,batch,length (mm),frames,frame_rate (1/s),time (s),pressure (bara)\nS-1,B-1,{row}\n",
    )
    (problem,) = small.read().problems
    assert (problem.code, problem.source.line, problem.source.field) == ("bad-timing", 2, field)


def test_an_uncertainty_follows_its_reading(small: Any) -> None:
    small.swap(S, "pressure (psig)", "pressure (psig),length_sd,time_sd (ms)")
    small.swap(S, ",149\n", ",149,0.5,100\n")
    first = small.read().sound().strands[0]
    assert (first.length_sd, first.time_sd) == (0.0005, 0.1)
    small.swap(S, "length (mm)", "length (furlong)")
    assert [p.source.field for p in small.read().problems] == ["length (furlong)"]


def test_remarks_are_no_problems(small: Any) -> None:
    small.swap(C, "altitude", 'operator = "Io"\naltitude')
    small.swap(S, "60.4,12.13", "6040,12.13")
    small.write("firings/F-2.txt", "x")
    small.write("firings/.F-3.toml.abc.part", "half")
    small.write("firings/._F-1.toml", b"\0\1")
    small.write(".write.lock", "")
    reading = small.read()
    assert reading.problems == ()
    found = [(r.code, r.source.path.rpartition("/")[2], r.source.line) for r in reading.remarks]
    assert found == [
        ("unknown-key", "campaign.toml", 3),
        ("unread-file", "F-2.txt", None),
        ("implausible", "strands.csv", 2),
        ("implausible", "strands.csv", 2),
    ]
    assert "mm/s" in reading.remarks[2].message
    assert reading.remarks[3].message == "length of 6040 mm"


_JUNK = st.sampled_from(
    [b'"', b"'", b"\n", b"\r", b"[", b"]", b"{", b"}", b"=", b".", b",", b";", b"\t", b"#", b"\0",
     b"\xff", b'"""', b"\\", b"sep=;\n", b"(", b"nan", b"-", b"9" * 5000]
)  # fmt: skip


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    name=st.sampled_from([C, F, B, S, X, INSTRUMENTS]),
    cuts=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 4), _JUNK), min_size=1, max_size=4),
)
def test_nothing_crashes_on_a_spoilt_file(small: Any, name: str, cuts: Any) -> None:
    sound = small.file(name).read_bytes()
    spoilt = sound
    for where, length, junk in cuts:
        place = int(where * len(spoilt))
        spoilt = spoilt[:place] + junk + spoilt[place + length :]
    small.write(name, spoilt)
    try:
        reading = small.read()
        assert reading.campaign is not None or reading.problems
        assert not any("\n" in str(f) for f in (*reading.problems, *reading.remarks))
        assert small.file(name).read_bytes() == spoilt
    finally:
        small.write(name, sound)


def test_a_campaign_may_keep_its_own_instruments(small: Any) -> None:
    shared = small.file("shared/instruments.toml")
    small.write("instruments.toml", shared.read_bytes())
    shared.unlink()
    reading = small.read()
    assert reading.problems == ()
    assert reading.campaign is not None
    assert list(reading.campaign.instruments) == ["cell"]
    assert reading.campaign.instruments["cell"].source.path == "campaigns/small/instruments.toml"
