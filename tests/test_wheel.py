"""What is shipped is whole: a wheel, unpacked far from the checkout, does the whole job alone."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that the wheel was unpacked into."""
    made = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(made)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    (file,) = made.glob("*.whl")
    unpacked = made / "unpacked"
    with zipfile.ZipFile(file) as archive:
        archive.extractall(unpacked)
    return unpacked


def outside(wheel: Path, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run Python in a folder that is not of the checkout, with the wheel's package first."""
    environment = os.environ | {"PYTHONPATH": str(wheel), "HOME": str(folder)}
    return subprocess.run(
        [sys.executable, *words],
        cwd=folder,
        env=environment,
        text=True,
        capture_output=True,
        check=False,
    )


def test_it_holds_the_tables_that_every_bench_starts_with(wheel: Path) -> None:
    shipped = wheel / "strandwise" / "_shipped"
    for table in ("ingredients.toml", "instruments.toml"):
        text = (ROOT / "shared" / table).read_bytes()
        assert (shipped / "shared" / table).read_bytes() == text
    demo = ROOT / "campaigns" / "demo"
    for path in demo.rglob("*"):
        if path.is_file():
            copy = shipped / "campaigns" / "demo" / path.relative_to(demo)
            assert copy.read_bytes() == path.read_bytes()


def test_it_holds_every_module_and_template_and_nothing_else_of_the_checkout(wheel: Path) -> None:
    source = ROOT / "src" / "strandwise"
    ours = {
        path.relative_to(source)
        for path in source.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    package = wheel / "strandwise"
    held = {
        path.relative_to(package)
        for path in package.rglob("*")
        if path.is_file() and "_shipped" not in path.relative_to(package).parts
    }
    assert held == ours
    assert {path.name.split("-")[0] for path in wheel.iterdir()} == {"strandwise"}


def test_its_package_does_the_whole_job_in_an_empty_folder(wheel: Path, tmp_path: Path) -> None:
    where = outside(wheel, tmp_path, "-c", "import strandwise; print(strandwise.__file__)")
    assert Path(where.stdout.strip()).is_relative_to(wheel)
    done = outside(wheel, tmp_path, "-m", "strandwise", "demo")
    assert done.returncode == 0, done.stderr
    assert "carbonate-10 burns" in done.stdout


def test_it_passes_tests_from_outside_the_checkout(wheel: Path, tmp_path: Path) -> None:
    # The tests of a campaign made by hand, end to end; DEVELOPERS.md tells how to run them all.
    (tmp_path / "tests" / "cli").mkdir(parents=True)
    for name in ("conftest.py", "cli/conftest.py", "cli/test_end_to_end.py"):
        shutil.copy(ROOT / "tests" / name, tmp_path / "tests" / name)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    done = outside(wheel, tmp_path, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests")
    assert done.returncode == 0, done.stdout + done.stderr
