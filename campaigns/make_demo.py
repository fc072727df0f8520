"""Writes the demonstration campaign, whose truth is known: every number in it is invented.

Run ``python campaigns/make_demo.py [FOLDER]``; without a folder it writes ``demo`` beside itself.
It uses nothing of the strandwise package, so what the package makes of the files can be held
against `TRUTH` from outside. The rate laws are numbers of our own, taken from no published table.

Noise comes from `random.Random.random`, whose sequence Python promises to keep between
versions, through `NormalDist.inv_cdf`; every number is rounded before it is written, so that the
last digits of different mathematics libraries do not show. The same script writes the same bytes.

Physics (SI inside): r = r₀·(P/P₀)^n at the reference pressure P₀; chamber filling with
R·T = (Γ·c*)²; choked flow P·A_t/c*; thrust of a one-dimensional nozzle with (1 + cos α)/2 for
its divergence, as in NASA SP-8039 (1971), pp. 5, 29 and 95.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import sys
from dataclasses import dataclass
from pathlib import Path
from random import Random
from statistics import NormalDist
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["TRUTH", "main", "write_campaign"]

SEED = "teaching motor 2026"
PSI = 6894.757293168  # Pa
GRAVITY = 9.80665  # m/s²
AMBIENT = 96_500.0  # Pa


@dataclass(frozen=True, kw_only=True)
class FormulationTruth:
    """Strand law at the reference pressure, and the gas: mm/s, 1, m/s, g/cm³ without voids."""

    rate_mm_s: float
    exponent: float
    characteristic_velocity: float
    void_free_density_g_cm3: float


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What the demonstration campaign was made from; effects are natural logarithms of ratios."""

    reference_pressure_MPa: float  # noqa: N815
    formulations: dict[str, FormulationTruth]
    batches: dict[str, str]
    batch_effect: dict[str, float]
    strand_scatter: float
    motor_offset: float
    motor_effect: dict[str, float]
    specific_heat_ratio: float
    thrust_efficiency: float
    outlier: str
    outlier_factor: float
    excluded: str

    def strand_rate_mm_s(self, batch: str, pressure_MPa: float) -> float:
        """Rate of a batch at an absolute pressure, without the scatter of single strands."""
        law = self.formulations[self.batches[batch]]
        ratio = math.pow(pressure_MPa / self.reference_pressure_MPa, law.exponent)
        return law.rate_mm_s * ratio * math.exp(self.batch_effect[batch])

    def motor_rate_mm_s(self, test: str, batch: str, pressure_MPa: float) -> float:
        """Rate of the batch in one firing: the strands' rate with the motors' offset."""
        factor = math.exp(self.motor_offset + self.motor_effect[test])
        return self.strand_rate_mm_s(batch, pressure_MPa) * factor


def _formulation(rate: float, exponent: float, c_star: float, carbonate: float) -> FormulationTruth:
    """`carbonate` of the 35 parts of sorbitol replaced; crystal densities from memory."""
    void_free = 100.0 / (65.0 / 2.11 + (35.0 - carbonate) / 1.489 + carbonate / 2.71)
    return FormulationTruth(
        rate_mm_s=rate,
        exponent=exponent,
        characteristic_velocity=c_star,
        void_free_density_g_cm3=void_free,
    )


_BATCH_TRUTH = {
    "M-01": ("base", +0.012),
    "M-02": ("carbonate-10", -0.014),
    "M-03": ("carbonate-20", +0.004),
    "M-04": ("base", -0.021),
    "M-05": ("carbonate-10", +0.019),
    "M-06": ("carbonate-20", -0.017),
    "M-07": ("base", +0.006),
    "M-08": ("carbonate-10", +0.008),
    "M-09": ("carbonate-20", +0.023),
}
TRUTH = Truth(
    reference_pressure_MPa=3.5,
    formulations={
        "base": _formulation(7.60, 0.41, 893.0, 0.0),
        "carbonate-10": _formulation(7.60 * 0.91, 0.41, 888.0, 3.5),
        "carbonate-20": _formulation(7.60 * 0.83, 0.43, 881.0, 7.0),
    },
    batches={name: formulation for name, (formulation, _) in _BATCH_TRUTH.items()},
    batch_effect={name: effect for name, (_, effect) in _BATCH_TRUTH.items()},
    strand_scatter=0.016,
    motor_offset=math.log(1.07),
    motor_effect={"F-01": +0.006, "F-02": -0.011, "F-03": +0.014, "F-04": -0.004},
    specific_heat_ratio=1.13,
    thrust_efficiency=0.94,
    outlier="S-028",
    outlier_factor=1.25,
    excluded="S-015",
)


