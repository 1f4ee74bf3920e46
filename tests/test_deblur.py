"""What interpolation blurred is taken back: sharper, no noisier where it counts, and no ring.

Outside reference: the Wiener filter is held against its own equation, T·S against 1 at the
frequencies where stars have their light; scatter against numpy's.
"""

from __future__ import annotations

import numpy as np
import pytest
from grids import corners
from scenes import (
    PATTERNS,
    Here,
    cache_of,
    combined,
    layout,
    mosaic,
    pattern_indices,
    placed,
    quiet,
    shift,
    summed,
)
from scipy.ndimage import correlate

from stackkit.integration import weighted_sum
from stackkit.integration.deblur import kernels, restorable, restore, restored_factors
from stackkit.integration.interpolation_response import noise_factors
from stackkit.noise.photon_transfer import Noise
from stackkit.raw.bayer import bayer

BALANCE = (1 / 0.52, 1.0, 1 / 0.66)
INSIDE = (slice(None), slice(8, -8), slice(8, -8))
some_patterns = pytest.mark.parametrize("pattern", corners(PATTERNS, ["GBRG"]))


def star(shape, at, fwhm):
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.exp(-4 * np.log(2) * ((x - at[0]) ** 2 + (y - at[1]) ** 2) / fwhm**2)


@pytest.mark.parametrize("balance", [None, BALANCE])
@some_patterns
def test_the_filter_is_even_and_keeps_the_sum(pattern, balance):
    for kernel in kernels(layout(pattern, (64, 64), balance)):
        assert kernel.sum() == pytest.approx(1, abs=1e-5)
        for turned in (kernel.T, kernel[::-1], kernel[:, ::-1]):
            np.testing.assert_allclose(kernel, turned, atol=1e-6)


def test_the_filter_depends_on_no_white_balance():
    one, other = (kernels(layout("RGGB", (64, 64), b)) for b in (BALANCE, (1.0, 1.0, 1.0)))
    assert np.array_equal(one, other)


def test_what_is_smooth_stays_and_so_does_what_stands_beside_a_gap():
    y, x = np.mgrid[:40, :50]
    picture = np.stack([100.0 + 3 * x - 2 * y] * 3).astype(np.float32)
    hole = (np.random.default_rng(1).random(picture.shape) < 0.05) | (x < 3)
    picture[hole] = np.nan
    level = np.where(hole, np.nan, np.float32(70))
    sensor = layout("RGGB", picture.shape[1:], BALANCE)
    assert np.array_equal(np.isnan(restore(picture, sensor, np.inf, Here())), hole)
    np.testing.assert_allclose(restore(level, sensor, np.inf, Here()), level)
    whole = np.stack([100.0 + 3 * x - 2 * y] * 3).astype(np.float32)
    np.testing.assert_allclose(
        restore(whole, sensor, np.inf, Here())[INSIDE], whole[INSIDE], rtol=1e-5
    )


def test_it_is_a_plain_correlation_inside():
    picture = np.random.default_rng(2).normal(0, 1, (3, 40, 50)).astype(np.float32)
    sensor = layout("GBRG", (40, 50), BALANCE)
    expected = np.stack([correlate(p, k) for p, k in zip(picture, kernels(sensor), strict=True)])
    np.testing.assert_allclose(
        restore(picture, sensor, np.inf, Here())[INSIDE], expected[INSIDE], atol=1e-5
    )


def test_clipped_places_stay_and_throw_no_ring():
    picture = np.minimum(5000 * star((60, 60), (30, 30), 4.0), 1000) + 100
    picture = np.stack([picture] * 3).astype(np.float32)
    sensor = layout("RGGB", (60, 60), BALANCE)
    out = restore(picture, sensor, 1045.0, Here())
    clipped = picture >= 1045
    assert clipped.any()
    assert np.array_equal(out[clipped], picture[clipped])
    assert out.max() <= picture.max()
    assert out.min() > 99


