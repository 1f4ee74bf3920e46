"""The page of a comparison: safe, self-contained, complete, and never broken by what is missing."""

from __future__ import annotations

import base64
import copy
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from stackkit_cli.comparison_text import comparison_text

from stackkit.report.chart import convergence_chart, convergence_verdict
from stackkit.report.comparison_page import page_of_comparison

PNG = bytes(imagecodecs.png_encode(np.zeros((4, 6, 3), np.uint8)))


def method(name, **more):
    return {
        "name": name,
        "purpose": "what it does",
        "parameters": {"kappa": 3.0},
        "noise_gain": 4.8,
        "noise_share": 0.98,
        "width_px": 2.5,
        "width_ratio": 0.94,
        "depth_mag": 1.7,
        "faintest_adu": 20.0,
        "trail_left": 0.01,
        "hot_left": 0.002,
        "core_bias": -0.001,
        "colour_shift": [0.001, -0.0004],
        "rejected_share": 0.004,
        "seconds": 2.0,
        "score": 1.0,
        **more,
    }


def record_of(*names):
    return {
        "format": "stackkit-compare/1",
        "version": "1.0",
        "made": "2026-11-26T01:20:00Z",
        "frames": {
            "given": 26,
            "used": 24,
            "reference": "IMG_12.dng",
            "exposure_s": 8.0,
            "total_s": 192.0,
        },
        "camera": {"name": None},
        "methods": [method(name) for name in names],
        "recommendation": {"method": names[0], "reasons": ["It is best."], "as_good": []},
        "convergence": [{"frames": n, "noise_gain": n**0.5} for n in (1, 2, 4, 8, 16, 24)],
        "crops": [
            {
                "place": "star-field",
                "title": "A field of stars",
                "x": 9,
                "y": 9,
                "width": 160,
                "height": 120,
                "magnified": 3,
                "pictures": {name: f"star-field-{k}.png" for k, name in enumerate(names)},
                "note": "Look.",
            }
        ],
        "timing": {"shared_s": 12.0, "all_s": 40.0},
    }


def crops_of(record):
    return {name: PNG for place in record["crops"] for name in place["pictures"].values()}


class _Tags(HTMLParser):
    def __init__(self, page):
        super().__init__()
        self.ids, self.links, self.open, self.inline = [], [], [], {"style": "", "script": ""}
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        found = dict(attrs)
        assert not [name for name in found if name.startswith("on") or name == "style"]
        self.ids += [found["id"]] if "id" in found else []
        self.links += [found[name] for name in ("src", "href", "action") if name in found]
        self.open.append(tag)

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        if self.open and self.open[-1] in self.inline:
            self.inline[self.open[-1]] += data


HOSTILE = ["<script>alert(1)</script>", '"><img src=x onerror=1>', "“ünï” 🌌" * 20, "a" * 200]


@pytest.mark.parametrize("names", [["by-sample", "mean"], ["only"], HOSTILE, list("abcdefghijkl")])
def test_the_page_is_whole_and_safe(names):
    record = record_of(*names)
    record["camera"]["name"] = names[0]
    page = page_of_comparison(record, crops_of(record))
    tags = _Tags(page)
    assert len(tags.ids) == len(set(tags.ids))
    assert all(link.startswith("data:image/png") for link in tags.links)
    assert len(tags.links) == len(names)
    assert not re.search(r"https?://", page)
    policy = re.search(r'Policy" content="([^"]+)"', page)[1].replace("&#39;", "'")
    assert "default-src 'none'" in policy
    for kind, text in tags.inline.items():
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    assert "<script>alert" not in page


def test_what_is_unknown_is_a_dash():
    record = record_of("one", "two")
    for row in record["methods"]:
        for key in ("noise_gain", "noise_share", "depth_mag", "trail_left", "hot_left"):
            row[key] = None
        for key in ("width_px", "core_bias", "colour_shift", "rejected_share"):
            row[key] = None
    record["convergence"] = [{"frames": 1, "noise_gain": None}]
    record["crops"] = []
    page = page_of_comparison(record, {})
    assert page.count(">–<") >= 18
    assert "<svg" not in page
    assert 'id="viewer"' not in page
    assert "–" in comparison_text(record, Path("out"))


def test_a_crop_that_is_not_there_is_left_out():
    record = record_of("one", "two")
    page = page_of_comparison(record, {"star-field-0.png": PNG})
    assert page.count("data:image/png") == 1


def test_the_recommended_method_is_marked_in_words():
    page = page_of_comparison(*(lambda r: (r, crops_of(r)))(record_of("one", "two")))
    assert page.count("take this") == 1
    assert "(best)" in page


def test_the_chart_has_the_line_and_every_point():
    rows = record_of("one")["convergence"]
    chart = str(convergence_chart(rows))
    assert chart.count("<circle") == 6
    assert "√N" in chart
    assert "every frame counted" in convergence_verdict(rows)
    poor = copy.deepcopy(rows)
    poor[-1]["noise_gain"] = 3.0
    assert "61 %" in convergence_verdict(poor)
    assert convergence_chart(rows[:1]) is None


@pytest.mark.parametrize("columns", [60, 80, 120, 200])
@pytest.mark.parametrize("names", [["by-sample"], list("abcdefghijkl")])
def test_the_table_fits_the_terminal(columns, names, tmp_path):
    text = comparison_text(record_of(*names), tmp_path, columns)
    table = text.split("\n\n")[1].splitlines()
    assert max(map(len, table)) <= max(columns, 80)
    assert len(table) == 2 + len(names)
    assert table[2].startswith(f"{names[0]} ←")
