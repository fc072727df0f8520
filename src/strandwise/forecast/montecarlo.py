"""The forecast of one formulation in one motor: many draws of law, batch, method and motor."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from strandwise.errors import DataError
from strandwise.forecast.cautions import cautions_of
from strandwise.forecast.greatest import greatest_pressure
from strandwise.forecast.laws import draw_law
from strandwise.forecast.outcome import burn_motor, draw_variation, start_of_burn
from strandwise.forecast.results import CaseRisk, Forecast, SoakForecast, Wanted, spread_of
from strandwise.forecast.wording import IN_SI
from strandwise.motor import port_area, steady_pressures
from strandwise.progress import steps

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from strandwise.findings import Caution
    from strandwise.forecast.design import MotorDesign
    from strandwise.forecast.laws import DrawnLaw, LawSource
    from strandwise.forecast.outcome import MotorOutcome
    from strandwise.forecast.results import Spread
    from strandwise.forecast.wording import Wording

    Floats = NDArray[np.float64]

__all__ = ["FEWEST_DRAWS", "MOST_DRAWS", "draw_motor", "forecast_motor", "temperature_for"]

FEWEST_DRAWS = 100
MOST_DRAWS = 200_000
"""So many keep the arrays of a forecast within a few gigabytes."""

_BLOCK = 20_000
_OUTSIDE_SHARE = 0.05
_RANGE_SLACK = 1.02
_KELVIN = 0.5  # a temperature this close to that of the tests is theirs


def draw_motor(
    design: MotorDesign,
    source: LawSource,
    *,
    draws: int,
    seed: int,
    temperature: float | None = None,
    bands: bool = False,
) -> MotorOutcome:
    """Burn a motor with laws, batches and sizes drawn together.

    Parameters
    ----------
    design, source
        The motor, and what the tests say of the propellant.
    draws, seed
        How many, and from which seed.
    temperature
        Of the propellant, K; None: as the tests were.
    bands
        Whether to give pressure and thrust over time.

    Raises
    ------
    DataError
        Too few or too many draws, a seed below 0, or a temperature of unknown effect.
    """
    return _drawn_motor(design, source, draws, seed, temperature, bands=bands)[0]


def _drawn_motor(
    design: MotorDesign,
    source: LawSource,
    draws: int,
    seed: int,
    temperature: float | None,
    *,
    bands: bool = False,
) -> tuple[MotorOutcome, DrawnLaw]:
    """The outcome, and the laws of its first draws (all of them, up to a block)."""
    if not FEWEST_DRAWS <= draws <= MOST_DRAWS:
        msg = f"a forecast of {draws} draws"
        raise DataError(msg, expected=f"{FEWEST_DRAWS} to {MOST_DRAWS}")
    if seed < 0:
        msg = f"a seed of {seed}"
        raise DataError(msg, expected="0 or more")
    parts: list[MotorOutcome] = []
    laws: list[DrawnLaw] = []
    for number, first in enumerate(steps(range(0, draws, _BLOCK), "burning drawn motors")):
        count = min(_BLOCK, draws - first)
        # The motor's own draws come first: the same motors serve every formulation.
        streams = np.random.SeedSequence([seed, number]).spawn(2)
        variation = draw_variation(design, count, np.random.default_rng(streams[0]))
        laws.append(draw_law(source, count, np.random.default_rng(streams[1]), temperature))
        parts.append(burn_motor(design, laws[-1], variation, bands=bands and number == 0))
    return parts[0] if len(parts) == 1 else _joined(parts), laws[0]


def _joined(parts: list[MotorOutcome]) -> MotorOutcome:
    whole: dict[str, Any] = {
        field.name: np.concatenate([np.atleast_1d(getattr(part, field.name)) for part in parts])
        for field in dataclasses.fields(parts[0])
        if field.name != "bands"
    }
    return dataclasses.replace(parts[0], **whole)


def forecast_motor(
    design: MotorDesign,
    source: LawSource,
    *,
    draws: int = 10_000,
    seed: int = 1,
    bands: bool = False,
    wanted: Wanted | None = None,
    cautions: tuple[Caution, ...] = (),
    wording: Wording = IN_SI,
) -> Forecast:
    """Say what a formulation would do in a motor, with its spread.

    Parameters
    ----------
    design, source, draws, seed, bands
        As `draw_motor`; the design's own temperature is used.
    wanted
        What it is to do, without probabilities.
    cautions
        What the caller has to say beside.
    wording
        How cautions write quantities.

    Raises
    ------
    DataError
        As `draw_motor`.
    """
    warm = temperature_for(source, design.temperature)
    outcome, drawn = _drawn_motor(design, source, draws, seed, warm, bands=bands)
    nominal_law = source.nominal.faster(np.array([_nominal_warming(source, warm)]))
    initial_ratio, peak_ratio, start = start_of_burn(design, nominal_law)
    steady = steady_pressures(
        nominal_law.log_rate,
        peak_ratio,
        density=design.density,
        characteristic_velocity=design.characteristic_velocity,
        lowest=1.2 * design.ambient_pressure,
    )
    peak = spread_of(outcome.peak_pressure)
    times, others = _without_bound(outcome)
    low, high = source.pressure_range
    at = math.log(high if peak.median is None else peak.median)
    exponent = float(nominal_law.slope(np.array([at]))[0])
    outside = (outcome.peak_pressure > high * _RANGE_SLACK) | (
        outcome.lowest_pressure < low / _RANGE_SLACK
    )
    soaks = _soaks(design, source, draws, seed)
    greatest = greatest_pressure(design, source, drawn, outcome.peak_pressure, temperature=warm)
    found = Forecast(
        formulation=source.formulation,
        motor=design.name,
        law=source.law,
        draws=draws,
        seed=seed,
        initial_kn=initial_ratio,
        peak_kn=peak_ratio,
        peak_pressure=peak,
        start_pressure=others(outcome.start_pressure),
        burnout_pressure=others(outcome.burnout_pressure),
        lowest_pressure=others(outcome.lowest_pressure),
        mean_pressure=others(outcome.mean_pressure),
        burn_time=times(outcome.burn_time),
        action_time=times(outcome.action_time),
        peak_thrust=spread_of(outcome.peak_thrust),
        total_impulse=others(outcome.total_impulse),
        greatest=greatest,
        case=_case(design, outcome),
        wanted=None if wanted is None else _wanted(wanted, outcome),
        exponent=exponent,
        amplification=1.0 / (1.0 - exponent) if exponent < 1.0 else None,
        steady_pressures=steady,
        share_without_steady=float(outcome.runaway.mean()),
        share_unlit=float(outcome.unlit.mean()),
        share_outside=float(outside.mean()),
        tested=source.pressure_range,
        extrapolated=bool(outside.mean() > _OUTSIDE_SHARE),
        port_to_throat=_port_to_throat(design),
        mass_flux=_mass_flux(design, start),
        temperature=design.temperature,
        soaks=soaks,
        bands=outcome.bands,
        cautions=(),
        characteristic_velocity=design.characteristic_velocity,
        velocity_from=design.velocity_from,
    )
    every = (*cautions_of(found, design, source, wording), *cautions)
    return dataclasses.replace(found, cautions=every)


def _without_bound(
    outcome: MotorOutcome,
) -> tuple[Callable[[Floats], Spread], Callable[[Floats], Spread]]:
    """How times, and how all else, are summarised where some draws have no steady pressure.

    Such a draw has no burn time, which counts as shorter than any; its other figures as above all.
    A draw that never lit burns longer than any.
    """

    def times(values: Floats) -> Spread:
        return spread_of(
            np.where(outcome.runaway, -np.inf, np.where(outcome.unlit, np.inf, values))
        )

    def others(values: Floats) -> Spread:
        return spread_of(np.where(outcome.runaway, np.inf, values))

    return times, others


def temperature_for(source: LawSource, wanted: float | None) -> float | None:
    """Temperature that the law is taken to; None where the tests' own serves.

    Parameters
    ----------
    source
        What the tests say.
    wanted
        Of the propellant, K; None where not stated.
    """
    if wanted is None or source.sigma_p is None or source.reference_temperature is None:
        return None
    return None if abs(wanted - source.reference_temperature) < _KELVIN else wanted


def _nominal_warming(source: LawSource, temperature: float | None) -> float:
    if temperature is None or source.sigma_p is None or source.reference_temperature is None:
        return 0.0
    return source.sigma_p * (temperature - source.reference_temperature)


def _case(design: MotorDesign, outcome: MotorOutcome) -> CaseRisk | None:
    if design.case_limit is None:
        return None
    over = float((outcome.peak_pressure > design.case_limit).mean())
    return CaseRisk(limit=design.case_limit, probability_over=over)


def _wanted(wanted: Wanted, outcome: MotorOutcome) -> Wanted:
    both = np.ones(outcome.peak_pressure.size, dtype=bool)
    peak = time = None
    if wanted.peak_below is not None:
        kept = outcome.peak_pressure <= wanted.peak_below
        peak, both = float(kept.mean()), both & kept
    if wanted.burn_longer is not None:
        # A motor that does not light burns for ever, one that bursts not at all: neither meets it.
        kept = (outcome.burn_time >= wanted.burn_longer) & ~outcome.unlit & ~outcome.runaway
        time, both = float(kept.mean()), both & kept
    return dataclasses.replace(
        wanted, probability_peak=peak, probability_time=time, probability=float(both.mean())
    )


def _soaks(
    design: MotorDesign, source: LawSource, draws: int, seed: int
) -> tuple[SoakForecast, ...]:
    if source.sigma_p is None or source.reference_temperature is None:
        return ()
    found = []
    for temperature in (design.temperature_low, design.temperature_high):
        if temperature is None:
            continue
        outcome = draw_motor(design, source, draws=draws, seed=seed, temperature=temperature)
        risk = _case(design, outcome)
        found.append(
            SoakForecast(
                temperature=temperature,
                peak_pressure=spread_of(outcome.peak_pressure),
                burn_time=_without_bound(outcome)[0](outcome.burn_time),
                probability_over=None if risk is None else risk.probability_over,
            )
        )
    return tuple(found)


def _port_to_throat(design: MotorDesign) -> float | None:
    port = port_area(design.grain)
    return None if port is None else float(port) / design.nozzle.throat_area


def _mass_flux(design: MotorDesign, start: float) -> float | None:
    """Gas of the steady start through the port of the last segment, kg/(m²·s).

    The flux is highest at the start, when the port is smallest, unless the burn is steeply
    progressive.
    """
    port = port_area(design.grain)
    if port is None:
        return None
    flow = start * design.nozzle.throat_area
    return flow / design.characteristic_velocity / float(port)
