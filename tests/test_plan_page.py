"""The page of a planned night: what it lets in, what it says, and that it holds together."""

from __future__ import annotations

import base64
import copy
import fnmatch
import hashlib
import re
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import pytest
from grids import corners
from test_cli_plan import CASES, told
from test_comparison_page import HOSTILE, Page, contrast, red_only

from stackkit.report.plan_charts import moon_disc
from stackkit.report.plan_page import page_of_plan, write_page

RARE = ("a year", "a target", "date line", "a small circle")


@pytest.fixture(scope="module", params=corners(CASES, [c for c in CASES if c not in RARE]))
def made(request):
    return told(request.param)


@pytest.fixture(scope="module")
def plain():
    return told("one night")


def test_the_page_holds_together(made):
    page = Page(page_of_plan(made))
    assert page.open == []
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    referred = [link[1:] for link in page.values("href") if link[0] == "#"]
    referred += [
        word for name in ("aria-labelledby",) for word in " ".join(page.values(name)).split()
    ]
    assert set(referred) <= set(ids)
    for words in ("does not know the weather", "Never point a camera", *made["summary"]):
        assert words in page.text


def test_nothing_is_let_in(made):
    text = page_of_plan(made)
    page = Page(text)
    (policy,) = [
        attrs["content"]
        for _, attrs in page.elements
        if attrs.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    digest = hashlib.sha256("".join(page.inline["style"]).encode()).digest()
    assert rules["style-src"] == f"'sha256-{base64.b64encode(digest).decode()}'"
    assert rules["default-src"] == rules["script-src"] == "'none'"
    assert "script" not in {tag for tag, _ in page.elements}
    assert page.values("src") == []
    assert not [name for _, attrs in page.elements for name in attrs if name.startswith("on")]
    assert page.values("style") == []
    assert not re.search(r"https?:|url\(|@import", text)


def test_every_picture_is_told_in_words(made):
    text = page_of_plan(made)
    for found in re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL):
        root = ElementTree.fromstring(found)
        if root.get("aria-hidden") == "true":
            continue
        assert root.get("role") == "img"
        title, words = root.find("title"), root.find("desc")
        assert root.get("aria-labelledby") == f"{title.get('id')} {words.get('id')}"
        assert len(words.text) > 20
        for element in root.iter():
            for value in element.attrib.values():
                assert "nan" not in value


def test_words_of_a_record_are_escaped(plain):
    hostile = copy.deepcopy(plain)
    hostile["pick"]["name"] = hostile["targets"][0]["name"] = HOSTILE[0]
    hostile["summary"], hostile["remarks"] = list(HOSTILE), [HOSTILE[1]]
    hostile["place"]["zone"] = HOSTILE[4]
    hostile["checklist"][0]["items"] = list(HOSTILE)
    hostile["night"]["reason"] = HOSTILE[1]
    for row in hostile["chart"]["curves"]["targets"]:
        row["name"] = HOSTILE[0]
    hostile["chart"]["sky"]["stars"][0].update(name=HOSTILE[0], mag=0.0)
    page = Page(page_of_plan(hostile))
    assert "script" not in {tag for tag, _ in page.elements}
    assert not [name for _, attrs in page.elements for name in attrs if name.startswith("on")]
    assert HOSTILE[0] in page.text


def test_events_stand_in_order_even_when_clocks_change():
    page = Page(page_of_plan(told("clocks go back")))
    words = page.text
    order = [
        "Sunset",
        "Civil twilight ends",
        "Astronomical twilight ends",
        "Astronomical twilight begins",
        "Sunrise",
    ]
    assert [words.index(word) for word in order] == sorted(words.index(word) for word in order)


def test_the_nights_ahead_are_weeks_from_monday():
    text = page_of_plan(told("thirty nights"))
    rows = re.findall(r'<td class="(\w+)', text)
    assert len(rows) % 7 == 0
    # 20 October 2026 is a Tuesday (datetime): one empty cell goes before it.
    assert datetime(2026, 10, 20, tzinfo=UTC).weekday() == 1
    assert rows[0] == "none"
    assert sum(row != "none" for row in rows) == 30
    assert text.count('class="rank"') == 5


def lit_side(svg):
    """Share of the disc's width that is lit on each side of the middle, from its path."""
    path = ElementTree.fromstring(svg).findall("path")[0].get("d")
    outer, bulge, inner = re.fullmatch(
        r"M0-10A10 10 0 0 (\d) 0 10A([\d.]+) 10 0 0 (\d) 0-10Z", path
    ).groups()
    limb = 1 if outer == "1" else -1
    terminator = float(bulge) / 10 * (1 if inner == "0" else -1)
    return limb, terminator


@pytest.mark.parametrize("south", [False, True])
@pytest.mark.parametrize("waxing", [False, True])
@pytest.mark.parametrize("lit", [0.1, 0.4, 0.6, 0.9])
def test_the_moon_is_lit_on_the_side_it_is(lit, waxing, south):
    """A waxing Moon is lit on the right in the north, in the south on the left: common practice."""
    limb, terminator = lit_side(moon_disc(lit, waxing, south))
    assert limb == (1 if waxing != south else -1)
    # From limb to terminator, as a share of the diameter, is the lit share (Meeus, chapter 48).
    assert abs(limb - terminator) / 2 == pytest.approx(lit, abs=0.006)


def test_the_page_is_written_whole_or_not_at_all(plain, tmp_path):
    path = tmp_path / "plan.html"
    write_page(plain, path)
    assert path.read_text(encoding="utf-8") == page_of_plan(plain)
    assert [p.name for p in tmp_path.iterdir()] == ["plan.html"]


def schemes(style):
    """Colours by day, in the dark and in red light, of which red alone is left."""
    blocks = [
        {name: re.sub("^#(.)(.)(.)$", r"#\1\1\2\2\3\3", value) for name, value in found}
        for block in re.findall(r":root[^{]*\{([^}]*)\}", style.split("@media print")[0])
        if len(found := re.findall(r"--([\w-]+): (#\w+);", block)) > 4
    ]
    # The page's own block of each scheme follows those of the common style.
    assert len(blocks) == 6
    day, dark, red = ({**blocks[k], **blocks[k + 3]} for k in range(3))
    return day, dark, {name: red_only(value) for name, value in red.items()}


def test_charts_can_be_read_on_their_grounds(plain):
    """WCAG 2.2: writing at least 4.5 (1.4.3), lines and shapes at least 3 (1.4.11)."""
    style = "".join(Page(page_of_plan(plain)).inline["style"])
    bands = ("day", "civil", "nautical", "deep", "darkest", "sky", "ground-fill")
    for colours in schemes(style):
        for ground in bands:
            assert contrast(colours["ink"], colours[ground]) >= 4.5, (ground, colours)
            for line in ("strong", "moon"):
                assert contrast(colours[line], colours[ground]) >= 3, (line, ground, colours)
        assert contrast(colours["moon-lit"], colours["moon-unlit"]) >= 3


def test_the_parts_of_a_plan_are_installed():
    root = Path(__file__).parent.parent
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    setuptools = project["tool"]["setuptools"]
    assert "stackkit.plan" in setuptools["packages"]
    for name in ("plan/targets.json", "plan/stars.json"):
        assert (root / "stackkit" / name).exists()
        globs = setuptools["package-data"]["stackkit"]
        assert any(fnmatch.fnmatch(name, glob) for glob in globs)
    needs = " ".join(project["project"]["dependencies"])
    for package in ("pyerfa", "tzfpy", "tzdata", "icalendar"):
        assert package in needs
