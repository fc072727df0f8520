"""The picture of recipes is checked by what stands in it; the recipes are invented."""

from __future__ import annotations

import itertools

import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.formulation import Porosity, Recipe, RecipeProperties
from strandwise.report import display_units
from strandwise.report.figures import RecipeRow, draw_recipes, picture_bytes
from strandwise.report.recipe_figure import _FILLS

METRIC = display_units("metric")
INCH_POUND = display_units("inch-pound")


def row(
    label: str,
    fractions: dict[str, float],
    *,
    balance: float | None = -14.25,
    density: float | None = 1841.0,
    density_sd: float | None = 6.6,
    measured: tuple[tuple[float, float | None], ...] = (),
    codes: tuple[str, ...] = (),
    note: str = "",
) -> RecipeRow:
    return RecipeRow(
        label=label,
        note=note,
        recipe=Recipe(formulation=label, parent=None, mass_fractions=fractions, lineage=(label,)),
        properties=RecipeProperties(
            oxygen_balance=balance,
            void_free_density=density,
            oxidiser_fraction=None,
            oxidiser_fuel_ratio=None,
            alkali="oxide",
            cautions=(),
        ),
        density_sd=density_sd,
        porosities=tuple(
            Porosity(
                value=0.04,
                sd=0.003,
                density=value,
                density_sd=sd,
                void_free_density=1841.0,
                void_free_density_sd=6.6,
            )
            for value, sd in measured
        ),
        cautions=tuple(Caution(code, "invented") for code in codes),
    )


BASE = row("base", {"nitrate": 0.65, "sugar": 0.35})
CHALK = row("chalk-5", {"nitrate": 0.65, "sugar": 0.3325, "chalk": 0.0175}, balance=-12.25)


def crowded() -> list[RecipeRow]:
    names = [f"ingredient-with-a-long-name-{number}" for number in range(12)]
    rows = [
        row(
            f"formulation-{place}-with-a-name-that-needs-several-lines-of-its-own",
            {name: 0.004 * (number + 1) for number, name in enumerate(names[:8])}
            | {names[8]: 0.856},
            note="from a parent with a long name too",
            balance=-20.0 + 5.0 * place,
            density=1700.0 + 20.0 * place,
        )
        for place in range(7)
    ]
    return [*rows, row("last", {names[0]: 0.6, names[9]: 0.1, names[10]: 0.1, names[11]: 0.2})]


def bars(ax: Axes) -> list[Rectangle]:
    return [found for found in ax.patches if isinstance(found, Rectangle)]


def words(figure: Figure) -> str:
    texts = [text.get_text() for text in figure.findobj(Text) if text.get_text().strip()]
    return "\n".join(" ".join(text.split()) for text in texts)


def test_shares_fill_the_bar_in_the_order_of_the_key_and_carry_their_numbers() -> None:
    figure = draw_recipes([BASE, CHALK], METRIC, "Formulations")
    shares, balance, density = figure.axes
    spans = [(bar.get_x(), bar.get_width(), bar.get_y()) for bar in bars(shares)]
    upper = sorted(span[:2] for span in spans if span[2] < 0.0)
    lower = sorted(span[:2] for span in spans if span[2] > 0.0)
    assert upper == [pytest.approx((0.0, 65.0)), pytest.approx((65.0, 35.0))]
    assert [width for _, width in lower] == pytest.approx([65.0, 33.25, 1.75])
    told = words(figure)
    for text in ("65", "35", "33.25", "1.75", "−14.25", "−12.25", "Formulations"):
        assert text in told.split("\n")
    (key,) = figure.legends
    assert [text.get_text() for text in key.get_texts()] == ["nitrate", "sugar", "chalk"]
    assert shares.get_xlabel() == "Mass fraction (%)"
    assert balance.get_xlabel() == "Oxygen balance (%)"
    assert density.get_xlabel() == "Density (g/cm³)"


@pytest.mark.parametrize(("first", "second"), list(itertools.combinations(_FILLS, 2)))
def test_no_two_fills_look_alike_in_grey(first: object, second: object) -> None:
    # Lightness by Rec. 709 weights; a difference of a fifth is seen (common practice, no source).
    def grey(fill: object) -> float:
        red, green, blue = to_rgb(fill.face)  # type: ignore[attr-defined]
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    other_hatch = set(first.hatch) != set(second.hatch)  # type: ignore[attr-defined]
    assert other_hatch or abs(grey(first) - grey(second)) > 0.2


