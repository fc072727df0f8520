from __future__ import annotations

import contextlib
import itertools
import json
import os
import platform
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from strandwise.errors import StrandwiseError

COMMANDS = (
    "demo", "init", "new", "mix", "log", "check", "reduce", "fit", "compare", "drift", "plan",
    "forecast", "calibrate", "report", "export", "completion",
)  # fmt: skip
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
    assert result.code == 0
    lines = result.out.splitlines()
    assert lines[0] == f"strandwise {version('strandwise')}"
    assert lines[1] == f"Python {platform.python_version()}"
    assert f"numpy {version('numpy')}" in lines


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
        (("fit", "dmeo"), "did you mean `demo`?"),
        (("forecast", "demo", "ful-size"), "did you mean `full-size`?"),
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
        (("fit", "demo", "--figure", "laws.doc"), "written as `.doc`"),
        (("fit", "demo", "--figure", "nowhere/laws.svg"), "the folder `nowhere`"),
        (("compare", "demo", "--figure", "shifts"), "the name of the picture has no ending"),
        (("compare", "demo", "--figure", "nowhere/shifts.svg"), "the folder `nowhere`"),
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
    assert "`laws.svg` cannot be written" in result.err
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
    assert process.returncode == 141  # 128 + 13, the number of SIGPIPE (POSIX)


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


