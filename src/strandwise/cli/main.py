"""The program's entry: finds the command asked for, loads it alone, turns errors into messages."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from strandwise.errors import RecordsError, StrandwiseError

__all__ = ["LazyGroup", "main"]

# Command to (module, what it does); the text stands here so that help loads no command.
_COMMANDS = {
    "init": ("init", "Make a new bench folder."),
    "demo": ("demo", "Run the whole job on an invented campaign."),
    "new": ("new", "Start a new campaign."),
    "mix": ("mix", "Show recipes: fractions, oxygen balance, density."),
    "log": ("log", "Record a batch, a strand or a firing."),
    "check": ("check", "Find every problem in a campaign's files."),
    "reduce": ("reduce", "List the burn rate that each test gave."),
    "fit": ("fit", "Fit the burn-rate law of each batch."),
    "compare": ("compare", "Say what each change of formulation did."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def __init__(self, *args: Any, lazy: dict[str, tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._lazy = lazy

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order in which a campaign meets them."""
        del ctx
        return list(self._lazy)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return a command; None where there is none of that name."""
        del ctx
        if cmd_name not in self._lazy:
            return None
        module = import_module(f"strandwise.cli.{self._lazy[cmd_name][0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing them."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in self._lazy.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a command, or say which one may have been meant."""
        name = args[0] if args else ""
        if name and not name.startswith("-") and name not in self._lazy:
            import difflib

            close = difflib.get_close_matches(name, list(self._lazy), n=1)
            meant = f" Did you mean `{close[0]}`?" if close else ""
            ctx.fail(f"There is no command `{name}`.{meant}")
        return super().resolve_command(ctx, args)


@click.group(
    cls=LazyGroup,
    lazy=_COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    no_args_is_help=True,
)
@click.option(
    "--bench",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The bench folder; otherwise found from here upward.",
)
@click.version_option(package_name="strandwise", message="%(prog)s %(version)s")
@click.pass_context
def program(ctx: click.Context, bench: Path | None) -> None:
    r"""How fast each batch of a solid propellant burns, and what each change did to it.

    A bench folder holds campaigns; a campaign holds formulations, batches and tests, all of it
    text that you can edit. `strandwise demo` shows the whole job on invented data.

    Results are estimates from small samples, not a licence. Keep to local law and to those
    licensed for the work; fire remotely, from a distance, with nobody near a pressurised case.

    \b
    Example:
      strandwise demo
    """
    ctx.obj = bench


def main() -> None:
    """Run the program and exit.

    The exit code is 0 when done, 1 if the records or the request are at fault, 2 on wrong usage.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        program(prog_name="strandwise")
    except RecordsError as error:
        for finding in error.findings:
            click.echo(f"strandwise: {finding}", err=True)
        count = len(error.findings)
        if count > 1:
            click.echo(f"strandwise: {count} problems; nothing was changed", err=True)
        sys.exit(1)
    except StrandwiseError as error:
        click.echo(f"strandwise: {error}", err=True)
        sys.exit(1)
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        click.echo(f"strandwise: {place}{error.strerror or error}", err=True)
        sys.exit(1)
