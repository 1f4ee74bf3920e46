"""A browser without a window, for the tests and the benchmark of the report page."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
"""Debian's chromium and chromium-driver; None where they are not installed."""
PHONE, DESK = (390, 844), (1440, 900)
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


@contextmanager
def browser(profile: Path) -> Iterator[Any]:
    """A driven Chromium whose log tells what the page said and what it asked for."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*_FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    try:
        yield driver
    finally:
        driver.quit()


def as_device(driver: Any, size: tuple[int, int], scheme: str = "light") -> None:
    """The screen of a phone, with two fingers, or of a desk; ``scheme``: light or dark."""
    wide, high = size
    phone = size == PHONE
    devices = {"width": wide, "height": high, "deviceScaleFactor": 1, "mobile": phone}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", devices)
    touch = {"enabled": phone, "maxTouchPoints": 2 if phone else 1}
    driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", touch)
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
