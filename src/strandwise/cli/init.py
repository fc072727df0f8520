"""`strandwise init`: a new bench folder."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from strandwise.cli.common import (
    echo_command,
    echo_done,
    echo_hint,
    echo_json,
    examples,
    json_option,
)

__all__ = ["command"]


@click.command("init", epilog=examples("strandwise init bench"))
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@json_option
def command(folder: Path, *, as_json: bool) -> None:
    """Make a new bench folder DIR.

    It holds `campaigns/` and, in `shared/`, the tables of ingredients and instruments that all
    campaigns use; add your own scale, cell or gauge there.
    """
    from strandwise.records import create_bench

    bench = create_bench(folder)
    if as_json:
        echo_json({"bench": str(bench.path.absolute())})
        return
    echo_done(f"Made the bench folder {bench.path}")
    echo_hint("Next:")
    if bench.path != Path():
        echo_command(f"cd {shlex.quote(str(bench.path))}")
    echo_command("strandwise new CAMPAIGN")
