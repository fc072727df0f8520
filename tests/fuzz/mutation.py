"""Inputs made of what the readers know, spoilt by a seeded hand.

Seeds are small sound files and texts; words are those that mean something to a reader, and those
that broke readers before. No coverage is measured: `run.py --atheris` does that where it is
installed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

from strandwise.records import BATCH_FIELDS, STRAND_FIELDS, shipped
from strandwise.records.firing_fields import FIRING_FIELDS, GRAIN_FIELDS, NOZZLE_FIELDS

__all__ = ["inputs", "seeds_of"]

_DEMO = shipped("campaigns") / "demo"
_TEXTS = (
    "80 mm", "3 1/8 in", "1½ in", "2.1 bar", "300 psig", "14.9 s", "5/16", "1e-3 m", "-5 degC",
    "10 %", "0x1F", "2,5 bar", "#30", "1-1/2 in", "1e999999", "−3 mm", "9e340 kg", "½", "1/0 in",
    "5 µm", "3 ft 2 in", "length (mm)", "pressure (bar(g))", "metric, bar", "nan", "inf MPa",
)  # fmt: skip
_WORDS = (
    *(field.name for field in (*BATCH_FIELDS, *STRAND_FIELDS, *FIRING_FIELDS, *NOZZLE_FIELDS)),
    *(field.name for fields in GRAIN_FIELDS.values() for field in fields),
    *_TEXTS, "format", "title", "baseline", "units", "notes", "exclude", "trace", "summary",
    "file", "sha256", "sample_rate", "column 1 (s)", "column 99999999999 (s)", "instrument",
    "calibration", "reading", "load", "kind", "load-cell", "ingredients", "parent", "replace",
    "add", "share", "with", "parts", "total", "formula", "density", "sources", "role",
    "potassium-nitrate", "sorbitol", "../../../etc/passwd", "/dev/zero", "/etc/passwd", "C:\\x",
    "traces/F-1.csv", "..", ".", "con", "a.b.c", '"', "'", '"""', "'''", "\\", "\\u0041",
    "\\ud800", "[", "]", "[[", "]]", "{", "}", "=", ",", ";", "\t", "|", "#", "\n", "\r", "\r\n",
    "\0", "\ufeff", "\x85", "\u2028", "\u200b", "é", "\U0001f600", "٣", "１２", "0", "1", "-1",
    "true", "1979-05-27", "07:32:00", "1979-05-27T07:32:00Z", "0.1", "1e5", "1_000", "0b1", "0o7",
    "9" * 30, "9" * 5000, "0x" + "f" * 6000, "-0", "+5", ".5", "5.", "1e", "e5", "sep=;", "t,p",
    "t=1.2 p=3.4", "12:00:01.5", "2026-05-02 12:00:00", "=1+1", "@x", "<b>", "%s", "{0}",
)  # fmt: skip


