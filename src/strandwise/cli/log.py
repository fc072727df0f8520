"""`strandwise log`: record a batch, a strand or a firing."""

from __future__ import annotations

import contextlib
import dataclasses
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import click

from strandwise.cli.asking import Interview, field_options, option_name, say
from strandwise.cli.common import (
    at_terminal,
    campaign_argument,
    campaign_folder,
    echo_done,
    echo_json,
    examples,
    json_option,
)
from strandwise.cli.firing_form import (
    ask_firing,
    files_given,
    firing_options,
    firing_tables,
    missing_options,
)
from strandwise.errors import RecordsError, UnlikelyError
from strandwise.findings import Source
from strandwise.records import BATCH_FIELDS, STRAND_FIELDS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from strandwise.findings import Finding
    from strandwise.records import Campaign, StrandReading
    from strandwise.workflow.firing_recording import FiringPreview
    from strandwise.workflow.new_record import Logged

__all__ = ["command"]

_STOPWATCH = ("time",)
_VIDEO = ("frames", "frame_rate")
_ASKED_OF_BATCH = (
    "mixed",
    "mass",
    "density",
    "particle_size",
    "process",
    "process_temperature",
    "cook_time",
    "hold_time",
    "cooling",
    "cure",
    "notes",
)
_ASKED_OF_STRAND = ("date", "temperature", "notes")


def _yes_option(function: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--yes", "confirmed", is_flag=True, help="Values that are not likely are meant."
    )(function)


@click.group(
    "log",
    epilog=examples(
        'strandwise log strand demo --test S-99 --batch M-01 --length "80 mm" --time "11.2 s" \\\n'
        '  --pressure "2 MPa"'
    ),
)
def command() -> None:
    """Record a batch, a strand or a firing.

    Give the values as options; on a terminal you are asked for what is missing. Quantities carry
    their units as you write them: "80 mm", "3 1/8 in", "300 psig". Records are added at the end
    of the campaign's files, which you may edit by hand as well.
    """


@command.command(
    "batch",
    short_help="Add a batch.",
    epilog=examples(
        'strandwise log batch demo --batch M-10 --formulation base --mass "450 g"',
    ),
)
@campaign_argument
@field_options(BATCH_FIELDS)
@_yes_option
@json_option
@click.pass_context
def batch(
    ctx: click.Context, /, campaign: str, *, confirmed: bool, as_json: bool, **texts: str | None
) -> None:
    """Add a batch to CAMPAIGN."""
    from strandwise.workflow.new_record import read_for_logging
    from strandwise.workflow.recording import log_batch

    folder = campaign_folder(ctx, campaign)
    kept, _ = read_for_logging(folder)
    given, interview = _given(texts), None
    missing = [f for f in BATCH_FIELDS if f.required and f.name not in given]
    if missing:
        interview = _interview(kept, [option_name(f.name) for f in missing])
        fields = {field.name: field for field in BATCH_FIELDS}
        optional = [fields[name] for name in _ASKED_OF_BATCH]
        interview.ask_missing([*missing, *optional], given)
        _confirm(f"Batch {given['batch']}", given)
    logged = _settled(
        lambda sure: log_batch(folder, given, confirmed=sure), interview, given, confirmed=confirmed
    )
    _report(logged, "batch", given, kept.settings.units, as_json=as_json)


@command.command(
    "strand",
    short_help="Add a strand burn.",
    epilog=examples(
        'strandwise log strand demo --test S-99 --batch M-01 --length "80 mm" --time "11.2 s" \\\n'
        '  --pressure "300 psig"'
    ),
)
@campaign_argument
@field_options(STRAND_FIELDS)
@click.option("--wire", is_flag=True, help="One more timing wire of the strand logged last.")
@_yes_option
@json_option
@click.pass_context
def strand(
    ctx: click.Context,
    /,
    campaign: str,
    *,
    wire: bool,
    confirmed: bool,
    as_json: bool,
    **texts: str | None,
) -> None:
    """Add a strand burn to CAMPAIGN."""
    from strandwise.workflow.new_record import read_for_logging
    from strandwise.workflow.recording import log_strand

    folder = campaign_folder(ctx, campaign)
    kept, _ = read_for_logging(folder)
    given, interview = _given(texts), None
    missing = [f for f in STRAND_FIELDS if f.required and f.name not in given]
    timed = any(name in given for name in (*_STOPWATCH, *_VIDEO))
    if missing or not timed:
        options = [option_name(f.name) for f in missing]
        if not timed:
            options.append("--time (or --frames with --frame-rate)")
        interview = _interview(kept, options, wire=wire)
        _ask_strand(interview, given, timed=timed)
        _confirm(f"Strand {given['test']}", given, _expected(kept, given))
    logged = _settled(
        lambda sure: log_strand(folder, given, confirmed=sure, wire=wire),
        interview,
        given,
        confirmed=confirmed,
    )
    _report(logged, "test", given, kept.settings.units, as_json=as_json)


