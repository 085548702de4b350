"""The morning's page in a real browser, at a desk's and a phone's width."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from selenium import webdriver

from browser_fixture import NEEDS_BROWSER, SIZES, browser
from guidecoat.batch.page import write_page
from test_batch_books import GOOD, run

pytestmark = NEEDS_BROWSER


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four panels, one with earlier passes and a name that has no place to break."""
    folder = tmp_path_factory.mktemp("night")
    long = f"12-085/{'door' * 20}_left"
    out = replace(GOOD, verdict="out", out_regions=3, low_mm=-1.8)
    runs = [
        run("small", replace(out, worst_mm=0.6), panel="small"),
        run("large", replace(out, worst_mm=-2.2), panel="large"),
        run("broken", replace(GOOD, status="failed", reason="x" * 300), panel="broken"),
        run(f"{long}_metal", replace(out, worst_mm=-1.8), panel=long),
        run(f"{long}_filler", replace(out, worst_mm=-0.9), panel=long, stage="filler"),
        run(f"{long}_filler_2", GOOD, panel=long, stage="filler", number=2),
    ]
    for entry in runs:
        (folder / entry.record.output).mkdir()
        Image.new("RGB", (480, 320), "white").save(folder / entry.record.output / "thumbnail.png")
    write_page(folder / "index.html", runs, runs, left=0)
    return folder / "index.html"


@pytest.fixture(params=list(SIZES))
def opened(request: pytest.FixtureRequest, page: Path) -> Iterator[webdriver.Chrome]:
    driver = browser(request.param)
    try:
        driver.get(page.as_uri())
        yield driver
    finally:
        driver.quit()


def script(driver: Any, text: str) -> Any:
    return driver.execute_script(text)


def test_worst_first_within_the_window_and_nothing_fetched(opened: Any) -> None:
    wide, window = script(
        opened, "return [document.documentElement.scrollWidth, window.innerWidth]"
    )
    assert wide <= window
    names = script(opened, "return [...document.querySelectorAll('h3')].map(e => e.innerText)")
    assert [name.split()[0] for name in names[:2]] == ["large", "small"]
    # Every thumbnail is seen once it is scrolled to.
    shown = script(
        opened,
        "const all = [...document.images]; all.forEach(e => e.loading = 'eager');"
        "return Promise.all(all.map(e => e.decode().then(() => e.naturalWidth)))",
    )
    assert shown == [480] * 5
    weights = script(
        opened,
        "return [...document.querySelectorAll('.trend tbody tr')].map("
        "r => getComputedStyle(r.cells[0]).fontWeight)",
    )
    assert weights[:3] == ["400", "400", "700"]
    # No word of the table is torn apart: every pass stands on one line.
    heights = script(
        opened,
        "return [...document.querySelectorAll('.trend tbody tr')].map(r => r.offsetHeight /"
        " parseFloat(getComputedStyle(r).fontSize))",
    )
    assert max(heights) < 2.0
    assert [entry for entry in opened.get_log("browser") if entry["level"] == "SEVERE"] == []
    events = [json.loads(entry["message"])["message"] for entry in opened.get_log("performance")]
    asked = [
        event["params"]["request"]["url"]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    ]
    assert asked
    assert all(url.startswith(("file://", "data:")) for url in asked)
