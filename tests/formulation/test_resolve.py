from __future__ import annotations

import itertools
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.findings import Finding, Source
from strandwise.formulation import (
    ALL,
    Addition,
    FormulationSpec,
    Ingredient,
    Recipe,
    Replacement,
    resolve_recipes,
)

KEYS = ("potassium-nitrate", "sorbitol", "calcium-carbonate", "oxamide", "iron-oxide")
TABLE = {key: Ingredient(key=key, role="other") for key in KEYS} | {
    "sodium-nitrate": Ingredient(key="sodium-nitrate", role="oxidiser", formula="NaNO3")
}
BASE = {"potassium-nitrate": 65.0, "sorbitol": 35.0}


def swap(ingredient: str, share: float, replacement: str) -> Replacement:
    return Replacement(ingredient=ingredient, share=share, replacement=replacement)


def add(ingredient: str, parts: float) -> Addition:
    return Addition(ingredient=ingredient, parts=parts)


def specs_of(**tables: dict[str, Any]) -> dict[str, FormulationSpec]:
    return {
        name: FormulationSpec(
            name=name,
            source=Source("campaigns/made-up/formulations.toml", line),
            **table,
        )
        for line, (name, table) in enumerate(tables.items(), start=1)
    }


def resolved(**tables: dict[str, Any]) -> dict[str, Recipe]:
    recipes, findings = resolve_recipes(specs_of(**tables), TABLE)
    assert findings == []
    return recipes


def faults(**tables: dict[str, Any]) -> list[Finding]:
    recipes, findings = resolve_recipes(specs_of(**tables), TABLE)
    assert not {finding.source.line for finding in findings} & {
        line for line, name in enumerate(tables, start=1) if name in recipes
    }
    return findings


def only_fault(**tables: dict[str, Any]) -> Finding:
    (finding,) = faults(**tables)
    return finding


def test_steps_of_the_documentation() -> None:
    # Worked by hand: a tenth of the sorbitol, a twentieth of everything, one part per hundred.
    recipes = resolved(
        base={"ingredients": BASE},
        carbonate={"parent": "base", "replace": (swap("sorbitol", 0.1, "calcium-carbonate"),)},
        of_all={"parent": "base", "replace": (swap(ALL, 0.05, "calcium-carbonate"),)},
        on_top={"parent": "base", "add": (add("iron-oxide", 1.0),)},
    )
    expected = {
        "base": {"potassium-nitrate": 0.65, "sorbitol": 0.35},
        "carbonate": {"potassium-nitrate": 0.65, "sorbitol": 0.315, "calcium-carbonate": 0.035},
        "of_all": {"potassium-nitrate": 0.6175, "sorbitol": 0.3325, "calcium-carbonate": 0.05},
        "on_top": {
            "potassium-nitrate": 0.65 / 1.01,
            "sorbitol": 0.35 / 1.01,
            "iron-oxide": 0.01 / 1.01,
        },
    }
    for name, fractions in expected.items():
        assert recipes[name].mass_fractions == pytest.approx(fractions), name
    assert recipes["base"].parent is None
    assert recipes["base"].lineage == ("base",)
    assert recipes["of_all"].parent == "base"
    assert recipes["of_all"].lineage == ("base", "of_all")


def test_a_child_may_be_written_before_its_parent() -> None:
    recipes = resolved(
        child={"parent": "middle", "add": (add("iron-oxide", 1.0),)},
        middle={"parent": "base", "replace": (swap("sorbitol", 1.0, "oxamide"),)},
        base={"ingredients": BASE},
    )
    assert list(recipes) == ["child", "middle", "base"]
    assert recipes["child"].lineage == ("base", "middle", "child")
    assert "sorbitol" not in recipes["middle"].mass_fractions


def test_a_long_chain_resolves() -> None:
    tables: dict[str, dict[str, Any]] = {"f0": {"ingredients": BASE}}
    for number in range(1, 2000):
        tables[f"f{number}"] = {"parent": f"f{number - 1}"}
    recipes = resolved(**dict(reversed(tables.items())))
    assert len(recipes) == 2000


# --- properties ---

shares = st.floats(0.001, 0.49)
parts = st.dictionaries(st.sampled_from(KEYS), st.floats(2.0, 500.0), min_size=1)
steps = st.lists(
    st.builds(swap, st.sampled_from([*KEYS, ALL]), st.floats(0.001, 0.15), st.sampled_from(KEYS)),
    max_size=3,
)
additions = st.lists(st.builds(add, st.sampled_from(KEYS), st.floats(0.01, 50.0)), max_size=2)


