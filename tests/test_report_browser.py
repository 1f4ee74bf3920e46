"""The page of a night in a browser: every control by mouse, touch and keys; nothing leaves it.

Chromium and its driver are asked for; where they are not installed, these tests are skipped.
"""

from __future__ import annotations

import http.server
import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from chromium import CHROMIUM, DESK, DRIVER, PHONE, as_device, browser
from test_night_page import alone, hostile, many, night, webp

from stackkit.picture.archive import ALONE, STACK
from stackkit.report import page_of_night

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not CHROMIUM or not DRIVER, reason="Chromium and its driver are not installed"
    ),
]

pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
from selenium.webdriver.common.action_chains import ActionChains  # noqa: E402
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402
from selenium.webdriver.support.wait import WebDriverWait  # noqa: E402


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with browser(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


def shown(
    driver: Any,
    folder: Path,
    record: Any,
    size: tuple[int, int] = DESK,
    scheme: str = "light",
    size_of_pictures: tuple[int, int] = (600, 800),
) -> None:
    """Open the page of a record, from disk, as a person would."""
    large = {STACK: webp(1, size_of_pictures), ALONE: webp(2, size_of_pictures)}
    small = {row["picture"]: webp(3) for row in record["frames"] if row["picture"]}
    page = folder / "report.html"
    page.write_text(page_of_night(record, large | small), encoding="utf-8")
    as_device(driver, size, scheme)
    for kind in ("browser", "performance"):
        driver.get_log(kind)
    driver.get(page.as_uri())
    driver.execute_script("return document.fonts.ready")


def view(driver: Any) -> dict[str, float]:
    """Zoom, place and cut as they are drawn."""
    names = ("zoom", "x", "y", "cut")
    script = "return arguments[0].map((n) => stage.style.getPropertyValue('--' + n))"
    values = driver.execute_script(script, list(names))
    return {
        n: float(v.removesuffix("px").removesuffix("%")) for n, v in zip(names, values, strict=True)
    }


def press(driver: Any, name: str) -> dict[str, float]:
    driver.find_element(By.ID, name).click()
    return view(driver)


def box(driver: Any, name: str = "stage") -> dict[str, float]:
    """The rectangle of an element in the window, scrolled to."""
    script = (
        "const e = document.getElementById(arguments[0]); e.scrollIntoView({block: 'center'});"
        "const r = e.getBoundingClientRect(); return {x: r.x, y: r.y, w: r.width, h: r.height}"
    )
    return dict(driver.execute_script(script, name))


def drag(driver: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    """By mouse, between shares of the stage's sides."""
    place = box(driver)
    actions = ActionChains(driver, duration=20)
    pointer = actions.w3c_actions.pointer_action
    to = [(round(place["x"] + u * place["w"]), round(place["y"] + v * place["h"]))
          for u, v in (start, end)]  # fmt: skip
    pointer.move_to_location(*to[0])
    pointer.pointer_down()
    pointer.move_to_location(*[round((a + b) / 2) for a, b in zip(*to, strict=True)])
    pointer.move_to_location(*to[1])
    pointer.pointer_up()
    actions.perform()


def touches(driver: Any, *steps: list[tuple[float, float]]) -> None:
    """Fingers on the stage, step by step, at shares of its sides; then lifted."""
    place = box(driver)
    for k, fingers in enumerate(steps):
        points = [
            {"x": place["x"] + u * place["w"], "y": place["y"] + v * place["h"], "id": n}
            for n, (u, v) in enumerate(fingers)
        ]
        kind = "touchStart" if k == 0 else "touchMove"
        driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def quiet(driver: Any) -> None:
    """Nothing went wrong, and nothing was asked of any other place."""
    assert driver.get_log("browser") == []
    messages = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    # What the browser asks for itself, for its own first page, is not the report's doing.
    asked = [
        m["params"]["request"]["url"]
        for m in messages
        if m["method"] == "Network.requestWillBeSent"
        and not m["params"]["documentURL"].startswith("chrome")
    ]
    assert asked
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []


def test_the_buttons_go_closer_and_back(chromium: Any, tmp_path: Path) -> None:
    shown(chromium, tmp_path, night())
    assert view(chromium) == {"zoom": 1, "x": 0, "y": 0, "cut": 50}
    closer = press(chromium, "near")
    assert closer["zoom"] == pytest.approx(1.5)
    # The middle of the picture stays in the middle.
    place = box(chromium)
    assert closer["x"] == pytest.approx(-0.25 * place["w"], abs=1)
    assert closer["y"] == pytest.approx(-0.25 * place["h"], abs=1)
    assert press(chromium, "far")["zoom"] == pytest.approx(1)
    assert not chromium.find_element(By.ID, "far").is_enabled()
    for _ in range(12):
        if chromium.find_element(By.ID, "near").is_enabled():
            press(chromium, "near")
    assert view(chromium)["zoom"] > 4
    assert press(chromium, "whole") == {"zoom": 1, "x": 0, "y": 0, "cut": 50}
    quiet(chromium)


def test_pixel_for_pixel(chromium: Any, tmp_path: Path) -> None:
    shown(chromium, tmp_path, night(), size_of_pictures=(1536, 2048))
    press(chromium, "full")
    drawn = chromium.execute_script(
        "return stage.querySelector('img').getBoundingClientRect().width"
    )
    assert drawn == pytest.approx(2048, abs=1)
    quiet(chromium)


def test_by_mouse(chromium: Any, tmp_path: Path) -> None:
    shown(chromium, tmp_path, night())
    drag(chromium, (0.5, 0.5), (0.8, 0.5))
    assert view(chromium)["cut"] == pytest.approx(80, abs=1)
    assert chromium.find_element(By.ID, "wipe").get_attribute("value") == "80"
    stage = chromium.find_element(By.ID, "stage")
    ActionChains(chromium).double_click(stage).perform()
    closer = view(chromium)
    assert closer["zoom"] == pytest.approx(2.25)
    drag(chromium, (0.3, 0.3), (0.2, 0.4))  # away from the line: the picture goes along
    place, moved = box(chromium), view(chromium)
    assert moved["x"] - closer["x"] == pytest.approx(-0.1 * place["w"], abs=2)
    assert moved["y"] - closer["y"] == pytest.approx(0.1 * place["h"], abs=2)
    assert moved["cut"] == closer["cut"]
    drag(chromium, (0.8, 0.5), (0.4, 0.5))  # at the line: it is wiped
    assert view(chromium)["cut"] == pytest.approx(40, abs=1)
    assert view(chromium)["x"] == moved["x"]
    quiet(chromium)


def test_the_wheel_is_the_page_s_until_the_picture_is_clicked(
    chromium: Any, tmp_path: Path
) -> None:
    shown(chromium, tmp_path, night())
    place = box(chromium)
    wheel = {"type": "mouseWheel", "x": place["x"] + 50, "y": place["y"] + 50,
             "deltaX": 0, "deltaY": -120}  # fmt: skip
    chromium.execute_cdp_cmd("Input.dispatchMouseEvent", wheel)
    assert view(chromium)["zoom"] == 1
    chromium.execute_script("stage.focus()")
    place = box(chromium)
    wheel |= {"x": place["x"] + 50, "y": place["y"] + 50}
    chromium.execute_cdp_cmd("Input.dispatchMouseEvent", wheel)
    WebDriverWait(chromium, 5).until(lambda _: view(chromium)["zoom"] > 1)
    closer = view(chromium)
    assert closer["zoom"] == pytest.approx(1.221, abs=0.01)
    assert closer["x"] == pytest.approx(50 * (1 - closer["zoom"]), abs=1)  # what is below it stays


def test_by_touch(chromium: Any, tmp_path: Path) -> None:
    shown(chromium, tmp_path, night(), PHONE)
    touches(chromium, [(0.5, 0.5)], [(0.4, 0.5)], [(0.25, 0.5)])
    assert view(chromium)["cut"] == pytest.approx(25, abs=2)
    touches(
        chromium,
        [(0.45, 0.5), (0.55, 0.5)],
        [(0.4, 0.5), (0.6, 0.5)],
        [(0.3, 0.5), (0.7, 0.5)],
    )
    closer = view(chromium)
    assert closer["zoom"] == pytest.approx(4, rel=0.1)
    place = box(chromium)
    assert closer["x"] == pytest.approx(-1.5 * place["w"], rel=0.1)  # held where the fingers were
    touches(chromium, [(0.7, 0.7)], [(0.65, 0.7)], [(0.6, 0.6)])
    moved = view(chromium)
    assert moved["x"] < closer["x"] - 0.05 * place["w"]
    assert moved["y"] < closer["y"] - 0.05 * place["h"]
    wipe = box(chromium, "wipe")
    for kind, u in (("touchStart", 0.3), ("touchMove", 0.5), ("touchMove", 0.75)):
        point = {"x": wipe["x"] + u * wipe["w"], "y": wipe["y"] + wipe["h"] / 2, "id": 0}
        touch = {"type": kind, "touchPoints": [point]}
        chromium.execute_cdp_cmd("Input.dispatchTouchEvent", touch)
    chromium.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    assert view(chromium)["cut"] == pytest.approx(78, abs=3)  # its thumb's middle runs on the way
    quiet(chromium)


def test_by_keys(chromium: Any, tmp_path: Path) -> None:
    shown(chromium, tmp_path, night())
    stage = chromium.find_element(By.ID, "stage")
    before = chromium.execute_script("return scrollY")
    stage.send_keys("+", "+")
    assert view(chromium)["zoom"] == pytest.approx(2.25)
    at = view(chromium)
    stage.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_DOWN)
    place, moved = box(chromium), view(chromium)
    assert moved["x"] - at["x"] == pytest.approx(-0.12 * place["w"], abs=1)
    assert moved["y"] - at["y"] == pytest.approx(-0.12 * place["h"], abs=1)
    stage.send_keys(Keys.ARROW_LEFT, Keys.ARROW_UP)
    assert view(chromium) == pytest.approx(at)
    stage.send_keys("d", "d", "a", "-")
    assert view(chromium)["cut"] == 55
    assert view(chromium)["zoom"] == pytest.approx(1.5)
    stage.send_keys("0")
    assert view(chromium)["zoom"] == 1
    wipe = chromium.find_element(By.ID, "wipe")
    wipe.send_keys(Keys.HOME)
    assert view(chromium)["cut"] == 0
    wipe.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert view(chromium)["cut"] == 3
    assert wipe.get_attribute("aria-valuetext") == "3 % one frame, 97 % all together"
    wipe.send_keys(Keys.END)
    assert view(chromium)["cut"] == 100
    assert isinstance(before, int | float)
    quiet(chromium)


def test_everything_is_reached_with_tab(chromium: Any, tmp_path: Path) -> None:
    shown(chromium, tmp_path, night())
    wanted = {"red", "stage", "wipe", "near", "full", "SUMMARY", "INPUT", "PRE", "A"}
    body = chromium.find_element(By.TAG_NAME, "body")
    reached = set()
    for _ in range(40):
        ActionChains(chromium).send_keys(Keys.TAB).perform()
        active = chromium.switch_to.active_element
        reached |= {active.get_attribute("id"), active.tag_name.upper()}
    assert wanted <= reached
    assert body


def test_the_line_is_where_the_thumb_is(chromium: Any, tmp_path: Path) -> None:
    """The slider's way, less half a thumb on either side, is as wide as the picture."""
    for size in (PHONE, DESK):
        shown(chromium, tmp_path, night(), size)
        stage, wipe = box(chromium), box(chromium, "wipe")
        thumb = 1.75 * 16
        assert wipe["x"] + thumb / 2 == pytest.approx(stage["x"], abs=1)
        assert wipe["w"] - thumb == pytest.approx(stage["w"], abs=1)
        wide = chromium.execute_script("return document.documentElement.scrollWidth")
        assert wide <= size[0]  # nothing makes the page wider than the screen


def test_the_filter_shows_what_is_asked_for(chromium: Any, tmp_path: Path) -> None:
    shown(chromium, tmp_path, night())
    labels = chromium.find_elements(By.CSS_SELECTOR, "#filter label")
    assert [label.text for label in labels] == ["all", "● full weight", "✕ left out"]

    def visible() -> list[str]:
        rows = chromium.find_elements(By.CSS_SELECTOR, "[data-fate]")
        return [row.get_attribute("data-fate") for row in rows if row.is_displayed()]

    labels[2].click()
    assert visible() == ["left out"]
    labels[1].find_element(By.TAG_NAME, "input").send_keys(Keys.ARROW_LEFT)
    assert len(visible()) == 4
    labels[1].click()
    assert visible() == ["full weight"] * 3
    quiet(chromium)


def test_red_light_leaves_red_alone(chromium: Any, tmp_path: Path) -> None:
    import base64

    import imagecodecs
    import numpy as np

    shown(chromium, tmp_path, night())
    chromium.find_element(By.ID, "red").click()
    chromium.execute_script("scrollTo(0, 0)")
    data = base64.b64decode(chromium.get_screenshot_as_base64())
    picture = np.asarray(imagecodecs.png_decode(data))[..., :3]
    assert picture[..., 0].max() > 150
    assert picture[..., 1:].max() <= 2


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("make", [night, hostile, alone], ids=["night", "hostile", "alone"])
def test_axe_finds_nothing(
    chromium: Any, tmp_path: Path, make: Any, size: tuple[int, int], scheme: str
) -> None:
    """axe-core, by Deque, with all of its rules but those that are marked experimental."""
    axe = pytest.importorskip("axe_core_python", reason="axe-core is not installed")
    source = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    shown(chromium, tmp_path, make(), size, scheme)
    for details in chromium.find_elements(By.TAG_NAME, "details"):
        chromium.execute_script("arguments[0].open = true", details)
    chromium.execute_cdp_cmd("Runtime.evaluate", {"expression": source})
    script = "const done = arguments[0]; axe.run().then((found) => done(found.violations))"
    found = chromium.execute_async_script(script)
    assert [(v["id"], [n["html"] for n in v["nodes"]][:3]) for v in found] == []


@pytest.mark.parametrize(
    ("record", "sizes"),
    [(hostile(), (600, 800)), (alone(), (600, 800)), (many(500), (60, 80)), (night(), (2, 2)),
     (night(), (1, 2))],
    ids=["hostile", "alone", "five hundred", "two by two", "two pixels"],
)  # fmt: skip
def test_odd_pages_work(chromium: Any, tmp_path: Path, record: Any, sizes: Any) -> None:
    shown(chromium, tmp_path, record, PHONE, "dark", sizes)
    assert press(chromium, "near")["zoom"] == pytest.approx(1.5)
    assert chromium.execute_script("return window.alerted ?? null") is None
    quiet(chromium)


@pytest.mark.parametrize(("name", "other"), [(STACK, ALONE), (ALONE, STACK)])
def test_one_picture_without_the_other(
    chromium: Any, tmp_path: Path, name: str, other: str
) -> None:
    page = tmp_path / "report.html"
    page.write_text(page_of_night(night(), {name: webp(1, (60, 80))}), encoding="utf-8")
    chromium.get(page.as_uri())
    (figure,) = chromium.find_elements(By.CSS_SELECTOR, "#stage figure")
    clip = "return getComputedStyle(arguments[0]).clipPath"
    assert chromium.execute_script(clip, figure) == "none"
    assert press(chromium, "near")["zoom"] == pytest.approx(1.5)
    assert not chromium.find_elements(By.ID, "wipe")
    missing = "pictures.zip" if other == STACK else "single frame is missing"
    assert missing in chromium.find_element(By.ID, "picture").text


def test_without_a_script_both_pictures_stand(chromium: Any, tmp_path: Path) -> None:
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        shown_without_fonts = tmp_path / "report.html"
        given = {STACK: webp(1, (60, 80)), ALONE: webp(2, (60, 80))}
        shown_without_fonts.write_text(page_of_night(night(), given), encoding="utf-8")
        chromium.get(shown_without_fonts.as_uri())
        figures = chromium.find_elements(By.CSS_SELECTOR, "#stage figure")
        assert [figure.is_displayed() for figure in figures] == [True, True]
        assert not chromium.find_element(By.ID, "tools").is_displayed()
    finally:
        chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_it_asks_nothing_of_a_server_that_is_there(chromium: Any, tmp_path: Path) -> None:
    """Served over HTTP the page asks for itself and for nothing else."""
    asked: list[str] = []

    class Listening(http.server.SimpleHTTPRequestHandler):
        def __init__(self, *given: Any) -> None:
            super().__init__(*given, directory=str(tmp_path))

        def do_GET(self) -> None:
            asked.append(self.path)
            super().do_GET()

        def log_message(self, *_given: Any) -> None:
            pass

    shown(chromium, tmp_path, hostile())
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Listening)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        chromium.get(f"http://127.0.0.1:{server.server_port}/report.html")
        press(chromium, "near")
        press(chromium, "whole")
    finally:
        server.shutdown()
        server.server_close()
    assert asked == ["/report.html"]
