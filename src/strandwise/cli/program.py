"""The program's entry: finds the command asked for, loads it alone, turns errors into messages."""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import (
    Stated,
    completions,
    echo_text,
    examples,
    terminal_columns,
    wrapped,
)
from strandwise.errors import RecordsError, StrandwiseError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from click.shell_completion import CompletionItem

__all__ = ["LazyGroup", "program", "run"]

_INTERRUPTED = 130
_NOBODY_READS = 141
_NARROW, _NARROWEST = 60, 20  # columns
_EXIT_CODES = (
    (0, "done"),
    (1, "the records or the request are at fault; the message says where"),
    (2, "wrong usage"),
    (_INTERRUPTED, "stopped by Ctrl-C"),
    (_NOBODY_READS, "nobody read the output to its end, as with `| head`"),
)

# Command to (module, what it does); the text stands here so that help loads no command.
_COMMANDS = {
    "demo": ("demo", "Run the whole job on an invented campaign."),
    "init": ("init", "Make a new bench folder."),
    "new": ("new", "Start a new campaign."),
    "mix": ("mix", "Show, derive and weigh out recipes."),
    "log": ("log", "Record a batch, a strand or a firing."),
    "calibrate": ("calibrate", "Fit and judge the calibration of an instrument."),
    "undo": ("undo", "Take back the last change that the program made."),
    "check": ("check", "Find every problem in a campaign's files."),
    "reduce": ("reduce", "List the burn rate that each test gave."),
    "fit": ("fit", "Fit the burn-rate law of each batch."),
    "compare": ("compare", "Say what each change of formulation did."),
    "drift": ("drift", "Chart the batches of a formulation over time."),
    "forecast": ("forecast", "Say what a full-size motor would see."),
    "plan": ("plan", "Say which test would tell most."),
    "report": ("report", "Write the whole campaign as one page to look at and to send."),
    "export": ("export", "Write points, laws and shifts as tables for other programs."),
    "completion": ("completion", "Print the script that completes names in a shell."),
}


@contextlib.contextmanager
def _reader_may_leave() -> Iterator[None]:
    """Give a closed pipe an exit code of its own; click's is that of a fault."""
    try:
        yield
    except BrokenPipeError as error:
        raise click.exceptions.Exit(_NOBODY_READS) from error


class _HelpFormatter(click.HelpFormatter):
    """Help whose explanations stand below their options where there is no room beside them."""

    def write_dl(self, rows: Any, col_max: int = 30, col_spacing: int = 2) -> None:
        """Write pairs of a name and what it means."""
        below = 6
        super().write_dl(rows, below if self.width < _NARROW else col_max, col_spacing)


class _Context(click.Context):
    formatter_class = _HelpFormatter


