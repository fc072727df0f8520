from __future__ import annotations

import pytest

from strandwise.errors import DataError
from strandwise.formulation import (
    PROCESS_MARGIN,
    ROOM,
    BatchProcess,
    Ingredient,
    Recipe,
    elements_of,
    gas_amount,
    handling_cautions,
    heat_cautions,
    incompatibility_cautions,
    process_cautions,
    recipe_properties,
)

ZERO_CELSIUS = 273.15


def recipe(*keys: str) -> Recipe:
    fractions = {key: 1 / len(keys) for key in keys}
    return Recipe(formulation="mix", parent=None, mass_fractions=fractions, lineage=("mix",))


# Sodium bicarbonate begins to lose carbon dioxide and water near 50 degC, the monohydrate of
# dextrose its water near 83 degC, ammonium chloride sublimes near 338 degC: from memory.
@pytest.mark.parametrize(
    ("key", "celsius", "code"),
    [
        ("sodium-bicarbonate", 120, "decomposes-in-process"),
        ("sodium-bicarbonate", 35, "decomposes-in-process"),
        ("ammonium-bicarbonate", 20, "decomposes-in-process"),
        ("dextrose-monohydrate", 100, "loses-water-in-process"),
        ("ammonium-chloride", 330, "sublimes-in-process"),
        ("ammonium-nitrate", 160, "melts-in-process"),
    ],
)
def test_process_that_an_ingredient_does_not_bear(
    shipped: dict[str, Ingredient], key: str, celsius: float, code: str
) -> None:
    cautions = process_cautions(recipe(key), shipped, [293.15, celsius + ZERO_CELSIUS])
    assert [caution.code for caution in cautions] == [code]
    assert key in cautions[0].message
    assert f"{celsius} °C" in cautions[0].message
    assert "from memory" in cautions[0].message or "CRC Handbook" in cautions[0].message


@pytest.mark.parametrize(
    ("key", "celsius"),
    [
        ("sodium-bicarbonate", 25),
        ("calcium-carbonate", 180),
        ("oxamide", 180),
        # Fuels are melted on purpose, and water is no solid.
        ("sorbitol", 130),
        ("water", 60),
    ],
)
def test_process_that_an_ingredient_bears(
    shipped: dict[str, Ingredient], key: str, celsius: float
) -> None:
    assert process_cautions(recipe(key), shipped, [celsius + ZERO_CELSIUS]) == ()


def test_no_process_temperature_no_caution(shipped: dict[str, Ingredient]) -> None:
    assert process_cautions(recipe("sodium-bicarbonate"), shipped, []) == ()


@pytest.mark.parametrize(("below", "cautions"), [(PROCESS_MARGIN, 1), (PROCESS_MARGIN + 0.5, 0)])
def test_margin(below: float, cautions: int) -> None:
    table = {"x": Ingredient(key="x", role="retarder", decomposes=400.0)}
    found = process_cautions(recipe("x"), table, [400.0 - below])
    assert len(found) == cautions
    assert all("no source given" in caution.message for caution in found)
    assert all("within 20 K" in caution.message for caution in found)


def test_properties_include_process_and_incompatibility(shipped: dict[str, Ingredient]) -> None:
    mix = recipe("ammonium-nitrate", "sodium-bicarbonate", "sorbitol")
    codes = {caution.code for caution in recipe_properties(mix, shipped, [393.15]).cautions}
    assert codes == {"decomposes-in-process", "incompatible-ingredients"}


@pytest.mark.parametrize("keys", [("a", "b"), ("b", "a")])
def test_incompatibility_written_on_one_side_is_enough(keys: tuple[str, str]) -> None:
    table = {
        "a": Ingredient(key="a", role="other", incompatible=("b",)),
        "b": Ingredient(key="b", role="other"),
    }
    (caution,) = incompatibility_cautions(recipe(*keys), table)
    assert caution.code == "incompatible-ingredients"
    assert "do not mix them" in caution.message
    assert incompatibility_cautions(recipe("a", "unknown"), table) == ()


def test_nothing_is_called_safe(shipped: dict[str, Ingredient]) -> None:
    mix = recipe(*shipped)
    messages = [caution.message for caution in recipe_properties(mix, shipped, [500.0]).cautions]
    assert messages
    assert not any("safe" in message for message in messages)


# --- gas, moisture, particle size, what was not recorded ---


def test_gas_giving_retarder_in_a_melt(shipped: dict[str, Ingredient]) -> None:
    # 2 NaHCO3 -> Na2CO3 + CO2 + H2O: a gram, 1/84.01 mol, gives as many moles of gas; at 130 degC
    # and 1 atm 8.314·403.15/101325 m3 each, 0.394 litres.
    mix = recipe("potassium-nitrate", "sorbitol", "sodium-bicarbonate")
    (caution,) = process_cautions(mix, shipped, [130 + ZERO_CELSIUS])
    assert caution.code == "decomposes-in-process"
    for part in ("50 °C", "130 °C", "from memory", "394 cm³ of gas", "CO2, H2O", "press it dry"):
        assert part in caution.message


