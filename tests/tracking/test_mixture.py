from __future__ import annotations

import math

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.tracking import fit_mixture, fit_mixture_from_arrays

# Gallant, Prickett, Cesarec and Bruck, Chemom. Intell. Lab. Syst. 90 (2008) 49, Table 4, as a
# public data package prints it: coarse and fine oxidiser, binder, coded mixer speed, mean burn
# rate at 500 psig. Row 6 adds up to 1.123.
TABLE = np.array(
    [
        (0.624, 0.166, 0.210, -1, 0.443), (0.704, 0.166, 0.130, -1, 0.630),
        (0.664, 0.176, 0.160, 1, 0.536), (0.514, 0.277, 0.210, 1, 0.526),
        (0.581, 0.289, 0.130, 1, 0.620), (0.664, 0.289, 0.170, 1, 0.513),
        (0.521, 0.308, 0.171, -1, 0.604), (0.521, 0.308, 0.171, 1, 0.546),
        (0.521, 0.308, 0.171, 1, 0.550), (0.521, 0.308, 0.171, 0, 0.601),
        (0.403, 0.387, 0.210, -1, 0.571), (0.408, 0.399, 0.193, 1, 0.609),
        (0.413, 0.412, 0.175, -1, 0.664), (0.436, 0.412, 0.153, 1, 0.666),
        (0.458, 0.412, 0.130, -1, 0.701),
    ]
)  # fmt: skip
NAMES = ("coarse", "fine", "binder")


def fit_table(rows: np.ndarray) -> object:
    return fit_mixture_from_arrays(
        rows[:, :3], rows[:, 4], ingredients=NAMES, process=rows[:, 3:4], process_names=["speed"]
    )


def test_published_table_gives_its_coefficients() -> None:
    fit = fit_table(np.delete(TABLE, 5, axis=0))
    found = [term.coefficient for term in (*fit.ingredients, *fit.process)]
    # Least squares of the 14 sound rows, recomputed by another program.
    assert found == pytest.approx([0.71223, 1.20498, -0.89160, -0.01312], abs=1e-5)
    assert [t.sd for t in fit.ingredients] == pytest.approx([0.046, 0.065, 0.195], abs=1e-3)
    assert fit.residual_sd == pytest.approx(0.02389, abs=1e-5)
    assert fit.degrees_of_freedom == 10


def test_published_row_that_does_not_add_up_is_refused() -> None:
    with pytest.raises(DataError, match=r"the fractions of blend 6 add up to 1\.123"):
        fit_table(TABLE)


def test_exchange_against_refitting_with_an_intercept() -> None:
    # With coarse left out and an intercept, the coefficient of fine is the exchange fine − coarse.
    rows = np.delete(TABLE, 5, axis=0)
    rows[:, :3] /= rows[:, :3].sum(axis=1, keepdims=True)
    fit = fit_table(rows)
    design = np.column_stack([np.ones(len(rows)), rows[:, 1], rows[:, 2], rows[:, 3]])
    other, residuals, *_ = np.linalg.lstsq(design, rows[:, 4], rcond=None)
    change, (low, high) = fit.exchange("fine", "coarse")
    assert change == pytest.approx(other[1], abs=1e-9)
    sd = math.sqrt(residuals[0] / 10 * np.linalg.inv(design.T @ design)[1, 1])
    # t(0.975, 10) = 2.228, any table.
    assert (high - low) / 2 == pytest.approx(2.228 * sd, rel=1e-3)
    with pytest.raises(DataError, match="chalk is no ingredient of this model"):
        fit.exchange("chalk", "fine")


def test_named_blends_with_an_absent_ingredient() -> None:
    truth = {"a": 0.3, "b": -1.0, "c": 2.0}
    blends = {
        "1": {"a": 0.7, "b": 0.3},
        "2": {"a": 0.6, "b": 0.3, "c": 0.1},
        "3": {"a": 0.65, "b": 0.25, "c": 0.1},
        "4": {"a": 0.7, "b": 0.25, "c": 0.05},
        "5": {"a": 0.6, "b": 0.4},
        "unmeasured": {"d": 1.0},
    }
    response = {
        name: sum(truth[key] * x for key, x in blend.items())
        for name, blend in blends.items()
        if name != "unmeasured"
    }
    fit = fit_mixture(blends, response)
    found = {term.name: term.coefficient for term in fit.ingredients}
    assert found == pytest.approx(truth)
    assert fit.ranges["c"] == (0.0, 0.1)


@pytest.mark.parametrize(
    ("fractions", "message"),
    [
        # A single additive in one place moves on a line, and the rest stands still.
        ([(0.65, 0.35 - c, c) for c in (0.0, 0.0, 0.035, 0.035, 0.07, 0.07)],
         "the fraction of nitrate is the same in all blends"),
        ([(0.65 - 0.65 * c, 0.35 - 0.35 * c, c) for c in (0.0, 0.0, 0.05, 0.05, 0.1, 0.1)],
         "moves together with the others"),
        ([(0.65, 0.35, 0.0), (0.6, 0.35, 0.05), (0.65, 0.3, 0.05), (0.7, 0.25, 0.05)],
         "4 blends for 3 coefficients; expected at least 5"),
    ],
)  # fmt: skip
def test_data_that_cannot_carry_the_model(fractions: list[tuple[float, ...]], message: str) -> None:
    with pytest.raises(DataError, match=message):
        fit_mixture_from_arrays(
            np.array(fractions),
            np.arange(len(fractions), dtype=float),
            ingredients=["nitrate", "sugar", "chalk"],
        )


@pytest.mark.parametrize(
    ("fractions", "response", "message"),
    [
        ([[1.1, -0.1]] * 5, [1.0] * 5, "add up to 1"),
        ([[0.5, 0.5]] * 5, [1.0, math.nan, 1.0, 1.0, 1.0], "is not finite"),
        ([[0.5, 0.5]] * 4, [1.0] * 5, "expected 5 blends of 2 ingredients"),
    ],
)
def test_values_that_are_refused(
    fractions: list[list[float]], response: list[float], message: str
) -> None:
    with pytest.raises(DataError, match=message):
        fit_mixture_from_arrays(np.array(fractions), np.array(response), ingredients=["a", "b"])


def test_no_blend_at_all() -> None:
    with pytest.raises(DataError, match="cannot carry"):
        fit_mixture({}, {})
