"""Options made from the table of fields, and questions on the terminal for what is missing."""

from __future__ import annotations

import dataclasses
import datetime as dt
import difflib
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import echo_text, wrapped
from strandwise.errors import UnitError

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from strandwise.findings import Finding
    from strandwise.records import Field, PressureScale

__all__ = ["Interview", "field_option", "field_options", "option_name", "say", "today"]

_METAVARS = {
    "number": "N",
    "integer": "N",
    "date": "DATE",
    "text": "TEXT",
    "name": "NAME",
    "quantities": "QUANTITIES",
}


def today() -> str:
    """Today's date where the bench stands, year-month-day."""
    return dt.datetime.now().astimezone().date().isoformat()


def option_name(field: str) -> str:
    """The option of `log` for a field."""
    return f"--{field.replace('_', '-')}"


def field_option(field: Field) -> Callable[[Any], Any]:
    """A click option for a field; its value arrives as text under the field's name."""
    return click.option(
        option_name(field.name),
        field.name,
        metavar="|".join(field.choices) or _METAVARS.get(field.form, "QUANTITY"),
        help=f"{_sentence(field.help)}.",
    )


def field_options(fields: Sequence[Field]) -> Callable[[Any], Any]:
    """Click options for all of `fields`, in their order."""

    def decorate(function: Any) -> Any:
        for field in reversed(fields):
            function = field_option(field)(function)
        return function

    return decorate


def say(text: str) -> None:
    """Write to the person at the terminal; standard output is kept for results."""
    echo_text(text, err=True)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


class Interview:
    """Questions for the fields of one record, each asked until its answer can be used.

    Parameters
    ----------
    scale
        Zero of the campaign's pressure readings.
    units
        The campaign's, for the examples in the questions.
    known
        By field: the names of which the answer must be one.
    taken
        By field: the names of which the answer must not be one.
    """

    def __init__(
        self,
        scale: PressureScale,
        units: str,
        *,
        known: Mapping[str, Collection[str]],
        taken: Mapping[str, Collection[str]],
    ) -> None:
        self._scale, self._units = scale, units
        self._known, self._taken = known, taken
        self._meant: set[str] = set()

    def ask(self, field: Field, *, default: str = "", required: bool | None = None) -> str:
        """Answer to one field, as typed; empty if it was skipped."""
        if required is not None:
            field = dataclasses.replace(field, required=required)
        question = self._question(field, default)
        while True:
            text: str = click.prompt(
                wrapped(question, err=True), default=default, show_default=False, err=True
            ).strip()
            if not text and not field.required:
                return ""
            complaint = self._complaint(field, text) if text else "this one is needed"
            if complaint:
                say(f"  {complaint}")
            elif self._is_meant(field, text):
                return text

    def ask_missing(self, fields: Iterable[Field], texts: dict[str, str]) -> None:
        """Ask for those of `fields` that `texts` lacks, and add the answers to it."""
        for field in fields:
            if field.name not in texts:
                text = self.ask(field, default=today() if field.form == "date" else "")
                if text:
                    texts[field.name] = text

    def unsettled(self, findings: Iterable[Finding]) -> list[Finding]:
        """Those of the unlikely values about which nobody was asked yet."""
        return [f for f in findings if (f.source.field or "").split(".")[-1] not in self._meant]

    def _question(self, field: Field, default: str) -> str:
        parts = [f"{_sentence(field.name.replace('_', ' '))}: {field.help}"]
        if field.kind is not None:
            symbol = field.customary_unit(self._units)
            parts.append(f"with its unit, such as {symbol or field.kind.si_symbol}")
        known = list(self._known.get(field.name, ()))
        if field.choices:
            parts.append(f"one of {', '.join(field.choices)}")
        elif known:
            parts.append(f"one of {'…, ' if len(known) > 9 else ''}{', '.join(known[-9:])}")
        if default:
            parts.append(f"Enter for {default}")
        elif not field.required:
            parts.append("Enter to skip")
        return "; ".join(parts)

    def _complaint(self, field: Field, text: str) -> str:
        try:
            field.parse(text, self._scale)
        except UnitError as error:
            return str(error)
        if text in self._taken.get(field.name, ()):
            return f"`{text}` exists already; choose another name"
        known = list(self._known.get(field.name, ()))
        if known and text not in known:
            close = difflib.get_close_matches(text, known, n=1)
            meant = f"; did you mean `{close[0]}`?" if close else ""
            return f"there is no {field.name} `{text}`{meant}"
        return ""

    def _is_meant(self, field: Field, text: str) -> bool:
        """Whether a value is likely, or the person says that it is right all the same."""
        self._meant.discard(field.name)
        value = field.parse(text, self._scale)
        if field.plausible is None or not isinstance(value, int | float):
            return True
        low, high = field.plausible
        if low <= value <= high:
            return True
        told, least, most = (self._shown(field, one) for one in (value, low, high))
        say(f"  {told} is not likely (likely: {least} to {most})")
        if not click.confirm("  Is it meant?", default=False, err=True):
            return False
        self._meant.add(field.name)
        return True

    def _shown(self, field: Field, value: float) -> str:
        """A value in SI in the unit that the question named."""
        if field.kind is None:
            return field.shown(value)
        from strandwise.report.labels import format_number, in_unit
        from strandwise.units import parse_unit

        unit = parse_unit(field.customary_unit(self._units) or field.kind.si_symbol, field.kind)
        return f"{format_number(in_unit(value, unit), digits=4)} {unit.symbol}"
