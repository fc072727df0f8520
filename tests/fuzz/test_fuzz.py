"""Inputs that nobody wrote: no reader answers with anything but findings or our own errors.

A seeded run of seconds, and all that ever broke a reader (`corpus/`). `run.py` is the same for as
long as wanted; a million inputs were fed by hand before the readers were called sound.
"""

from __future__ import annotations

import ast
import contextlib
import importlib.util
import math
import os
import sys
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import StrandwiseError, UnitError
from strandwise.findings import Finding
from strandwise.records import read_campaign
from strandwise.records.tomltable import load_toml
from strandwise.reduction.logfile import read_log
from strandwise.units import Kind, parse_quantity

HERE = Path(__file__).parent
SOURCE = HERE.parents[1] / "src" / "strandwise"
INPUTS = {"quantity": 3000, "field": 2000, "whole": 30, "options": 40, "trace": 150}
OTHERS = 150


def load(name: str) -> ModuleType:
    """A module beside this one."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


mutation, targets, run = (load(name) for name in ("mutation", "targets", "run"))
needs_alarm = pytest.mark.skipif(sys.platform == "win32", reason="needs a signal that interrupts")


@pytest.fixture(scope="module")
def shop() -> Iterator[Any]:
    made, folder = targets.workshop()
    with folder:
        yield made


@needs_alarm
@pytest.mark.parametrize("target", targets.TARGETS)
def test_spoilt_inputs_are_told(shop: Any, target: str) -> None:
    count = INPUTS.get(target, OTHERS)
    for data in islice(mutation.inputs(target, 8), count):
        assert run.fault_of(shop, target, data) == "", data


@needs_alarm
@pytest.mark.parametrize(
    "path", sorted(HERE.glob("corpus/*/*")), ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_what_broke_a_reader_is_told_now(shop: Any, path: Path) -> None:
    start = time.monotonic()
    assert run.fault_of(shop, path.parent.name, path.read_bytes()) == ""
    assert time.monotonic() - start < 1.0


def test_the_net_has_no_hole(shop: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that raises, or that never ends, would be caught."""

    def raises(*_: Any) -> None:
        raise IndexError

    def hangs(*_: Any) -> None:
        while True:
            pass

    monkeypatch.setattr(run, "SECONDS", 0.05)
    monkeypatch.setitem(run.TARGETS, "raises", raises)
    monkeypatch.setitem(run.TARGETS, "hangs", hangs)
    assert "IndexError" in run.fault_of(shop, "raises", b"")
    assert "TooSlowError" in run.fault_of(shop, "hangs", b"")
    assert set(run.SHARES) == set(targets.TARGETS) - {"raises", "hangs"}


@given(st.text(max_size=60), st.sampled_from(Kind))
@settings(max_examples=400)
def test_any_text_is_a_quantity_or_is_refused(text: str, kind: Kind) -> None:
    with contextlib.suppress(UnitError):
        assert math.isfinite(parse_quantity(text, kind).si)


@given(st.binary(max_size=300))
@settings(max_examples=200)
def test_any_bytes_are_a_file_or_a_finding(data: bytes) -> None:
    shop, folder = targets.workshop()
    with folder:
        for target in ("strands", "settings", "firing"):
            with contextlib.suppress(StrandwiseError):
                targets.TARGETS[target](shop, data)


# A file of each kind of bomb, and the words that the one finding about it must have.
BOMBS = {
    "deep lists": ("strands.toml", b"a = " + b"[" * 100_000, "brackets stand too deep"),
    "deep tables": ("x.toml", b"a = " + b"{a=" * 20_000, "brackets stand too deep"),
    "a key of many parts": ("x.toml", b"a" + b".a" * 10_000 + b" = 1\n", "very many parts"),
    "a heading of many parts": ("x.toml", b"[" + b'"a" . ' * 9_999 + b"a]\n", "very many parts"),
    "digits": ("x.toml", b"a = " + b"1" * 100_000 + b"\n", "not valid TOML"),
    "hexadecimal digits": ("x.toml", b"a = 0x" + b"f" * 100_000 + b"\n", "very many digits"),
    "tables": ("x.toml", b"".join(b"[t%d]\n" % n for n in range(9_000)), "9000 tables"),
}


@pytest.mark.parametrize("bomb", BOMBS.values(), ids=BOMBS.keys())
def test_a_bomb_is_one_finding_at_once(bomb: tuple[str, bytes, str]) -> None:
    _, content, words = bomb
    start = time.monotonic()
    found = load_toml(content.decode("utf-8"), "x.toml")
    assert isinstance(found, Finding)
    assert words in found.message
    assert time.monotonic() - start < 1.0


