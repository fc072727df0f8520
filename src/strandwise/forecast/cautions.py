"""What a forecast's reader has to heed, each with what follows from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.findings import Caution
from strandwise.motor import HIGHEST_PRESSURE, HollowCylinder, MultiCore, port_area
from strandwise.units import digits_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from strandwise.forecast.design import MotorDesign
    from strandwise.forecast.laws import LawSource
    from strandwise.forecast.results import Forecast
    from strandwise.forecast.wording import Wording

__all__ = ["SMALL_PORT", "cautions_of", "temperature_cautions"]

_NEAR_ONE = 0.7
SMALL_PORT = 2.0
"""Port over throat area below which a core erodes; common practice, no source."""
_HIGH_FLUX = 700.0  # kg/(m²·s), about one pound a second through a square inch; common practice
_FASTER = 0.05
_WARMER = 10.0  # K
_STRANDS_LOW = (1.04, 1.12)  # motors over strands, common practice, no source
_SOME = 0.001


def cautions_of(
    forecast: Forecast, design: MotorDesign, source: LawSource, wording: Wording
) -> tuple[Caution, ...]:
    """All cautions of one forecast, the gravest first."""
    write = wording.pressure
    return (
        *_steadiness(forecast, write),
        *_greatest(forecast, wording),
        *_range(forecast, write),
        *_exponent(forecast),
        *_evidence(forecast, source),
        *_flow(forecast, design, wording.flux),
        *_room(design, wording.volume),
        *temperature_cautions(design, source, wording),
        *_tolerances(design),
    )


def _steadiness(forecast: Forecast, write: Callable[[float], str]) -> Iterator[Caution]:
    steady = forecast.steady_pressures
    if not steady:
        yield Caution(
            "no-steady-pressure",
            "the law as fitted has no steady pressure in this motor: the pressure rises without "
            "a bound, or never builds up; no figure of this forecast holds",
        )
    elif len(steady) > 1:
        shown = " and ".join(write(p) for p in steady)
        yield Caution(
            "several-steady-pressures",
            f"the law has {len(steady)} steady pressures at the largest burning area, {shown}: "
            "which one a motor settles at depends on how hard it is lit; the forecast starts at "
            "ambient pressure and takes the one it meets first, an igniter may reach the other",
        )
    if forecast.share_without_steady > 0.0:
        yield Caution(
            "no-bound",
            f"{_share(forecast.share_without_steady)} of the draws found no steady pressure below "
            f"{write(HIGHEST_PRESSURE)}: the tests do not rule out an exponent, or a rate, "
            "that bursts any case",
        )
    if forecast.share_unlit > 0.0:
        yield Caution(
            "never-lit",
            f"{_share(forecast.share_unlit)} of the draws never built up pressure from ambient: "
            "burning area over throat area may be too low to keep alight",
        )


def _greatest(forecast: Forecast, wording: Wording) -> Iterator[Caution]:
    case, value = forecast.case, forecast.greatest.value
    if case is None or (value is not None and value <= case.limit):
        return
    within = "`--size-for` says how much"
    if value is not None and (p99 := forecast.peak_pressure.p99) is not None:
        goal = wording.pressure(case.limit * p99 / value)
        within = f"`--size-for` with about {goal}, the 99 % that goes with it, says how much"
    if value is None:
        what = "the maximum expected operating pressure has no bound"
    else:
        what = f"the maximum expected operating pressure, {wording.pressure(value)}, lies above it"
    yield Caution(
        "over-case-limit",
        f"the case is stated to be made for {wording.limit(case.limit)}: {what}; a slower "
        f"propellant, a wider throat or a stronger case is needed ({within})",
    )


def _range(forecast: Forecast, write: Callable[[float], str]) -> Iterator[Caution]:
    low, high = forecast.tested
    if forecast.share_outside > _SOME:
        if forecast.extrapolated:
            code, what = (
                "extrapolated",
                "the law is then used where no test has shown that it holds",
            )
        else:
            code, what = "partly-extrapolated", "there the law is used where no test has shown it"
        yield Caution(
            code,
            f"{_share(forecast.share_outside)} of the draws leave the pressures tested, "
            f"{write(low)} to {write(high)}: {what}; test up to the pressures of the forecast",
        )
    start = forecast.lowest_pressure.median
    if start is not None and start < low / 1.02:
        yield Caution(
            "low-pressure-end",
            f"the pressure of half the draws falls to {write(start)} or less during the burn, "
            f"below the lowest at which a test was seen to burn ({write(low)}): it may burn "
            "unevenly there, or go out",
        )


def _exponent(forecast: Forecast) -> Iterator[Caution]:
    exponent, gain = forecast.exponent, forecast.amplification
    if gain is None:
        yield Caution(
            "exponent-near-one",
            f"the exponent at the forecast's pressure is {exponent:.2f}, one or more: no pressure "
            "is steady there, and a trifle more burning area or rate makes it rise without end",
        )
        return
    raised = 100.0 * ((1.0 + _FASTER) ** gain - 1.0)
    text = (
        f"pressure answers the burn rate {digits_text(gain)}-fold (1/(1 − n), n = {exponent:.2f}): "
        f"a batch that burns 5 % faster raises the pressure by {digits_text(raised)} %, and so "
        "does a burning area 5 % larger, such as a crack or a void opens"
    )
    yield Caution("exponent-near-one" if exponent > _NEAR_ONE else "amplification", text)


def _evidence(forecast: Forecast, source: LawSource) -> Iterator[Caution]:
    if source.batches == 1:
        yield Caution(
            "one-batch",
            f"{forecast.formulation} was tested in one batch: another mix may burn otherwise by "
            "more than its strands differ",
        )
    if source.batch_spread is None and source.own_batch is None:
        yield Caution(
            "batch-spread-unknown",
            "how far batches differ is not known from these tests and is left out: the spread is "
            "too narrow for a new batch; mix and test a second batch of the same formulation",
        )
    if not source.as_motor:
        gain = forecast.amplification
        more = ""
        if gain is not None:
            ends = [100.0 * (factor**gain - 1.0) for factor in _STRANDS_LOW]
            more = f", which would raise the pressure by {ends[0]:.0f} to {ends[1]:.0f} %"
        yield Caution(
            "strand-only",
            "the law is that of strands: motors commonly burn 4 to 12 % faster than strands"
            f"{more}, and {_no_firing(source)} tells by how much here; fire a small motor first",
        )
    elif source.firings == 0:
        yield Caution(
            "offset-borrowed",
            f"{_unfired(source)}: the offset between strands and motors is that of the other "
            "formulations",
        )


def _unfired(source: LawSource) -> str:
    if not source.firings_left_out:
        return f"no motor of {source.formulation} was fired"
    return f"no firing of {source.formulation} may be used ({_left_out(source)})"


def _no_firing(source: LawSource) -> str:
    if not source.firings_left_out:
        return "no firing"
    return f"no firing that may be used ({_left_out(source)})"


def _left_out(source: LawSource) -> str:
    return f"{_listed(list(source.firings_left_out))} left out"


def _flow(
    forecast: Forecast, design: MotorDesign, write: Callable[[float], str]
) -> Iterator[Caution]:
    ratio, flux = forecast.port_to_throat, forecast.mass_flux
    if ratio is None:
        return
    if ratio < 1.0:
        yield Caution(
            "port-below-throat",
            f"the port is {ratio:.2g} throat areas at the start: the gas chokes in the core before "
            "it reaches the throat, and the pressure at the head is then higher than shown; no "
            "figure of the start holds",
        )
    if design.erosion is not None:
        gas = "" if flux is None else f", where the gas flux is {write(flux)} at the start"
        yield Caution(
            "erosive-burning-stated",
            f"the core burns faster above {write(design.erosion.threshold_flux)}{gas}, as "
            "the motor's file states it: that is taken as exact, and no test here has shown it",
        )
        return
    narrow = ratio < SMALL_PORT
    strong = flux is not None and flux > _HIGH_FLUX
    if narrow or strong:
        shown = "" if flux is None else f", gas flux through it {write(flux)}"
        yield Caution(
            "erosive-burning",
            f"the port is {ratio:.2g} throat areas at the start{shown}: below 2, or above about "
            f"{write(_HIGH_FLUX)}, the gas stream itself makes the core burn faster (erosive "
            "burning), which is not in the forecast; the first peak may be higher than shown; a "
            "table [erosion] in the motor's file puts it in, where its numbers are known",
        )


def _room(design: MotorDesign, write: Callable[[float], str]) -> Iterator[Caution]:
    """A stated free volume that does not even hold the cores, which count in it."""
    port, grain = port_area(design.grain), design.grain
    if design.free_volume is None or not isinstance(grain, HollowCylinder | MultiCore):
        return
    cores = float(port or 0.0) * sum(grain.segment_lengths)
    if design.free_volume < cores:
        yield Caution(
            "free-volume-small",
            f"the free volume is stated as {write(design.free_volume)}, and the cores alone "
            f"have {write(cores)}, which count in it: filling and tail-off come out too "
            "short",
        )


def temperature_cautions(
    design: MotorDesign, source: LawSource, wording: Wording
) -> Iterator[Caution]:
    """Why the temperature that a motor may have is not allowed for, or is carried far."""
    wanted = [
        t
        for t in (design.temperature, design.temperature_low, design.temperature_high)
        if t is not None
    ]
    if not wanted:
        return
    span = source.temperature_range
    if span is None:
        yield Caution(
            "temperature-unknown",
            "the temperature of the tests is not recorded: that of the motor cannot be allowed for",
        )
        return
    # Without σ_p in it the law is that of the tests' mean temperature, however wide they span.
    allowed = span
    if source.sigma_p is None:
        usual = source.reference_temperature
        allowed = (sum(span) / 2.0,) * 2 if usual is None else (usual, usual)
    far = [t for t in wanted if not allowed[0] - _WARMER <= t <= allowed[1] + _WARMER]
    if not far:
        return
    write = wording.temperature
    shown = " and ".join(write(t) for t in far)
    tested = " to ".join(write(t) for t in span)
    if source.sigma_p is None:
        yield Caution(
            "temperature-unknown",
            f"the motor may be fired at {shown}, tests were made at {tested}, and this law does "
            f"not say how the rate changes with temperature: the forecast is for "
            f"{write(allowed[0])} alone; warm propellant burns faster and the pressure "
            "rises more than the rate. Where `strandwise fit` tells σ_p, state it in the motor's "
            "file as temperature_sensitivity; else test at those temperatures",
        )
    else:
        yield Caution(
            "extrapolated-temperature",
            f"the motor may be fired at {shown}, tests were made at {tested}: the effect of "
            "temperature is carried beyond them",
        )


def _tolerances(design: MotorDesign) -> Iterator[Caution]:
    off = design.tolerances
    exact = [
        text
        for text, value in (
            ("throat", off.throat_diameter),
            ("density", off.density),
            ("characteristic velocity", off.characteristic_velocity),
        )
        if value == 0.0
    ]
    if exact:
        yield Caution(
            "taken-as-exact",
            f"no uncertainty is known of {_listed(exact)}: taken as exact, so the spread is too "
            "narrow by what they may be off",
        )


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _share(value: float) -> str:
    percent = 100.0 * value
    return f"{percent:.0f} %" if percent >= 9.5 else f"{percent:.2g} %"
