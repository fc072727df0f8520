from __future__ import annotations

from types import SimpleNamespace

import pytest

from strandwise.errors import DataError
from strandwise.tracking import RateObservations

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


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({name: [] for name in GOOD}, "no burn rate to compare"),
        ({"rate": [5e-3]}, "rate has 1 entries and test has 2"),
        ({"rate": [5e-3, 0.0]}, "the rate of test T2 is 0.0"),
        ({"pressure": [float("nan"), 1e6]}, "the pressure of test T1 is nan"),
        ({"rate_sd": [1e-4, -1e-4]}, "the rate_sd of test T2 is -0.0001"),
        ({"batch": ["B1", "B1"]}, "batch B1 appears as base and as retarded"),
    ],
)
def test_refuses(change: dict[str, object], message: str) -> None:
    with pytest.raises(DataError, match=message):
        RateObservations(**(GOOD | change))
