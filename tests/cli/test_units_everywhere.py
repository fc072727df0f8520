"""The reader's units hold everywhere: tables, sentences, pictures, the page, questions, refusals.

Two campaigns are read: the demonstration, in which little is wrong, and one written in inches and
psi in which much is, so that its cautions speak. What a command says about them must hold no unit
of the other system, but for what `QUOTED` names with its reason.
"""

from __future__ import annotations

import html
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from strandwise.cli.program import program
from strandwise.report import style

from .conftest import ROOT, Runner

METRIC = re.compile(
    r"(?<![A-Za-z0-9_.])(?:[mc]m[²³23]?|mm/s|µm|[kM]?Pa|bar[ag]?|k?g(?:/c?m[³3])?|°C|degC|N(?:·s)?|kN|"
    r"m/s|m[²³]|K|litres?|kg/\(m²·s\))(?![\w³²=/'-])"
)
INCH_POUND = re.compile(
    r"(?<![A-Za-z0-9_.])(?:psi[ag]?|in/s|in[²³]|lb/\S+|lbf?(?:·s)?|°F|degF|ft(?:/s)?|"
    r"(?<=[0-9] )in(?=[,;:.)…]|$))(?![\w³²=/'-])"
)
# Not told in the reader's units, each for its reason.
QUOTED = (
    # What was typed, and examples of what may be.
    r"`[^`]*`",
    # Molar masses are in g/mol in every system (common practice, no source).
    r"g/mol",
    # Notes of the table of ingredients, quoted as they stand there.
    r"\(from memory[^)]*\)",
    # Names of the two units that a record may have exchanged.
    r"(pressure|thrust|mass) in \S+ recorded as \S+",
    # The demonstration's title and notes, as they were typed.
    r"a dial in psig .* 38 mm case \(grains of 33 mm in",
)

DEMO = {
    "check": [[]],
    "reduce": [
        [],
        ["--budget", "F-02", "--draws", "100"],
        ["--match", "F-01"],
        ["--test", "F-03", "--figure", "p.svg", "--swept-figure", "q.svg"],
    ],
    "fit": [
        ["--figure", "p.svg"],
        ["--law", "segmented"],
        ["--pool", "formulation"],
        ["--method", "both"],
        ["--at-temperature", "68 degF", "--sigma-p", "0.2 %"],
        ["--at-temperature", "122 degF"],
        ["--explain", "M-01"],
    ],
    "compare": [
        ["--figure", "p.svg"],
        ["--at", "3000 psi", "--within", "5 %"],
        ["--covariate", "density", "--covariate", "process-temperature"],
    ],
    "drift": [["--figure", "p.svg"], ["--at", "3000 psi"]],
    "plan": [[], ["--shift", "5 %", "--new-batches", "2"], ["--motor", "full-size"]],
    "mix show": [[]],
    "mix rate": [[]],
    "mix derive": [["--put", "sodium-bicarbonate", "--for", "sorbitol", "--dose", "5%"]],
    "mix sheet": [["base", "--mass", "1 lb", "--scale", "0.0001 lb"]],
    "forecast": [
        ["full-size", "--draws", "200", "--figure", "p.svg", "--peak-below", "600 psi"],
        ["full-size", "--draws", "200", "--size-for", "600 psi", "--drills", "64ths"],
        ["--hindcast", "--draws", "200", "--figure", "p.svg"],
    ],
    "report": [["-o", "page.html"]],
}
ODD = {
    "check": [[]],
    "reduce": [[], ["--budget", "G-5", "--draws", "100"]],
    "fit": [[], ["--at-temperature", "70 degF"], ["--explain", "B-1"], ["--law", "auto"]],
    "compare": [[]],
    "drift": [[]],
    "plan": [[]],
    "mix show": [[]],
    "mix derive": [
        ["--put", "sodium-bicarbonate", "--dose", "5%", "--process-temperature", "260 degF"]
    ],
    "forecast": [["big", "--draws", "200"], ["big", "--draws", "200", "--size-for", "600 psi"]],
    "report": [["-o", "page.html"]],
}
# They show no quantity, or SI in columns that other programs read; demo runs the commands above.
WITHOUT = {"init", "new", "demo", "undo", "export", "completion"}
# Apart, below.
ELSEWHERE = {"log batch", "log strand", "log firing", "calibrate"}
WITHOUT_OPTION = {"mix sheet"}


