"""What a file may claim before anything is allocated for it or decoded, and what is let go of."""

from __future__ import annotations

import os
import struct
import sys
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from opcode_samples import SHAPE, lines, opcodes
from raw_samples import LINEAR, NO_CFA, VERSION_17, fault, lossless, share_given

from stackkit.output.opcode_list import area_data
from stackkit.raw import decode as module
from stackkit.raw.decode import Form, Mosaic, RawFileError, decode, kind
from stackkit.raw.headers.codestreams import check_lossless
from stackkit.raw.headers.tags import is_dng, largest_value, read_directories
from stackkit.raw.levels import dng_black, masked_black
from stackkit.raw.opcodes.apply import account
from stackkit.run.readers import readers


@pytest.fixture
def rgb(codes: np.ndarray) -> np.ndarray:
    return np.stack([codes] * 3, axis=-1)


def change(path: Path, code: int, value: int, form: str = "I") -> None:
    """Another number in the first directory, its type and place left as they are."""
    with tifffile.TiffFile(path) as tiff:
        place = tiff.pages[0].tags[code].valueoffset
    data = bytearray(path.read_bytes())
    struct.pack_into("<" + form, data, place, value)
    path.write_bytes(data)


def lengthen(path: Path, code: int, count: int) -> None:
    """A tag whose values fill a file that takes no room on the disk."""
    with tifffile.TiffFile(path) as tiff:
        at = tiff.pages[0].tags[code].offset
    data = bytearray(path.read_bytes())
    struct.pack_into("<II", data, at + 4, count, len(data))
    path.write_bytes(data)
    os.truncate(path, len(data) + 8 * count)


def test_parts_of_a_tiff_picture(tmp_path: Path, rgb: np.ndarray) -> None:
    path = tmp_path / "a.tif"
    form: dict[str, Any] = {"photometric": "rgb", "metadata": None}
    tifffile.imwrite(path, rgb, **form, compression="deflate")
    assert kind(path).form is Form.PICTURE
    change(path, 279, 3_800_000_000)
    assert "cut short" in fault(path)  # tifffile would make room for them first
    tifffile.imwrite(path, rgb, **form, tile=(16, 32))
    for code, side in ((256, 15000), (257, 15000), (322, 15000), (323, 15000)):
        change(path, code, side, "H" if code > 300 else "I")
    assert "too large: 15000×15000, in parts of 15000×15000" in fault(path)
    tifffile.imwrite(path, rgb, **form, rowsperstrip=16)
    change(path, 257, 4000)
    assert "a part of its picture is missing" in fault(path)
    assert kind(path).form is Form.NONE


def test_a_part_far_longer_than_its_samples(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], rgb: np.ndarray
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, VERSION_17, compression="JPEGXL_DNG")
    path.write_bytes(path.read_bytes() + bytes(10**6 - 1) + b"\1")
    change(path, 279, 900_000)
    assert "a part of it is larger than its place" in fault(path)
    tifffile.imwrite(tmp_path / "a.tif", rgb, photometric="rgb", compression="lzw", metadata=None)
    (tmp_path / "a.tif").open("ab").write(bytes(10**6))
    change(tmp_path / "a.tif", 279, 900_000)
    assert "a part of it is larger than its place" in fault(tmp_path / "a.tif")