@pytest.mark.parametrize("fwhm", [1.8, 2.2, 3.0])
@some_patterns
def test_a_star_of_many_frames_is_what_the_optics_drew(pattern, fwhm, tmp_path):
    """White light, 25 frames that lie anyhow: within 6 % of the peak, no ring over 1 %."""
    rng = np.random.default_rng(3)
    shape, frames = (48, 56), []
    tint = np.array([0.52, 1.0, 0.66])[:, None, None]
    mosaics = []
    for k in range(25):
        move = rng.uniform(-3, 3, 2)
        # The place x of the grid lies at x + move in the frame.
        scene = tint * (50 + 3000 * star(shape, (28.3 + move[0], 23.6 + move[1]), fwhm))
        mosaics.append(mosaic(scene, pattern))
        frames.append((k, shift(*move)))
    cache = cache_of(tmp_path, mosaics)
    ready = [placed(cache, k, mapping, Noise(0.5, 4.0)) for k, mapping in frames]
    # The target: a Gaussian of 0.25 px over the optics' star, the light the same.
    wide = np.hypot(fwhm, 2.3548 * 0.25)
    peak = 3000 * (fwhm / wide) ** 2
    truth = 50 + peak * star(shape, (28.3, 23.6), wide)
    picture, _ = summed(cache, ready, pattern, balance=BALANCE)
    away = (picture.value / tint - truth)[INSIDE]
    assert np.abs(away).max() < 0.06 * (2.2 / fwhm) ** 2 * peak
    assert away.min(initial=0, where=truth[8:-8, 8:-8] < 50.01 * np.ones((3, 1, 1))) > -0.01 * peak


@some_patterns
def test_a_clipped_star_throws_no_ring(pattern, tmp_path):
    """Twenty-five frames of a star forty times too bright: nothing over the clip, nothing under the
    sky by more than a thousandth of it.
    """
    rng = np.random.default_rng(5)
    shape, tint = (48, 56), np.array([0.52, 1.0, 0.66])[:, None, None]
    mosaics, moves = [], rng.uniform(-3, 3, (25, 2))
    for move in moves:
        light = 160_000 * star(shape, (28.3 + move[0], 23.6 + move[1]), 2.4)
        mosaics.append(np.minimum(mosaic(tint * (50 + light), pattern), 3800))
    cache = cache_of(tmp_path, mosaics)
    clip = int((3790 + cache.coding.pedestal) / cache.coding.step)
    sensor = bayer(pattern_indices(pattern), *shape[::-1], BALANCE, clip)
    ready = [placed(cache, k, shift(*move), Noise(0.5, 4.0)) for k, move in enumerate(moves)]
    nothing = np.zeros(shape, dtype=bool)
    rest = (nothing, None, None, 3600.0, Here(), quiet)
    picture, _ = weighted_sum.total(cache, ready, sensor, *rest)
    inside = picture.value[INSIDE]
    assert inside.max() < 3800.5
    assert (inside - 50 * tint).min() > -4


@some_patterns
def test_the_restored_factors_are_the_scatter_of_white_noise(pattern, tmp_path):
    """Three frames with one shift make one frame's filter: each parity of sites by itself."""
    rng = np.random.default_rng(4)
    shape, noise = (384, 512), Noise(0.0, 25.0)
    for move in ((0.31, 0.06), (0.56, 0.81)):
        cache = cache_of(tmp_path, [rng.normal(500, 5, shape) for _ in range(3)])
        ready = [placed(cache, k, shift(*move), noise) for k in range(3)]
        for picture in (
            summed(cache, ready, pattern, balance=BALANCE)[0],
            combined(cache, ready, pattern, balance=BALANCE),
        ):
            for dy, dx in np.ndindex(2, 2):
                at = (slice(None), slice(8 + dy, -8, 2), slice(8 + dx, -8, 2))
                scatter = picture.value[at].var(axis=(1, 2))
                told = picture.variance[at].mean(axis=(1, 2))
                np.testing.assert_allclose(told, scatter, rtol=0.04)


def test_noise_grows_little():
    for balance in (None, BALANCE):
        sensor = layout("RGGB", (64, 64), balance)
        before, after = (
            f(sensor).sum(axis=-1).mean(axis=(0, 1)) for f in (noise_factors, restored_factors)
        )
        assert (after < 1.4 * before).all()


def test_two_frames_are_left_as_they_are():
    assert [restorable(n) for n in (1, 2, 3, 24)] == [False, False, True, True]