def calls(table: dict[str, list[list[str]]]) -> list[tuple[str, list[str]]]:
    return [(command, args) for command, each in table.items() for args in each]


def commands() -> Iterator[str]:
    context = click.Context(program)
    for name in program.list_commands(context):
        command = program.get_command(context, name)
        if isinstance(command, click.Group):
            yield from (f"{name} {one}" for one in command.list_commands(context))
        else:
            yield name


def test_every_command_is_looked_at() -> None:
    assert set(commands()) == {*DEMO} | WITHOUT | ELSEWHERE


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """All texts of the pictures that a command writes."""
    told: list[str] = []
    write: Callable[[Figure, str], bytes] = style.picture_bytes

    def picture_bytes(figure: Figure, suffix: str) -> bytes:
        told.extend(text.get_text() for text in figure.findobj(Text))
        return write(figure, suffix)

    monkeypatch.setattr(style, "picture_bytes", picture_bytes)
    return told


def page_text(path: Path) -> str:
    page = path.read_text(encoding="utf-8")
    page = re.sub(r"(?s)<style.*?</style>|<script.*?</script>|href=\"data:[^\"]*\"", "", page)
    return html.unescape(re.sub(r"<[^>]+>", "\n", page))


def lines_with(unit: re.Pattern[str], *texts: str) -> list[str]:
    """Lines that hold such a unit, but for what is quoted."""
    found = []
    for line in "\n".join(texts).replace("\N{NO-BREAK SPACE}", " ").splitlines():
        bare = line
        for quoted in QUOTED:
            bare = re.sub(quoted, "", bare)
        if unit.search(bare):
            found.append(line)
    return found


