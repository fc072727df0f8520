"""`strandwise undo`: take back the last change that the program made."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from strandwise.cli.common import (
    at_terminal,
    bench_option,
    campaign_folder,
    echo_done,
    echo_json,
    echo_text,
    examples,
    here,
    json_option,
)
from strandwise.errors import RequestError

if TYPE_CHECKING:
    from strandwise.workflow.undoing import TakingBack

__all__ = ["command"]

_MOST_LINES = 20
_WIDEST = 100


@click.command(
    "undo", epilog=examples("strandwise undo demo --yes", "strandwise undo demo --redo --yes")
)
@click.argument("campaign", required=False)
@click.option("--shared", is_flag=True, help="In the tables that campaigns share, not in one.")
@click.option("--redo", is_flag=True, help="Do again what was undone last.")
@click.option("--yes", "confirmed", is_flag=True, help="Do not ask.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    campaign: str | None,
    *,
    shared: bool,
    redo: bool,
    confirmed: bool,
    as_json: bool,
) -> None:
    """Take back the last change that the program made to CAMPAIGN's records.

    That is the last `log`, `calibrate` or `mix derive --write`; once more, the one before. What
    would change is shown first. A file that was edited since is refused, so that no edit is lost.
    The raw trace of a firing is not deleted but gets another name. --redo brings back what was
    undone.
    """
    from strandwise.records import find_bench
    from strandwise.workflow.undoing import campaign_taking_back, shared_taking_back, take_back

    if (campaign is None) != shared:
        msg = "Give either CAMPAIGN or --shared."
        raise click.UsageError(msg)
    if campaign is None:
        stated = bench_option(ctx)
        found = shared_taking_back(find_bench(stated or here(), stated=stated), again=redo)
    else:
        found = campaign_taking_back(campaign_folder(ctx, campaign), again=redo)
    verb = "Do again" if redo else "Undo"
    if not confirmed:
        echo_text("\n".join(_account(found, verb)), err=as_json)
        if not at_terminal():
            msg = "nobody is there to ask"
            raise RequestError(msg, hint="--yes does it; nothing was changed")
        if not click.confirm(f"{verb} it?", default=False, err=True):
            click.echo("Nothing was changed.", err=True)
            ctx.exit(1)
    take_back(found)
    if as_json:
        echo_json(_as_json(found, redo=redo))
        return
    if confirmed:
        echo_done("\n".join(_account(found, verb)))
    echo_done("Done again." if redo else "Undone.")


def _account(found: TakingBack, verb: str) -> list[str]:
    when = found.entry.time.replace("T", " ").replace("+00:00", " UTC")
    lines = [f"{verb}: {found.entry.what} ({when})", f"{found.file} is {found.becomes}:"]
    for line in found.lines[:_MOST_LINES]:
        shown = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in line)
        lines.append(f"  {shown[:_WIDEST]}{'…' if len(shown) > _WIDEST else ''}")
    if len(found.lines) > _MOST_LINES:
        lines.append(f"  … and {len(found.lines) - _MOST_LINES} more lines")
    lines += [f"{trace} is kept, as {aside}" for trace, aside in found.traces]
    return lines


def _as_json(found: TakingBack, *, redo: bool) -> dict[str, object]:
    return {
        "redo": redo,
        "change": found.entry.what,
        "time": found.entry.time,
        "file": found.file,
        "becomes": found.becomes,
        "lines": list(found.lines),
        "traces": [{"file": trace, "becomes": aside} for trace, aside in found.traces],
    }