def _fit_help(command: click.Command) -> None:
    command.context_class = _Context
    for one in command.commands.values() if isinstance(command, click.Group) else ():
        _fit_help(one)


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    context_class = _Context

    def __init__(self, *args: Any, lazy: dict[str, tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._lazy = lazy

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read what stands before the command, and print help if that is asked for."""
        with _reader_may_leave():
            return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        with _reader_may_leave():
            return super().invoke(ctx)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order in which a campaign meets them."""
        del ctx
        return list(self._lazy)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return a command; None where there is none of that name."""
        if cmd_name not in self._lazy:
            return None
        module = import_module(f"strandwise.cli.{self._lazy[cmd_name][0]}")
        command: click.Command = module.command
        _fit_help(command)
        if ctx.resilient_parsing:  # a shell asks for completions
            from strandwise.cli.completing import offer_names

            return offer_names(command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Names of commands and options that begin so, without importing a command."""
        found = completions(self._lazy, incomplete)
        for item in found:
            item.help = self._lazy[item.value][1]
        return [*found, *click.Command.shell_complete(self, ctx, incomplete)]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing them, and the exit codes."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in self._lazy.items()])
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code), text) for code, text in _EXIT_CODES])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a command, or say which one may have been meant."""
        name = args[0] if args else ""
        known = not name or name.startswith("-") or name in self._lazy
        if not known and not ctx.resilient_parsing:
            import difflib

            close = difflib.get_close_matches(name, list(self._lazy), n=1)
            meant = f" Did you mean '{close[0]}'?" if close else ""
            ctx.fail(f"No such command '{name}'.{meant}")
        return super().resolve_command(ctx, args)


def _show_versions(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    from strandwise.report.versions import software_versions

    for name, version in software_versions():
        click.echo(f"{name} {version}")
    ctx.exit()


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
@click.option(
    "-q", "--quiet", is_flag=True, help="Results and their cautions alone: no hints, no progress."
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_versions,
    help="Show the versions of the program and of what it computes with.",
)
@click.pass_context
def program(ctx: click.Context, bench: Path | None, *, quiet: bool) -> None:
    """How fast each batch of a solid propellant burns, and what each change did to it.

    A bench folder holds campaigns; a campaign holds formulations, batches and tests, all of it
    text that you can edit. `strandwise demo` shows the whole job on invented data.

    Results are estimates from small samples, not a licence. Keep to local law and to those
    licensed for the work; fire remotely, from a distance, with nobody near a pressurised case.
    """
    ctx.obj = Stated(bench, quiet)
    if not quiet and sys.stderr is not None and sys.stderr.isatty():
        from strandwise.cli.waiting import TerminalProgress
        from strandwise.progress import listening

        ctx.with_resource(listening(TerminalProgress()))


def run(args: Sequence[str] | None) -> int:
    """Run the program, turn errors into messages, and return the exit code."""
    codecs.register_error("strandwise-spell", _spell)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="strandwise-spell")
    try:
        code = program.main(
            None if args is None else list(args),
            prog_name="strandwise",
            standalone_mode=False,
            **_narrow(),
        )
        sys.stdout.flush()
    except click.ClickException as error:
        _show(error)
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("strandwise: stopped", err=True)
        return _INTERRUPTED
    except (StrandwiseError, OSError) as error:
        return _fail(error)
    except SystemExit as error:
        # click's way out of a completion
        return error.code if isinstance(error.code, int) else 1
    if code == _NOBODY_READS:
        _abandon_output()
    return code if isinstance(code, int) else 0


def _narrow() -> dict[str, Any]:
    """What lets help fit a terminal of fewer columns than click reckons with."""
    columns = terminal_columns()
    if columns is None or columns >= _NARROW:
        return {}
    return {"terminal_width": max(columns - 1, _NARROWEST)}


def _show(error: click.ClickException) -> None:
    shown = io.StringIO()
    error.show(shown)
    for line in shown.getvalue().splitlines():
        # What is indented is help, which fits already, or an example to copy.
        click.echo(line if line.startswith(" ") else wrapped(line, err=True), err=True)


def _spell(error: UnicodeError) -> tuple[str, int]:
    from strandwise.report.spelling import spell_what_fails

    return spell_what_fails(error)


def _fail(error: StrandwiseError | OSError) -> int:
    if isinstance(error, OSError) and error.filename is None:
        _abandon_output()
    if isinstance(error, BrokenPipeError):
        return _NOBODY_READS  # which is no fault, and needs no message
    if isinstance(error, RecordsError):
        for finding in error.findings:
            echo_text(f"strandwise: {finding}", err=True)
        if len(error.findings) > 1:
            click.echo(f"strandwise: {len(error.findings)} problems", err=True)
    elif isinstance(error, OSError):
        place = f"{error.filename}: " if error.filename else ""
        echo_text(f"strandwise: {place}{error.strerror or error}", err=True)
    else:
        echo_text(f"strandwise: {error}", err=True)
    return 1


def _abandon_output() -> None:
    """Keep the interpreter from writing once more, as it ends, what could not be written."""
    with contextlib.suppress(OSError, ValueError):
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, sys.stdout.fileno())
        os.close(sink)
