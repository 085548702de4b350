"""The report in a real browser: no error, no request, and everything that can be touched works."""

from __future__ import annotations

import base64
import io
import json
import re
import time
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest
from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select

import report_fixture
from browser_fixture import NEEDS_BROWSER, SIZES, browser
from guidecoat.export.compare_files import write_comparison
from guidecoat.export.extras import Extras
from guidecoat.export.mirror_files import write_mirror
from guidecoat.export.write import write_check
from guidecoat.preview.light import ALONG, lamp_place, lamps_over, light_panel

COMMANDS = ("check", "compare", "mirror")

pytestmark = NEEDS_BROWSER


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The report of each command: a small door with sections, a fill, a left against right."""
    folders = {name: tmp_path_factory.mktemp(name) for name in COMMANDS}
    write_check(report_fixture.door(), folders["check"], extras=Extras(stations=1))
    write_comparison(report_fixture.filled(), folders["compare"])
    write_mirror(report_fixture.sides(), folders["mirror"])
    return {name: folder / "report.html" for name, folder in folders.items()}


# The pages in every window, those of the check first: what asks only for these opens no others.
PAGES = tuple((command, size) for command in COMMANDS for size in SIZES)
THE_CHECKS = PAGES[: len(SIZES)]
only_the_checks = pytest.mark.parametrize("opened", THE_CHECKS, indirect=True)


@pytest.fixture(scope="module")
def windows() -> Iterator[Callable[[str], webdriver.Chrome]]:
    """A browser of each size, kept for all the pages."""
    drivers: dict[str, webdriver.Chrome] = {}

    def window(size: str) -> webdriver.Chrome:
        if size not in drivers:
            drivers[size] = browser(size)
        return drivers[size]

    try:
        yield window
    finally:
        for driver in drivers.values():
            driver.quit()


@pytest.fixture(scope="module", params=PAGES)
def opened(
    request: pytest.FixtureRequest,
    pages: dict[str, Path],
    windows: Callable[[str], webdriver.Chrome],
) -> Iterator[webdriver.Chrome]:
    """The report of each command in a desk's and a phone's window."""
    command, size = request.param
    driver = windows(size)
    logs(driver, "browser")
    logs(driver, "performance")  # what its own start page asked for
    driver.get(pages[command].as_uri())
    wait(lambda: script(driver, "return document.documentElement.dataset.ready") == "yes")
    yield driver
    driver.get("about:blank")


def wait(done: Callable[[], bool], *, seconds: float = 30.0) -> None:
    """Wait until something is so, and fail if it does not come about."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "the page did not get there"
        time.sleep(0.1)


def script(driver: webdriver.Chrome, code: str, *arguments: object) -> Any:
    return driver.execute_script(code, *arguments)


def pixels(driver: webdriver.Chrome, canvas: str) -> np.ndarray:
    url = script(driver, "return document.getElementById(arguments[0]).toDataURL()", canvas)
    picture = Image.open(io.BytesIO(base64.b64decode(url.partition(",")[2])))
    return np.asarray(picture.convert("L")).astype(float)


def drawn(driver: webdriver.Chrome, canvas: str) -> np.ndarray:
    """The canvas once the browser has drawn what it was asked for."""
    driver.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
    return pixels(driver, canvas)


