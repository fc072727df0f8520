"""What `mix show --equilibrium` adds: the energy of each recipe, beside its measured rate."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from strandwise.cli.common import echo_cautions, echo_text
from strandwise.cli.showing import cautions_json, percent, percents, pressure_text
from strandwise.errors import DataError, RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.formulation.equilibrium import Equilibrium
    from strandwise.records import Campaign
    from strandwise.report.labels import DisplayUnits
    from strandwise.tracking import Comparison
    from strandwise.units import Unit
    from strandwise.workflow.thermochemistry import EnergyAndRate, NoEquilibrium

__all__ = ["energy_json", "print_energy"]


def energy_json(campaign: Campaign, only: str | None, pressure: float | None) -> dict[str, Any]:
    """By formulation: its equilibrium, and what the change did to energy and rate.

    Raises
    ------
    RequestError
        The extra is not installed.
    """
    from strandwise.workflow.thermochemistry import NoEquilibrium, equilibria

    compared = _comparison(campaign, pressure)
    at = compared.pressure if compared is not None else pressure
    computed = equilibria(campaign, _alone(only, compared), pressure=at)
    heads = _heads(campaign, compared, computed)
    found: dict[str, Any] = {}
    for item in computed:
        if isinstance(item, NoEquilibrium):
            found[item.formulation] = {"equilibrium": None, "why_no_equilibrium": item.reason}
            continue
        head = heads.get(item.formulation)
        found[item.formulation] = {
            "equilibrium": _equilibrium_json(item),
            "against_baseline": None if head is None else _head_json(head),
        }
    return found


def print_energy(
    campaign: Campaign, only: str | None, pressure: float | None, units: DisplayUnits
) -> None:
    """Print the equilibria, and the changes of energy and rate against the baseline."""
    from strandwise.workflow.thermochemistry import NoEquilibrium, available, equilibria

    click.echo()
    if not available():
        from strandwise.formulation.equilibrium import INSTALL_HINT

        echo_text(f"No flame temperature and c*: the extra `thermo` is missing; {INSTALL_HINT}")
        return
    compared = _comparison(campaign, pressure)
    at = compared.pressure if compared is not None else pressure
    computed = equilibria(campaign, _alone(only, compared), pressure=at)
    found = [item for item in computed if only in (None, item.formulation)]
    _print_equilibria([item for item in found if not isinstance(item, NoEquilibrium)], units)
    for item in found:
        if isinstance(item, NoEquilibrium):
            echo_text(
                item.reason
                if item.formulation in item.reason
                else f"{item.formulation}: {item.reason}"
            )
    echo_cautions(
        (item.formulation, caution)
        for item in found
        if not isinstance(item, NoEquilibrium)
        for caution in item.cautions
    )
    heads = _heads(campaign, compared, computed)
    shown = [head for name, head in heads.items() if only in (None, name)]
    if shown and compared is not None:
        _print_heads(shown, compared, units)


def _comparison(campaign: Campaign, pressure: float | None) -> Comparison | None:
    """The comparison of the measured rates; None where the records carry none."""
    from strandwise.workflow.reducing import reduce_campaign
    from strandwise.workflow.tracking import compare_campaign

    try:
        return compare_campaign(reduce_campaign(campaign), pressure=pressure)
    except (RequestError, DataError):
        return None


def _alone(only: str | None, compared: Comparison | None) -> str | None:
    """The one formulation to compute; None for all where it is to stand beside the baseline."""
    return only if compared is None else None


def _heads(
    campaign: Campaign,
    compared: Comparison | None,
    computed: Sequence[Equilibrium | NoEquilibrium],
) -> dict[str, EnergyAndRate]:
    from strandwise.workflow.thermochemistry import energy_and_rate

    if compared is None:
        return {}
    try:
        heads = energy_and_rate(campaign, compared, computed)
        return {head.formulation: head for head in heads}
    except (RequestError, DataError):
        return {}  # the baseline has no equilibrium, which its own line says


def _flame_unit(units: DisplayUnits) -> Unit:
    """Of flame temperatures: kelvin, where the reader's own temperatures are Celsius."""
    from strandwise.units import Kind, parse_unit

    return (
        parse_unit("K", Kind.TEMPERATURE)
        if units.temperature.symbol == "degC"
        else (units.temperature)
    )


