"""A figure as SVG that stands within a page: words stay words, points can be asked their names.

The page's own style sheet colours the drawing, light and dark, and its policy forbids style
attributes: the ones that matplotlib writes become presentation attributes, which any rule of the
style sheet outranks.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.backends.backend_svg import FigureCanvasSVG

from strandwise.report.style import house_style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["Mark", "inline_svg"]

_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_MARK_RADIUS = "8"
_PIXELS_PER_POINT = 1.7
_UNPRINTABLE = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_DECIMAL = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
_REFERENCE = re.compile(r"url\(#([^)]+)\)")
_LENGTHS = frozenset({"d", "x", "y", "x1", "x2", "y1", "y2", "width", "height", "points"})
# Left to the style sheet, or no presentation attribute.
_NOT_KEPT = frozenset({"font-family", "font", "white-space"})


@dataclass(frozen=True, slots=True)
class Mark:
    """A place in a figure that says what it is.

    Parameters
    ----------
    axes
        Which of the figure's axes, counted from 0.
    x, y
        In the units of those axes.
    text
        What is said, the name first.
    """

    axes: int
    x: float
    y: float
    text: str


def inline_svg(
    figure: Figure, *, name: str, title: str, description: str, marks: Sequence[Mark] = ()
) -> Markup:
    """A figure as an `svg` element; the same figure gives the same text.

    Parameters
    ----------
    figure
        From one of the drawing functions.
    name
        Word that no other picture of the page has; the element's ids begin with it.
    title, description
        What it is, and what it shows, for those who do not see it.
    marks
        Places that can be hovered over, tapped and reached by keyboard, in reading order.
    """
    root = ET.fromstring(_UNPRINTABLE.sub("\ufffd", _drawn(figure)))
    drawing = ET.Element("g", {"aria-hidden": "true"})
    for child in root:
        if child.tag in (f"{_SVG}g", f"{_SVG}defs"):
            drawing.append(child)
    _clean(drawing, name)
    box = root.attrib["viewBox"]
    width, height = (float(number) for number in box.split()[2:])
    page = ET.Element(
        "svg",
        {
            "class": "pic",
            "viewBox": box,
            # So that letters are as large in every picture; a narrow page shrinks them all.
            "width": f"{_PIXELS_PER_POINT * width:.0f}",
            "height": f"{_PIXELS_PER_POINT * height:.0f}",
            "role": "group",
            "aria-labelledby": f"{name}-title",
            "aria-describedby": f"{name}-desc",
        },
    )
    ET.SubElement(page, "title", {"id": f"{name}-title"}).text = _clear(title)
    ET.SubElement(page, "desc", {"id": f"{name}-desc"}).text = _clear(description)
    page.append(drawing)
    if marks:
        page.append(_marks(figure, marks, width, height))
    # Everything in it comes from the tree, whose writer escapes text and attributes.
    return Markup(ET.tostring(page, encoding="unicode"))


def _drawn(figure: Figure) -> str:
    stream = io.BytesIO()
    with house_style():
        mpl.rcParams["svg.fonttype"] = "none"
        # As `savefig` does it, less a first drawing for the sake of the layout alone.
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(stream, metadata={"Creator": None, "Date": None})
    return stream.getvalue().decode("utf-8")


def _clear(text: str) -> str:
    return _UNPRINTABLE.sub("\ufffd", text)


def _clean(drawing: ET.Element, name: str) -> None:
    """Take out style sheets, ids that nothing needs, and digits that nobody sees."""
    for parent in list(drawing.iter()):
        for child in list(parent):
            if child.tag == f"{_SVG}style":
                parent.remove(child)
    # In order of appearance: the drawing's own ids depend on the last bits of its layout.
    used: dict[str, None] = {}
    for element in drawing.iter():
        for key, value in element.attrib.items():
            if key == _LINK:
                used[value[1:]] = None
            if "url(" in value:
                used.update(dict.fromkeys(match[1] for match in _REFERENCE.finditer(value)))
    names = {old: f"{name}-{number}" for number, old in enumerate(used, start=1)}
    for element in drawing.iter():
        element.tag = element.tag.removeprefix(_SVG)
        if element.tag != "text" and element.text and not element.text.strip():
            element.text = None
        if element.tail and not element.tail.strip():
            element.tail = None
        element.attrib = _attributes(element.attrib, names)


def _attributes(found: dict[str, str], names: dict[str, str]) -> dict[str, str]:
    kept: dict[str, str] = {}
    for declaration in found.get("style", "").split(";"):
        key, _, value = declaration.partition(":")
        if value and key.strip() not in _NOT_KEPT:
            kept[key.strip()] = value.strip()
    for key, value in found.items():
        if key == "style" or (key == "transform" and value.startswith("rotate(-0 ")):
            continue
        if key == "id":
            if value in names:
                kept["id"] = names[value]
        elif key == _LINK:
            kept["href"] = f"#{names[value[1:]]}"
        elif key in _LENGTHS:
            kept[key] = " ".join(_DECIMAL.sub(_short, value).split())
        else:
            kept[key] = value
    return {
        key: _REFERENCE.sub(lambda match: f"url(#{names[match[1]]})", value)
        if "url(" in value
        else value
        for key, value in kept.items()
    }


def _short(match: re.Match[str]) -> str:
    """A hundredth of a point is less than any screen or printer shows."""
    text = f"{float(match[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _marks(figure: Figure, marks: Sequence[Mark], width: float, height: float) -> ET.Element:
    group = ET.Element("g", {"class": "marks"})
    axes: list[Axes] = figure.axes
    to_figure = figure.transFigure.inverted()
    for number, mark in enumerate(marks):
        display = axes[mark.axes].transData.transform((mark.x, mark.y))
        across, up = (float(share) for share in to_figure.transform(display))
        text = _clear(mark.text)
        element = ET.SubElement(
            group,
            "g",
            {
                "class": "mark",
                "role": "img",
                "aria-label": text,
                # One stop a picture for the tab key; arrow keys go on from there.
                "tabindex": "0" if number == 0 else "-1",
            },
        )
        circle = {"cx": f"{across * width:.1f}", "cy": f"{(1.0 - up) * height:.1f}"}
        ET.SubElement(element, "circle", {**circle, "r": _MARK_RADIUS})
        ET.SubElement(element, "title").text = text
    return group
