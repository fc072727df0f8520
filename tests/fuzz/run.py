"""Feed the readers inputs that nobody wrote, by hand and for as long as wanted.

    .venv/bin/python tests/fuzz/run.py --inputs 1000000 --seed 1
    .venv/bin/python tests/fuzz/run.py --targets firing,trace --inputs 50000
    .venv/bin/python tests/fuzz/run.py --atheris firing -max_total_time=60   (pip install atheris)

What breaks a reader is kept in `corpus/TARGET/`, which the tests replay. The exit code says
whether there was anything.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import resource
import signal
import sys
import time
import traceback
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from mutation import inputs, seeds_of
from targets import TARGETS, Workshop, expected, workshop

CORPUS = Path(__file__).parent / "corpus"
SECONDS = 2.0
"""Time that one small input may take."""

# How many of a thousand inputs go to a target: the fast ones get most.
SHARES = {
    "quantity": 330, "field": 220, "weighings": 80, "calibration_row": 80, "journal": 60,
    "settings": 35, "formulations": 25, "instruments": 25, "batches": 25, "strands": 25,
    "firing": 25, "motor": 20, "trace": 20, "ingredients": 12, "calibration_table": 14,
    "whole": 3, "options": 1,
}  # fmt: skip


class TooSlowError(Exception):
    """An input took longer than it may."""


@contextlib.contextmanager
def no_longer_than(seconds: float) -> Iterator[None]:
    """Raise `TooSlowError` in what runs for longer."""

    def stop(*_: object) -> None:
        raise TooSlowError

    signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)


def fault_of(shop: Workshop, target: str, data: bytes) -> str:
    """What a reader does with an input that it must not do; empty where all is well."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with (
            no_longer_than(SECONDS),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
        ):
            TARGETS[target](shop, data)
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        if expected(error):
            str(error)
            return ""
        return "".join(traceback.format_exception(error)[-3:]) or repr(error)
    return "Traceback" if "Traceback" in err.getvalue() + out.getvalue() else ""


def corpus_of(target: str) -> list[bytes]:
    """What broke a reader of this target before."""
    return [path.read_bytes() for path in sorted((CORPUS / target).glob("*"))]


def keep(target: str, data: bytes) -> Path:
    """Write an input into the corpus."""
    path = CORPUS / target / hashlib.sha256(data).hexdigest()[:12]
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def run(counts: dict[str, int], seed: int) -> int:
    """Feed each target its number of inputs; the number of kinds of faults."""
    shop, folder = workshop()
    faults: dict[str, int] = {}
    total, begin = 0, time.monotonic()
    with folder:
        for target, count in counts.items():
            start = time.monotonic()
            for number, data in enumerate(inputs(target, seed, corpus_of(target))):
                if number >= count:
                    break
                fault = fault_of(shop, target, data)
                if fault:
                    kind = f"{target}: {' / '.join(fault.strip().splitlines()[-3:])}"
                    faults[kind] = faults.get(kind, 0) + 1
                    if faults[kind] == 1:
                        print(f"{keep(target, data)}\n{fault}")  # noqa: T201
                total += 1
            spent = time.monotonic() - start
            print(f"{target:18} {count:8} inputs {spent:7.1f} s")  # noqa: T201
    size = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    spent = time.monotonic() - begin
    print(f"{total} inputs, {len(faults)} kinds of faults, {spent:.0f} s, {size:.0f} MB")  # noqa: T201
    return len(faults)


def guided(target: str, arguments: list[str]) -> None:
    """Let the fuzzer of that name look for inputs that reach new code."""
    import atheris

    shop, _folder = workshop()

    def one(data: bytes) -> None:
        fault = fault_of(shop, target, data)
        if fault:
            keep(target, data)
            raise RuntimeError(fault)

    seeds = Path(_folder.name) / "seeds"
    seeds.mkdir()
    for number, data in enumerate([*seeds_of(target), *corpus_of(target)]):
        (seeds / str(number)).write_bytes(data)
    atheris.instrument_all()
    atheris.Setup([sys.argv[0], *arguments, str(seeds)], one)
    atheris.Fuzz()


def main() -> int:
    """Read the options and run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--targets", default=",".join(SHARES))
    parser.add_argument("--atheris", metavar="TARGET")
    options, rest = parser.parse_known_args()
    if options.atheris:
        guided(options.atheris, rest)
        return 0
    chosen = options.targets.split(",")
    shares = sum(SHARES[target] for target in chosen)
    counts = {t: max(1, round(options.inputs * SHARES[t] / shares)) for t in chosen}
    return 1 if run(counts, options.seed) else 0


if __name__ == "__main__":
    sys.exit(main())
