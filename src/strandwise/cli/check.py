"""`strandwise check`: every problem in a campaign's files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_json,
    echo_text,
    examples,
    json_option,
)

if TYPE_CHECKING:
    from strandwise.findings import Finding

__all__ = ["command"]


@click.command("check", epilog=examples("strandwise check demo"))
@campaign_argument
@json_option
@click.pass_context
def command(ctx: click.Context, campaign: str, *, as_json: bool) -> None:
    """Find every problem in all files of CAMPAIGN at once.

    Each is named with its file, line and field, what was expected and what to do. Remarks are no
    problems: readings that are possible but not likely, keys that nothing reads.
    """
    from strandwise.records import read_campaign
    from strandwise.workflow.motor_files import with_motor_problems
    from strandwise.workflow.trace_sizes import with_unlikely_traces
    from strandwise.workflow.traces import with_trace_problems

    folder = campaign_folder(ctx, campaign)
    reading = with_motor_problems(with_trace_problems(read_campaign(folder)), folder)
    reading = with_unlikely_traces(reading, folder)
    if as_json:
        echo_json(
            {
                "ok": not reading.problems,
                "problems": [_as_json(finding) for finding in reading.problems],
                "remarks": [_as_json(finding) for finding in reading.remarks],
            }
        )
    else:
        for finding in reading.problems:
            echo_text(str(finding))
        for finding in reading.remarks:
            echo_text(f"remark: {finding}")
        echo_text(_summary(campaign, reading.problems, len(reading.remarks)))
    ctx.exit(1 if reading.problems else 0)


def _as_json(finding: Finding) -> dict[str, Any]:
    problem = finding.message if not finding.hint else f"{finding.message}; {finding.hint}"
    return {
        "file": finding.source.path,
        "line": finding.source.line,
        "field": finding.source.field,
        "problem": problem,
        "expected": finding.expected or None,
        "code": finding.code,
    }


def _summary(campaign: str, problems: tuple[Finding, ...], remarks: int) -> str:
    if not problems:
        said = f"; {remarks} remark{'s' if remarks > 1 else ''} to look at" if remarks else ""
        return f"{campaign}: no problem found{said}"
    files = len({finding.source.path for finding in problems})
    return (
        f"{campaign}: {len(problems)} problem{'s' if len(problems) > 1 else ''} "
        f"in {files} file{'s' if files > 1 else ''}"
    )
