"""Measure the main jobs at all sizes and renew the table of speed in DEVELOPERS.md.

    .venv/bin/python tests/benchmarks/speed_table.py

Some three minutes on a quiet machine. Times are processor time of the shortest of three rounds.
"""

from __future__ import annotations

import importlib.util
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
DOCUMENT = HERE.parents[1] / "DEVELOPERS.md"
START, END = "<!-- speed table -->", "<!-- end of speed table -->"


def measured() -> list[dict[str, Any]]:
    """What pytest-benchmark noted beside its own times."""
    with tempfile.TemporaryDirectory() as name:
        record = Path(name) / "record.json"
        command = [sys.executable, "-m", "pytest", "-q", str(HERE / "test_speed.py")]
        command += [f"--benchmark-json={record}"]
        subprocess.run(
            command, check=True, cwd=HERE.parents[1], env=os.environ | {"STRANDWISE_ALL_SIZES": "1"}
        )
        told = json.loads(record.read_text(encoding="utf-8"))
    return [entry["extra_info"] for entry in told["benchmarks"] if "job" in entry["extra_info"]]


def cold_starts() -> list[tuple[str, float, float]]:
    """Each command of the start-up benchmark, its time and that of a bare click program, s."""
    spec = importlib.util.spec_from_file_location("startup", HERE / "test_startup.py")
    assert spec is not None
    assert spec.loader is not None
    startup = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(startup)
    root = HERE.parents[1]
    with tempfile.TemporaryDirectory() as name:
        bench = Path(name)
        shutil.copytree(root / "campaigns" / "demo", bench / "campaigns" / "demo")
        shutil.copytree(root / "shared", bench / "shared")
        bare = startup.bare_start(bench)
        return [(what, startup.cold_start(w, bench), bare) for what, w, _ in startup.STARTS]


def duration(seconds: float) -> str:
    """Three digits in the unit that suits."""
    return f"{seconds:.3g} s" if seconds >= 1 else f"{1e3 * seconds:.3g} ms"


def table(entries: list[dict[str, Any]], starts: list[tuple[str, float, float]]) -> str:
    """One row a job and size, with growth from the size before; then the cold starts."""
    python = f"Python {platform.python_version()}"
    lines = [
        f"Made by `.venv/bin/python tests/benchmarks/speed_table.py` ({python}, processor time of "
        "one core); not to be edited by hand.",
        "",
        "| job | n | time | for ten times n | alternative | its time | ratio |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    before: dict[str, Any] = {}
    for entry in sorted(entries, key=lambda e: (e["job"], e["size"])):
        last = before.get(entry["job"])
        growth = f"×{entry['seconds'] / last['seconds']:.1f}" if last else ""
        times = entry["seconds"], entry["alternative_seconds"]
        lines.append(
            f"| {entry['what']} | {entry['size']:,} | {duration(times[0])} | {growth} | "
            f"{entry['alternative']} | {duration(times[1])} | {times[0] / times[1]:.3g} |"
        )
        before[entry["job"]] = entry
    lines += [
        f"| `{name}` on the demonstration, cold (wall time) | | {duration(took)} | | "
        f"bare click program | {duration(bare)} | {took / bare:.3g} |"
        for name, took, bare in starts
    ]
    return "\n".join(lines)


def main() -> None:
    """Measure, and replace what stands between the marks."""
    text = DOCUMENT.read_text(encoding="utf-8")
    head, rest = text.split(START)
    tail = rest.split(END)[1]
    made = table(measured(), cold_starts())
    DOCUMENT.write_text(f"{head}{START}\n\n{made}\n\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
