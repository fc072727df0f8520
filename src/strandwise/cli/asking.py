"""Options made from the table of fields, and questions for what is missing."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import click

from strandwise.errors import UnitError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from strandwise.records import Field, PressureScale

__all__ = ["ask", "field_option", "field_options", "missing_fields", "today"]


def today() -> str:
    """Today's date where the bench stands, year-month-day."""
    return dt.datetime.now().astimezone().date().isoformat()


def field_option(field: Field, *, prefix: str = "") -> Callable[[Any], Any]:
    """A click option for a field; its value arrives as text under `prefix` + the field's name."""
    example = {"number": "N", "integer": "N", "date": "DATE", "text": "TEXT", "name": "NAME"}
    metavar = "|".join(field.choices) or example.get(field.form, "QUANTITY")
    name = f"{prefix}{field.name}"
    return click.option(
        f"--{name.replace('_', '-')}", name, metavar=metavar, help=f"{_sentence(field.help)}."
    )


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def field_options(fields: Sequence[Field]) -> Callable[[Any], Any]:
    """Click options for all of `fields`, in their order."""

    def decorate(function: Any) -> Any:
        for field in reversed(fields):
            function = field_option(field)(function)
        return function

    return decorate


def missing_fields(
    fields: Iterable[Field], given: Mapping[str, str], asked: Sequence[str]
) -> list[Field]:
    """Fields not given that are required, or that are worth asking for."""
    return [f for f in fields if f.name not in given and (f.required or f.name in asked)]


def ask(
    fields: Iterable[Field],
    given: Mapping[str, str],
    scale: PressureScale,
    defaults: Mapping[str, str],
) -> dict[str, str]:
    """Ask for each field until the answer can be read; an empty one skips what is not required."""
    answers = dict(given)
    for field in fields:
        text = ask_field(field, scale, defaults.get(field.name, ""))
        if text:
            answers[field.name] = text
    return answers


def ask_field(field: Field, scale: PressureScale, default: str = "") -> str:
    """Ask for one field; an answer that cannot be read is explained and asked for again."""
    question = f"{_sentence(field.name.replace('_', ' '))} ({field.help})"
    if field.choices:
        question += f" [{', '.join(field.choices)}]"
    if not field.required and not default:
        question += ", Enter to skip"
    while True:
        text: str = click.prompt(question, default=default, show_default=bool(default)).strip()
        if not text:
            if not field.required:
                return ""
            click.echo("  This one is needed.")
            continue
        try:
            field.parse(text, scale)
        except UnitError as error:
            click.echo(f"  {error}")
            continue
        return text
