"""Simulation study of the intervals: do they cover, and is anything lost that the data hold?

Run by one command, which also renews the table in DEVELOPERS.md:

    .venv/bin/python tests/benchmarks/coverage_study.py

The designs are in `coverage_cells.py`. A cell that is done is appended to the results file and not
done again, unless the code that makes its numbers has changed; the study can be stopped and taken
up at any time.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import json
import os
import textwrap
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path

from coverage_cells import (
    CampaignCell,
    LawCell,
    Result,
    alike_by_luck,
    campaign_cells,
    law_cells,
    levels_alone,
    run_cell,
)
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

ROOT = Path(__file__).resolve().parents[2]
LOW, HIGH, RATIO = 0.94, 0.96, 1.05  # the targets
ERRORS = 2.5  # standard errors of the simulation that a target is given
# What the numbers of each kind of cell are made by.
RATELAW = ("covariance", "lines", "scatter", "fit", "assemble", "outliers")
TRACKING = ("analysis", "layout", "mixed", "random_effects", "reml", "small_sample", "spread")
TRACKING += ("shifts", "multiple")
BEGIN, END = "<!-- coverage table -->", "<!-- end of coverage table -->"


@dataclass(frozen=True)
class Done:
    """A cell and what came out of it."""

    cell: LawCell | CampaignCell
    result: Result

    def coverages(self) -> dict[str, float]:
        return {key: value["share"] for key, value in self.result["covered"].items()}

    def misses(self) -> list[str]:
        """Measures off their target by more than the simulation's own error."""
        off = [
            key
            for key, value in self.result["covered"].items()
            if not LOW - ERRORS * value["se"] <= value["share"] <= HIGH + ERRORS * value["se"]
        ]
        ratio = self.result.get("ratio")
        if ratio is not None and ratio > RATIO + ERRORS * self.result["ratio_se"]:
            off.append("variance")
        return off


# --- running and keeping ------------------------------------------------------------------------


def code_mark(kind: type) -> str:
    """Fingerprint of the code that makes the numbers, comments and docstrings apart."""
    room, modules = ("ratelaw", RATELAW) if kind is LawCell else ("tracking", TRACKING)
    source = ROOT / "src" / "strandwise" / room
    digest = hashlib.sha256()
    paths = [Path(__file__).with_name("coverage_cells.py"), *(source / f"{m}.py" for m in modules)]
    for path in paths:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            body = getattr(node, "body", None)
            if isinstance(body, list) and body and _is_text(body[0]):
                del body[0]
        digest.update(ast.dump(tree).encode())
    return digest.hexdigest()[:16]


