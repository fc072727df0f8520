from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from strandwise.errors import RequestError
from strandwise.formulation import products
from strandwise.records import Campaign, find_bench, read_campaign
from strandwise.workflow.reducing import reduce_campaign
from strandwise.workflow.thermochemistry import (
    NoEquilibrium,
    available,
    default_gas,
    energy_and_rate,
    equilibria,
)
from strandwise.workflow.tracking import compare_campaign

ROOT = Path(__file__).parents[2]
needs_extra = pytest.mark.skipif(not available(), reason="the extra `thermo` is not installed")


def demo(folder: Path, formulations: str = "") -> Campaign:
    shutil.copytree(ROOT / "campaigns" / "demo", folder / "campaigns" / "demo")
    shutil.copytree(ROOT / "shared", folder / "shared")
    path = folder / "campaigns/demo/formulations.toml"
    path.write_text(path.read_text(encoding="utf-8") + formulations, encoding="utf-8")
    return read_campaign(find_bench(folder, stated=folder).campaign("demo")).sound()


@needs_extra
def test_default_gas_is_that_of_the_equilibrium(tmp_path: Path) -> None:
    campaign = demo(tmp_path)
    gas = default_gas(campaign, "base", 6.895e6)
    # Published theory for 65/35 potassium nitrate/sorbitol (MSc thesis, Delft): c* 911 m/s.
    assert gas.characteristic_velocity == pytest.approx(911.0, rel=0.01)
    assert gas.specific_heat_ratio == pytest.approx(1.13, abs=0.01)
    # Without a stated pressure it is the campaign's reference, 3.5 MPa.
    (found,) = equilibria(campaign, "base")
    assert not isinstance(found, NoEquilibrium)
    assert found.pressure == pytest.approx(3.5e6)


def test_default_gas_without_the_extra_is_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(products, "cantera", None)
    gas = default_gas(demo(tmp_path), "base")
    assert (gas.characteristic_velocity, gas.specific_heat_ratio) == (None, None)


OTHER = "[other]\ningredients = { potassium-nitrate = 65, maltitol = 35 }\n"


@needs_extra
def test_a_formulation_without_equilibrium_says_why_and_gives_no_gas(tmp_path: Path) -> None:
    campaign = demo(tmp_path, OTHER)
    found = {item.formulation: item for item in equilibria(campaign)}
    assert isinstance(found["other"], NoEquilibrium)
    assert "maltitol" in found["other"].reason
    assert not isinstance(found["base"], NoEquilibrium)
    assert default_gas(campaign, "other").characteristic_velocity is None
    with pytest.raises(RequestError, match="enthalpy of formation is known of maltitol"):
        equilibria(campaign, "other")
    with pytest.raises(RequestError, match="there is no formulation `bas`"):
        equilibria(campaign, "bas")


@needs_extra
def test_both_heads_of_a_change(tmp_path: Path) -> None:
    campaign = demo(tmp_path, OTHER)
    comparison = compare_campaign(reduce_campaign(campaign), pressure=4e6)
    found = {item.formulation: item for item in equilibria(campaign, pressure=4e6)}
    heads = {head.formulation: head for head in energy_and_rate(campaign, comparison)}
    assert set(heads) == {"carbonate-10", "carbonate-20"}
    head, base, chalk = heads["carbonate-20"], found["base"], found["carbonate-20"]
    assert not isinstance(base, NoEquilibrium)
    assert not isinstance(chalk, NoEquilibrium)
    velocity = chalk.characteristic_velocity / base.characteristic_velocity
    # Void-free densities by hand from 2.11, 1.489 and 2.71 g/cm3.
    density = (0.65 / 2.11 + 0.35 / 1.489) / (0.65 / 2.11 + 0.28 / 1.489 + 0.07 / 2.71)
    (row,) = [r for r in comparison.formulations if r.formulation == "carbonate-20"]
    assert row.n is not None
    assert head.characteristic_velocity_change == pytest.approx(velocity - 1)
    assert head.density_change == pytest.approx(density - 1)
    # P = (a ρ c* Kn)^(1/(1−n)), Sutton and Biblarz, from memory.
    assert head.pressure_change_by_energy == pytest.approx(
        (velocity * density) ** (1 / (1 - row.n)) - 1
    )
    assert head.rate_change == row.shift
    assert energy_and_rate(campaign, comparison, list(found.values())) == tuple(heads.values())


@needs_extra
def test_a_baseline_without_equilibrium_has_nothing_beside_it(tmp_path: Path) -> None:
    campaign = demo(tmp_path, OTHER)
    comparison = compare_campaign(reduce_campaign(campaign), pressure=4e6)
    lost = NoEquilibrium(formulation="base", reason="for the test")
    with pytest.raises(RequestError, match="the baseline base has no equilibrium"):
        energy_and_rate(campaign, comparison, [lost])
