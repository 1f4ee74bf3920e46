"""Files that are cut, blank, absurd or no pictures at all: a plain sentence each, nothing else."""

from __future__ import annotations

import os
import struct
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from raw_samples import LINEAR, NO_CFA, fault, lossless, mosaic_tags, share_given

from stackkit.errors import InputError
from stackkit.output.dng import mosaic_dng
from stackkit.raw import decode as module
from stackkit.raw.decode import Form, decode, kind


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
        (b"\xff\xd8\xff\xe0" + bytes(50), "a JPEG picture, damaged: it holds no JPEG frame"),
    ],
)
def test_files_that_are_no_pictures(tmp_path: Path, data: bytes, reason: str) -> None:
    path = tmp_path / "night_0003.dng"
    path.write_bytes(data)
    assert reason in fault(path)
    assert kind(path).form is Form.NONE
    assert reason in kind(path).reason


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
    path.write_bytes(mosaic_dng(codes, mosaic_tags()))
    path.chmod(0)
    with lowered():
        assert "cannot be read: permission denied" in fault(path)


@pytest.mark.skipif(sys.platform in ("darwin", "win32"), reason="names are Unicode there")
def test_a_name_that_is_not_utf8(tmp_path: Path, codes: np.ndarray) -> None:
    path = tmp_path / os.fsdecode(b"n\xe4chte.dng")
    path.write_bytes(mosaic_dng(codes, mosaic_tags()))
    assert np.array_equal(decode(path).data, codes)


@pytest.mark.parametrize("layout", ["strip", "tiles", "plain", "simulated"])
def test_a_cut_file_gives_what_is_there_or_nothing(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    layout: str,
    capfd: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "a.dng"
    if layout == "simulated":
        data = mosaic_dng(codes, mosaic_tags())
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
        whole += share_given(path, codes) == 1
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
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        ends = np.add(page.dataoffsets, page.databytecounts)
    assert share_given(path, noise) == np.mean(ends <= at)
    if not tiled:
        assert "cut short" in fault(path)
    plain = write_dng(path, noise).read_bytes()
    path.write_bytes(plain[:-4000] + bytes(4000))
    assert share_given(path, noise) == (48 * 128 - 4000) // 128 / 48


def with_sides(path: Path, width: int, height: int) -> None:
    """Other sides in the directory, and nothing else."""
    with tifffile.TiffFile(path) as tiff:
        tags = [tiff.pages[0].tags[code] for code in (256, 257)]
        places = [(tag.valueoffset, "H" if tag.dtype == 3 else "I") for tag in tags]
    data = bytearray(path.read_bytes())
    for (place, form), side in zip(places, (width, height), strict=True):
        struct.pack_into("<" + form, data, place, side)
    path.write_bytes(data)


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
def test_sides_are_bounded_before_unpacking(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], compression: str | None
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, compression=compression)
    with_sides(path, 30000, 30000)
    assert "too large: 30000×30000, over 400 million pixels" in fault(path)
    with_sides(path, 0, 48)
    assert "damaged" in fault(path)
    area = {50829: (4, 4, (0, 0, 30, 64))}
    assert "too small: 64×30" in fault(write_dng(path, codes, area, compression=compression))
    rgb = np.stack([codes] * 3, axis=-1)
    write_dng(path, rgb, NO_CFA, **LINEAR, compression=compression)
    with_sides(path, 17000, 17000)
    assert "too large: 17000×17000, over 268 million pixels" in fault(path)


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
def test_parts_that_do_not_make_the_picture(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], compression: str | None
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, tile=(16, 32), compression=compression)
    whole = path.read_bytes()
    with tifffile.TiffFile(path) as tiff:
        tile, counts = (tiff.pages[0].tags[code] for code in (322, 325))
    for side, reason in ((0, "its parts are 0×16"), (60000, "its parts are 60000×16")):
        data = bytearray(whole)
        struct.pack_into("<H" if tile.dtype == 3 else "<I", data, tile.valueoffset, side)
        path.write_bytes(data)
        assert reason in fault(path)
    with_sides(path, 64, 96) if path.write_bytes(whole) else None
    assert "a part of its picture is missing" in fault(path)
    if compression:
        data = bytearray(whole)
        form = "<H" if counts.dtype == 3 else "<I"
        struct.pack_into(form, data, counts.valueoffset, 0)
        path.write_bytes(data)
        assert "a part of its picture is missing" in fault(path)


@pytest.mark.parametrize("below", [False, True])
def test_directories_that_run_in_a_circle(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], below: bool
) -> None:
    # TIFF 6.0: the offset of the next directory follows the last entry.
    extra: dict[int, Any] = {330: (13, 1, 8)} if below else {}
    path = write_dng(tmp_path / "a.dng", codes, extra)
    data = bytearray(path.read_bytes())
    first = struct.unpack_from("<I", data, 4)[0]
    entries = struct.unpack_from("<H", data, first)[0]
    struct.pack_into("<I", data, first + 2 + 12 * entries, first)
    path.write_bytes(data)
    with suppress(InputError):  # a picture that is whole may be used
        assert np.array_equal(decode(path).data, codes)


@pytest.mark.parametrize("compression", [None, "JPEGXL_DNG"])
def test_no_memory_is_a_plain_fault(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    compression: str | None,
) -> None:
    def no_room(*_: object) -> None:
        raise MemoryError

    path = write_dng(tmp_path / "a.dng", codes, compression=compression)
    monkeypatch.setattr(module, "dng_black", no_room)
    assert "too large for the memory that is free" in fault(path)


FORMS: dict[str, dict[str, Any]] = {
    "plain": {},
    "tiles": {"tile": (16, 32)},
    "jpeg xl": {"compression": "JPEGXL_DNG", "tile": (16, 32)},
    "linear": {**LINEAR, "compression": "deflate"},
    "picture": {"photometric": "rgb", "compression": "lzw"},
}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("span", [500, 4000])
def test_damage_never_gives_anything_but_our_own_faults(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], form: str, span: int
) -> None:
    path = tmp_path / "a.dng"
    coloured = form in ("linear", "picture")
    extra: dict[int, Any] = {50829: (4, 4, (0, 0, 48, 64)), 50830: (4, 4, (0, 0, 4, 4))}
    extra |= {50713: (3, 2, (2, 2)), 50714: (5, 4, (64, 1) * 4), 51009: (7, 8, bytes(8))}
    extra |= {50712: (3, 3, (1, 2, 4000)), 50716: (10, 2, (1, 1, 2, 1))}
    extra |= NO_CFA if coloured else {}
    if form == "picture":
        extra |= {50706: None, 50707: None}
    data = np.stack([codes] * 3, axis=-1) if coloured else codes
    whole = write_dng(path, data, extra, **FORMS[form]).read_bytes()
    rng = np.random.default_rng(3)
    for _ in range(120):
        damaged = bytearray(whole)
        for at in rng.integers(8, min(span, len(whole)), rng.integers(1, 6)):
            damaged[at] = rng.integers(0, 256)
        path.write_bytes(damaged)
        found = kind(path)
        with suppress(InputError):
            mosaic = decode(path)
            assert sorted(mosaic.pattern.ravel()) == [0, 1, 1, 2]
            assert mosaic.white > mosaic.black.max()
            assert np.isfinite(mosaic.black).all()
            assert found.size == (mosaic.data.shape[1], mosaic.data.shape[0])
