"""Directories of TIFF-like files: against tifffile and exifread, and with damage of all kinds."""

from __future__ import annotations

import math
import struct
import tracemalloc
from pathlib import Path
from typing import Any

import exifread
import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from tiff_blocks import EXIF_IFD, GPS_IFD, Fields, in_jpeg, tiff_block

from stackkit.raw.headers.metadata import Metadata, read_metadata, read_place
from stackkit.raw.headers.tags import pages, read_directories, read_gps, whole

EXIF: Fields = {
    33434: (5, (1, 30)),
    33437: (5, (18, 10)),
    34855: (3, (3200,)),
    36867: (2, "2024:10:13 20:41:07"),
    36881: (2, "+02:00"),
    37386: (5, (472, 100)),
    41989: (3, (23,)),
    42036: (2, "Lanternfold 4.72 mm f/1.8"),
}
GPS: Fields = {
    1: (2, "N"),
    2: (5, (52, 1, 30, 1, 12, 1)),
    3: (2, "W"),
    4: (5, (1, 1, 0, 1, 36, 1)),
    5: (1, (0,)),
    6: (5, (1235, 10)),
    7: (5, (18, 1, 41, 1, 15, 2)),
    29: (2, "2024:10:13"),
}
MAIN: Fields = {
    256: (4, (64,)),
    257: (4, (48,)),
    258: (3, (16,)),
    262: (3, (32803,)),
    271: (2, "Lanternfold"),
    272: (2, "Pocket Two"),
    274: (3, (6,)),
    305: (2, "nightly 3"),
    50706: (1, (1, 7, 0, 0)),
    50728: (5, (1, 2, 1, 1, 2, 3)),
    51009: (7, tuple(range(40))),
    51041: (12, (1e-4, 2e-6)),
}
WHOLE = tiff_block(MAIN, {EXIF_IFD: EXIF, GPS_IFD: GPS})


def written(path: Path, data: bytes | bytearray) -> Path:
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("bigtiff", [False, True])
@pytest.mark.parametrize("order", ["<", ">"])
def test_the_same_as_tifffile(tmp_path: Path, order: str, bigtiff: bool) -> None:
    # Reference: the tifffile library, in both byte orders, with sub-directories and tiles.
    rng = np.random.default_rng(1)
    extra: list[tuple[int, Any, int | None, Any, bool]] = [
        (33422, 1, 4, bytes((0, 1, 1, 2)), True),
        (50714, 5, 4, (64, 1, 261, 4, 133, 2, 67, 1), True),
        (50730, 10, 1, (-3, 10), True),
        (51009, 7, 12, bytes(range(12)), True),
        (51041, 12, 2, (1e-4, 2e-6), True),
        (271, 2, None, "Lanternfold", True),
    ]
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path, byteorder=order, bigtiff=bigtiff) as writer:
        codes = rng.integers(0, 4000, (64, 80), dtype=np.uint16)
        options: dict[str, Any] = {"photometric": 32803, "rowsperstrip": 7, "metadata": None}
        writer.write(codes, subifds=2, extratags=extra, **options)
        writer.write(codes[:16, :16], tile=(16, 16), metadata=None)
        writer.write(codes[:8, :8], metadata=None)
        writer.write(codes[:4, :4], metadata=None)
    ours = read_directories(path)
    with tifffile.TiffFile(path) as tiff:
        theirs = list(pages(tiff))
        assert len(ours) == len(theirs) == 4
        for directory, page in zip(ours, theirs, strict=True):
            assert directory[256] == (page.tags[256].value,)
            for code, value in directory.items():
                tag = page.tags[code]
                if isinstance(value, str | bytes):
                    assert value == tag.value
                    continue
                plain = tuple(tag.value) if isinstance(tag.value, tuple | bytes) else (tag.value,)
                if tag.dtype in (5, 10):
                    plain = tuple(np.divide(plain[::2], plain[1::2]))
                assert value == plain
    assert ours[0][51009] == bytes(range(12))
    assert ours[0][50714] == (64, 65.25, 66.5, 67)


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("wrap", [bytes, in_jpeg])
def test_exif_and_gps_the_same_as_exifread(tmp_path: Path, order: str, wrap: Any) -> None:
    # Reference: the exifread library, for TIFF and for JPEG.
    block = tiff_block(MAIN, {EXIF_IFD: EXIF, GPS_IFD: GPS}, order)
    path = written(tmp_path / "a.jpg", wrap(block))
    with path.open("rb") as file:
        theirs = exifread.process_file(file, details=False)
    found, place = read_metadata(path), read_place(path)
    assert found.exposure == float(theirs["EXIF ExposureTime"].values[0])
    assert found.f_number == float(theirs["EXIF FNumber"].values[0])
    assert found.focal_mm == float(theirs["EXIF FocalLength"].values[0])
    assert found.iso == theirs["EXIF ISOSpeedRatings"].values[0]
    assert found.orientation == theirs["Image Orientation"].values[0]
    assert found.lens == str(theirs["EXIF LensModel"])
    assert found.software == str(theirs["Image Software"])
    assert found.camera == f"{theirs['Image Make']} {theirs['Image Model']}"
    assert place is not None
    coordinates = exifread.utils.get_gps_coords(theirs)
    assert (place.latitude, place.longitude) == pytest.approx(coordinates, abs=1e-9)
    assert place.height == float(theirs["GPS GPSAltitude"].values[0])
    stamp = [float(value) for value in theirs["GPS GPSTimeStamp"].values]
    assert list(read_gps(path)[7]) == stamp == [18, 41, 7.5]


