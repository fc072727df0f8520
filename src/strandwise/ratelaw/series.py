"""What goes into a fit."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

__all__ = ["RateSeries"]


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class RateSeries:
    """Burn rates of one batch, or of several pooled, that one law is fitted to.

    Arrays have shape (points,) and are copied and made read-only.

    Parameters
    ----------
    label
        The batch's name, or that of the pool.
    formulation
        Its formulation.
    tests
        Name of the test behind each point.
    pressure, rate
        Absolute pressure, Pa, and burn rate, m/s; all positive.
    pressure_sd, rate_sd
        Standard uncertainties, same units; NaN or 0 where unknown (stored as 0).
    kinds
        ``strand`` or ``firing`` for each point.
    temperature
        Of the propellant before the burn, K; NaN where unknown; left out where all are.
    correlation
        Of the errors of pressure and rate of one test, which may rest on one reading; left out
        where all are independent.
    wording
        Units of the sentences about the fit.

    Raises
    ------
    DataError
        Arrays of unlike length, or a value that no test can have.
    """

    label: str
    formulation: str
    tests: tuple[str, ...]
    pressure: FloatArray
    rate: FloatArray
    pressure_sd: FloatArray
    rate_sd: FloatArray
    kinds: tuple[str, ...]
    temperature: FloatArray = field(default_factory=lambda: np.empty(0))
    correlation: FloatArray = field(default_factory=lambda: np.empty(0))
    wording: Wording = METRIC

    def __post_init__(self) -> None:
        for name, missing in (("temperature", np.nan), ("correlation", 0.0)):
            if np.size(getattr(self, name)) == 0:
                object.__setattr__(self, name, np.full(len(self.tests), missing))
        for name in ("pressure", "rate", "pressure_sd", "rate_sd", "temperature", "correlation"):
            array = np.array(getattr(self, name), dtype=np.float64)
            if array.shape != (len(self.tests),):
                msg = f"{self.label}: {name} has shape {array.shape} for {len(self.tests)} tests"
                raise DataError(msg, expected=f"shape ({len(self.tests)},)")
            if name.endswith("_sd"):
                array[np.isnan(array)] = 0.0
                bad = ~(np.isfinite(array) & (array >= 0.0))
            elif name == "temperature":
                bad = np.isinf(array) | (array <= 0.0)
            elif name == "correlation":
                bad = ~(np.abs(array) <= 1.0)
            else:
                bad = ~(np.isfinite(array) & (array > 0.0))
            if bad.any():
                first = int(np.argmax(bad))
                msg = f"{self.label}: {name} of test {self.tests[first]} is {float(array[first])}"
                able = "a positive, finite number in SI units"
                raise DataError(msg, expected="−1 to 1" if name == "correlation" else able)
            array.flags.writeable = False
            object.__setattr__(self, name, array)
        if len(self.kinds) != len(self.tests):
            msg = f"{self.label}: {len(self.kinds)} kinds for {len(self.tests)} tests"
            raise DataError(msg, expected="one kind a test")
