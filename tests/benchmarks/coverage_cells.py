"""Designs of the coverage study, and what is measured in each; `coverage_study.py` runs them.

Every cell is seeded by its own name, so that it repeats exactly whatever runs beside it. All
batches are invented: r = 8 mm/s · (P/3 MPa)^0.4.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from strandwise.ratelaw import LineFits, RateSeries, fit_batches, fit_power_laws
from strandwise.tracking import Comparison, RateObservations, compare_formulations

FloatArray = npt.NDArray[np.float64]
Result = dict[str, Any]

SEED = 20260401
N, R0, MIDDLE = 0.4, 8e-3, 3.0e6  # exponent; m/s at this absolute pressure, Pa
EDGE = 1.5e6  # lowest pressure tested, Pa
SD_PRESSURE, SCATTER = 0.01, 0.02
STATED = {"true": 1.0, "unknown": 0.0, "understated": 0.5, "overstated": 2.0}


# --- one batch, one law -------------------------------------------------------------------------


@dataclass(frozen=True)
class LawCell:
    """Batches of one design, each fitted alone.

    `span` is highest over lowest pressure; the tests stand at equal steps of ln P. `noise`:
    ``readings`` 2 % uncertainty of the rate and nothing else; ``even`` 2 % scatter from test to
    test on top; ``uneven`` uncertainty from 1 % at the lowest to 4 % at the highest pressure, and
    the scatter; ``outlier`` as even, and one test, any one, 10 to 20 % off to either side.
    `stated` is what the fit is told of the uncertainties of pressure and rate.
    """

    points: int
    span: float
    stated: str
    noise: str

    @property
    def name(self) -> str:
        return f"law/{self.noise}/{self.stated}/x{self.span:g}/{self.points}"


def law_cells() -> list[LawCell]:
    noises = ("readings", "even", "uneven", "outlier")
    points, spans = (4, 5, 6, 8, 12, 20, 40), (1.5, 3.0, 8.0)
    return [
        LawCell(k, s, told, noise) for noise, told, s, k in product(noises, STATED, spans, points)
    ]


@dataclass(frozen=True, eq=False)
class Batches:
    """Simulated readings, shape (batches, points), and the Cramér–Rao bound of n's variance."""

    x: FloatArray
    y: FloatArray
    sd_x: FloatArray
    sd_y: FloatArray
    bound: float


def true_sd(cell: LawCell) -> FloatArray:
    """Standard deviation of ln r of each test, its pressure apart, shape (points,)."""
    scatter = 0.0 if cell.noise == "readings" else SCATTER
    return np.asarray(np.hypot(reading_sd(cell), scatter))


def reading_sd(cell: LawCell) -> FloatArray:
    """The part of it that can be stated, shape (points,)."""
    if cell.noise == "uneven":
        return np.geomspace(0.01, 0.04, cell.points)
    return np.full(cell.points, 0.02)


def simulate_batches(cell: LawCell, count: int, rng: np.random.Generator) -> Batches:
    shape = (count, cell.points)
    true_x = np.linspace(-0.5, 0.5, cell.points) * np.log(cell.span)
    sd_y, sd = reading_sd(cell), true_sd(cell)
    y = np.log(R0) + N * true_x + sd * rng.normal(size=shape)
    if cell.noise == "outlier":
        off = np.log1p(rng.choice([-1.0, 1.0], count) * rng.uniform(0.1, 0.2, count))
        y[np.arange(count), rng.integers(cell.points, size=count)] += off
    x = true_x + SD_PRESSURE * rng.normal(size=shape)
    # The information on n at the true pressures, which are unknowns of their own.
    weight = 1.0 / (sd**2 + (N * SD_PRESSURE) ** 2)
    mean = np.sum(weight * true_x) / np.sum(weight)
    bound = 1.0 / float(np.sum(weight * (true_x - mean) ** 2))
    stated = STATED[cell.stated]
    return Batches(
        x=x,
        y=y,
        sd_x=np.full(shape, stated * SD_PRESSURE),
        sd_y=np.broadcast_to(stated * sd_y, shape).copy(),
        bound=bound,
    )


def law_hits(fit: LineFits) -> dict[str, npt.NDArray[np.bool_]]:
    """Whether each interval holds the truth: of n, the rate at 3 MPa, and a in mm/s and MPa."""
    quantile = stdtrit(fit.df, 0.975)
    lever = np.log(MIDDLE / 1e6)
    variance_a = fit.intercept_variance - 2.0 * lever * fit.covariance
    variance_a = variance_a + lever**2 * fit.slope_variance
    off_n, off_r = fit.slope - N, fit.intercept - np.log(R0)
    return {
        "n": np.abs(off_n) <= quantile * np.sqrt(fit.slope_variance),
        "rate": np.abs(off_r) <= quantile * np.sqrt(fit.intercept_variance),
        "a": np.abs(off_r - lever * off_n) <= quantile * np.sqrt(variance_a),
    }


