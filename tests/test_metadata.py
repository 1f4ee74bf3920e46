"""What files say of themselves, against exifread and against the EXIF standard's own words."""

from __future__ import annotations

import struct
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
import rawpy

from stackkit.output.dng import MosaicTags, mosaic_dng
from stackkit.output.tiff_container import ASCII, LONG, RATIONAL, SHORT, one_picture
from stackkit.raw.headers.metadata import Metadata, read_directories, read_metadata

START = datetime(2024, 10, 13, 20, 41, 7, 250000, tzinfo=UTC)
TAGS = MosaicTags(
    pattern="RGGB",
    black=(64.0,) * 4,
    white=4095,
    make="Lanternfold",
    model="Pocket Two",
    neutral=(0.5, 1.0, 0.66),
    exposure=8.0,
    iso=3200,
    f_number=1.8,
    focal_mm=4.72,
    focal_35mm=23,
    start=START,
)


def tiff(path: Path, main: dict[int, Any], exif: dict[int, Any]) -> Path:
    """A TIFF of 2×2 pixels with these tags."""
    base = {256: (LONG, 2), 257: (LONG, 2), 258: (SHORT, 16), 262: (SHORT, 1), 277: (SHORT, 1)}
    path.write_bytes(one_picture({**base, **main}, exif, bytes(8)))
    return path


def ratio(value: Any) -> float:
    return value.num / value.den


def test_the_same_as_exifread(small_night: Path) -> None:
    # Reference: the exifread library, which shares no code with tifffile.
    for path in sorted(small_night.glob("*.dng")):
        ours = read_metadata(path)
        with path.open("rb") as file:
            theirs = exifread.process_file(file, details=False)
        value = {name: tag.values[0] for name, tag in theirs.items() if tag.values}
        assert ours.exposure == ratio(value["EXIF ExposureTime"])
        assert ours.f_number == ratio(value["EXIF FNumber"])
        assert ours.focal_mm == ratio(value["EXIF FocalLength"])
        assert ours.iso == value["EXIF ISOSpeedRatings"]
        assert ours.focal_35mm == value["EXIF FocalLengthIn35mmFilm"]
        assert ours.orientation == value["Image Orientation"]
        clock = f"{theirs['EXIF DateTimeOriginal']}.{theirs['EXIF SubSecTimeOriginal']}"
        assert ours.time is not None
        start = ours.time - timedelta(seconds=ours.exposure / 2)
        assert start.strftime("%Y:%m:%d %H:%M:%S.%f")[:23] == clock
        assert str(theirs["EXIF OffsetTimeOriginal"]) == "+00:00"


