"""stack.tif against tifffile, OpenCV, libvips, OpenImageIO, exifread and Pillow; TIFF 6.0."""

from __future__ import annotations

import io
import tracemalloc
from datetime import datetime, timedelta
from xml.etree import ElementTree as Xml

import cv2
import exifread
import numpy as np
import OpenImageIO
import pytest
import pyvips
import tifffile
from PIL import Image, ImageCms, ImageOps
from sample_record import sample_record

from stackkit.output import tiff as tiff_room
from stackkit.output.tiff import needs_bigtiff, write_tiff
from stackkit.picture.colour.develop import Development, develop
from stackkit.picture.colour.spaces import SPACES, SRGB
from stackkit.picture.edit import pedestal_of
from stackkit.picture.orientation import upright
from stackkit.raw.headers.tags import read_gps

GAINS = (1.92, 1.0, 1.52)
WHITE = 3839.0
PEDESTAL = 2.0**-10


def balanced(gains=GAINS, space=SRGB, white=WHITE, kelvin=5500.0):
    """White balance alone, no matrix."""
    neutral = 1 / np.array(gains)
    levels, words = (white, 0.95 * white), "as shot"
    return Development(neutral / neutral.max(), np.eye(3), *levels, space, kelvin, words)


def sample_picture(height=150, width=101):
    rng = np.random.default_rng(8)
    value = rng.normal(100, 200, (3, height, width)).astype(np.float32)
    value[:, :5, :9] = np.nan
    value[0, 20, 20] = np.nan
    value[:, 40, 40] = 3839
    value.flags.writeable = False
    return value


def told(orientation=1, pedestal=PEDESTAL, full=1.0, **more):
    record = sample_record()
    record["camera"]["orientation"] = orientation
    record["editing"] |= {"pedestal": pedestal, "full_scale": full}
    return record | more


def written(path, value, how=None, record=None, bits=32):
    preview = np.full((40, 60, 3), 77, np.uint8)
    write_tiff(path, value, how or balanced(), record or told(), preview, bits)
    return path


def expected(value, gains=GAINS, orientation=1):
    """Unclipped, far from clipped: the multipliers and the pedestal are all there is."""
    picture = np.stack([p * g / WHITE for p, g in zip(value.astype(float), gains, strict=True)])
    return np.moveaxis(upright(picture + PEDESTAL, orientation), 0, -1)


def oiio(path):
    picture = OpenImageIO.ImageInput.open(str(path))
    return picture.read_image("float").reshape(picture.spec().height, picture.spec().width, 3)


READERS = {
    "tifffile": lambda path: tifffile.imread(path),
    "OpenCV": lambda path: cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1],
    "libvips": lambda path: pyvips.Image.new_from_file(str(path)).numpy(),
    "libvips, turned by the tag": lambda path: (
        pyvips.Image.new_from_file(str(path)).autorot().numpy()
    ),
    "OpenImageIO": oiio,
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("orientation", [1, 6, 3])
def test_readers_agree(tmp_path, reader, orientation):
    value = np.nan_to_num(sample_picture(), nan=9.0)
    value[:, 40, 40] = 50
    path = written(tmp_path / "stack.tif", value, record=told(orientation))
    picture = READERS[reader](path)
    assert picture.dtype == np.float32
    np.testing.assert_allclose(
        picture, expected(value, orientation=orientation), rtol=1e-5, atol=1e-7
    )


@pytest.mark.parametrize("reader", ["tifffile", "OpenCV", "libvips"])
def test_sixteen_bits(tmp_path, reader):
    value = np.clip(np.nan_to_num(sample_picture(), nan=9.0), 0, 1000)
    how = balanced()
    full = float(how.gains.max()) + PEDESTAL
    path = written(tmp_path / "s.tif", value, how, told(full=full), bits=16)
    picture = READERS[reader](path)
    assert picture.dtype == np.uint16
    np.testing.assert_allclose(picture / 65535 * full, expected(value), atol=0.51 * full / 65535)


def test_linear_from_code_to_file(tmp_path):
    # A ramp up to where the sensor clips: twice the light is twice the value, to 1e-3.
    ramp = np.linspace(0, 0.84 * WHITE, 400, dtype=np.float32)
    value = np.broadcast_to(ramp, (3, 70, 400)).copy()
    picture = tifffile.imread(written(tmp_path / "s.tif", value)) - PEDESTAL
    for channel, gain in enumerate(GAINS):
        np.testing.assert_allclose(picture[33, 1:, channel], ramp[1:] * gain / WHITE, rtol=1e-3)


