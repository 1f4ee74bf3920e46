"""Raw files into mosaics, against tifffile's own decoder and the DNG specification."""

from __future__ import annotations

import os
import struct
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile

from stackkit.errors import InputError
from stackkit.output.dng import MosaicTags, mosaic_dng
from stackkit.raw.decode import decode, open_raw

PATTERNS = ("RGGB", "GRBG", "GBRG", "BGGR")
BLACK = (64.0, 65.25, 66.5, 67.0)


def tags(pattern: str = "RGGB", **changes: Any) -> MosaicTags:
    settings: dict[str, Any] = {
        "pattern": pattern,
        "black": BLACK,
        "white": 4095,
        "make": "Lanternfold",
        "model": "Pocket Two",
        "neutral": (0.5, 1.0, 0.8),
        "exposure": 8.0,
        "iso": 3200,
        "f_number": 1.8,
        "focal_mm": 4.72,
        "focal_35mm": 23,
    }
    return MosaicTags(**{**settings, **changes})


def fault(path: Path) -> str:
    """The sentence with which decoding ends; it names the file and is short."""
    with pytest.raises(InputError) as caught:
        decode(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert "\n" not in text
    assert "Error" not in text
    return text


@pytest.mark.parametrize("pattern", PATTERNS)
def test_the_same_plane_as_tifffile(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], pattern: str
) -> None:
    # Reference: tifffile with imagecodecs, which share no decoder with LibRaw.
    path = tmp_path / "a.dng"
    path.write_bytes(mosaic_dng(codes, tags(pattern)))
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
    assert mosaic.white == 4095.0
    assert mosaic.balance == pytest.approx((2.0, 1.0, 1.25))
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


