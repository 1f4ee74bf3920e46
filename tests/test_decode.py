"""Raw files into mosaics, against tifffile, LibRaw, dngpy and flashraw, each its own decoder."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import dngpy
import flashraw
import imagecodecs
import numpy as np
import pytest
import rawpy
import tifffile
from raw_samples import (
    BLACK,
    BLACK_TAGS,
    MAIN,
    XTRANS,
    fault,
    lossless,
    mosaic_tags,
)
from scenes import PATTERNS

from stackkit.output.dng import mosaic_dng
from stackkit.raw.decode import Form, decode, kind


@pytest.mark.parametrize("pattern", PATTERNS)
def test_the_same_plane_as_tifffile(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], pattern: str
) -> None:
    # Reference: tifffile with imagecodecs, which share no decoder with LibRaw.
    path = tmp_path / "a.dng"
    path.write_bytes(mosaic_dng(codes, mosaic_tags(pattern)))
    mosaic = decode(path)
    with tifffile.TiffFile(path) as tiff:
        # The writer's lossless JPEG has another shape than its strip, as DNG allows.
        page = tiff.pages[0]
        strip = path.read_bytes()[page.dataoffsets[0] :][: page.databytecounts[0]]
        theirs = imagecodecs.ljpeg_decode(strip).reshape(page.shape)
        letters = "".join("RGB"[index] for index in page.tags[33422].value)
    assert np.array_equal(mosaic.data, theirs)
    assert np.array_equal(mosaic.data, codes)
    assert "".join("RGB"[index] for index in mosaic.pattern.ravel()) == letters == pattern
    assert mosaic.black.ravel().tolist() == list(BLACK)
    assert mosaic.black_detail is None
    assert mosaic.white == 4095.0
    assert mosaic.balance == pytest.approx((2.0, 1.0, 1.25))
    assert mosaic.remarks == ()
    # And a file that tifffile wrote, opened by us.
    cfa = (1, 4, bytes("RGB".index(letter) for letter in pattern))
    mosaic = decode(write_dng(tmp_path / "b.dng", codes, {33422: cfa}))
    assert np.array_equal(mosaic.data, codes)
    assert "".join("RGB"[index] for index in mosaic.pattern.ravel()) == pattern


def test_frames_of_the_simulator(small_night: Path) -> None:
    for path in sorted(small_night.glob("*.dng"))[:2]:
        mosaic = decode(path)
        assert np.array_equal(mosaic.data, tifffile.imread(path))
        assert mosaic.data.shape == (240, 320)
        assert (mosaic.black == 256).all()
        assert kind(path).form is Form.MOSAIC
        assert kind(path).size == (320, 240)


def test_the_plane_is_our_own(tmp_path: Path, codes: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(mosaic_dng(codes, mosaic_tags()))
    before = path.read_bytes()
    mosaic = decode(path)
    assert mosaic.data.dtype == np.uint16
    assert mosaic.data.flags.c_contiguous
    assert mosaic.data.flags.owndata
    mosaic.data[:] = 0
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"byteorder": ">"},
        {"tile": (16, 32)},
        {"tile": (32, 48)},
        {"rowsperstrip": 7},
        {"bitspersample": 10},
        {"bitspersample": 12},
        {"bitspersample": 14},
        {"bitspersample": 12, "byteorder": ">"},
    ],
    ids=str,
)
def test_layouts_as_other_decoders_read_them(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    capfd: pytest.CaptureFixture[str],
    options: dict[str, Any],
) -> None:
    # TIFF 6.0 and DNG 1.7.1, BitsPerSample and "Image data": packed samples are big-endian.
    bits = options.get("bitspersample", 15)
    codes = codes % (1 << bits)
    # tifffile packs big-endian samples without turning their bytes first.
    given = codes.byteswap() if bits == 12 and "byteorder" in options else codes
    extra = {**MAIN, 50717: (4, 1, (1 << bits) - 1)}
    path = write_dng(tmp_path / "a.dng", given, extra, **options)
    ours = decode(path).data
    assert np.array_equal(ours, codes)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(ours, raw.raw_image_visible)
    assert np.array_equal(ours, dngpy.Dng(str(path)).raw_pixels[..., 0])
    with flashraw.open(str(path)) as raw:
        assert np.array_equal(ours, raw.decode().array)
    capfd.readouterr()  # dngpy reports on the terminal


@pytest.mark.parametrize("tiled", [False, True])
def test_lossless_jpeg(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], tiled: bool
) -> None:
    path = tmp_path / "a.dng"
    lossless(write_dng, path, codes, tiled)
    assert np.array_equal(decode(path).data, codes)
    joined = imagecodecs.ljpeg_encode(codes.reshape(24, 128), bitspersample=12)
    form = {"compression": 7, "rowsperstrip": 48, "shape": (48, 64), "dtype": "uint16"}
    assert np.array_equal(decode(write_dng(path, iter([joined]), **form)).data, codes)


def test_strips_that_lie_apart(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # TIFF 6.0, StripOffsets: strips may lie anywhere.  LibRaw reads on from the first.
    path = write_dng(tmp_path / "a.dng", codes, rowsperstrip=16)
    data = path.read_bytes()
    with tifffile.TiffFile(path) as tiff:
        tag, starts = tiff.pages[0].tags[273], tiff.pages[0].dataoffsets
    moved = data[: starts[1]] + bytes(100) + data[starts[1] :]
    table = struct.pack("<3I", starts[0], starts[1] + 100, starts[2] + 100)
    path.write_bytes(moved[: tag.valueoffset] + table + moved[tag.valueoffset + 12 :])
    assert np.array_equal(decode(path).data, codes)
    assert np.array_equal(decode(path).data, tifffile.imread(path))


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("area", [(0, 0, 48, 64), (2, 4, 46, 60), (1, 3, 46, 61), (2, 1, 48, 60)])
@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
def test_margins(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    pattern: str,
    area: tuple[int, int, int, int],
    compression: str | None,
) -> None:
    # DNG 1.7.1, ActiveArea: CFAPattern and BlackLevel both start at its top left corner.
    cfa = ["RGB".index(letter) for letter in pattern]
    extra = {33422: (1, 4, bytes(cfa)), **BLACK_TAGS, 50829: (4, 4, area)}
    path = write_dng(tmp_path / "a.dng", codes, extra, compression=compression)
    mosaic = decode(path)
    height, width = mosaic.data.shape
    assert kind(path).size == (width, height)
    row, col = divmod(int(mosaic.data[0, 0]) - 500, 64)
    assert np.array_equal(mosaic.data, codes[row : row + height, col : col + width])
    assert row >= area[0]
    assert col >= area[1]
    assert mosaic.opcodes.raw_origin == (row, col)
    assert mosaic.opcodes.origin == (row - area[0], col - area[1])
    assert mosaic.opcodes.area == (area[2] - area[0], area[3] - area[1])
    for y in (0, 1):
        for x in (0, 1):
            place = (row + y - area[0]) % 2 * 2 + (col + x - area[1]) % 2
            assert mosaic.pattern[y, x] == cfa[place]
            assert mosaic.black[y, x] == BLACK[place]


def test_default_crop_moves_nothing(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # DNG 1.7.1, DefaultCropOrigin: a wish for the finished picture; the margin is good sky, too.
    crop = {50719: (3, 2, (4, 3)), 50720: (3, 2, (50, 40))}
    assert np.array_equal(decode(write_dng(tmp_path / "a.dng", codes, crop)).data, codes)


def test_a_thumbnail_in_front(tmp_path: Path, codes: np.ndarray) -> None:
    # As most cameras do: the first directory is a small picture, the raw lies in its sub-directory.
    path = tmp_path / "a.dng"
    first = [(50706, 1, 4, bytes((1, 4, 0, 0)), True), (50708, 2, None, "Lanternfold", True)]
    first.append((50728, 5, 3, (1, 2, 1, 1, 2, 3), True))
    cfa = [(33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((2, 1, 1, 0)), True)]
    cfa += [(50714, 5, 1, (129, 2), True), (50717, 4, 1, 4000, True)]
    for compression in (None, "JPEGXL_DNG"):
        with tifffile.TiffWriter(path) as tiff:
            thumbnail = np.zeros((12, 16, 3), np.uint8)
            tiff.write(thumbnail, photometric="rgb", subfiletype=1, subifds=1, extratags=first)
            form = {"photometric": "cfa", "metadata": None, "compression": compression}
            tiff.write(codes, extratags=cfa, **form)
        mosaic = decode(path)
        assert np.array_equal(mosaic.data, codes)
        assert mosaic.pattern.tolist() == [[2, 1], [1, 0]]
        assert (mosaic.black == 64.5).all()
        assert mosaic.white == 4000.0
        assert mosaic.balance == pytest.approx((2.0, 1.0, 1.5))


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
@pytest.mark.parametrize("neutral", [None, (0, 1, 0, 1, 0, 1), (0, 0, 0, 0, 0, 0)])
def test_balance_that_is_not_said(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    neutral: Any,
    compression: str | None,
) -> None:
    extra = {50728: neutral and (5, 3, neutral)}
    path = write_dng(tmp_path / "a.dng", codes, extra, compression=compression)
    assert decode(path).balance is None


QUAD = bytes([0, 0, 1, 1] * 2 + [1, 1, 2, 2] * 2)


@pytest.mark.parametrize(
    ("extra", "reason"),
    [
        ({33421: (3, 2, (6, 6)), 33422: (1, 36, XTRANS)}, "repeats every 6×6 sites"),
        ({33421: (3, 2, (4, 4)), 33422: (1, 16, QUAD)}, "a quad Bayer mosaic"),
        ({33421: (3, 2, (2, 4)), 33422: (1, 8, bytes([0, 1, 1, 1, 1, 2, 1, 2]))}, "every 4×2"),
        ({33422: (1, 4, bytes((0, 1, 3, 2)))}, "colour pattern is RG?B"),
        ({33422: (1, 4, bytes((0, 1, 2, 1)))}, "colour pattern is RGBG"),
        ({50711: (3, 1, 2)}, "staggered"),
    ],
)
def test_other_mosaics_are_refused_by_name(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    extra: dict[int, Any],
    reason: str,
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, extra)
    text = fault(path)
    assert reason in text
    assert "only red, green and blue Bayer mosaics can be used" in text
    assert kind(path).form is Form.NONE
    assert reason in kind(path).reason


def test_a_bayer_pattern_written_out_twice(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    extra = {33421: (3, 2, (4, 4)), 33422: (1, 16, bytes([1, 2, 1, 2, 0, 1, 0, 1] * 2))}
    path = write_dng(tmp_path / "a.dng", codes, extra, compression="JPEGXL_DNG")
    assert decode(path).pattern.tolist() == [[1, 2], [0, 1]]


def test_one_colour_is_refused(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # DNG 1.7.1: LinearRaw with one sample a pixel is a black-and-white sensor.
    path = write_dng(tmp_path / "a.dng", codes, {33421: None, 33422: None, 50728: None})
    entry = struct.pack("<HHI", 262, 3, 1)
    cfa, linear = (entry + struct.pack("<I", form) for form in (32803, 34892))
    path.write_bytes(path.read_bytes().replace(cfa, linear))
    assert "black-and-white sensor" in fault(path)


def test_opening_leaves_the_pixels_packed(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = tmp_path / "a.dng"
    data = lossless(write_dng, path, codes, tiled=False)
    at = data.index(b"\xff\xd8")
    path.write_bytes(data[:at] + b"\xff" * (len(data) - at))  # nothing to unpack
    assert kind(path).size == (64, 48)
    assert "damaged: a part of its picture is missing" in fault(path)


def opcode_list(*opcodes: tuple[int, bytes]) -> bytes:
    """DNG 1.7.1, chapter 7: count, then number, version, flags, size and data of each."""
    packed = [
        struct.pack(">4I", number, 0x01030000, 1, len(data)) + data for number, data in opcodes
    ]
    return struct.pack(">I", len(packed)) + b"".join(packed)


@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_opcode_lists_come_along(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], byteorder: str
) -> None:
    blobs = [opcode_list((5, b"abcd")), opcode_list((9, b"map"), (9, b"")), opcode_list((1, b"w"))]
    extra = {code: (7, len(b), b) for code, b in zip((51008, 51009, 51022), blobs, strict=True)}
    path = write_dng(tmp_path / "a.dng", codes, extra, byteorder=byteorder)
    found = decode(path)
    assert [(o.number, o.data) for o in found.opcodes.raw] == [(5, b"abcd")]
    assert [(o.number, o.data) for o in found.opcodes.linear] == [(9, b"map"), (9, b"")]
    assert [(o.number, o.data) for o in found.opcodes.picture] == [(1, b"w")]
    assert found.remarks == ()


def test_opcodes_that_cannot_be_done_as_asked(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    blob, table = opcode_list((7, b"table"), (5, b"list")), (3, 4, (1, 2, 3, 4096))
    extra = {51008: (7, len(blob), blob), 50712: table}
    found = decode(write_dng(tmp_path / "a.dng", codes, extra))
    assert len(found.remarks) == 1
    assert found.remarks[0].startswith("MapTable of opcode list 1 should come before")
    found = decode(write_dng(tmp_path / "b.dng", codes, {51009: (7, 30, blob[:30])}))
    assert found.opcodes.linear == ()
    assert found.remarks[0].startswith("opcode list 2 is left out: the opcode list is cut short")
