from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from strandwise.formulation import Addition, Replacement
from strandwise.records.formulation_files import read_formulations, read_ingredients

TABLE = Path(__file__).parents[2] / "shared" / "ingredients.toml"


def test_the_three_kinds_of_substitution(tmp_path: Path) -> None:
    path = tmp_path / "formulations.toml"
    path.write_text(
        """
[base]
ingredients = { potassium-nitrate = 65, sorbitol = "35" }
total = 100
notes = "as always"

[shares]
ingredients = { potassium-nitrate = "65 %", sorbitol = "35 %" }

[steps]
parent = "base"
replace = [
  { ingredient = "sorbitol", share = "10 %", with = "calcium-carbonate" },
  { ingredient = "all", share = "5 %", with = "oxamide" },
]

["on-top-1.5"]
parent = "base"
add = { ingredient = "iron-oxide", parts = 1.5 }
""",
        encoding="utf-8",
    )
    specs, findings, remarks = read_formulations(path, "formulations.toml")
    assert (findings, remarks) == ([], [])
    base, shares, steps, top = specs.values()
    assert base.ingredients == {"potassium-nitrate": 65.0, "sorbitol": 35.0}
    assert (base.percent, base.total, base.notes) == (False, 100.0, "as always")
    assert (shares.ingredients, shares.percent) == (base.ingredients, True)
    assert (steps.parent, steps.ingredients) == ("base", None)
    assert steps.replace == (
        Replacement(ingredient="sorbitol", share=0.1, replacement="calcium-carbonate"),
        Replacement(ingredient="all", share=0.05, replacement="oxamide"),
    )
    assert top.name == "on-top-1.5"
    assert top.add == (Addition(ingredient="iron-oxide", parts=1.5),)
    assert str(top.source) == "formulations.toml:17, on-top-1.5"


def test_the_table_that_is_shipped() -> None:
    ingredients, findings, remarks = read_ingredients(TABLE, "ingredients.toml")
    assert (findings, remarks) == ([], [])
    assert list(ingredients) == list(tomllib.loads(TABLE.read_text("utf-8")))
    # Density of potassium nitrate, 2.105 g/cm3: CRC Handbook of Chemistry and Physics, from memory.
    assert ingredients["potassium-nitrate"].density == pytest.approx(2105, rel=0.01)


@pytest.mark.parametrize(
    ("old", "new", "field", "said"),
    [
        ('role = "other"', "role = []", "chalk.role", "a list"),
        ('"2.7 g/cm3"', "2.7", "chalk.density", "`2.7` has no unit"),
        ('"2.7 g/cm3"', '"2.7 g"', "chalk.density", "mass"),
        ("true", '"yes"', "chalk.hygroscopic", "not true or false"),
        ('["water"]', '"water"', "chalk.incompatible", "no list of keys"),
        ('{ density = "book" }', "1", "chalk.source", "does not name sources"),
        ("density", "densty", "chalk.densty", "nothing reads it"),
    ],
)
def test_an_entry_at_fault(tmp_path: Path, old: str, new: str, field: str, said: str) -> None:
    path = tmp_path / "ingredients.toml"
    sound = (
        '[chalk]\nrole = "other"\ndensity = "2.7 g/cm3"\nhygroscopic = true\n'
        'incompatible = ["water"]\nsource = { density = "book" }\n'
    )
    path.write_text(sound, encoding="utf-8")
    ingredients, findings, _ = read_ingredients(path, "ingredients.toml")
    assert findings == []
    assert ingredients["chalk"].density == 2700.0
    path.write_text(sound.replace(old, new, 1), encoding="utf-8")
    ingredients, findings, _ = read_ingredients(path, "ingredients.toml")
    assert ingredients == {}
    (finding,) = findings
    assert finding.source.field == field
    assert said in finding.message
    assert finding.expected


def test_a_campaigns_own_ingredient_counts_before_the_shared(small: Any) -> None:
    small.write("ingredients.toml", '[sorbitol]\nrole = "fuel"\ndensity = "1.5 g/cm3"\n')
    campaign = small.read().sound()
    assert campaign.ingredients["sorbitol"].density == 1500.0
    assert "potassium-nitrate" in campaign.ingredients


def test_what_an_entry_may_leave_open(tmp_path: Path) -> None:
    # One text is the source of every figure; a role that nothing reads is no fault.
    path = tmp_path / "ingredients.toml"
    path.write_text(
        '[inert]\nrole = "filler"\ndensity = "2.7 g/cm3"\nsource = "handbook"\n[bare]\n',
        encoding="utf-8",
    )
    ingredients, findings, remarks = read_ingredients(path, "ingredients.toml")
    assert findings == []
    assert [remark.code for remark in remarks] == ["unknown-role"]
    assert ingredients["inert"].source == {"density": "handbook"}
    assert ingredients["inert"].role == ingredients["bare"].role == "other"
