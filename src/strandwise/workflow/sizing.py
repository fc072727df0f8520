"""A campaign's propellants in a motor that is still to be sized: throat, burn rate, dose, grain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.forecast import (
    IN_SI,
    SMALL_PORT,
    neutral_grain,
    size_dose,
    size_rate,
    size_throat,
    sizing_temperature,
    temperature_cautions,
)
from strandwise.workflow.forecast import (
    anchor_of,
    forecast_formulations,
    law_cautions,
    law_source,
    with_sensitivity,
)
from strandwise.workflow.motor_design import design_of
from strandwise.workflow.tracking import analyse_campaign, compare_campaign

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from strandwise.forecast import DoseSize, DrillName, NeutralGrain, RateSize, ThroatSize, Wording
    from strandwise.records import MotorRecord
    from strandwise.workflow.fitting import Fitter
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["CampaignSizing", "MotorSizing", "size_campaign"]


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorSizing:
    """One formulation in one motor, sized.

    Parameters
    ----------
    formulation
        Name.
    throat
        For the wanted pressure; None where no throat does it.
    rate
        How much slower (or faster) it would have to burn with the throat as drawn; None likewise.
    why_not
        Why one of the two is missing; empty where neither is.
    """

    formulation: str
    throat: ThroatSize | None
    rate: RateSize | None
    why_not: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class CampaignSizing:
    """A motor sized for a wanted upper percentile of its pressure.

    Parameters
    ----------
    motors
        By formulation.
    doses
        Of each retarder that was tested, in the baseline, for the throat as drawn.
    neutral
        How even the grain burns.
    target, percentile
        Absolute pressure, Pa, that this share of the draws is to stay below.
    drills
        Sizes in which the throat can be drilled.
    temperature
        Of the propellant, K, that the sizes are for; None: as the tests were, or unlike ones,
        which a caution tells.
    cautions
        What to heed.
    """

    motors: tuple[MotorSizing, ...]
    doses: tuple[DoseSize, ...]
    neutral: NeutralGrain
    target: float
    percentile: float
    drills: DrillName
    temperature: float | None
    cautions: tuple[Caution, ...]


def size_campaign(
    reduced: ReducedCampaign,
    motor: MotorRecord,
    target: float,
    *,
    formulations: Sequence[str] = (),
    batch: str | None = None,
    law: str = "power",
    fitter: Fitter | None = None,
    percentile: float = 0.99,
    drills: DrillName = "any",
    draws: int = 10_000,
    seed: int = 1,
    wording: Wording = IN_SI,
) -> CampaignSizing:
    """Size throat, burn rate and dose for a wanted upper percentile of the peak pressure.

    Parameters
    ----------
    reduced, motor, formulations, batch, law, fitter, draws, seed, wording
        As `forecast_campaign`.
    target
        Absolute pressure, Pa.
    percentile, drills
        As `strandwise.forecast.size_throat`.

    Raises
    ------
    RequestError, DataError
        As `forecast_campaign`, and where no size does it.
    """
    names = forecast_formulations(reduced, formulations, batch)
    anchor = anchor_of(reduced)
    analysis = analyse_campaign(reduced, baseline=anchor)
    bent = law_cautions(reduced, names, law=law, batch=batch)
    found: list[MotorSizing] = []
    cautions: dict[Caution, None] = {}
    refused: list[RequestError] = []
    temperatures: dict[str, float | None] = {}
    for name in names:
        source = law_source(reduced, name, analysis=analysis, batch=batch, law=law, fitter=fitter)
        source = with_sensitivity(source, motor)
        design, _ = design_of(reduced, motor, name)
        temperatures[name] = sizing_temperature(design, source)
        how: dict[str, Any] = {"percentile": percentile, "seed": seed, "draws": draws}
        how["wording"] = wording
        throat = rate = None
        why = ""
        try:
            throat = size_throat(design, source, target, drills=drills, **how)
            rate = size_rate(design, source, target, **how)
        except RequestError as error:
            refused.append(error)
            why = error.message
        found.append(MotorSizing(formulation=name, throat=throat, rate=rate, why_not=why))
        told = [
            *bent[name],
            *temperature_cautions(design, source, wording),
            *_narrow(throat, name),
        ]
        low, high = source.pressure_range
        if not low <= target <= high:
            text = (
                f"{name}: the pressure asked for lies outside the {wording.pressure(low)} to "
                f"{wording.pressure(high)} tested: the sizes rest on the law where no test has "
                "shown it"
            )
            told.append(Caution("extrapolated", text))
        cautions |= dict.fromkeys(told)
    if all(one.throat is None for one in found):
        raise refused[0]
    base = next((one.rate for one in found if one.formulation == anchor), None)
    doses: tuple[DoseSize, ...] = ()
    if base is not None and base.log_factor < 0.0:
        slopes = compare_campaign(reduced, baseline=anchor).doses
        doses = tuple(size_dose(slope, base) for slope in slopes)
    return CampaignSizing(
        motors=tuple(found),
        doses=doses,
        neutral=neutral_grain(motor.grain, _widest_throat(motor, found)),
        target=target,
        percentile=percentile,
        drills=drills,
        temperature=temperatures[names[0]] if len(set(temperatures.values())) == 1 else None,
        cautions=(*_unlike(temperatures, wording), *cautions),
    )


def _unlike(temperatures: Mapping[str, float | None], wording: Wording) -> Iterator[Caution]:
    """Tell formulations apart that are not sized for the same temperature."""
    if len(set(temperatures.values())) == 1:
        return
    shown = [
        f"{name} as its tests were" if t is None else f"{name} for {wording.temperature(t)}"
        for name, t in temperatures.items()
    ]
    yield Caution(
        "sized-at-unlike-temperatures",
        f"sized {', '.join(shown)}: of some it is not known what temperature does to the rate, so "
        "the sizes do not compare",
    )


def _widest_throat(motor: MotorRecord, found: Sequence[MotorSizing]) -> float:
    """The throat as drawn, or the widest that it is sized to: beside it a port is smallest."""
    sized = (one.throat.drilled_diameter for one in found if one.throat is not None)
    return max(motor.nozzle.throat_diameter, *sized, 0.0)


def _narrow(throat: ThroatSize | None, name: str) -> list[Caution]:
    ratio = None if throat is None else throat.port_to_throat
    if ratio is None or ratio >= SMALL_PORT:
        return []
    text = (
        f"{name}: with that throat the port is {ratio:.2g} throat areas at the start: the gas "
        "stream makes the core burn faster (below 1 it chokes there), and the first peak may be "
        "higher than shown; a wider core, or less propellant, goes with so wide a throat"
    )
    return [Caution("erosive-burning", text)]