def run_law(cell: LawCell, count: int) -> Result:
    """Simulate one cell of `count` batches."""
    rng = np.random.default_rng([SEED, zlib.crc32(cell.name.encode())])
    slopes, told, hits, bound = [], [], [], 0.0
    at_rest = []
    for size in _chunks(count, 10_000):
        data = simulate_batches(cell, size, rng)
        mask = np.ones(data.x.shape, dtype=np.bool_)
        fit = fit_power_laws(data.x, data.y, data.sd_x, data.sd_y, mask)
        slopes.append(fit.slope)
        hits.append(law_hits(fit))
        at_rest.append(fit.converged)
        bound = data.bound
        whole = np.broadcast_to(true_sd(cell), data.x.shape)
        sd_x = np.full(data.x.shape, SD_PRESSURE)
        told.append(fit_power_laws(data.x, data.y, sd_x, whole, mask, scatter=False).slope)
    slope = np.concatenate(slopes)
    covered = {
        key: _share(np.concatenate([h[key] for h in hits]).astype(np.float64)) for key in hits[0]
    }
    # The variance of an estimate with one outlier is not that of a normal one.
    fourth = float(np.mean((slope - slope.mean()) ** 4)) / float(slope.var()) ** 2
    ratio = float(slope.var(ddof=1)) / bound
    return {
        "covered": covered,
        "bias_n": float(slope.mean()) - N,
        "bias_n_se": float(slope.std()) / float(np.sqrt(count)),
        "sd_n": float(slope.std()),
        "ratio": ratio,
        "ratio_se": ratio * float(np.sqrt(max(fourth - 1.0, 0.0) / count)),
        "ratio_told": float(np.concatenate(told).var(ddof=1)) / bound,
        "at_rest": float(np.concatenate(at_rest).mean()),
    } | (_named(cell, rng) if cell.points >= 5 else {})


def _named(cell: LawCell, rng: np.random.Generator, campaigns: int = 60) -> Result:
    """How often a test is named as an outlier, rightly and wrongly, in campaigns of six batches.

    The first batch of each is of the cell, the others are as it but without outliers.
    """
    clean = LawCell(cell.points, cell.span, cell.stated, cell.noise.replace("outlier", "even"))
    right, wrong = [], []
    for _ in range(campaigns):
        parts = [simulate_batches(cell, 1, rng), simulate_batches(clean, 5, rng)]
        series = [series_of(part, row) for part in parts for row in range(len(part.x))]
        fits = fit_batches(series, reference_pressure=MIDDLE)
        told = [any(c.code == "outlier" for c in fit.cautions) for fit in fits]
        if cell.noise == "outlier":
            right.append(float(told[0]))
        wrong.append(float(any(told[1:] if cell.noise == "outlier" else told)))
    return {
        "named": _share(np.array(right)) if right else None,
        "misnamed": _share(np.array(wrong)),
    }


def series_of(data: Batches, row: int) -> RateSeries:
    """One simulated batch as the fit takes it."""
    pressure, rate = MIDDLE * np.exp(data.x[row]), np.exp(data.y[row])
    return RateSeries(
        label=f"B{row}",
        formulation="invented",
        tests=tuple(f"T{i}" for i in range(rate.size)),
        pressure=pressure,
        rate=rate,
        pressure_sd=data.sd_x[row] * pressure,
        rate_sd=data.sd_y[row] * rate,
        kinds=("strand",) * rate.size,
    )


# --- many batches, several formulations ---------------------------------------------------------

SHIFT = -0.10  # of the rate, in the half of the campaigns in which there is one
OFFSET = 0.07  # firing over strand
SD_STRAND, SD_FIRING, SD_TESTS = 0.02, 0.015, 0.02
FORMULATIONS = ("base", "one", "two")


@dataclass(frozen=True)
class CampaignCell:
    """Campaigns of three formulations compared with each other.

    `base` batches of the baseline and `others` of each other formulation, whose levels differ by
    `scatter` (standard deviation of ln r); six tests a batch at equal steps of ln P from 1.5 to
    6 MPa, with scatter of 2 % from test to test. With `mixed` two of the six are firings, which
    read 7 % faster. With `exponents` the batches' exponents differ by that standard deviation, all
    of one rate at 3 MPa. The comparison is at `at`, Pa. Every second campaign has no shift at all,
    the rest −10 % in both others.
    """

    base: int
    others: int
    scatter: float
    stated: str
    mixed: bool
    exponents: float = 0.0
    at: float = MIDDLE

    @property
    def name(self) -> str:
        kind = "mixed" if self.mixed else "strands"
        where = f"{self.base}+{self.others}/{100 * self.scatter:g}%"
        turned = f"/n{self.exponents:g}/{self.at / 1e6:g}MPa" if self.exponents else ""
        return f"campaign/{kind}/{self.stated}/{where}{turned}"