@command.command(
    "firing",
    short_help="Add a motor firing.",
    epilog=examples(
        'strandwise log firing demo --test F-09 --batch M-01 --outer-diameter "33 mm" \\\n'
        '  --core-diameter "16 mm" --length "57.5 mm" --segments 2 --inhibited outer \\\n'
        '  --throat-diameter "6.6 mm" --burn-time "1.1 s" --mean-pressure "440 psig"'
    ),
)
@campaign_argument
@firing_options
@_yes_option
@json_option
@click.pass_context
def firing(
    ctx: click.Context,
    /,
    campaign: str,
    *,
    trace_file: Path | None,
    trace_pressure_file: Path | None,
    trace_thrust_file: Path | None,
    confirmed: bool,
    as_json: bool,
    **texts: str | None,
) -> None:
    """Add a motor firing to CAMPAIGN, with its raw trace or with what was read by hand.

    The trace is copied into the campaign and never changed; its SHA-256 is kept beside it. A
    channel that another logger wrote comes with its own file and clock, which are kept likewise;
    the two clocks are set to each other by the rise of the signals. What
    was understood of grain and nozzle is drawn and said back; on a terminal you are asked before
    it is saved.
    """
    from strandwise.cli.firing_echo import echo_of, sizes_json
    from strandwise.workflow.firing_recording import log_firing, preview_firing
    from strandwise.workflow.new_record import read_for_logging

    folder = campaign_folder(ctx, campaign)
    kept, _ = read_for_logging(folder)
    given, interview = _given(texts), None
    files = files_given(
        {
            "trace_file": trace_file,
            "trace_pressure_file": trace_pressure_file,
            "trace_thrust_file": trace_thrust_file,
        }
    )
    missing = missing_options(given, files)
    if missing:
        interview = _interview(kept, missing)
        ask_firing(interview, given, files)
    test, all_given = given["test"], _with_files(given, files)
    tables = firing_tables(given, has_trace="trace" in files)
    raw: dict[str, Any] = {
        "raw_trace": files.pop("trace", None),
        "channel_traces": files,
    }
    with _told_by_option(interview, all_given):
        preview = preview_firing(folder, test, tables, **raw)
    echo = echo_of(preview, kept.settings.units)
    asked = interview is not None or (at_terminal() and not confirmed and not as_json)
    if asked:
        confirmed = _agreed(preview, interview, echo, all_given) or confirmed
    logged = _settled(
        lambda sure: log_firing(folder, test, tables, **raw, confirmed=sure),
        interview,
        all_given,
        confirmed=confirmed,
    )
    more = sizes_json(preview.sizes)
    _report(logged, "test", given, kept.settings.units, as_json=as_json, more=more)
    if not asked and not as_json:
        echo_done("\n".join(echo))


def _given(texts: Mapping[str, str | None]) -> dict[str, str]:
    return {name: text.strip() for name, text in texts.items() if text and text.strip()}


def _with_files(given: Mapping[str, str], files: Mapping[str, Path]) -> Mapping[str, str]:
    """What was given, with the logger files under their options' names."""
    names = {key: "trace_file" if key == "trace" else f"trace_{key}_file" for key in files}
    return {**given, **{names[key]: str(path) for key, path in files.items()}}


def _interview(campaign: Campaign, missing: Sequence[str], *, wire: bool = False) -> Interview:
    """Questions about a new record, if there is somebody to ask; else it is a wrong usage."""
    if not at_terminal():
        msg = f"Missing option{'s' if len(missing) > 1 else ''} {', '.join(missing)}."
        raise click.UsageError(msg)
    tests = [s.test for s in campaign.strands] + [f.test for f in campaign.firings]
    known = {"formulation": list(campaign.formulations)}
    taken: dict[str, Sequence[str]] = {"test": [] if wire else tests}
    if click.get_current_context().info_name == "batch":
        taken["batch"] = list(campaign.batches)
    else:
        known["batch"] = list(campaign.batches)
    from strandwise.workflow.opening import pressure_scale

    return Interview(pressure_scale(campaign), campaign.settings.units, known=known, taken=taken)


def _ask_strand(interview: Interview, given: dict[str, str], *, timed: bool) -> None:
    fields = {field.name: field for field in STRAND_FIELDS}
    interview.ask_missing([fields["test"], fields["batch"], fields["length"]], given)
    if not timed:
        time = interview.ask(fields["time"], required=False)
        if time:
            given["time"] = time
        else:
            for name in _VIDEO:
                given[name] = interview.ask(fields[name], required=True)
    interview.ask_missing([fields["pressure"]], given)
    interview.ask_missing([fields[name] for name in _ASKED_OF_STRAND], given)


def _confirm(what: str, given: Mapping[str, str], outcome: str = "") -> None:
    """Show what was answered, and save it only if the person agrees."""
    _show(what, given, f"  {outcome}" if outcome else "")
    if not click.confirm("Save it?", default=True, err=True):
        _leave_unsaved(given)


def _show(what: str, given: Mapping[str, str], outcome: str) -> None:
    say(f"\n{what}")
    width = max(map(len, given))
    for name, text in given.items():
        say(f"  {name.replace('_', ' '):<{width}}  {text}")
    if outcome:
        say(outcome)


