"""The demonstration's page in a real browser: what a person meets who opens, prints or sends it."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium to open it with")
# WCAG 2.2, success criterion 1.4.3: text of usual size.
LEAST_CONTRAST = 4.5

# The relative luminance and the contrast ratio as WCAG 2.2 defines them, over all text that shows.
CONTRAST = """
() => {
  const numbers = (colour) => (colour.match(/[\\d.]+/g) || []).map(Number);
  const light = (c) => {
    const [r, g, b] = c.slice(0, 3).map((v) => v / 255).map((v) =>
      v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const c = numbers(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  const found = [];
  for (const element of document.querySelectorAll("body *")) {
    const own = [...element.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
    const box = element.getBoundingClientRect();
    const unseen = ["SCRIPT", "STYLE", "title", "desc"].includes(element.tagName);
    if (!own || !box.width || unseen) continue;
    const style = getComputedStyle(element);
    const text = element instanceof SVGElement ? style.fill : style.color;
    const [a, b] = [light(numbers(text)), light(ground(element))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    found.push([ratio, element.tagName, element.textContent.trim().slice(0, 40)]);
  }
  return found.sort((x, y) => x[0] - y[0]);
}
"""


@pytest.fixture(scope="module")
def page_file(shown_demo: Any) -> Path:
    """The demonstration's page."""
    page: Path = shown_demo.page
    return page


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as driver:
        found = driver.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-quic"]
        )
        yield found
        found.close()


class Opened:
    """A page that was opened, with everything it said and asked for."""

    def __init__(self, browser: Any, file: Path, *, width: int = 1280, **options: Any) -> None:
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page = browser.new_page(viewport={"width": width, "height": 900}, **options)
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(file.as_uri())

    def point_at(self, selector: str, *, move: bool = True) -> tuple[float, float]:
        """Bring the middle of an element into view, and the mouse to it."""
        element = self.page.locator(selector)
        element.scroll_into_view_if_needed()
        box = element.bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        if move:
            self.page.mouse.move(x, y)
        return x, y

    def tip(self) -> str:
        """What the tip shows; empty while it is hidden."""
        tip = self.page.locator("#tip")
        return str(tip.text_content()) if tip.is_visible() else ""


@pytest.fixture
def opened(browser: Any, page_file: Path) -> Iterator[Opened]:
    found = Opened(browser, page_file)
    yield found
    found.page.close()


def test_it_says_nothing_on_the_console_and_no_request_leaves(
    opened: Opened, page_file: Path
) -> None:
    opened.page.mouse.wheel(0, 30_000)
    opened.page.wait_for_timeout(100)
    assert opened.said == []
    assert opened.asked == [page_file.as_uri()]


def test_a_script_that_gets_in_would_not_run(opened: Opened) -> None:
    opened.page.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
        " document.body.append(s); }"
    )
    assert opened.page.evaluate("window.ran") is None
    assert "Content Security Policy" in "".join(opened.said)


def test_hovering_over_a_point_names_its_test(opened: Opened) -> None:
    opened.point_at('#laws-picture .mark[aria-label^="S-028:"]')
    assert opened.tip().startswith("S-028: strand of M-05 (carbonate-10)")
    opened.page.locator("h1").hover()
    assert opened.tip() == ""


def test_points_on_one_another_are_all_named(opened: Opened) -> None:
    """Every point can be reached by the mouse, whichever was drawn on top of it."""
    marks = opened.page.locator("#laws-picture .mark")
    for number in range(marks.count()):
        label = marks.nth(number).get_attribute("aria-label")
        opened.point_at(f'#laws-picture .mark[aria-label="{label}"]')
        assert label in opened.tip().splitlines()


def test_the_keyboard_goes_from_point_to_point(opened: Opened) -> None:
    marks = opened.page.locator("#laws-picture .mark")
    labels = [marks.nth(number).get_attribute("aria-label") for number in range(marks.count())]
    opened.page.evaluate("document.querySelector('nav li:last-child a').focus()")
    opened.page.keyboard.press("Tab")
    assert opened.tip() == labels[0]
    for key, place in (("ArrowRight", 1), ("ArrowDown", 2), ("ArrowLeft", 1), ("End", -1)):
        opened.page.keyboard.press(key)
        assert opened.tip() == labels[place], key
    opened.page.keyboard.press("Escape")
    assert opened.tip() == ""
    opened.page.keyboard.press("Home")
    opened.page.keyboard.press("Tab")
    assert opened.page.evaluate("document.activeElement.closest('#laws-picture')") is None


def test_a_tap_names_a_test_on_a_phone(browser: Any, page_file: Path) -> None:
    phone = Opened(browser, page_file, width=360, has_touch=True)
    x, y = phone.point_at('#laws-picture .mark[aria-label^="S-001:"]', move=False)
    phone.page.touchscreen.tap(x, y)
    assert "S-001: strand of M-01" in phone.tip()
    phone.page.close()


@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_does_not_scroll_sideways(browser: Any, page_file: Path, width: int) -> None:
    found = Opened(browser, page_file, width=width)
    assert found.page.evaluate("document.documentElement.scrollWidth") == width
    found.page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_stands_out_from_its_ground(browser: Any, page_file: Path, scheme: str) -> None:
    found = Opened(browser, page_file, color_scheme=scheme)
    ratios = found.page.evaluate(CONTRAST)
    assert len(ratios) > 500
    assert [one for one in ratios if one[0] < LEAST_CONTRAST] == []
    found.page.close()


def test_the_two_schemes_differ_and_paper_is_white(browser: Any, page_file: Path) -> None:
    found = Opened(browser, page_file, color_scheme="dark")
    ground = "getComputedStyle(document.body).backgroundColor"
    assert found.page.evaluate(ground) == "rgb(18, 22, 28)"
    found.page.emulate_media(media="print")
    assert found.page.evaluate(ground) == "rgb(255, 255, 255)"
    assert not found.page.locator("nav").is_visible()
    found.page.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints(opened: Opened, paper: str) -> None:
    document = opened.page.pdf(format=paper)
    assert document.startswith(b"%PDF")
    pages = max(int(count) for count in re.findall(rb"/Count (\d+)", document))
    assert 8 <= pages <= 40


@pytest.mark.parametrize("paper_width", [688, 710])  # A4 and Letter less the margins of 14 mm
def test_no_table_is_cut_off_in_print(browser: Any, page_file: Path, paper_width: int) -> None:
    found = Opened(browser, page_file, width=paper_width)
    found.page.emulate_media(media="print")
    wide = found.page.evaluate(
        "[...document.querySelectorAll('table, svg')].filter((e) => e.getBoundingClientRect().right"
        f" > {paper_width} + 1).map((e) => e.id || e.getAttribute('aria-labelledby'))"
    )
    assert wide == []
    found.page.close()


def test_no_heading_stands_apart_from_its_picture_in_print(browser: Any, page_file: Path) -> None:
    found = Opened(browser, page_file)
    found.page.emulate_media(media="print")
    loose = found.page.evaluate(
        "[...document.querySelectorAll('figure')].map((e) => e.previousElementSibling)"
        ".filter((e) => e && ['H2', 'H3', 'P'].includes(e.tagName))"
        ".filter((e) => getComputedStyle(e).breakAfter !== 'avoid').map((e) => e.textContent)"
    )
    assert loose == []
    found.page.close()


def test_the_edge_of_a_table_that_is_cut_shows_that_there_is_more(
    browser: Any, page_file: Path
) -> None:
    def darkest(found: Opened) -> int:
        """Of the last columns of pixels beside the table's heading, where no letter stands."""
        import io

        import matplotlib.image

        box = found.page.locator("#firings .scroll").first.bounding_box()
        strip = {"x": box["x"] + box["width"] - 4, "y": box["y"] + 3, "width": 2, "height": 8}
        shot = found.page.screenshot(clip=strip)
        pixels = matplotlib.image.imread(io.BytesIO(shot), format="png")
        return int(255 * pixels[..., :3].min())

    found = Opened(browser, page_file, width=360, color_scheme="light")
    found.page.locator("#firings-table").scroll_into_view_if_needed()
    cut = darkest(found)
    found.page.evaluate("document.querySelector('#firings .scroll').scrollLeft = 1e5")
    found.page.wait_for_timeout(200)
    assert cut < 225 < darkest(found)
    found.page.close()


def test_a_table_is_saved_and_copied(opened: Opened) -> None:
    with opened.page.expect_download() as download:
        opened.page.locator('a[download="demo-laws-table.csv"]').click()
    text = Path(download.value.path()).read_text(encoding="utf-8-sig")
    assert text.startswith("Batch,Formulation,tests,")
    assert "M-09" in text
    button = opened.page.locator('button[data-copy="laws-table"]')
    button.click()
    opened.page.wait_for_function("document.getElementById('told').textContent !== ''")
    assert opened.page.locator("#told").text_content() in {
        "Copied.",
        "Selected; copy it with the keys of your system.",
    }
    assert opened.said == []


def test_every_control_has_a_name_of_its_own(opened: Opened) -> None:
    names = opened.page.evaluate(
        "[...document.querySelectorAll('main button, main a[download]')].map((e) => e.textContent)"
    )
    assert len(names) == len(set(names)) > 20
