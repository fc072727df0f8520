from __future__ import annotations

from dataclasses import replace

import pytest

from strandwise.findings import Caution
from strandwise.tracking import (
    Comparison,
    DoseSlope,
    FormulationShift,
    dose_sentence,
    sentence,
    spread_sentence,
)

BASE = FormulationShift(
    formulation="base", batches=3, points=15, rate=7e-3, rate_ci95=(6.8e-3, 7.2e-3), shift=0.0,
    shift_ci95=None, shift_p=None, n=0.4, n_sd=0.01, n_shift=0.0, n_shift_ci95=None,
    n_shift_p=None, probability_slower=None, degrees_of_freedom=None, pressure_range=(1e6, 6e6),
)  # fmt: skip
SLOWER = FormulationShift(
    formulation="carbonate-10", batches=3, points=15, rate=6.4e-3, rate_ci95=(6.2e-3, 6.6e-3),
    shift=-0.09, shift_ci95=(-0.13, -0.05), shift_p=0.002, n=0.42, n_sd=0.02, n_shift=0.02,
    n_shift_ci95=(-0.05, 0.09), n_shift_p=0.6, probability_slower=0.999, degrees_of_freedom=4.0,
    pressure_range=(1e6, 6e6),
)  # fmt: skip
EXTRAPOLATED = (Caution("extrapolated", "outside"),)


def among(*rows: FormulationShift, codes: tuple[str, ...] = (), base: FormulationShift = BASE):
    return Comparison(
        baseline="base",
        pressure=4e6,
        between_batch_sd=0.02,
        within_batch_sd=0.01,
        rate_kind="strand",
        formulations=(base, *rows),
        cautions=tuple(Caution(code, code) for code in codes),
    )


def test_slower() -> None:
    assert sentence(SLOWER, among(SLOWER)) == (
        "carbonate-10 burns 9 % slower than base at 4.0 MPa, between 5 and 13 %; the exponent did "
        "not measurably change (+0.02, between −0.05 and +0.09)"
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"shift": 0.25, "shift_ci95": (0.2, 0.3)}, "burns 25 % faster than base at 4.0 MPa, "
         "between 20 and 30 %"),
        ({"shift": 0.005, "shift_ci95": (-0.03, 0.04)}, "shows no measurable change in burn rate "
         "against base at 4.0 MPa: between 3 % slower and 4 % faster"),
        ({"shift": -0.9, "shift_ci95": (-0.9974, 34.0)}, "between 99.7 % slower and 3400 % "),
        ({"shift_ci95": (-0.131, -0.0004)}, "9.00 % slower than base at 4.0 MPa, between 0.04 and"),
        ({"shift": -0.012, "shift_ci95": (-0.015, -0.009)}, "1.2 % slower than base at 4.0 MPa, "
         "between 0.9 and 1.5 %"),
        ({"shift_p": 0.08}, "between 5 and 13 % (among 1 formulations compared this can be "
         "chance: p = 0.08)"),
        ({"n_shift": -0.1, "n_shift_ci95": (-0.15, -0.05), "n_shift_p": 0.01},
         "; the exponent fell (−0.10, between −0.15 and −0.05)"),
        ({"n_shift": 0.1, "n_shift_ci95": (0.01, 0.19), "n_shift_p": 0.07},
         "; the exponent rose (+0.10, between +0.01 and +0.19), which can be chance (p = 0.07)"),
        ({"n_shift": 0.1, "n_shift_ci95": None, "n_shift_p": None},
         "; its exponent differed by +0.10, interval not known"),
        ({"n": None, "n_shift": None, "n_shift_ci95": None}, "; its exponent is not known"),
        ({"n_shift": None, "n_shift_ci95": None}, "; its exponent is not compared"),
        ({"cautions": (Caution("one-batch", ""),)}, "; this rests on one batch of it"),
        ({"cautions": EXTRAPOLATED}, "; 4.0 MPa lies outside what was tested of carbonate-10 "
         "(1.0 MPa to 6.0 MPa), so this is extrapolated"),
    ],
)  # fmt: skip
def test_what_is_said(change: dict[str, object], words: str) -> None:
    row = replace(SLOWER, **change)
    assert words in sentence(row, among(row))


def test_not_separable() -> None:
    row = replace(SLOWER, shift_ci95=None, shift_p=None, probability_slower=None)
    text = sentence(row, among(row, codes=("not-separable",)))
    assert text.startswith(
        "what was tested of carbonate-10 burned 9.0 % slower than base at 4.0 MPa, but no "
        "interval can be given: without a second batch"
    )