def _agreed(
    preview: FiringPreview,
    interview: Interview | None,
    echo: Sequence[str],
    given: Mapping[str, str],
) -> bool:
    """Draw a firing back to the person, and leave unless it is to be saved as it is."""
    open_ = preview.unlikely if interview is None else interview.unsettled(preview.unlikely)
    more = "\n".join(echo)
    if open_:
        more += "".join(
            f"\n  Not likely: {finding.message} (likely: {finding.expected}); {finding.hint}"
            for finding in open_
        )
    _show(f"Firing {preview.firing.test}", given, more)
    question = "Is that meant, and is it to be saved?" if open_ else "Save it?"
    if not click.confirm(question, default=not open_, err=True):
        _leave_unsaved(given)
    return True


def _settled(
    save: Callable[[bool], Logged],
    interview: Interview | None,
    given: Mapping[str, str],
    *,
    confirmed: bool,
) -> Logged:
    """Save a record; on a terminal ask first whether an unlikely value is meant."""
    with _told_by_option(interview, given):
        try:
            return save(confirmed)
        except UnlikelyError as error:
            if not at_terminal():
                raise
            open_ = error.findings if interview is None else interview.unsettled(error.findings)
            for finding in open_:
                say(f"Not likely: {finding.message} (likely: {finding.expected})")
            if open_ and not click.confirm("Is it meant?", default=False, err=True):
                _leave_unsaved(given)
            return save(True)


@contextlib.contextmanager
def _told_by_option(interview: Interview | None, given: Mapping[str, str]) -> Iterator[None]:
    """Name the options in faults of the new record, and say how to go on after questions."""
    try:
        yield
    except RecordsError as error:
        if interview is not None:
            _say_again(given)
        raise RecordsError([_by_option(finding) for finding in error.findings]) from error


def _leave_unsaved(given: Mapping[str, str]) -> NoReturn:
    _say_again(given)
    click.get_current_context().exit(1)


def _say_again(given: Mapping[str, str]) -> None:
    """Tell how to say all of it once more, changed, without being asked again."""
    context = click.get_current_context()
    words = [*context.command_path.split(), context.params["campaign"]]
    for name, text in given.items():
        words += [option_name(name), text]
    say("Nothing was saved. To change something and try again:")
    click.echo(f"  {shlex.join(words)}", err=True)  # in one line, to be copied


def _by_option(finding: Finding) -> Finding:
    """A finding on the new record, placed at the option that it is about."""
    from strandwise.workflow.new_record import NEW_RECORD

    field = finding.source.field
    if finding.source.path != NEW_RECORD or not field:
        return finding
    options = {p.name: p.opts[0] for p in click.get_current_context().command.params}
    parts = field.split(".")
    names = ("_".join(parts[:3]), "_".join(parts[:2]), parts[-1])
    name = next((n for n in names if n in options), None)
    return finding if name is None else dataclasses.replace(finding, source=Source(options[name]))


def _report(
    logged: Logged,
    name: str,
    given: dict[str, str],
    units: str,
    *,
    as_json: bool,
    more: Mapping[str, Any] | None = None,
) -> None:
    from strandwise.records import StrandReading

    record = logged.record
    burnt = _burnt(record) if isinstance(record, StrandReading) else None
    if as_json:
        result: dict[str, Any] = {"file": logged.file, name: given[name], "given": given}
        result |= more or {}
        if burnt is not None:
            result |= {"pressure_MPa": burnt.pressure / 1e6, "rate_mm_s": burnt.rate * 1e3}
        echo_json(result)
        return
    echo_done(f"Logged {name} {given[name]} in {logged.file}")
    if burnt is not None:
        echo_done(burnt.text(units))


@dataclass(frozen=True, slots=True)
class _Burnt:
    """What a strand's readings come to, for the person to see: m/s at absolute Pa."""

    rate: float
    pressure: float

    def text(self, units: str) -> str:
        from strandwise.report import display_units, format_number, in_unit, unit_text

        shown = display_units(units)
        rate, pressure = in_unit(self.rate, shown.rate), in_unit(self.pressure, shown.pressure)
        return (
            f"Burn rate {format_number(rate)} {unit_text(shown.rate)} at "
            f"{format_number(pressure)} {unit_text(shown.pressure)} absolute"
        )


def _expected(campaign: Campaign, given: Mapping[str, str]) -> str:
    """What the readings of a strand come to, before it is saved."""
    from strandwise.records import StrandReading
    from strandwise.workflow.new_record import NEW_RECORD, parse_texts
    from strandwise.workflow.opening import pressure_scale

    values = parse_texts(STRAND_FIELDS, given, pressure_scale(campaign))
    burnt = _burnt(StrandReading(**values, source=Source(NEW_RECORD)))
    return "" if burnt is None else burnt.text(campaign.settings.units)


def _burnt(strand: StrandReading) -> _Burnt | None:
    time = strand.time
    if time is None and strand.frames and strand.frame_rate:
        time = strand.frames / strand.frame_rate
    return None if time is None else _Burnt(strand.length / time, strand.pressure)
