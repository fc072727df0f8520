"""What goes into a comparison of formulations, and what comes out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Self

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from strandwise.findings import Caution
    from strandwise.reduction import RatePoint
    from strandwise.tracking.covariates import CovariateSlope

__all__ = ["Comparison", "DoseSlope", "FormulationShift", "RateKind", "RateObservations"]

RateKind = Literal["strand", "firing", "mixed"]


@dataclass(frozen=True, kw_only=True)
class RateObservations:
    """Measured burn rates of a campaign, one entry a reading, all sequences aligned.

    Every sequence becomes a tuple. Entries that share `test` and `batch` are sections of one
    burn; the comparison counts them as one test, since they are not independent.

    Parameters
    ----------
    test, batch, formulation
        Names; a batch is of one formulation.
    is_firing
        True for a motor firing, False for a strand.
    pressure
        Absolute pressure, Pa, above zero.
    rate
        Burn rate, m/s, above zero.
    pressure_sd, rate_sd
        Standard uncertainties, Pa and m/s, not negative; None (or NaN, which becomes None)
        where nothing is stated. A sequence left out means that nothing is stated anywhere.
    temperature
        Of the propellant before the burn, K, above zero; None where it is not stated.
    shared_sd
        Part of the relative standard uncertainty of the rate at its pressure that all entries
        with one have in common, so that it does not average out; None for none.
    correlation
        Of the errors of pressure and rate of one entry, from −1 to 1; None for none.

    Raises
    ------
    DataError
        Sequences of different length or empty, a value out of range, a batch that appears
        under two formulations.
    """

    test: Sequence[str]
    batch: Sequence[str]
    formulation: Sequence[str]
    is_firing: Sequence[bool]
    pressure: Sequence[float]
    rate: Sequence[float]
    pressure_sd: Sequence[float | None] | None = None
    rate_sd: Sequence[float | None] | None = None
    temperature: Sequence[float | None] | None = None
    shared_sd: Sequence[float | None] | None = None
    correlation: Sequence[float | None] | None = None

    def __post_init__(self) -> None:
        count = len(self.test)
        if count == 0:
            msg = "there is no burn rate to compare"
            raise DataError(msg, expected="at least one observation", hint="log tests first")
        for name in ("test", "batch", "formulation"):
            object.__setattr__(self, name, tuple(str(text) for text in getattr(self, name)))
        object.__setattr__(self, "is_firing", tuple(bool(flag) for flag in self.is_firing))
        for name in ("pressure", "rate"):
            object.__setattr__(self, name, tuple(float(x) for x in getattr(self, name)))
        for name in ("pressure_sd", "rate_sd", "temperature", "shared_sd", "correlation"):
            values = getattr(self, name)
            known = (None,) * count if values is None else tuple(_known(x) for x in values)
            object.__setattr__(self, name, known)
        self._check_lengths(count)
        self._check_values()
        self._check_batches()

    @classmethod
    def from_points(cls, points: Iterable[RatePoint]) -> Self:
        """Take the points that are `used` and leave the others out.

        Parameters
        ----------
        points
            Reduced tests of a campaign, SI units.

        Raises
        ------
        DataError
            No point is used, or a value is out of range.
        """
        used = [point for point in points if point.used]
        return cls(
            test=[point.test for point in used],
            batch=[point.batch for point in used],
            formulation=[point.formulation for point in used],
            is_firing=[point.kind == "firing" for point in used],
            pressure=[point.pressure for point in used],
            rate=[point.rate for point in used],
            pressure_sd=[point.pressure_sd for point in used],
            rate_sd=[point.rate_sd for point in used],
            temperature=[point.temperature for point in used],
            shared_sd=[point.shared_sd for point in used],
            correlation=[point.correlation for point in used],
        )

    def __len__(self) -> int:
        return len(self.test)

    def _check_lengths(self, count: int) -> None:
        for name in self.__dataclass_fields__:
            length = len(getattr(self, name))
            if length != count:
                msg = f"{name} has {length} entries and test has {count}"
                raise DataError(msg, expected="aligned sequences of one length")

    def _check_values(self) -> None:
        for name in ("pressure", "rate"):
            for test, value in zip(self.test, getattr(self, name), strict=True):
                if not (math.isfinite(value) and value > 0):
                    msg = f"the {name} of test {test} is {value!r}"
                    raise DataError(msg, expected="a finite number above zero")
        for name in ("pressure_sd", "rate_sd", "shared_sd"):
            for test, value in zip(self.test, getattr(self, name), strict=True):
                if value is not None and not (math.isfinite(value) and value >= 0):
                    msg = f"the {name} of test {test} is {value!r}"
                    raise DataError(msg, expected="a standard uncertainty of zero or more, or None")
        for test, value in zip(self.test, self.correlation or (), strict=True):
            if value is not None and not abs(value) <= 1.0:
                msg = f"the correlation of test {test} is {value!r}"
                raise DataError(msg, expected="a number from −1 to 1, or None")
        for test, value in zip(self.test, self.temperature or (), strict=True):
            if value is not None and not (math.isfinite(value) and value > 0):
                msg = f"the temperature of test {test} is {value} K"
                raise DataError(msg, expected="kelvin above zero, or None")

    def _check_batches(self) -> None:
        formulation_of: dict[str, str] = {}
        for batch, formulation in zip(self.batch, self.formulation, strict=True):
            first = formulation_of.setdefault(batch, formulation)
            if first != formulation:
                msg = f"batch {batch} appears as {first} and as {formulation}"
                raise DataError(msg, expected="one formulation per batch")


def _known(value: float | None) -> float | None:
    if value is None or math.isnan(value):
        return None
    return float(value)


@dataclass(frozen=True, kw_only=True)
class FormulationShift:
    """One formulation beside the baseline at the pressure of the comparison.

    Values that the data cannot give are None, and a caution says why. On the baseline's own
    row `shift` and `n_shift` are 0 where its rate and exponent are known, and the rest of the
    comparison is None.

    Parameters
    ----------
    formulation
        Name.
    batches, points
        How many batches and independent tests it rests on.
    rate, rate_ci95
        Burn rate of the formulation (over its batches) at the pressure, m/s, and its 95 %
        interval; as a strand or a firing reads it, see `Comparison.rate_kind`.
    shift, shift_ci95
        Change of burn rate against the baseline as a fraction: −0.09 is 9 % slower. The interval
        is for this formulation alone, not widened for the number of formulations compared.
    shift_p
        Two-sided p-value of "no shift", adjusted for the number of formulations compared.
    n, n_sd
        Pressure exponent and its standard uncertainty.
    n_shift, n_shift_ci95, n_shift_p
        Change of the exponent against the baseline, as for the rate.
    probability_slower
        Probability that the formulation burns slower than the baseline at the pressure, from
        these data alone (flat prior).
    degrees_of_freedom
        Of the shift: how much the batches tell about their own spread.
    pressure_range
        Lowest and highest absolute pressure tested, Pa.
    cautions
        Reasons to trust this row less.
    """

    formulation: str
    batches: int
    points: int
    rate: float | None
    rate_ci95: tuple[float, float] | None
    shift: float | None
    shift_ci95: tuple[float, float] | None
    shift_p: float | None
    n: float | None
    n_sd: float | None
    n_shift: float | None
    n_shift_ci95: tuple[float, float] | None
    n_shift_p: float | None
    probability_slower: float | None
    degrees_of_freedom: float | None
    pressure_range: tuple[float, float]
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DoseSlope:
    """Change of burn rate per percent of an ingredient, over the doses of one series.

    Parameters
    ----------
    ingredient, replaces
        What was added, and in place of what.
    formulations
        Names in order of dose; the baseline is the zero dose.
    amounts
        Their doses as fractions.
    percent_per_percent, ci95
        Change of the burn rate in percent for one percent of dose (of the size that the doses
        are stated in), and its 95 % interval; None where unknown.
    cautions
        Reasons to trust the slope less.
    """

    ingredient: str
    replaces: str
    formulations: tuple[str, ...]
    amounts: tuple[float, ...]
    percent_per_percent: float | None
    ci95: tuple[float, float] | None
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Formulations against a baseline at one pressure.

    Parameters
    ----------
    baseline
        Formulation that the others are compared with.
    pressure
        Absolute pressure of the comparison, Pa.
    between_batch_sd, within_batch_sd
        Standard deviations of ln(rate) from batch to batch of one formulation, and from test to
        test of one batch (0.02 is 2 % of the rate); None where the data cannot tell. Of all
        formulations together.
    between_batch_n_sd
        Standard deviation of the exponent from batch to batch of one formulation; None as above.
    rate_kind
        What the rates stand for: ``strand`` or ``firing`` where all tests are, or are referred
        to, that kind; ``mixed`` where strands and firings could not be tied together, so that
        each formulation's rate is as its own tests read it.
    formulations
        The baseline first, then the others in the order asked for, else of their names.
    doses
        Slopes of the dose series.
    covariates
        What the covariates of the batches did; rates and shifts hold at their means.
    shift_correlation
        Correlation of the errors of the shifts of two formulations, by their names.
    method_offset, method_offset_ci95
        How much faster a firing reads than a strand, as a fraction, and its 95 % interval; None
        where only one kind was used or the data cannot tell.
    cautions
        Reasons to trust the whole comparison less.
    """

    baseline: str
    pressure: float
    between_batch_sd: float | None
    within_batch_sd: float | None
    rate_kind: RateKind
    formulations: tuple[FormulationShift, ...]
    doses: tuple[DoseSlope, ...] = ()
    covariates: tuple[CovariateSlope, ...] = ()
    between_batch_n_sd: float | None = None
    shift_correlation: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    method_offset: float | None = None
    method_offset_ci95: tuple[float, float] | None = None
    cautions: tuple[Caution, ...] = ()

    def shift_correlation_of(self, names: Sequence[str]) -> NDArray[np.float64]:
        """Correlation matrix of the shifts of some formulations; 0 between those it lacks."""
        known = self.shift_correlation
        rows = [[known.get(a, {}).get(b, float(a == b)) for b in names] for a in names]
        return np.array(rows, dtype=np.float64).reshape(len(names), len(names))
