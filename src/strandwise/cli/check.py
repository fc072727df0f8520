"""`strandwise check`: every problem in a campaign's files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_done,
    echo_json,
    echo_text,
    examples,
    figure_option,
    json_option,
    units_option,
)

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.findings import Finding
    from strandwise.records import CampaignReading

__all__ = ["command"]


@click.command(
    "check",
    epilog=examples("strandwise check demo", "strandwise check demo --figure glance.svg"),
)
@campaign_argument
@units_option
@figure_option
@json_option
@click.pass_context
def command(
    ctx: click.Context, campaign: str, *, units: str | None, figure: Path | None, as_json: bool
) -> None:
    """Find every problem in all files of CAMPAIGN at once.

    Each is named with its file, line and field, what was expected and what to do. Remarks are no
    problems: readings that are possible but not likely, keys that nothing reads. The picture shows
    every batch and test, with what is wrong; records that cannot be read are listed below them.
    """
    from strandwise.records import read_campaign, unnamed_zeros
    from strandwise.workflow.motor_files import with_motor_problems
    from strandwise.workflow.trace_sizes import with_unlikely_traces
    from strandwise.workflow.traces import with_trace_problems

    folder = campaign_folder(ctx, campaign)
    reading = with_motor_problems(with_trace_problems(read_campaign(folder, units=units)), folder)
    reading = with_unlikely_traces(reading, folder)
    if reading.campaign is not None:
        reading = reading.remarking(unnamed_zeros(reading.campaign, folder))
    drawn = figure is not None and _draw(reading, figure)
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
        if drawn:
            echo_done(f"\nPicture: {figure}")
    if figure is not None and not drawn:
        echo_text("strandwise: no picture can be drawn while campaign.toml is at fault", err=True)
    ctx.exit(1 if reading.problems else 0)


def _draw(reading: CampaignReading, path: Path) -> bool:
    """Draw what can be read; False where the campaign's settings are at fault."""
    from strandwise.report.figures import draw_glance, save_figure
    from strandwise.report.labels import display_units
    from strandwise.workflow.glance import glance_at

    if reading.campaign is None:
        return False
    units = display_units(reading.campaign.settings.units)
    save_figure(draw_glance(glance_at(reading), units), path)
    return True


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
