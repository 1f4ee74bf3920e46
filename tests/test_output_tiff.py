"""stack.tif against tifffile, OpenCV, libvips and Pillow; TIFF 6.0 and Technical Note 3."""

from __future__ import annotations

import io
import tracemalloc

import cv2
import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image, ImageOps

from stackkit.output.tiff import needs_bigtiff, write_tiff
from stackkit.output.upright import upright
from stackkit.stack_result import Stack

BALANCE = (1.92, 1.0, 1.52)
WHITE = 3839.0


def sample_stack(height=150, width=101):
    rng = np.random.default_rng(8)
    value = rng.normal(100, 200, (3, height, width)).astype(np.float32)
    value[:, :5, :9] = np.nan
    value[0, 20, 20] = np.nan
    value[:, 40, 40] = 3839
    value.flags.writeable = False
    return Stack(value, value, np.ones((height, width), np.int16))


def expected(stack, balance, white, orientation=1):
    picture = np.stack(
        [p * b / white for p, b in zip(stack.value.astype(float), balance, strict=True)]
    )
    return np.moveaxis(upright(np.nan_to_num(picture, nan=0.0), orientation), 0, -1)


READERS = {
    "tifffile": lambda path: tifffile.imread(path),
    "OpenCV": lambda path: cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1],
    "libvips": lambda path: pyvips.Image.new_from_file(str(path)).numpy(),
    "libvips, turned by the tag": lambda path: (
        pyvips.Image.new_from_file(str(path)).autorot().numpy()
    ),
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("orientation", [1, 6, 3])
def test_readers_agree(tmp_path, reader, orientation):
    stack, path = sample_stack(), tmp_path / "stack.tif"
    write_tiff(path, stack, BALANCE, orientation, WHITE)
    picture = READERS[reader](path)
    assert picture.dtype == np.float32
    assert np.isfinite(picture).all()
    np.testing.assert_allclose(
        picture, expected(stack, BALANCE, WHITE, orientation), rtol=1e-6, atol=1e-9
    )


def test_white_is_one_and_negative_noise_stays(tmp_path):
    stack, path = sample_stack(), tmp_path / "stack.tif"
    write_tiff(path, stack, None, 1, WHITE)
    picture = tifffile.imread(path)
    np.testing.assert_allclose(picture[40, 40], 1.0, rtol=1e-6)
    assert picture.min() < -0.05
    assert (picture[:5, :9] == 0).all()
    assert picture[20, 20, 0] == 0
    assert picture[20, 20, 1] != 0


def test_the_layout_that_opens_nearly_everywhere(tmp_path):
    path = tmp_path / "stack.tif"
    write_tiff(path, sample_stack(), BALANCE, 6, WHITE)
    with tifffile.TiffFile(path) as tiff:
        assert not tiff.is_bigtiff
        assert len(tiff.pages) == 1
        page = tiff.pages[0]
        tags = {tag.code: tag.value for tag in page.tags}
    assert (tags[256], tags[257]) == (150, 101)  # turned by a quarter
    assert tags[258] == (32, 32, 32)  # BitsPerSample
    assert tags[259] == 8  # deflate (TIFF Technical Note 2)
    assert tags[262] == 2  # RGB
    assert tags[274] == 1  # Orientation: the first row is the top
    assert tags[278] == 64  # RowsPerStrip
    assert tags[284] == 1  # contiguous
    assert tags[317] == 3  # floating-point predictor (TIFF Technical Note 3)
    assert set(tags[339]) == {3}  # IEEE floating point
    assert 306 not in tags  # DateTime
    assert tags[305] == "stackkit"
    for words in ("Linear light", "looks dark until it is stretched", "3839 ADU above black"):
        assert words in tags[270]
    assert "white-balanced as shot" in tags[270]
    assert tags[270].isascii()


def test_without_balance_the_description_says_so(tmp_path):
    path = tmp_path / "stack.tif"
    write_tiff(path, sample_stack(), None, 1, WHITE)
    with tifffile.TiffFile(path) as tiff:
        assert "not white-balanced" in tiff.pages[0].description


def test_the_same_stack_gives_the_same_bytes(tmp_path):
    for name in ("one.tif", "two.tif"):
        write_tiff(tmp_path / name, sample_stack(), BALANCE, 1, WHITE)
    assert (tmp_path / "one.tif").read_bytes() == (tmp_path / "two.tif").read_bytes()


@pytest.mark.parametrize(("height", "width"), [(1, 1), (1, 2), (64, 3), (65, 3), (3, 200)])
def test_small_and_odd_pictures(tmp_path, height, width):
    value = np.arange(3 * height * width, dtype=np.float32).reshape(3, height, width)
    write_tiff(tmp_path / "stack.tif", Stack(value, value, value[0].astype(np.int16)), None, 1, 1.0)
    picture = cv2.imread(str(tmp_path / "stack.tif"), cv2.IMREAD_UNCHANGED)
    np.testing.assert_array_equal(picture[..., ::-1], np.moveaxis(value, 0, -1))


def test_nothing_but_missing_pixels(tmp_path):
    value = np.full((3, 10, 10), np.nan, dtype=np.float32)
    write_tiff(tmp_path / "s.tif", Stack(value, value, np.zeros((10, 10), np.int16)), None, 1, 1.0)
    assert (tifffile.imread(tmp_path / "s.tif") == 0).all()


def test_bigtiff_only_beyond_4_gib():
    # TIFF 6.0: offsets are 32 bits.  A 200-megapixel picture still fits, 360 do not.
    assert not needs_bigtiff(12_240, 16_320)
    assert needs_bigtiff(16_320, 22_000)


def test_memory_stays_small(tmp_path):
    shape = (3, 600, 3000)
    value = np.ones(shape, dtype=np.float32)
    stack = Stack(value, value, np.ones(shape[1:], np.int16))
    write_tiff(tmp_path / "warm.tif", sample_stack(), None, 1, 1.0)
    tracemalloc.start()
    write_tiff(tmp_path / "stack.tif", stack, None, 6, 1.0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < value.nbytes / 4


@pytest.mark.parametrize("orientation", range(1, 9))
def test_upright_against_pillow(orientation):
    # EXIF 2.32 / TIFF 6.0 tag 274, as Pillow's ImageOps.exif_transpose reads it.
    picture = np.random.default_rng(2).integers(0, 255, (5, 7, 3), dtype=np.uint8)
    exif = Image.Exif()
    exif[274] = orientation
    memory = io.BytesIO()
    Image.fromarray(picture).save(memory, "png", exif=exif)
    turned = np.asarray(ImageOps.exif_transpose(Image.open(memory)))
    ours = np.moveaxis(upright(np.moveaxis(picture, -1, 0), orientation), 0, -1)
    np.testing.assert_array_equal(ours, turned)


def test_upright_is_a_view_and_leaves_reserved_values_alone():
    plane = np.arange(6).reshape(2, 3)
    assert np.shares_memory(upright(plane, 7), plane)
    for reserved in (0, 9, -1):
        np.testing.assert_array_equal(upright(plane, reserved), plane)