def step_from(base: dict[str, float], **step: Any) -> dict[str, float]:
    recipes = resolved(base={"ingredients": base}, child={"parent": "base", **step})
    return dict(recipes["child"].mass_fractions)


@given(parts, steps, additions)
def test_fractions_are_positive_and_sum_to_one(
    base: dict[str, float], replace: list[Replacement], extra: list[Addition]
) -> None:
    present = tuple(step for step in replace if step.ingredient in (*base, ALL))
    fractions = step_from(base, replace=present, add=tuple(extra))
    assert math.fsum(fractions.values()) == pytest.approx(1.0, abs=1e-12)
    assert min(fractions.values()) > 0


@given(parts, steps, additions)
def test_order_of_steps_does_not_matter(
    base: dict[str, float], replace: list[Replacement], extra: list[Addition]
) -> None:
    present = [step for step in replace if step.ingredient in (*base, ALL)]
    outcomes = [
        step_from(base, replace=order, add=tuple(reversed(extra)))
        for order in itertools.permutations(present)
    ]
    assert all(outcome == pytest.approx(outcomes[0], abs=1e-14) for outcome in outcomes)


@given(parts, shares)
def test_replacing_an_ingredient_by_itself_changes_nothing(
    base: dict[str, float], share: float
) -> None:
    key = next(iter(base))
    total = sum(base.values())
    unchanged = {name: part / total for name, part in base.items()}
    assert step_from(base, replace=(swap(key, share, key),)) == pytest.approx(unchanged)


@given(parts, shares, st.sampled_from([ALL, "first"]))
def test_twice_the_dose_is_twice_the_change(
    base: dict[str, float], share: float, target: str
) -> None:
    ingredient = next(iter(base)) if target == "first" else ALL
    total = sum(base.values())
    single = step_from(base, replace=(swap(ingredient, share, "oxamide"),))
    double = step_from(base, replace=(swap(ingredient, 2 * share, "oxamide"),))
    for key in KEYS:
        start = base.get(key, 0.0) / total
        change = single.get(key, 0.0) - start
        assert double.get(key, 0.0) - start == pytest.approx(2 * change, abs=1e-12)


@given(parts, st.floats(0.01, 100.0))
def test_adding_on_top_equals_replacing_a_share_of_all(
    base: dict[str, float], amount: float
) -> None:
    on_top = step_from(base, add=(add("oxamide", amount),))
    of_all = step_from(base, replace=(swap(ALL, amount / (100 + amount), "oxamide"),))
    assert on_top == pytest.approx(of_all, abs=1e-12)


# --- sums ---


# Gallant et al., Chemom. Intell. Lab. Syst. 90 (2008) 49, Table 4, as a public data package
# prints it: mass fractions of coarse and fine oxidiser and binder. Row 6 is refused below.
PUBLISHED_ROWS = [
    (0.624, 0.166, 0.210),
    (0.704, 0.166, 0.130),
    (0.664, 0.176, 0.160),
    (0.514, 0.277, 0.210),
    (0.581, 0.289, 0.130),
    (0.521, 0.308, 0.171),
    (0.403, 0.387, 0.210),
    (0.408, 0.399, 0.193),
    (0.413, 0.412, 0.175),
    (0.436, 0.412, 0.153),
    (0.458, 0.412, 0.130),
]


@pytest.mark.parametrize("row", PUBLISHED_ROWS)
def test_published_fractions_that_add_up_pass(row: tuple[float, ...]) -> None:
    recipes = resolved(row={"ingredients": dict(zip(KEYS, row, strict=False))})
    assert math.fsum(recipes["row"].mass_fractions.values()) == pytest.approx(1.0)


def test_published_fractions_that_do_not_add_up_are_refused() -> None:
    row = dict(zip(KEYS, (0.664, 0.289, 0.170), strict=False))
    finding = only_fault(row={"ingredients": row})
    assert finding.code == "fractions-do-not-add-up"
    assert "1.123" in finding.message
    assert "above 1" in finding.hint
    assert str(finding.source) == "campaigns/made-up/formulations.toml:1, row.ingredients"