def test_clipped_light_is_white_whatever_the_multipliers(tmp_path):
    picture = tifffile.imread(written(tmp_path / "s.tif", np.full((3, 9, 9), WHITE, np.float32)))
    np.testing.assert_allclose(picture, 1.92 + PEDESTAL, rtol=1e-6)


def test_missing_pixels_are_nought_and_negative_noise_stays(tmp_path):
    picture = tifffile.imread(written(tmp_path / "s.tif", sample_picture()))
    assert np.isfinite(picture).all()
    assert (picture[:5, :9] == 0).all()
    red, green, blue = picture[20, 20]  # red is missing: it takes the mean of the others
    assert red == pytest.approx((green + blue) / 2, rel=1e-5)
    assert picture.min() < -0.05


def test_the_pedestal_is_the_least_that_keeps_the_noise():
    rng = np.random.default_rng(3)
    for sigma in (1.0, 8.0, 20.0):
        value = rng.normal(0, sigma, (3, 300, 300)).astype(np.float32)
        pedestal, below = pedestal_of(value, balanced())
        assert below <= 1e-5
        light = value * np.array(GAINS)[:, None, None] / WHITE
        assert (light < -pedestal).mean() == pytest.approx(below)
        assert (light < -pedestal / 2).mean() > 1e-5
    assert pedestal_of(np.full((3, 9, 9), 5.0, np.float32), balanced()) == (0.0, 0.0)
    assert pedestal_of(np.full((3, 9, 9), -1e5, np.float32), balanced()) == (2.0**-4, 1.0)
    assert pedestal_of(np.full((3, 9, 9), np.nan, np.float32), balanced()) == (0.0, 0.0)


def test_the_layout_that_opens_nearly_everywhere(tmp_path):
    path = written(tmp_path / "stack.tif", sample_picture(), record=told(6))
    with tifffile.TiffFile(path) as tiff:
        assert not tiff.is_bigtiff
        assert len(tiff.pages) == 1
        page = tiff.pages[0]
        tags = {tag.code: tag.value for tag in page.tags}
        (inside,) = page.pages
        assert inside.tags[254].value == 1  # NewSubfileType: a reduced picture
        np.testing.assert_array_equal(inside.asarray(), np.full((40, 60, 3), 77))
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
    assert "white is as shot" in tags[270]
    assert tags[270].isascii()


def test_a_large_preview_is_made_smaller(tmp_path):
    preview = np.random.default_rng(1).integers(0, 255, (1500, 2048, 3), dtype=np.uint8)
    write_tiff(tmp_path / "s.tif", sample_picture(), balanced(), told(), preview)
    with tifffile.TiffFile(tmp_path / "s.tif") as tiff:
        small = tiff.pages[0].pages[0].asarray()
    np.testing.assert_array_equal(small, np.rint(preview.reshape(750, 2, 1024, 2, 3).mean((1, 3))))


@pytest.mark.parametrize("space", SPACES.values(), ids=lambda space: space.key)
def test_the_profile_is_that_of_the_space(tmp_path, space):
    path = written(tmp_path / "s.tif", sample_picture(), balanced(space=space))
    profile = pyvips.Image.new_from_file(str(path)).get("icc-profile-data")
    assert space.name in ImageCms.getProfileDescription(
        ImageCms.ImageCmsProfile(io.BytesIO(profile))
    )
    with tifffile.TiffFile(path) as tiff:
        assert space.name in tiff.pages[0].description


def test_what_it_says_of_the_session(tmp_path):
    # EXIF by exifread and tifffile; XMP by the standard library's parser.
    record = told()
    path = written(tmp_path / "s.tif", sample_picture(), record=record)
    with path.open("rb") as file:
        exif = exifread.process_file(file, details=False)
    used = [row for row in record["frames"] if row["used"]]
    total = sum(row["exposure_s"] for row in used)
    assert float(exif["EXIF ExposureTime"].values[0]) == pytest.approx(total)
    assert str(exif["EXIF OffsetTimeOriginal"]) == "+00:00"
    first = min(datetime.fromisoformat(row["time"]) for row in used if row["time"])
    begin = first - timedelta(seconds=used[0]["exposure_s"] / 2)
    assert str(exif["EXIF DateTimeOriginal"]) == begin.strftime("%Y:%m:%d %H:%M:%S")
    assert str(exif["Image Model"]) == "Lanternfold Pocket Two"
    assert not any(key.startswith("GPS") for key in exif)
    with tifffile.TiffFile(path) as tiff:
        packet = bytes(tiff.pages[0].tags[700].value)
    node = Xml.fromstring(packet[packet.index(b"<x:") : packet.rindex(b"<?")])[0][0]
    said = {key.split("}")[1]: value for key, value in node.attrib.items()}
    assert said["framesUsed"] == str(len(used))
    assert float(said["totalExposureSeconds"]) == pytest.approx(total)
    assert float(said["pedestal"]) == PEDESTAL


