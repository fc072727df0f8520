"""What the reduction of a firing hands on: events, quality, the traces for drawing, the rates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from strandwise.findings import Caution
    from strandwise.reduction.budget import FiringBudget
    from strandwise.reduction.chain import Chain
    from strandwise.reduction.points import RatePoint
    from strandwise.reduction.swept import SweptRate

__all__ = ["Events", "FiringReduction", "Quality", "TraceSeries"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Quality:
    """Whether a trace is fit for a burn rate, by NASA SP-8039 (1971) p. 74.

    Parameters
    ----------
    spread
        Half of highest minus lowest over their mean, within the burn after its first tenth;
        neutral is 0.10 or less.
    burn_over_action
        Burn time over action time; fit is 0.87 or more.
    tail_fraction
        Integral of the tail-off over that of the action time; fit is 0.05 or less.
    """

    spread: float
    burn_over_action: float
    tail_fraction: float

    @property
    def neutral(self) -> bool:
        """Within ±10 %."""
        return self.spread <= 0.10

    @property
    def fit(self) -> bool:
        """Neutral, and ending sharply by both rules."""
        return self.neutral and self.burn_over_action >= 0.87 and self.tail_fraction <= 0.05


@dataclass(frozen=True, kw_only=True, slots=True)
class Events:
    """Instants of one firing on the trace's own clock, s, and how they were found.

    Parameters
    ----------
    ignition, web_burnout, end
        Start of burning, end of the web, end of action.
    latest_burnout
        When the mean of an uneven web may have burnt through at the latest; None where a person
        set the burnout.
    burn_time_sd
        Standard uncertainty of `web_burnout` − `ignition`: sampling, and how far the named
        rules disagree.
    peak, peak_time
        Highest zeroed value, in the channel's SI unit, and its instant.
    values
        The channel, despiked, turned upright and zeroed; same length as the time given.
    zero_level
        The reading that was taken as zero at the ignition, in the channel's SI unit.
    zero_sd
        Standard uncertainty of the zero level.
    rules
        The rule used for each event, and what each rule that was tried gave.
    """

    ignition: float
    web_burnout: float
    end: float
    burn_time_sd: float
    peak: float
    peak_time: float
    values: NDArray[np.float64]
    zero_level: float
    zero_sd: float
    quality: Quality
    rules: tuple[str, ...]
    latest_burnout: float | None = None
    account: tuple[str, ...] = ()
    cautions: tuple[Caution, ...] = ()

    @property
    def burn_time(self) -> float:
        """From ignition to web burnout, s."""
        return self.web_burnout - self.ignition

    @property
    def action_time(self) -> float:
        """From ignition to the end of action, s."""
        return self.end - self.ignition


@dataclass(frozen=True, kw_only=True, slots=True)
class TraceSeries:
    """The cleaned channels of one firing, for drawing; all of one length.

    Parameters
    ----------
    time
        s, the trace's own clock.
    pressure
        Absolute, Pa, measured or from thrust; None where neither could be had.
    thrust
        Zeroed, N; None without a thrust channel.
    """

    time: NDArray[np.float64]
    pressure: NDArray[np.float64] | None
    thrust: NDArray[np.float64] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class FiringReduction:
    """What one firing gave; SI units, absolute pressures, None where a value cannot be had.

    Parameters
    ----------
    test, batch, formulation
        Names of the records it came from.
    ignition, web_burnout, end
        Instants on the trace's own clock, s; None for a firing read by hand.
    burn_time, burn_time_sd, action_time
        s; the standard uncertainty holds sampling and how far the rules disagree.
    mean_pressure, rate_mean_pressure, pressure_sd
        Over the burn time, Pa: time-mean; (mean of pⁿ)^(1/n); standard uncertainty of either.
    peak_pressure, peak_thrust
        Pa, N.
    mean_thrust
        Over the burn time, N.
    total_impulse
        Over the action time, N·s.
    specific_impulse
        Total impulse over the weight of the propellant, s.
    characteristic_velocity, characteristic_velocity_sd
        c* = ∫ p A_t dt / m over the action time, m/s, and its standard uncertainty.
    characteristic_velocity_ratio
        c* over the one given for the propellant, 1; None where none is given.
    thrust_coefficient, thrust_coefficient_ratio
        Mean thrust / (mean pressure · throat area) over the burn time, and that over the ideal
        one of the nozzle, 1; None unless thrust and pressure were measured each for itself.
    rate_thickness_over_time, rate_sd
        web / burn time and its standard uncertainty, m/s.
    budget
        Which readings the standard uncertainties come from; None without pressure.
    chain
        What `monte_carlo` and `match_trace` run on; None without pressure.
    swept
        The rate at every instant and the law within the firing; None where the account says why.
    rate_mass_balance
        (web / burn time) · ∫ p A_t dt over the burn / the same over the action time, m/s.
    web
        m.
    pressure_from
        Where the pressure comes from; None where there is none.
    quality, rules, account
        Fitness of the trace, the rule of each event, and what was done to the data.
    point, why_no_point
        The rate point, or the reason why there is none.
    trace_series
        For drawing; None for a firing read by hand.
    """

    test: str
    batch: str
    formulation: str
    ignition: float | None = None
    web_burnout: float | None = None
    end: float | None = None
    burn_time: float | None = None
    burn_time_sd: float | None = None
    action_time: float | None = None
    mean_pressure: float | None = None
    rate_mean_pressure: float | None = None
    pressure_sd: float | None = None
    peak_pressure: float | None = None
    peak_thrust: float | None = None
    mean_thrust: float | None = None
    total_impulse: float | None = None
    specific_impulse: float | None = None
    characteristic_velocity: float | None = None
    characteristic_velocity_sd: float | None = None
    characteristic_velocity_ratio: float | None = None
    thrust_coefficient: float | None = None
    thrust_coefficient_ratio: float | None = None
    rate_thickness_over_time: float | None = None
    rate_sd: float | None = None
    rate_mass_balance: float | None = None
    web: float
    pressure_from: Literal["gauge", "thrust", "summary"] | None = None
    quality: Quality | None = None
    rules: tuple[str, ...] = ()
    account: tuple[str, ...] = ()
    point: RatePoint | None = None
    why_no_point: str | None = None
    trace_series: TraceSeries | None = None
    budget: FiringBudget | None = None
    swept: SweptRate | None = None
    chain: Chain | None = None
    cautions: tuple[Caution, ...] = ()