def seeds_of(target: str) -> list[bytes]:
    """Sound inputs of a target, in the form that it takes them."""
    if target in ("quantity", "field"):
        return [bytes([place % 40]) + text.encode() for place, text in enumerate(_TEXTS * 4)]
    if target == "weighings":
        return [b"sorbitol 157.6 g, starch 31 g with 9 % water", b"sorbitol: 1 kg; sucrose = 2 lb"]
    if target == "calibration_row":
        return [b"61231 = 0 N", b"1.5 mV = 5 kgf", b"3 counts=2 lbf", b"4 = 20 psig"]
    if target == "journal":
        return [
            b'{"journal": 1, "number": 1, "time": "t", "kind": "change", "what": "w", "of": null, '
            b'"file": "strands.csv", "before": "a\\n", "after": null, "raw": []}'
        ]
    if target == "options":
        lines = (b"base\n80 mm\n2 MPa", b"x\npotassium-nitrate 65, sorbitol 35\n300 m",
                 b"sorbitol\nsorbitol\n5%", b"c1\n1 = 0 N\n2 = 5 N")  # fmt: skip
        return [bytes([place]) + line for place in range(8) for line in lines]
    files = {
        "settings": ["campaign.toml"],
        "formulations": ["formulations.toml"],
        "instruments": ["instruments.toml"],
        "batches": ["batches.csv"],
        "strands": ["strands.csv"],
        "motor": ["motors/*.toml"],
        "firing": ["firings/*.toml"],
        "trace": ["traces/*"],
        "whole": ["strands.csv", "batches.csv", "formulations.toml", "firings/*.toml"],
    }
    found: list[Path] = []
    for pattern in files.get(target, []):
        found += sorted(_DEMO.glob(pattern))[:4]
    contents = [path.read_bytes()[:3000] for path in found]
    if target == "ingredients":
        contents = [(shipped("shared") / "ingredients.toml").read_bytes()[:3000]]
    if target == "calibration_table":
        contents = [b"reading,load (N)\n1,0\n2,5\n", b"reading;load\n1;0 N\n2;5 kgf\n"]
    if target == "trace":
        contents += [b"t=1.2 p=3.4\nt=1.3 p=3.5\nt=1.4 p=3.3\n", b"time;p\n0,1;2,5\n0,2;2,6\n"]
        contents += [b"2026-05-02 12:00:00.5,3,4\n2026-05-02 12:00:00.6,3,5\n", b"\xff\xfet\0,\0"]
    if target in ("trace", "whole"):
        contents = [bytes([place]) + one for one in contents for place in range(6)]
    return contents


def inputs(target: str, seed: int, corpus: list[bytes] | None = None) -> Iterator[bytes]:
    """Inputs without end for a target, the same for a seed."""
    chance = random.Random(f"{target} {seed}")
    known = seeds_of(target) + (corpus or [])
    yield from known
    while True:
        data = bytearray(chance.choice(known))
        for _ in range(1 << chance.randrange(4)):
            _spoil(data, chance, known)
        if len(data) > 20_000:
            del data[20_000:]
        yield bytes(data)


def _spoil(data: bytearray, chance: random.Random, known: list[bytes]) -> None:
    at = chance.randrange(len(data) + 1)
    end = min(len(data), at + 1 + int(chance.expovariate(0.2)))
    kind = chance.randrange(10)
    if kind == 0:
        del data[at:end]
    elif kind == 1 and at < len(data):
        data[at] ^= 1 << chance.randrange(8)
    elif kind == 2:
        data[at:at] = data[at:end] * chance.choice((1, 2, 2, 50))
    elif kind == 3:
        data[at:at] = bytes([chance.randrange(256)])
    elif kind == 4:
        other = chance.choice(known)
        start = chance.randrange(len(other) + 1)
        data[at:end] = other[start : start + chance.randrange(40)]
    elif kind == 5:
        _swap_lines(data, chance)
    elif kind == 6:
        data[at:end] = chance.choice(_WORDS).encode("utf-8", "surrogatepass")
    elif kind == 7:
        _swap_value(data, chance)
    else:
        data[at:at] = chance.choice(_WORDS).encode("utf-8", "surrogatepass")


def _swap_lines(data: bytearray, chance: random.Random) -> None:
    lines = bytes(data).split(b"\n")
    one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
    if chance.random() < 0.5:
        lines[one], lines[other] = lines[other], lines[one]
    else:
        lines.insert(one, lines[other])
    data[:] = b"\n".join(lines)


def _swap_value(data: bytearray, chance: random.Random) -> None:
    """Put a word in the place of what stands between two signs that part values."""
    places = [place for place, sign in enumerate(data) if sign in b',;="\n\t[]{}']
    if len(places) < 2:
        return
    first = chance.randrange(len(places) - 1)
    word = chance.choice(_WORDS).encode("utf-8", "surrogatepass")
    data[places[first] + 1 : places[first + 1]] = word
