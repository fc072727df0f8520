"""Points, laws and shifts as tables for other programs: each column with its unit and meaning.

The names of the columns are those of the JSON that the commands print; they end in their units.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.report.export_columns import (
    MPA,
    ExportColumn,
    ExportTable,
    caution_column,
    count_column,
    interval_columns,
    number_column,
    table_of,
    tested_range_columns,
    text_column,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from strandwise.findings import Caution
    from strandwise.ratelaw import RateFit
    from strandwise.reduction import FiringReduction, RatePoint
    from strandwise.tracking import Comparison, FormulationShift

    Labelled = tuple[str, str, Caution]

__all__ = [
    "caution_table",
    "comparison_tables",
    "firing_table",
    "law_table",
    "point_table",
]

_MM = 1e-3
_ZERO_CELSIUS = 273.15


_NAMES = (
    text_column("test", "name of the test", lambda p: p.test),
    text_column("batch", "batch that it was made from", lambda p: p.batch),
    text_column("formulation", "formulation of the batch", lambda p: p.formulation),
)


def point_table(points: Iterable[RatePoint]) -> ExportTable:
    """Every test as one burn rate at one pressure, used or not."""
    return table_of(
        "points",
        "one test: its burn rate at one absolute pressure",
        [
            *_NAMES,
            text_column("kind", "strand or firing", lambda p: p.kind),
            number_column("pressure_MPa", "MPa", "absolute pressure", lambda p: p.pressure, MPA),
            number_column(
                "pressure_sd_MPa",
                "MPa",
                "standard uncertainty of the pressure; empty where nothing is known of it",
                lambda p: p.pressure_sd,
                MPA,
            ),
            number_column("rate_mm_s", "mm/s", "burn rate", lambda p: p.rate, _MM),
            number_column(
                "rate_sd_mm_s",
                "mm/s",
                "standard uncertainty of the rate; empty where nothing is known of it",
                lambda p: p.rate_sd,
                _MM,
            ),
            number_column(
                "error_correlation",
                "1",
                "correlation of the errors of pressure and rate; 0 where they are independent",
                lambda p: p.correlation,
            ),
            text_column(
                "uncertainty", "what the standard uncertainties are from", lambda p: p.uncertainty
            ),
            number_column(
                "temperature_degC",
                "degC",
                "temperature of the propellant before the burn",
                lambda p: None if p.temperature is None else p.temperature - _ZERO_CELSIUS,
            ),
            ExportColumn(
                "used", "boolean", "", "whether laws and shifts rest on it too", lambda p: p.used
            ),
            text_column("why_not", "reason why it is not used", lambda p: p.why_not),
            caution_column(lambda p: p.cautions),
        ],
        points,
    )


def firing_table(firings: Iterable[FiringReduction]) -> ExportTable:
    """What each firing gave beside its point."""
    return table_of(
        "firings",
        "one motor firing: what its trace, or what was read by hand, gave",
        [
            *_NAMES,
            text_column(
                "pressure_from",
                "what the pressure is from: gauge, thrust or summary",
                lambda f: f.pressure_from,
            ),
            number_column(
                "burn_time_s", "s", "from ignition to web burnout", lambda f: f.burn_time
            ),
            number_column(
                "action_time_s", "s", "from ignition to the end", lambda f: f.action_time
            ),
            number_column("web_mm", "mm", "depth that burnt", lambda f: f.web, _MM),
            *(
                number_column(f"{name}_MPa", "MPa", meaning, _attribute(name), MPA)
                for name, meaning in (
                    ("mean_pressure", "mean absolute pressure over the burn time"),
                    ("rate_mean_pressure", "absolute pressure at which the mean rate stands"),
                    ("peak_pressure", "highest absolute pressure"),
                )
            ),
            number_column("peak_thrust_N", "N", "highest thrust", lambda f: f.peak_thrust),
            number_column("mean_thrust_N", "N", "mean thrust", lambda f: f.mean_thrust),
            number_column("total_impulse_N_s", "N·s", "total impulse", lambda f: f.total_impulse),
            number_column(
                "specific_impulse_s", "s", "specific impulse", lambda f: f.specific_impulse
            ),
            number_column(
                "characteristic_velocity_m_s", "m/s", "c*", lambda f: f.characteristic_velocity
            ),
            number_column(
                "rate_thickness_over_time_mm_s",
                "mm/s",
                "web over burn time",
                lambda f: f.rate_thickness_over_time,
                _MM,
            ),
            number_column(
                "rate_mass_balance_mm_s",
                "mm/s",
                "burn rate by the mass that left through the nozzle",
                lambda f: f.rate_mass_balance,
                _MM,
            ),
            text_column(
                "why_no_point", "reason why it gave no rate point", lambda f: f.why_no_point
            ),
            caution_column(lambda f: f.cautions),
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
    return table_of(
        "fits",
        "one batch: its law r = a·P^n, r in mm/s and P absolute in MPa",
        [
            text_column("batch", "what was fitted", lambda f: f.label),
            text_column("formulation", "its formulation", lambda f: f.formulation),
            text_column("law", "name of the law", lambda f: f.law),
            count_column("points", "how many tests it is fitted to", lambda f: f.points),
            *tested_range_columns(lambda f: f.pressure_range),
            number_column("n", "1", "pressure exponent", lambda f: f.n),
            number_column("n_sd", "1", "standard uncertainty of n", lambda f: f.n_sd),
            *interval_columns("n_ci95_{}", "1", "pressure exponent", lambda f: f.n_ci95),
            number_column("a_mm_s_MPa", "mm/s at 1 MPa", "coefficient a", lambda f: _a(f)[0]),
            *interval_columns(
                "a_ci95_{}_mm_s_MPa", "mm/s at 1 MPa", "coefficient a", lambda f: _a(f)[1]
            ),
            number_column(
                "reference_pressure_MPa",
                "MPa",
                "absolute pressure at which the next rate stands",
                lambda f: f.reference_pressure,
                MPA,
            ),
            number_column(
                "rate_at_reference_mm_s",
                "mm/s",
                "burn rate at the reference pressure",
                lambda f: _at_reference(f)[0],
                _MM,
            ),
            *interval_columns(
                "rate_at_reference_ci95_{}_mm_s",
                "mm/s",
                "burn rate at the reference pressure",
                lambda f: _at_reference(f)[1],
                _MM,
            ),
            number_column(
                "scatter_percent",
                "%",
                "standard deviation of the rate from test to test, beyond the readings' own",
                lambda f: f.scatter,
                0.01,
            ),
            caution_column(lambda f: f.cautions),
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
        table_of("comparison", "the one comparison of the formulations", _COMPARISON, whole),
        table_of(
            "shifts",
            "one formulation against the baseline, at the pressure of table comparison",
            _shift_columns(comparison),
            shifts,
        ),
        table_of("doses", "effect of one ingredient by its dose", _DOSE, doses),
    )


_COMPARISON: list[ExportColumn] = [
    text_column("baseline", "formulation that the others are compared with", lambda c: c.baseline),
    number_column(
        "pressure_MPa", "MPa", "absolute pressure of the comparison", lambda c: c.pressure, MPA
    ),
    text_column(
        "rate_kind", "as what the rates read: strand, firing or mixed", lambda c: c.rate_kind
    ),
    number_column(
        "between_batch_sd_percent",
        "%",
        "standard deviation of the rate from batch to batch",
        lambda c: c.between_batch_sd,
        0.01,
    ),
    number_column(
        "within_batch_sd_percent",
        "%",
        "standard deviation of the rate from test to test within a batch",
        lambda c: c.within_batch_sd,
        0.01,
    ),
    number_column(
        "method_offset_percent",
        "%",
        "what firings read above strands",
        lambda c: c.method_offset,
        0.01,
    ),
    *interval_columns(
        "method_offset_ci95_{}_percent",
        "%",
        "what firings read above strands",
        lambda c: c.method_offset_ci95,
        0.01,
    ),
    caution_column(lambda c: c.cautions),
]

_DOSE: list[ExportColumn] = [
    text_column("ingredient", "what was added", lambda d: d.ingredient),
    text_column("replaces", "in place of what", lambda d: d.replaces),
    text_column(
        "formulations",
        "of the series, by dose, apart by blanks",
        lambda d: " ".join(d.formulations),
    ),
    number_column(
        "percent_per_percent",
        "%/%",
        "change of the burn rate for one per cent of dose",
        lambda d: d.percent_per_percent,
    ),
    *interval_columns(
        "percent_per_percent_ci95_{}", "%/%", "change for one per cent of dose", lambda d: d.ci95
    ),
    caution_column(lambda d: d.cautions),
]


def _shift_columns(comparison: Comparison | None) -> list[ExportColumn]:
    def is_baseline(shift: FormulationShift) -> bool:
        return comparison is not None and shift.formulation == comparison.baseline

    return [
        text_column("formulation", "which", lambda s: s.formulation),
        ExportColumn("is_baseline", "boolean", "", "whether it is the baseline", is_baseline),
        count_column("batches", "how many batches of it were tested", lambda s: s.batches),
        count_column("points", "how many tests of it are used", lambda s: s.points),
        number_column("rate_mm_s", "mm/s", "burn rate at the pressure", lambda s: s.rate, _MM),
        *interval_columns("rate_ci95_{}_mm_s", "mm/s", "burn rate", lambda s: s.rate_ci95, _MM),
        number_column(
            "shift_percent",
            "%",
            "change of the burn rate against the baseline; below zero is slower",
            lambda s: s.shift,
            0.01,
        ),
        *interval_columns(
            "shift_ci95_{}_percent",
            "%",
            "change of the rate, for this formulation alone",
            lambda s: s.shift_ci95,
            0.01,
        ),
        number_column(
            "shift_p",
            "1",
            "p-value of no change of the rate, adjusted for the number compared",
            lambda s: s.shift_p,
        ),
        number_column(
            "probability_slower",
            "1",
            "probability that it burns slower than the baseline",
            lambda s: s.probability_slower,
        ),
        number_column("n", "1", "pressure exponent", lambda s: s.n),
        number_column("n_sd", "1", "standard uncertainty of n", lambda s: s.n_sd),
        number_column("n_shift", "1", "change of n against the baseline", lambda s: s.n_shift),
        *interval_columns("n_shift_ci95_{}", "1", "change of n", lambda s: s.n_shift_ci95),
        number_column(
            "n_shift_p", "1", "p-value of no change of n, adjusted", lambda s: s.n_shift_p
        ),
        number_column(
            "degrees_of_freedom",
            "1",
            "of the change of the rate: how much the batches tell of their own spread",
            lambda s: s.degrees_of_freedom,
        ),
        *tested_range_columns(lambda s: s.pressure_range),
        caution_column(lambda s: s.cautions),
    ]


def caution_table(cautions: Iterable[Labelled]) -> ExportTable:
    """The words of all cautions.

    Parameters
    ----------
    cautions
        Table, label of its row (empty for the whole) and caution.
    """
    return table_of(
        "cautions",
        "one reason to trust a row, or the whole, less",
        [
            text_column("table", "table that it is about", lambda c: c[0]),
            text_column(
                "row", "test, batch, formulation or ingredient; empty for all", lambda c: c[1]
            ),
            text_column("code", "stable short name", lambda c: c[2].code),
            text_column("message", "what follows from it", lambda c: c[2].message),
        ],
        cautions,
    )
