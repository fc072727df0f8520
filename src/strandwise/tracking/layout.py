"""From observations to the model's rows and columns."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.tracking.random_effects import design_degrees

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.tracking.comparison import RateObservations
    from strandwise.tracking.covariates import BatchCovariate

    FloatArray = NDArray[np.float64]

__all__ = ["Layout", "Tests", "lay_out", "tests_of"]

# A formulation whose pressures lie within 10 % of one another has no exponent of its own.
_NARROWEST_RANGE = 1.1
_ESTIMABLE = 1e-8
# How many times better than the middle one a test's stated uncertainty is believed to be.
_BEST_OF_MIDDLE = 30.0
# Exponent that weighs the pressure's uncertainty before one is fitted: the middle of what solid
# propellants show (common practice, no source); it only sets first weights.
_FIRST_EXPONENT = 0.5
_LEAST_OWN = 0.01  # part of a stated variance that is a test's own whatever it shares


@dataclass(frozen=True, eq=False, kw_only=True)
class Tests:
    """Independent tests, one row each, in order of appearance.

    Parameters
    ----------
    batch, formulation
        Names, N of each.
    is_firing
        Shape (N,).
    pressure
        Absolute pressure, Pa, shape (N,).
    temperature
        Of the propellant before the burn, K, shape (N,); NaN where not stated.
    log_pressure, log_rate
        ln(P/Pa) and ln(r/(m/s)), shape (N,).
    log_pressure_variance, log_rate_variance
        Squares of the relative standard uncertainties, shape (N,); NaN where not stated.
    log_covariance
        Of the errors of ln P and ln r of one test, shape (N,); 0 where independent or not stated.
    shared_sd
        Part of the standard uncertainty of ln r that all tests with one have in common, shape
        (N,); 0 for none.
    merged
        Names of the tests that were put together from several sections.
    """

    batch: tuple[str, ...]
    formulation: tuple[str, ...]
    is_firing: NDArray[np.bool_]
    pressure: FloatArray
    temperature: FloatArray
    log_pressure: FloatArray
    log_rate: FloatArray
    log_pressure_variance: FloatArray
    log_rate_variance: FloatArray
    log_covariance: FloatArray
    shared_sd: FloatArray
    merged: tuple[str, ...]

    def rows_of(self, formulation: str) -> NDArray[np.bool_]:
        """Mask of the rows of one formulation, shape (N,)."""
        return np.array([name == formulation for name in self.formulation])

    def shared_columns(self) -> FloatArray:
        """The shared errors of each formulation's tests, shape (N, formulations with any)."""
        columns = [
            np.where(self.rows_of(f), self.shared_sd, 0.0) for f in dict.fromkeys(self.formulation)
        ]
        return np.array([one for one in columns if one.any()]).reshape(-1, self.shared_sd.size).T

    def batches_of(self, formulation: str) -> int:
        """Count the batches of one formulation."""
        pairs = zip(self.batch, self.formulation, strict=True)
        return len({batch for batch, name in pairs if name == formulation})

    def pressure_range(self, formulation: str) -> tuple[float, float]:
        """Lowest and highest absolute pressure of one formulation, Pa."""
        chosen = self.pressure[self.rows_of(formulation)]
        return float(np.min(chosen)), float(np.max(chosen))

    def known_variance(self, exponents: dict[str, float]) -> FloatArray | None:
        """Variance of ln r that the stated uncertainties give, shape (N,).

        It is σ_lnr² + n²σ_lnP², less 2n times the covariance of the two.

        A test without any statement, or with one of zero, is taken to be like the middle one of
        its kind that has one: it would otherwise pass for an exact one. Where none of its kind
        has one it is 0, and the estimated scatter stands for it: what is stated of firings says
        nothing of strands. None where nothing is stated at all.

        Parameters
        ----------
        exponents
            n of each formulation; 0.5 where missing.
        """
        n = np.array([exponents.get(name, _FIRST_EXPONENT) for name in self.formulation])
        from_pressure = n**2 * self.log_pressure_variance
        total = np.nan_to_num(self.log_rate_variance) + np.nan_to_num(from_pressure)
        total = np.maximum(total - 2.0 * n * self.log_covariance, 0.0)
        stated = total > 0.0
        # What tests share does not scatter; it is added to the intervals as a whole.
        total = np.maximum(total - self.shared_sd**2, _LEAST_OWN * total)
        if not stated.any():
            return None
        for kind in (False, True):
            silent = ~stated & (self.is_firing == kind)
            alike = stated & (self.is_firing == kind)
            if alike.any():
                middle = float(np.median(total[alike]))
                total[silent] = middle
                # No reading is known so much better than its like that it should decide alone.
                total[alike] = np.maximum(total[alike], middle / _BEST_OF_MIDDLE**2)
        return np.asarray(total)