def test_a_table_of_tiles_that_stands_there_twice(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # TIFF 6.0: each tag once.  LibRaw takes the last, tifffile the first.
    path = tmp_path / "a.dng"
    data = bytearray(lossless(write_dng, path, codes, tiled=True))
    with tifffile.TiffFile(path) as tiff:
        at = tiff.pages[0].tags[50728].offset
    struct.pack_into("<H", data, at, 324)
    path.write_bytes(data)
    assert "cut short" in fault(path)


def test_a_version_of_zero_is_none(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, {50706: (1, 4, bytes(4))})
    assert not is_dng(read_directories(path))
    assert is_dng(read_directories(write_dng(path, codes)))


def test_colours_that_tifffile_would_take_for_planes(
    tmp_path: Path, write_dng: Callable[..., Path], rgb: np.ndarray
) -> None:
    tags = {**NO_CFA, **VERSION_17}
    path = write_dng(tmp_path / "a.dng", rgb, tags, **LINEAR, compression="JPEGXL_DNG")
    assert decode(path).data.shape == rgb.shape[:2]
    with tifffile.TiffFile(path) as tiff:
        at = tiff.pages[0].tags[284].offset
    data = bytearray(path.read_bytes())
    data[at + 4] = 0  # PlanarConfiguration without a value
    path.write_bytes(data)
    assert "damaged" in fault(path)


def test_tags_that_would_be_read_whole(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], rgb: np.ndarray
) -> None:
    picture, raw = tmp_path / "a.tif", tmp_path / "a.dng"
    tifffile.imwrite(picture, rgb, photometric="rgb", metadata=None, software="nightly 3")
    write_dng(raw, codes, VERSION_17, compression="JPEGXL_DNG", software="nightly 3")
    assert largest_value(picture) < 100
    for path in (picture, raw):
        assert decode(path).data.shape == codes.shape
        lengthen(path, 282, 2**25)  # a resolution of 33 million rationals
        assert largest_value(path) == 2**28
        assert "a tag of absurd length" in fault(path)
    assert largest_value(tmp_path / "none.tif") == 0


