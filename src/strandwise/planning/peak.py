"""How well a motor's peak pressure is known, and would be with tests that are only planned."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.special import ndtri, stdtrit

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from strandwise.tracking import Analysis, PlannedTest, VarianceComponents

    FloatArray = NDArray[np.float64]

__all__ = ["ASSUMED_OFFSET_SD", "MotorCause", "PeakModel", "PeakPrecision", "PeakTarget"]

ASSUMED_OFFSET_SD = 0.08
"""Standard error of taking a motor to read as strands do, in ln r: strands commonly read 4 to 12 %
below motors (common practice, no source)."""

MotorCause = Literal["c*", "throat", "density", "grain"]
"""What of a motor moves its peak pressure beside the burn rate."""

_LEAST_SD = 1e-4  # no burn-rate test repeats to better than 0.01 %


@dataclass(frozen=True, kw_only=True, slots=True)
class PeakTarget:
    """The forecast whose peak pressure is to be known better.

    Parameters
    ----------
    formulation
        That the motor is filled with.
    pressure
        Median of its peak pressure, absolute, Pa.
    exponent
        Pressure exponent there, below 1.
    motor_variance
        Of ln P from what no burn-rate test tells: throat, grain, density, c*.
    motor_parts
        The part of it that each cause has, to first order; empty where not known.
    """

    formulation: str
    pressure: float
    exponent: float
    motor_variance: float = 0.0
    motor_parts: Mapping[MotorCause, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not (self.exponent < 1.0 and math.isfinite(self.pressure) and self.pressure > 0.0):
            msg = f"a peak pressure of {self.pressure!r} Pa at an exponent of {self.exponent!r}"
            raise DataError(msg, expected="a pressure above zero and an exponent below 1")


@dataclass(frozen=True, kw_only=True, slots=True)
class PeakPrecision:
    """Variance of ln(peak pressure) of a motor of a new batch, by where it comes from.

    Parameters
    ----------
    tests
        From the scatter of the tests behind the law.
    batches
        From how batches differ: in the law, and the motor's own new batch.
    shared
        From errors that a formulation's tests have in common.
    motor
        From the motor's own tolerances.
    batch_df, test_df
        Degrees of freedom that the two scatters are known with; 0: not at all.
    """

    tests: float
    batches: float
    shared: float
    motor: float
    batch_df: float
    test_df: float

    @property
    def variance(self) -> float:
        """The sum, the scatters taken as known."""
        return self.tests + self.batches + self.shared + self.motor

    @property
    def widened(self) -> float | None:
        """The sum, each scatter weighed by the square of its Student's t over the normal's.

        Cochran's way with variances of unlike degrees of freedom (from memory). None where the
        spread of batches is not known at all.
        """
        if self.batch_df <= 0:
            return None
        of_tests = self.tests * _widening(self.test_df if self.test_df > 0 else self.batch_df)
        return of_tests + self.batches * _widening(self.batch_df) + self.shared + self.motor


def _widening(df: float) -> float:
    return float(stdtrit(df, 0.975) / ndtri(0.975)) ** 2


@dataclass(frozen=True, eq=False, slots=True)
class _Rows:
    """Tests of one batch: columns X, ln P about the middle, own variance, shared errors."""

    design: FloatArray
    turned: FloatArray
    alone: FloatArray
    shared: FloatArray
    batch_sd: float

    def joined(self, more: _Rows) -> _Rows:
        return _Rows(
            np.concatenate([self.design, more.design]),
            np.concatenate([self.turned, more.turned]),
            np.concatenate([self.alone, more.alone]),
            np.concatenate([self.shared, more.shared]),
            self.batch_sd,
        )

    def information(self, exponent_sd: float, *, of_batches: bool) -> FloatArray:
        """XᵀV⁻¹[X, S], shape (p, p + formulations)."""
        covariance = np.diag(self.alone)
        if of_batches:
            covariance += self.batch_sd**2
            covariance += exponent_sd**2 * np.outer(self.turned, self.turned)
        both = np.column_stack([self.design, self.shared])
        return np.asarray(self.design.T @ np.linalg.solve(covariance, both))


class PeakModel:
    """The mixed model of a comparison, as far as a motor's peak pressure needs it.

    At the peak ln P = (ln r(P_peak) + what the motor adds)/(1 − n), with ln r on the law's line:
    to first order ln P moves by 1/(1 − n) times ln r at the median peak, which is α + n·ln(P/P_at)
    + δ with the method offset δ. The covariance of these is (XᵀV⁻¹X)⁻¹ at fixed scatter; a test
    adds its row. Where no test tells δ, it is known as an assumption with `ASSUMED_OFFSET_SD`.

    Parameters
    ----------
    analysis
        A fitted comparison, without covariates.
    components
        The scatter to count with.

    Raises
    ------
    DataError
        The comparison has covariates.
    """

    def __init__(self, analysis: Analysis, components: VarianceComponents) -> None:
        if analysis.covariates:
            msg = "tests cannot be planned for a comparison with covariates"
            raise DataError(msg, hint="their values in new batches are not known; leave them out")
        self._analysis = analysis
        self._components = components
        tests, layout = analysis.tests, analysis.layout
        self.assumes_offset = layout.firing_column is None
        self._as_firings = bool(tests.is_firing.all())
        design = layout.design
        if self.assumes_offset:
            extra = tests.is_firing.astype(np.float64) - float(self._as_firings)
            design = np.column_stack([design, extra])
        self._size = design.shape[1]
        self._method = self._size - 1 if layout.firing_column is None else layout.firing_column
        self._names = analysis.names
        known = analysis.known_variance
        self._known = np.zeros(len(tests.batch)) if known is None else known
        shared = np.column_stack(
            [np.where(tests.rows_of(n), tests.shared_sd, 0.0) for n in self._names]
        )
        owner = dict(zip(tests.batch, tests.formulation, strict=True))
        members: dict[str, list[int]] = {name: [] for name in owner}
        for row, name in enumerate(tests.batch):
            members[name].append(row)
        self._blocks = {}
        for batch, rows in members.items():
            name = owner[batch]
            self._blocks[batch] = _Rows(
                design[rows],
                layout.slopes[rows],
                self._known[rows] + self._test_variance(name),
                shared[rows],
                self._batch_sd(name),
            )
        self._parts = {
            (batch, whole): block.information(components.exponent_sd, of_batches=whole)
            for batch, block in self._blocks.items()
            for whole in (False, True)
        }
        self._sums = {
            whole: np.sum([self._parts[batch, whole] for batch in self._blocks], axis=0)
            for whole in (False, True)
        }

    def precision(self, target: PeakTarget, additions: Sequence[PlannedTest] = ()) -> PeakPrecision:
        """Tell how well the peak pressure would be known with more tests of one batch.

        Parameters
        ----------
        target
            Whose.
        additions
            Planned tests, all of one batch; none for what is known now.
        """
        fit = self._analysis.fit
        contrast = self._contrast(target)
        new = bool(additions) and additions[0].batch not in self._blocks
        gain = 1.0 / (1.0 - target.exponent) ** 2
        own, _ = self._law(contrast, additions, whole=False)
        law, shared = self._law(contrast, additions, whole=True)
        off = math.log(target.pressure) - self._analysis.layout.centre
        batch = self._batch_sd(target.formulation) ** 2 + (self._components.exponent_sd * off) ** 2
        # A new batch takes one of its tests for its own level.
        within = fit.within_df + len(additions) - new
        return PeakPrecision(
            tests=gain * own,
            batches=gain * (max(law - own, 0.0) + batch),
            shared=gain * shared,
            motor=target.motor_variance,
            batch_df=fit.between_df + new,
            test_df=within if fit.within_df > 0 else 0,
        )

    def _contrast(self, target: PeakTarget) -> FloatArray:
        layout = self._analysis.layout
        out = np.zeros(self._size)
        out[layout.level_column[target.formulation]] = 1.0
        if target.formulation in layout.exponent_column:
            column = layout.exponent_column[target.formulation]
            out[column] = math.log(target.pressure / self._analysis.pressure)
        out[self._method] = 0.0 if self._as_firings else 1.0
        return out

    def _law(
        self, contrast: FloatArray, additions: Sequence[PlannedTest], *, whole: bool
    ) -> tuple[float, float]:
        """Variance of ln r of a motor, and what shared errors add to it."""
        total = self._sums[whole].copy()
        if additions:
            batch, more = additions[0].batch, self._planned(additions)
            if batch in self._blocks:
                total -= self._parts[batch, whole]
                more = self._blocks[batch].joined(more)
            total += more.information(self._components.exponent_sd, of_batches=whole)
        information, moved = total[:, : self._size], total[:, self._size :]
        if self.assumes_offset:
            information[self._method, self._method] += ASSUMED_OFFSET_SD**-2
        weights = np.linalg.solve(information, contrast)
        effects = weights @ moved
        # How far formulations share an error with each other is not known: the larger end.
        shared = max(float(np.sum(effects)) ** 2, float(np.sum(effects**2)))
        return float(contrast @ weights), shared

    def _planned(self, additions: Sequence[PlannedTest]) -> _Rows:
        tests, layout = self._analysis.tests, self._analysis.layout
        name = additions[0].formulation
        design = np.zeros((len(additions), self._size))
        shared = np.zeros((len(additions), len(self._names)))
        alone = np.full(len(additions), self._test_variance(name))
        for row, test in enumerate(additions):
            design[row, layout.level_column[name]] = 1.0
            if name in layout.exponent_column:
                at = math.log(test.pressure / self._analysis.pressure)
                design[row, layout.exponent_column[name]] = at
            design[row, self._method] = float(test.is_firing) - float(self._as_firings)
            alike = tests.is_firing == test.is_firing
            # A planned test is as uncertain as the middle one of its kind.
            alone[row] += float(np.median(self._known[alike] if alike.any() else self._known))
            if test.is_firing and alike.any():
                shared[row, self._names.index(name)] = float(np.median(tests.shared_sd[alike]))
        turned = np.array([math.log(test.pressure) - layout.centre for test in additions])
        return _Rows(design, turned, alone, shared, self._batch_sd(name))

    def _batch_sd(self, name: str) -> float:
        share = self._share(name, self._analysis.fit.batch_sds, of_batches=True)
        return self._components.batch_sd * share

    def _test_variance(self, name: str) -> float:
        share = self._share(name, self._analysis.fit.residual_sds, of_batches=False)
        return max(self._components.test_sd * share, _LEAST_SD) ** 2

    def _share(self, name: str, sds: tuple[float, ...] | None, *, of_batches: bool) -> float:
        """Part of the largest spread that a formulation has, where one varies more than others."""
        if sds is None or len(sds) < 2 or max(sds) == 0.0:
            return 1.0
        apart = any(
            one.formulation == name and one.of_batches == of_batches
            for one in self._analysis.unlike
        )
        return sds[int(apart)] / max(sds)
