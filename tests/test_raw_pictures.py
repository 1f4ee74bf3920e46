"""Lights of last resort: linear DNG, JPEG and TIFF, one colour a site, and what is lost said."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from raw_samples import LINEAR, MAIN, NO_CFA, fault
from skimage.color import rgb2xyz

from stackkit.raw.decode import Form, decode, kind

RGGB = [[0, 1], [1, 2]]


@pytest.fixture(scope="module")
def rgb() -> np.ndarray:
    """A soft picture (40, 50, 3) of 8 bits."""
    y, x = np.mgrid[0:40, 0:50]
    return np.stack([x * 5, y * 6, 255 - x - y], axis=-1).astype(np.uint8)


def sites(rgb: np.ndarray) -> np.ndarray:
    """Of each pixel the colour of an RGGB mosaic."""
    height, width, _ = rgb.shape
    colours = np.tile(RGGB, (height // 2, width // 2))
    return np.take_along_axis(rgb, colours[..., None], axis=2)[..., 0]


def linear(values: np.ndarray) -> np.ndarray:
    """Reference: scikit-image (IEC 61966-2-1); the Y of a grey is its linear value."""
    grey = np.repeat(values.ravel()[:, None], 3, axis=1)
    return rgb2xyz(grey.astype(float))[:, 1].reshape(values.shape)


def jpeg(rgb: np.ndarray, progressive: bool) -> bytes:
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_PROGRESSIVE, int(progressive)])
    return data.tobytes()


def is_last_resort(path: Path, form: Form, *words: str) -> None:
    found = kind(path)
    assert found.form is form
    assert found.reason
    mosaic = decode(path)
    assert found.size == (mosaic.data.shape[1], mosaic.data.shape[0])
    assert mosaic.data.dtype == np.uint16
    assert mosaic.pattern.tolist() == RGGB
    assert len(mosaic.remarks) == 1
    assert "one colour is used" in mosaic.remarks[0]
    for word in words:
        assert word in mosaic.remarks[0]


@pytest.mark.parametrize("progressive", [False, True])
def test_jpeg(tmp_path: Path, rgb: np.ndarray, progressive: bool) -> None:
    path = tmp_path / "a.jpg"
    data = jpeg(rgb, progressive)
    path.write_bytes(data + b"a film or a second picture behind it")
    is_last_resort(path, Form.PICTURE, "a JPEG picture", "8 bits", "sRGB")
    mosaic = decode(path)
    expected = linear(sites(imagecodecs.jpeg8_decode(data)) / 255)
    assert np.allclose(mosaic.data / mosaic.white, expected, atol=1e-4)
    assert mosaic.white == 65535
    assert (mosaic.black == 0).all()
    assert mosaic.balance == (1.0, 1.0, 1.0)


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "lzw"},
        {"compression": "deflate", "predictor": True, "rowsperstrip": 7},
        {"tile": (16, 32)},
        {"planarconfig": "separate"},
        {"byteorder": ">"},
    ],
    ids=str,
)
@pytest.mark.parametrize("bits", [8, 16])
def test_tiff(tmp_path: Path, rgb: np.ndarray, options: dict[str, Any], bits: int) -> None:
    path = tmp_path / "a.tif"
    data = rgb if bits == 8 else (rgb * 257.0 - 40 * (rgb > 0)).astype(np.uint16)
    given = np.moveaxis(data, -1, 0) if "planarconfig" in options else data
    tifffile.imwrite(path, given, photometric="rgb", metadata=None, **options)
    is_last_resort(path, Form.PICTURE, f"{bits} bits", "its brightness curve is taken for that of")
    expected = linear(sites(data) / (2**bits - 1))
    assert np.allclose(decode(path).data / 65535, expected, atol=1e-4)


def test_tiff_with_a_linear_profile(tmp_path: Path, rgb: np.ndarray) -> None:
    # ICC.1:2022: tag table at byte 128; curveType of one entry is a gamma in u8Fixed8 (10.6),
    # parametricCurveType 0 one in s15Fixed16 (10.18).
    curves = {
        b"curv\0\0\0\0\0\0\0\0": True,
        b"curv\0\0\0\0\0\0\0\1\1\0": True,
        b"para\0\0\0\0\0\0\0\0\0\1\0\0": True,
        b"curv\0\0\0\0\0\0\0\1\2\x33": False,
        b"para\0\0\0\0\0\0\0\0\0\2\x33\x33": False,
    }
    path = tmp_path / "a.tif"
    data = rgb.astype(np.uint16) * 257
    for curve, straight in curves.items():
        entry = b"rTRC" + (144).to_bytes(4, "big") + len(curve).to_bytes(4, "big")
        profile = bytes(128) + (1).to_bytes(4, "big") + entry + curve
        tifffile.imwrite(path, data, photometric="rgb", metadata=None, iccprofile=profile)
        assert np.array_equal(decode(path).data, sites(data)) == straight
        assert ("linear, as its profile says" in decode(path).remarks[0]) == straight
    for profile in (b"short", bytes(200), bytes(128) + b"\xff" * 40):
        tifffile.imwrite(path, data, photometric="rgb", metadata=None, iccprofile=profile)
        assert "sRGB" in decode(path).remarks[0]


def lossless_rgb(codes: np.ndarray) -> bytes:
    """Lossless JPEG (ISO/IEC 10918-1, annex H) of three colours, by libjpeg."""
    form = {"colorspace": "RGB", "outcolorspace": "RGB"} if codes.ndim == 3 else {}
    return bytes(imagecodecs.jpeg8_encode(codes, lossless=True, bitspersample=12, **form))


@pytest.mark.parametrize("compression", [None, "deflate", "JPEGXL_DNG"])
def test_linear_dng(
    tmp_path: Path,
    codes: np.ndarray,
    write_dng: Callable[..., Path],
    compression: str | None,
) -> None:
    rgb = np.stack([codes, codes + 3, codes + 7], axis=-1)
    extra = {**MAIN, **NO_CFA, 50714: (5, 1, (64, 1))}
    path = write_dng(tmp_path / "a.dng", rgb, extra, **LINEAR, compression=compression)
    is_last_resort(path, Form.LINEAR, "already computed its colours", "denoised or merged")
    mosaic = decode(path)
    assert np.array_equal(mosaic.data, sites(rgb))
    assert np.array_equal(mosaic.data, sites(tifffile.imread(path)))
    assert (mosaic.black == 64).all()
    assert mosaic.white == 4095
    assert mosaic.balance == pytest.approx((2.0, 1.0, 1.5))


def test_linear_dng_in_jpeg(
    tmp_path: Path, codes: np.ndarray, rgb: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # DNG 1.7.1, Compression 7 (lossless) and 34892 (lossy, with a table behind it).
    path = tmp_path / "a.dng"
    stack = np.stack([codes, codes + 3, codes + 7], axis=-1)
    form = {**LINEAR, "dtype": "uint16", "shape": stack.shape, "rowsperstrip": 48}
    write_dng(path, iter([lossless_rgb(stack)]), NO_CFA, compression=7, **form)
    is_last_resort(path, Form.LINEAR)
    assert np.array_equal(decode(path).data, sites(stack))
    table = np.arange(256) ** 2 // 20 + 300
    extra = {**NO_CFA, 50712: (3, 256, tuple(table.tolist()))}
    stream = imagecodecs.jpeg8_encode(rgb, level=98, colorspace="RGB", outcolorspace="RGB")
    form = {**LINEAR, "dtype": "uint8", "shape": rgb.shape, "rowsperstrip": 40}
    write_dng(path, iter([stream]), extra, compression=34892, **form)
    is_last_resort(path, Form.LINEAR)
    theirs = imagecodecs.jpeg8_decode(stream, colorspace="RGB", outcolorspace="RGB")
    assert np.array_equal(decode(path).data, table[sites(theirs)])


def test_opcodes_of_a_linear_dng(
    tmp_path: Path, codes: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    # DNG 1.7.1, chapter 7: list 2 of a picture with three planes names planes, as list 3 does.
    rgb = np.stack([codes] * 3, axis=-1)
    blob = bytes((0, 0, 0, 1, 0, 0, 0, 9, 1, 3, 0, 0, 0, 0, 0, 1, 0, 0, 0, 1, 42))
    extra = {**NO_CFA, 51009: (7, len(blob), blob), 51022: (7, len(blob), blob)}
    found = decode(write_dng(tmp_path / "a.dng", rgb, extra, **LINEAR)).opcodes
    assert found.linear == ()
    assert [opcode.number for opcode in found.picture] == [9, 9]


def test_a_mosaic_goes_before_an_enhanced_picture(tmp_path: Path, codes: np.ndarray) -> None:
    # DNG 1.7.1, NewSubFileType 16: a second picture, computed from the first and larger.
    path = tmp_path / "a.dng"
    first = [(50706, 1, 4, bytes((1, 7, 0, 0)), True), (254, 4, 1, 0, True)]
    cfa = [(33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True)]
    enhanced = np.zeros((96, 128, 3), np.uint16)
    with tifffile.TiffWriter(path) as tiff:
        tiff.write(codes, photometric="cfa", subifds=1, extratags=first + cfa, metadata=None)
        tiff.write(enhanced, subfiletype=16, metadata=None, **LINEAR)
    assert np.array_equal(decode(path).data, codes)
    assert kind(path).size == (64, 48)


def test_raws_go_before_pictures(
    tmp_path: Path, codes: np.ndarray, rgb: np.ndarray, write_dng: Callable[..., Path]
) -> None:
    raw = write_dng(tmp_path / "a.dng", codes)
    linear_raw = write_dng(tmp_path / "b.dng", np.stack([codes] * 3, axis=-1), NO_CFA, **LINEAR)
    jpeg, text = tmp_path / "c.jpg", tmp_path / "d.txt"
    jpeg.write_bytes(imagecodecs.jpeg8_encode(rgb))
    text.write_text("clear until two")
    forms = [kind(path).form for path in (raw, linear_raw, jpeg, text)]
    assert forms == [Form.MOSAIC, Form.LINEAR, Form.PICTURE, Form.NONE]
    assert forms == list(Form)  # best first
    assert kind(raw).reason == ""


def test_pictures_that_cannot_be_used(tmp_path: Path, codes: np.ndarray, rgb: np.ndarray) -> None:
    path = tmp_path / "a.dng"
    maker = [(271, 2, None, "Lanternfold", True), (272, 2, None, "Pocket Two", True)]

    def tiff(data: np.ndarray, **options: Any) -> str:
        tifffile.imwrite(path, data, metadata=None, **options)
        return fault(path)

    # LibRaw takes plain grey pictures of 16 bits for a mosaic.
    for tags in ([], maker):
        assert "a grey TIFF picture, not a raw one" in tiff(codes, extratags=tags)
    assert "floating-point" in tiff(rgb.astype(np.float32), photometric="rgb")
    assert "not three colours of 8 or 16 bits" in tiff(rgb.astype(np.uint32), photometric="rgb")
    assert "not three colours" in tiff(np.dstack([rgb, rgb[..., :1]]), photometric="rgb")
    path.write_bytes(imagecodecs.png_encode(rgb))
    assert "a PNG picture" in fault(path)
    path.write_bytes(imagecodecs.jpeg8_encode(rgb[..., 0].copy()))
    assert "another form than three colours of 8 bits" in fault(path)
    path.write_bytes(lossless_rgb(codes))
    assert "another form than three colours of 8 bits" in fault(path)
    path.write_bytes(b"\0\0\0\x18ftypheic" + bytes(300))
    assert "a HEIF picture" in fault(path)
    path.write_bytes(b"SIMPLE  =                    T" + bytes(300))
    assert "a FITS picture" in fault(path)
    assert kind(path).form is Form.NONE


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_that_is_cut(tmp_path: Path, rgb: np.ndarray, progressive: bool) -> None:
    # libjpeg fills the rest with grey and says nothing.
    path = tmp_path / "a.jpg"
    data = jpeg(rgb, progressive)
    start = data.index(b"\xff\xda")
    for cut in range(1, len(data) - start, 61):
        path.write_bytes(data[:-cut])
        assert "cut short" in fault(path)
    for length in (3, 20, start // 2):
        path.write_bytes(data[:length])
        assert "a JPEG picture, damaged" in fault(path) or "cut short" in fault(path)


def test_sides_are_bounded_before_decoding(tmp_path: Path, rgb: np.ndarray) -> None:
    path = tmp_path / "a.jpg"
    data = bytearray(imagecodecs.jpeg8_encode(rgb))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = b"\xfd\xe8\xfd\xe8"
    path.write_bytes(data)
    assert "too large: 65000×65000" in fault(path)
    data[at : at + 4] = b"\0\x10\0\x40"
    path.write_bytes(data)
    assert "too small: 64×16" in fault(path)
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, rgb, photometric="rgb", metadata=None, compression="deflate")
    with tifffile.TiffFile(path) as tiff:
        places = [tiff.pages[0].tags[code].valueoffset for code in (256, 257)]
    data = bytearray(path.read_bytes())
    for place in places:
        data[place : place + 2] = (60000).to_bytes(2, "little")
    path.write_bytes(data)
    assert "too large: 60000×60000" in fault(path)


def test_tiff_damage_is_a_plain_fault(tmp_path: Path, rgb: np.ndarray) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, rgb, photometric="rgb", metadata=None, compression="deflate")
    data = path.read_bytes()
    for cut in (10, len(data) // 2):
        path.write_bytes(data[:-cut])
        assert "cut short" in fault(path)
