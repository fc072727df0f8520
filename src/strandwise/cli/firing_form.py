"""The options and questions of `strandwise log firing`, and the tables that they fill."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.asking import field_option, option_name, say
from strandwise.cli.common import wrapped
from strandwise.records import (
    FIRING_FIELDS,
    GRAIN_FIELDS,
    NOZZLE_FIELDS,
    SUMMARY_FIELDS,
    Field,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from strandwise.cli.asking import Interview

__all__ = ["ask_firing", "files_given", "firing_options", "firing_tables", "missing_options"]

_DEFAULT_SHAPE = "hollow-cylinder"
_INHIBITABLE = ("hollow-cylinder", "multi-core")
_HAND_READINGS = 5  # burn time, mean and peak thrust, mean and peak pressure
_ASKED = ("date", "temperature", "notes")

_TEST = Field(name="test", help="name of the test", form="name", required=True)
_SHAPE = Field(name="shape", help="shape of the grain", form="choice", choices=tuple(GRAIN_FIELDS))
_INHIBITED = Field(
    name="inhibited",
    help="faces that do not burn, with commas: outer, core, ends, one-end",
    form="text",
)
# All shapes' fields, each once; of two of one name the first shape's help is shown.
_GRAIN: tuple[Field, ...] = ()
for _fields in GRAIN_FIELDS.values():
    _GRAIN += tuple(f for f in _fields if f.name not in {known.name for known in _GRAIN})
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
# What a channel may have for itself, where another logger wrote it.
_OWN: dict[str, tuple[Field, ...]] = {
    channel: (
        Field(
            name=f"trace_{channel}_time",
            help=f"clock of the {channel} where it has its own: heading and unit",
            form="text",
        ),
        Field(
            name=f"trace_{channel}_sample_rate",
            help=f"of the {channel}'s logger, where its file has no clock column",
            form="text",
        ),
        Field(
            name=f"trace_{channel}_instrument",
            help=f"instrument of the {channel}, where the other channel has another",
            form="text",
        ),
    )
    for channel in ("pressure", "thrust")
}


def firing_options(function: Any) -> Any:
    """Add the options of a firing; texts arrive under the fields' names."""
    fields = [
        *FIRING_FIELDS,
        _SHAPE,
        *_GRAIN,
        _INHIBITED,
        *NOZZLE_FIELDS,
    ]
    for field in reversed(SUMMARY_FIELDS):
        function = field_option(field)(function)
    for channel in reversed(_OWN):
        for field in reversed(_OWN[channel]):
            function = field_option(field)(function)
        text = f"File of a logger of its own that wrote the {channel}; it is copied likewise."
        function = _file_option(f"--trace-{channel}-file", text)(function)
    for field in reversed([*fields, *_CHANNELS]):
        function = field_option(field)(function)
    text = "Raw logger file; it is copied into the campaign."
    function = _file_option("--trace-file", text)(function)
    return field_option(_TEST)(function)


def _file_option(name: str, text: str) -> Any:
    return click.option(name, type=click.Path(path_type=Path), metavar="FILE", help=text)


def files_given(files: Mapping[str, Path | None]) -> dict[str, Path]:
    """Logger files that were given, by ``trace`` or channel, from values by option."""
    return {
        key.removesuffix("_file").removeprefix("trace_"): path
        for key, path in files.items()
        if path is not None
    }


def firing_tables(given: Mapping[str, str], *, has_trace: bool) -> dict[str, Any]:
    """Content of a firing's file from texts by field name."""
    tables: dict[str, Any] = {f.name: given[f.name] for f in FIRING_FIELDS if f.name in given}
    grain: dict[str, Any] = {"shape": given.get("shape", _DEFAULT_SHAPE)}
    for field in _GRAIN:
        if field.name in given:
            grain[field.name] = _plain(field, given[field.name])
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
    """What a person would write into the file, as far as the text allows."""
    if field.form == "quantities":
        return [part.strip() for part in text.replace(";", ",").split(",")]
    if field.form == "integer" and text.isdigit():
        return int(text)
    if field.form != "number":
        return text
    try:
        return float(text)
    except ValueError:
        return text


def _trace_table(given: Mapping[str, str]) -> dict[str, Any]:
    trace: dict[str, Any] = {}
    for field in _CHANNELS[:4]:
        if field.name in given:
            trace[field.name.removeprefix("trace_")] = given[field.name]
    for channel, fields in _OWN.items():
        text = str(trace.get(channel, ""))
        own = {
            field.name.removeprefix(f"trace_{channel}_"): given[field.name]
            for field in fields
            if field.name in given
        }
        unit = _raw_unit(text)
        if unit and "trace_instrument" in given:
            own.setdefault("instrument", given["trace_instrument"])
        if own and unit:
            trace[channel] = {"column": text.rpartition("(")[0].strip(), "unit": unit, **own}
        elif own:
            trace[channel] = {"column": text, **own}
    return trace


def _raw_unit(channel: str) -> str:
    """Unit of a channel that needs an instrument's calibration; empty for any other."""
    unit = channel.rpartition("(")[2].rstrip(") ")
    return unit if unit in ("count", "V", "mV") else ""


def missing_options(texts: Mapping[str, str], files: Mapping[str, Path]) -> list[str]:
    """Options that a firing cannot do without and that were not given."""
    has_trace = "trace" in files
    shape = texts.get("shape", _DEFAULT_SHAPE)
    grain = GRAIN_FIELDS.get(shape, ())
    missing = [
        option_name(field.name)
        for field in (_TEST, *FIRING_FIELDS, *grain)
        if field.required and field.name not in texts and field.instead not in texts
    ]
    if files and not has_trace:
        # Its own clock and events are the trace's; the other logger is set by it.
        several = "one of the files given goes there" if len(files) > 1 else "the first logger's"
        missing.append(f"--trace-file ({several})")
    elif has_trace:
        needed = [("trace_pressure", "trace_thrust")]
        if not _has_own_clocks(texts):
            needed.insert(0, ("trace_time", "trace_sample_rate"))
        missing += [
            " or ".join(map(option_name, names))
            for names in needed
            if not any(name in texts for name in names)
        ]
        missing += _missing_instruments(texts)
    elif "burn_time" not in texts:
        missing.append("--trace-file or --burn-time")
    return missing


