"""Burn-rate laws, declared: one table that fitting, evaluation and the documentation share.

Every law here has two parameters and is written about a reference pressure P0,

    ln r = ln r0 + g(x; n),    x = ln(P/P0),    g(0; n) = 0,    dg/dx at 0 = n

so that r0 is the rate at P0 and n the local pressure exponent there, whatever the law. With P0
inside the data r0 and n hardly correlate, and intervals follow from one covariance matrix. The
customary coefficients (a, b) are a conversion.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    AnyArray = npt.NDArray[Any]

__all__ = ["LAWS", "LAW_NAMES", "LawParameter", "RateLaw", "law_named"]

# Below this a rate relative to the one at P0 is taken as none at all; keeps logarithms finite
# while a fit tries parameters that no propellant has.
_NO_RATE = 1e-200
_STEP = 1e-30


@dataclass(frozen=True, slots=True)
class LawParameter:
    """One customary coefficient of a law.

    Parameters
    ----------
    name, unit
        As in the formula; the unit in SI, ``1`` for a pure number.
    meaning
        For a person.
    positive
        True where the interval is formed on the logarithm.
    """

    name: str
    unit: str
    meaning: str
    positive: bool = False


@dataclass(frozen=True, slots=True)
class RateLaw:
    """A burn-rate law.

    Parameters
    ----------
    name
        As the command line writes it.
    formula
        For a person.
    parameters
        The customary coefficients, in the order in which `coefficients` gives them.
    log_shape
        g(x, n) of the module's heading, x = ln(P/P0) of any shape, real or complex.
    coefficients
        (ln r0, n, P0 in Pa) to the customary coefficients, SI; shape (2,).
    rate
        (P in Pa, coefficients, P0 in Pa) to the rate in m/s.
    """

    name: str
    formula: str
    parameters: tuple[LawParameter, LawParameter]
    log_shape: Callable[[AnyArray, Any], AnyArray]
    coefficients: Callable[[Any, Any, float], AnyArray]
    rate: Callable[[FloatArray, FloatArray, float], FloatArray]

    def log_rate(self, x: FloatArray, ln_r0: float, n: float) -> FloatArray:
        """Logarithm of the rate (m/s) at x = ln(P/P0), any shape."""
        return np.asarray(ln_r0 + self.log_shape(x, n), dtype=np.float64)

    def log_slope(self, x: FloatArray, n: float) -> FloatArray:
        """Local pressure exponent d ln r / d ln P at x = ln(P/P0); shape of `x`."""
        # A complex step has no subtraction, so the derivative is exact to rounding: Squire &
        # Trapp, SIAM Rev. 40 (1998) 110.
        return np.asarray(np.imag(self.log_shape(x + 1j * _STEP, n)) / _STEP, dtype=np.float64)

    def log_gradient(self, x: FloatArray, n: float) -> FloatArray:
        """Differentiate ln r by (ln r0, n) at x = ln(P/P0); shape of `x` with 2 appended."""
        by_n = np.imag(self.log_shape(np.asarray(x), n + 1j * _STEP)) / _STEP
        return np.stack([np.ones_like(by_n), by_n], axis=-1)

    def coefficient_gradient(self, ln_r0: float, n: float, reference: float) -> FloatArray:
        """Differentiate the coefficients (rows) by ln r0 and n (columns), shape (2, 2)."""
        steps = (
            self.coefficients(ln_r0 + 1j * _STEP, n, reference),
            self.coefficients(ln_r0, n + 1j * _STEP, reference),
        )
        return np.stack([np.imag(step) / _STEP for step in steps], axis=-1)

    def guess(self, x: FloatArray, log_rate: FloatArray) -> tuple[float, float]:
        """First (ln r0, n): the log-log straight line through the points, shape (k,) each."""
        spread = x - x.mean()
        n = float(spread @ log_rate / (spread @ spread))
        return float(log_rate.mean() - n * x.mean()), n


def _log_positive(value: AnyArray) -> AnyArray:
    floored = np.where(np.real(value) > _NO_RATE, value, _NO_RATE)
    return np.asarray(np.log(floored))


def _power_shape(x: AnyArray, n: Any) -> AnyArray:
    return np.asarray(n * x)


def _power_coefficients(ln_r0: Any, n: Any, reference: float) -> AnyArray:  # noqa: ARG001
    return np.array([np.exp(ln_r0), n])


def _power_rate(p: FloatArray, c: FloatArray, reference: float) -> FloatArray:
    return np.asarray(c[0] * (np.asarray(p) / reference) ** c[1])


def _linear_shape(x: AnyArray, n: Any) -> AnyArray:
    return _log_positive(1.0 + n * np.expm1(x))


def _linear_coefficients(ln_r0: Any, n: Any, reference: float) -> AnyArray:
    return np.array([np.exp(ln_r0) * n / reference, np.exp(ln_r0) * (1.0 - n)])


def _linear_rate(p: FloatArray, c: FloatArray, reference: float) -> FloatArray:  # noqa: ARG001
    return np.asarray(c[1] + c[0] * np.asarray(p))


def _two_term_shape(x: AnyArray, n: Any) -> AnyArray:
    # u and w are the two terms' shares of 1/r at P0: u + w = 1 and n = u + w/3.
    u, w = (3.0 * n - 1.0) / 2.0, 3.0 * (1.0 - n) / 2.0
    return -_log_positive(u * np.exp(-x) + w * np.exp(-x / 3.0))


def _two_term_coefficients(ln_r0: Any, n: Any, reference: float) -> AnyArray:
    u, w = (3.0 * n - 1.0) / 2.0, 3.0 * (1.0 - n) / 2.0
    return np.asarray(np.array([u * reference, w * np.cbrt(reference)]) * np.exp(-ln_r0))


def _two_term_rate(p: FloatArray, c: FloatArray, reference: float) -> FloatArray:  # noqa: ARG001
    return np.asarray(1.0 / (c[0] / np.asarray(p) + c[1] / np.cbrt(p)))


LAWS: dict[str, RateLaw] = {
    law.name: law
    for law in (
        RateLaw(
            name="power",
            formula="r = r0·(P/P0)^n, the same as r = a·P^n",
            parameters=(
                LawParameter("r0", "m/s", "burn rate at the reference pressure P0", positive=True),
                LawParameter("n", "1", "pressure exponent"),
            ),
            log_shape=_power_shape,
            coefficients=_power_coefficients,
            rate=_power_rate,
        ),
        RateLaw(
            name="linear",
            formula="r = b + a·P",
            parameters=(
                LawParameter("a", "m/(s·Pa)", "rise of the burn rate with pressure"),
                LawParameter("b", "m/s", "what the straight line reads at no pressure"),
            ),
            log_shape=_linear_shape,
            coefficients=_linear_coefficients,
            rate=_linear_rate,
        ),
        RateLaw(
            name="two-term",
            formula="1/r = a/P + b/P^(1/3)",
            parameters=(
                LawParameter("a", "Pa·s/m", "term that rules at low pressure (reaction)"),
                LawParameter("b", "Pa^(1/3)·s/m", "term that rules at high pressure (diffusion)"),
            ),
            log_shape=_two_term_shape,
            coefficients=_two_term_coefficients,
            rate=_two_term_rate,
        ),
    )
}
"""Laws by name. The two-term form is the granular diffusion flame law, in Solid Propellant Rocket
Research (Progress in Astronautics and Rocketry 1, 1960), p. 141 (from memory)."""


LAW_NAMES = (*LAWS, "segmented", "auto")
"""What a law may be asked for as."""


def law_named(name: str) -> RateLaw:
    """Look a law of two parameters up by its name.

    Raises
    ------
    RequestError
        There is none.
    """
    if name in LAWS:
        return LAWS[name]
    msg = f"no burn-rate law is called `{name}`"
    raise RequestError(msg, expected="one of " + ", ".join(LAW_NAMES))