@pytest.mark.skipif(os.name != "posix", reason="pipes")
@pytest.mark.usefixtures("bench")
def test_a_reader_of_the_first_line_gets_it_whole_and_no_complaint() -> None:
    with subprocess.Popen(
        [*PROGRAM, "reduce", "demo"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline() == b"Rate points of demo\n"
        process.stdout.close()
        assert process.stderr.read() == b""
        process.wait(timeout=60)
    assert process.returncode in (0, 141)


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    ("command", "encoding"),
    [
        ("fit demo", "ascii"),
        *itertools.product(["fit demo", "compare demo", "reduce demo --test F-03"],
                           ["cp1252", "cp437"]),
    ],
)  # fmt: skip
def test_output_in_a_narrow_encoding_is_spelt_out(command: str, encoding: str) -> None:
    done = subprocess.run(
        [*PROGRAM, *command.split()], capture_output=True, check=False, timeout=60,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode(encoding)
    assert "-0" in text or "F-03" in text or "M-01" in text
    assert "\\x" not in text
    assert "\\u" not in text


@pytest.mark.usefixtures("bench")
def test_json_keeps_its_meaning_in_a_narrow_encoding() -> None:
    plain, wide = (
        subprocess.run(
            [*PROGRAM, "reduce", "demo", "--json"], capture_output=True, check=True, timeout=60,
            env={**os.environ, "PYTHONIOENCODING": encoding},
        ).stdout.decode(encoding)
        for encoding in ("cp1252", "utf-8")
    )  # fmt: skip
    assert json.loads(plain) == json.loads(wide)


def test_help_tells_the_exit_codes(run: Any) -> None:
    text = run("--help").out
    codes = text.partition("Exit codes:")[2]
    for code in (0, 1, 2, 130, 141):
        assert f"\n  {code} " in codes


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    ("command", "said"),
    [
        ("compare demo", "not a licence"),
        ("plan demo", "not a licence"),
        ("forecast demo full-size --draws 200", "Fire remotely"),
        ("init other", "Next:"),
        ("new other", "Next:"),
        ("export demo -o tables", "READ-ME.txt"),
    ],
)
def test_quiet_leaves_out_hints_and_conduct_and_keeps_the_result(
    run: Any, command: str, said: str
) -> None:
    told = run(*command.split())
    assert said in told.out
    for folder in ("other", "tables", "campaigns/other"):
        shutil.rmtree(folder, ignore_errors=True)
    quiet = run("--quiet", *command.split())
    assert (quiet.code, quiet.err) == (0, "")
    assert said not in quiet.out
    for line in quiet.out.splitlines():
        assert line in told.out
    if "To heed:" in told.out:
        assert "To heed:" in quiet.out


@pytest.mark.usefixtures("empty")
def test_quiet_says_nothing_of_what_was_done(run: Any) -> None:
    recipe = ("--recipe", "potassium-nitrate 65, sorbitol 35")
    batch = ("--batch", "B-1", "--formulation", "base")
    strand = ("--test", "T-1", "--batch", "B-1", "--length", "80 mm", "--time", "9 s")
    for words in (
        ("init", "."),
        ("new", "own", *recipe),
        ("log", "batch", "own", *batch),
        ("log", "strand", "own", *strand, "--pressure", "3 MPaa"),
        ("undo", "own", "--yes"),
        ("undo", "own", "--redo", "--yes"),
        ("export", "own"),
        ("report", "own"),
        ("mix", "sheet", "own", "base", "--mass", "1 kg", "--scale", "1 g", "-o", "sheet.html"),
    ):
        result = run("--quiet", *words)
        assert (result.code, result.out, result.err) == (0, "", ""), words
    assert "T-1" in run("--quiet", "reduce", "own").out


@pytest.mark.usefixtures("empty")
def test_a_quiet_demonstration_prints_its_results_alone(
    run: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The pictures and the page take most of its time; here they are not looked at.
    monkeypatch.setattr("strandwise.report.figures.save_figure", lambda *_: None)
    monkeypatch.setattr("strandwise.cli.report.write_report", lambda *_: 0)
    quiet = run("--quiet", "demo")
    assert (quiet.code, quiet.err) == (0, "")
    assert quiet.out.startswith("Burn-rate laws\n")
    for words in ("Pictures:", "invented", "Next:", "The files", "not a licence", "Fire remotely"):
        assert words not in quiet.out
    assert "carbonate-10 burns" in quiet.out


COMPLETIONS = [
    ("strandwise f", {"fit", "forecast"}),
    ("strandwise log st", {"strand"}),
    ("strandwise fit d", {"demo"}),
    ("strandwise fit demo --batch M-0", {f"M-0{i}" for i in range(1, 10)}),
    ("strandwise fit demo --explain M-01", {"M-01"}),
    ("strandwise fit demo --law seg", {"segmented"}),
    ("strandwise fit demo --fig", {"--figure"}),
    ("strandwise mix show demo c", {"carbonate-10", "carbonate-20"}),
    ("strandwise compare demo --baseline b", {"base"}),
    ("strandwise reduce demo --test F-0", {"F-01", "F-02", "F-03", "F-04"}),
    ("strandwise forecast demo fu", {"full-size"}),
    ("strandwise report demo --motor fu", {"full-size"}),
    ("strandwise log strand demo --batch M-09", {"M-09"}),
    ("strandwise log strand demo --test S", set()),
    ("strandwise log batch demo --batch M", set()),
    ("strandwise mix derive demo --for sorb", {"sorbitol"}),
    ("strandwise fit demo --units in", {"inch-pound"}),
    ("strandwise fit nowhere --batch M", set()),
]


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(("line", "offered"), COMPLETIONS, ids=[line for line, _ in COMPLETIONS])
def test_a_shell_is_offered_commands_options_and_names(
    run: Any, monkeypatch: pytest.MonkeyPatch, line: str, offered: set[str]
) -> None:
    monkeypatch.setenv("_STRANDWISE_COMPLETE", "bash_complete")
    monkeypatch.setenv("COMP_WORDS", line)
    monkeypatch.setenv("COMP_CWORD", str(len(line.split(" ")) - 1))
    result = run()
    assert (result.code, result.err) == (0, "")
    told = [item.split(",", 1) for item in result.out.splitlines() if item]
    assert {name for kind, name in told if kind == "plain"} == offered


@pytest.mark.parametrize(
    ("shell", "said"), [("bash", "complete -o nosort"), ("zsh", "compdef"), ("fish", "complete ")]
)
def test_the_script_for_a_shell(run: Any, shell: str, said: str) -> None:
    result = run("completion", shell)
    assert (result.code, result.err) == (0, "")
    assert said in result.out
    assert "_STRANDWISE_COMPLETE" in result.out


WAITING = """
import dataclasses, sys, time
from strandwise.cli import main
from strandwise import progress
import strandwise.workflow.reducing as reducing
def slow(campaign, units=None, reduce=reducing.reduce_campaign):
    for _ in progress.steps(range(4), "reducing tests"):
        time.sleep(float(sys.argv[1]))
    # Firings would take as long as the machine is busy, and have a bar of their own.
    return reduce(dataclasses.replace(campaign, firings=()), units)
reducing.reduce_campaign = slow
sys.exit(main(sys.argv[2:]))
"""


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")
@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    ("seconds", "args", "shown"),
    [
        ("0.4", ("fit", "demo"), True),
        ("0.4", ("--quiet", "fit", "demo"), False),
        ("0.4", ("fit", "demo", "--json"), False),
        ("0.01", ("fit", "demo"), False),
    ],
)
def test_a_bar_is_shown_for_more_than_a_second_on_a_terminal_alone(
    seconds: str, args: tuple[str, ...], shown: bool
) -> None:
    import pty

    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-c", WAITING, seconds, *args], stdout=subprocess.PIPE, stderr=theirs,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
    ) as process:  # fmt: skip
        os.close(theirs)
        assert process.stdout is not None
        out = process.stdout.read()
        process.wait(timeout=60)
    told = b""
    with contextlib.suppress(OSError):  # the end of a terminal whose other side is closed
        while part := os.read(ours, 4096):
            told += part
    os.close(ours)
    assert process.returncode == 0
    assert b"M-01" in out
    assert b"\x1b" not in out
    assert (b"Reducing tests" in told) == shown
    assert shown or told == b""
