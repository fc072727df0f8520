from __future__ import annotations

import itertools
import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from strandwise.errors import RequestError
from strandwise.report.style import (
    PICTURE_FORMATS,
    SERIES,
    SeriesStyle,
    house_style,
    new_figure,
    picture_bytes,
    save_figure,
)

SMALL = """
from pathlib import Path
import sys
from strandwise.report.style import house_style, new_figure, save_figure
with house_style():
    figure = new_figure(3.0, 2.0)
    ax = figure.subplots()
    ax.plot([1, 2, 3], [1, 3, 2], label="a")
    ax.set(xlabel="Time (s)", title="ignition")
    ax.legend()
for path in sys.argv[1:]:
    save_figure(figure, Path(path))
"""


def linear_light(colour: str) -> NDArray[np.float64]:
    """Linear sRGB of a hexadecimal colour (IEC 61966-2-1)."""
    coded = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def lab(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 L*a*b* for the white point D65, of linear sRGB."""
    matrix = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    relative = matrix @ np.clip(linear, 0.0, 1.0) / np.array([0.9505, 1.0, 1.089])
    f = np.where(relative > 0.008856, np.cbrt(relative), 7.787 * relative + 16.0 / 116.0)
    return np.array([116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])])


# Machado, Oliveira and Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291, severity 1
# (from memory; each row sums to 1, so that greys stay grey).
SIGHT = {
    "full": np.eye(3),
    "no long cones": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "no medium cones": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "no short cones": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


@pytest.mark.parametrize("sight", SIGHT)
def test_series_differ_in_colour_for_every_reader(sight: str) -> None:
    # A difference of 10 in L*a*b* is seen at a glance (common practice, no source).
    seen = [lab(SIGHT[sight] @ linear_light(style.colour)) for style in SERIES]
    assert min(np.linalg.norm(a - b) for a, b in itertools.combinations(seen, 2)) > 10.0


@pytest.mark.parametrize("style", SERIES)
def test_series_stand_out_from_the_paper(style: SeriesStyle) -> None:
    # WCAG 2.1, success criterion 1.4.11: contrast of 3 : 1 for graphical objects, the contrast
    # being (L1 + 0.05)/(L2 + 0.05) of the relative luminances.
    luminance = float(linear_light(style.colour) @ np.array([0.2126, 0.7152, 0.0722]))
    assert 1.05 / (luminance + 0.05) >= 3.0


def test_series_differ_in_marker_and_in_line_too() -> None:
    assert len({style.marker for style in SERIES}) == len(SERIES)
    assert len({style.dashes for style in SERIES}) == len(SERIES)


def test_same_bytes_in_two_processes_at_two_times(tmp_path: Path) -> None:
    folders = [tmp_path / name for name in ("first", "second")]
    for day, folder in enumerate(folders):
        folder.mkdir()
        paths = [str(folder / f"picture{suffix}") for suffix in PICTURE_FORMATS]
        environment = {**os.environ, "SOURCE_DATE_EPOCH": str(86400 * day)}
        environment["MPLCONFIGDIR"] = str(folder)
        # A user's own settings must not show either.
        (folder / "matplotlibrc").write_text(f"font.size: {7 + 9 * day}\nlines.linewidth: {day}\n")
        subprocess.run([sys.executable, "-c", SMALL, *paths], check=True, env=environment)
    for suffix in PICTURE_FORMATS:
        first, second = ((folder / f"picture{suffix}").read_bytes() for folder in folders)
        assert first == second, suffix


def small_figure() -> Figure:
    with house_style():
        figure = new_figure(3.0, 2.0)
        figure.subplots().plot([1.0, 2.0], [1.0, 2.0])
    return figure


def test_png_opens_with_its_size(tmp_path: Path) -> None:
    path = tmp_path / "picture.PNG"
    save_figure(small_figure(), path)
    with Image.open(path) as image:
        image.load()
        assert image.size == (480, 320)
        assert image.info["dpi"] == pytest.approx((160.0, 160.0), abs=0.01)


def test_svg_is_well_formed_and_needs_no_font() -> None:
    text = picture_bytes(small_figure(), ".svg").decode()
    tags = {element.tag.split("}")[1] for element in ET.fromstring(text).iter()}
    assert "path" in tags
    assert "text" not in tags
    assert "date" not in tags


def test_pdf_embeds_its_font() -> None:
    data = picture_bytes(small_figure(), ".pdf")
    assert data.startswith(b"%PDF")
    assert b"/FontFile2" in data
    assert b"CreationDate" not in data


def test_drawing_leaves_the_settings_of_the_caller_alone() -> None:
    before = dict(mpl.rcParams)
    small_figure()
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize("name", ["picture.gif", "picture", "picture.svgz"])
def test_unknown_format_is_refused_with_the_known_ones(tmp_path: Path, name: str) -> None:
    with pytest.raises(RequestError, match=r"\.png, \.svg, \.pdf"):
        save_figure(small_figure(), tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_missing_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"folder .*absent.* does not exist; make the folder"):
        save_figure(small_figure(), tmp_path / "absent" / "picture.svg")


def test_a_folder_in_the_way_is_refused_and_nothing_is_left_behind(tmp_path: Path) -> None:
    (tmp_path / "picture.svg").mkdir()
    with pytest.raises(RequestError, match=r"cannot be written: .*choose another name"):
        save_figure(small_figure(), tmp_path / "picture.svg")
    assert [path.name for path in tmp_path.iterdir()] == ["picture.svg"]


def test_a_failed_write_keeps_the_old_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "picture.svg"
    path.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RequestError, match="No space left on device"):
        save_figure(small_figure(), path)
    assert path.read_text() == "old"
    assert [found.name for found in tmp_path.iterdir()] == ["picture.svg"]


def test_what_is_too_large_for_a_png_is_refused_and_fits_the_others() -> None:
    with house_style():
        figure = new_figure(2.0, 420.0)
    with pytest.raises(RequestError, match=r"420 inches .*too much for \.png; choose \.svg"):
        picture_bytes(figure, ".png")
    assert picture_bytes(figure, ".svg").startswith(b"<?xml")
