"""A browser without a screen, as wide as on a desk or as a phone."""

from __future__ import annotations

import shutil

import pytest
from selenium import webdriver

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
SIZES = {"desk": (1280, 900), "phone": (390, 844)}
NEEDS_BROWSER = [
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