def test_claims_of_a_jpeg(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    grey = np.full((64, 64, 3), 90, np.uint8)
    whole = bytearray(imagecodecs.jpeg8_encode(grey))
    at = whole.index(b"\xff\xc0") + 5
    for side, reason in ((9000, "cut short"), (15000, "too large: 15000×15000, over 214 million")):
        struct.pack_into(">HH", whole, at, side, side)
        path.write_bytes(whole)
        assert reason in fault(path)
    os.truncate(path, 2**29)
    assert "too large: 0.5 GB of JPEG" in fault(path)


def test_the_flattest_jpeg_is_whole(tmp_path: Path) -> None:
    # Reference: libjpeg-turbo's own most compact stream of an even picture.
    path = tmp_path / "a.jpg"
    even = np.full((1024, 2048, 3), 128, np.uint8)
    path.write_bytes(imagecodecs.jpeg8_encode(even, level=1, subsampling="420", optimize=True))
    assert even[..., 0].size / path.stat().st_size > 100
    assert decode(path).data.shape == (1024, 2048)


def test_a_lossless_jpeg_larger_than_its_place(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # LibRaw would decode all the samples that it claims, for minutes.
    path = tmp_path / "a.dng"
    stream = bytearray(imagecodecs.ljpeg_encode(codes, bitspersample=12))
    form = {"compression": 7, "rowsperstrip": 48, "shape": codes.shape, "dtype": "uint16"}
    assert np.array_equal(decode(write_dng(path, iter([bytes(stream)]), **form)).data, codes)
    struct.pack_into(">HH", stream, stream.index(b"\xff\xc3") + 5, 65535, 65535)
    assert "larger than its place" in fault(write_dng(path, iter([bytes(stream)]), **form))


SOUND = bytes(imagecodecs.ljpeg_encode(np.arange(4096, dtype=np.uint16).reshape(64, 64)))
FRAME, TABLES, SCAN = (SOUND.index(bytes((0xFF, marker))) for marker in (0xC3, 0xC4, 0xDA))


@pytest.mark.parametrize(
    ("at", "value", "reason"),
    [
        (FRAME + 1, 0xC0, "no lossless JPEG"),
        (FRAME + 1, 0x00, "damaged"),
        (FRAME + 3, 200, "damaged"),
        (FRAME + 4, 0, "damaged"),
        (FRAME + 4, 17, "damaged"),
        (FRAME + 9, 5, "damaged"),
        (FRAME + 11, 0x22, "unusual"),
        (TABLES + 1, 0xE1, "unusual"),
        (TABLES + 4, 3, "unusual"),
        (TABLES + 4, 0x44, "tables are damaged"),
        (TABLES + 5, 255, "tables are damaged"),
        (SCAN, 0, "damaged"),
        (SCAN + 4, 9, "damaged"),
    ],
)
def test_headers_of_a_lossless_jpeg(at: int, value: int, reason: str) -> None:
    # ISO/IEC 10918-1, B.2.2 (frame), B.2.3 (scan), B.2.4.2 (Huffman tables).
    check_lossless(SOUND)
    damaged = bytearray(SOUND)
    damaged[at] = value
    with pytest.raises(ValueError, match=reason):
        check_lossless(bytes(damaged))
    for end in range(SCAN + 2):
        with pytest.raises(ValueError, match="damaged"):
            check_lossless(SOUND[:end])


@pytest.mark.parametrize("tiled", [False, True])
def test_a_jpeg_that_does_not_fill_its_place(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], tiled: bool
) -> None:
    # LibRaw leaves in the rest what the memory held: pixels of another file.
    path = tmp_path / "a.dng"
    data = bytearray(lossless(write_dng, path, codes, tiled))
    at = data.index(b"\xff\xc3") + 5
    height = int.from_bytes(data[at : at + 2], "big")
    for rows in (0, height - 1):
        struct.pack_into(">H", data, at, rows)
        path.write_bytes(data)
        assert "a part of its picture is missing" in fault(path)


def test_plain_tiles_that_end_early(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # The file says less of their length than they take, and LibRaw does not ask.
    path = write_dng(tmp_path / "a.dng", codes, tile=(16, 32))
    path.write_bytes(path.read_bytes()[:-100])
    with tifffile.TiffFile(path) as tiff:
        counts = tiff.pages[0].tags[325]
    data = bytearray(path.read_bytes())
    size = {3: 2, 4: 4}[int(counts.dtype)]
    struct.pack_into({2: "<H", 4: "<I"}[size], data, counts.valueoffset + 5 * size, 900)
    path.write_bytes(data)
    assert 5 / 6 < share_given(path, codes) < 1


def test_a_lossy_jpeg_cut_short_within_its_file(
    tmp_path: Path, write_dng: Callable[..., Path]
) -> None:
    path, rgb = tmp_path / "a.dng", np.random.default_rng(1).integers(0, 255, (48, 64, 3), np.uint8)
    stream = bytes(imagecodecs.jpeg8_encode(rgb, level=95))
    form = {"shape": rgb.shape, "dtype": "uint8", "rowsperstrip": 48, "compression": 34892}
    tags = {**NO_CFA, 50712: (3, 256, tuple(range(0, 4096, 16)))}
    write_dng(path, iter([stream]), tags, **LINEAR, **form)
    assert decode(path).data.shape == (48, 64)
    write_dng(path, iter([stream[: len(stream) // 2]]), tags, **LINEAR, **form)
    assert "cut short" in fault(path)


@pytest.mark.skipif(sys.platform != "linux", reason="other systems blank memory as they like")
def test_a_raw_of_which_nothing_is_decoded(
    tmp_path: Path, write_dng: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    # A DNG that has lost its version: LibRaw unpacks nothing, and says nothing.
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    codes = np.random.default_rng(2).integers(500, 4000, (256, 256), np.uint16)
    stream = bytes(imagecodecs.ljpeg_encode(codes, bitspersample=12))
    form = {"compression": 7, "rowsperstrip": 256, "shape": codes.shape, "dtype": "uint16"}
    path = write_dng(tmp_path / "a.raw", iter([stream]), {50706: None, 50707: None}, **form)
    whole = write_dng(tmp_path / "a.dng", iter([stream]), **form)
    with readers(1) as read:
        assert np.array_equal(read(decode, whole).data, codes)
        assert not read(soiled, path)
        with pytest.raises(RawFileError, match=r"blank|all its samples are the same"):
            read(decode, path)


def test_samples_of_other_sides_than_were_told(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Of files with several pictures LibRaw may say the sides of one and unpack another.
    path = write_dng(tmp_path / "a.dng", codes)
    whole = decode(path)

    def narrower(*_: object) -> Mosaic:
        return replace(whole, data=whole.data[:, 8:])

    monkeypatch.setattr(module, "_from_dng", narrower)
    assert "its samples are not what its tags say" in fault(path)


def test_a_white_level_that_is_no_number(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, {50717: (5, 1, (4095, 0))})
    assert "its white level (no number) is not above its black 64" in fault(path)


def test_gains_next_to_nothing() -> None:
    # What is multiplied by them cannot be told from nothing, and cannot be undone.
    scale = lines(12, [1e-30] * SHAPE[0], area_data(0, 0, *SHAPE))
    (fate,) = account(opcodes(linear=[scale]))
    assert fate.what == "not applied: it holds gains under 0.001"


def test_black_of_many_rows_is_that_of_each() -> None:
    rng = np.random.default_rng(4)
    shape, origin = (701, 33), (1, 2)
    down, across = rng.normal(0, 2, 720), rng.normal(0, 2, 40)
    levels = np.array([[64.0, 65.25], [66.5, 67.0]])
    tags = {50713: (2, 2), 50714: tuple(levels.ravel()), 50716: tuple(down), 50715: tuple(across)}
    black = dng_black(tags, shape, origin, np.zeros((2, 2), np.uint8))
    rows, columns = np.arange(701) + 1, np.arange(33) + 2
    expected = levels[np.ix_(rows % 2, columns % 2)] + down[rows][:, None] + across[columns]
    assert black.detail is not None
    found = np.tile(black.mean, (351, 17))[:701, :33] + black.detail
    np.testing.assert_allclose(found, expected, atol=1e-4)


def test_of_vast_masked_areas_a_part_is_looked_at() -> None:
    stored = np.full((2040, 1500), 70, np.uint16)
    stored[2000:] = 500
    tags = {50714: (64,), 50830: (0, 0, 2000, 1500) * 200, 50829: (2000, 0, 2040, 1500)}
    black = dng_black(tags, (40, 64), (0, 0), np.zeros((2, 2), np.uint8))
    tracemalloc.start()
    found = masked_black(black, tags, stored, (2000, 0), (0, 0), 4095.0)
    assert tracemalloc.get_traced_memory()[1] < 2**29  # all of them: 5 GB
    tracemalloc.stop()
    np.testing.assert_allclose(found.mean, 70)


class Held:
    """Goes to other processes as a word; leaves a file behind when nobody holds it any more."""

    def __init__(self, mark: Path) -> None:
        self.mark = mark

    def __reduce__(self) -> tuple[type[str], tuple[str]]:
        return str, ("held",)

    def __del__(self) -> None:
        self.mark.touch()


def hold(path: Path) -> Held:
    return Held(path)


def fail(path: Path) -> None:
    held = Held(path)
    raise ValueError(held.mark.name)


def soiled(path: Path) -> bool:  # noqa: ARG001
    """Whether large blocks of memory hold what was left in them before."""
    for _ in range(8):
        np.empty(2**20, np.uint8)[:] = 0xA5
    return bool((np.empty(2**20, np.uint8) == 0xA5).any())


def gone(path: Path) -> bool:
    return path.exists()


def test_nothing_is_kept_of_the_file_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    with readers(1) as read:
        assert read(hold, tmp_path / "held") == "held"
        assert read(gone, tmp_path / "held")
        with pytest.raises(ValueError, match="failed"):
            read(fail, tmp_path / "failed")
        assert read(gone, tmp_path / "failed")
        if sys.platform == "linux":
            assert not read(soiled, tmp_path)