class Noise:
    """Normal deviates of one record's own stream, so that records do not disturb each other."""

    def __init__(self, name: str) -> None:
        self._random = Random(f"{SEED}/{name}")
        self._normal = NormalDist()

    def __call__(self, sd: float) -> float:
        return sd * self._normal.inv_cdf(min(max(self._random.random(), 1e-12), 1.0 - 1e-12))


# --------------------------------------------------------------------------------- batches

BATCHES = {  # mixed, process temperature (degC), share of the void-free density, notes
    "M-01": ("2026-03-07", 118, 0.958, "invented, as the whole campaign; first mix of the year"),
    "M-02": ("2026-03-08", 119, 0.962, ""),
    "M-03": ("2026-03-14", 121, 0.955, "thick, had to be spooned into the moulds"),
    "M-04": ("2026-03-28", 117, 0.964, ""),
    "M-05": ("2026-03-29", 119, 0.959, "carbonate sieved again before use"),
    "M-06": ("2026-04-11", 120, 0.953, "rainy day, covered the pot"),
    "M-07": ("2026-04-25", 118, 0.961, ""),
    "M-08": ("2026-04-26", 118, 0.966, "new bag of sorbitol"),
    "M-09": ("2026-05-09", 121, 0.957, ""),
}


def batch_density(batch: str) -> float:
    """g/cm³ as the club weighed it."""
    void_free = TRUTH.formulations[TRUTH.batches[batch]].void_free_density_g_cm3
    return round(void_free * BATCHES[batch][2], 3)


def batches_csv() -> str:
    rows = [
        (
            name,
            TRUTH.batches[name],
            mixed,
            450,
            f"{batch_density(name):.3f}",
            "melt-cast",
            hot,
            note,
        )
        for name, (mixed, hot, _, note) in BATCHES.items()
    ]
    heading = (
        "batch,formulation,mixed,mass (g),density (g/cm3),process,process_temperature (degC),notes"
    )
    return _csv(heading, rows)


# --------------------------------------------------------------------------------- strands

PRESSURES = (150, 250, 400, 600, 900)  # psig
SESSIONS = {  # date, the pressure that was burnt twice (psig)
    "M-01": ("2026-03-21", 400),
    "M-02": ("2026-03-21", 250),
    "M-03": ("2026-03-22", 600),
    "M-04": ("2026-04-05", 250),
    "M-05": ("2026-04-05", 400),
    "M-06": ("2026-04-18", 400),
    "M-07": ("2026-05-02", 600),
    "M-08": ("2026-05-03", 600),
    "M-09": ("2026-05-16", 250),
}
NO_SURGE_TANK = ("M-01", "M-02", "M-03")
STRAND_NOTES = {
    "S-001": "invented data, see campaign.toml",
    "S-004": "window sooted at once, wires were fine",
    "S-015": "strand kept, for the record",
    "S-019": "surge tank fitted, the needle stands still now",
    "S-022": "relit, first squib was a dud",
    "S-028": "coating looked loose on one side afterwards, the wires broke cleanly though",
    "S-039": "a bit humid today",
    "S-052": "leak at the lid hissed until it was tightened",
}


def _strand(test: str, batch: str, gauge: int, noise: Noise) -> tuple[object, ...]:
    law = TRUTH.formulations[TRUTH.batches[batch]]
    start = gauge * PSI + AMBIENT + noise(2.5 * PSI)
    rise = (18.0 + noise(2.0)) * PSI if batch in NO_SURGE_TANK else 0.0
    k = law.exponent + 1.0
    mean_power = (
        ((start + rise) ** k - start**k) / (k * rise) if rise else start**law.exponent
    )  # of P^n over a linear rise
    pressure = mean_power ** (1.0 / law.exponent)
    rate = TRUTH.strand_rate_mm_s(batch, pressure / 1e6) * math.exp(noise(TRUTH.strand_scatter))
    if test == TRUTH.outlier:
        rate *= TRUTH.outlier_factor
    length = 60.0 + noise(0.5)
    time = length / rate + noise(0.02)
    exclude = ""
    if test == TRUTH.excluded:
        time += 1.4
        exclude = "lower wire never broke, the time is by eye"
    first = round((start - AMBIENT) / PSI + noise(1.5))
    last = round((start + rise - AMBIENT) / PSI + noise(1.5)) if rise else ""
    row = (f"{length + noise(0.15):.1f}", f"{time:.2f}", first, last)
    return (*row, f"{20.0 + noise(0.6):.1f}", exclude, STRAND_NOTES.get(test, ""))