def _missing_instruments(texts: Mapping[str, str]) -> list[str]:
    raw = {
        channel: unit for channel in _OWN if (unit := _raw_unit(texts.get(f"trace_{channel}", "")))
    }
    lacking = [channel for channel in raw if f"trace_{channel}_instrument" not in texts]
    if not lacking or "trace_instrument" in texts:
        return []
    told = f"whose calibration turns {raw[lacking[0]]} into a {lacking[0]}"
    return [f"--trace-instrument (of instruments.toml, {told})"]


def _has_own_clocks(texts: Mapping[str, str]) -> bool:
    """Whether each channel that was given has a clock of its own."""
    given = [channel for channel in _OWN if f"trace_{channel}" in texts]
    return bool(given) and all(
        f"trace_{channel}_time" in texts or f"trace_{channel}_sample_rate" in texts
        for channel in given
    )


def ask_firing(interview: Interview, texts: dict[str, str], files: dict[str, Path]) -> None:
    """Ask for what `texts` and `files` lack, and add the answers to them.

    First the test and its batch, then the grain, the nozzle, and the trace or hand readings.
    """
    required = [f for f in FIRING_FIELDS if f.required]
    interview.ask_missing([_TEST, *required], texts)
    say("The grain")
    if "shape" not in texts:
        texts["shape"] = interview.ask(_SHAPE, default=_DEFAULT_SHAPE)
    grain = GRAIN_FIELDS[texts["shape"].lower()]
    for field in grain:
        if field.required and field.name not in texts and field.instead not in texts:
            _ask_size(interview, texts, field, grain)
    sizes = ["central_core_diameter", "slivers_from", "mass"]
    if "lengths" not in texts:
        sizes.append("segments")
    interview.ask_missing([f for f in grain if f.name in sizes], texts)
    if texts["shape"] in _INHIBITABLE:
        interview.ask_missing([_INHIBITED], texts)
    say("The nozzle")
    if "throat_diameter" not in texts:
        throat = interview.ask(NOZZLE_FIELDS[0], required=False)
        if throat:
            texts["throat_diameter"] = throat
    if "throat_diameter" in texts:
        asked = ("throat_diameter_after", "exit_diameter")
        interview.ask_missing([f for f in NOZZLE_FIELDS if f.name in asked], texts)
    say("The readings")
    if "trace" not in files and (files or "burn_time" not in texts):
        _ask_file(
            files,
            "trace",
            "Trace file: the raw file of the logger; Enter if values were read by hand",
        )
    if "trace" not in files:
        interview.ask_missing(SUMMARY_FIELDS[:_HAND_READINGS], texts)
    else:
        _ask_channels(interview, texts)
        _ask_second_logger(interview, texts, files)
    interview.ask_missing([f for f in FIRING_FIELDS if f.name in _ASKED], texts)


def _ask_size(
    interview: Interview, texts: dict[str, str], field: Field, grain: Sequence[Field]
) -> None:
    """Ask for a size that the grain cannot do without, or for what may stand in its place."""
    other = next((f for f in grain if f.name == field.instead), None)
    answer = interview.ask(field, required=other is None)
    if answer:
        texts[field.name] = answer
    elif other is not None:
        texts[other.name] = interview.ask(other, required=True)


def _ask_file(files: dict[str, Path], key: str, question: str) -> None:
    while True:
        asked = wrapped(question, err=True)
        text: str = click.prompt(asked, default="", show_default=False, err=True).strip()
        path = Path(text).expanduser()
        if not text:
            return
        if path.is_file():
            files[key] = path
            return
        say(f"  `{path}` is not a file")


def _ask_second_logger(interview: Interview, texts: dict[str, str], files: dict[str, Path]) -> None:
    """Ask for the channel that the first file lacks, which another logger may have written."""
    lacking = [channel for channel in _OWN if f"trace_{channel}" not in texts]
    if len(lacking) != 1 or len(files) > 1:
        return
    (channel,) = lacking
    question = f"{channel.capitalize()} file: of a second logger; Enter if there is none"
    _ask_file(files, channel, question)
    if channel not in files:
        return
    clock, rate, instrument = _OWN[channel]
    column = next(field for field in _CHANNELS if field.name == f"trace_{channel}")
    texts[column.name] = interview.ask(column, required=True)
    interview.ask_missing([clock], texts)
    if clock.name not in texts:
        texts[rate.name] = interview.ask(rate, required=True)
    if _raw_unit(texts[column.name]):
        interview.ask_missing([instrument], texts)


def _ask_channels(interview: Interview, texts: dict[str, str]) -> None:
    clock, rate, pressure, thrust, instrument = _CHANNELS
    if rate.name not in texts and not _has_own_clocks(texts):
        interview.ask_missing([clock], texts)
        if clock.name not in texts:
            texts[rate.name] = interview.ask(rate, required=True)
    interview.ask_missing([pressure, thrust], texts)
    if pressure.name not in texts and thrust.name not in texts:
        say("  One of the two is needed.")
        texts[pressure.name] = interview.ask(pressure, required=True)
    if any(_raw_unit(texts.get(field.name, "")) for field in (pressure, thrust)):
        interview.ask_missing([instrument], texts)