def test_unknown_shift_gives_its_reason() -> None:
    row = replace(
        SLOWER, shift=None, shift_ci95=None, cautions=(Caution("method-confounded", "the reason"),)
    )
    text = sentence(row, among(row))
    assert text.startswith(
        "how carbonate-10 burns against base at 4.0 MPa is not known: the reason"
    )


def test_unknown_shift_may_be_the_baselines_doing() -> None:
    row = replace(SLOWER, shift=None, shift_ci95=None)
    base = replace(BASE, rate=None, cautions=(Caution("exponent-not-measured", "base lacks one"),))
    assert "is not known: base lacks one" in sentence(row, among(row, base=base))
    assert sentence(base, among(row, base=base)) == (
        "the rate of base, the baseline, is not known at 4.0 MPa"
    )


def test_extrapolated_baseline_is_named_too() -> None:
    base = replace(BASE, pressure_range=(1e6, 3e6), cautions=EXTRAPOLATED)
    assert "outside what was tested of base (1.0 MPa to 3.0 MPa)" in sentence(
        SLOWER, among(SLOWER, base=base)
    )


def test_baseline_in_the_readers_units() -> None:
    text = sentence(
        BASE,
        among(SLOWER),
        format_pressure=lambda pressure: f"{pressure / 6894.757:.0f} psi",
        format_rate=lambda rate: f"{rate / 0.0254:.3f} in/s",
    )
    assert text == (
        "base, the baseline, burns 0.276 in/s at 580 psi, between 0.268 in/s and 0.283 in/s"
    )


SLOPE = DoseSlope(
    ingredient="calcium-carbonate",
    replaces="sorbitol",
    formulations=("carbonate-10", "carbonate-20"),
    amounts=(0.1, 0.2),
    percent_per_percent=-0.9,
    ci95=(-1.2, -0.6),
)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({}, "each percent of the sorbitol replaced by calcium-carbonate makes the burn rate "
         "0.9 % slower, between 0.6 and 1.2 %"),
        ({"replaces": "all", "ci95": (-2.0, 0.5)}, "each percent of the mixture replaced by "
         "calcium-carbonate shows no measurable change in burn rate: between 2.0 % slower and "
         "0.5 % faster"),
        ({"replaces": "on-top", "percent_per_percent": 4.0, "ci95": None},
         "each part of calcium-carbonate per hundred, added on top, went with a burn rate 4.0 % "
         "faster; no interval can be given"),
        ({"percent_per_percent": None, "ci95": None}, "each percent of the sorbitol replaced by "
         "calcium-carbonate: no slope can be given"),
    ],
)  # fmt: skip
def test_dose(change: dict[str, object], text: str) -> None:
    assert dose_sentence(replace(SLOPE, **change)) == text


def test_spreads_are_told_with_whose_they_are() -> None:
    even = among(SLOWER)
    assert spread_sentence(even) == (
        "standard deviation of the rate: 2.0 % from batch to batch, 1.0 % from test to test within "
        "a batch"
    )
    wild = replace(SLOWER, cautions=(Caution("tests-scatter-more", ""),))
    told = spread_sentence(among(wild))
    assert "of all formulations together (carbonate-10 spreads more, see there): 2.0 %" in told
    assert spread_sentence(replace(even, between_batch_sd=None, within_batch_sd=None)) == ""


def test_a_spread_that_no_repeated_batch_shows_is_said_to_be_unknown() -> None:
    assert spread_sentence(replace(among(SLOWER), between_batch_sd=None)) == (
        "standard deviation of the rate: not known from batch to batch, 1.0 % from test to test "
        "within a batch"
    )


@pytest.mark.parametrize(
    ("interval", "words"),
    [
        # Each end has the digits that it needs itself; from own reading of the rule.
        ((-0.999998, 34.0), "between 99.9998 % slower and 3400 % faster"),
        ((-0.4, 5e5), "between 40 % slower and more than 10000 % faster"),
        ((-0.00004, 0.00002), "between 0.00 % slower and 0.00 % faster"),
    ],
)
def test_an_end_of_an_interval_has_no_more_digits_than_it_needs(
    interval: tuple[float, float], words: str
) -> None:
    row = replace(SLOWER, shift=0.0, shift_ci95=interval)
    assert words in sentence(row, among(row))