@pytest.mark.parametrize(
    "table",
    [
        {"ingredients": {"sorbitol": 1.0}},
        {"ingredients": {"sorbitol": 13.0, "oxamide": 7.5}},
        {"ingredients": {"sorbitol": 0.02, "oxamide": 0.08}},
        {"ingredients": {"sorbitol": 0.7, "oxamide": 0.3049}},
        {"ingredients": {"sorbitol": 60.3, "oxamide": 40.2}, "percent": True},
        {"ingredients": {"sorbitol": 65.0, "oxamide": 34.5}, "percent": True},
        {"ingredients": {"sorbitol": 65.0, "oxamide": 35.0}, "total": 100.4},
        {"ingredients": {"sorbitol": 0.9, "oxamide": 0.3}, "total": 1.2},
    ],
)
def test_sums_that_pass(table: dict[str, Any]) -> None:
    assert resolved(row=table)


@pytest.mark.parametrize(
    ("table", "code", "text"),
    [
        (
            {"ingredients": {"sorbitol": 65.0, "oxamide": 34.4}, "percent": True},
            "percent-do-not-add-up",
            "99.4 %",
        ),
        ({"ingredients": {"sorbitol": 0.65}, "percent": True}, "percent-do-not-add-up", "0.65 %"),
        ({"ingredients": {"sorbitol": 65.0}, "total": 66.0}, "total-does-not-match", "66"),
        ({"ingredients": {"sorbitol": 65.0}, "total": math.nan}, "total-does-not-match", "nan"),
        ({"ingredients": {"sorbitol": 0.7, "oxamide": 0.2}}, "fractions-do-not-add-up", "0.9"),
    ],
)
def test_sums_that_are_refused(table: dict[str, Any], code: str, text: str) -> None:
    finding = only_fault(row=table)
    assert finding.code == code
    assert text in finding.message


# --- faults ---


@pytest.mark.parametrize(
    ("table", "code", "message"),
    [
        ({}, "no-ingredients", "neither ingredients nor a parent"),
        ({"ingredients": {}}, "no-ingredients", "lists no ingredient"),
        ({"ingredients": BASE, "parent": "base"}, "ingredients-and-parent", "both"),
        ({"ingredients": BASE, "add": (add("oxamide", 1.0),)}, "steps-without-parent", "steps"),
        ({"parent": "base", "total": 100.0}, "total-without-parts", "states a total, 100"),
        ({"parent": "bass"}, "unknown-parent", "`bass`"),
        ({"parent": "child"}, "parent-cycle", "child → child"),
        ({"parent": "base", "add": (add("oxamide", 0.0),)}, "bad-parts", "0 parts of oxamide"),
        ({"parent": "base", "add": (add("oxamide", math.nan),)}, "bad-parts", "nan parts"),
        ({"parent": "base", "add": (add("oxamid", 1.0),)}, "unknown-ingredient", "`oxamid`"),
        ({"parent": "base", "add": (add(ALL, 1.0),)}, "unknown-ingredient", "`all`"),
        ({"ingredients": {"sorbitol": 65.0, "oxamide": -5.0}}, "bad-parts", "-5 parts of oxamide"),
        ({"ingredients": {"sorbitol": math.inf}}, "bad-parts", "inf parts of sorbitol"),
        (
            {"parent": "base", "replace": (swap("sorbitol", 1.1, "oxamide"),)},
            "bad-share",
            "share 110 % of sorbitol",
        ),
        (
            {"parent": "base", "replace": (swap("sorbitol", 0.0, "oxamide"),)},
            "bad-share",
            "share 0 %",
        ),
        (
            {"parent": "base", "replace": (swap("sorbitol", math.nan, "oxamide"),)},
            "bad-share",
            "share nan %",
        ),
        (
            {"parent": "base", "replace": (swap("oxamide", 0.1, "iron-oxide"),)},
            "not-in-parent",
            "child replaces oxamide, which base does not hold",
        ),
        (
            {
                "parent": "base",
                "replace": (swap("sorbitol", 0.7, "oxamide"), swap("sorbitol", 0.4, "iron-oxide")),
            },
            "shares-over-all",
            "shares of sorbitol that give way add up to 110 %",
        ),
        (
            {
                "parent": "base",
                "replace": (swap("sorbitol", 0.97, "oxamide"), swap(ALL, 0.05, "iron-oxide")),
            },
            "shares-over-all",
            "102 %, 5 % as its part of all",
        ),
        (
            {
                "parent": "base",
                "replace": (
                    swap("sorbitol", 0.1, "oxamide"),
                    swap(ALL, 0.6, "iron-oxide"),
                    swap(ALL, 0.6, "oxamide"),
                ),
            },
            "shares-over-all",
            "shares of all that give way add up to 120 %",
        ),
    ],
)
def test_each_fault_is_found_once(table: dict[str, Any], code: str, message: str) -> None:
    finding = only_fault(base={"ingredients": BASE}, child=table)
    assert finding.code == code
    assert message in finding.message
    assert finding.source.path == "campaigns/made-up/formulations.toml"
    assert finding.source.line == 2


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("sorbitl", "did you mean `sorbitol`?"),
        ("Potassium nitrate", "did you mean `potassium-nitrate`?"),
        ("NaNO3", "did you mean `sodium-nitrate`?"),
        ("moon-dust", "ingredients.toml beside the campaign's campaign.toml"),
    ],
)
def test_unknown_ingredient_is_guessed(written: str, hint: str) -> None:
    finding = only_fault(base={"ingredients": {"sorbitol": 35.0, written: 65.0}})
    assert finding.code == "unknown-ingredient"
    assert hint in finding.hint
    assert finding.source.field == f"base.ingredients.{written}"


