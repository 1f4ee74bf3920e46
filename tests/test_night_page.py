"""The page of a night: what it lets in, what it says, and that it stays small."""

from __future__ import annotations

import base64
import copy
import re

import imagecodecs
import numpy as np
import pytest
from html_page import Page, fetches_nothing, holds_its_policy, holds_together
from jsonschema import Draft202012Validator
from sample_record import light, sample_record

from stackkit.output.write import PICTURE_BYTES
from stackkit.picture import thumbnails
from stackkit.picture.archive import ALONE, STACK
from stackkit.record.file import plain
from stackkit.report import page_of_night
from stackkit.report.frames import Fate, frames_of
from stackkit.report.maps import coverage_map, field_map
from stackkit.report.night_words import command_of
from stackkit.report.time_chart import Line, time_chart
from stackkit.schemas.fields import schema_of
from stackkit.schemas.run import RunRecord

VALIDATOR = Draft202012Validator(schema_of(RunRecord))
HOSTILE = (
    "<script>alert(1)</script>",
    "\"'><img src=x onerror=alert(1)>",
    "🔭🌌 ночь 夜",
    "</style></title>&amp;{{ 7*7 }}",
    "https://example.org/a.js",
    "javascript:alert(1)",
)


def webp(seed=0, size=(9, 12), grain=60):
    noise = np.random.default_rng(seed).integers(0, grain, (*size, 3), dtype=np.uint8)
    return bytes(imagecodecs.webp_encode(noise, level=50, lossless=False))


def night(**changes):
    record = plain(sample_record())
    for k, row in enumerate(record["frames"][:4]):
        row["picture"] = f"frame-{k + 1:05d}.webp"
    record.update(copy.deepcopy(changes))
    return record


def pictures(record):
    names = [row["picture"] for row in record["frames"] if row["picture"]]
    return {STACK: webp(1), ALONE: webp(2), **{name: webp(3) for name in names}}


def many(frames):
    rows = [
        light(
            f"night_{k:04d}.dng",
            f"2026-10-13T{20 + k // 180:02d}:{k // 3 % 60:02d}:{k % 3 * 20:02d}Z",
            picture=f"frame-{k + 1:05d}.webp",
            fwhm_px=2 + 0.1 * (k % 7),
        )
        for k in range(frames)
    ]
    return night(frames=plain(rows))


def hostile():
    record = night(reference=HOSTILE[0], advice=list(HOSTILE), warnings=list(HOSTILE))
    for row, name in zip(record["frames"], HOSTILE, strict=False):
        row["file"] = name
        row["reason"] = name if row["reason"] else ""
    record["story"][0]["text"] = HOSTILE[1]
    record["camera"]["name"] = HOSTILE[0]
    record["options"].update(paths=list(HOSTILE), more=HOSTILE[1])
    record["versions"][HOSTILE[0]] = HOSTILE[1]
    record["calibration"]["masters"] = list(HOSTILE)
    record["calibration"]["files"] = [{"file": HOSTILE[0], "sha256": "ab" * 32}]
    record["sessions"][0].update(first=HOSTILE[0], why=HOSTILE[1])
    return record


def emptied():
    """What is known of nothing."""
    record = night(reference=None, frames=[], warnings=[], story=[], advice=[], sessions=[])
    record["camera"] = {**dict.fromkeys(record["camera"]), "orientation": 1}
    record["geometry"] = dict.fromkeys(record["geometry"])
    for key in ("noise_gain", "rejected_share", "faintest"):
        record["integration"][key] = None
    record["integration"].update(noise_by_frames=[], trails=[])
    record.update(colour=None, gradient=None, editing=None)
    return record


def alone():
    """A single frame of which hardly anything could be told."""
    record = emptied()
    row = light("only.dng", None, picture="frame-00001.webp")
    nothing = dict.fromkeys(
        ("exposure_s", "iso", "fwhm_px", "matched", "residual_px", "zones_px", "transparency",
         "light", "sky_adu", "turn_deg", "chance", "mapping")
    )  # fmt: skip
    record.update(reference="only.dng", frames=plain([{**row, **nothing}]))
    record["integration"].update(frames=1, coverage={"columns": 1, "rows": 1, "frames": [1.0]})
    return record


RECORDS = {
    "example": night(),
    "hostile": hostile(),
    "nothing": emptied(),
    "one frame": alone(),
    "many": many(90),
}
each_record = pytest.mark.parametrize("record", RECORDS.values(), ids=RECORDS)


def rendered(record):
    return page_of_night(record, pictures(record))


@each_record
def test_records_follow_the_schema(record):
    VALIDATOR.validate(record)


@each_record
def test_nothing_comes_in_and_nothing_runs_but_the_script(record):
    page = Page(rendered(record))
    holds_its_policy(page)
    fetches_nothing(page)
    holds_together(page)


@each_record
def test_without_pictures_the_page_stands(record):
    page = Page(page_of_night(record, {}))
    holds_together(page)
    assert not [tag for tag, _ in page.elements if tag == "img"]
    assert "pictures.zip" in page.text


def test_the_script_finds_what_it_asks_for():
    page = Page(rendered(night()))
    asked = set(re.findall(r'by\("([^"]+)"\)', "".join(page.inline["script"])))
    assert len(asked) > 7
    assert asked <= set(page.values("id"))


def test_hostile_names_stay_words():
    text = rendered(hostile())
    page = Page(text)
    assert "<script>alert" not in text
    assert "<img src=x" not in text
    assert {tag for tag, _ in page.elements} <= {tag for tag, _ in Page(rendered(night())).elements}
    for name in HOSTILE:
        assert name in page.text


