"""Noise of a picture by the means of its blocks, which blurring does not hide."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import (
    cache_of,
    combined,
    examples,
    mosaic,
    placed,
    shift,
    star_picture,
    summed,
)
from scipy.ndimage import gaussian_filter

from stackkit.noise.photon_transfer import (
    BLOCK_MEAN,
    Noise,
    block_means,
    block_noise,
)

# Blocks


@examples(30)
@given(height=st.integers(8, 50), width=st.integers(8, 50), seed=st.integers(0, 99))
def test_block_means_are_means_of_blocks(height, width, seed):
    picture = np.random.default_rng(seed).normal(0, 1, (2, height, width)).astype(np.float32)
    means = block_means(picture)
    assert means.shape == (2, height // BLOCK_MEAN, width // BLOCK_MEAN)
    for i, j in np.ndindex(means.shape[1:]):
        block = picture[:, 8 * i : 8 * i + 8, 8 * j : 8 * j + 8]
        np.testing.assert_allclose(means[:, i, j], block.mean(axis=(1, 2)), atol=1e-6)


def test_block_noise_is_that_of_the_means():
    rng = np.random.default_rng(9)
    y, x = np.mgrid[:512, :512]
    picture = rng.normal(0, 1, (3, 512, 512)) * np.array([2.0, 5.0, 9.0])[:, None, None]
    picture += 0.01 * x + 1e-5 * y**2  # a gradient is no noise
    found = block_noise(block_means(picture))
    np.testing.assert_allclose(found, np.array([2.0, 5.0, 9.0]) / BLOCK_MEAN, rtol=0.03)


def test_blurring_does_not_hide_noise():
    picture = np.random.default_rng(10).normal(0, 4, (1, 768, 768))
    blurred = gaussian_filter(picture, (0, 1, 1))
    (before,), (after,) = block_noise(block_means(picture)), block_noise(block_means(blurred))
    assert blurred.std() < 0.3 * picture.std()
    # What little it falls (0.83 measured) is shared with the blocks beside.
    assert after > 0.8 * before


def test_a_few_stars_do_not_make_noise():
    rng = np.random.default_rng(11)
    picture = rng.normal(0, 4, (400, 400))
    stars = star_picture((400, 400), rng.uniform(0, 400, (20, 2)), np.full(20, 5e4), 1.0)
    quiet, starry = (block_noise(block_means(p[None])) for p in (picture, picture + stars))
    assert starry[0] == pytest.approx(quiet[0], rel=0.1)


def test_too_few_blocks_tell_nothing():
    assert block_noise(np.zeros((2, 2, 2))) == [None, None]
    assert block_noise(np.full((1, 20, 20), np.nan)) == [None]
    assert block_noise(np.zeros((1, 0, 0))) == [None]


# Of frames and stacks


@pytest.fixture(scope="module")
def noisy(tmp_path_factory):
    """Six frames of a known scene, unequal in noise and weight, and the scene itself."""
    rng = np.random.default_rng(5)
    shape = (416, 448)
    y, x = np.mgrid[: shape[0], : shape[1]]
    reads = [12.0, 14.0, 10.0, 18.0, 12.0, 13.0]
    moves = [(0.21 * k, -0.33 * k) for k in range(6)]
    scenes = [
        np.stack([200 + 0.2 * (x - dx), 400 + 0.1 * (y - dy), 300 + 0.1 * (x - dx)])
        for dx, dy in moves
    ]
    cache = cache_of(
        tmp_path_factory.mktemp("noisy"),
        [
            np.rint(mosaic(scene) + rng.normal(0, read, shape))
            for scene, read in zip(scenes, reads, strict=True)
        ],
    )
    frames = [
        placed(cache, k, shift(*moves[k]), Noise(0, read**2), (reads[0] / read) ** 2)
        for k, read in enumerate(reads)
    ]
    return cache, frames, scenes[0]


def block_scatter(picture, scene):
    """Standard deviation of block means with the truth subtracted: plain, not robust."""
    return np.nanstd(block_means(picture - scene)[:, 1:-1, 1:-1], axis=(1, 2))


def test_noise_blocks_tell_the_noise_of_a_frame_and_of_the_stack(noisy):
    cache, frames, scene = noisy
    picture, noise = summed(cache, frames)
    single = combined(cache, frames[:1]).value
    told_single, told_stack = (np.array(block_noise(n)) for n in (noise.frame, noise.stack))
    np.testing.assert_allclose(told_single, block_scatter(single, scene), rtol=0.05)
    np.testing.assert_allclose(told_stack, block_scatter(picture.value, scene), rtol=0.05)
    # 64 places hold 16 samples of red and of blue, 32 of green; opening reaches into the blocks
    # beside, which lowers the scatter of their means by a few per cent.
    for told, sigma in ((told_single[0], 12 / 4), (told_single[1], 12 / np.sqrt(32))):
        assert 0.85 * sigma < told < 1.02 * sigma
    # Inverse variances as weights: the noise falls by the root of the sum of weights.
    fall = np.sqrt(sum(frame.weight for frame in frames))
    np.testing.assert_allclose(told_single / told_stack, fall, rtol=0.06)


def test_one_frame_alone_has_nothing_to_tell_its_noise_by(tmp_path):
    cache = cache_of(tmp_path, [np.full((72, 88), 300.0)])
    _, noise = summed(cache, [placed(cache, 0)])
    assert block_noise(noise.frame) == [None] * 3
    assert block_noise(noise.stack) == [None] * 3


def test_two_frames_tell_their_noise(tmp_path):
    rng = np.random.default_rng(6)
    cache = cache_of(tmp_path, [300 + rng.normal(0, 10, (240, 240)) for _ in range(2)])
    _, noise = summed(cache, [placed(cache, 0), placed(cache, 1, shift(0.4, 0.7))])
    ratio = np.array(block_noise(noise.frame)) / np.array(block_noise(noise.stack))
    assert np.abs(ratio / np.sqrt(2) - 1).max() < 0.06