def test_unknown_parent_is_guessed() -> None:
    finding = only_fault(base={"ingredients": BASE}, child={"parent": "bsae"})
    assert finding.hint == "did you mean `base`?"


def test_whole_of_an_ingredient_may_give_way_in_several_shares() -> None:
    fractions = step_from(
        {"sorbitol": 30.0, "oxamide": 70.0},
        replace=(
            swap("sorbitol", 0.1, "iron-oxide"),
            swap("sorbitol", 0.2, "calcium-carbonate"),
            swap("sorbitol", 0.7, "oxamide"),
        ),
    )
    assert fractions == pytest.approx(
        {"oxamide": 0.91, "iron-oxide": 0.03, "calcium-carbonate": 0.06}
    )


def test_a_cycle_is_named_in_full_and_once() -> None:
    findings = faults(
        under={"parent": "b"},
        a={"parent": "b"},
        b={"parent": "c"},
        c={"parent": "a"},
        base={"ingredients": BASE},
    )
    (finding,) = findings
    assert finding.code == "parent-cycle"
    assert "a → b → c → a" in finding.message
    assert finding.source.line == 2


def test_no_avalanche_below_a_fault_but_own_faults_are_told() -> None:
    findings = faults(
        base={"ingredients": {"sorbitl": 65.0}},
        child={"parent": "base", "replace": (swap("sorbitol", 0.1, "oxamide"),)},
        grandchild={"parent": "child", "add": (add("oxamide", -1.0),)},
    )
    assert [finding.code for finding in findings] == ["unknown-ingredient", "bad-parts"]


def test_all_faults_come_at_once_in_order_of_place() -> None:
    findings = faults(
        lonely={},
        base={"ingredients": BASE},
        over={"parent": "base", "replace": (swap("oxamide", 0.1, "iron-oxide"),)},
        lost={"parent": "nowhere", "add": (add("pixie-dust", 0.0),)},
    )
    assert [finding.code for finding in findings] == [
        "no-ingredients",
        "not-in-parent",
        "unknown-ingredient",
        "bad-parts",
        "unknown-parent",
    ]


names = st.sampled_from(["a", "b", "c", "nowhere"])
numbers = st.floats(allow_nan=True, allow_infinity=True)
wild_keys = st.sampled_from([*KEYS, ALL, "", "NaNO3"])
wild_tables = st.fixed_dictionaries(
    {},
    optional={
        "ingredients": st.none() | st.dictionaries(wild_keys, numbers, max_size=3),
        "parent": st.none() | names,
        "percent": st.booleans(),
        "total": st.none() | numbers,
        "replace": st.lists(st.builds(swap, wild_keys, numbers, wild_keys), max_size=2).map(tuple),
        "add": st.lists(st.builds(add, wild_keys, numbers), max_size=2).map(tuple),
    },
)


@given(st.dictionaries(st.sampled_from(["a", "b", "c"]), wild_tables))
def test_anything_gives_recipes_or_findings(tables: dict[str, dict[str, Any]]) -> None:
    recipes, findings = resolve_recipes(specs_of(**tables), TABLE)
    assert findings or set(recipes) == set(tables)
    for recipe in recipes.values():
        assert math.fsum(recipe.mass_fractions.values()) == pytest.approx(1.0)
