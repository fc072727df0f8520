"""Points, laws and shifts as tables for other programs: each column with its unit and meaning.

The names of the columns are those of the JSON that the commands print; they end in their units.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from strandwise.findings import Caution
    from strandwise.ratelaw import RateFit
    from strandwise.reduction import FiringReduction, RatePoint
    from strandwise.tracking import Comparison, FormulationShift

    Labelled = tuple[str, str, Caution]

__all__ = [
    "ExportColumn",
    "ExportTable",
    "caution_table",
    "comparison_tables",
    "firing_table",
    "law_table",
    "point_table",
]

Value = str | float | int | bool | None
_MPA, _MM = 1e6, 1e-3
_ZERO_CELSIUS = 273.15


@dataclass(frozen=True, slots=True)
class ExportColumn:
    """One column: its name, what its values are, and where they come from.

    Parameters
    ----------
    name
        Heading, which ends in the unit.
    kind
        Of its values.
    unit
        For people; empty where there is none.
    meaning
        For people.
    value
        Of a row's object; None where there is no value.
    """

    name: str
    kind: Literal["text", "number", "integer", "boolean"]
    unit: str
    meaning: str
    value: Callable[[Any], Value]


@dataclass(frozen=True, slots=True)
class ExportTable:
    """One table, ready to be written.

    Parameters
    ----------
    name
        Of its files.
    about
        What a row is.
    columns
        From left to right.
    rows
        Values in the columns' order.
    """

    name: str
    about: str
    columns: tuple[ExportColumn, ...]
    rows: tuple[tuple[Value, ...], ...]


def _table(
    name: str, about: str, columns: Sequence[ExportColumn], items: Iterable[object]
) -> ExportTable:
    rows = tuple(tuple(column.value(item) for column in columns) for item in items)
    return ExportTable(name, about, tuple(columns), rows)


def _text(name: str, meaning: str, value: Callable[[Any], str | None]) -> ExportColumn:
    return ExportColumn(name, "text", "", meaning, lambda item: value(item) or None)


def _count(name: str, meaning: str, value: Callable[[Any], int | None]) -> ExportColumn:
    return ExportColumn(name, "integer", "", meaning, value)


def _number(
    name: str,
    unit: str,
    meaning: str,
    value: Callable[[Any], float | None],
    size: float = 1.0,
) -> ExportColumn:
    """A number given in SI, where `size` is the column's unit in SI."""

    def scaled(item: object) -> float | None:
        found = value(item)
        return None if found is None else found / size

    return ExportColumn(name, "number", unit, meaning, scaled)


def _interval(
    name: str,
    unit: str,
    of: str,
    value: Callable[[Any], tuple[float, float] | None],
    size: float = 1.0,
) -> list[ExportColumn]:
    """Both ends of a 95 % interval; the name has `{}` where the end is told."""
    return [
        _number(
            name.format(word),
            unit,
            f"{of}: {word} end of its 95 % interval",
            _end(value, place),
            size,
        )
        for place, word in enumerate(("low", "high"))
    ]


def _tested_range(value: Callable[[Any], tuple[float, float] | None]) -> list[ExportColumn]:
    return [
        _number(
            f"pressure_{word}_MPa",
            "MPa",
            f"{word}est absolute pressure tested; nothing is known outside",
            _end(value, place),
            _MPA,
        )
        for place, word in enumerate(("low", "high"))
    ]


def _end(
    value: Callable[[Any], tuple[float, float] | None], place: int
) -> Callable[[Any], float | None]:
    def found(item: object) -> float | None:
        ends = value(item)
        return None if ends is None else ends[place]

    return found


def _codes(cautions: Iterable[Caution]) -> str | None:
    return " ".join(dict.fromkeys(caution.code for caution in cautions)) or None


def _caution_codes(cautions: Callable[[Any], Iterable[Caution]]) -> ExportColumn:
    return _text(
        "cautions",
        "codes of the reasons to trust this row less; table cautions has the words",
        lambda item: _codes(cautions(item)),
    )


_NAMES = (
    _text("test", "name of the test", lambda p: p.test),
    _text("batch", "batch that it was made from", lambda p: p.batch),
    _text("formulation", "formulation of the batch", lambda p: p.formulation),
)


def point_table(points: Iterable[RatePoint]) -> ExportTable:
    """Every test as one burn rate at one pressure, used or not."""
    return _table(
        "points",
        "one test: its burn rate at one absolute pressure",
        [
            *_NAMES,
            _text("kind", "strand or firing", lambda p: p.kind),
            _number("pressure_MPa", "MPa", "absolute pressure", lambda p: p.pressure, _MPA),
            _number(
                "pressure_sd_MPa",
                "MPa",
                "standard uncertainty of the pressure; empty where nothing is known of it",
                lambda p: p.pressure_sd,
                _MPA,
            ),
            _number("rate_mm_s", "mm/s", "burn rate", lambda p: p.rate, _MM),
            _number(
                "rate_sd_mm_s",
                "mm/s",
                "standard uncertainty of the rate; empty where nothing is known of it",
                lambda p: p.rate_sd,
                _MM,
            ),
            _text(
                "uncertainty", "what the standard uncertainties are from", lambda p: p.uncertainty
            ),
            _number(
                "temperature_degC",
                "degC",
                "temperature of the propellant before the burn",
                lambda p: None if p.temperature is None else p.temperature - _ZERO_CELSIUS,
            ),
            ExportColumn(
                "used", "boolean", "", "whether laws and shifts rest on it too", lambda p: p.used
            ),
            _text("why_not", "reason why it is not used", lambda p: p.why_not),
            _caution_codes(lambda p: p.cautions),
        ],
        points,
    )


