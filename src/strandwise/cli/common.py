"""What the commands share: arguments, options, and how results leave."""

from __future__ import annotations

import json
import math
import os
import re
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from strandwise.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from click.shell_completion import CompletionItem

    from strandwise.findings import Caution
    from strandwise.records import CampaignFolder

__all__ = [
    "CAUTION",
    "Stated",
    "UnitsType",
    "at_terminal",
    "bench_option",
    "campaign_argument",
    "campaign_folder",
    "completions",
    "echo_cautions",
    "echo_command",
    "echo_conduct",
    "echo_done",
    "echo_hint",
    "echo_json",
    "echo_text",
    "examples",
    "figure_option",
    "here",
    "is_quiet",
    "json_option",
    "terminal_columns",
    "units_option",
    "wrapped",
]

CAUTION = (
    "Estimates from small samples, not a licence: keep to local law and to those licensed for the "
    "work, fire remotely and from a distance, and let nobody near a pressurised case."
)

_USUAL_WIDTH = 80
_NAMED = re.compile(r" +[^\s`](?:[^\s`]| (?! ))*  +(?=\S)")
_WORD = re.compile(r"(?:[^\s`]*`[^`]*`)+[^\s`]*|\S+")


@dataclass(frozen=True, slots=True)
class Stated:
    """What was stated before the command, for all commands.

    Parameters
    ----------
    bench
        The bench folder, if any.
    quiet
        Whether results alone are wanted, with the cautions that are about them.
    """

    bench: Path | None = None
    quiet: bool = False


if TYPE_CHECKING:
    _TextType = click.ParamType[str]
else:
    _TextType = click.ParamType  # generic in later versions alone

_Decorated = TypeVar("_Decorated", bound="Callable[..., Any]")


def campaign_argument(function: _Decorated) -> _Decorated:
    """Add the argument CAMPAIGN."""
    return click.argument("campaign")(function)


def json_option(function: _Decorated) -> _Decorated:
    """Add the option --json."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")(
        function
    )


class UnitsType(_TextType):
    """A choice of units: a system, and other units after commas."""

    name = "units"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Read the choice; what cannot be read is wrong usage."""
        from strandwise.errors import UnitError
        from strandwise.units import parse_unit_choice

        try:
            return parse_unit_choice(value)
        except UnitError as error:
            self.fail(f"{error}.", param, ctx)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names of the systems."""
        del ctx, param
        return completions(("metric", "inch-pound", "mixed"), incomplete)


def units_option(function: _Decorated) -> _Decorated:
    """Add the option --units."""
    return click.option(
        "--units",
        type=UnitsType(),
        metavar="UNITS",
        help="metric, inch-pound, mixed, or such as 'metric, bar'; otherwise the campaign's.",
    )(function)


def figure_option(function: _Decorated) -> _Decorated:
    """Add the option --figure."""
    return click.option(
        "--figure",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Draw the picture to FILE (.svg, .png or .pdf).",
    )(function)


def examples(*lines: str) -> str:
    """Examples at the end of a command's help, one a line; a long one goes on after a backslash."""
    heading = "Example:" if len(lines) == 1 else "Examples:"
    indented = [f"  {line}" for line in "\n".join(lines).splitlines()]
    return "\n".join(["\b", heading, *indented])


def at_terminal() -> bool:
    """Whether there is somebody to ask."""
    return sys.stdin is not None and sys.stdin.isatty()


def here() -> Path:
    """The folder that the user stands in.

    Raises
    ------
    RequestError
        It is gone, or may not be read.
    """
    try:
        return Path.cwd()
    except OSError as error:
        msg = f"the folder that you are in cannot be read: {error.strerror}"
        raise RequestError(
            msg, hint="go to another folder, or name one with `--bench DIR`"
        ) from error


def bench_option(ctx: click.Context) -> Path | None:
    """The bench folder stated before the command, if any."""
    return _stated(ctx).bench


def _stated(ctx: click.Context | None) -> Stated:
    found = None if ctx is None else ctx.find_root().obj
    return found if isinstance(found, Stated) else Stated()


def is_quiet() -> bool:
    """Whether results alone are wanted: no hints, no words on conduct, no progress."""
    return _stated(click.get_current_context(silent=True)).quiet


def completions(names: Iterable[str], incomplete: str) -> list[CompletionItem]:
    """What a shell may offer: those of `names` that begin as the word on the line does."""
    from click.shell_completion import CompletionItem

    return [CompletionItem(name) for name in names if name.startswith(incomplete)]