def _print_equilibria(found: list[Equilibrium], units: DisplayUnits) -> None:
    from strandwise.report.labels import in_unit, unit_text
    from strandwise.report.tables import Column, print_table

    if not found:
        return
    flame, velocity = _flame_unit(units), units.gas_velocity
    print_table(
        [
            Column("Formulation", kind="text"),
            Column("flame", unit_text(flame)),
            Column("c*", unit_text(velocity)),
            Column("γ"),
            Column("gas", "g/mol"),
            Column("all per mol of gas", "g/mol"),
            Column("condensed", "%"),
            Column("condensed products", kind="text"),
        ],
        [
            [
                item.formulation,
                f"{in_unit(item.flame_temperature, flame):.0f}",
                f"{in_unit(item.characteristic_velocity, velocity):.0f}",
                f"{item.specific_heat_ratio:.3f}",
                f"{1e3 * item.gas_molar_mass:.2f}",
                f"{1e3 * item.molar_mass:.2f}",
                f"{100 * item.condensed_fraction:.1f}",
                ", ".join(item.condensed) or "none",
            ]
            for item in found
        ],
        file=sys.stdout,
        title=f"Chemical equilibrium at {pressure_text(found[0].pressure, units)}, without losses",
        notes=(
            "c* is an upper value: heat goes into the case, and drops do not keep up with the gas.",
        ),
    )


def _print_heads(heads: list[EnergyAndRate], compared: Comparison, units: DisplayUnits) -> None:
    from strandwise.report.labels import NO_VALUE, format_interval, unit_text
    from strandwise.report.tables import Column, print_table

    def of(value: float | None) -> str:
        return NO_VALUE if value is None else f"{100 * value:+.1f}".replace("-", "−")

    flame = _flame_unit(units)
    degree = float(flame.factor)  # of a difference, in K
    at = pressure_text(compared.pressure, units)
    click.echo()
    print_table(
        [
            Column("Against " + compared.baseline, kind="text"),
            Column("flame", unit_text(flame)),
            Column("c*", "%"),
            Column("void-free density", "%"),
            Column("measured rate", "%"),
            Column("95 %", joined=True),
            Column("motor pressure by energy", "%"),
            Column("what remains, by rate", "%"),
        ],
        [
            [
                head.formulation,
                f"{head.flame_temperature_change / degree:+.0f}".replace("-", "−"),
                of(head.characteristic_velocity_change),
                of(head.density_change),
                of(head.rate_change),
                format_interval(
                    None
                    if head.rate_change_ci95 is None
                    else (100 * head.rate_change_ci95[0], 100 * head.rate_change_ci95[1]),
                    signed=True,
                ),
                of(head.pressure_change_by_energy),
                of(head.pressure_change_by_rate),
            ]
            for head in heads
        ],
        file=sys.stdout,
        title=f"What each change did to the energy, and to the rate at {at}",
        notes=(
            "The rates are compared at one pressure, where c* plays no part: where the flame is no "
            "cooler and the rate still fell, the energy does not explain it. Motor pressure: at "
            "the same Kn P ~ (c* · density · rate)^(1/(1−n)), here each head by itself; what "
            "remains of the change when the energy is set aside is the measured rate's.",
        ),
    )


def _equilibrium_json(item: Equilibrium) -> dict[str, Any]:
    return {
        "pressure_MPa": item.pressure / 1e6,
        "flame_temperature_K": item.flame_temperature,
        "characteristic_velocity_m_s": item.characteristic_velocity,
        "specific_heat_ratio": item.specific_heat_ratio,
        "gas_molar_mass_g_mol": 1e3 * item.gas_molar_mass,
        "molar_mass_g_mol": 1e3 * item.molar_mass,
        "condensed_percent": 100.0 * item.condensed_fraction,
        "condensed_products": list(item.condensed),
        "products_mol_kg": dict(item.products),
        "cautions": cautions_json(item.cautions),
    }


def _head_json(head: EnergyAndRate) -> dict[str, Any]:
    return {
        "flame_temperature_change_K": head.flame_temperature_change,
        "characteristic_velocity_change_percent": percent(head.characteristic_velocity_change),
        "density_change_percent": percent(head.density_change),
        "rate_change_percent": percent(head.rate_change),
        "rate_change_ci95": percents(head.rate_change_ci95),
        "motor_pressure_change_by_energy_percent": percent(head.pressure_change_by_energy),
        "motor_pressure_change_by_rate_percent": percent(head.pressure_change_by_rate),
    }