def campaign_cells() -> list[CampaignCell]:
    numbers = ((1, 1), (3, 1), (2, 2), (3, 3), (6, 6))
    designs = [
        *product(("true", "unknown"), (False,), (0.0, 0.03, 0.06, 0.10), numbers),
        *product(("true", "unknown"), (True,), (0.0, 0.06), numbers),
        *product(("understated", "overstated"), (False, True), (0.0, 0.06), numbers[2:]),
    ]
    turning = [
        *product((False,), (0.01, 0.03), (MIDDLE,), numbers[1:]),
        *product((False,), (0.03,), (EDGE,), numbers[1:]),
        *product((True,), (0.03,), (MIDDLE,), numbers[1:]),
    ]
    return [
        *(
            CampaignCell(base, others, scatter, stated, mixed)
            for stated, mixed, scatter, (base, others) in designs
        ),
        *(
            CampaignCell(base, others, 0.06, "unknown", mixed, exponents, at)
            for mixed, exponents, at, (base, others) in turning
        ),
    ]


def simulate_campaign(
    cell: CampaignCell, shift: float, rng: np.random.Generator
) -> RateObservations:
    steps = np.geomspace(1.5e6, 6.0e6, 6)
    rows: dict[str, list[Any]] = {key: [] for key in ("batch", "formulation", "pressure", "rate")}
    firing, sd_rates = [], []
    for formulation in FORMULATIONS:
        level = np.log(R0) + (0.0 if formulation == "base" else np.log1p(shift))
        for number in range(cell.base if formulation == "base" else cell.others):
            effect = cell.scatter * rng.normal()
            n = N + (cell.exponents * rng.normal() if cell.exponents else 0.0)
            fired = np.isin(np.arange(6), rng.permutation(6)[:2]) & cell.mixed
            sd = np.where(fired, SD_FIRING, SD_STRAND)
            y = level + effect + n * np.log(steps / MIDDLE) + np.log1p(OFFSET) * fired
            y += np.hypot(sd, SD_TESTS) * rng.normal(size=6)
            rows["batch"] += [f"{formulation}-{number}"] * 6
            rows["formulation"] += [formulation] * 6
            rows["pressure"] += (steps * np.exp(SD_PRESSURE * rng.normal(size=6))).tolist()
            rows["rate"] += np.exp(y).tolist()
            firing += fired.tolist()
            sd_rates += sd.tolist()
    told = STATED[cell.stated]
    pressure, rate = np.array(rows["pressure"]), np.array(rows["rate"])
    return RateObservations(
        test=[f"T{i}" for i in range(rate.size)],
        is_firing=firing,
        pressure_sd=(told * SD_PRESSURE * pressure).tolist() if told else None,
        rate_sd=(told * np.array(sd_rates) * rate).tolist() if told else None,
        **rows,
    )


def campaign_hits(found: Comparison, shift: float, at: float = MIDDLE) -> dict[str, list[float]]:
    """Whether each interval that is given holds the truth."""
    base, *others = found.formulations
    hits: dict[str, list[float]] = {key: [] for key in ("shift", "delta_n", "rate", "offset")}

    def judge(key: str, interval: tuple[float, float] | None, truth: float) -> None:
        if interval is not None:
            hits[key].append(float(interval[0] <= truth <= interval[1]))

    rate = R0 * (at / MIDDLE) ** N
    judge("rate", base.rate_ci95, rate)
    judge("offset", found.method_offset_ci95, OFFSET)
    for one in others:
        judge("shift", one.shift_ci95, shift)
        judge("delta_n", one.n_shift_ci95, 0.0)
        judge("rate", one.rate_ci95, rate * (1.0 + shift))
    return hits