def campaign_folder(ctx: click.Context, name: str) -> CampaignFolder:
    """Folder of the campaign named on the command line."""
    from strandwise.workflow.opening import open_campaign

    return open_campaign(name, bench=bench_option(ctx), start=_start(ctx))


def _start(ctx: click.Context) -> Path:
    # A stated bench folder needs no place to look upward from.
    return bench_option(ctx) or here()


def echo_text(text: str = "", *, err: bool = False) -> None:
    """Print sentences, wrapped between words where they go to a terminal; see `wrapped`."""
    click.echo(wrapped(text, err=err), err=err)


def wrapped(text: str, *, err: bool = False) -> str:
    """Lines as the terminal has room for them; as they are where the output is no terminal.

    Only a line that is too long is broken, and only between words; it goes on below its own
    beginning, a little further in where that is indented, or below its text where a name and a
    gap come first. What stands in backticks stays whole, so that it can be copied.

    Parameters
    ----------
    text
        One line or several.
    err
        Whether it goes to standard error.
    """
    width = terminal_columns(err=err)
    if width is None:
        return text
    return "\n".join(_folded(line, width) for line in text.split("\n"))


def terminal_columns(*, err: bool = False) -> int | None:
    """Columns of the terminal that standard output or error goes to; None where it is none."""
    stream = sys.stderr if err else sys.stdout
    if stream is None or not stream.isatty():
        return None
    stated = os.environ.get("COLUMNS", "")
    if stated.isdecimal() and int(stated):
        return int(stated)
    try:
        return os.get_terminal_size(stream.fileno()).columns or _USUAL_WIDTH
    except (OSError, ValueError):
        return _USUAL_WIDTH


def _folded(line: str, width: int) -> str:
    if _cells(line) <= width:
        return line
    hanging = _hanging(line, width)
    done, now, end = [], "", 0
    for word in _WORD.finditer(line):
        longer = now + line[end : word.start()] + word[0]
        if now.strip() and _cells(longer) > width:
            done.append(now)
            now = hanging + word[0]
        else:
            now = longer
        end = word.end()
    return "\n".join([*done, now])


def _hanging(line: str, width: int) -> str:
    """What stands before the lines that go on: as far in as the text that follows a name."""
    indent = len(line) - len(line.lstrip())
    named = _NAMED.match(line)
    if named is not None and named.end() <= width // 2:
        return " " * named.end()
    return " " * (indent + 2) if indent else ""


def _cells(text: str) -> int:
    """Columns that a text takes up."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)


def echo_cautions(labelled: Iterable[tuple[str, Caution]]) -> None:
    """Print what is to be heeded, below the results that it is about; nothing if there is none."""
    from strandwise.report.cautions import caution_lines

    lines = caution_lines(labelled)
    if lines:
        click.echo("\nTo heed:")
    for line in lines:
        echo_text(f"  {line}")


def echo_conduct(lines: Iterable[str] = (CAUTION,)) -> None:
    """Print what stands below every result, about the work and not about these numbers."""
    if not is_quiet():
        text = "\n".join(lines)
        # A terminal that has no room for the lines as they are gets them as one paragraph.
        room = wrapped(text) == text
        echo_text(f"\n{text if room else ' '.join(text.split())}")


def echo_done(text: str) -> None:
    """Print what was done, such as which file was written; a quiet program leaves it out."""
    if not is_quiet():
        echo_text(text)


def echo_hint(text: str) -> None:
    """Print what to do next."""
    if not is_quiet():
        echo_text(text)


def echo_command(text: str) -> None:
    """Print a command to run next, in one line of its own that can be copied."""
    if not is_quiet():
        click.echo(f"  {text}")


def echo_json(value: object) -> None:
    """Print a value as JSON, null where there is no value or none that is finite.

    Numbers have fifteen digits: what a conversion of units leaves beyond them is rounding.
    UTF-8; where the output has another encoding, escapes stand for what is beyond ASCII.
    """
    plain = (getattr(sys.stdout, "encoding", None) or "utf-8").lower()
    ascii_only = plain.replace("_", "-") not in ("utf-8", "utf8")
    click.echo(json.dumps(_plain(value), ensure_ascii=ascii_only, indent=2, allow_nan=False))


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(f"{value:.15g}") if math.isfinite(value) else None
    return value
