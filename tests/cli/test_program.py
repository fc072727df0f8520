from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import StrandwiseError

COMMANDS = ("demo", "init", "new", "mix", "log", "check", "reduce", "fit", "compare")
PROGRAM = (sys.executable, "-m", "strandwise")


def test_help_names_every_command_and_warns(run: Any) -> None:
    result = run("--help")
    assert result.code == 0
    for name in COMMANDS:
        assert f"\n  {name} " in result.out
    assert "not a licence" in result.out
    assert "safe" not in result.out.lower()


def test_version(run: Any) -> None:
    result = run("--version")
    assert (result.code, result.out) == (0, "strandwise 0.1.0\n")


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("ft", "demo"), "No such command 'ft'. Did you mean 'fit'?"),
        (("fit", "demo", "--btch", "M-01"), "No such option '--btch'. Did you mean '--batch'?"),
        (("log", "strnd", "demo"), "No such command 'strnd'. Did you mean 'strand'?"),
        (("fit",), "Missing argument 'CAMPAIGN'"),
        (("fit", "demo", "--law", "cubic"), "'cubic' is not one of"),
        (
            ("log", "strand", "demo"),
            "Missing options --test, --batch, --length, --pressure, --time",
        ),
        (("log", "batch", "demo", "--batch", "X"), "Missing option --formulation."),
        (("log", "firing", "demo", "--test", "F"), "--throat"),
        ((), "Commands:"),
    ],
)
@pytest.mark.usefixtures("bench")
def test_wrong_usage_exits_2(run: Any, args: tuple[str, ...], said: str) -> None:
    result = run(*args)
    assert (result.code, result.out) == (2, "")
    if said != "--throat":
        assert said in result.err
    else:
        assert (
            "Missing options --batch, --outer-diameter, --core-diameter, --length, " in result.err
        )


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("fit", "demo", "--batch", "M01"), "there is no batch `M01`"),
        (("fit", "demo", "--batch", "M01"), "did you mean `M-01`?"),
        (("fit", "dmeo"), "there is no campaign `dmeo`"),
        (("compare", "demo", "--baseline", "bas"), "did you mean `base`?"),
        (("mix", "show", "demo", "bas"), "there is no formulation `bas`"),
        (("compare", "demo", "--at", "4"), "--at: `4` has no unit"),
        (("compare", "demo", "--at", "4 mm"), "--at: `mm` is the unit of a length"),
        (("compare", "demo", "--at", "0 MPa"), "--at: "),
        (("check", "../shared"), "cannot be a campaign's name"),
        (("new", "demo"), "there is a campaign `demo` already"),
        (("new", "a/b"), "cannot be a campaign's name"),
        (("new", "x", "--altitude", "300"), "altitude: `300` has no unit"),
        (("new", "x", "--baseline", "a/b"), "baseline: `a/b` cannot be a name"),
        (("new", "x", "--recipe", "sorbitl 35"), "did you mean `sorbitol`?"),
        (("new", "x", "--recipe", "sorbitol"), "`sorbitol` is no amount of an ingredient"),
        (("new", "x", "--recipe", "sorbitol 3, sorbitol 4"), "stands twice in the recipe"),
        (("init", "."), "is a bench folder already"),
        (("init", "campaigns/demo/batches.csv"), "is a file"),
        (("demo", "."), "is a bench folder already"),
        (("--bench", "nowhere", "fit", "demo"), "nowhere is no bench folder"),
        (("fit", "demo", "--figure", "laws.doc"), "'.doc'"),
        (("fit", "demo", "--figure", "nowhere/laws.svg"), "the folder 'nowhere'"),
        (("compare", "demo", "--figure", "shifts"), "the name of the picture has no ending"),
        (("compare", "demo", "--figure", "nowhere/shifts.svg"), "the folder 'nowhere'"),
    ],
)
@pytest.mark.parametrize("as_json", [False, True])
def test_a_request_that_cannot_be_met_exits_1_with_one_message(
    run: Any, bench: Path, digest: Any, args: tuple[str, ...], said: str, as_json: bool
) -> None:
    before = digest(bench)
    result = run(*args, *(["--json"] if as_json else []))
    assert (result.code, result.out) == (1, "")
    assert said in result.err
    assert result.err.startswith("strandwise: ")
    assert result.err.count("\n") == 1
    assert digest(bench) == before