def test_time_is_the_middle_of_the_exposure_with_its_fraction(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(mosaic_dng(np.full((48, 64), 100, np.uint16), TAGS))
    found = read_metadata(path)
    assert found == Metadata(
        camera="Lanternfold Pocket Two",
        time=START + timedelta(seconds=4),
        time_source="EXIF",
        exposure=8.0,
        iso=3200,
        f_number=1.8,
        focal_mm=4.72,
        focal_35mm=23.0,
        orientation=1,
        bits=16,
        neutral=(0.5, 1.0, 0.66),
        colour_profiles=found.colour_profiles,
        baseline_exposure=found.baseline_exposure,
        software=found.software,
    )


@pytest.mark.parametrize(
    ("zone", "hour", "minute"),
    [("+02:00", 18, 41), ("-03:30", 0, 11), ("+00:00", 20, 41), ("+1345", 6, 56)],
)
def test_zones(tmp_path: Path, zone: str, hour: int, minute: int) -> None:
    exif = {36867: (ASCII, "2024:10:13 20:41:07"), 36881: (ASCII, zone), 33434: (RATIONAL, 2)}
    found = read_metadata(tiff(tmp_path / "a.tif", {}, exif))
    assert found.time is not None
    assert found.time.tzinfo is UTC
    assert (found.time.hour, found.time.minute, found.time.second) == (hour, minute, 8)
    assert found.time_source == "EXIF"


@pytest.mark.parametrize("zone", [None, "", "   :  ", "Europe", "+99:00"])
def test_time_without_zone_is_taken_as_utc_and_says_so(tmp_path: Path, zone: str | None) -> None:
    exif: dict[int, Any] = {36867: (ASCII, "2024:10:13 20:41:07"), 33434: (RATIONAL, 2)}
    if zone is not None:
        exif[36881] = (ASCII, zone)
    found = read_metadata(tiff(tmp_path / "a.tif", {}, exif))
    assert found.time == datetime(2024, 10, 13, 20, 41, 8, tzinfo=UTC)
    assert found.time_source == "EXIF, zone not given, taken as UTC"


@pytest.mark.parametrize(
    ("digits", "micro"),
    [("5", 500000), ("05", 50000), ("123456", 123456), ("12345678", 123456), ("25 ", 250000),
     ("", 0), ("x", 0)],
)  # fmt: skip
def test_fractions_of_the_second(tmp_path: Path, digits: str, micro: int) -> None:
    # EXIF 2.32, SubSecTime: the digits stand behind the decimal point, padded with blanks.
    exif = {36867: (ASCII, "2024:10:13 20:41:07"), 37521: (ASCII, digits), 33434: (RATIONAL, 2)}
    found = read_metadata(tiff(tmp_path / "a.tif", {}, exif))
    assert found.time == datetime(2024, 10, 13, 20, 41, 8, micro, tzinfo=UTC)


def test_other_clocks_are_used_and_named(tmp_path: Path) -> None:
    exif = {36867: (ASCII, "0000:00:00 00:00:00"), 36868: (ASCII, "2024:10:13 20:41:07")}
    found = read_metadata(tiff(tmp_path / "a.tif", {306: (ASCII, "2025:01:01 00:00:00")}, exif))
    assert found.time == datetime(2024, 10, 13, 20, 41, 7, tzinfo=UTC)
    assert found.time_source is not None
    assert found.time_source.startswith("EXIF time of digitising")
    assert "unknown length" in found.time_source
    found = read_metadata(tiff(tmp_path / "b.tif", {306: (ASCII, "2025:01:01 00:00:00")}, {}))
    assert found.time == datetime(2025, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize("date", ["", "yesterday", "2024:13:41 20:41:07", "    :  :     :  :  "])
def test_a_date_that_is_none(tmp_path: Path, date: str) -> None:
    found = read_metadata(tiff(tmp_path / "a.tif", {}, {36867: (ASCII, date)}))
    assert (found.time, found.time_source) == (None, None)


def test_figures_that_are_none(tmp_path: Path) -> None:
    exif = {
        33434: (RATIONAL, 0),
        33437: (RATIONAL, 0),
        34855: (SHORT, 0),
        37386: (RATIONAL, 2_000_000),
        41989: (SHORT, 0),
        36867: (ASCII, "9999:12:31 23:59:59"),
    }
    path = tiff(tmp_path / "a.tif", {274: (SHORT, 9)}, exif)
    data = path.read_bytes()
    found = read_metadata(path)
    assert found == Metadata(time=found.time, time_source=found.time_source, bits=16)
    path.write_bytes(data.replace(struct.pack("<II", 0, 1), struct.pack("<II", 0, 0)))  # 0/0
    assert read_metadata(path) == found


def test_a_figure_said_as_a_long_number_of_iso(tmp_path: Path) -> None:
    # EXIF 2.32, PhotographicSensitivity: 65535 when it does not fit; ISOSpeed has it then.
    exif = {34855: (SHORT, 65535), 34867: (LONG, 102400)}
    assert read_metadata(tiff(tmp_path / "a.tif", {}, exif)).iso == 102400


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [
        ("Lanternfold", "Pocket Two", "Lanternfold Pocket Two"),
        ("LANTERNFOLD CORPORATION", "Lanternfold P2", "Lanternfold P2"),
        ("Lanternfold", "", "Lanternfold"),
        (" ", "Pocket Two ", "Pocket Two"),
        ("", "", None),
    ],
)
def test_camera(tmp_path: Path, make: str, model: str, camera: str | None) -> None:
    main = {271: (ASCII, make), 272: (ASCII, model)}
    assert read_metadata(tiff(tmp_path / "a.tif", main, {})).camera == camera


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation(tmp_path: Path, orientation: int) -> None:
    path = tiff(tmp_path / "a.tif", {274: (SHORT, orientation)}, {})
    assert read_metadata(path).orientation == orientation


def test_tags_that_lead_nowhere_are_none_and_silent(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    data = bytearray(mosaic_dng(np.full((48, 64), 100, np.uint16), TAGS))
    at = data.index(struct.pack("<HH", 271, 2))
    data[at + 8 : at + 12] = struct.pack("<I", 0xFFFFFF00)  # the maker's name, past the end
    at = data.index(struct.pack("<HH", 33434, 5))
    data[at + 2 : at + 4] = struct.pack("<H", 99)  # the exposure, of a type that is none
    path.write_bytes(data)
    found = read_metadata(path)
    assert found.exposure is None
    assert found.iso == 3200
    assert found.time == START
    code = (
        "import sys, pathlib; from stackkit.raw.headers.metadata import read_metadata;"
        "read_metadata(pathlib.Path(sys.argv[1]))"
    )
    run = subprocess.run([sys.executable, "-c", code, path], capture_output=True, check=True)
    assert (run.stdout, run.stderr) == (b"", b"")


def test_never_raises_for_damaged_tags(tmp_path: Path) -> None:
    whole = mosaic_dng(np.full((16, 16), 100, np.uint16), TAGS)
    first = struct.unpack("<I", whole[4:8])[0]
    rng = np.random.default_rng(5)
    path = tmp_path / "a.dng"
    for _ in range(150):
        data = bytearray(whole)
        for at in rng.integers(first, len(data), 6):
            data[at] = rng.integers(0, 256)
        path.write_bytes(data)
        found = read_metadata(path)
        assert found.exposure is None or found.exposure > 0
        assert found.orientation in range(1, 9)
        assert found.time is None or found.time.tzinfo is UTC


def minolta_raw(codes: np.ndarray, exposure: float) -> bytes:
    """A raw that is no TIFF: Minolta's container with 16-bit samples (layout from memory)."""
    height, width = codes.shape
    exif = {33434: (RATIONAL, exposure), 33437: (RATIONAL, 1.8), 34855: (SHORT, 3200)}
    exif |= {37386: (RATIONAL, 24), 36867: (ASCII, "2024:10:13 20:41:07")}
    main = {256: (LONG, width), 257: (LONG, height), 271: (ASCII, "KONICA MINOLTA")}
    inner = one_picture({**main, 272: (ASCII, "DYNAX 7D")}, exif, b"")
    shape = struct.pack(">HHHHBBBBHH", height, width, height, width, 16, 12, 0x52, 0, 0, 1)
    blocks = b""
    for name, block in ((b"\0PRD", b"21860002" + shape), (b"\0TTW", inner)):
        blocks += name + struct.pack(">I", len(block)) + block
    return b"\0MRM" + struct.pack(">I", len(blocks)) + blocks + codes.astype(">u2").tobytes()


@pytest.mark.skipif(not hasattr(rawpy.RawPy, "other"), reason="this rawpy tells no exposure")
def test_a_raw_that_is_no_tiff_goes_through_libraw(tmp_path: Path, codes: np.ndarray) -> None:
    path = tmp_path / "a.mrw"
    path.write_bytes(minolta_raw(codes, 8))
    assert read_directories(path) == ()
    found = read_metadata(path)
    assert (found.exposure, found.iso, found.f_number, found.focal_mm) == (8.0, 3200, 1.8, 24.0)
    assert found.time == datetime(2024, 10, 13, 20, 41, 11, tzinfo=UTC)
    assert found.time_source == "camera clock in whole seconds, zone not given, taken as UTC"


def test_a_raw_that_says_nothing(tmp_path: Path, codes: np.ndarray) -> None:
    path = tmp_path / "a.mrw"
    path.write_bytes(minolta_raw(codes, 0).replace(b"2024:10:13", b"0000:00:00"))
    found = read_metadata(path)
    assert (found.exposure, found.time) == (None, None)


@pytest.mark.parametrize("data", [b"", b"II*\0", b"a text", bytes(5000), b"\0MRM" + bytes(99)])
def test_no_raw_at_all(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(data)
    assert read_metadata(path) == Metadata()
    assert read_metadata(tmp_path / "none.dng") == Metadata()
