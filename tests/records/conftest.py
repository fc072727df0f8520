"""A small bench folder, invented, that a test may spoil."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from strandwise.records import CampaignFolder, read_campaign

if TYPE_CHECKING:
    from strandwise.records import CampaignReading

SETTINGS = """\
title = "Invented for the tests"
baseline = "base"
altitude = "300 m"
"""
FORMULATIONS = """\
[base]
ingredients = { potassium-nitrate = 65, sorbitol = 35 }

[carbonate-10]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]
"""
BATCHES = """\
batch,formulation,mixed,mass (g),density (g/cm3)
B-1,base,2026-03-07,450,1.764
B-2,carbonate-10,2026-03-08,450,1.806
"""
STRANDS = """\
test,batch,date,length (mm),time (s),pressure (psig)
S-1,B-1,2026-03-21,60.4,12.13,149
S-2,B-1,2026-03-21,60.0,9.90,251
S-3,B-2,2026-03-21,59.7,13.57,153
"""
INGREDIENTS = """\
potassium-nitrate = { role = "oxidiser" }
sorbitol = { role = "fuel" }
sucrose = { role = "fuel" }
calcium-carbonate = { role = "retarder" }
iron-oxide = { role = "catalyst" }
"""
INSTRUMENTS = """\
[cell]
kind = "load-cell"
reading_unit = "count"
calibration = [{ reading = 100, load = "0 N" }, { reading = 900, load = "40 N" }]
"""
FIRING = """\
batch = "B-1"
date = 2026-05-02
temperature = "18 degC"

[grain]
shape = "hollow-cylinder"
outer_diameter = "38 mm"
core_diameter = "12 mm"
length = "75 mm"
segments = 2
inhibited = ["outer"]
mass = "236 g"

[nozzle]
throat_diameter = "9.5 mm"

[trace]
file = "traces/F-1.csv"
time = "millis (ms)"
pressure = "p (psig)"
thrust = { column = "raw", unit = "count", instrument = "cell" }
"""
TRACE = "millis,p,raw\n0,0,100\n10,300,700\n20,0,101\n"


@dataclass
class SmallBench:
    """A bench folder with one campaign, `small`."""

    path: Path

    @property
    def folder(self) -> CampaignFolder:
        return CampaignFolder(self.path, "small")

    def file(self, name: str) -> Path:
        """Path of a campaign's file; `shared/…` is the bench's."""
        return self.path / name if name.startswith("shared/") else self.folder.path / name

    def write(self, name: str, content: str | bytes) -> Path:
        path = self.file(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        return path

    def text(self, name: str) -> str:
        return self.file(name).read_bytes().decode("utf-8")

    def swap(self, name: str, old: str, new: str) -> None:
        text = self.text(name)
        assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in {name}"
        self.write(name, text.replace(old, new))

    def read(self) -> CampaignReading:
        return read_campaign(self.folder)

    def snapshot(self) -> dict[str, bytes | None]:
        """Content of every file, the lock's apart; None for a folder."""
        return {
            path.relative_to(self.path).as_posix(): path.read_bytes() if path.is_file() else None
            for path in self.path.rglob("*")
            if path.name != self.folder.lock.name
        }


@pytest.fixture
def small(tmp_path: Path) -> SmallBench:
    bench = SmallBench(tmp_path / "bench")
    bench.write("shared/ingredients.toml", INGREDIENTS)
    bench.write("shared/instruments.toml", INSTRUMENTS)
    for name, text in (
        ("campaign.toml", SETTINGS),
        ("formulations.toml", FORMULATIONS),
        ("batches.csv", BATCHES),
        ("strands.csv", STRANDS),
        ("firings/F-1.toml", FIRING),
        ("traces/F-1.csv", TRACE),
    ):
        bench.write(name, text)
    return bench