def test_a_name_that_is_no_utf_8_can_be_written():
    record = night()
    record["frames"][0]["file"] = "IMG\udc80.dng"
    text = rendered(record)
    assert "IMG\\udc80.dng" in text
    assert text.encode("utf-8")


def test_what_became_of_each_frame_is_told_in_words_and_signs():
    record = night()
    record["frames"][0].update(cause="cloud", reason="cloud: 40 % of the light lost; weight 0.44")
    frames = frames_of(record, {})
    assert [frame.fate for frame in frames] == [Fate.LESS, Fate.FULL, Fate.OUT, Fate.FULL]
    assert len({frame.sign for frame in frames}) == 3
    assert [frame.share for frame in frames] == [0.5, 0.5, 0.0, 1.0]
    text = Page(rendered(record)).text
    assert "Cloud: 40 % of the light lost." in text
    assert "Out of focus: stars 4.0 times as wide as usual." in text
    assert "left out" in text
    assert "weight 2.00" in text


@pytest.mark.parametrize("frames", [100, 500])
def test_the_page_stays_small(frames):
    """With pictures as large as they may become: grain that does not compress."""
    record = many(frames)
    side, most = thumbnails.side_of(frames), thumbnails.BYTES // frames
    grain = np.random.default_rng(4).integers(0, 255, (side * 3 // 4, side, 3), dtype=np.uint8)
    thumbnail = thumbnails.webp(grain, most)
    assert len(thumbnail) <= most
    given = {row["picture"]: thumbnail for row in record["frames"]}
    large = b"RIFF0000WEBP" + bytes(PICTURE_BYTES - 12)
    page = page_of_night(record, {STACK: large, ALONE: large, **given})
    assert len(page.encode()) <= 8_000_000


def test_the_command_makes_the_run_again():
    record = night()
    record["options"].update(paths=["my night", "it's"], session=2, keep_place=True)
    record["options"].update(bits=16, white=[1.9, 1.0, 1.5], dng=True)
    record["options"]["masters"] = ["a", "b"]
    assert command_of(record) == [
        "stackkit stack 'my night' 'it'\"'\"'s'",
        "--method clip",
        "--masters a",
        "--masters b",
        "--keep-place",
        "--sampling 1",
        "--session 2",
        "--tiff 16",
        "--white 1.9,1,1.5",
        "--dng",
        "--out out",
    ]


def test_charts_name_axes_and_units():
    svg = str(time_chart("k", "Star width", "pixels", [Line([2.0, None, 3.0])], list(Fate), None))
    assert "<title" in svg
    assert "from 2.00 to 3.00" in svg
    assert ">pixels</text>" in svg
    assert ">frame</text>" in svg
    assert svg.count("<circle") == 1
    assert svg.count("cross") == 1
    assert time_chart("k", "t", "u", [Line([2.0])], [Fate.FULL], None) is None


def marks(svg):
    """Heights (units, downwards) of the dots of a chart."""
    return [float(y) for y in re.findall(r'<circle class="dot"[^>]* cy="([-\d.]+)"', svg)]


@pytest.mark.parametrize(
    "values",
    [
        [1.0, 2.0, 4.0, 8.0],
        [5.0, 5.0, 5.0],
        [0.0, 0.0],
        [-3.0, 1e-9, 4e5],
        [20.0, 21.0, 22.0, 3000.0],
        [1e-12, 2e-12],
    ],
)
def test_points_lie_within_the_chart_in_the_order_of_their_values(values):
    svg = str(time_chart("k", "t", "u", [Line(values)], [Fate.FULL] * len(values), None))
    heights = marks(svg)
    assert len(heights) == len(values)
    assert all(30 <= height <= 176 for height in heights)
    assert heights == sorted(heights, reverse=True)


def test_the_map_of_coverage_stands_upright():
    # EXIF 2.32, orientation 6: the first row of the file is the right side of the scene.
    grid = {"columns": 2, "rows": 1, "frames": [1.0, 9.0]}
    plain_map, turned = (str(coverage_map(grid, way)) for way in (1, 6))
    places = r'class="shade-(\d)" x="([\d.]+)" y="([\d.]+)"'
    assert [(s, x != "0.00") for s, x, _ in re.findall(places, plain_map)] == [
        ("1", False),
        ("8", True),
    ]
    assert [(s, y != "0.00") for s, _, y in re.findall(places, turned)] == [
        ("1", False),
        ("8", True),
    ]


@pytest.mark.parametrize(
    ("way", "along"),
    # Where a step to the right on the sensor goes when it stands upright (EXIF 2.32, Orientation).
    [(1, (1, 0)), (2, (-1, 0)), (3, (-1, 0)), (4, (1, 0)), (5, (0, 1)), (6, (0, 1)), (7, (0, -1)),
     (8, (0, -1))],
)  # fmt: skip
def test_arrows_of_the_lens_turn_with_the_picture(way, along):
    found = field_map({"columns": 1, "rows": 1, "px": [[0.1, 0.0]]}, (400, 300), way)
    assert found is not None
    x, y, to_x, to_y = map(
        float, re.search(r'arrow" d="M(\S+) (\S+)L(\S+) (\S+?)M', str(found[0])).groups()
    )
    assert np.sign([round(to_x - x), round(to_y - y)]).tolist() == list(along)
    assert found[1] == pytest.approx(0.1)


def test_pictures_are_those_that_were_given():
    record = night()
    given = pictures(record)
    sources = Page(page_of_night(record, given)).values("src")
    held = [base64.b64decode(source.partition(",")[2]) for source in sources]
    assert sorted(held) == sorted(given.values())
