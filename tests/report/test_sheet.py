from __future__ import annotations

import re

import pytest

from strandwise.formulation import Recipe, parse_weighings, weigh_out
from strandwise.report.sheet import sheet_of, weighings_text
from strandwise.report.sheet_page import sheet_page
from strandwise.units import Kind, parse_quantity

MIX = Recipe(
    formulation="a<b",
    parent=None,
    mass_fractions={"potassium-nitrate": 0.65, "sorbitol": 0.35},
    lineage=("a<b",),
)


def test_decimals_follow_the_scale_in_its_own_unit() -> None:
    step = parse_quantity("0.05 oz", Kind.MASS)
    mass = parse_quantity("1 lb", Kind.MASS)
    weighed = weigh_out(MIX, {}, mass.si, resolution=step.si, water={"sorbitol": 0.01})
    sheet = sheet_of(weighed, campaign="c", unit=step.unit, cautions=(), log_command="x")
    # 16 oz by definition: 10.4 and 5.6/0.99 = 5.6566 oz.
    assert [line.to_weigh for line in sheet.lines] == ["10.40", "5.65"]
    assert [line.exact for line in sheet.lines] == ["10.4000", "5.6566"]
    assert sheet.lines[1].rounding == "−0.12"
    assert sheet.lines[1].water == "1 %"
    assert (sheet.mass, sheet.scale, sheet.total) == ("16 oz", "0.05 oz", "16.05")
    # 1 % of 5.65 oz is 0.0565 oz, and 15.9935 oz are left.
    said = r"0\.05[67] oz of the total is water .* dry it weighs 15\.99[34] oz\."
    assert re.fullmatch(said, sheet.of_it_water)
    # Nothing is rounded away from 10.4 oz, and nothing has no sign.
    assert sheet.lines[0].rounding == "0.00"


@pytest.mark.parametrize("scale", ["5 g", "0.1 g", "0.01 g", "0.05 oz"])
def test_weighings_read_back(scale: str) -> None:
    step = parse_quantity(scale, Kind.MASS)
    weighed = weigh_out(MIX, {}, 0.5, resolution=step.si, water={"sorbitol": 0.005})
    read = parse_weighings(weighings_text(weighed, step.unit))
    assert [w.mass for w in read] == pytest.approx([row.to_weigh for row in weighed.rows])
    assert [w.water for w in read] == pytest.approx([0.0, 0.005])


def test_page_escapes_what_people_chose() -> None:
    weighed = weigh_out(MIX, {}, 0.5, resolution=1e-4)
    unit = parse_quantity("0.1 g", Kind.MASS).unit
    sheet = sheet_of(
        weighed, campaign="<script>", unit=unit, cautions=("a & b",), log_command="'x'"
    )
    page = sheet_page(sheet, footer="f")
    assert "<script>" not in page
    for text in ("a&lt;b", "&lt;script&gt;", "a &amp; b", "&#39;x&#39;"):
        assert text in page
