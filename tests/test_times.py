"""Times: which clock is believed, and what is said of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from tiff_blocks import EXIF_IFD, GPS_IFD, Fields, tiff_block

from stackkit.raw.headers.metadata import read_metadata
from stackkit.raw.headers.times import by_name, warned

NAMED = "file name, zone not known, taken as UTC"
GPS_TIME: Fields = {7: (5, (20, 1, 41, 1, 15, 2)), 29: (2, "2024:10:13")}
DATE: Fields = {36867: (2, "2024:10:13 22:41:07"), 36881: (2, "+02:00")}
LENGTH: Fields = {33434: (5, (4, 1))}


def taken(path: Path, exif: Fields, gps: Fields) -> tuple[datetime | None, str | None]:
    path.write_bytes(tiff_block({256: (4, (64,))}, {EXIF_IFD: exif, GPS_IFD: gps}))
    found = read_metadata(path)
    return found.time, found.time_source


@pytest.mark.parametrize(
    ("name", "clock"),
    [
        ("IMG_20241013_204107.dng", "20:41:07"),
        ("PXL_20241013_204107123.RAW-01.dng", "20:41:07.123"),
        ("20241013-204107.DNG", "20:41:07"),
        ("2024-10-13 20.41.07.dng", "20:41:07"),
        ("night_2024-10-13_20-41-07_0001.dng", "20:41:07"),
        ("20241313_204107_20241013_204108.dng", "20:41:08"),
    ],
)
def test_a_time_in_the_name(name: str, clock: str) -> None:
    time, source = by_name(name, 4.0)
    assert time == datetime.fromisoformat(f"2024-10-13T{clock}+00:00") + timedelta(seconds=2)
    assert source == NAMED


@pytest.mark.parametrize(
    "name",
    [
        "IMG_0001.dng",
        "20241013.dng",
        "IMG_20241013_1.dng",
        "20241013204107.dng",
        "120241013_204107.dng",
        "20241013_2041070.dng",
        "20241013_2041071234.dng",
        "20241313_204107.dng",
        "20240230_204107.dng",
        "20241013_246107.dng",
        "12341013_204107.dng",
    ],
)
def test_numbers_in_the_name_that_are_no_time(name: str) -> None:
    assert by_name(name, 4.0) == (None, None)


@examples(60)
@given(
    moment=st.datetimes(datetime(1990, 1, 1), datetime(2099, 12, 31)),
    prefix=st.sampled_from(["", "IMG_", "frame-", "a b "]),
    milli=st.booleans(),
)
def test_any_time_in_a_name_is_found(moment: datetime, prefix: str, milli: bool) -> None:
    digits = f"{moment.microsecond // 1000:03}" if milli else ""
    time, source = by_name(f"{prefix}{moment:%Y%m%d_%H%M%S}{digits}.dng", None)
    kept = moment.microsecond // 1000 * 1000 if milli else 0
    assert time == moment.replace(microsecond=kept, tzinfo=UTC)
    assert source == f"{NAMED}, start of an exposure of unknown length"


def test_the_best_clock_is_believed(tmp_path: Path) -> None:
    path = tmp_path / "IMG_20250101_000000.dng"
    middle = datetime(2024, 10, 13, 20, 41, 9, tzinfo=UTC)
    assert taken(path, {**DATE, **LENGTH}, GPS_TIME) == (middle, "EXIF")
    # EXIF 2.32, 4.6.6: the GPS time is UTC, and seconds may have a fraction.
    stamp = middle + timedelta(seconds=0.5)
    assert taken(path, LENGTH, GPS_TIME) == (stamp, "GPS time stamp")
    new_year = datetime(2025, 1, 1, 0, 0, 2, tzinfo=UTC)
    assert taken(path, LENGTH, {}) == (new_year, NAMED)
    assert taken(tmp_path / "a.dng", LENGTH, {}) == (None, None)


@pytest.mark.parametrize(
    "gps",
    [
        {29: (2, "2024:10:13")},
        {**GPS_TIME, 29: (2, "0000:00:00")},
        {**GPS_TIME, 7: (5, (24, 1, 0, 1, 0, 1))},
        {**GPS_TIME, 7: (5, (20, 1, 41, 0, 7, 1))},
        {**GPS_TIME, 7: (5, (20, 1, 41, 1))},
        {**GPS_TIME, 7: (5, (20, 1, 41, 1, 75, 1))},
        {7: (5, (23, 1, 59, 1, 60, 1)), 29: (2, "9999:12:31")},
    ],
)
def test_a_gps_stamp_that_is_no_time(tmp_path: Path, gps: Fields) -> None:
    assert taken(tmp_path / "a.dng", LENGTH, gps) == (None, None)


def test_a_time_in_the_future_is_kept_and_said(tmp_path: Path) -> None:
    exif: Fields = {**LENGTH, 36867: (2, "9998:10:13 20:41:07"), 36881: (2, "+00:00")}
    time, source = taken(tmp_path / "a.dng", exif, {})
    assert time == datetime(9998, 10, 13, 20, 41, 9, tzinfo=UTC)
    assert source == "EXIF, lies in the future: a clock is wrong"
    now = datetime(2024, 10, 13, tzinfo=UTC)
    for hours, remark in ((-1, False), (23, False), (25, True)):
        _, source = warned((now + timedelta(hours=hours), "EXIF"), now)
        assert source is not None
        assert ("future" in source) is remark


def test_the_middle_may_lie_beyond_all_dates(tmp_path: Path) -> None:
    exif: Fields = {**LENGTH, 36867: (2, "9999:12:31 23:59:59"), 36881: (2, "-02:00")}
    assert taken(tmp_path / "a.dng", exif, {}) == (None, None)