def strands_csv() -> str:
    rows: list[tuple[object, ...]] = []
    for batch, (date, twice) in SESSIONS.items():
        for gauge in sorted((*PRESSURES, twice)):
            test = f"S-{len(rows) + 1:03d}"
            rows.append((test, batch, date, *_strand(test, batch, gauge, Noise(test))))
    heading = (
        "test,batch,date,length (mm),time (s),pressure (psig),pressure_end (psig),"
        "temperature (degC),exclude,notes"
    )
    return _csv(heading, rows)


# --------------------------------------------------------------------------------- motors


@dataclass(frozen=True)
class Motor:
    """One firing; degC before it, throat before and after it in mm, and what was logged."""

    test: str
    batch: str
    date: str
    temperature: float
    segments: int
    throat: float
    throat_after: float
    channels: tuple[str, ...]


MOTORS = (
    Motor("F-01", "M-04", "2026-04-12", 19.0, 2, 6.60, 6.60, ("p",)),
    Motor("F-02", "M-02", "2026-04-12", 19.0, 3, 7.20, 7.20, ("raw",)),
    Motor("F-03", "M-06", "2026-05-10", 20.5, 2, 5.90, 5.95, ("p", "raw")),
    Motor("F-04", "M-07", "2026-05-10", 20.5, 3, 7.20, 7.20, ()),
)
FIRING_NOTES = {
    "F-01": "pressure only, the cell was on loan",
    "F-02": "head end without a gauge; nozzle up on the cell",
    "F-03": "gauge and cell together for the first time; throat a little larger afterwards",
    "F-04": "logger did not start; dial and burn read from a phone camera, 240 frames a second",
}
EXIT, HALF_ANGLE = 13.0, 12.0  # mm, degrees
OUTER, CORE, LENGTH = 33.0, 16.0, 57.5  # mm, of a segment
WEB = (OUTER - CORE) / 2000.0  # m
WEB_SPREAD = 0.025  # core off centre, segments unequal: burnout smeared over this share of the web
FREE_VOLUME = 12e-6  # m³ besides the port
IGNITER_MASS, IGNITER_TIME, LIGHTING_DELAY = 0.4e-3, 0.040, 0.012  # kg, s, s
HARDWARE_MASS = 0.62  # kg on the load cell besides the propellant
STEP, DURATION = 2e-4, 2.2  # s
BEFORE, AFTER = 1.2, 2.6  # s logged before and after the squib


def burning_area(x: float, segments: int) -> float:
    """m² after x m burnt from core and ends."""
    bore, length = CORE / 1e3 + 2.0 * x, LENGTH / 1e3 - 2.0 * x
    ends = max(0.5 * math.pi * ((OUTER / 1e3) ** 2 - bore**2), 0.0)
    smear = min(max((WEB * (1.0 + WEB_SPREAD) - x) / (2.0 * WEB_SPREAD * WEB), 0.0), 1.0)
    return segments * smear * (math.pi * bore * length + ends)


def grain_volume(segments: int) -> float:
    """m³."""
    return segments * 0.25 * math.pi * (OUTER**2 - CORE**2) * LENGTH * 1e-9


def grain_mass(motor: Motor) -> float:
    """kg as weighed, to 0.1 g."""
    return round(batch_density(motor.batch) * 1e6 * grain_volume(motor.segments), 1) / 1e3


def throat_area(motor: Motor, share: float) -> float:
    """m²; the diameter moves evenly from its first to its last measured value."""
    diameter = (motor.throat + (motor.throat_after - motor.throat) * share) / 1e3
    return 0.25 * math.pi * diameter * diameter


def vandenkerckhove(gamma: float) -> float:
    power = (gamma + 1.0) / (2.0 * (gamma - 1.0))
    return math.sqrt(gamma) * math.pow(2.0 / (gamma + 1.0), power)


def critical_ratio(gamma: float) -> float:
    return math.pow(2.0 / (gamma + 1.0), gamma / (gamma - 1.0))


def flow_factor(ratio: float, gamma: float) -> float:
    """Mass flow over choked mass flow at ambient over chamber pressure `ratio`."""
    if ratio <= critical_ratio(gamma):
        return 1.0
    return 0.0 if ratio >= 1.0 else 1.0 / area_ratio(ratio, gamma)


