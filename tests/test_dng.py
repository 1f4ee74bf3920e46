"""DNG 1.7 with JPEG XL and interleaved fields, against dngpy (a reference reader) and flashraw."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import dngpy
import flashraw
import imagecodecs
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from raw_samples import LINEAR, MAIN, NO_CFA, VERSION_17, fault, share_given
from scenes import PATTERNS, examples

from stackkit.raw.decode import Form, decode, kind
from stackkit.raw.dng import _woven
from stackkit.raw.headers.codestreams import JxlFrame, jpeg_frame, jxl_frame
from stackkit.raw.headers.kinds import opened

JXL: dict[str, Any] = {"compression": "JPEGXL_DNG"}
FORMS = [{"tile": (16, 32)}, {"tile": (32, 48)}, {"rowsperstrip": 48}, {"rowsperstrip": 20}]


def theirs(path: Path, capfd: pytest.CaptureFixture[str]) -> np.ndarray:
    """The stored samples as the reference reader has them; it reports on the terminal."""
    pixels = dngpy.Dng(str(path)).raw_pixels
    capfd.readouterr()
    return pixels[..., 0] if pixels.shape[-1] == 1 else pixels


def streams(codes: np.ndarray, form: dict[str, Any]) -> Iterator[bytes]:
    """Each strip or tile as JPEG XL; tiles reach over the edge, the last strip ends there."""
    high, wide = form.get("tile", (form.get("rowsperstrip"), codes.shape[1]))
    over = ((0, high if "tile" in form else 0), (0, wide))
    padded = np.pad(codes, over, mode="edge")
    for y in range(0, codes.shape[0], high):
        for x in range(0, codes.shape[1], wide):
            part = np.ascontiguousarray(padded[y : y + high, x : x + wide])
            yield bytes(imagecodecs.jpegxl_encode(part, lossless=True))


@pytest.mark.parametrize("form", FORMS, ids=str)
@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_jpeg_xl_bit_for_bit(
    tmp_path: Path,
    write_dng: Callable[..., Path],
    capfd: pytest.CaptureFixture[str],
    form: dict[str, Any],
    byteorder: str,
) -> None:
    # DNG 1.7.1, Compression 52546; noise, so that every bit counts.
    codes = np.random.default_rng(6).integers(0, 65536, (48, 64), np.uint16)
    extra = {**MAIN, **VERSION_17, 50717: (4, 1, 65535)}
    settings = {**JXL, **form, "shape": codes.shape, "dtype": codes.dtype, "byteorder": byteorder}
    path = write_dng(tmp_path / "a.dng", streams(codes, form), extra, **settings)
    assert np.array_equal(decode(path).data, codes)
    assert np.array_equal(decode(path).data, theirs(path, capfd))
    with flashraw.open(str(path)) as raw:
        assert np.array_equal(decode(path).data, raw.decode().array)
    assert kind(path).form is Form.MOSAIC


@pytest.mark.parametrize("bits", [10, 12, 14, 16])
@pytest.mark.parametrize("container", [False, True])
def test_jpeg_xl_of_fewer_bits(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    bits: int,
    container: bool,
) -> None:
    codes = codes & ((1 << bits) - 1)
    stream = imagecodecs.jpegxl_encode(
        codes, lossless=True, bitspersample=bits, usecontainer=container
    )
    form = {"shape": codes.shape, "dtype": codes.dtype, "rowsperstrip": 48, "bitspersample": bits}
    path = write_dng(tmp_path / "a.dng", iter([stream]), {50714: None, 50717: None}, **JXL, **form)
    assert np.array_equal(decode(path).data, codes)
    assert decode(path).white == (1 << bits) - 1  # DNG 1.7.1, WhiteLevel: by BitsPerSample
    with flashraw.open(str(path)) as raw:
        assert np.array_equal(decode(path).data, raw.decode().array)


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_jpeg_xl_of_fewer_bits_than_the_tag_says(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    capfd: pytest.CaptureFixture[str],
    bits: int,
) -> None:
    # The specification is silent; both readers stretch the range to that of BitsPerSample.
    codes = (codes & ((1 << bits) - 1)).astype(np.uint8 if bits == 8 else np.uint16)
    stream = imagecodecs.jpegxl_encode(codes, lossless=True, bitspersample=bits)
    form = {"shape": codes.shape, "dtype": "uint16", "rowsperstrip": 48}
    path = write_dng(tmp_path / "a.dng", iter([stream]), {**MAIN, 50717: None}, **JXL, **form)
    ours = decode(path).data.astype(int)
    with flashraw.open(str(path)) as raw:
        assert np.abs(ours - raw.decode().array).max() <= 1  # they round in other ways
    if bits > 8:  # the reference reader wants 16 bits in the stream where the tag has them
        assert np.abs(ours - theirs(path, capfd)).max() <= 1


def test_big_tiff(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    capfd: pytest.CaptureFixture[str],
) -> None:
    # Offsets of 64 bits, which LibRaw does not read.
    for form in ({}, JXL):
        path = write_dng(tmp_path / "a.dng", codes, {**MAIN, **VERSION_17}, bigtiff=True, **form)
        assert np.array_equal(decode(path).data, codes)
        assert np.array_equal(decode(path).data, theirs(path, capfd))


@pytest.mark.parametrize("fields", [(1, 1), (2, 2), (3, 1), (1, 4), (5, 3)])
@pytest.mark.parametrize("form", [JXL, {**JXL, "tile": (16, 32)}, {}], ids=str)
def test_interleaved_fields(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    capfd: pytest.CaptureFixture[str],
    fields: tuple[int, int],
    form: dict[str, Any],
) -> None:
    # DNG 1.7.1, RowInterleaveFactor and ColumnInterleaveFactor: every n-th row lies together.
    down, across = fields
    stored = np.concatenate([codes[k::down] for k in range(down)])
    stored = np.concatenate([stored[:, k::across] for k in range(across)], axis=1)
    extra = {**MAIN, **VERSION_17, 50975: (3, 1, down), 52547: (3, 1, across)}
    path = write_dng(tmp_path / "a.dng", stored, extra, **form)
    assert np.array_equal(decode(path).data, codes)
    assert np.array_equal(decode(path).data, theirs(path, capfd))


@examples(40)
@given(
    shape=st.tuples(st.integers(1, 20), st.integers(1, 20)),
    axis=st.integers(0, 1),
    fields=st.integers(1, 7),
)
def test_weaving_undoes_the_split(shape: tuple[int, int], axis: int, fields: int) -> None:
    plane = np.arange(shape[0] * shape[1], dtype=np.uint16).reshape(shape)
    turned = np.moveaxis(plane, axis, 0)
    split = np.moveaxis(np.concatenate([turned[k::fields] for k in range(fields)]), 0, axis)
    assert np.array_equal(_woven(split, axis, fields), plane)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_pattern_and_levels_of_jpeg_xl(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path], pattern: str
) -> None:
    cfa = bytes("RGB".index(letter) for letter in pattern)
    plain = decode(write_dng(tmp_path / "a.dng", codes, {33422: (1, 4, cfa)}))
    packed = decode(write_dng(tmp_path / "b.dng", codes, {33422: (1, 4, cfa)}, **JXL))
    for field in ("data", "pattern", "black"):
        assert np.array_equal(getattr(plain, field), getattr(packed, field))
    assert plain.white == packed.white
    assert plain.balance == pytest.approx(packed.balance)


def test_linear_raw_in_jpeg_xl(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    rgb = np.stack([codes, codes + 3, codes + 7], axis=-1)
    for form in ({}, {"tile": (16, 32)}):
        mosaic = decode(write_dng(tmp_path / "a.dng", rgb, NO_CFA, **LINEAR, **JXL, **form))
        offset = np.tile([[0, 3], [3, 7]], (24, 32))
        assert np.array_equal(mosaic.data, codes + offset)


def test_libraw_alone_would_refuse(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = write_dng(tmp_path / "a.dng", codes, **JXL)
    with opened(path) as file:
        assert file.raw is None


@pytest.mark.parametrize(
    ("extra", "reason"),
    [
        ({50974: (3, 2, (2, 2))}, "stored in an order that is not read"),
        ({50975: (3, 1, 0)}, "interleaved too often"),
        ({52547: (3, 1, 60)}, "interleaved too often"),
        ({50829: (4, 4, (0, 0, 48, 65))}, "active area lies outside"),
        ({50829: (4, 4, (40, 0, 40, 64))}, "active area lies outside"),
    ],
)
def test_forms_that_are_refused(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    extra: dict[int, Any],
    reason: str,
) -> None:
    for form in ({}, JXL):
        path = write_dng(tmp_path / "a.dng", codes, extra, **form)
        assert reason in fault(path)
        assert kind(path).form is Form.NONE


@pytest.mark.parametrize("keep", [0.1, 0.5, 0.9, 0.999])
def test_jpeg_xl_that_is_cut_or_blank(
    tmp_path: Path, write_dng: Callable[..., Path], keep: float
) -> None:
    codes = np.random.default_rng(6).integers(200, 4000, (48, 64), np.uint16)
    path = write_dng(tmp_path / "a.dng", codes, **JXL, tile=(16, 32))
    data = path.read_bytes()
    start = data.index(b"\xff\x0a")
    at = start + int(keep * (len(data) - start))
    for end in (b"", bytes(len(data) - at)):
        path.write_bytes(data[:at] + end)
        share = share_given(path, codes)
        # A few zeros at the end may be the samples' own: such a file is refused as damaged.
        assert share == int(6 * keep) / 6 or (keep == 0.999 and end and share == 0)
        if keep == 0.1:
            assert "cut short" in fault(path)


def stream_of(path: Path, write: Callable[..., Path], stream: bytes) -> str:
    form = {"shape": (48, 64), "dtype": "uint16", "rowsperstrip": 48}
    return fault(write(path, iter([stream]), **JXL, **form))


def test_streams_that_claim_more_than_their_place(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    path = tmp_path / "a.dng"
    large = imagecodecs.jpegxl_encode(np.zeros((900, 900), np.uint16), lossless=True, effort=1)
    assert len(large) < 1000
    assert "larger than its place" in stream_of(path, write_dng, large)
    film = np.stack([codes] * 3)
    many = imagecodecs.jpegxl_encode(film, lossless=True, photometric="gray")
    assert "more than one JPEG XL picture" in stream_of(path, write_dng, many)
    deep = imagecodecs.jpegxl_encode(film, lossless=True, photometric="gray", planar=True)
    assert "channels beside its colours" in stream_of(path, write_dng, deep)
    small = imagecodecs.jpegxl_encode(codes[:, :32].copy(), lossless=True)
    assert "damaged" in stream_of(path, write_dng, small)
    assert "does not start as JPEG XL does" in stream_of(path, write_dng, b"\xff" * 900)


@examples(40)
@given(
    height=st.one_of(st.integers(1, 300), st.sampled_from((512, 513, 8000, 8193))),
    width=st.one_of(st.integers(1, 300), st.sampled_from((512, 513, 8000, 8193))),
    container=st.booleans(),
)
def test_size_in_a_jpeg_xl_header(height: int, width: int, container: bool) -> None:
    # Reference: the encoder of libjxl.
    if height * width > 1_000_000:
        height = 3
    stream = imagecodecs.jpegxl_encode(
        np.zeros((height, width), np.uint8), lossless=True, effort=1, usecontainer=container
    )
    assert jxl_frame(stream) == JxlFrame(width, height, 8)


@examples(200)
@given(st.binary(max_size=80), st.sampled_from((b"", b"\xff\x0a", b"\xff\xd8\xff\xc0")))
def test_headers_of_noise(noise: bytes, start: bytes) -> None:
    for read in (jxl_frame, jpeg_frame):
        with suppress(ValueError):
            read(start + noise)