@pytest.mark.usefixtures("empty")
def test_a_folder_without_a_bench(run: Any) -> None:
    result = run("fit", "demo")
    assert result.code == 1
    assert "there is no bench folder at or above" in result.err
    assert "strandwise init" in result.err


def test_a_campaign_folder_without_its_files_names_each(run: Any, bench: Path, digest: Any) -> None:
    (bench / "campaigns" / "bare").mkdir()
    before = digest(bench)
    for command in ("reduce", "fit", "compare"):
        result = run(command, "bare")
        assert (result.code, result.out) == (1, "")
        assert "campaigns/bare/campaign.toml: the file does not exist" in result.err
    assert digest(bench) == before


def test_a_picture_to_a_folder_is_refused(run: Any, bench: Path) -> None:
    (bench / "laws.svg").mkdir()
    result = run("fit", "demo", "--figure", "laws.svg")
    assert (result.code, result.out) == (1, "")
    assert "'laws.svg' cannot be written" in result.err
    assert sorted(path.name for path in bench.iterdir()) == ["campaigns", "laws.svg", "shared"]


@pytest.mark.skipif(os.name != "posix", reason="a folder in use cannot be removed there")
def test_a_folder_that_is_gone(run: Any, empty: Path) -> None:
    empty.rmdir()
    result = run("fit", "demo")
    assert result.code == 1
    assert "the folder that you are in cannot be read" in result.err


def test_a_stated_bench_needs_no_place_to_stand_in(
    run: Any, bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("--bench", str(bench), "check", "demo")
    assert (result.code, result.out) == (0, "demo: no problem found\n")


@pytest.mark.usefixtures("bench")
def test_an_error_of_the_library_is_a_message(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        msg = "the numbers are at fault"
        raise StrandwiseError(msg, hint="look again")

    monkeypatch.setattr("strandwise.records.read_campaign", fail)
    result = run("check", "demo")
    assert (result.code, result.err) == (1, "strandwise: the numbers are at fault; look again\n")


@pytest.mark.usefixtures("bench")
def test_ctrl_c_exits_130_without_a_traceback(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("strandwise.records.read_campaign", interrupt)
    result = run("check", "demo")
    assert (result.code, result.out) == (130, "")
    assert result.err.strip() == "strandwise: stopped"


INTERRUPTED_IMPORT = """
import os, signal, sys
class Hook:
    def find_spec(self, name, path=None, target=None):
        if name == sys.argv[1]:
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Hook())
from strandwise.cli import main
sys.exit(main(["compare", "demo"]))
"""


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("module", ["click", "numpy", "scipy.special", "strandwise.tracking"])
def test_ctrl_c_while_libraries_load_exits_130_too(module: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", INTERRUPTED_IMPORT, module],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr.strip() in ("", "strandwise: stopped")


@pytest.mark.skipif(os.name != "posix", reason="pipes and /dev")
@pytest.mark.parametrize("command", ["reduce demo", "fit demo --json", "--help"])
@pytest.mark.usefixtures("bench")
def test_a_reader_that_stops_early_is_no_fault(command: str) -> None:
    with subprocess.Popen(
        [*PROGRAM, *command.split()], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
        process.wait(timeout=60)
    assert process.returncode in (0, 1)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
@pytest.mark.usefixtures("bench")
def test_a_full_disk_is_told() -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [*PROGRAM, "fit", "demo"], stdout=full, stderr=subprocess.PIPE, text=True,
            check=False, timeout=60,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("strandwise: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.usefixtures("bench")
def test_output_in_a_narrow_encoding_is_spelt_out() -> None:
    done = subprocess.run(
        [*PROGRAM, "fit", "demo"], capture_output=True, check=False, timeout=60,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )  # fmt: skip
    assert done.returncode == 0
    assert b"M-01" in done.stdout
    done.stdout.decode("ascii")