def logs(driver: webdriver.Chrome, kind: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = driver.get_log(kind)  # type: ignore[no-untyped-call]
    return found


def camera(driver: webdriver.Chrome) -> Any:
    return script(
        driver, "return document.getElementById('scene')._fullLayout.scene._scene.getCamera().eye"
    )


def test_no_error_and_no_request(opened: webdriver.Chrome) -> None:
    wrong = [log for log in logs(opened, "browser") if log["level"] == "SEVERE"]
    assert not wrong
    asked = []
    for log in logs(opened, "performance"):
        message = json.loads(log["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.append(message["params"]["request"]["url"])
    fetched = {url for url in asked if not url.startswith(("data:", "blob:"))}
    assert fetched <= {script(opened, "return location.href")}


def test_nothing_sticks_out_sideways(opened: webdriver.Chrome) -> None:
    wide = script(opened, "return document.documentElement.scrollWidth")
    assert wide <= script(opened, "return window.innerWidth")


def test_the_verdict_is_on_the_first_screen(opened: webdriver.Chrome) -> None:
    for selector in (".verdict", ".first li"):
        element = opened.find_element(By.CSS_SELECTOR, selector)
        bottom = script(opened, "return arguments[0].getBoundingClientRect().bottom", element)
        assert bottom + script(opened, "return window.scrollY") <= SIZES["desk"][1]


def test_the_panel_is_drawn_and_turns(opened: webdriver.Chrome) -> None:
    before = camera(opened)
    picture = opened.find_element(By.ID, "scene").screenshot_as_png
    shades = np.asarray(Image.open(io.BytesIO(picture)).convert("L"))
    assert shades.std() > 5.0
    for button in opened.find_elements(By.CSS_SELECTOR, "button[data-view]"):
        if button.text == "Map's left":
            button.click()
    wait(lambda: camera(opened)["x"] < before["x"] - 0.3)


@only_the_checks
def test_a_finger_turns_it_and_a_tap_tells_the_value(opened: webdriver.Chrome) -> None:
    for button in opened.find_elements(By.CSS_SELECTOR, "button[data-view]"):
        if button.text == "Front":
            button.click()
    box = opened.find_element(By.ID, "scene")
    script(opened, "arguments[0].scrollIntoView({block: 'center'})", box)
    wait(lambda: abs(camera(opened)["x"]) < 1e-6)
    if script(opened, "return window.innerWidth") > 500:
        pointer = ActionChains(opened, duration=40)
        pointer.move_to_element_with_offset(box, 20, 10).perform()
        wait(lambda: told(opened).startswith("stands off"))
        pointer.click_and_hold().move_by_offset(60, 5).move_by_offset(40, 5).release().perform()
    else:
        finger(opened, box, moved=0)
        wait(lambda: told(opened).startswith("stands off"))
        finger(opened, box, moved=60)
    wait(lambda: abs(camera(opened)["x"]) > 0.05)


def told(driver: webdriver.Chrome) -> str:
    """What is said of the place under the pointer."""
    return driver.find_element(By.ID, "readout").text


def finger(driver: webdriver.Chrome, box: WebElement, *, moved: int) -> None:
    """Put a finger on the middle of a box, move it sideways and lift it."""
    place = script(driver, "return arguments[0].getBoundingClientRect().toJSON()", box)
    x, y = place["x"] + 0.5 * place["width"] + 20, place["y"] + 0.5 * place["height"] + 10
    steps = [("touchStart", 0), *(("touchMove", k) for k in range(0, moved + 1, 10) if moved)]
    for kind, by in steps:
        at = [{"x": x + by, "y": y + by / 6}]
        driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})
        time.sleep(0.05)
    lifted = {"type": "touchEnd", "touchPoints": []}
    driver.execute_cdp_cmd("Input.dispatchTouchEvent", lifted)


@only_the_checks
def test_a_click_in_the_table_goes_to_the_mark(opened: webdriver.Chrome) -> None:
    row = opened.find_element(By.CSS_SELECTOR, 'tr[data-mark="L1"]')
    button = row.find_element(By.CSS_SELECTOR, "button.mark")
    script(opened, "arguments[0].focus()", button)
    button.send_keys(Keys.ENTER)
    wait(lambda: "chosen" in (row.get_attribute("class") or ""))
    assert button.get_attribute("aria-pressed") == "true"
    readout = opened.find_element(By.ID, "chosen")
    assert readout.text.startswith("L1: Low of \u22120.9")
    box = script(opened, "return document.getElementById('scene').getBoundingClientRect().toJSON()")
    assert box["top"] < script(opened, "return window.innerHeight")
    assert box["bottom"] > 0


@only_the_checks
def test_a_click_on_the_panel_chooses_its_row(opened: webdriver.Chrome) -> None:
    # What the drawing library tells of a click on the mark and on a vertex inside the low.
    script(
        opened,
        "const box = document.getElementById('scene'), last = box.data.length - 1;"
        "const n = box.layout.scene.annotations.findIndex((plate) => plate.text === 'H1');"
        "box.emit('plotly_click', {points: [{curveNumber: last, pointNumber: n}]});",
    )
    row = opened.find_element(By.CSS_SELECTOR, 'tr[data-mark="H1"]')
    assert "chosen" in (row.get_attribute("class") or "")
    told = script(
        opened,
        "const box = document.getElementById('scene'), dev = box.data[0].intensity;"
        "let at = 0; dev.forEach((d, n) => { if (d < dev[at]) at = n; });"
        "box.emit('plotly_click', {points: [{curveNumber: 0, pointNumber: at}]});"
        "return document.getElementById('readout').textContent",
    )
    assert "L1" in told
    low = opened.find_element(By.CSS_SELECTOR, 'tr[data-mark="L1"]')
    assert "chosen" in (low.get_attribute("class") or "")
    assert "chosen" not in (row.get_attribute("class") or "")


def test_every_row_goes_to_its_mark_and_back(opened: webdriver.Chrome) -> None:
    for row in opened.find_elements(By.CSS_SELECTOR, "tr[data-mark]"):
        button = row.find_element(By.CSS_SELECTOR, "button.mark")
        script(opened, "arguments[0].focus()", button)
        before = camera(opened)
        button.send_keys(Keys.SPACE)
        wait(partial(is_chosen, row))
        wait(partial(has_turned, opened, before))
        assert opened.find_element(By.ID, "chosen").text.startswith(f"{button.text}: ")
    names = script(
        opened,
        "const box = document.getElementById('scene'), last = box.data.length - 1;"
        "box.emit('plotly_click', {points: [{curveNumber: last, pointNumber: 0}]});"
        "return [box.layout.scene.annotations[0].text,"
        " document.querySelector('tr.chosen').dataset.mark]",
    )
    assert names[0] == names[1]


def is_chosen(row: WebElement) -> bool:
    return "chosen" in (row.get_attribute("class") or "")


def has_turned(driver: webdriver.Chrome, before: Any) -> bool:
    return bool(camera(driver) != before)


@dataclass(frozen=True)
class Coloured:
    """What the page shows for one choice of colour: of the panel, its legends, and the plates of
    the marks' names as (name, ink, ground, how far the ground covers).
    """

    panel: str
    highest: float
    legends: frozenset[str]
    plates: tuple[tuple[str, str, str, str], ...]


@pytest.fixture(scope="module")
def coloured(opened: webdriver.Chrome) -> dict[str, Coloured]:
    """Every choice of colour, chosen by hand, and the first again."""
    choice = Select(opened.find_element(By.ID, "colour-by"))
    colours = [option.get_attribute("value") or "" for option in choice.options]
    found = {}
    for colour in [*colours[1:], colours[0]]:
        choice.select_by_value(colour)
        panel, highest, plates = script(
            opened,
            "const [one, , twin] = document.getElementById('scene').data;"
            "const plates = Array.from(document.querySelectorAll('#scene .annotation-text-g'),"
            " (plate) => {"
            " const style = (what) => getComputedStyle(plate.querySelector(what));"
            " return [plate.textContent, style('text').fill, style('rect.bg').fill,"
            "  style('rect.bg').fillOpacity]; });"
            "return [JSON.stringify([one.cmax, one.colorscale, one.intensity.slice(0, 4000),"
            " twin.visible]), one.cmax, plates]",
        )
        legends = opened.find_elements(By.CSS_SELECTOR, "[data-legend]")
        seen = {e.get_attribute("data-legend") or "" for e in legends if e.is_displayed()}
        found[colour] = Coloured(panel, highest, frozenset(seen), tuple(map(tuple, plates)))
    return found


def test_every_colour_can_be_chosen(coloured: dict[str, Coloured]) -> None:
    assert {"slope", "deviation", "light-both", "light-measured", "light-fair"} <= set(coloured)
    assert len({one.panel for one in coloured.values()}) == len(coloured)
    for colour, one in coloured.items():
        assert one.legends == (set() if colour.startswith("light") else {colour})
    assert coloured["light-measured"].highest == 1
    assert len({coloured[c].highest for c in ("slope", "deviation", "light-measured")}) == 3


def shine(colour: str) -> float:
    """Relative luminance of a colour as a browser tells it (WCAG 2.1, relative luminance)."""
    parts = [int(n) / 255.0 for n in re.findall(r"\d+", colour)[:3]]
    red, green, blue = (n / 12.92 if n <= 0.04045 else ((n + 0.055) / 1.055) ** 2.4 for n in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_names_in_3d_are_read_on_every_ground(
    opened: webdriver.Chrome, coloured: dict[str, Coloured]
) -> None:
    """They stand on plates of their own, whatever the panel is coloured by (WCAG 2.1, 1.4.6)."""
    marks = opened.find_elements(By.CSS_SELECTOR, "tr[data-mark]")
    names = [mark.get_attribute("data-mark") for mark in marks]
    for one in coloured.values():
        assert [name for name, *_ in one.plates] == names
        for _name, ink, ground, cover in one.plates:
            light, dark = sorted((shine(ground), shine(ink)), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 7.0
            assert float(cover) == 1.0


def test_both_lights_stand_side_by_side_in_3d(opened: webdriver.Chrome) -> None:
    choice = Select(opened.find_element(By.ID, "colour-by"))
    first = choice.options[0].get_attribute("value") or ""
    choice.select_by_value("light-both")
    tell = (
        "const [one, , twin] = document.getElementById('scene').data;"
        "const apart = ['x', 'y', 'z'].map((k) => twin[k][0] - one[k][0]);"
        "return [one.intensity, twin.intensity, apart]"
    )
    measured, fair, apart = script(opened, tell)
    assert len(measured) == len(fair)
    assert 0.02 < np.abs(np.subtract(measured, fair)).mean() < 0.5
    size = script(
        opened,
        "const [one] = document.getElementById('scene').data, span = (a) => a.reduce((m, v) =>"
        " Math.max(m, v), -1e9) - a.reduce((m, v) => Math.min(m, v), 1e9);"
        "return [span(one.x), span(one.y)]",
    )
    moved = [abs(shift) / length for shift, length in zip(apart[:2], size, strict=True)]
    assert sorted(moved)[0] == 0.0
    assert sorted(moved)[1] == pytest.approx(1.06, abs=0.01)
    slider = opened.find_element(By.ID, "lamp-place")
    slider.send_keys(Keys.ARROW_LEFT * 3)
    wait(lambda: script(opened, tell)[1] != fair)
    assert script(opened, tell)[0] != measured
    choice.select_by_value(first)
    assert not script(opened, "return document.getElementById('scene').data[2].visible")


def test_the_keyboard_reaches_everything(opened: webdriver.Chrome) -> None:
    wanted = script(
        opened,
        "return [...document.querySelectorAll('button, select, input, a[href], summary')]"
        ".filter((e) => e.getClientRects().length).length",
    )
    script(opened, "document.activeElement.blur(); window.scrollTo(0, 0)")
    reached = set()
    for _ in range(2 * wanted + 20):
        ActionChains(opened, duration=0).send_keys(Keys.TAB).perform()
        at = script(
            opened,
            "const e = document.activeElement;"
            "return [...document.querySelectorAll('button, select, input, a[href], summary')]"
            ".indexOf(e)",
        )
        reached.add(at)
        if len(reached - {-1}) == wanted:
            break
    assert len(reached - {-1}) == wanted


def test_the_lamps_move_over_both_surfaces(opened: webdriver.Chrome) -> None:
    slider = opened.find_element(By.ID, "lamp-place")
    slider.send_keys(Keys.HOME)
    wait(lambda: opened.find_element(By.ID, "lamp-moved").text == "0 mm")
    before = {name: drawn(opened, name) for name in ("light-measured", "light-fair")}
    slider.send_keys(Keys.ARROW_RIGHT * 25)
    wait(lambda: slider.get_attribute("value") == "25")
    wait(lambda: bool(np.abs(pixels(opened, "light-fair") - before["light-fair"]).mean() > 20.0))
    for name, picture in before.items():
        moved = pixels(opened, name)
        assert moved.shape == picture.shape
        assert np.abs(moved - picture).mean() > 20.0
    # A quarter of a spacing turns some dark places bright and leaves as many bright as before.
    bright = (before["light-fair"] > 230).mean()
    assert (pixels(opened, "light-fair") > 230).mean() == pytest.approx(bright, abs=0.06)


@only_the_checks
def test_the_bands_lie_where_the_lamps_light(opened: webdriver.Chrome) -> None:
    result = report_fixture.door()
    lit = light_panel(
        result.chart,
        result.cells,
        result.faces,
        result.fair,
        result.deviation,
        distance_mm=result.settings.plan.light_distance_mm,
        slope_tolerance_mrad=result.settings.tolerance.slope_mrad,
    )
    lamps = lamps_over(result.chart, lit, ALONG)
    place, share = lamp_place(lit.points_mm, lit.fair_normals, lamps)
    slider = opened.find_element(By.ID, "lamp-place")
    at = int(slider.get_attribute("value") or 0) / 100.0 * lamps.spacing_mm
    off = np.mod(at - place, lamps.spacing_mm)
    distance = np.minimum(off, lamps.spacing_mm - off) * share
    picture = pixels(opened, "light-fair")
    tall, wide = picture.shape
    i, j = np.nonzero(np.isfinite(distance))
    x = ((i + 0.5) / distance.shape[0] * wide).astype(int)
    y = ((1.0 - (j + 0.5) / distance.shape[1]) * tall).astype(int)
    seen, wanted = picture[y, x], distance[i, j]
    sure = np.abs(wanted - lamps.radius_mm) > 0.6 * lamps.radius_mm
    agrees = (seen > 140.0) == (wanted < lamps.radius_mm)
    # Lettering hides some cells, and the pixels lie between the cells.
    assert agrees[sure].mean() > 0.97


def test_it_prints_on_a4_in_black_and_white(opened: webdriver.Chrome) -> None:
    printed = opened.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
    pdf = pypdf.PdfReader(io.BytesIO(base64.b64decode(printed["data"])))
    first = pdf.pages[0]
    assert float(first.mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=1.0)
    assert float(first.mediabox.height) == pytest.approx(297 / 25.4 * 72, abs=1.0)
    words = " ".join(page.extract_text() for page in pdf.pages)
    words = unicodedata.normalize("NFKC", words)  # printed lettering joins f and i
    heads = opened.find_elements(By.CSS_SELECTOR, "section:not(.screen) > h2")
    assert len(heads) >= 6
    for head in heads:
        assert head.text in words
    assert opened.find_element(By.CSS_SELECTOR, ".verdict .word").text in words
    assert "Move the lamps" not in words
    assert len(pdf.pages) <= 8


def test_small_text_stands_out_from_its_ground(opened: webdriver.Chrome) -> None:
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1.
    colours = script(
        opened,
        "const one = (e) => { let b = e; while (b && getComputedStyle(b).backgroundColor ==="
        " 'rgba(0, 0, 0, 0)') b = b.parentElement;"
        " return [getComputedStyle(e).color, b ? getComputedStyle(b).backgroundColor"
        " : 'rgb(255, 255, 255)']; };"
        "return [...document.querySelectorAll('p, li, dt, dd, td, th, h1, h2, button, figcaption,"
        " caption, span.word, footer')].map(one)",
    )
    pairs = {tuple(pair) for pair in colours}
    assert len(pairs) > 3
    for ink, ground in pairs:
        assert contrast(ink, ground) >= 4.5, (ink, ground)


def contrast(ink: str, ground: str) -> float:
    """Contrast ratio of two colours as WCAG 2.2 defines it."""
    light, dark = sorted((luminance(ink), luminance(ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour: str) -> float:
    parts = np.array([float(x) for x in colour.partition("(")[2].rstrip(")").split(",")[:3]]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])
