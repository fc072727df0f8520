"""A bench folder of one's own for each test, and the program as a person runs it."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from strandwise.cli import main

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Run:
    """What one call of the program gave."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        def refuse(text: str) -> None:
            msg = f"{text} is no JSON"
            raise ValueError(msg)

        return json.loads(self.out, parse_constant=refuse)


Runner = Callable[..., Run]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Runner:
    def call(*args: str) -> Run:
        capsys.readouterr()
        code = main(args)
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return Run(code, captured.out, captured.err)

    return call


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench folder with a copy of the demonstration campaign; the test stands in it."""
    folder = tmp_path / "bench"
    shutil.copytree(ROOT / "campaigns" / "demo", folder / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", folder / "shared")
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder that the test stands in."""
    folder = tmp_path / "empty"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def digest() -> Callable[[Path], dict[str, str]]:
    """Every path below a folder with the SHA-256 of its content and the time it was written."""

    def of(folder: Path) -> dict[str, str]:
        return {
            path.relative_to(folder).as_posix(): (
                f"{hashlib.sha256(path.read_bytes()).hexdigest()} {path.stat().st_mtime_ns}"
                if path.is_file()
                else f"folder {path.stat().st_mtime_ns}"
            )
            for path in sorted(folder.rglob("*"))
        }

    return of