CSV_HEAD = b"test,batch,length (mm),time (s),pressure (psig)\n"
CSV_BOMBS = {
    "columns": (b",".join(b"c%d" % n for n in range(20_000)) + b"\n", "the headings are 20000"),
    "a line without end": (CSV_HEAD + b"x" * 1_000_000, "more than 200000 characters"),
    "rows": (CSV_HEAD + b"S,B,1,1,1\n" * 200_000, "too many rows"),
    "faults": (CSV_HEAD + b"S,B,x,1,1\n" * 50_000, "more than 1000 faults"),
    "rows that are none": (CSV_HEAD + b'S,"B"x,1\n' * 50_000, "too many rows that cannot"),
    "size": (CSV_HEAD + b"#\n" * 6_000_000, "at most 10000000 bytes"),
    "a huge exponent": (CSV_HEAD + b"S-1,B-1,1e999999,1,1\n", "exponent 999999"),
    "a huge number": (CSV_HEAD + b"S-1,B-1," + b"9" * 90_000 + b",1,1\n", "90000 characters long"),
}


@pytest.mark.parametrize("bomb", CSV_BOMBS.values(), ids=CSV_BOMBS.keys())
def test_a_table_that_is_too_much_is_told_in_time(shop: Any, bomb: tuple[bytes, str]) -> None:
    content, words = bomb
    path = shop.campaign.strands
    before = path.read_bytes()
    start = time.monotonic()
    try:
        path.write_bytes(content)
        problems = read_campaign(shop.campaign).problems
    finally:
        path.write_bytes(before)
    assert any(words in str(problem) for problem in problems)
    assert len(problems) < 2100
    assert time.monotonic() - start < 30.0


@pytest.mark.parametrize("kind", ["pipe", "device", "endless", "link out", "loop"])
@pytest.mark.parametrize(
    "name", ["campaign.toml", "strands.csv", "firings/F-1.toml", "traces/F-1.csv"]
)
def test_what_is_no_plain_file_of_the_bench_is_not_read(shop: Any, kind: str, name: str) -> None:
    path = shop.campaign.path / name
    before = path.read_bytes()
    path.unlink()
    secret = shop.folder / "secret"
    secret.write_text("SECRET,1\n")
    try:
        if kind == "pipe":
            os.mkfifo(path)
        else:
            goals = {"device": "/dev/null", "endless": "/dev/zero", "link out": str(secret)}
            path.symlink_to(goals.get(kind, path))
        start = time.monotonic()
        problems = read_campaign(shop.campaign).problems
        assert time.monotonic() - start < 2.0
        assert any(name in f"{p.source} {p.message}" or "trace" in str(p.source) for p in problems)
        assert not any("SECRET" in str(problem) for problem in problems)
        if kind != "link out":
            with pytest.raises(StrandwiseError, match="cannot be read"):
                read_log(path)
    finally:
        path.unlink()
        path.write_bytes(before)


@pytest.mark.parametrize(
    "file",
    ["../../../secret", "/etc/passwd", "traces/../../../../secret", "C:/x.csv", "traces/link.csv",
     "..\\\\..\\\\..\\\\secret", "/dev/zero", "traces", "", "traces/\\u0000"],
)  # fmt: skip
def test_no_trace_leads_out_of_the_bench_folder(shop: Any, file: str) -> None:
    (shop.folder / "secret").write_text("SECRET,1\n")
    link = shop.campaign.traces / "link.csv"
    link.symlink_to(shop.folder / "secret")
    path = shop.campaign.firing("F-1")
    before = path.read_bytes()
    try:
        path.write_bytes(before.replace(b"traces/F-1.csv", file.encode("utf-8")))
        reading = read_campaign(shop.campaign)
        assert [p.source.field for p in reading.problems] == ["trace.file"]
        assert "SECRET" not in str(reading.problems)
    finally:
        path.write_bytes(before)
        link.unlink()


_BANNED = {
    "eval", "exec", "compile", "__import__", "pickle", "marshal", "shelve", "yaml", "dill",
    "subprocess", "ctypes", "system", "popen", "loads_pickle", "allow_pickle",
}  # fmt: skip


@pytest.mark.parametrize(
    "path", sorted(SOURCE.rglob("*.py")), ids=lambda path: path.relative_to(SOURCE).as_posix()
)
def test_nothing_can_run_what_a_file_holds(path: Path) -> None:
    """No call or import by which text could become code; `re.compile` takes no code."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in _BANNED
        if isinstance(node, ast.Call):
            assert not {word.arg for word in node.keywords} & {"shell", "allow_pickle"}
        if isinstance(node, ast.Attribute):
            assert node.attr not in _BANNED - {"compile"}
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = {alias.name.partition(".")[0] for alias in node.names}
            names.add((getattr(node, "module", "") or "").partition(".")[0])
            assert not names & _BANNED