def test_the_place_stays_out_of_directories_and_metadata(tmp_path: Path) -> None:
    path = written(tmp_path / "a.dng", WHOLE)
    (directory,) = read_directories(path)
    assert {7, 29} <= directory.keys()
    assert not {1, 2, 3, 4, 5, 6} & directory.keys()
    assert "52" not in repr(read_metadata(path))


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, (52.50333, -1.01, 123.5)),
        ({1: (2, "S"), 3: (2, "E"), 5: (1, (1,))}, (-52.50333, 1.01, -123.5)),
        ({6: (5, (1, 0))}, (52.50333, -1.01, None)),
        ({1: (2, "")}, None),
        ({1: (2, "X")}, None),
        ({2: (5, (91, 1, 0, 1, 0, 1))}, None),
        ({2: (5, (52, 0, 30, 1, 12, 1))}, None),
        ({4: (5, (1, 1))}, None),
        ({2: (5, (0, 1, 0, 1, 0, 1)), 4: (5, (0, 1, 0, 1, 0, 1))}, None),
    ],
)
def test_place(tmp_path: Path, changes: Fields, expected: Any) -> None:
    # EXIF 2.32, 4.6.6: N and E positive; GPSAltitudeRef 1 is below the sea.
    path = written(tmp_path / "a.dng", tiff_block(MAIN, {GPS_IFD: {**GPS, **changes}}))
    place = read_place(path)
    found = place and (place.latitude, place.longitude, place.height)
    assert found == (expected and pytest.approx(expected, abs=1e-5))


def test_no_place(tmp_path: Path) -> None:
    assert read_place(tmp_path / "none.dng") is None
    assert read_place(tmp_path) is None
    assert read_place(written(tmp_path / "a.dng", tiff_block(MAIN))) is None


def test_a_number_over_zero_is_no_number(tmp_path: Path) -> None:
    (tags,) = read_directories(written(tmp_path / "a.dng", tiff_block({50730: (10, (1, 0))})))
    assert math.isnan(tags[50730][0])
    assert whole(tags, 50730, 7) == 7


def test_text_where_numbers_belong_and_the_other_way_round(tmp_path: Path) -> None:
    fields: Fields = {256: (2, "wide"), 271: (3, (7, 8, 9)), 51009: (3, (1, 2, 3)), 258: (3, (12,))}
    (tags,) = read_directories(written(tmp_path / "a.dng", tiff_block(fields)))
    assert tags == {258: (12,)}


def test_text_ends_at_its_first_nul(tmp_path: Path) -> None:
    # TIFF 6.0, ASCII: several strings may follow each other; the first is the one meant.
    (tags,) = read_directories(written(tmp_path / "a.dng", tiff_block({271: (2, " one \0two")})))
    assert tags[271] == "one"


