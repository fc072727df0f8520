"""The program's entry: finds the command asked for, loads it alone, turns errors into messages."""

from __future__ import annotations

import contextlib
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import examples
from strandwise.errors import RecordsError, StrandwiseError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["LazyGroup", "program", "run"]

_INTERRUPTED = 130

# Command to (module, what it does); the text stands here so that help loads no command.
_COMMANDS = {
    "demo": ("demo", "Run the whole job on an invented campaign."),
    "init": ("init", "Make a new bench folder."),
    "new": ("new", "Start a new campaign."),
    "mix": ("mix", "Show, derive and weigh out recipes."),
    "log": ("log", "Record a batch, a strand or a firing."),
    "calibrate": ("calibrate", "Fit and judge the calibration of an instrument."),
    "check": ("check", "Find every problem in a campaign's files."),
    "reduce": ("reduce", "List the burn rate that each test gave."),
    "fit": ("fit", "Fit the burn-rate law of each batch."),
    "compare": ("compare", "Say what each change of formulation did."),
    "drift": ("drift", "Chart the batches of a formulation over time."),
    "forecast": ("forecast", "Say what a full-size motor would see."),
    "plan": ("plan", "Say which test would tell most."),
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
            meant = f" Did you mean '{close[0]}'?" if close else ""
            ctx.fail(f"No such command '{name}'.{meant}")
        return super().resolve_command(ctx, args)


@click.group(
    cls=LazyGroup,
    lazy=_COMMANDS,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    no_args_is_help=True,
    epilog=examples("strandwise demo", "strandwise --bench strandwise-demo fit demo"),
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
    """How fast each batch of a solid propellant burns, and what each change did to it.

    A bench folder holds campaigns; a campaign holds formulations, batches and tests, all of it
    text that you can edit. `strandwise demo` shows the whole job on invented data.

    Results are estimates from small samples, not a licence. Keep to local law and to those
    licensed for the work; fire remotely, from a distance, with nobody near a pressurised case.
    """
    ctx.obj = bench


def run(args: Sequence[str] | None) -> int:
    """Run the program, turn errors into messages, and return the exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = program.main(
            None if args is None else list(args), prog_name="strandwise", standalone_mode=False
        )
        sys.stdout.flush()
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("strandwise: stopped", err=True)
        return _INTERRUPTED
    except (StrandwiseError, OSError) as error:
        return _fail(error)
    except SystemExit as error:
        # click's way out of a broken pipe; the code is its own.
        return error.code if isinstance(error.code, int) else 1
    return code if isinstance(code, int) else 0


def _fail(error: StrandwiseError | OSError) -> int:
    if isinstance(error, OSError) and error.filename is None:
        _abandon_output()
    if isinstance(error, RecordsError):
        for finding in error.findings:
            click.echo(f"strandwise: {finding}", err=True)
        if len(error.findings) > 1:
            click.echo(f"strandwise: {len(error.findings)} problems", err=True)
    elif isinstance(error, BrokenPipeError):
        pass  # nobody reads any more, which is no fault
    elif isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        click.echo(f"strandwise: {place}{error.strerror or error}", err=True)
    else:
        click.echo(f"strandwise: {error}", err=True)
    return 1


def _abandon_output() -> None:
    """Keep the interpreter from writing once more, as it ends, what could not be written."""
    with contextlib.suppress(OSError, ValueError):
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, sys.stdout.fileno())
        os.close(sink)
