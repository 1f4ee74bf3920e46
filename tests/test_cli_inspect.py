"""``stackkit inspect`` from outside: what it says, its JSON, its exit status."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import tifffile
from command_line import TINY, contents, fault, good, one_frame, run, three_frames
from jsonschema import Draft202012Validator
from stackkit_cli.inspection_text import text
from tiff_blocks import GPS_IFD, in_jpeg, tiff_block

from stackkit.inspect import inspect
from stackkit.raw.headers.metadata import read_place
from stackkit.schemas.fields import schema_of
from stackkit.schemas.inspection import InspectionRecord
from stackkit.simulate import Calibration, write_calibration


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory, small_night: Path) -> Path:
    """Three frames of the small night, one cut short, darks in a folder, a picture and a text."""
    folder = three_frames(small_night, tmp_path_factory.mktemp("inspect") / "night")
    data = (folder / "night_0002.dng").read_bytes()
    (folder / "night_0009.dng").write_bytes(data[: len(data) // 2])
    shutil.copy(small_night / "truth.json", folder)
    flat = np.full((240, 320, 3), 90, np.uint8)
    (folder / "night_0001.jpg").write_bytes(imagecodecs.jpeg8_encode(flat))
    (folder / "darks").mkdir()
    write_calibration(TINY, folder / "darks", Calibration.DARK, 2)
    return folder


@pytest.fixture(scope="module")
def record(night: Path) -> dict:
    return inspect([night], jobs=2)


def test_json_is_one_document_that_fits_its_schema(night: Path, record: dict) -> None:
    before = contents(night / "darks")
    printed = json.loads(good("inspect", night, "--json", "--jobs", 2))
    Draft202012Validator(schema_of(InspectionRecord)).validate(printed)
    assert printed == record
    assert contents(night / "darks") == before


@pytest.mark.parametrize("columns", [80, 50, 40])
def test_words_fit_the_terminal(record: dict, columns: int) -> None:
    said = text(record, columns)
    assert max(map(len, said.splitlines())) <= max(columns, 50)
    flat = " ".join(said.split())
    for words in (
        "Lights: 3 files, night_0001.dng to night_0003.dng",
        "Darks: 2 files",
        "320 × 240, untouched raw RGGB",
        "8 s, ISO 3200, f/1.8",
        "12 of 16 bits used; black 256, white 4095",
        "2026-10-13 20:41:11 to 20:41:51 UTC, one every 20 s",
        "night_0001.jpg: a JPEG picture, not a raw one",
        "truth.json: a text file, not a raw picture",
        "Fit for stacking: 3 of 4. Not: night_0009.dng: a broken-off copy",
        "Fit as darks: all 2 frames.",
    ):
        assert words in flat, words
    for name in ("night_0001.dng", "night_0002.dng", "night_0003.dng"):
        assert any(line.strip().startswith(name) for line in said.splitlines())


def test_one_file_tells_all_of_itself(small_night: Path) -> None:
    said = good("inspect", small_night / "night_0001.dng")
    assert said.startswith("Light: night_0001.dng\n")
    assert "One frame alone" in said
    assert said.rstrip().endswith("Fit for stacking: the one frame.")


def test_a_test_shot_in_daylight(tmp_path: Path) -> None:
    path = one_frame(tmp_path / "test.dng", exposure=0.004)
    said = " ".join(good("inspect", path).split())
    assert "Daylight test: test.dng" in said
    assert "1/250 s" in said
    assert "fine as a test of what the camera writes" in said
    assert "trailed" not in said


def test_the_place_is_never_shown(tmp_path: Path) -> None:
    # EXIF 2.32, 4.6.6: latitude and longitude in degrees, minutes and seconds.
    place = {1: (2, "N"), 2: (5, (57, 1, 12, 1, 34, 1)), 3: (2, "E"), 4: (5, (13, 1, 41, 1, 9, 1))}
    picture = imagecodecs.jpeg8_encode(np.full((64, 96, 3), 90, np.uint8))
    start = in_jpeg(tiff_block({274: (3, (1,))}, {GPS_IFD: place}))
    path = tmp_path / "a.jpg"
    path.write_bytes(start[: start.index(b"\xff\xdb")] + picture[2:])
    assert read_place(path) is not None
    printed = json.loads(good("inspect", path, "--json"))
    assert printed["files"][0]["place"] is True
    del printed["files"][0]["folder"]
    said = good("inspect", path)
    assert "carry where they were taken (not shown)" in " ".join(said.split())
    for output in (said, json.dumps(printed)):
        assert not re.search(r"\b(57|12|13|41)[.°]", output)
        assert "latitude" not in output.lower()


def test_quick_reads_headers_only(small_night: Path) -> None:
    said = good("inspect", "--quick", small_night)
    assert "6 lights." in said
    assert "Only the headers were read" in said
    assert "Noise" not in said


def test_status_by_what_could_be_read(tmp_path: Path, small_night: Path) -> None:
    assert "nowhere" in fault(1, "inspect", tmp_path / "nowhere")
    (tmp_path / "a.txt").write_text("hello")
    assert "a.txt" in fault(1, "inspect", tmp_path)
    assert "--jobs" in fault(2, "inspect", small_night, "--jobs", 0)
    assert "PATH" in fault(2, "inspect")


def test_frames_whose_pixels_are_gone(tmp_path: Path) -> None:
    path = one_frame(tmp_path / "a.dng")
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages.first
        end = page.dataoffsets[-1] + page.databytecounts[-1]
    data = path.read_bytes()
    path.write_bytes(data[: end - 2000] + bytes(2000) + data[end:])
    outcome = run("inspect", path)
    assert outcome.status == 1
    assert "a.dng: damaged" in outcome.out
