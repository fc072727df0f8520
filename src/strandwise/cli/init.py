"""`strandwise init`: a new bench folder."""

from __future__ import annotations

from pathlib import Path

import click

from strandwise.cli.common import echo_json, json_option

__all__ = ["command"]


@click.command("init")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@json_option
def command(folder: Path, *, as_json: bool) -> None:
    r"""Make a new bench folder DIR.

    It holds `campaigns/` and, in `shared/`, the tables of ingredients and instruments that all
    campaigns use; add your own scale, cell or gauge there.

    \b
    Example:
      strandwise init bench
    """
    from strandwise.records import create_bench

    bench = create_bench(folder)
    if as_json:
        echo_json({"bench": str(bench.path)})
        return
    click.echo(f"{bench.path} is a bench folder now. Go there, then: strandwise new CAMPAIGN")
