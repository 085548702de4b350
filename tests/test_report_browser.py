"""The report in a real browser: no error, no request, and everything that can be touched works."""

from __future__ import annotations

import base64
import io
import json
import shutil
import time
import unicodedata
from collections.abc import Callable, Iterator
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
from guidecoat.export.extras import Extras
from guidecoat.export.write import write_check
from guidecoat.light import ALONG, lamp_place, lamps_over, light_panel

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
SIZES = {"desk": (1280, 900), "phone": (390, 844)}

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM or not DRIVER, reason="needs chromium and chromedriver"),
]


def browser(size: str) -> webdriver.Chrome:
    """A browser without a screen or a GPU."""
    wide, tall = SIZES[size]
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    for flag in (
        "--headless=new",
        "--no-sandbox",
        "--disable-dev-shm-usage",
        "--use-angle=swiftshader",
        "--enable-unsafe-swiftshader",
        "--hide-scrollbars",
        f"--window-size={wide},{tall}",
    ):
        options.add_argument(flag)
    if size == "phone":
        metrics = {"width": wide, "height": tall, "pixelRatio": 2.0, "touch": True}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=webdriver.ChromeService(str(DRIVER)))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of a small door with sections."""
    folder = tmp_path_factory.mktemp("door")
    write_check(report_fixture.door(), folder, extras=Extras(stations=1))
    return folder / "report.html"


@pytest.fixture(scope="module", params=list(SIZES))
def opened(request: pytest.FixtureRequest, page: Path) -> Iterator[webdriver.Chrome]:
    """The report in a desk's or a phone's window."""
    driver = browser(request.param)
    try:
        driver.get(page.as_uri())
        wait(lambda: script(driver, "return document.documentElement.dataset.ready") == "yes")
        yield driver
    finally:
        driver.quit()


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


def logs(driver: webdriver.Chrome, kind: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = driver.get_log(kind)  # type: ignore[no-untyped-call]
    return found


def camera(driver: webdriver.Chrome) -> Any:
    return script(
        driver, "return document.getElementById('scene')._fullLayout.scene._scene.getCamera().eye"
    )


def test_no_error_and_no_request(opened: webdriver.Chrome, page: Path) -> None:
    wrong = [log for log in logs(opened, "browser") if log["level"] == "SEVERE"]
    assert not wrong
    asked = []
    for log in logs(opened, "performance"):
        message = json.loads(log["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.append(message["params"]["request"]["url"])
    assert {url for url in asked if not url.startswith(("data:", "blob:"))} <= {page.as_uri()}


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
        if button.text == "Left":
            button.click()
    wait(lambda: camera(opened)["x"] < before["x"] - 0.3)


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


def test_a_click_on_the_panel_chooses_its_row(opened: webdriver.Chrome) -> None:
    # What the drawing library tells of a click on the mark and on a vertex inside the low.
    script(
        opened,
        "const box = document.getElementById('scene'), last = box.data.length - 1;"
        "const n = box.data[last].text.indexOf('H1');"
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


def test_colours_can_be_chosen(opened: webdriver.Chrome) -> None:
    choice = Select(opened.find_element(By.ID, "colour-by"))
    highest = {}
    for option in ("slope", "light-measured", "deviation"):
        choice.select_by_value(option)
        limit = "return document.getElementById('scene').data[0].cmax"
        highest[option] = script(opened, limit)
        legends = opened.find_elements(By.CSS_SELECTOR, "[data-legend]")
        shown = {e.get_attribute("data-legend") for e in legends if e.is_displayed()}
        assert shown == {option} & {"slope", "deviation"}
    assert highest["light-measured"] == 1
    assert len(set(highest.values())) == 3


def test_the_lamps_move_over_both_surfaces(opened: webdriver.Chrome) -> None:
    slider = opened.find_element(By.ID, "lamp-place")
    before = {name: pixels(opened, name) for name in ("light-measured", "light-fair")}
    for _ in range(25):
        slider.send_keys(Keys.ARROW_RIGHT)
    wait(lambda: slider.get_attribute("value") == "50")
    wait(lambda: bool(np.abs(pixels(opened, "light-fair") - before["light-fair"]).mean() > 20.0))
    for name, picture in before.items():
        moved = pixels(opened, name)
        assert moved.shape == picture.shape
        assert np.abs(moved - picture).mean() > 20.0
    # A quarter of a spacing turns some dark places bright and leaves as many bright as before.
    bright = (before["light-fair"] > 230).mean()
    assert (pixels(opened, "light-fair") > 230).mean() == pytest.approx(bright, abs=0.06)


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
    for part in ("Out of tolerance", "Do first", "Highs and lows", "Light", "Sections", "Cautions"):
        assert part in words
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
