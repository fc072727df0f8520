"""The house keeps its walls, and what is public is documented."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import strandwise

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "src" / "strandwise"
FILES = tuple(sorted(SOURCE.rglob("*.py")))
MODULES = tuple(
    sorted(info.name for info in pkgutil.walk_packages(strandwise.__path__, "strandwise."))
)
ROOMS = tuple(sorted(path.parent.name for path in SOURCE.glob("*/__init__.py")))


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def room(path: Path) -> str:
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


def test_the_contracts_of_the_import_linter_hold() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert contracts["tool"]["importlinter"]["contracts"]
    lint = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"
    done = subprocess.run(
        [sys.executable, "-c", lint, "--no-cache"],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


def test_every_room_is_on_a_floor() -> None:
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    layers = contracts["tool"]["importlinter"]["contracts"][0]["layers"]
    placed = {name.strip().removeprefix("strandwise.") for row in layers for name in row.split("|")}
    assert {*ROOMS, "errors", "findings", "distributions"} == placed


@pytest.mark.parametrize("name", [name for name in MODULES if not name.endswith("__main__")])
def test_what_a_module_exports_is_there_and_documented(name: str) -> None:
    module = importlib.import_module(name)
    assert inspect.getdoc(module), "the module has no docstring"
    for export in getattr(module, "__all__", ()):
        value = getattr(module, export)
        if inspect.isfunction(value) or inspect.isclass(value):
            assert inspect.getdoc(value), export
        if inspect.isclass(value) and value.__module__ == name:
            for part, member in vars(value).items():
                documented = inspect.isfunction(member) or isinstance(member, property)
                if documented and not part.startswith("_"):
                    assert inspect.getdoc(member), f"{export}.{part}"


@pytest.mark.parametrize("name", ROOMS)
def test_a_room_says_what_is_public(name: str) -> None:
    module = importlib.import_module(f"strandwise.{name}")
    exports = getattr(module, "__all__", [])
    if name != "workflow":  # its modules are imported by their own names
        assert exports
    assert len(set(exports)) == len(exports)


def imports(path: Path) -> Iterator[ast.ImportFrom]:
    return (node for node in ast.walk(tree(path)) if isinstance(node, ast.ImportFrom))


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(SOURCE).as_posix())
def test_another_room_is_entered_by_its_door(path: Path) -> None:
    """Modules that load slowly are imported by their own names, as their packages say."""
    by_name = {"workflow", "report", "ratelaw.nonlinear", "formulation.equilibrium"}
    for node in imports(path):
        match = re.fullmatch(r"strandwise\.(\w+)\.(.+)", node.module or "")
        if match and match[1] != room(path) and match[1] not in by_name:
            assert f"{match[1]}.{match[2]}" in by_name, node.module


@pytest.mark.parametrize(
    "path",
    [path for path in FILES if room(path) != "cli"],
    ids=lambda p: p.relative_to(SOURCE).as_posix(),
)
def test_the_library_imports_at_the_top_and_does_not_print(path: Path) -> None:
    for function in ast.walk(tree(path)):
        if not isinstance(function, ast.FunctionDef):
            continue
        for node in ast.walk(function):
            assert not isinstance(node, ast.Import | ast.ImportFrom), function.name
            called = isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
            assert not (called and node.func.id == "print"), function.name  # type: ignore[attr-defined]


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.relative_to(SOURCE).as_posix())
def test_a_file_can_be_read_in_one_sitting(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 600


def test_nothing_says_that_a_motor_is_safe() -> None:
    words = re.compile(r"\bsafe(ly|ty|r)?\b", re.IGNORECASE)
    for path in FILES:
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert not words.search(node.value), (path.name, node.lineno)
