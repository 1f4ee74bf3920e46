"""stack.dng against rawpy (LibRaw), tifffile and dngpy; DNG 1.4."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import rawpy
import tifffile
from dngpy import Dng
from sample_record import sample_record

from stackkit.output.linear_dng import BLACK, WHITE, write_linear_dng
from stackkit.picture.colour.camera import CameraColour
from stackkit.picture.colour.develop import CameraWhite, development
from stackkit.picture.orientation import upright
from stackkit.raw.decode import decode
from stackkit.raw.headers.metadata import ColourProfile, read_metadata

COOL = ((0.5309, -0.0229, -0.0336), (-0.6241, 1.3265, 0.3337), (-0.0817, 0.1215, 0.6664))
WARM = ((0.4716, 0.0603, -0.0830), (-0.7798, 1.5474, 0.2480), (-0.1496, 0.1937, 0.6651))
FORWARD = ((0.8924, -0.1041, 0.1760), (0.4351, 0.6621, -0.0972), (0.0505, -0.1562, 0.9308))
OWN = ((0.98, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.03))
PROFILES = (ColourProfile(17, COOL, FORWARD, OWN), ColourProfile(21, WARM, FORWARD, OWN))
CAMERA = CameraColour(((2856.0, PROFILES[0]), (6504.0, PROFILES[1])), (1.0, 1.0, 0.9))
NEUTRAL = (0.52, 1.0, 0.66)
FULL = 3839.0


def sample_picture(height=150, width=101):
    rng = np.random.default_rng(8)
    value = rng.normal(40, 30, (3, height, width)).astype(np.float32)
    value[:, :5, :9] = np.nan
    value[:, 40, 40] = FULL
    return value


def written(path, value, camera=CAMERA, orientation=1, sky=40.0):
    record = sample_record()
    record["camera"]["orientation"] = orientation
    known = CameraWhite(camera, NEUTRAL, None)
    how = development(known, "asshot", 1.05 * FULL, FULL, sky=sky)
    shown = np.zeros((30, 40, 3), np.uint8)
    shown[0, 0] = 255
    write_linear_dng(path, value, camera, how, record, shown)
    return path


def codes(value):
    light = np.nan_to_num(value, nan=0.0).astype(float) * (WHITE - BLACK) / FULL + BLACK
    return np.moveaxis(np.clip(np.rint(light), 0, WHITE), 0, -1)


def by_rawpy(path):
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image[..., :3].copy()


def by_tifffile(path):
    with tifffile.TiffFile(path) as tiff:
        return tiff.pages[0].pages[0].asarray()


def by_dngpy(path):
    return np.asarray(Dng(str(path)).raw_pixels)


@pytest.mark.parametrize("reader", [by_rawpy, by_tifffile, by_dngpy])
@pytest.mark.parametrize("orientation", [1, 6, 3])
def test_readers_agree(tmp_path, reader, orientation):
    value = sample_picture()
    found = reader(written(tmp_path / "s.dng", value, orientation=orientation))
    np.testing.assert_allclose(found.reshape(150, 101, 3).astype(float), codes(value), atol=1)


def test_what_readers_take_for_white_black_and_up(tmp_path):
    with rawpy.imread(str(written(tmp_path / "s.dng", sample_picture(), orientation=6))) as raw:
        red, green, blue, _ = raw.camera_whitebalance
        assert (red / green, blue / green) == pytest.approx((1 / 0.52, 1 / 0.66), rel=1e-4)
        assert raw.black_level_per_channel[:3] == [BLACK] * 3
        assert raw.white_level == WHITE
        assert raw.sizes.flip == 6
        assert raw.postprocess(use_camera_wb=True, no_auto_bright=True).shape == (101, 150, 3)


def test_our_own_reader_finds_what_was_written(tmp_path):
    path = written(tmp_path / "s.dng", sample_picture())
    said = read_metadata(path)
    assert said.camera == "Lanternfold Pocket Two"
    assert said.neutral == pytest.approx(NEUTRAL, rel=1e-5)
    assert said.analog_balance == pytest.approx(CAMERA.balance)
    assert len(said.colour_profiles) == 2
    for found, wanted in zip(said.colour_profiles, PROFILES, strict=True):
        assert found.illuminant == wanted.illuminant
        for name in ("color_matrix", "forward_matrix", "calibration"):
            np.testing.assert_allclose(getattr(found, name), getattr(wanted, name), atol=1e-6)
    mosaic = decode(path)
    assert mosaic.white == WHITE
    np.testing.assert_array_equal(mosaic.black, np.full((2, 2), BLACK))


@pytest.mark.parametrize("level", [1.0, 8.0, 300.0])
def test_it_opens_bright_enough(tmp_path, level):
    # BaselineExposure (DNG 1.4): steps of two; the sky comes to 1.5 %, but for 5 steps at most.
    value = np.full((3, 40, 40), level, np.float32)
    said = read_metadata(written(tmp_path / "s.dng", value, sky=level))
    shown = level / FULL * 2**said.baseline_exposure
    assert shown == pytest.approx(max(min(0.015, level / FULL * 32), level / FULL), rel=1e-3)


def test_a_camera_without_matrices_gets_those_of_srgb(tmp_path):
    path = written(tmp_path / "s.dng", sample_picture(), CameraColour(()))
    (profile,) = read_metadata(path).colour_profiles
    assert profile.illuminant == 21
    # IEC 61966-2-1, annex F: XYZ to sRGB; the camera's white is NEUTRAL times that.
    to_srgb = [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
    np.testing.assert_allclose(
        np.array(profile.color_matrix) / np.array(NEUTRAL)[:, None], to_srgb, atol=2e-3
    )


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_preview_has_the_orientation_of_the_picture(tmp_path, orientation):
    path = written(tmp_path / "s.dng", sample_picture(), orientation=orientation)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        assert page.tags[274].value == orientation
        shown = upright(np.moveaxis(page.asarray(), -1, 0), orientation)
    assert shown.shape == (3, 30, 40)
    assert shown[0, 0, 0] == 255


@pytest.mark.parametrize("shape", [(1, 1), (1, 2), (65, 3)])
def test_small_pictures(tmp_path, shape):
    value = np.full((3, *shape), 9.0, np.float32)
    np.testing.assert_array_equal(by_tifffile(written(tmp_path / "s.dng", value)), codes(value))


@pytest.mark.parametrize("level", [np.nan, 0.0, -5.0, 1e9])
def test_strange_pictures(tmp_path, level):
    value = np.full((3, 40, 40), level, np.float32)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = by_rawpy(written(tmp_path / "s.dng", value))
    np.testing.assert_array_equal(found, codes(value))
