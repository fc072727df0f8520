from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.tracking import RateObservations, layout

GOOD: dict[str, object] = {
    "test": ["T1", "T2"],
    "batch": ["B1", "B2"],
    "formulation": ["base", "retarded"],
    "is_firing": [False, True],
    "pressure": [2e6, 4e6],
    "rate": [5e-3, 6e-3],
}


def test_becomes_tuples_with_none_for_what_is_not_stated() -> None:
    observations = RateObservations(**GOOD, rate_sd=[float("nan"), 1e-4])
    assert observations.test == ("T1", "T2")
    assert observations.rate_sd == (None, 1e-4)
    assert observations.pressure_sd == (None, None)
    assert len(observations) == 2
    assert observations == RateObservations(**GOOD, rate_sd=[None, 1e-4])


def test_points_that_are_not_used_stay_out() -> None:
    def point(test: str, kind: str, *, used: bool) -> SimpleNamespace:
        return SimpleNamespace(
            test=test, batch="B1", formulation="base", kind=kind, used=used,
            pressure=2e6, pressure_sd=None, rate=5e-3, rate_sd=5e-5, temperature=295.0,
            shared_sd=0.02 if kind == "firing" else None,
            correlation=0.3 if kind == "firing" else 0.0,
        )  # fmt: skip

    taken = RateObservations.from_points(
        [
            point("T1", "strand", used=True),
            point("T2", "strand", used=False),
            point("F1", "firing", used=True),
        ]
    )
    assert taken.test == ("T1", "F1")
    assert taken.is_firing == (False, True)
    assert taken.rate_sd == (5e-5, 5e-5)
    assert taken.shared_sd == (None, 0.02)
    assert taken.correlation == (0.0, 0.3)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({name: [] for name in GOOD}, "no burn rate to compare"),
        ({"rate": [5e-3]}, "rate has 1 entries and test has 2"),
        ({"rate": [5e-3, 0.0]}, "the rate of test T2 is 0.0"),
        ({"pressure": [float("nan"), 1e6]}, "the pressure of test T1 is nan"),
        ({"rate_sd": [1e-4, -1e-4]}, "the rate_sd of test T2 is -0.0001"),
        ({"correlation": [0.0, -1.2]}, "the correlation of test T2 is -1.2"),
        ({"batch": ["B1", "B1"]}, "batch B1 appears as base and as retarded"),
    ],
)
def test_refuses(change: dict[str, object], message: str) -> None:
    with pytest.raises(DataError, match=message):
        RateObservations(**(GOOD | change))


def test_errors_that_rate_and_pressure_share_take_from_the_variance_of_the_law() -> None:
    # GUM (JCGM 100:2008) equation 13, for ln r − n ln P.
    stated = {"pressure_sd": [2e4, 2e4], "rate_sd": [1e-4, 1e-4], "correlation": [0.3, None]}
    tests = layout.tests_of(RateObservations(**(GOOD | stated)))
    rate, pressure = 1e-4 / np.array(GOOD["rate"]), 2e4 / np.array(GOOD["pressure"])
    own = rate**2 + (0.4 * pressure) ** 2
    shared = np.array([2.0 * 0.4 * 0.3, 0.0]) * rate * pressure
    exponents = dict.fromkeys(GOOD["formulation"], 0.4)
    assert tests.known_variance(exponents) == pytest.approx(own - shared)


def test_sections_of_one_burn_keep_their_correlation() -> None:
    stated = {
        "test": ["T1", "T1"], "batch": ["B1", "B1"], "formulation": ["base", "base"],
        "is_firing": [True, True], "pressure": [2e6, 2e6], "rate": [5e-3, 5e-3],
        "pressure_sd": [1e4, 9e4], "rate_sd": [5e-5, 45e-5], "correlation": [1.0, 1.0],
    }  # fmt: skip
    merged = layout.tests_of(RateObservations(**stated))
    whole = np.sqrt(merged.log_pressure_variance * merged.log_rate_variance)
    assert merged.log_covariance == pytest.approx(whole)