def area_ratio(ratio: float, gamma: float) -> float:
    """Local over throat area where local over chamber pressure is `ratio`."""
    part = math.pow(ratio, 2.0 / gamma) - math.pow(ratio, (gamma + 1.0) / gamma)
    return vandenkerckhove(gamma) / math.sqrt(2.0 * gamma / (gamma - 1.0) * part)


def exit_pressure_ratio(expansion: float, gamma: float) -> float:
    low, high = 1e-4, critical_ratio(gamma)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if area_ratio(middle, gamma) < expansion else (middle, high)
    return 0.5 * (low + high)


def thrust(pressure: float, throat: float, full: float) -> float:
    """N; an overexpanded jet leaves the wall at 0.4 of the ambient pressure (common practice)."""
    gamma = TRUTH.specific_heat_ratio
    at_exit = max(full, 0.4 * AMBIENT / pressure)
    momentum = (
        vandenkerckhove(gamma)
        * math.sqrt(2.0 * gamma / (gamma - 1.0) * (1.0 - at_exit ** ((gamma - 1.0) / gamma)))
        * 0.5
        * (1.0 + math.cos(math.radians(HALF_ANGLE)))
    )
    push = momentum + (at_exit - AMBIENT / pressure) * area_ratio(at_exit, gamma)
    opening = flow_factor(AMBIENT / pressure, gamma)
    return TRUTH.thrust_efficiency * opening * push * pressure * throat


@dataclass(frozen=True)
class State:
    """Noise-free instants of a burn: s from the squib, Pa, N, m burnt, kg burnt."""

    time: float
    pressure: float
    thrust: float
    burnt: float
    consumed: float


class Chamber:
    """Slopes of chamber pressure, web and mass of one motor."""

    def __init__(self, motor: Motor) -> None:
        truth = TRUTH.formulations[TRUTH.batches[motor.batch]]
        self.motor = motor
        self.exponent, self.c_star = truth.exponent, truth.characteristic_velocity
        self.gas = (vandenkerckhove(TRUTH.specific_heat_ratio) * self.c_star) ** 2  # R·T
        self.density = grain_mass(motor) / grain_volume(motor.segments)
        self.port = motor.segments * 0.25 * math.pi * CORE**2 * LENGTH * 1e-9 + FREE_VOLUME
        self.reference = TRUTH.reference_pressure_MPa * 1e6
        rate = TRUTH.motor_rate_mm_s(motor.test, motor.batch, TRUTH.reference_pressure_MPa)
        self.reference_rate = rate / 1e3

    def slopes(self, t: float, p: float, x: float, m: float) -> tuple[float, float, float]:
        area = burning_area(x, self.motor.segments)
        rate = 0.0
        if t >= LIGHTING_DELAY and area > 0.0:
            rate = self.reference_rate * (p / self.reference) ** self.exponent
        igniter = 2.0 * IGNITER_MASS / IGNITER_TIME * max(1.0 - abs(2.0 * t / IGNITER_TIME - 1), 0)
        escaping = p * throat_area(self.motor, min(x / WEB, 1.0)) / self.c_star
        escaping *= flow_factor(AMBIENT / p, TRUTH.specific_heat_ratio)
        stored = (self.density - p / self.gas) * area * rate + igniter - escaping
        filling = self.gas * stored / (self.port + m / self.density)
        return filling, rate, self.density * area * rate


def simulate(motor: Motor) -> list[State]:
    """Classical Runge–Kutta steps from the squib to well after burnout."""
    slopes = Chamber(motor).slopes
    expansion = EXIT**2 / (motor.throat * motor.throat_after)
    full = exit_pressure_ratio(expansion, TRUTH.specific_heat_ratio)
    y = (AMBIENT, 0.0, 0.0)
    states: list[State] = []
    for step in range(round(DURATION / STEP)):
        t = step * STEP
        push = thrust(y[0], throat_area(motor, min(y[1] / WEB, 1.0)), full)
        states.append(State(t, y[0], push, y[1], y[2]))
        k1 = slopes(t, *y)
        k2 = slopes(t + STEP / 2, *(v + STEP / 2 * k for v, k in zip(y, k1, strict=True)))
        k3 = slopes(t + STEP / 2, *(v + STEP / 2 * k for v, k in zip(y, k2, strict=True)))
        k4 = slopes(t + STEP, *(v + STEP * k for v, k in zip(y, k3, strict=True)))
        sums = (a + 2 * b + 2 * c + d for a, b, c, d in zip(k1, k2, k3, k4, strict=True))
        p, x, m = (v + STEP / 6 * s for v, s in zip(y, sums, strict=True))
        y = (max(p, AMBIENT), x, m)
    return states