def tests_of(observations: RateObservations) -> Tests:
    """Put sections of one burn together, in logarithms.

    A power law passes through the mean logarithms. The sections' errors are taken as common
    (one strand, one gauge), so the mean keeps their mean standard uncertainty.
    """
    sections: dict[tuple[str, str], list[int]] = {}
    for index, key in enumerate(zip(observations.batch, observations.test, strict=True)):
        sections.setdefault(key, []).append(index)
    rows = list(sections.values())
    pressure = np.array(observations.pressure)
    merged_pressure = np.array([_geometric_mean(pressure[row]) for row in rows])
    rate = np.array(observations.rate)
    pressure_sd = np.array(observations.pressure_sd, dtype=np.float64) / pressure
    rate_sd = np.array(observations.rate_sd, dtype=np.float64) / rate
    temperature = np.array(observations.temperature, dtype=np.float64)
    shared_sd = np.nan_to_num(np.array(observations.shared_sd, dtype=np.float64))
    correlation = np.nan_to_num(np.array(observations.correlation, dtype=np.float64))
    common_sd = np.nan_to_num(pressure_sd), np.nan_to_num(rate_sd)
    return Tests(
        batch=tuple(observations.batch[row[0]] for row in rows),
        formulation=tuple(observations.formulation[row[0]] for row in rows),
        is_firing=np.array([_one_kind(observations, row) for row in rows]),
        pressure=merged_pressure,
        temperature=np.array([np.mean(temperature[row]) for row in rows]),
        log_pressure=np.log(merged_pressure),
        log_rate=np.array([np.mean(np.log(rate[row])) for row in rows]),
        log_pressure_variance=np.array([np.mean(pressure_sd[row]) ** 2 for row in rows]),
        log_rate_variance=np.array([np.mean(rate_sd[row]) ** 2 for row in rows]),
        log_covariance=np.array(
            [
                np.mean(correlation[row]) * math.prod(np.mean(sd[row]) for sd in common_sd)
                for row in rows
            ]
        ),
        shared_sd=np.array([np.mean(shared_sd[row]) for row in rows]),
        merged=tuple(observations.test[row[0]] for row in rows if len(row) > 1),
    )


def _geometric_mean(values: FloatArray) -> float:
    # A single value must come back as it was recorded.
    return float(values[0] if values.size == 1 else np.exp(np.mean(np.log(values))))


def _one_kind(observations: RateObservations, row: list[int]) -> bool:
    kinds = {observations.is_firing[index] for index in row}
    if len(kinds) > 1:
        msg = f"test {observations.test[row[0]]} is both a strand and a firing"
        raise DataError(msg, expected="a name of its own for each test")
    return kinds.pop()