def run_campaign(cell: CampaignCell, count: int) -> Result:
    """Simulate one cell of `count` campaigns."""
    rng = np.random.default_rng([SEED, zlib.crc32(cell.name.encode())])
    hits: dict[str, list[float]] = {}
    alarms: dict[str, list[float]] = {"alarm": [], "alarm_n": [], "power": []}
    shifts, widths, codes, p_values = [], [], [], 0
    halves_n = []
    for number in range(count):
        shift = SHIFT if number % 2 else 0.0
        found = compare_formulations(
            simulate_campaign(cell, shift, rng), baseline="base", pressure=cell.at
        )
        for key, values in campaign_hits(found, shift, cell.at).items():
            if values:
                hits.setdefault(key, []).append(float(np.mean(values)))
        others = found.formulations[1:]
        seen = [p < 0.05 for one in others if (p := one.shift_p) is not None]
        if seen:
            alarms["power" if shift else "alarm"].append(
                float(np.mean(seen) if shift else any(seen))
            )
        seen_n = [p < 0.05 for one in others if (p := one.n_shift_p) is not None]
        alarms["alarm_n"].append(float(any(seen_n)))
        shifts += [np.log1p(one.shift) - np.log1p(shift) for one in others if one.shift is not None]
        widths += [np.ptp(one.shift_ci95) for one in others if one.shift_ci95 is not None]
        halves_n += [
            0.5 * (one.n_shift_ci95[1] - one.n_shift_ci95[0])
            for one in others
            if one.n_shift_ci95 is not None
        ]
        codes.append(_codes(found))
        p_values += sum(one.shift_p is not None for one in others)
    return {
        "covered": {key: _share(np.array(values)) for key, values in hits.items()},
        **{key: _share(np.array(values)) if values else None for key, values in alarms.items()},
        "bias_shift": float(np.mean(shifts)) if shifts else None,
        "sd_shift": float(np.std(shifts)) if shifts else None,
        "median_width": float(np.median(widths)) if widths else None,
        "median_half_n": float(np.median(halves_n)) if halves_n else None,
        "p_values": p_values,
        "codes": {code: float(np.mean([code in c for c in codes])) for code in set().union(*codes)},
    }


def _codes(found: Comparison) -> set[str]:
    cautions = [*found.cautions, *(c for one in found.formulations for c in one.cautions)]
    return {caution.code for caution in cautions}


def _share(values: FloatArray) -> dict[str, float]:
    """Mean of independent values from 0 to 1, and its standard error, never below one in all."""
    error = max(float(values.std()), 1.0 / np.sqrt(values.size)) / np.sqrt(values.size)
    return {"share": float(values.mean()), "se": float(error)}


def _chunks(count: int, size: int) -> list[int]:
    return [min(size, count - start) for start in range(0, count, size)]


def levels_alone(batches: int, exponents: float, count: int = 50_000) -> Result:
    """Δn by a model in which batches differ in level alone, and their exponents by `exponents`.

    Three formulations of so many batches of six tests: Student's t on the rows' scatter about
    lines of one slope for each formulation. Returned: how often its interval holds the truth, and
    its median half width.
    """
    rng = np.random.default_rng([SEED, batches])
    x = np.log(np.geomspace(1.5e6, 6.0e6, 6))
    squares = float(np.sum((x - x.mean()) ** 2))
    scatter = np.hypot(np.hypot(SD_STRAND, SD_TESTS), N * SD_PRESSURE)
    of_slopes = np.hypot(scatter, exponents * np.sqrt(squares))  # scatter that a slope's is like
    turning, rest = 3 * (batches - 1), 3 * batches * 4
    seen = of_slopes**2 * rng.chisquare(turning, count) + scatter**2 * rng.chisquare(rest, count)
    each = np.sqrt(2.0 / (batches * squares))
    half = stdtrit(turning + rest, 0.975) * each * np.sqrt(seen / (turning + rest))
    off = np.abs(each * of_slopes * rng.normal(size=count))
    return {"covered": float(np.mean(off <= half)), "half": float(np.median(half))}


def alike_by_luck(batches: int, count: int = 200_000) -> Result:
    """What Student's t on batch means does where batches do not differ at all.

    It alone covers 95 % at any spread of batches, zero included (for balanced campaigns). Three
    formulations of so many batches of six tests. Returned: in which share of campaigns the means
    scatter by less than 0.7 times what the tests' own scatter makes them, and how often its
    interval of a shift holds the truth in these.
    """
    rng = np.random.default_rng([SEED, batches])
    df = 3 * (batches - 1)
    half = stdtrit(df, 0.975) * np.sqrt(2.0 / batches)
    spread = np.sqrt(rng.chisquare(df, count) / df)
    shift = np.sqrt(2.0 / batches) * rng.normal(size=count)
    lucky = spread < 0.7
    held = np.abs(shift) <= half * spread
    return {"share": float(lucky.mean()), "covered": float(held[lucky].mean())}


def run_cell(cell: LawCell | CampaignCell, count: int) -> Result:
    """Simulate `count` batches or campaigns of any cell."""
    found = run_law(cell, count) if isinstance(cell, LawCell) else run_campaign(cell, count)
    return {"cell": cell.name, "count": count} | found
