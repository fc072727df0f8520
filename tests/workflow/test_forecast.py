"""Forecasts from a campaign's files: what speaks against the law comes along."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from strandwise.errors import RequestError
from strandwise.records import find_bench, read_campaign
from strandwise.workflow.forecast import forecast_campaign, forecast_formulations, law_cautions
from strandwise.workflow.motor_design import find_motor
from strandwise.workflow.reducing import ReducedCampaign, reduce_campaign
from strandwise.workflow.sizing import size_campaign

ROOT = Path(__file__).parents[2]
PRESSURES = (0.3, 0.5, 0.8, 1.2, 1.8, 2.5, 3.5, 4.5, 5.5, 6.5, 8.0, 10.0)


def plateau(pressure: float) -> float:
    """A rate in mm/s: a plateau between two rises, as nitrate/sugar propellants have them."""
    x = math.log(pressure)
    return 9.4 * math.exp(0.6 * min(x, -0.2) + 1.2 * max(x - 1.3, 0.0))


def straight(pressure: float) -> float:
    return 7.5 * pressure**0.4


def bench(folder: Path, rate: object, noise: float = 0.01) -> ReducedCampaign:
    assert callable(rate)
    shutil.copytree(ROOT / "shared", folder / "shared")
    place = folder / "campaigns" / "bent"
    (place / "motors").mkdir(parents=True)
    rng = np.random.default_rng(8)
    batches, strands = ["batch,formulation"], ["test,batch,length (mm),time (s),pressure (MPa)"]
    for batch in ("B-1", "B-2", "B-3"):
        level = noise * rng.standard_normal()
        batches.append(f"{batch},base")
        for number, pressure in enumerate(PRESSURES):
            read = rate(pressure) * math.exp(level + noise * rng.standard_normal())
            strands.append(f"{batch}-{number},{batch},80,{80.0 / read!r},{pressure}")
    motor = (ROOT / "campaigns/demo/motors/full-size.toml").read_text(encoding="utf-8")
    motor = motor.replace("[grain]", '[grain]\ndensity = "1.77 g/cm3"')
    for name, text in (
        ("campaign.toml", 'title = "Bent"\nbaseline = "base"\naltitude = "0 m"\n'),
        (
            "formulations.toml",
            "[base]\ningredients = { potassium-nitrate = 65, sorbitol = 35 }\n",
        ),
        ("batches.csv", "\n".join(batches) + "\n"),
        ("strands.csv", "\n".join(strands) + "\n"),
        ("motors/m.toml", motor),
    ):
        (place / name).write_text(text, encoding="utf-8")
    campaign = read_campaign(find_bench(folder, stated=folder).campaign("bent")).sound()
    return reduce_campaign(campaign)


def test_tests_that_bend_away_from_the_power_law_are_told_first(tmp_path: Path) -> None:
    reduced = bench(tmp_path, plateau)
    folder = find_bench(tmp_path, stated=tmp_path).campaign("bent")
    motor = find_motor(folder, reduced.campaign, Path("m"))
    (found,) = forecast_campaign(reduced, motor, draws=100)
    first = found.cautions[0]
    assert first.code == "not-a-power-law"
    assert "base (batches B-1, B-2, B-3) bend away" in first.message
    assert "--law segmented" in first.message
    sized = size_campaign(reduced, motor, 3e6, draws=200)
    assert "not-a-power-law" in {one.code for one in sized.cautions}
    (one,) = law_cautions(reduced, ("base",), batch="B-2")["base"]
    assert "(batch B-2)" in one.message
    assert law_cautions(reduced, ("base",), law="segmented") == {"base": ()}


def test_tests_on_a_power_law_raise_no_doubt_of_it(tmp_path: Path) -> None:
    assert law_cautions(bench(tmp_path, straight), ("base",)) == {"base": ()}


def test_formulations_that_a_request_means(tmp_path: Path) -> None:
    reduced = bench(tmp_path, straight)
    assert forecast_formulations(reduced, (), None) == ("base",)
    assert forecast_formulations(reduced, ("base", "base"), None) == ("base",)
    assert forecast_formulations(reduced, (), "B-2") == ("base",)
    for names, batch, match in (
        (("bas",), None, "no formulation `bas`.*did you mean `base`"),
        ((), "B-9", "no batch `B-9`"),
        (("other",), "B-1", "batch B-1 is of base, and other was asked for"),
    ):
        with pytest.raises(RequestError, match=match):
            forecast_formulations(reduced, names, batch)


@pytest.mark.parametrize("law", ["power", "linear"])
def test_tests_that_no_reading_gives_are_told(tmp_path: Path, law: str) -> None:
    reduced = bench(tmp_path, straight, noise=0.0)
    (told,) = law_cautions(reduced, ("base",), law=law)["base"]
    assert told.code == "no-scatter"
    assert "base (batches B-1, B-2, B-3) lie closer to their law than readings" in told.message
    (one,) = law_cautions(reduced, ("base",), law=law, batch="B-2")["base"]
    assert "(batch B-2)" in one.message
    motor = find_motor(
        find_bench(tmp_path, stated=tmp_path).campaign("bent"), reduced.campaign, Path("m")
    )
    (found,) = forecast_campaign(reduced, motor, draws=100)
    assert "no-scatter" in {caution.code for caution in found.cautions}