def test_densities_stand_where_the_results_say_with_their_bars() -> None:
    measured = row(
        "base",
        {"nitrate": 1.0},
        measured=((1764.0, 9.0), (1775.0, None)),
        codes=("takes-up-water",),
    )
    figure = draw_recipes([measured], INCH_POUND)
    density = figure.axes[2]
    assert density.get_xlabel() == "Density (lb/in³)"
    per_inch = 27679.9047  # kg/m3 of one lb/in3 (NIST SP 811, appendix B.8)
    ends = [sorted(map(float, line.get_xdata())) for line in density.lines]
    for low, high in ((1841.0 - 6.6, 1841.0 + 6.6), (1764.0 - 9.0, 1764.0 + 9.0)):
        wanted = pytest.approx([low / per_inch, high / per_inch], rel=1e-6)
        assert any(one == wanted for one in ends)
    points = [line for line in density.lines if line.get_marker() == "o"]
    assert [float(line.get_xdata()[0]) for line in points] == pytest.approx(
        [1764.0 / per_inch, 1775.0 / per_inch], rel=1e-6
    )
    assert [line.get_markerfacecolor() == "white" for line in points] == [False, True]
    told = words(figure)
    assert "0.06651 ± 0.00024" in told
    assert "Hollow: its uncertainty is not stated." in told
    assert "Cautions, which mix spells out: takes up water." in told


def test_what_is_not_known_is_said_and_not_drawn() -> None:
    unknown = row("odd", {"secret": 1.0}, balance=None, density=None, density_sd=None)
    figure = draw_recipes([unknown], METRIC)
    _, balance, density = figure.axes
    assert not bars(balance)
    assert not density.lines
    told = words(figure)
    assert "not known" in told.split("\n")
    assert "void-free: not known" in told
    assert "Stroke" not in told


@pytest.mark.parametrize("balance", [-30.0, -0.4, 0.0, 0.3, 21.0])
def test_the_number_of_a_balance_stands_on_its_side_of_zero_and_inside(balance: float) -> None:
    figure = draw_recipes([BASE, row("other", {"nitrate": 1.0}, balance=balance)], METRIC)
    figure.draw_without_rendering()
    ax = figure.axes[1]
    zero = ax.transData.transform((0.0, 0.0))[0]
    for text in ax.texts:
        box = text.get_window_extent()
        assert box.x0 >= figure.axes[0].get_window_extent().x1
        assert box.x1 <= figure.axes[2].get_window_extent().x0
        assert (box.x1 <= zero) or (box.x0 >= zero)


def test_no_text_of_a_crowded_picture_overlaps_another_or_leaves_it() -> None:
    figure = draw_recipes(crowded(), METRIC, "Formulations of a campaign with a name")
    figure.draw_without_rendering()
    texts = [text for ax in figure.axes for text in (*ax.texts, ax.title)]
    texts += [*figure.axes[0].get_yticklabels(), *figure.legends[0].get_texts(), *figure.texts]
    texts.append(figure._suptitle)  # type: ignore[attr-defined]
    seen = [text for text in texts if text.get_text().strip()]
    for ax in figure.axes:
        seen.append(ax.xaxis.label)
    boxes = [text.get_window_extent() for text in dict.fromkeys(seen)]
    for (place, box), (other_place, other) in itertools.combinations(enumerate(boxes), 2):
        assert not box.overlaps(other), (seen[place].get_text(), seen[other_place].get_text())
    for box in boxes:
        assert box.x0 >= 0.0
        assert box.x1 <= figure.bbox.x1
        assert box.y0 >= 0.0
        assert box.y1 <= figure.bbox.y1


def test_no_recipe_is_no_picture() -> None:
    with pytest.raises(RequestError, match="a picture of no recipe"):
        draw_recipes([], METRIC)


def test_same_recipes_same_bytes() -> None:
    first, second = (picture_bytes(draw_recipes(crowded(), METRIC), ".svg") for _ in range(2))
    assert first == second
