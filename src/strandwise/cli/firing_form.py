"""The options and questions of `strandwise log firing`, and the tables that they fill."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.asking import ask_field, field_option, today
from strandwise.records import (
    FIRING_FIELDS,
    GRAIN_FIELDS,
    NOZZLE_FIELDS,
    SUMMARY_FIELDS,
    Field,
)

if TYPE_CHECKING:
    from strandwise.records import PressureScale

__all__ = ["ask_firing", "firing_options", "firing_tables"]

_TEST = Field(name="test", help="name of the test", form="name", required=True)
_SHAPE = Field(
    name="shape",
    help="shape of the grain",
    form="choice",
    choices=("hollow-cylinder", "end-burner"),
)
_INHIBITED = Field(
    name="inhibited", help="faces that do not burn: outer, core, ends, with commas", form="text"
)
# Both shapes' fields, each once: those of the hollow cylinder hold all of the end burner's.
_GRAIN = tuple(GRAIN_FIELDS["hollow-cylinder"])
_CHANNELS = (
    Field(
        name="trace_time", help='clock of the trace: heading and unit, "millis (ms)"', form="text"
    ),
    Field(name="trace_sample_rate", help='where there is no clock column: "500 Hz"', form="text"),
    Field(name="trace_pressure", help='pressure column: heading and unit, "p (psig)"', form="text"),
    Field(name="trace_thrust", help='thrust column: heading and unit, "raw (count)"', form="text"),
    Field(
        name="trace_instrument",
        help="instrument of a channel in count, V or mV, as in instruments.toml",
        form="text",
    ),
)


def firing_options(function: Any) -> Any:
    """Add the options of a firing; texts arrive under the fields' names."""
    fields = [
        *FIRING_FIELDS,
        _SHAPE,
        *_GRAIN,
        _INHIBITED,
        *NOZZLE_FIELDS,
        *_CHANNELS,
        *SUMMARY_FIELDS,
    ]
    for field in reversed(fields):
        function = field_option(field)(function)
    function = click.option(
        "--trace-file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Raw logger file; it is copied into the campaign.",
    )(function)
    return field_option(_TEST)(function)


def firing_tables(texts: dict[str, str | None], *, has_trace: bool) -> dict[str, Any]:
    """Content of a firing's file from the options given."""
    given = {name: text.strip() for name, text in texts.items() if text and text.strip()}
    tables: dict[str, Any] = {f.name: given[f.name] for f in FIRING_FIELDS if f.name in given}
    grain: dict[str, Any] = {"shape": given.get("shape", "hollow-cylinder")}
    for field in _GRAIN:
        if field.name in given:
            text = given[field.name]
            grain[field.name] = int(text) if field.form == "integer" and text.isdigit() else text
    if "inhibited" in given:
        grain["inhibited"] = [face.strip() for face in given["inhibited"].split(",")]
    tables["grain"] = grain
    for table, fields in (("nozzle", NOZZLE_FIELDS), ("summary", SUMMARY_FIELDS)):
        content = {f.name: _plain(f, given[f.name]) for f in fields if f.name in given}
        if content:
            tables[table] = content
    if has_trace:
        tables["trace"] = _trace_table(given)
    return tables


def _plain(field: Field, text: str) -> object:
    if field.form != "number":
        return text
    try:
        return float(text)
    except ValueError:
        return text


def _trace_table(given: dict[str, str]) -> dict[str, Any]:
    trace: dict[str, Any] = {}
    for field in _CHANNELS[:4]:
        if field.name in given:
            trace[field.name.removeprefix("trace_")] = given[field.name]
    instrument = given.get("trace_instrument")
    if instrument:
        for key in ("pressure", "thrust"):
            heading, _, unit = str(trace.get(key, "")).rpartition("(")
            unit = unit.rstrip(") ")
            if unit in ("count", "V", "mV"):
                trace[key] = {"column": heading.strip(), "unit": unit, "instrument": instrument}
    return trace


def ask_firing(
    scale: PressureScale,
    test: str | None,
    trace_file: Path | None,
    texts: dict[str, str | None],
) -> tuple[str, Path | None, dict[str, str | None]]:
    """Ask for what a firing still lacks: grain, nozzle, then a trace or hand readings."""
    answers = dict(texts)

    def need(field: Field, default: str = "") -> None:
        if not answers.get(field.name):
            answers[field.name] = ask_field(field, scale, default) or None

    test = test or ask_field(_TEST, scale)
    for field in FIRING_FIELDS:
        if field.required or field.name in ("date", "temperature"):
            need(field, today() if field.name == "date" else "")
    click.echo("The grain")
    need(_SHAPE, "hollow-cylinder")
    shape = answers["shape"] or "hollow-cylinder"
    for field in GRAIN_FIELDS[shape]:
        need(field)
    if shape == "hollow-cylinder":
        need(_INHIBITED)
    click.echo("The nozzle")
    for field in NOZZLE_FIELDS[:4]:
        need(field)
    if trace_file is None:
        text = click.prompt(
            "Raw logger file (Enter: none, values were read by hand)",
            default="",
            show_default=False,
        )
        trace_file = Path(text).expanduser() if text.strip() else None
    if trace_file is None:
        for field in SUMMARY_FIELDS[:5]:
            need(field)
    else:
        for field in _CHANNELS:
            need(field)
    return test, trace_file, answers