def _is_text(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


def kept_results(path: Path) -> dict[tuple[str, int, str], Result]:
    """Results in the file; a line cut short by a stop is passed over."""
    kept: dict[tuple[str, int, str], Result] = {}
    if path.exists():
        for line in path.read_text(encoding="utf-8").splitlines():
            try:
                one = json.loads(line)
            except json.JSONDecodeError:
                continue
            kept[one["cell"], one["count"], one["mark"]] = one
    return kept


def run_study(
    sizes: dict[LawCell | CampaignCell, int], path: Path, workers: int, console: Console
) -> list[Done]:
    """Run what is not yet in the file; results in the order of the cells."""
    marks = {kind: code_mark(kind) for kind in (LawCell, CampaignCell)}
    kept = kept_results(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with (
        path.open("a", encoding="utf-8") as file,
        ProcessPoolExecutor(workers, initializer=os.nice, initargs=(10,)) as pool,
        Progress(*columns, TimeRemainingColumn(), console=console) as progress,
    ):
        task = progress.add_task("cells", total=len(sizes))
        waiting: dict[Future[Result], str] = {}
        for cell, count in sizes.items():
            mark = marks[type(cell)]
            if (cell.name, count, mark) in kept:
                progress.advance(task)
            else:
                waiting[pool.submit(run_cell, cell, count)] = mark
        for done in as_completed(waiting):
            one = done.result() | {"mark": waiting[done]}
            file.write(json.dumps(one) + "\n")
            file.flush()
            kept[one["cell"], one["count"], one["mark"]] = one
            progress.advance(task)
    return [Done(cell, kept[cell.name, n, marks[type(cell)]]) for cell, n in sizes.items()]


# --- the table ----------------------------------------------------------------------------------


def span(values: Iterable[float], digits: int = 1) -> str:
    """Lowest to highest of some values."""
    listed = sorted(values)
    if not listed:
        return "–"
    low, high = f"{listed[0]:.{digits}f}", f"{listed[-1]:.{digits}f}"
    return low if low == high else f"{low} … {high}"


def percents(cells: Iterable[Done], key: str) -> str:
    """Range of a share over cells, in per cent; of a coverage where there is one of that name."""
    found = [
        one.result["covered"].get(key) or one.result.get(key)
        for one in cells
        if key in one.result["covered"] or one.result.get(key)
    ]
    return span(100.0 * share["share"] for share in found)


def average(cells: Iterable[Done], key: str) -> str:
    """Mean of a share over cells, in per cent."""
    found = [100.0 * one.result[key]["share"] for one in cells]
    return f"{sum(found) / len(found):.0f}"


def table(headings: list[str], rows: Iterable[list[str]]) -> list[str]:
    lines = [headings, ["---"] * len(headings), *rows]
    return ["| " + " | ".join(line) + " |" for line in lines]


def grouped(cells: Iterable[Done], key: Callable[[Done], str]) -> dict[str, list[Done]]:
    groups: dict[str, list[Done]] = {}
    for one in cells:
        groups.setdefault(key(one), []).append(one)
    return groups


def met(cells: list[Done]) -> str:
    return f"{sum(not one.misses() for one in cells)} of {len(cells)}"


NOISES = {
    "readings": "readings 2 %, no scatter",
    "even": "readings 2 %, scatter 2 %",
    "uneven": "readings 1 to 4 %, scatter 2 %",
    "outlier": "as the second, one test 10 to 20 % off",
}
LAW_NOTES = {("uneven", "unknown"): "a", ("uneven", "understated"): "b"}
LAW_NOTES |= {("uneven", "overstated"): "b", ("uneven", "true"): "b"}
LAW_NOTES |= {("outlier", told): "c" for told in ("true", "unknown", "understated", "overstated")}


def law_note(one: Done) -> str:
    assert isinstance(one.cell, LawCell)
    return LAW_NOTES.get((one.cell.noise, one.cell.stated), "?")


def law_lines(done: list[Done]) -> list[str]:
    """Table of the laws of single batches, and its notes."""
    enough = [one for one in done if one.cell.points >= 5]
    rows = []
    for name, cells in grouped(enough, lambda one: f"{one.cell.noise}/{one.cell.stated}").items():
        noise, stated = name.split("/")
        notes = sorted({law_note(one) for one in cells if one.misses()})
        bias = [one.result["bias_n"] / one.result["sd_n"] for one in cells]
        ratios = span((one.result["ratio"] for one in cells), 2)
        rows.append(
            [
                NOISES[noise],
                stated,
                *(percents(cells, key) for key in ("n", "rate", "a")),
                ratios,
                span(bias, 2),
                met(cells),
                ", ".join(notes),
            ]
        )
    headings = [
        "noise",
        "stated uncertainties",
        "n",
        "rate",
        "a",
        "variance",
        "bias",
        "met",
        "note",
    ]
    return [*table(headings, rows), "", *law_notes(done, enough)]


def law_notes(done: list[Done], enough: list[Done]) -> list[str]:
    """What the rows do not say, and why a target is missed."""

    def of(noise: str, *stated: str) -> list[Done]:
        found = [one for one in enough if one.cell.noise == noise]
        return [one for one in found if not stated or one.cell.stated in stated]

    few = [one for one in done if one.cell.points == 4 and one.cell.noise != "outlier"]
    by_points = grouped(
        of("outlier", "true", "unknown", "understated"), lambda one: str(one.cell.points)
    )
    named = ", ".join(f"{average(cells, 'named')} % of {k}" for k, cells in by_points.items())
    even = [*of("readings"), *of("even")]
    told = span((one.result["ratio_told"] for one in of("uneven")), 2)
    right = max(one.result["ratio"] for one in of("uneven", "true"))
    wrong = max(one.result["ratio"] for one in of("uneven", "understated", "overstated"))
    return [
        f"With 4 tests, outliers apart, n is covered {percents(few, 'n')} %, the rate "
        f"{percents(few, 'rate')} %, a {percents(few, 'a')} %.",
        "- **a** Nothing is stated and the tests are of unlike precision: all weigh the same, "
        "which costs variance, and the interval takes their mean scatter for that of each. Told "
        f"the whole variance of each test the same points give {told} of the bound. Stating the "
        "uncertainties, were it only their ratios, brings the coverage back (the rows below).",
        "- **b** The estimate is that of the restricted likelihood, whose τ² is added to the "
        "stated variances. From few tests τ² is uncertain, and stated uncertainties that are all "
        "halved or doubled give wrong relative weights. The variance is then up to "
        f"{right:.2f} (true) or {wrong:.2f} (halved, doubled) of the bound, and {told} where the "
        "whole variance is told. The intervals allow for it and keep their coverage.",
        "- **c** A test that is 10 to 20 % off is kept: it is part of the estimate and of its "
        "variance, while the bound is that of the clean tests. The intervals are wider than they "
        "need be, not narrower. In campaigns of six batches of which one holds such a test, that "
        f"batch is named in {named} tests; where uncertainties are overstated, in "
        f"{average(of('outlier', 'overstated'), 'named')} %.",
        f"- A batch is named wrongly in {average(even, 'misnamed')} % of campaigns of six batches "
        "whose tests are alike in precision; where they are not, in "
        f"{average(of('uneven', 'true'), 'misnamed')} % if their true uncertainties are stated, in "
        f"{average(of('uneven', 'unknown'), 'misnamed')} % if nothing is.",
    ]


def campaign_lines(done: list[Done]) -> list[str]:
    """Table of the comparisons, and its notes."""
    single = [one for one in done if one.cell.base == one.cell.others == 1]
    repeated = [one for one in done if one not in single]
    rows = []
    for _, cells in grouped(repeated, _campaign_row).items():
        cell = cells[0].cell
        notes = sorted({campaign_note(one) for one in cells if one.misses()})
        rows.append(
            [
                "strands, firings" if cell.mixed else "strands",
                cell.stated,
                f"{100.0 * cell.scatter:g} %",
                f"{cell.exponents:g}",
                f"{cell.at / 1e6:g} MPa",
                *(percents(cells, key) for key in ("shift", "delta_n", "rate", "offset")),
                *(percents(cells, key) for key in ("alarm", "alarm_n", "power")),
                met(cells),
                ", ".join(notes),
            ]
        )
    headings = ["tests", "stated", "batches differ by", "in n by", "compared at"]
    headings += ["shift", "Δn", "rate", "offset"]
    headings += ["false alarm", "of Δn", "power", "met", "note"]
    return [*table(headings, rows), "", *campaign_notes(single, repeated)]


def _campaign_row(one: Done) -> str:
    cell = one.cell
    assert isinstance(cell, CampaignCell)
    return f"{cell.mixed}/{cell.stated}/{cell.scatter}/{cell.exponents}/{cell.at}"


def campaign_note(one: Done) -> str:
    cell = one.cell
    assert isinstance(cell, CampaignCell)
    if cell.stated == "overstated":
        return "e"
    # Where batches differ by less than the mean of six tests is uncertain, and not much more.
    if cell.scatter <= 0.03:
        return "d"
    # Few batches whose exponents agree, or hardly differ beyond what their tests can show.
    high = [key for key in one.misses() if one.coverages().get(key, 0.0) < HIGH]
    return "?" if high or one.misses() != ["delta_n"] else "f"


def campaign_notes(single: list[Done], repeated: list[Done]) -> list[str]:
    turning = [one for one in repeated if one.cell.exponents]
    repeated = [one for one in repeated if one not in turning]
    same = [one for one in repeated if one.cell.scatter == 0.0 and one.cell.stated == "true"]
    by_number = grouped(same, lambda one: f"{one.cell.base} + {one.cell.others}")
    numbers = ", ".join(f"{percents(cells, 'shift')} % ({k})" for k, cells in by_number.items())
    luck = {number: alike_by_luck(number) for number in (2, 3)}
    p_values = sum(one.result["p_values"] for one in single)
    answered = min(
        min(one.result["codes"].get(code, 0.0) for code in ("one-batch", "not-separable"))
        for one in single
    )
    wide = [one for one in repeated if one.cell.scatter >= 0.06 and one.cell.stated != "overstated"]
    power = grouped(
        (one for one in wide if one.cell.scatter == 0.06),
        lambda one: f"{one.cell.base} + {one.cell.others}",
    )
    powers = ", ".join(f"{percents(cells, 'power')} % ({k})" for k, cells in power.items())
    count = sum(one.result["count"] for one in single)
    lucky = {k: f"{100.0 * one['share']:.0f} %" for k, one in luck.items()}
    held = {k: f"{100.0 * one['covered']:.0f} %" for k, one in luck.items()}
    return [
        "With batches that differ by 6 % or more the shift is covered "
        f"{percents(wide, 'shift')} %, and a campaign without any shift raises a false alarm in "
        f"{percents(wide, 'alarm')} %. With 6 % between batches a shift of 10 % is seen (p below "
        f"0.05 after adjustment) in {powers}: batches of the baseline + of each other.",
        "",
        f"With one batch of each formulation {100.0 * answered:g} % of {count} campaigns answer "
        f"`one-batch` and `not-separable`; {p_values} p-values are given.",
        "- **d** Batches differ by nothing, or by no more than their tests can show. An estimated "
        "spread of batches is never below zero, so the interval of the shift holds the truth "
        f"in {numbers} where they do not differ at all. The interval that covers 95 % at any "
        "spread is Student's t on the batch means, and where these agree by luck it is narrower "
        "than the tests' own scatter allows: with 2 batches of each of three formulations the "
        f"means scatter by less than 0.7 of that in {lucky[2]} of campaigns, and it then covers "
        f"{held[2]}; with 3 batches in {lucky[3]}, and {held[3]}. An interval too wide for "
        "batches that happen to be alike is the lesser fault.",
        "- **e** Stated uncertainties of twice the true ones stay in the interval, as an error "
        "that all tests share does not show in their scatter; the caution "
        "`uncertainty-overstated` says so.",
        exponent_note(repeated, turning),
    ]


def exponent_note(alike: list[Done], turning: list[Done]) -> str:
    """Why Δn covers more than it need where batches have one exponent, and what that costs."""

    def numbers(cells: list[Done], key: str) -> str:
        groups = grouped(cells, lambda one: f"{one.cell.base} + {one.cell.others}")
        return ", ".join(f"{percents(group, key)} % ({k})" for k, group in groups.items())

    plain = [one for one in alike if not one.cell.mixed and one.cell.stated == "unknown"]
    plain = [one for one in plain if one.cell.base == one.cell.others and one.cell.scatter == 0.06]
    halves = ", ".join(
        f"{one.result['median_half_n']:.3f} instead of "
        f"{levels_alone(one.cell.base, 0.0)['half']:.3f} ({one.cell.base} + {one.cell.others})"
        for one in plain
    )
    much = [one for one in turning if one.cell.exponents >= 0.03]
    alone = 100.0 * levels_alone(3, 0.03)["covered"]
    return (
        "- **f** How far batches differ in exponent is always estimated, never taken as nothing, "
        "so that Δn is covered where they do differ: by 0.03, about as much as the exponent of "
        f"one batch of six tests is uncertain, in {numbers(much, 'delta_n')}; a campaign then "
        f"shows a false Δn in {numbers(much, 'alarm_n')}. A model of levels alone covers "
        f"{alone:.0f} % there (3 + 3). Where they do not differ the interval of Δn holds the truth "
        "too often, as that of the shift does (d), and its median half width is "
        f"{halves}: what it costs not to know that batches have one exponent."
    )


def report_lines(done: list[Done], batches: int, campaigns: int) -> list[str]:
    """Whole table for the contributors' document, between its two marks."""
    laws = [one for one in done if isinstance(one.cell, LawCell)]
    comparisons = [one for one in done if isinstance(one.cell, CampaignCell)]
    unexplained = [one.cell.name for one in done if one.misses() and _note(one) == "?"]
    head = [
        "Made by `.venv/bin/python tests/benchmarks/coverage_study.py`; not to be edited by hand.",
        f"**One batch, one law.** {batches} batches in each of {len(laws)} cells: 4, 5, 6, 8, 12, "
        "20 and 40 tests over pressures of ×1.5, ×3 and ×8, each pressure uncertain by 1 %. "
        "Coverage of the 95 % intervals in per cent, lowest to highest over the cells of 5 tests "
        "or more; variance of n over its Cramér–Rao bound; bias of n over its standard deviation; "
        f"how many cells meet 94 to 96 % and {RATIO}, up to {ERRORS} standard errors of the "
        "simulation.",
    ]
    middle = [
        f"**Formulations compared.** {campaigns} campaigns in each of {len(comparisons)} cells: a "
        "baseline and two others, 3 + 1, 2 + 2, 3 + 3 and 6 + 6 batches of six tests from 1.5 to 6 "
        "MPa, scatter 2 % from test to test. Per cent, lowest to highest over the numbers of "
        "batches; a false alarm is any p below 0.05 in a campaign without a shift (of Δn: in any "
        "campaign).",
    ]
    last = [f"Cells that miss a target for no reason given: {', '.join(unexplained) or 'none'}."]
    parts = [head, law_lines(laws), middle, campaign_lines(comparisons), last]
    return [BEGIN, "", *(line for part in parts for line in (*_wrapped(part), "")), END]


def _wrapped(lines: list[str]) -> list[str]:
    """Paragraphs, list items and rows of a table as lines of a document."""
    out: list[str] = []
    for line in lines:
        kind = line[:2]
        if kind != "| " and out and (kind != "- " or not out[-1].startswith(("- ", "  "))):
            out.append("")
        indent = "  " if kind == "- " else ""
        whole = kind == "| " or not line
        out += (
            [line]
            if whole
            else textwrap.wrap(
                line, 100, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
            )
        )
    return [line for i, line in enumerate(out) if line or (i and out[i - 1])]


def _note(one: Done) -> str:
    return law_note(one) if isinstance(one.cell, LawCell) else campaign_note(one)


def renew_table(path: Path, lines: list[str]) -> None:
    """Put the lines in place of what stands between the marks, marks included; else at the end."""
    text = path.read_text(encoding="utf-8")
    new = "\n".join(lines)
    if BEGIN in text and END in text:
        before, rest = text.split(BEGIN, 1)
        text = before + new + rest.split(END, 1)[1]
    else:
        text = text.rstrip() + "\n\n## What the intervals are worth\n\n" + new + "\n"
    path.write_text(text, encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--batches", type=int, default=40_000, help="in each cell of the laws")
    parser.add_argument("--campaigns", type=int, default=500, help="in each cell of comparisons")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--results", type=Path, default=ROOT / "build" / "coverage_study.jsonl")
    parser.add_argument("--document", type=Path, default=ROOT / "DEVELOPERS.md")
    chosen = parser.parse_args()
    console = Console()
    sizes: dict[LawCell | CampaignCell, int] = dict.fromkeys(law_cells(), chosen.batches)
    sizes |= dict.fromkeys(campaign_cells(), chosen.campaigns)
    done = run_study(sizes, chosen.results, chosen.workers, console)
    renew_table(chosen.document, report_lines(done, chosen.batches, chosen.campaigns))
    judged = [one for one in done if not isinstance(one.cell, LawCell) or one.cell.points >= 5]
    missed = sum(bool(one.misses()) for one in judged)
    console.print(f"{missed} of {len(judged)} cells miss a target; why: {chosen.document}")


if __name__ == "__main__":
    main()