@dataclass(frozen=True, eq=False, kw_only=True)
class Layout:
    """Columns of the model for one baseline and one pressure.

    Parameters
    ----------
    design
        Shape (N, p).
    columns
        Names for messages.
    level_column
        Column of each formulation's ln r at the pressure.
    exponent_column
        Column of the exponent that each formulation uses; empty where no formulation has one.
    measured
        Formulations that have an exponent of their own.
    exponent_donor
        Formulation whose exponent the others borrow; None where nobody has one.
    firing_column
        Column of the offset of firings; None where there is no such offset to fit.
    covariate_column
        Column of each covariate that is fitted, centred on the mean of the batches.
    left_out
        Why each of the other covariates is not fitted.
    confounding
        What the levels and exponents would mistake the offset for, shape (p,): zeros unless
        both kinds occur without anything that ties them together.
    within
        The design less its batch means, shape (N, p).
    slopes
        ln P less `centre`, shape (N,): what a batch's own exponent multiplies.
    centre
        Mean of ln(P/Pa) over the tests, where a batch's own level and exponent are taken as
        independent.
    """

    design: FloatArray
    columns: tuple[str, ...]
    level_column: dict[str, int]
    exponent_column: dict[str, int]
    measured: frozenset[str]
    exponent_donor: str | None
    firing_column: int | None
    covariate_column: dict[str, int]
    left_out: dict[str, Caution]
    confounding: FloatArray
    within: FloatArray
    slopes: FloatArray
    centre: float

    def level(self, formulation: str) -> FloatArray:
        """Contrast that gives ln r of a formulation at the pressure."""
        return self._unit(self.level_column[formulation])

    def exponent(self, formulation: str) -> FloatArray:
        """Contrast that gives the exponent that a formulation uses."""
        return self._unit(self.exponent_column[formulation])

    def firing_offset(self) -> FloatArray | None:
        """Contrast that gives ln(firing/strand); None where it cannot be told."""
        return None if self.firing_column is None else self._unit(self.firing_column)

    def covariate(self, name: str) -> FloatArray:
        """Contrast that gives the change of ln r for one unit of a fitted covariate."""
        return self._unit(self.covariate_column[name])

    def estimable(self, contrast: FloatArray) -> bool:
        """Whether the contrast is free of an offset that nothing ties down."""
        return bool(abs(contrast @ self.confounding) < _ESTIMABLE)

    def estimable_within(self, contrast: FloatArray) -> bool:
        """Whether differences inside batches alone give the contrast."""
        triangle = np.linalg.qr(self.within, mode="r")
        _, singular, rows = np.linalg.svd(triangle, full_matrices=True)
        rank = int(np.sum(singular > _ESTIMABLE * max(float(singular[0]), 1e-300)))
        return bool(np.linalg.norm(rows[rank:] @ contrast) < _ESTIMABLE)

    def _unit(self, column: int) -> FloatArray:
        out = np.zeros(self.design.shape[1])
        out[column] = 1.0
        return out