def firing_table(firings: Iterable[FiringReduction]) -> ExportTable:
    """What each firing gave beside its point."""
    return _table(
        "firings",
        "one motor firing: what its trace, or what was read by hand, gave",
        [
            *_NAMES,
            _text(
                "pressure_from",
                "what the pressure is from: gauge, thrust or summary",
                lambda f: f.pressure_from,
            ),
            _number("burn_time_s", "s", "from ignition to web burnout", lambda f: f.burn_time),
            _number("action_time_s", "s", "from ignition to the end", lambda f: f.action_time),
            _number("web_mm", "mm", "depth that burnt", lambda f: f.web, _MM),
            *(
                _number(f"{name}_MPa", "MPa", meaning, _attribute(name), _MPA)
                for name, meaning in (
                    ("mean_pressure", "mean absolute pressure over the burn time"),
                    ("rate_mean_pressure", "absolute pressure at which the mean rate stands"),
                    ("peak_pressure", "highest absolute pressure"),
                )
            ),
            _number("peak_thrust_N", "N", "highest thrust", lambda f: f.peak_thrust),
            _number("mean_thrust_N", "N", "mean thrust", lambda f: f.mean_thrust),
            _number("total_impulse_N_s", "N·s", "total impulse", lambda f: f.total_impulse),
            _number("specific_impulse_s", "s", "specific impulse", lambda f: f.specific_impulse),
            _number(
                "characteristic_velocity_m_s", "m/s", "c*", lambda f: f.characteristic_velocity
            ),
            _number(
                "rate_thickness_over_time_mm_s",
                "mm/s",
                "web over burn time",
                lambda f: f.rate_thickness_over_time,
                _MM,
            ),
            _number(
                "rate_mass_balance_mm_s",
                "mm/s",
                "burn rate by the mass that left through the nozzle",
                lambda f: f.rate_mass_balance,
                _MM,
            ),
            _text("why_no_point", "reason why it gave no rate point", lambda f: f.why_no_point),
            _caution_codes(lambda f: f.cautions),
        ],
        firings,
    )


def _attribute(name: str) -> Callable[[object], float | None]:
    def found(item: object) -> float | None:
        value: float | None = getattr(item, name)
        return value

    return found


def law_table(fits: Iterable[RateFit]) -> ExportTable:
    """The power law of each batch."""
    return _table(
        "fits",
        "one batch: its law r = a·P^n, r in mm/s and P absolute in MPa",
        [
            _text("batch", "what was fitted", lambda f: f.label),
            _text("formulation", "its formulation", lambda f: f.formulation),
            _text("law", "name of the law", lambda f: f.law),
            _count("points", "how many tests it is fitted to", lambda f: f.points),
            *_tested_range(lambda f: f.pressure_range),
            _number("n", "1", "pressure exponent", lambda f: f.n),
            _number("n_sd", "1", "standard uncertainty of n", lambda f: f.n_sd),
            *_interval("n_ci95_{}", "1", "pressure exponent", lambda f: f.n_ci95),
            _number("a_mm_s_MPa", "mm/s at 1 MPa", "coefficient a", lambda f: _a(f)[0]),
            *_interval("a_ci95_{}_mm_s_MPa", "mm/s at 1 MPa", "coefficient a", lambda f: _a(f)[1]),
            _number(
                "reference_pressure_MPa",
                "MPa",
                "absolute pressure at which the next rate stands",
                lambda f: f.reference_pressure,
                _MPA,
            ),
            _number(
                "rate_at_reference_mm_s",
                "mm/s",
                "burn rate at the reference pressure",
                lambda f: _at_reference(f)[0],
                _MM,
            ),
            *_interval(
                "rate_at_reference_ci95_{}_mm_s",
                "mm/s",
                "burn rate at the reference pressure",
                lambda f: _at_reference(f)[1],
                _MM,
            ),
            _number(
                "scatter_percent",
                "%",
                "standard deviation of the rate from test to test, beyond the readings' own",
                lambda f: f.scatter,
                0.01,
            ),
            _caution_codes(lambda f: f.cautions),
        ],
        fits,
    )


def _a(fit: RateFit) -> tuple[float | None, tuple[float, float] | None]:
    if not fit.identified or fit.law != "power":
        return None, None
    found = fit.coefficient_a()
    return found.value, found.ci95


def _at_reference(fit: RateFit) -> tuple[float | None, tuple[float, float] | None]:
    if not fit.identified:
        return None, None
    found = fit.rate_at(fit.reference_pressure)
    return found.rate, found.ci95


