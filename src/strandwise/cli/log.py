"""`strandwise log`: record a batch, a strand or a firing."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.asking import ask, field_options, missing_fields, today
from strandwise.cli.common import campaign_argument, campaign_folder, echo_json, json_option
from strandwise.cli.firing_form import ask_firing, firing_options, firing_tables
from strandwise.records import BATCH_FIELDS, STRAND_FIELDS
from strandwise.workflow.recording import (
    log_batch,
    log_firing,
    log_strand,
    pressure_scale,
    read_for_logging,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from strandwise.records import CampaignFolder, Field, PressureScale, StrandReading
    from strandwise.workflow.recording import Logged

__all__ = ["command"]

_ASKED_OF_BATCH = ("mixed", "mass", "density", "process", "process_temperature", "notes")
_ASKED_OF_STRAND = ("time", "date", "temperature", "notes")


def _yes_option(function: Callable[..., Any]) -> Callable[..., Any]:
    return click.option(
        "--yes", "confirmed", is_flag=True, help="Values that are not likely are meant."
    )(function)


@click.group("log")
def command() -> None:
    """Record a batch, a strand or a firing.

    Give the values as options; on a terminal you are asked for what is missing. Quantities carry
    their units as you write them: "80 mm", "3 1/8 in", "300 psig". Records are added at the end
    of the campaign's files, which you may edit by hand as well.
    """


@command.command("batch")
@campaign_argument
@field_options(BATCH_FIELDS)
@_yes_option
@json_option
@click.pass_context
def batch(
    ctx: click.Context, /, campaign: str, *, confirmed: bool, as_json: bool, **texts: str | None
) -> None:
    r"""Add a batch to CAMPAIGN.

    \b
    Example:
      strandwise log batch demo --batch M-10 --formulation base --mass "450 g"
    """
    folder = campaign_folder(ctx, campaign)
    given = _complete(folder, BATCH_FIELDS, texts, _ASKED_OF_BATCH, "mixed")
    logged = log_batch(folder, given, confirmed=confirmed)
    _report(logged, BATCH_FIELDS, given, as_json=as_json)


@command.command("strand")
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
    r"""Add a strand burn to CAMPAIGN.

    \b
    Example:
      strandwise log strand demo --test S-99 --batch M-01 --length "80 mm" --time "11.2 s" \
        --pressure "300 psig"
    """
    folder = campaign_folder(ctx, campaign)
    asked = _ASKED_OF_STRAND[1:] if texts.get("frames") else _ASKED_OF_STRAND
    given = _complete(folder, STRAND_FIELDS, texts, asked, "date")
    logged = log_strand(folder, given, confirmed=confirmed, wire=wire)
    _report(logged, STRAND_FIELDS, given, as_json=as_json)
    if not as_json:
        click.echo(_rate_text(logged.record))  # type: ignore[arg-type]


@command.command("firing")
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
    test: str | None,
    trace_file: Path | None,
    confirmed: bool,
    as_json: bool,
    **texts: Any,
) -> None:
    r"""Add a motor firing to CAMPAIGN, with its raw trace or with what was read by hand.

    The trace is copied into the campaign and never changed; its SHA-256 is kept beside it.

    \b
    Example:
      strandwise log firing demo --test F-09 --batch M-01 --outer-diameter "33 mm" \
        --core-diameter "16 mm" --length "57.5 mm" --segments 2 --inhibited outer \
        --throat-diameter "6.6 mm" --burn-time "1.1 s" --mean-pressure "440 psig"
    """
    folder = campaign_folder(ctx, campaign)
    if sys.stdin.isatty():
        scale = _scale(folder)
        test, trace_file, texts = ask_firing(scale, test, trace_file, texts)
    if not test:
        msg = "Missing option '--test'."
        raise click.UsageError(msg)
    tables = firing_tables(texts, has_trace=trace_file is not None)
    logged = log_firing(folder, test, tables, raw_trace=trace_file, confirmed=confirmed)
    if as_json:
        echo_json({"file": logged.file, "test": test})
    else:
        click.echo(f"Logged {test} in {logged.file}")


def _scale(folder: CampaignFolder) -> PressureScale:
    return pressure_scale(read_for_logging(folder)[0])


def _complete(
    folder: CampaignFolder,
    fields: Sequence[Field],
    texts: dict[str, str | None],
    asked: Sequence[str],
    dated: str,
) -> dict[str, str]:
    """The texts given, with answers for what is missing if there is somebody to ask."""
    given = {name: text for name, text in texts.items() if text is not None}
    missing = missing_fields(fields, given, (*asked, dated))
    if sys.stdin.isatty():
        defaults = {dated: today()}
        return ask(missing, given, _scale(folder), defaults)
    required = [f"--{f.name.replace('_', '-')}" for f in missing if f.required]
    if required:
        msg = f"Missing option{'s' if len(required) > 1 else ''} {', '.join(required)}."
        raise click.UsageError(msg)
    return given


def _report(
    logged: Logged, fields: Sequence[Field], given: dict[str, str], *, as_json: bool
) -> None:
    name = fields[0].name
    if as_json:
        echo_json({"file": logged.file, name: getattr(logged.record, name), "given": given})
    else:
        click.echo(f"Logged {name} {getattr(logged.record, name)} in {logged.file}")


def _rate_text(strand: StrandReading) -> str:
    time = strand.time
    if time is None:
        assert strand.frames is not None
        assert strand.frame_rate is not None
        time = strand.frames / strand.frame_rate
    return (
        f"{strand.length * 1e3:.4g} mm in {time:.4g} s: {strand.length / time * 1e3:.3g} mm/s at "
        f"{strand.pressure / 1e6:.4g} MPa absolute"
    )