# --------------------------------------------------------------------------------- traces

CELL_ZERO, CELL_SLOPE = 61_238.0, 1_068.73  # counts, counts per N
CELL_CLOCK, GAUGE_CLOCK = 8, 2  # ms between samples
GAUGE_ZERO = {"F-01": 3.1, "F-03": -1.8}  # psi, what the gauge showed at rest
CLOCK_START = {"F-01": 48_212, "F-02": 173_905, "F-03": 20_466}  # ms since the logger woke


def trace_text(motor: Motor, states: list[State]) -> str:
    """What the logger wrote: a clock in ms, gauge in psig, raw counts of the cell."""
    noise = Noise(f"trace {motor.test}")
    alone = motor.channels == ("raw",)
    period = CELL_CLOCK if alone else GAUGE_CLOCK
    lines = [
        "# invented demonstration data: no motor was fired",
        ",".join(("millis", *motor.channels)),
    ]
    weight = (HARDWARE_MASS + grain_mass(motor)) * GRAVITY
    for number in range(round((BEFORE + AFTER) * 1e3) // period):
        stamp = number * period + (round(noise(0.4)) if alone else 0)
        index = round((stamp / 1e3 - BEFORE) / STEP)
        state = states[min(max(index, 0), len(states) - 1)]
        values = [str(CLOCK_START[motor.test] + stamp)]
        if "p" in motor.channels:
            gauge = (state.pressure - AMBIENT) / PSI + GAUGE_ZERO[motor.test] + noise(1.3)
            values.append(f"{gauge:.1f}")
        if "raw" in motor.channels:
            load = state.thrust + weight - state.consumed * GRAVITY + noise(0.35)
            values.append(str(round(CELL_ZERO + CELL_SLOPE * load)))
        lines.append(",".join(values))
    return "\n".join(lines) + "\n"


def summary_text(states: list[State]) -> str:
    """What a person reads off a filmed dial: burn time to 0.01 s, pressures to 5 psi."""
    peak = max(s.pressure for s in states) - AMBIENT
    burning = [s for s in states if s.pressure - AMBIENT > 0.1 * peak and s.burnt < WEB]
    time = burning[-1].time - burning[0].time + 0.012
    mean = sum(s.pressure - AMBIENT for s in burning) / len(burning)
    return (
        "[summary]\n"
        f'burn_time = "{time:.2f} s"\n'
        'burn_time_sd = "0.02 s"\n'
        f'mean_pressure = "{5 * round(mean / PSI / 5)} psig"\n'
        'mean_pressure_sd = "10 psi"\n'
        f'peak_pressure = "{5 * round(peak / PSI / 5)} psig"\n'
    )


def trace_table(motor: Motor, text: str) -> str:
    lines = ["[trace]", f'file = "traces/{motor.test}.csv"', 'time = "millis (ms)"']
    if "p" in motor.channels:
        lines.append('pressure = "p (psig)"')
    if "raw" in motor.channels:
        lines.append('thrust = { column = "raw", unit = "count", instrument = "cell-2" }')
    lines.append(f'sha256 = "{hashlib.sha256(text.encode()).hexdigest()}"')
    return "\n".join(lines) + "\n"


def firing_toml(motor: Motor, measured: str) -> str:
    after = ""
    if motor.throat_after != motor.throat:
        after = f'throat_diameter_after = "{motor.throat_after:.2f} mm"\n'
    return f"""\
# Invented demonstration data: no motor was fired.
batch = "{motor.batch}"
date = {motor.date}
temperature = "{motor.temperature:.1f} degC"
notes = "{FIRING_NOTES[motor.test]}"

[grain]
shape = "hollow-cylinder"
outer_diameter = "{OUTER:.1f} mm"
core_diameter = "{CORE:.1f} mm"
length = "{LENGTH:.1f} mm"
segments = {motor.segments}
inhibited = ["outer"]
mass = "{grain_mass(motor) * 1e3:.1f} g"

[nozzle]
throat_diameter = "{motor.throat:.2f} mm"
{after}exit_diameter = "{EXIT:.1f} mm"
divergence_half_angle = "{HALF_ANGLE:.0f} deg"

{measured}"""


# --------------------------------------------------------------------------------- the folder

CAMPAIGN = """\
# Invented demonstration data: no such club, no such tests. campaigns/make_demo.py writes this
# folder from rate laws of its own choosing; edit a copy, not this one.
format = 1
title = "Demonstration (invented): a chalk retarder for the teaching motor"
baseline = "base"
reference_pressure = "3.5 MPa"
ambient_pressure = "96.5 kPa"
pressure_readings = "absolute"
units = "metric"
notes = \"\"\"
Invented data. An evening class wants its teaching motor to burn longer and asks how much
calcium carbonate in place of sorbitol slows the propellant. Strands are burnt in a nitrogen
vessel with a dial in psig and two break wires; a few firings in a 38 mm case (grains of 33 mm in
liners) check the strands.
\"\"\"

[uncertainty]
length_sd = "0.2 mm"
time_sd = "0.02 s"
pressure_sd = "2 psi"

[gas]
characteristic_velocity = "890 m/s"
specific_heat_ratio = 1.13
"""

FORMULATIONS = """\
# Invented demonstration data. Parts by mass.

[base]
ingredients = { potassium-nitrate = 65, sorbitol = 35 }

[carbonate-10]                       # a tenth of the sorbitol, and only of it
parent = "base"
replace = [{ ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" }]

[carbonate-20]
parent = "base"
replace = [{ ingredient = "sorbitol", share = "20 %", with = "calcium-carbonate" }]
"""


FULL_SIZE = """\
# Invented demonstration data: a motor that the club would like to cast; no such motor exists.
# `strandwise forecast demo full-size` says what it would see.
temperature = "20 degC"
notes = "four segments in the 54 mm case; throat as turned, expected to wear by 0.2 mm"

[grain]
shape = "hollow-cylinder"
outer_diameter = "46.0 mm"
core_diameter = "18.0 mm"
length = "78.0 mm"
segments = 4
inhibited = ["outer"]
core_diameter_sd = "0.15 mm"
outer_diameter_sd = "0.15 mm"
length_sd = "0.3 mm"

[nozzle]
throat_diameter = "12.00 mm"
throat_diameter_after = "12.20 mm"
throat_diameter_sd = "0.05 mm"
exit_diameter = "26.0 mm"
divergence_half_angle = "12 deg"
efficiency = 0.94

[gas]
characteristic_velocity = "890 m/s"
characteristic_velocity_sd = "10 m/s"
specific_heat_ratio = 1.13

[case]
pressure_limit = "6 MPa"
"""


def _csv(heading: str, rows: Sequence[tuple[object, ...]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([heading.split(","), *rows])
    return text.getvalue()


INSTRUMENTS = """\
# Invented, as the whole campaign: the load cell of the club's test stand. A campaign may keep
# instruments of its own here; those of shared/instruments.toml serve all campaigns of a bench.

[cell-2]
kind = "load-cell"
reading_unit = "count"
calibration = [
    { reading = 61231, load = "0 N" },
    { reading = 113702, load = "5 kgf" },
    { reading = 165968, load = "10 kgf" },
    { reading = 270930, load = "20 kgf" },
    { reading = 375611, load = "30 kgf" },
]
resolution = "0.05 N"
"""


def campaign_files() -> dict[str, str]:
    """Every file of the campaign: path within its folder, and text."""
    files = {
        "campaign.toml": CAMPAIGN,
        "formulations.toml": FORMULATIONS,
        "instruments.toml": INSTRUMENTS,
        "batches.csv": batches_csv(),
        "strands.csv": strands_csv(),
        "motors/full-size.toml": FULL_SIZE,
    }
    for motor in MOTORS:
        states = simulate(motor)
        if motor.channels:
            trace = trace_text(motor, states)
            files[f"traces/{motor.test}.csv"] = trace
            measured = trace_table(motor, trace)
        else:
            measured = summary_text(states)
        files[f"firings/{motor.test}.toml"] = firing_toml(motor, measured)
    return files


def write_campaign(folder: Path) -> None:
    for name, text in campaign_files().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())


def main(arguments: list[str]) -> None:
    if len(arguments) > 1:
        sys.exit("usage: python make_demo.py [FOLDER]")
    write_campaign(Path(arguments[0]) if arguments else Path(__file__).parent / "demo")


if __name__ == "__main__":
    main(sys.argv[1:])
