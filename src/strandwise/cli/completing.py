"""Names of records that a shell offers while a command line is typed.

`strandwise completion bash` prints the script for the shell. Options and arguments are known by
their names, so that a command needs nothing of its own; a new record's name is not offered.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import completions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from click.shell_completion import CompletionItem

    from strandwise.records import Bench, Campaign, CampaignFolder, Firing, StrandReading

    Source = Callable[[click.Context], Iterable[str]]
    _AnyType = click.ParamType[Any]
else:
    _AnyType = click.ParamType  # generic in later versions alone

__all__ = ["VARIABLE", "offer_names"]

VARIABLE = "_STRANDWISE_COMPLETE"
"""Of the environment, by which a shell asks for completions."""


def offer_names(command: click.Command) -> click.Command:
    """Let the arguments and options of a command offer the names that are in the records."""
    if isinstance(command, click.Group):
        for one in command.commands.values():
            offer_names(one)
    is_logging = any(p.name == "confirmed" for p in command.params)
    for parameter in command.params:
        name = parameter.name or ""
        source = _SOURCES.get(name)
        if source is not None and not (is_logging and _names_new_record(command, name)):
            parameter.type = _RecordName(source, parameter.type)
    return command


def _names_new_record(command: click.Command, name: str) -> bool:
    return name == "test" or (name == "batch" and command.name == "batch")


class _RecordName(_AnyType):
    """As the type that stands there, with names from the records to offer."""

    def __init__(self, source: Source, usual: _AnyType) -> None:
        self.name = usual.name
        self._source, self._usual = source, usual

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> object:
        """As the usual type."""
        return self._usual.convert(value, param, ctx)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Names that begin so; none where the records cannot be read."""
        found = self._usual.shell_complete(ctx, param, incomplete)
        try:
            return [*completions(self._source(ctx), incomplete), *found]
        except Exception:  # a shell must never be shown why there is nothing to offer
            return found


def _bench(ctx: click.Context) -> Bench:
    from strandwise.cli.common import here
    from strandwise.records import find_bench

    stated = ctx.find_root().params.get("bench")
    return find_bench(stated or here(), stated=stated)


def _campaign_folder(ctx: click.Context) -> CampaignFolder:
    # After an option that waits for its value, click leaves the arguments unread.
    return _bench(ctx).campaign(ctx.params.get("campaign") or next(iter(ctx.args), ""))


def _campaign(ctx: click.Context) -> Campaign | None:
    from strandwise.records import read_campaign

    return read_campaign(_campaign_folder(ctx)).campaign


def _campaigns(ctx: click.Context) -> list[str]:
    return _bench(ctx).campaign_names()


def _records(attribute: str, ctx: click.Context) -> list[str]:
    campaign = _campaign(ctx)
    return [] if campaign is None else list(getattr(campaign, attribute))


def _tests(ctx: click.Context) -> list[str]:
    campaign = _campaign(ctx)
    if campaign is None:
        return []
    tests: list[StrandReading | Firing] = [*campaign.strands, *campaign.firings]
    return list(dict.fromkeys(one.test for one in tests))


def _motors(ctx: click.Context) -> list[str]:
    return [path.stem for path in _campaign_folder(ctx).motor_files()]


_batches, _formulations = partial(_records, "batches"), partial(_records, "formulations")
_ingredients = partial(_records, "ingredients")

_SOURCES: Mapping[str, Source] = {
    "campaign": _campaigns,
    "batch": _batches,
    "explain": _batches,
    "formulation": _formulations,
    "formulations": _formulations,
    "baseline": _formulations,
    "parent": _formulations,
    "replacement": _ingredients,
    "replaces": _ingredients,
    "test": _tests,
    "only": _tests,
    "budget": _tests,
    "match": _tests,
    "motor": _motors,
    "motors": _motors,
}