def lay_out(
    tests: Tests,
    baseline: str,
    pressure: float,
    covariates: Sequence[BatchCovariate] = (),
    order: Sequence[str] = (),
) -> Layout:
    """Build the columns of ln r = α_f + n_f ln(P/P_at) + δ·[firing] + Σ γ_c (z_c − z̄_c).

    Parameters
    ----------
    tests
        Rows.
    baseline
        Formulation whose exponent others borrow where they have none.
    pressure
        P_at, Pa.
    covariates
        Values z of the batches; one that cannot be told from what is in already is left out.
    order
        Of the formulations after the baseline; those that it lacks follow by name.
    """
    x = tests.log_pressure - np.log(pressure)
    tested = set(tests.formulation)
    listed = [name for name in order if name in tested]
    names = list(dict.fromkeys([baseline, *listed, *sorted(tested)]))
    masks = {name: tests.rows_of(name) for name in names}
    spread = {name: float(np.ptp(x[masks[name]])) for name in names}
    measured = frozenset(name for name in names if spread[name] >= np.log(_NARROWEST_RANGE))
    donor = baseline if baseline in measured else max(names, key=lambda name: spread[name])
    columns = [(f"rate of {name}", masks[name].astype(np.float64)) for name in names]
    exponent_column = {}
    for name in [name for name in names if name in measured]:
        exponent_column[name] = len(columns)
        borrowed = [other for other in names if other not in measured] if name == donor else []
        rows = np.logical_or.reduce([masks[other] for other in (name, *borrowed)])
        columns.append((f"exponent of {name}", np.where(rows, x, 0.0)))
    if measured:
        exponent_column |= {name: exponent_column[donor] for name in names if name not in measured}
    design = np.column_stack([column for _, column in columns])
    confounding: FloatArray = np.zeros(design.shape[1])
    firing_column = None
    if tests.is_firing.any() and not tests.is_firing.all():
        firing = tests.is_firing.astype(np.float64)
        explained = np.asarray(np.linalg.lstsq(design, firing)[0], dtype=np.float64)
        if np.linalg.norm(firing - design @ explained) > _ESTIMABLE:
            firing_column = design.shape[1]
            columns.append(("offset of firings", firing))
            design = np.column_stack([design, firing])
            confounding = np.zeros(design.shape[1])
        else:
            confounding = explained
    plain = design.shape[1]
    design, fitted, left_out = _with_covariates(design, tests.batch, covariates)
    centre = float(np.mean(tests.log_pressure))
    names_of_columns = (*(name for name, _ in columns), *(c.name for c in fitted))
    return Layout(
        design=design,
        columns=names_of_columns,
        level_column={name: index for index, name in enumerate(names)},
        exponent_column=exponent_column,
        measured=measured,
        exponent_donor=donor if measured else None,
        firing_column=firing_column,
        covariate_column={c.name: plain + index for index, c in enumerate(fitted)},
        left_out=left_out,
        confounding=np.pad(confounding, (0, design.shape[1] - confounding.size)),
        within=_within(design, tests.batch),
        slopes=tests.log_pressure - centre,
        centre=centre,
    )


def _with_covariates(
    design: FloatArray, batch: tuple[str, ...], covariates: Sequence[BatchCovariate]
) -> tuple[FloatArray, list[BatchCovariate], dict[str, Caution]]:
    fitted: list[BatchCovariate] = []
    left_out: dict[str, Caution] = {}
    for covariate in covariates:
        design, reason = _with_covariate(design, batch, covariate)
        if reason is None:
            fitted.append(covariate)
        else:
            left_out[covariate.name] = reason
    return design, fitted, left_out


def _with_covariate(
    design: FloatArray, batch: tuple[str, ...], covariate: BatchCovariate
) -> tuple[FloatArray, Caution | None]:
    """Append the centred covariate, or say why not."""
    names = list(dict.fromkeys(batch))
    missing = [name for name in names if name not in covariate.values]
    if missing:
        shown = ", ".join(missing[:5]) + (", …" if len(missing) > 5 else "")
        message = (
            f"{covariate.name} is not allowed for, as it is not known of {len(missing)} of "
            f"{len(names)} batches ({shown}); record it, or compare without these batches"
        )
        return design, Caution("covariate-missing", message)
    centre = float(np.mean([covariate.values[name] for name in names]))
    values = np.array([covariate.values[name] - centre for name in batch])
    added = np.column_stack([design, values])
    spread = float(np.max(np.abs(values)))
    degrees = None if spread <= _ESTIMABLE * abs(centre) else design_degrees(added, batch)
    if degrees is None:
        message = (
            f"{covariate.name} differs between batches only as the formulations (or what else is "
            "allowed for) do: what it did cannot be told from what they did, and it is not "
            "allowed for; mix a batch of one formulation with another value"
        )
        return design, Caution("not-separable", message)
    if degrees[0] == 0:
        message = (
            f"{covariate.name} is not allowed for: there are too few batches to tell what it did "
            "from how batches differ anyway; mix more batches of one formulation"
        )
        return design, Caution("not-separable", message)
    return added, None


def _within(design: FloatArray, batch: tuple[str, ...]) -> FloatArray:
    out = design.copy()
    names = np.array(batch)
    for name in set(batch):
        out[names == name] -= np.mean(design[names == name], axis=0)
    return out
