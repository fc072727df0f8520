"""Pictures from the command line: every command that has one writes it whole or not at all."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

DERIVE = ("mix", "derive", "demo", "--put", "oxamide", "--for", "sorbitol", "--dose", "5%")
COMMANDS = (
    ("check", "demo"),
    ("mix", "show", "demo"),
    DERIVE,
    ("mix", "rate", "demo"),
    ("plan", "demo"),
)
FOR_MOTOR = ("plan", "demo", "--motor", "full-size", "--formulation", "base")
STRANDS = Path("campaigns/demo/strands.csv")


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("command", [*COMMANDS, FOR_MOTOR], ids=" ".join)
def test_a_picture_in_every_format_beside_the_same_words(
    run: Any, command: tuple[str, ...]
) -> None:
    plain = run(*command)
    assert (plain.code, plain.err) == (0, "")
    for name in ("picture.svg", "picture.png", "picture.pdf"):
        done = run(*command, "--figure", name)
        assert (done.code, done.err) == (0, "")
        assert done.out == f"{plain.out}\nPicture: {name}\n"
    tags = {element.tag.split("}")[1] for element in ET.parse("picture.svg").iter()}
    assert "path" in tags
    assert "text" not in tags  # letters as outlines: no font is needed
    with Image.open("picture.png") as image:
        image.load()
        assert image.size[0] >= 900
    data = Path("picture.pdf").read_bytes()
    assert b"/FontFile2" in data
    assert b"CreationDate" not in data


@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_a_picture_leaves_the_json_alone_and_is_the_same_each_time(
    run: Any, command: tuple[str, ...]
) -> None:
    plain = run(*command, "--json").json
    done = run(*command, "--json", "--figure", "picture.svg")
    assert (done.code, done.err, done.json) == (0, "", plain)
    first = Path("picture.svg").read_bytes()
    assert run("--quiet", *command, "--figure", "picture.svg").code == 0
    assert Path("picture.svg").read_bytes() == first


REFUSED = (
    ("picture.gif", "written as `.gif`; expected a name that ends in one of .png, .svg, .pdf"),
    ("picture", "the name of the picture has no ending that tells its format"),
    ("nowhere/picture.svg", "the folder `nowhere` of the picture does not exist"),
)


@pytest.mark.parametrize(
    ("command", "name", "said"),
    [
        *((command, *REFUSED[0]) for command in COMMANDS),
        *((COMMANDS[0], *refused) for refused in REFUSED[1:]),
    ],
)
def test_a_picture_that_cannot_be_written_is_refused_before_anything_is_printed(
    run: Any,
    bench: Path,
    digest: Callable[[Path], Any],
    command: tuple[str, ...],
    name: str,
    said: str,
) -> None:
    before = digest(bench)
    done = run(*command, "--figure", name)
    assert (done.code, done.out) == (1, "")
    assert said in done.err
    assert done.err.count("\n") == 1
    assert digest(bench) == before


def test_a_derivation_is_not_written_down_where_its_picture_is_refused(
    run: Any, bench: Path, digest: Callable[[Path], Any]
) -> None:
    before = digest(bench)
    done = run(*DERIVE, "--way", "of-all", "--write", "--figure", "picture.gif")
    assert (done.code, done.out) == (1, "")
    assert digest(bench) == before
    done = run(*DERIVE, "--way", "of-all", "--write", "--figure", "picture.svg")
    assert done.code == 0
    assert "Added to campaigns/demo/formulations.toml" in done.out


# --- check: files at fault ---


def test_a_campaign_at_fault_is_drawn_as_far_as_it_can_be_read(run: Any, bench: Path) -> None:
    strands = bench / STRANDS
    text = strands.read_text(encoding="utf-8")
    strands.write_text(text + "S-98,M-99,,60 mm,9.9,300,,,,\nS-99,M-01,,x,9.9,300,,,,\n", "utf-8")
    firing = bench / "campaigns/demo/firings/F-03.toml"
    lost = re.sub(r'file = "traces/[^"]*"', 'file = "traces/gone.csv"', firing.read_text("utf-8"))
    firing.write_text(lost, encoding="utf-8")
    plain = run("check", "demo")
    assert (plain.code, plain.err) == (1, "")
    done = run("check", "demo", "--figure", "glance.svg")
    assert (done.code, done.err) == (1, "")
    assert done.out == f"{plain.out}\nPicture: glance.svg\n"
    assert ET.parse(bench / "glance.svg").getroot().tag.endswith("svg")


@pytest.mark.parametrize("as_json", [False, True])
def test_settings_at_fault_leave_nothing_to_draw(run: Any, bench: Path, as_json: bool) -> None:
    settings = bench / "campaigns/demo/campaign.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("baseline =", "baselin ="), encoding="utf-8")
    more = ("--json",) if as_json else ()
    plain = run("check", "demo", *more)
    done = run("check", "demo", "--figure", "glance.svg", *more)
    assert (done.code, done.out) == (1, plain.out)
    assert done.err == ("strandwise: no picture can be drawn while campaign.toml is at fault\n")
    assert not (bench / "glance.svg").exists()


def test_a_campaign_without_a_record_has_no_picture(run: Any, bench: Path) -> None:
    recipe = "potassium-nitrate 65, sorbitol 35"
    assert run("new", "fresh", "--recipe", recipe, "--altitude", "300 m").code == 0
    assert run("check", "fresh").code == 0
    done = run("check", "fresh", "--figure", "glance.svg")
    assert (done.code, done.out) == (1, "")
    assert "`fresh` has neither a batch nor a test to draw; `strandwise log batch`" in done.err
    assert not (bench / "glance.svg").exists()
    assert run("log", "batch", "fresh", "--batch", "B-1", "--formulation", "base").code == 0
    assert run("check", "fresh", "--figure", "glance.svg").code == 0
    assert (bench / "glance.svg").stat().st_size > 1000