def test_gas_given_off_follows_from_the_formula(shipped: dict[str, Ingredient]) -> None:
    for ingredient in shipped.values():
        if not ingredient.gives_off:
            continue
        assert ingredient.formula is not None
        held = elements_of(ingredient.formula)
        moles, names = gas_amount(ingredient.gives_off)
        assert moles > 0
        counts = [float(part.split()[0]) for part in ingredient.gives_off.split(",")]
        for symbol in held:
            given = sum(
                count * elements_of(name).get(symbol, 0)
                for count, name in zip(counts, names, strict=True)
            )
            assert given <= held[symbol] + 1e-9, (ingredient.key, symbol)
        assert {s for name in names for s in elements_of(name)} <= set(held), ingredient.key


@pytest.mark.parametrize("text", ["CO2", "half CO2", "1 CO2,", "1 co2", "-1 CO2"])
def test_gas_must_be_readable(text: str) -> None:
    with pytest.raises(DataError, match="is no amount of a gas"):
        gas_amount(text)


def codes(mix: Recipe, table: dict[str, Ingredient], *processes: BatchProcess) -> list[str]:
    return [caution.code for caution in handling_cautions(mix, table, processes)]


def test_moisture(shipped: dict[str, Ingredient]) -> None:
    (caution,) = handling_cautions(recipe("potassium-nitrate", "sorbitol"), shipped)
    assert caution.code == "takes-up-water"
    assert caution.message.startswith("sorbitol takes up water")
    assert "mix sheet --water" in caution.message
    assert codes(recipe("potassium-nitrate", "sucrose"), shipped) == []


def test_heated_without_a_temperature_on_record(shipped: dict[str, Ingredient]) -> None:
    mix = recipe("potassium-nitrate", "sucrose", "sodium-bicarbonate")
    heated = BatchProcess(batch="B-01", process="melt-cast")
    (caution,) = handling_cautions(mix, shipped, [heated])
    assert caution.code == "process-temperature-unrecorded"
    assert "a melt is at least at 181 °C" in caution.message
    assert "press it dry" in caution.message
    assert (
        codes(mix, shipped, BatchProcess(batch="B-02", process="melted", temperature=403.0)) == []
    )
    assert codes(recipe("potassium-nitrate", "dextrose"), shipped, heated) == []


def test_particle_size(shipped: dict[str, Ingredient]) -> None:
    assert codes(recipe("potassium-nitrate", "iron-oxide"), shipped) == ["particle-size"]
    mix = recipe("potassium-nitrate", "sucrose")
    pressed = BatchProcess(batch="B-01", process="pressed dry")
    assert codes(mix, shipped, pressed) == ["particle-size-unrecorded"]
    coarse = BatchProcess(batch="B-02", process="pressed dry", particle_size="below 250 µm")
    fine = BatchProcess(batch="B-03", process="pressed dry", particle_size="below 100 µm")
    assert codes(mix, shipped, coarse) == []
    assert codes(mix, shipped, coarse, fine) == ["particle-size-differs"]


def codes_when_heated_to(
    shipped: dict[str, Ingredient], temperature: float | None, *keys: str
) -> list[str]:
    return [c.code for c in heat_cautions(recipe(*keys), shipped, temperature)]


def test_before_anybody_said_how_hot(shipped: dict[str, Ingredient]) -> None:
    # Bicarbonate from 50 degC, gypsum's water from 100 degC (from memory); chalk bears any melt.
    told = heat_cautions(recipe("sorbitol", "sodium-bicarbonate"), shipped, None)
    assert [caution.code for caution in told] == ["heat-sensitive"]
    assert "sodium-bicarbonate begins to decompose at 50 °C (from memory" in told[0].message
    assert told[0].message.endswith("press it dry, or choose another ingredient")
    both = ("calcium-sulfate-dihydrate", "sodium-bicarbonate")
    assert codes_when_heated_to(shipped, None, *both) == ["heat-sensitive"] * 2
    assert codes_when_heated_to(shipped, None, "sucrose", "calcium-carbonate") == []
    assert codes_when_heated_to(shipped, ROOM, "sorbitol", "sodium-bicarbonate") == []
    hot = 130 + ZERO_CELSIUS
    assert codes_when_heated_to(shipped, hot, "sodium-bicarbonate") == ["decomposes-in-process"]


@pytest.mark.parametrize("temperatures", [[], [293.15]])
def test_what_leaves_at_room_temperature_is_told_however_it_is_pressed(
    shipped: dict[str, Ingredient], temperatures: list[float]
) -> None:
    # Ammonium bicarbonate, from 36 degC: references differ from 36 to 60, from memory.
    told = process_cautions(recipe("ammonium-bicarbonate"), shipped, temperatures)
    assert [caution.code for caution in told] == ["decomposes-in-process"]


@pytest.mark.parametrize(
    ("process", "heated"),
    [
        ("melt-cast", True),
        ("heated in an oven", True),
        ("hot pressed", True),
        ("cooked, no vacuum", True),
        ("pressed dry, not heated", False),
        ("pressed without heat", False),
        ("rammed, unheated, in one shot", False),
    ],
)
def test_what_the_words_say_of_heat(process: str, heated: bool) -> None:
    assert BatchProcess(batch="B", process=process).is_heated is heated