def test_circles_come_to_an_end(tmp_path: Path) -> None:
    data = bytearray(tiff_block({256: (4, (64,)), 330: (4, (8, 8, 8, 8))}))
    data[8 + 2 + 24 : 8 + 2 + 28] = struct.pack("<I", 8)  # the next directory is this one
    assert len(read_directories(written(tmp_path / "a.dng", data))) == 5


def test_thousands_of_directories_are_not_all_read(tmp_path: Path) -> None:
    row = struct.pack("<HHHII", 1, 256, 4, 1, 64)
    chain = b"".join(row + struct.pack("<I", 8 + 18 * (k + 1)) for k in range(5000))
    path = written(tmp_path / "a.dng", b"II*\0" + struct.pack("<I", 8) + chain)
    assert 1 <= len(read_directories(path)) <= 300


def test_values_that_are_too_large_are_dropped_before_memory_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    rows = [(256, 4, 1, 64), (50712, 3, 2**27, 8), (51009, 7, 2**29, 8), (34675, 7, 2**32 - 1, 8)]
    data = struct.pack("<4sIH", b"II*\0", 8, len(rows))
    data += b"".join(struct.pack("<HHII", *row) for row in rows) + bytes(4)
    with path.open("wb") as file:
        file.write(data)
        file.truncate(2**30)  # a gigabyte that takes no room
    tracemalloc.start()
    assert read_directories(path) == ({256: (64,)},)
    assert tracemalloc.get_traced_memory()[1] < 2**20
    tracemalloc.stop()


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"II",
        b"II*\0\0\0\0\0",
        b"II*\0\xff\xff\xff\xff",
        b"MM\0+\0\x08\0\0\0\0\0\0\0\0\0\x10",
        b"\xff\xd8\xff\xd9",
        b"\xff\xd8\xff\xe1\0\0Exif\0\0II*\0",
        b"\xff\xd8\xff\xe1\xff\xffExif\0\0II*\0\x08\0\0\0",
        b"\xff\xd8" + b"\xff" * 3000,
        b"\xff\xd8" + b"\xff\xe0\0\2" * 3000,
    ],
)
def test_no_directories(tmp_path: Path, data: bytes) -> None:
    path = written(tmp_path / "a.dng", data)
    assert read_directories(path) == ()
    assert read_place(path) is None
    assert read_metadata(path) == Metadata()


def test_a_block_longer_than_its_segment_is_read_no_further(tmp_path: Path) -> None:
    jpeg = bytearray(in_jpeg(WHOLE))
    at = jpeg.index(b"Exif\0\0") - 2
    jpeg[at : at + 2] = struct.pack(">H", 8 + 8 + 2 + 12 * 5)
    (tags,) = read_directories(written(tmp_path / "a.jpg", jpeg))
    assert tags == {256: (64,), 257: (48,), 258: (16,), 262: (32803,)}


_PLACES = st.integers(0, len(WHOLE) - 4)
_EXTREMES = st.sampled_from([0, 1, 8, 255, 2**16 - 1, 2**24, 2**31 - 1, 2**31, 2**32 - 1])
_CHANGES = st.lists(
    st.tuples(_PLACES, st.one_of(_EXTREMES, st.integers(0, len(WHOLE)))), min_size=1, max_size=6
)


@examples(200)
@given(changes=_CHANGES, end=st.integers(0, 2 * len(WHOLE)), wrap=st.sampled_from([bytes, in_jpeg]))
def test_nothing_is_raised_for_damage(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[int, int]], end: int, wrap: Any
) -> None:
    data = bytearray(WHOLE)
    for at, number in changes:
        data[at : at + 4] = struct.pack("<I", number)
    path = written(tmp_path_factory.getbasetemp() / "damaged.dng", wrap(bytes(data))[:end])
    directories = read_directories(path)
    assert len(directories) <= 300
    place = read_place(path)
    assert place is None or abs(place.latitude) <= 90
    if directories:
        found = read_metadata(path, directories)
        assert found.exposure is None or found.exposure > 0
        assert found.neutral is None or min(found.neutral) > 0
        assert found.noise_profile is None or min(map(min, found.noise_profile)) >= 0