def said(run: Runner, command: str, campaign: str, args: list[str], units: str) -> str:
    option = [] if command in WITHOUT_OPTION else ["--units", units]
    done = run(*command.split(), campaign, *args, *option)
    assert done.code in (0, 1), done.err
    assert done.out or done.err
    if command == "report":
        return done.out + done.err + page_text(Path("page.html"))
    return done.out + done.err


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines that are not wrapped, so that what is quoted stands in one."""
    monkeypatch.setenv("COLUMNS", "2000")


@pytest.fixture(scope="module")
def inch_pound_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "bench"
    shutil.copytree(ROOT / "campaigns" / "demo", folder / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", folder / "shared")
    return folder


@pytest.mark.parametrize(
    ("command", "args"), calls(DEMO), ids=[f"{c} {' '.join(a)}".strip() for c, a in calls(DEMO)]
)
def test_no_metric_unit_where_inches_and_pounds_are_asked_for(
    command: str,
    args: list[str],
    inch_pound_demo: Path,
    run: Runner,
    drawn: list[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(inch_pound_demo)
    told = said(run, command, "demo", args, "inch-pound")
    if "--figure" in args:
        assert drawn
    if command == "mix sheet":  # in the unit that its scale was given in
        assert "weigh (lb)" in told
    assert not lines_with(METRIC, told, *drawn)


def test_a_leak_would_be_seen() -> None:
    leaks = [
        *("at 3.62 MPa", "101.3 kPa is", "25 cm³ free", "(mm/s)", "18 °C", "5 g of it", "15 K"),
        *("204 N,", "916 m/s", "1.7 g/cm³", "3825 N·s", "0.05 mm),", "118 degC"),
        *("2 kg/(m²·s)", "0.39 litres", "2 bar"),
    ]
    assert lines_with(METRIC, *leaks) == leaks
    assert not lines_with(METRIC, "525 psi", "0.3 in", "F-01 (M-04, base)", "molar mass (g/mol)")
    others = [
        *("525 psi", "3 psia", "0.3 in/s", "64.4 °F", "0.2 in,", "1 lb/in³", "45 lbf", "3 ft/s"),
        *("45 lbf·s", "0.29 lb"),
    ]
    assert lines_with(INCH_POUND, *others) == others
    assert not lines_with(INCH_POUND, "tests in all", "4 in 5 draws", "3.6 MPa", "in the record")


# --- A campaign in which much is wrong ---

_SETTINGS = """format = 1
title = "Odd"
baseline = "base"
reference_pressure = "3000 psi"
units = "UNITS"
[gas]
characteristic_velocity = "2950 ft/s"
"""
_RECIPES = """[base]
ingredients = { potassium-nitrate = 65, sorbitol = 35 }
[soda]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "sodium-bicarbonate" }]
[chalk]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]
"""
_BATCHES = """batch,formulation,mixed,mass (lb),density (lb/in3),process,process_temperature (degF)
B-1,base,2026-01-01,1,0.064,melt-cast,250
B-2,base,2026-01-05,1,0.0640,melt-cast,250
S-1,soda,2026-01-06,1,0.0639,melt-cast,280
S-2,soda,2026-01-07,1,0.03,melt-cast,
C-1,chalk,2026-01-08,1,0.0639,,
"""
_GRAIN = """[grain]
shape = "hollow-cylinder"
outer_diameter = "1.3 in"
core_diameter = "0.63 in"
length = "2.26 in"
segments = 2
inhibited = ["outer"]
mass = "0.294 lb"
[nozzle]
throat_diameter = "0.26 in"
exit_diameter = "0.51 in"
"""
_MOTOR = """temperature_low = "0 degF"
temperature_high = "130 degF"
[grain]
shape = "hollow-cylinder"
outer_diameter = "1.8 in"
core_diameter = "0.7 in"
length = "3.1 in"
segments = 4
inhibited = ["outer"]
free_volume = "0.5 in3"
[nozzle]
throat_diameter = "0.4 in"
[case]
pressure_limit = "700 psia"
"""
_CELL = """[cell]
kind = "load-cell"
reading_unit = "count"
calibration = [
    { reading = 0, load = "0 lbf" },
    { reading = 10000, load = "10 lbf" },
    { reading = 30000, load = "30 lbf" },
]
"""
_PRESSURE = 'pressure = "p (psia)"'
_THRUST = 'thrust = "f (lbf)"'
_BY_CELL = 'thrust = { column = "f", unit = "count", instrument = "cell" }'


def _strands() -> str:
    rng = np.random.default_rng(1)
    rows = ["test,batch,length (in),time (s),pressure (psia),temperature (degF)"]

    def add(batch: str, pressure: float, warm: float, rate: float | None = None) -> None:
        usual = 0.32 * (pressure / 300.0) ** 0.42 * (1.0 + 0.001 * (warm - 70.0))
        shown = rate or usual * np.exp(0.01 * rng.normal())
        rows.append(f"T-{len(rows)},{batch},2.4,{2.4 / shown:.2f},{pressure:g},{warm:g}")

    for pressure, warm in ((150, 20), (200, 60), (300, 95), (400, 30), (550, 95), (700, 50)):
        add("B-1", pressure, warm)
        add("B-2", pressure, 70)
    for pressure in (300, 330, 390, 420):
        add("S-1", pressure, 100)
    for rate in (None, None, 50.0, 1e-5):
        add("S-2", 300, 102, rate)
    for pressure in (400, 500, 600, 800):
        add("C-1", pressure, 70)
    rows += ["W-1,C-1,1.0,3.0,300,70", "W-1,C-1,1.0,4.4,300,70"]
    return "\n".join(rows) + "\n"


def _burn(decay: float) -> tuple[np.ndarray, np.ndarray]:
    """Time (s) and pressure over rest (psi) of a neutral burn from 1 to 2.2 s."""
    time = np.arange(0.0, 4.0, 0.004)
    lit = 600.0 * np.clip((time - 1.0) / 0.05, 0.0, 1.0)
    return time, np.where(time < 2.2, lit, 600.0 * np.exp(-(time - 2.2) / decay))


def write_odd(folder: Path, units: str) -> None:
    """A campaign typed in inches and psi whose readings are wrong in every way that is told."""
    shutil.copytree(ROOT / "shared", folder / "shared")
    campaign = folder / "campaigns" / "odd"
    for name in ("firings", "traces", "motors"):
        (campaign / name).mkdir(parents=True)
    for name, text in {
        "campaign.toml": _SETTINGS.replace("UNITS", units),
        "formulations.toml": _RECIPES,
        "batches.csv": _BATCHES,
        "strands.csv": _strands(),
        "instruments.toml": _CELL,
        "motors/big.toml": _MOTOR,
    }.items():
        (campaign / name).write_text(text, encoding="utf-8")
    rng = np.random.default_rng(2)
    time, over = _burn(0.02)
    noise = rng.normal(size=time.size)
    stuck = np.where(time > 2.1, 600.0, over)
    small = _GRAIN.replace("0.294 lb", "0.05 lb")
    firings = {
        "G-1": (over + 40.0, over, _GRAIN, _PRESSURE),  # a zero that is not the air's
        "G-2": (14.7 + 0.0 * over, over, _GRAIN, _PRESSURE),  # no firing in it
        "G-3": (stuck + 14.7, over, _GRAIN, _PRESSURE),  # does not come back
        "G-4": (_burn(0.35)[1] + 14.7, over, _GRAIN, _PRESSURE),  # empties slowly
        "G-5": (over, over / 600.0 * 55e3, _GRAIN, _BY_CELL),  # beyond the calibration
        "G-6": (over, over / 600.0 * 55.0, small, _THRUST),  # a mass that cannot be
        "G-7": (over + 14.7, 30.0 * over, _GRAIN, f"{_PRESSURE}\n{_THRUST}"),
        "G-8": (over * 60.0, over, _GRAIN, _PRESSURE),  # a unit taken for another
        "G-9": (over, over * 1e-9, _GRAIN, _THRUST),
    }
    head = 'batch = "B-1"\ntemperature = "70 degF"\n'
    for name, (pressure, thrust, grain, channels) in firings.items():
        rows = np.column_stack([1e3 * time, pressure + noise, thrust])
        trace = "\n".join(["t,p,f", *(",".join(f"{x:.9g}" for x in row) for row in rows)])
        (campaign / "traces" / f"{name}.csv").write_text(trace + "\n", encoding="utf-8")
        table = f'[trace]\nfile = "traces/{name}.csv"\ntime = "t (ms)"\n{channels}\n'
        path = campaign / "firings" / f"{name}.toml"
        path.write_text(head + grain + table, encoding="utf-8")
    for name, grain, summary in (
        ("H-1", _GRAIN + 'throat_diameter_after = "0.2 in"\n', 'peak_thrust = "50 lbf"'),
        ("H-2", _GRAIN, 'mean_pressure = "30000 psia"'),
        ("H-3", small, 'mean_thrust = "50 lbf"\npeak_thrust = "40 lbf"'),
    ):
        table = f'[summary]\nburn_time = "1.2 s"\n{summary}\n'
        (campaign / "firings" / f"{name}.toml").write_text(head + grain + table, encoding="utf-8")


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folders = {}
    for units in ("inch-pound", "metric"):
        folders[units] = tmp_path_factory.mktemp("odd") / "bench"
        write_odd(folders[units], units)
    return folders


# In metric units the commands whose words come from the records alone.
IN_BOTH = ("check", "reduce", "fit", "compare", "mix show", "forecast")
READ = [
    *(("inch-pound", METRIC, *call) for call in calls(ODD)),
    *(("metric", INCH_POUND, name, ODD[name][0]) for name in IN_BOTH),
]


@pytest.mark.parametrize(
    ("units", "other", "command", "args"),
    READ,
    ids=[f"{r[0]}-{r[2]} {' '.join(r[3])}" for r in READ],
)
def test_cautions_and_remarks_speak_in_the_units_of_the_reader(
    units: str,
    other: re.Pattern[str],
    command: str,
    args: list[str],
    odd: dict[str, Path],
    run: Runner,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(odd[units])
    assert not lines_with(other, said(run, command, "odd", args, units))


def test_what_is_logged_is_echoed_and_refused_in_the_units_of_the_reader(
    odd: dict[str, Path], run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = tmp_path / "bench"
    shutil.copytree(odd["inch-pound"], bench)
    monkeypatch.chdir(bench)
    sizes = [
        *("--batch", "B-1", "--core-diameter", "0.6 in", "--length", "2.2 in", "--segments", "2"),
        *("--throat-diameter", "0.26 in", "--burn-time", "1.1 s", "--mean-pressure", "440 psia"),
    ]
    strand = ["log", "strand", "odd", "--batch", "B-1", "--time", "1.2 s", "--pressure", "300 psia"]
    told = [
        run("log", "firing", "odd", "--test", "L-1", "--outer-diameter", "1.3 in", *sizes),
        run("log", "firing", "odd", "--test", "L-2", "--outer-diameter", "0.5 in", *sizes),
        run(*strand, "--test", "L-3", "--length", "80 in"),
        run(*strand, "--test", "L-4", "--length", "2 ft"),
    ]
    assert [one.code for one in told] == [0, 1, 1, 1]
    assert "0.2827 in²" in told[0].out  # π/4·(0.6 in)²
    assert "the core, 0.6 in, is not smaller than the outer diameter, 0.5 in" in told[1].err
    assert "burn rate of 66.67 in/s" in told[2].err  # 80 in in 1.2 s
    assert not lines_with(METRIC, *(one.out + one.err for one in told))


def test_a_limit_that_is_passed_is_told_in_the_units_of_the_reader(
    odd: dict[str, Path], run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = tmp_path / "bench"
    shutil.copytree(odd["inch-pound"], bench)
    monkeypatch.chdir(bench)
    settings = bench / "campaigns" / "odd" / "campaign.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("[gas]", 'altitude = "99000 ft"\n[gas]'), encoding="utf-8")
    motor = bench / "campaigns" / "odd" / "motors" / "big.toml"
    text = motor.read_text(encoding="utf-8")
    text = text.replace('"700 psia"', '"10 psia"').replace('"0 degF"', '"200 degF"')
    motor.write_text(text.replace("exit", "#"), encoding="utf-8")
    done = run("check", "odd")
    assert done.code == 1
    assert "expected at most 36089.2 ft" in done.out  # 11 km, at 0.3048 m to the foot (NIST SP 811)
    assert not lines_with(METRIC, done.out)


def test_a_calibration_is_told_in_the_units_of_the_reader(
    inch_pound_demo: Path, run: Runner, drawn: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(inch_pound_demo)
    units = ("--units", "inch-pound")
    done = run("calibrate", "cell-2", "--campaign", "demo", *units, "--figure", "c.svg")
    assert done.code == 0, done.err
    assert "(lbf)" in done.out
    assert drawn
    assert not lines_with(METRIC, done.out, *drawn)


def test_the_odd_campaign_makes_the_cautions_speak(
    odd: dict[str, Path], run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the tests above would look at nothing."""
    monkeypatch.chdir(odd["inch-pound"])
    codes: set[str] = set()
    for args in (["reduce"], ["fit"], ["compare"], ["forecast", "big"], ["mix", "show"]):
        motor = args[1:] if args[0] == "forecast" else []
        done = run(*(args if args[0] != "forecast" else args[:1]), "odd", *motor, "--json")
        codes |= set(re.findall(r'"code": "([a-z-]+)"', done.out))
    assert codes >= {
        "ambient-assumed", "zero-not-ambient", "impossible-point", "wires-disagree",
        "beyond-calibration", "c-star-off", "thrust-coefficient-impossible", "extrapolated",
        "narrow-pressure-range", "one-pressure", "temperature-fitted", "temperatures-spread",
        "temperatures-differ", "free-volume-small", "temperature-unknown", "tolerances-assumed",
        "over-case-limit", "decomposes-in-process", "trace-refused",
    }  # fmt: skip