def test_the_place_is_told_only_when_it_was_asked_for(tmp_path):
    place = {"latitude": -33.5, "longitude": 18.25, "height": None}
    path = written(tmp_path / "s.tif", sample_picture(), record=told(place=place))
    gps = read_gps(path)
    assert (gps[1], gps[3]) == ("S", "E")
    assert gps[2] == pytest.approx((33, 30, 0), abs=1e-4)
    assert gps[4] == pytest.approx((18, 15, 0), abs=1e-4)


def test_without_matrices_the_description_says_so(tmp_path):
    path = written(tmp_path / "s.tif", sample_picture(), balanced(kelvin=None))
    with tifffile.TiffFile(path) as tiff:
        assert "the camera's own colours, unknown" in tiff.pages[0].description


def test_names_that_are_no_ascii(tmp_path):
    record = told()
    record["camera"]["name"] = "Größe <&> 𝄞"
    path = written(tmp_path / "s.tif", sample_picture(), record=record)
    with tifffile.TiffFile(path) as tiff:
        packet = bytes(tiff.pages[0].tags[700].value)
        assert tiff.pages[0].tags[272].value.isascii()
    assert "Größe &lt;&amp;&gt; 𝄞".encode() in packet


def test_the_same_stack_gives_the_same_bytes(tmp_path):
    one, two = (written(tmp_path / name, sample_picture()) for name in ("one.tif", "two.tif"))
    assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize(("height", "width"), [(1, 1), (1, 2), (64, 3), (65, 3), (3, 200)])
@pytest.mark.parametrize("bits", [16, 32])
def test_small_and_odd_pictures(tmp_path, height, width, bits):
    value = np.arange(3 * height * width, dtype=np.float32).reshape(3, height, width)
    how = balanced((1, 1, 1), white=65535.0)
    path = written(tmp_path / "s.tif", value, how, told(pedestal=0.0), bits)
    picture = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1]
    scale = 65535 if bits == 32 else 1
    np.testing.assert_allclose(picture * scale, np.moveaxis(value, 0, -1), rtol=1e-6)


def test_nothing_but_missing_pixels(tmp_path):
    value = np.full((3, 10, 10), np.nan, dtype=np.float32)
    assert (tifffile.imread(written(tmp_path / "s.tif", value)) == 0).all()


def test_strips_do_not_show_beside_clipped_pixels(tmp_path):
    value = np.full((3, 200, 30), 40.0, np.float32)
    value[:, 60:69, 10:14] = WHITE
    value[0, 55:75, 5:20] += 300
    value[2, 55:75, 5:20] += 300
    picture = tifffile.imread(written(tmp_path / "s.tif", value))
    whole = np.moveaxis(develop(value, balanced()), 0, -1) + np.float32(PEDESTAL)
    np.testing.assert_allclose(picture, whole, rtol=1e-6)


def test_bigtiff_only_beyond_4_gib():
    # TIFF 6.0: offsets are 32 bits.  A 200-megapixel picture still fits, 360 do not.
    assert not needs_bigtiff(12_240, 16_320)
    assert needs_bigtiff(16_320, 22_000)


def test_the_large_layout_is_read_too(tmp_path, monkeypatch):
    monkeypatch.setattr(tiff_room, "needs_bigtiff", lambda *_: True)
    value = np.nan_to_num(sample_picture(), nan=9.0)
    value[:, 40, 40] = 50
    path = written(tmp_path / "s.tif", value)
    with tifffile.TiffFile(path) as tiff:
        assert tiff.is_bigtiff
        assert tiff.pages[0].tags[34665].value["ExifVersion"] == "0232"
        assert len(tiff.pages[0].pages) == 1
    for reader in ("tifffile", "OpenCV", "libvips"):
        np.testing.assert_allclose(READERS[reader](path), expected(value), rtol=1e-5, atol=1e-7)


def test_memory_stays_small(tmp_path):
    value = np.ones((3, 600, 3000), dtype=np.float32)
    written(tmp_path / "warm.tif", sample_picture())
    tracemalloc.start()
    written(tmp_path / "stack.tif", value, record=told(6))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < value.nbytes / 3


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