def comparison_tables(comparison: Comparison | None) -> tuple[ExportTable, ...]:
    """The comparison as a whole, its shifts and its dose slopes; without rows where there is none.

    Parameters
    ----------
    comparison
        None where the tests carry none.
    """
    whole = [] if comparison is None else [comparison]
    shifts = () if comparison is None else comparison.formulations
    doses = () if comparison is None else comparison.doses
    return (
        _table("comparison", "the one comparison of the formulations", _COMPARISON, whole),
        _table(
            "shifts",
            "one formulation against the baseline, at the pressure of table comparison",
            _shift_columns(comparison),
            shifts,
        ),
        _table("doses", "effect of one ingredient by its dose", _DOSE, doses),
    )


_COMPARISON: list[ExportColumn] = [
    _text("baseline", "formulation that the others are compared with", lambda c: c.baseline),
    _number(
        "pressure_MPa", "MPa", "absolute pressure of the comparison", lambda c: c.pressure, _MPA
    ),
    _text("rate_kind", "as what the rates read: strand, firing or mixed", lambda c: c.rate_kind),
    _number(
        "between_batch_sd_percent",
        "%",
        "standard deviation of the rate from batch to batch",
        lambda c: c.between_batch_sd,
        0.01,
    ),
    _number(
        "within_batch_sd_percent",
        "%",
        "standard deviation of the rate from test to test within a batch",
        lambda c: c.within_batch_sd,
        0.01,
    ),
    _number(
        "method_offset_percent",
        "%",
        "what firings read above strands",
        lambda c: c.method_offset,
        0.01,
    ),
    *_interval(
        "method_offset_ci95_{}_percent",
        "%",
        "what firings read above strands",
        lambda c: c.method_offset_ci95,
        0.01,
    ),
    _caution_codes(lambda c: c.cautions),
]

_DOSE: list[ExportColumn] = [
    _text("ingredient", "what was added", lambda d: d.ingredient),
    _text("replaces", "in place of what", lambda d: d.replaces),
    _text(
        "formulations",
        "of the series, by dose, apart by blanks",
        lambda d: " ".join(d.formulations),
    ),
    _number(
        "percent_per_percent",
        "%/%",
        "change of the burn rate for one per cent of dose",
        lambda d: d.percent_per_percent,
    ),
    *_interval(
        "percent_per_percent_ci95_{}", "%/%", "change for one per cent of dose", lambda d: d.ci95
    ),
    _caution_codes(lambda d: d.cautions),
]


def _shift_columns(comparison: Comparison | None) -> list[ExportColumn]:
    def is_baseline(shift: FormulationShift) -> bool:
        return comparison is not None and shift.formulation == comparison.baseline

    return [
        _text("formulation", "which", lambda s: s.formulation),
        ExportColumn("is_baseline", "boolean", "", "whether it is the baseline", is_baseline),
        _count("batches", "how many batches of it were tested", lambda s: s.batches),
        _count("points", "how many tests of it are used", lambda s: s.points),
        _number("rate_mm_s", "mm/s", "burn rate at the pressure", lambda s: s.rate, _MM),
        *_interval("rate_ci95_{}_mm_s", "mm/s", "burn rate", lambda s: s.rate_ci95, _MM),
        _number(
            "shift_percent",
            "%",
            "change of the burn rate against the baseline; below zero is slower",
            lambda s: s.shift,
            0.01,
        ),
        *_interval(
            "shift_ci95_{}_percent",
            "%",
            "change of the rate, for this formulation alone",
            lambda s: s.shift_ci95,
            0.01,
        ),
        _number(
            "shift_p",
            "1",
            "p-value of no change of the rate, adjusted for the number compared",
            lambda s: s.shift_p,
        ),
        _number(
            "probability_slower",
            "1",
            "probability that it burns slower than the baseline",
            lambda s: s.probability_slower,
        ),
        _number("n", "1", "pressure exponent", lambda s: s.n),
        _number("n_sd", "1", "standard uncertainty of n", lambda s: s.n_sd),
        _number("n_shift", "1", "change of n against the baseline", lambda s: s.n_shift),
        *_interval("n_shift_ci95_{}", "1", "change of n", lambda s: s.n_shift_ci95),
        _number("n_shift_p", "1", "p-value of no change of n, adjusted", lambda s: s.n_shift_p),
        _number(
            "degrees_of_freedom",
            "1",
            "of the change of the rate: how much the batches tell of their own spread",
            lambda s: s.degrees_of_freedom,
        ),
        *_tested_range(lambda s: s.pressure_range),
        _caution_codes(lambda s: s.cautions),
    ]


def caution_table(cautions: Iterable[Labelled]) -> ExportTable:
    """The words of all cautions.

    Parameters
    ----------
    cautions
        Table, label of its row (empty for the whole) and caution.
    """
    return _table(
        "cautions",
        "one reason to trust a row, or the whole, less",
        [
            _text("table", "table that it is about", lambda c: c[0]),
            _text("row", "test, batch, formulation or ingredient; empty for all", lambda c: c[1]),
            _text("code", "stable short name", lambda c: c[2].code),
            _text("message", "what follows from it", lambda c: c[2].message),
        ],
        cautions,
    )
