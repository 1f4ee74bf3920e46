"""Offsets of single rows: found where there are any, and nothing made up where there are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from command_line import TINY
from grids import corners
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples, exposed, star_picture

from stackkit.calibration.apply import calibrate
from stackkit.calibration.banding import row_offsets
from stackkit.raw.decode import Mosaic
from stackkit.simulate.camera import pattern_indices
from stackkit.simulate.night import generator

WIDE = replace(TINY, width=960, height=240, focal=780.0)


def true_offsets(night, k=0):
    """ADU (H,) that the simulator adds to frame k's rows."""
    return generator(night, 18, k).normal(0, night.row_noise, night.height) / night.gain


def error(found, true):
    """Scatter of what is left; a common level belongs to the sky."""
    return float(np.std(found - true - np.median(found - true)))


@pytest.mark.parametrize("seed", corners(range(71, 75), [71]))
@pytest.mark.parametrize(
    "what",
    [
        {},
        {"sky_gradient": 2.0},
        {"vignetting": 0.75},
        {"milky_way": 2.0, "sky_rate": 20.0},
        {"gain": 4.0, "sky_rate": 2.0},  # a median of such samples comes in whole and half codes
        {"hot_fraction": 3e-3},
    ],
    ids=str,
)
def test_clean_frames_have_none(seed, what):
    assert row_offsets(exposed(replace(WIDE, seed=seed, **what), 0)) is None


@pytest.mark.parametrize("seed", corners(range(71, 75), [71, 72]))
def test_nor_do_frames_with_ground(seed):
    assert row_offsets(exposed(replace(WIDE, seed=seed, foreground=True), 0)) is None


@pytest.mark.parametrize("seed", corners([81, 82, 83], [81]))
@pytest.mark.parametrize(
    ("width", "row_noise", "left"),
    [(960, 2.0, 0.45), (960, 5.0, 0.4), (960, 15.0, 0.4), (320, 5.0, 0.5), (320, 15.0, 0.4)],
)
def test_offsets_are_found(seed, width, row_noise, left):
    # Measured: 0.14 to 0.34 of their scatter is left in 960 px, which is the error of the level
    # around the row; in 320 px up to 0.4, since fewer samples tell of a row.
    night = replace(WIDE, seed=seed, width=width, focal=0.8 * width, row_noise=row_noise)
    adu = exposed(night, 0)
    found, true = row_offsets(adu), true_offsets(night)
    assert found is not None
    assert found.shape == (240,)
    assert found.dtype == np.float32
    assert error(found, true) < left * row_noise / night.gain
    # The first and the last rows are corrected as well.
    for end in (slice(0, 6), slice(-6, None)):
        assert np.abs(found[end]).min() > 0
        assert np.std((found - true)[end]) < 0.7 * row_noise / night.gain


def test_they_are_new_in_every_frame():
    night = replace(WIDE, frames=2, row_noise=6.0)
    found = [row_offsets(exposed(night, k)) for k in (0, 1)]
    for k in (0, 1):
        assert np.corrcoef(found[k], true_offsets(night, k))[0, 1] > 0.9
    assert abs(np.corrcoef(*found)[0, 1]) < 0.3


def flux(plane, xy, half=6):
    """Sum of a square about each star, less the median of the rows' ends beside it."""
    sums = []
    for x, y in np.rint(xy).astype(int):
        box = plane[y - half : y + half + 1, x - half : x + half + 1]
        beside = plane[y - half : y + half + 1, x - half - 20 : x - half]
        sums.append(box.sum() - np.median(beside, axis=1).sum() * (2 * half + 1))
    return np.array(sums)


@pytest.mark.parametrize("seed", [91, 92])
def test_stars_keep_their_light(seed):
    # The light of stars without noise, told apart by subtraction: offsets with and without stars.
    rng = np.random.default_rng(seed)
    xy = rng.uniform([40, 20], [920, 220], (60, 2))
    light = 10 ** rng.uniform(3, 5, 60)
    stars = star_picture((240, 960), xy, light, 1.2)
    offsets = rng.normal(0, 4, 240)
    ground = rng.normal(50, 3, (240, 960)) + offsets[:, None]
    with_stars, without = (row_offsets(p.astype(np.float32)) for p in (ground + stars, ground))
    assert with_stars is not None
    assert without is not None
    # Per pixel, what the stars shift a row by is far less than the noise of a pixel, 3 ADU.
    assert np.abs(with_stars - without).max() < 0.6
    corrected = (ground + stars - with_stars[:, None], ground - without[:, None])
    gained = flux(corrected[0], xy) - flux(corrected[1], xy)
    alone = flux(stars, xy)
    bright = light > 5000
    assert np.median(np.abs(gained / alone - 1)[bright]) < 1e-3
    assert np.abs(gained / alone - 1)[bright].max() < 0.01


@given(height=st.integers(1, 130), width=st.integers(1, 300), seed=st.integers(0, 9))
@examples(40)
def test_any_size_is_taken(height, width, seed):
    adu = np.random.default_rng(seed).normal(0, 3, (height, width)).astype(np.float32)
    found = row_offsets(adu)
    assert found is None or found.shape == (height,)
    if height < 82 or width < 240:
        assert found is None


@pytest.mark.parametrize("shape", [(239, 961), (240, 959), (133, 481)])
def test_odd_sides(shape):
    rng = np.random.default_rng(5)
    offsets = rng.normal(0, 5, shape[0])
    adu = (rng.normal(20, 3, shape) + offsets[:, None]).astype(np.float32)
    found = row_offsets(adu)
    assert found is not None
    assert error(found, offsets) < 0.45 * 5


def test_missing_samples_are_passed_over():
    rng = np.random.default_rng(6)
    offsets = rng.normal(0, 5, 240)
    adu = (rng.normal(20, 3, (240, 960)) + offsets[:, None]).astype(np.float32)
    adu[rng.random(adu.shape) < 0.05] = np.nan
    assert error(row_offsets(adu), offsets) < 0.45 * 5
    # Of rows that miss altogether nothing can be said.
    adu[100:103] = np.nan
    assert row_offsets(adu) is None


def test_offsets_are_no_matter_of_level_or_unit():
    night = replace(WIDE, row_noise=6.0)
    adu = exposed(night, 0)
    found = row_offsets(adu)
    np.testing.assert_allclose(row_offsets(adu + np.float32(512)), found, atol=0.01)
    np.testing.assert_allclose(row_offsets(adu * np.float32(4)), 4 * found, rtol=1e-4, atol=0.01)


def test_calibrating_takes_them_off_and_tells_their_scatter():
    night = replace(WIDE, row_noise=8.0)
    codes = (exposed(night, 0) + night.black).astype(np.uint16)
    black = np.full((2, 2), night.black)
    found = calibrate(Mosaic(codes, pattern_indices("RGGB"), black, 4095.0, None))
    offsets = row_offsets(exposed(night, 0))
    np.testing.assert_allclose(found.adu, exposed(night, 0) - offsets[:, None], atol=1e-3)
    assert found.banding == pytest.approx(float(np.std(offsets)))
    assert found.banding == pytest.approx(float(np.std(true_offsets(night))), rel=0.15)
