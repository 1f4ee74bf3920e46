"""How soon a report can be used, from opening it until its picture answers.

    python -m tests.benchmarks.page result --times 7

opens report.html of a folder of results in Chromium, afresh each time, at the size of a phone and
of a desk, and prints medians: until the picture can be moved and is drawn, and from a click on
"Closer" to the picture drawn anew.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import median
from typing import Any

from tests.chromium import DESK, PHONE, as_device, browser

_WATCH = """
addEventListener("DOMContentLoaded", () => {
  const told = () => requestAnimationFrame(() => requestAnimationFrame(() => {
    window.usable = performance.now();
  }));
  const tools = document.getElementById("tools");
  if (!tools.hidden) told();
  else new MutationObserver((_, watch) => { watch.disconnect(); told(); })
    .observe(tools, {attributes: true});
});
"""
_CLICK = """
const done = arguments[0], from = performance.now();
document.getElementById("near").click();
requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now() - from)));
"""


def once(page: Path, size: tuple[int, int]) -> tuple[float, float]:
    """Milliseconds until the page can be used, and until it has answered a click."""
    from selenium.webdriver.support.wait import WebDriverWait

    with tempfile.TemporaryDirectory() as profile, browser(Path(profile)) as driver:
        as_device(driver, size)
        driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": _WATCH})
        driver.get(page.resolve().as_uri())

        def usable(driver: Any) -> Any:
            return driver.execute_script("return window.usable")

        usable_at = WebDriverWait(driver, 30).until(usable)
        return float(usable_at), float(driver.execute_async_script(_CLICK))


def main() -> None:
    """Measure the page of a folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--times", type=int, default=5)
    args = parser.parse_args()
    page = args.folder / "report.html"
    print(f"{page}: {page.stat().st_size / 1e6:.2f} MB")
    for name, size in (("phone", PHONE), ("desk", DESK)):
        usable, click = zip(*(once(page, size) for _ in range(args.times)), strict=True)
        print(f"{name}: usable after {median(usable):.0f} ms, a click drawn in {median(click):.0f}")


if __name__ == "__main__":
    main()