def test_the_plane_is_our_own(tmp_path: Path, codes: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    path.write_bytes(mosaic_dng(codes, tags()))
    before = path.read_bytes()
    mosaic = decode(path)
    assert mosaic.data.dtype == np.uint16
    assert mosaic.data.flags.c_contiguous
    assert mosaic.data.flags.owndata
    mosaic.data[:] = 0
    assert path.read_bytes() == before


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("area", [(0, 0, 48, 64), (2, 4, 46, 60), (1, 3, 46, 61), (2, 1, 48, 60)])
def test_margins(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    pattern: str,
    area: tuple[int, int, int, int],
) -> None:
    # DNG 1.4, CFAPattern and BlackLevel: both start at the active area's top left corner.
    cfa = ["RGB".index(letter) for letter in pattern]
    extra = {
        33422: (1, 4, bytes(cfa)),
        50713: (3, 2, (2, 2)),
        50714: (5, 4, (64, 1, 261, 4, 133, 2, 67, 1)),
        50829: (4, 4, area),
    }
    mosaic = decode(write_dng(tmp_path / "a.dng", codes, extra))
    height, width = mosaic.data.shape
    row, col = divmod(int(mosaic.data[0, 0]) - 500, 64)
    assert np.array_equal(mosaic.data, codes[row : row + height, col : col + width])
    assert row >= area[0]
    assert col >= area[1]
    for y in (0, 1):
        for x in (0, 1):
            place = (row + y - area[0]) % 2 * 2 + (col + x - area[1]) % 2
            assert mosaic.pattern[y, x] == cfa[place]
            assert mosaic.black[y, x] == BLACK[place]


@pytest.mark.parametrize(
    ("repeat", "levels", "black"),
    [
        (None, (64, 2), [[32, 32], [32, 32]]),
        ((1, 2), (60, 1, 70, 1), [[60, 70], [60, 70]]),
        ((2, 1), (60, 1, 70, 1), [[60, 60], [70, 70]]),
        ((1, 3), (60, 1, 63, 1, 66, 1), [[63, 63], [63, 63]]),
    ],
)
def test_black_levels_repeat(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    repeat: tuple[int, int] | None,
    levels: tuple[int, ...],
    black: list[list[float]],
) -> None:
    extra: dict[int, Any] = {50714: (5, len(levels) // 2, levels)}
    if repeat:
        extra[50713] = (3, 2, repeat)
    mosaic = decode(write_dng(tmp_path / "a.dng", codes, extra))
    assert mosaic.black.tolist() == black


def test_black_deltas_and_odd_black_tags(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    deltas = {50715: (10, 64, (1, 2) * 64), 50716: (10, 48, (1, 4) * 48)}
    mosaic = decode(write_dng(tmp_path / "a.dng", codes, deltas))
    assert np.allclose(mosaic.black, 64.75)
    mosaic = decode(write_dng(tmp_path / "b.dng", codes, {50714: None}))
    assert (mosaic.black == 0).all()  # DNG 1.4: the default
    path = write_dng(tmp_path / "c.dng", codes, {50713: (3, 1, 2)})
    assert (decode(path).black >= 0).all()


def test_other_layouts(tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]) -> None:
    path = tmp_path / "a.dng"
    strip = imagecodecs.ljpeg_encode(codes.reshape(24, 128), bitspersample=12)
    for options in ({"byteorder": ">"}, {"tile": (16, 32)}, {"rowsperstrip": 7}):
        assert np.array_equal(decode(write_dng(path, codes, **options)).data, codes)
    lossless = {"compression": 7, "rowsperstrip": 48, "shape": (48, 64), "dtype": "uint16"}
    assert np.array_equal(decode(write_dng(path, iter([strip]), **lossless)).data, codes)


def test_a_thumbnail_in_front(tmp_path: Path, codes: np.ndarray) -> None:
    # As most cameras do: the first directory is a small picture, the raw lies in its sub-directory.
    path = tmp_path / "a.dng"
    first = [(50706, 1, 4, bytes((1, 4, 0, 0)), True), (50708, 2, None, "Lanternfold", True)]
    cfa = [(33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((2, 1, 1, 0)), True)]
    cfa += [(50714, 5, 1, (129, 2), True), (50717, 4, 1, 4000, True)]
    with tifffile.TiffWriter(path) as tiff:
        thumbnail = np.zeros((12, 16, 3), np.uint8)
        tiff.write(thumbnail, photometric="rgb", subfiletype=1, subifds=1, extratags=first)
        tiff.write(codes, photometric="cfa", extratags=cfa, metadata=None)
    mosaic = decode(path)
    assert np.array_equal(mosaic.data, codes)
    assert mosaic.pattern.tolist() == [[2, 1], [1, 0]]
    assert (mosaic.black == 64.5).all()
    assert mosaic.white == 4000.0


@pytest.mark.parametrize("neutral", [None, (0, 1, 0, 1, 0, 1), (0, 0, 0, 0, 0, 0)])
def test_balance_that_is_not_said(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], neutral: Any
) -> None:
    extra = {50728: neutral and (5, 3, neutral)}
    assert decode(write_dng(tmp_path / "a.dng", codes, extra)).balance is None


def test_white_must_be_above_black(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, {50717: (4, 1, 60)})
    assert "white level 60 is not above its black 64" in fault(path)


XTRANS = bytes("RGB".index(letter) for letter in "GGRGGBGGBGGRBRGRBGGGBGGRGGRGGBRBGBRG")


@pytest.mark.parametrize(
    ("extra", "options", "reason"),
    [
        ({33421: (3, 2, (6, 6)), 33422: (1, 36, XTRANS)}, {}, "6×6 sites"),
        ({33421: (3, 2, (4, 4)), 33422: (1, 16, bytes([0, 0, 1, 1] * 2 + [1, 1, 2, 2] * 2))}, {},
         "colour pattern is RRGG"),
    ],
)  # fmt: skip
def test_other_mosaics_are_refused_by_name(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    extra: dict[int, Any],
    options: dict[str, Any],
    reason: str,
) -> None:
    text = fault(write_dng(tmp_path / "a.dng", codes, extra, **options))
    assert reason in text
    assert "Bayer" in text


def test_one_colour_is_refused(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # DNG 1.4: LinearRaw with one sample a pixel is a black-and-white sensor.
    path = write_dng(tmp_path / "a.dng", codes, {33421: None, 33422: None, 50728: None})
    entry = struct.pack("<HHI", 262, 3, 1)
    cfa, linear = (entry + struct.pack("<I", kind) for kind in (32803, 34892))
    path.write_bytes(path.read_bytes().replace(cfa, linear))
    assert "black-and-white sensor" in fault(path)


def test_finished_colours_are_refused(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    rgb = np.stack([codes] * 3, axis=-1)
    extra = {33421: None, 33422: None}
    path = write_dng(tmp_path / "a.dng", rgb, extra, photometric=34892, planarconfig="contig")
    assert "already mixed" in fault(path)


def test_pictures_that_are_no_raws(tmp_path: Path, codes: np.ndarray) -> None:
    maker = [(271, 2, None, "Lanternfold", True), (272, 2, None, "Pocket Two", True)]
    path = tmp_path / "a.dng"
    # LibRaw takes plain grey pictures of 16 bits for a mosaic.
    for tags_ in ([], maker):
        tifffile.imwrite(path, codes, extratags=tags_, metadata=None)
        assert "a grey TIFF picture, not a raw one" in fault(path)
        rgb = np.stack([codes] * 3, axis=-1)
        tifffile.imwrite(path, rgb, photometric="rgb", extratags=tags_, metadata=None)
        assert "a TIFF picture, not a raw one" in fault(path)
    path.write_bytes(imagecodecs.jpeg_encode(np.zeros((16, 16), np.uint8)))
    assert "a JPEG picture" in fault(path)
    path.write_bytes(imagecodecs.png_encode(np.zeros((16, 16), np.uint8)))
    assert "a PNG picture" in fault(path)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "empty file"),
        (b"Not found: the server has no such file.\n", "a text file, not a raw picture"),
        ("é".encode() * 3000, "a text file, not a raw picture"),
        (b"\xff", "not a raw picture"),
        (bytes(9000), "not a raw picture"),
        (b"II*\0", "cut short"),
        (b"MM\0*\0\0\xff\xff", "cut short"),
        (b"II*\0\x08\0\0\0" + bytes(300), "damaged, or in a raw format that LibRaw"),
        (b"FUJIFILMCCD-RAW" + bytes(3000), "damaged, or in a raw format that LibRaw"),
        (bytes(4) + b"ftypcrx " + bytes(3000), "damaged, or in a raw format that LibRaw"),
    ],
)
def test_files_that_are_no_pictures(tmp_path: Path, data: bytes, reason: str) -> None:
    path = tmp_path / "night_0003.dng"
    path.write_bytes(data)
    assert reason in fault(path)


def test_what_cannot_be_opened(tmp_path: Path) -> None:
    assert "it does not exist" in fault(tmp_path / "none.dng")
    assert "a folder" in fault(tmp_path)
    loop = tmp_path / "loop.dng"
    loop.symlink_to(loop)
    assert "leads back to itself" in fault(loop)
    os.mkfifo(tmp_path / "pipe.dng")
    assert "a pipe" in fault(tmp_path / "pipe.dng")


def test_permission(
    ordinary_user: tuple[Path, Callable[[], AbstractContextManager[None]]], codes: np.ndarray
) -> None:
    folder, lowered = ordinary_user
    path = folder / "a.dng"
    path.write_bytes(mosaic_dng(codes, tags()))
    path.chmod(0)
    with lowered():
        assert "cannot be read: permission denied" in fault(path)


@pytest.mark.skipif(sys.platform in ("darwin", "win32"), reason="names are Unicode there")
def test_a_name_that_is_not_utf8(tmp_path: Path, codes: np.ndarray) -> None:
    path = tmp_path / os.fsdecode(b"n\xe4chte.dng")
    path.write_bytes(mosaic_dng(codes, tags()))
    assert np.array_equal(decode(path).data, codes)


def lossless(write: Callable[..., Path], path: Path, codes: np.ndarray, tiled: bool) -> bytes:
    """A lossless-JPEG DNG with its directory in front, as cameras write them."""
    side = {"tile": (16, 32)} if tiled else {"rowsperstrip": 48}
    parts = [codes[y : y + 16, x : x + 32] for y in (0, 16, 32) for x in (0, 32)]
    encoded = [
        imagecodecs.ljpeg_encode(np.ascontiguousarray(part), bitspersample=12)
        for part in (parts if tiled else [codes])
    ]
    write(path, iter(encoded), compression=7, shape=codes.shape, dtype="uint16", **side)
    return path.read_bytes()


@pytest.mark.parametrize("layout", ["strip", "tiles", "plain", "simulated"])
def test_a_cut_file_is_refused_or_whole(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    layout: str,
    capfd: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "a.dng"
    if layout == "simulated":
        data = mosaic_dng(codes, tags())
    elif layout == "plain":
        data = write_dng(path, codes).read_bytes()
    else:
        data = lossless(write_dng, path, codes, layout == "tiles")
    path.write_bytes(data)
    assert np.array_equal(decode(path).data, codes)
    whole = 0
    cuts = {*range(1, 40, 2), *range(40, len(data), 149), *range(len(data) - 600, len(data), 7)}
    for cut in sorted(cuts):
        path.write_bytes(data[:-cut])
        try:
            found = decode(path).data
        except InputError:
            continue
        assert np.array_equal(found, codes), f"cut by {cut} bytes"
        whole += 1
    # Only our writer has something behind the samples: the EXIF directory, without which a
    # picture is still whole.
    assert whole < 40 if layout == "simulated" else whole == 0
    assert capfd.readouterr().err == ""  # LibRaw itself reports on the terminal


def test_cut_files_say_so(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = tmp_path / "a.dng"
    data = lossless(write_dng, path, codes, tiled=False)
    for cut in (10, 1000, len(data) // 2, len(data) - 500):
        path.write_bytes(data[:-cut])
        assert "cut short" in fault(path)
        assert "Copy it from the camera again" in fault(path)


def test_size_is_bounded_before_unpacking(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = write_dng(tmp_path / "a.dng", codes)
    data = path.read_bytes()
    with tifffile.TiffFile(path) as tiff:
        places = [tiff.pages[0].tags[code].valueoffset for code in (256, 257)]
    changed = bytearray(data)
    for at in places:
        changed[at : at + 2] = (30000).to_bytes(2, "little")
    path.write_bytes(changed)
    assert "too large: 30000×30000" in fault(path)
    area = {50829: (4, 4, (0, 0, 30, 64))}
    assert "too small: 64×30" in fault(write_dng(path, codes, area))


@pytest.mark.parametrize("tiled", [True, False])
@pytest.mark.parametrize("keep", [0.2, 0.5, 0.8])
def test_a_blank_end(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], tiled: bool, keep: float
) -> None:
    # What a copy leaves that reserved its room first and was then interrupted.
    path = tmp_path / "a.dng"
    noise = codes + np.random.default_rng(2).integers(0, 99, codes.shape, np.uint16)
    data = lossless(write_dng, path, noise, tiled)
    at = data.index(b"\xff\xd8") + int(keep * (len(data) - data.index(b"\xff\xd8")))
    path.write_bytes(data[:at] + bytes(len(data) - at))
    assert "damaged" in fault(path)
    plain = write_dng(path, noise).read_bytes()
    path.write_bytes(plain[:-4000] + bytes(4000))
    assert "damaged: the end of its picture is blank" in fault(path)


def test_opening_leaves_the_pixels_packed(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = tmp_path / "a.dng"
    data = lossless(write_dng, path, codes, tiled=False)
    at = data.index(b"\xff\xd8")
    path.write_bytes(data[:at] + b"\xff" * (len(data) - at))  # nothing to unpack
    with open_raw(path) as (raw, directories):
        assert (raw.sizes.width, raw.sizes.height) == (64, 48)
        assert len(directories) == 1
    assert "damaged: a part of its picture is missing" in fault(path)


def test_damage_never_gives_anything_but_our_own_faults(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = tmp_path / "a.dng"
    whole = write_dng(path, codes).read_bytes()
    rng = np.random.default_rng(3)
    for _ in range(150):
        data = bytearray(whole)
        for at in rng.integers(8, 480, 4):
            data[at] = rng.integers(0, 256)
        path.write_bytes(data)
        with suppress(InputError):
            mosaic = decode(path)
            assert sorted(mosaic.pattern.ravel()) == [0, 1, 1, 2]
            assert mosaic.white > mosaic.black.max()
