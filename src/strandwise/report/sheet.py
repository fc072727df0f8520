"""A weigh-out sheet as texts, the same for the terminal, a text file and a page."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from strandwise.report.labels import in_unit, unit_text

if TYPE_CHECKING:
    from strandwise.formulation import WeighOut
    from strandwise.units import Unit

__all__ = ["Sheet", "SheetLine", "sheet_of", "weighings_text"]

_MINUS = "−"


@dataclass(frozen=True, kw_only=True, slots=True)
class SheetLine:
    """One ingredient on the sheet, every number as text.

    Parameters
    ----------
    ingredient
        Its key.
    percent
        Of the dry mixture.
    exact
        Mass to weigh, water included, before rounding.
    water
        Its water; empty where none is allowed for.
    to_weigh
        Mass on the steps of the scale.
    rounding
        What rounding adds, in per cent of the ingredient.
    running_total
        What the scale shows in all after this one.
    """

    ingredient: str
    percent: str
    exact: str
    water: str
    to_weigh: str
    rounding: str
    running_total: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """A weigh-out sheet.

    Parameters
    ----------
    campaign, formulation
        Names.
    unit
        Of all masses.
    mass, scale
        Of the dry batch, and the step of the scale, with unit.
    lines
        One for each ingredient.
    total
        Of what is weighed.
    of_it_water
        What of the total is water that the ingredients bring along; empty where none is.
    cautions
        What to heed.
    log_command
        What records the batch afterwards, with the masses to weigh in place of the real ones.
    batch
        Name of the batch to be; empty where nobody gave it one.
    """

    campaign: str
    formulation: str
    unit: str
    mass: str
    scale: str
    lines: tuple[SheetLine, ...]
    total: str
    of_it_water: str
    cautions: tuple[str, ...]
    log_command: str
    batch: str = ""


def sheet_of(
    weighed: WeighOut,
    *,
    campaign: str,
    unit: Unit,
    cautions: tuple[str, ...],
    log_command: str,
) -> Sheet:
    """Texts of a weigh-out sheet, masses in `unit`; decimals follow the step of the scale."""
    places = _places(in_unit(weighed.resolution, unit))

    def text(mass: float, more: int = 0) -> str:
        return f"{in_unit(mass, unit):.{places + more}f}"

    symbol = unit_text(unit)
    lines = tuple(
        SheetLine(
            ingredient=row.ingredient,
            percent=f"{100 * row.mass_fraction:.3f}",
            exact=text(row.exact_mass, 2),
            water=f"{100 * row.water:g} %" if row.water else "",
            to_weigh=text(row.to_weigh),
            rounding=_signed(100 * row.rounding_share),
            running_total=text(row.running_total),
        )
        for row in weighed.rows
    )
    return Sheet(
        campaign=campaign,
        formulation=weighed.formulation,
        unit=symbol,
        mass=f"{in_unit(weighed.mass, unit):.10g} {symbol}",
        scale=f"{in_unit(weighed.resolution, unit):.10g} {symbol}",
        lines=lines,
        total=text(weighed.total),
        of_it_water=(
            f"{text(weighed.total - weighed.dry_total, 1)} {symbol} of the total is water that has "
            f"to leave the mix; dry it weighs {text(weighed.dry_total, 1)} {symbol}."
            if any(row.water for row in weighed.rows)
            else ""
        ),
        cautions=cautions,
        log_command=log_command,
    )


def weighings_text(weighed: WeighOut, unit: Unit) -> str:
    """What `log batch --weighings` takes, with the masses to weigh."""
    places = _places(in_unit(weighed.resolution, unit))
    return ", ".join(
        f"{row.ingredient} {in_unit(row.to_weigh, unit):.{places}f} {unit.symbol}"
        + (f" with {100 * row.water:g} % water" if row.water else "")
        for row in weighed.rows
    )


def _signed(percent: float) -> str:
    shown = f"{percent:+.2f}".replace("-", _MINUS)
    return "0.00" if not shown.strip(f"+{_MINUS}0.") else shown


def _places(step: float) -> int:
    """Decimals that show a step: 1 for 0.1, 0 for 5."""
    exponent = Decimal(f"{step:.10g}").normalize().as_tuple().exponent
    return max(0, -int(exponent))
