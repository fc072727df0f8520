"""`strandwise export`: a campaign's points, laws and shifts for other programs."""

from __future__ import annotations

from pathlib import Path

import click

from strandwise.cli.common import (
    campaign_argument,
    campaign_folder,
    echo_done,
    echo_hint,
    echo_json,
    examples,
    json_option,
)

__all__ = ["command"]


@click.command("export", epilog=examples("strandwise export demo -o tables"))
@campaign_argument
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Folder to write; otherwise CAMPAIGN-tables. An unchanged earlier export is replaced.",
)
@click.option("--parquet", is_flag=True, help="Also as Parquet files (needs pyarrow).")
@json_option
@click.pass_context
def command(
    ctx: click.Context, campaign: str, *, output: Path | None, parquet: bool, as_json: bool
) -> None:
    """Write points, laws and shifts of CAMPAIGN as CSV and JSON Lines for other programs.

    Every heading ends in its unit (MPa absolute, mm/s), whatever the campaign shows;
    dictionary.csv explains every column. The same records give the same files, byte for byte.
    Texts that a spreadsheet would take for a formula are made harmless.
    """
    from strandwise.records import read_campaign
    from strandwise.workflow.export import export_tables, table_files, write_tables
    from strandwise.workflow.reducing import reduce_campaign

    sound = read_campaign(campaign_folder(ctx, campaign)).sound()
    tables = export_tables(reduce_campaign(sound))
    folder = output or Path(f"{sound.name}-tables")
    files = table_files(tables, parquet=parquet)
    write_tables(folder, files)
    rows = {table.name: len(table.rows) for table in tables}
    if as_json:
        echo_json({"folder": str(folder.absolute()), "files": sorted(files), "rows": rows})
        return
    listed = ", ".join(f"{name} ({count})" for name, count in rows.items())
    echo_done(f"Wrote {len(files)} files into {folder}; rows: {listed}")
    echo_hint("READ-ME.txt says how to read them, dictionary.csv what every column is.")
