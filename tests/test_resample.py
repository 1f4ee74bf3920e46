"""Samples onto places: held against plain numpy, scipy, arithmetic and repeated noise."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from benchmarks.measures import moments
from grids import corners
from hypothesis import given
from hypothesis import strategies as st
from scenes import (
    PATTERNS,
    cache_of,
    combined,
    examples,
    layout,
    mosaic,
    opened_plainly,
    photographed,
    placed,
    shift,
    star_picture,
    summed,
)
from scipy.ndimage import gaussian_filter, map_coordinates

from stackkit.geometry.lens import Lens, reaching
from stackkit.geometry.mapping import Mapping
from stackkit.geometry.rotation import rotation
from stackkit.grading.photometric import Level, flat_level
from stackkit.integration import resample
from stackkit.integration.interpolation_response import noise_factors
from stackkit.noise.photon_transfer import Noise

every_pattern = pytest.mark.parametrize("pattern", PATTERNS)
some_patterns = pytest.mark.parametrize("pattern", corners(PATTERNS, ["GBRG"]))


# Interpolating


def lanczos_plainly(plane, x, y):
    """Lanczos kernel, a = 3, weights divided by their sum (Duchon 1979); x, y of any shape."""

    def weights(at):
        first = np.floor(at).astype(int)
        taps = first[..., None] + np.arange(-2, 4)
        away = at[..., None] - taps
        kernel = np.sinc(away) * np.sinc(away / 3)
        return taps, kernel / kernel.sum(axis=-1, keepdims=True)

    (column, wx), (row, wy) = weights(x), weights(y)
    samples = plane[row[..., :, None], column[..., None, :]]
    return np.einsum("...ba,...b,...a->...", samples, wy, wx)


def blurred_scene(seed, shape, sigma, scale=3000.0):
    """Three smooth planes (3, H, W) in whole ADU from 0 to ``scale``."""
    rng = np.random.default_rng(seed)
    planes = gaussian_filter(rng.normal(0, 1, (3, *shape)), (0, sigma, sigma))
    planes -= planes.min()
    return np.rint(planes / planes.max() * scale)


SHIFTS = st.floats(-2.0, 2.0)
INSIDE = (slice(None), slice(8, -8), slice(8, -8))


@pytest.fixture(scope="module")
def rough(tmp_path_factory):
    """A cache with one noisy mosaic, whose planes change from sample to sample, and its codes."""
    adu = np.random.default_rng(7).integers(0, 3500, (40, 48)).astype(np.float32)
    cache = cache_of(tmp_path_factory.mktemp("rough"), [adu])
    codes = ((adu + cache.coding.pedestal) / cache.coding.step + 1).astype(np.uint16)
    return cache, codes


@examples(25)
@given(dx=SHIFTS, dy=SHIFTS, pattern=st.sampled_from(PATTERNS))
def test_interpolation_is_lanczos_written_plainly(rough, dx, dy, pattern):
    cache, codes = rough
    planes, _ = opened_for(codes.tobytes(), codes.shape, pattern, cache.coding)
    value = combined(cache, [placed(cache, 0, shift(dx, dy))], pattern).value
    y, x = np.mgrid[8:32, 8:40]
    for c in range(3):
        expected = lanczos_plainly(planes[c], x + dx, y + dy)
        np.testing.assert_allclose(value[INSIDE][c], expected, atol=0.02)


@lru_cache
def opened_for(codes, shape, pattern, coding):
    codes = np.frombuffer(codes, np.uint16).reshape(shape)
    return opened_plainly(codes, pattern, coding.step, coding.pedestal)


@examples(15)
@given(dx=SHIFTS, dy=SHIFTS)
def test_smooth_scenes_agree_with_scipy(smooth, dx, dy):
    # Outside reference: scipy's map_coordinates with splines of fifth order.
    cache, planes = smooth
    value = combined(cache, [placed(cache, 0, shift(dx, dy))]).value
    y, x = np.mgrid[8 : planes.shape[1] - 8, 8 : planes.shape[2] - 8]
    for c in range(3):
        expected = map_coordinates(planes[c], [y + dy, x + dx], order=5)
        assert np.abs(value[INSIDE][c] - expected).max() < 0.01 * np.ptp(planes)


@pytest.fixture(scope="module")
def smooth(tmp_path_factory):
    planes = blurred_scene(5, (40, 48), 6.0)
    return cache_of(tmp_path_factory.mktemp("smooth"), [mosaic(planes)]), planes


RAMPS = st.tuples(st.integers(0, 800), st.integers(-60, 60), st.integers(-60, 60))


@examples(20)
@given(
    ramps=st.tuples(RAMPS, RAMPS, RAMPS), dx=SHIFTS, dy=SHIFTS, pattern=st.sampled_from(PATTERNS)
)
def test_a_ramp_in_each_colour_stays_a_ramp(tmp_path_factory, ramps, dx, dy, pattern):
    y, x = np.mgrid[:40, :44]
    # Eighths of an ADU are what the cache keeps.
    planes = np.stack([1000 + a + (b * x + c * y) / 8 for a, b, c in ramps])
    cache = cache_of(tmp_path_factory.mktemp("ramp"), [mosaic(planes, pattern)])
    value = combined(cache, [placed(cache, 0, shift(dx, dy))], pattern).value[INSIDE]
    for k, (a, b, c) in enumerate(ramps):
        # Opening changes nothing of a ramp; Lanczos' weights have their centre of gravity up to
        # 0.020 px beside the place (largest at 0.23 px, computed from the kernel).
        through = lanczos_plainly(planes[k], x[8:-8, 8:-8] + dx, y[8:-8, 8:-8] + dy)
        np.testing.assert_allclose(value[k], through, rtol=1e-5)
        exact = (1000 + a + (b * (x + dx) + c * (y + dy)) / 8)[8:-8, 8:-8]
        assert np.abs(value[k] - exact).max() <= 0.0202 * (abs(b) + abs(c)) / 8 + 0.01


@every_pattern
def test_a_ramp_is_exact_at_whole_and_half_places(pattern, tmp_path):
    y, x = np.mgrid[:40, :44]
    ramp = 1000 + 5 * x - 7.125 * y
    cache = cache_of(tmp_path, [ramp])
    for dx, dy in ((0, 0), (1, 2), (0.5, -0.5), (1.5, 0)):
        value = combined(cache, [placed(cache, 0, shift(dx, dy))], pattern).value[INSIDE]
        np.testing.assert_allclose(
            value, np.stack([(ramp + 5 * dx - 7.125 * dy)[8:-8, 8:-8]] * 3), rtol=2e-6
        )


@examples(15)
@given(dx=SHIFTS, dy=SHIFTS, pattern=st.sampled_from(PATTERNS))
def test_an_even_picture_is_even_to_its_very_edge(even, dx, dy, pattern):
    cache = even[pattern]
    value = combined(cache, [placed(cache, 0, shift(dx, dy))], pattern).value
    y, x = np.mgrid[: cache.shape[0], : cache.shape[1]]
    u, v = x + dx, y + dy
    there = (u >= -0.5) & (u <= 35.5) & (v >= -0.5) & (v <= 31.5)
    # In a corner without a sample of its own a colour has a quarter of the usual samples.
    corner = ((u < 1) | (u > 34)) & ((v < 1) | (v > 30))
    for c, level in enumerate((300, 1000, 700)):
        assert np.array_equal(np.isfinite(value[c])[~corner], there[~corner])
        np.testing.assert_allclose(value[c][np.isfinite(value[c])], level, rtol=3e-6)


@pytest.fixture(scope="module")
def even(tmp_path_factory):
    planes = np.ones((3, 32, 36)) * np.array([300, 1000, 700])[:, None, None]
    return {
        pattern: cache_of(tmp_path_factory.mktemp("even"), [mosaic(planes, pattern)])
        for pattern in PATTERNS
    }


# Places


@examples(20)
@given(dx=st.floats(-1, 1), dy=st.floats(-1, 1), angle=st.floats(0, 6.28))
def test_no_place_is_rounded(one_star, dx, dy, angle):
    """A shift of 0.003 px, a tenth of the 1/32 px to which common remaps round."""
    step = 0.003 * np.array([np.cos(angle), np.sin(angle)])
    seen = [
        combined(one_star, [placed(one_star, 0, shift(*by))]).value
        for by in ((dx, dy), (dx + step[0], dy + step[1]))
    ]
    for c in range(3):
        before, after = (moments(picture[c], STAR - [[dx, dy]])[0][0] for picture in seen)
        assert np.abs(before - after - step).max() < 3e-4


STAR = np.array([[19.7, 20.2]])


@pytest.fixture(scope="module")
def one_star(tmp_path_factory):
    star = star_picture((40, 40), STAR, np.array([30000.0]), 1.1)
    return cache_of(tmp_path_factory.mktemp("star"), [mosaic(np.stack([star] * 3))])


def test_places_between_the_exact_ones_are_exact_too(tmp_path):
    """Ramps along x and y tell where each place was looked for, here through a wide lens."""
    height, width = 96, 128
    lens = reaching(Lens(90.0, 63.5, 47.5, -0.06, 0.02), width, height)
    mapping = Mapping(lens, lens, rotation([0.01, -0.02, 0.035]))  # the sky after ten minutes
    y, x = np.mgrid[:height, :width]
    caches = []
    for name, ramp in (("x", 400 * x), ("y", 400 * y)):
        (tmp_path / name).mkdir()
        caches.append(cache_of(tmp_path / name, [ramp], black=64, white=60000))
    seen = [combined(cache, [placed(cache, 0, mapping)]).value[1] / 400 for cache in caches]
    there = mapping.from_reference(np.stack([x, y], axis=-1).astype(float))
    inside = ((there > 6) & (there < [width - 7, height - 7])).all(axis=-1)
    assert inside.mean() > 0.7
    for axis, ramp in ((0, x), (1, y)):
        expected = lanczos_plainly(ramp, *there[inside].T)
        # The sky turns more in a pixel of this lens than in those of a camera of 1350 px, for which
        # it is 0.0001.
        assert np.abs(seen[axis][inside] - expected).max() < 1e-4 * 1350 / 90


# Scales


def test_a_frame_is_brought_to_the_reference_s_scale(tmp_path):
    """ADU = transparency · scene + offset, the offset a quadratic of the frame's own place."""
    height, width = 48, 64
    unit = flat_level((width, height)).unit
    offset = np.array([[5, 20, -10, 8, 4, -6], [50, 0, 30, 0, -12, 9], [0, -16, 0, 3, 0, 0.0]])
    y, x = np.mgrid[:height, :width]
    s, t = (x - unit[0]) / unit[2], (y - unit[1]) / unit[2]
    terms = np.stack([np.ones_like(s), s, t, s * s, s * t, t * t])
    away = np.tensordot(offset, terms, 1)
    cache = cache_of(tmp_path, [mosaic(0.6 * 1000.0 + away)])
    frame = placed(cache, 0, shift(0.4, -0.7), level=Level(offset, unit, 0.6))
    for picture in (combined(cache, [frame]), summed(cache, [frame])[0]):
        # The cache keeps eighths of an ADU; curvature between samples adds 0.1.
        assert np.abs(picture.value[INSIDE] - 1000).max() < 0.3 / 0.6
        # Scaling up by 1/0.6 raises the noise likewise.
        assert (picture.variance[INSIDE] <= 1.01 / 0.36).all()


# Noise


@lru_cache
def white_noise():
    rng = np.random.default_rng(11)
    return rng.normal(0, 200, (512, 512)).round().astype(np.float32)


@every_pattern
def test_noise_factors_are_the_scatter_of_white_noise(pattern, tmp_path):
    cache = cache_of(tmp_path, [white_noise()], black=1500)
    factors = noise_factors(layout(pattern, cache.shape))
    assert factors.shape == (2 * resample.PHASES, 2 * resample.PHASES, 3, 3)
    for column, row in ((0, 0), (3, 5), (8, 2), (13, 12)):
        place = (np.array([column, row]) + 0.5) / resample.PHASES
        value = combined(cache, [placed(cache, 0, shift(*place))], pattern).value
        for c in range(3):
            for dy, dx in np.ndindex(2, 2):
                scatter = value[c, 8 + dy : -8 : 2, 8 + dx : -8 : 2].var() / 200**2
                told = factors[
                    (row + dy * resample.PHASES) % (2 * resample.PHASES),
                    (column + dx * resample.PHASES) % (2 * resample.PHASES),
                    c,
                ].sum()
                assert told == pytest.approx(scatter, rel=0.03)


@some_patterns
def test_the_told_variance_is_the_scatter_over_repeats(pattern, tmp_path):
    """Three frames with defects, unequal weights and transparencies, shot and read noise."""
    rng = np.random.default_rng(12)
    shape, repeats = (40, 48), 120
    gain, read = 1.6, 2.0
    noise = Noise(1 / gain, read**2 + 1 / 12)
    y, x = np.mgrid[: shape[0], : shape[1]]
    scene = np.stack([150.0 + x, 300.0 + 2 * y, 200.0 + x + y])
    defects = rng.random(shape) < 0.02
    flat = flat_level((shape[1], shape[0]))
    plan = [(shift(0, 0), 1.0, 1.0), (shift(0.37, -1.61), 0.5, 0.6), (shift(-1.2, 0.83), 0.8, 0.9)]
    values = []
    for _ in range(repeats):
        mosaics = [
            np.rint(
                rng.poisson(mosaic(light * scene, pattern) * gain) / gain
                + rng.normal(0, read, shape)
            )
            for _, _, light in plan
        ]
        cache = cache_of(tmp_path, mosaics)
        frames = [
            placed(cache, k, mapping, noise, weight, Level(flat.offset, flat.unit, light))
            for k, (mapping, weight, light) in enumerate(plan)
        ]
        picture, _ = summed(cache, frames, pattern, defects)
        values.append((picture.value, picture.variance))
    value, variance = (np.stack(v)[:, :, 4:-4, 4:-4] for v in zip(*values, strict=True))
    scatter, told = value.var(axis=0, ddof=1), variance.mean(axis=0)
    for c in range(3):
        assert (scatter[c] / told[c]).mean() == pytest.approx(1, abs=0.05)
    for dy, dx in np.ndindex(2, 2):
        ratio = (scatter / told)[:, dy::2, dx::2].mean(axis=(1, 2))
        assert np.abs(ratio - 1).max() < 0.08


@pytest.mark.parametrize(
    "light",
    [(52, 100, 66), (180, 80, 20)],
    ids=["a neutral sky", "a sky under sodium lamps"],
)
def test_the_told_variance_counts_what_other_colours_bring(light, tmp_path):
    """Opened with the help of the other colours, as a camera's frames are."""
    balance = (1 / 0.52, 1.0, 1 / 0.66)
    rng = np.random.default_rng(13)
    gain, read = 1.6, 1.4
    scene = np.ones((3, 256, 320)) * np.array(light)[:, None, None]
    noise = Noise(1 / gain, read**2 + 1 / 12)
    ratios = []
    for move in ((0.3, 0.4), (0.47, -0.2), (1.1, 0.9)):
        cache = cache_of(tmp_path, [photographed(rng, scene, gain, read)])
        frames = [placed(cache, 0, shift(*move), noise)]
        picture, _ = summed(cache, frames, balance=balance)
        scatter = picture.value[INSIDE].var(axis=(1, 2))
        ratios.append(scatter / picture.variance[INSIDE].mean(axis=(1, 2)))
    assert np.abs(np.mean(ratios, axis=0) - 1).max() < 0.05


@some_patterns
def test_noise_that_calibration_multiplied_is_told(pattern, tmp_path):
    """Samples of the right side, where the lens is dark, were multiplied by 3: scatter of repeats.

    Variance of a multiplied sample: gain² · (slope · raw + floor), arithmetic.
    """
    rng = np.random.default_rng(14)
    shape, gain, read = (64, 256), 1.6, 2.0
    noise = Noise(1 / gain, read**2 + 1 / 12)
    multiplied = np.where(np.arange(shape[1]) < 128, 1.0, 3.0)
    relief = np.ones((3, 2, 8), dtype=np.float32)
    relief[:, :, 4:] = 3
    scene = np.ones((3, *shape)) * np.array([120.0, 240.0, 180.0])[:, None, None]
    left, right = (slice(8, -8), slice(8, 120)), (slice(8, -8), slice(136, -8))
    sides = {side: [] for side in ("summed left", "summed right", "mean left", "mean right")}
    for k in range(16):
        moves = [(0.3 + 0.1 * k, -0.9), (1.1, 0.17 * k)]
        mosaics = [
            photographed(rng, scene / multiplied, gain, read, pattern) * multiplied for _ in moves
        ]
        cache = cache_of(tmp_path, mosaics)
        frames = [
            placed(cache, n, shift(*move), noise, weight, relief=relief)
            for n, (move, weight) in enumerate(zip(moves, (1.0, 0.6), strict=True))
        ]
        for name, picture in (
            ("summed", summed(cache, frames, pattern)[0]),
            ("mean", combined(cache, frames, pattern)),
        ):
            for side, at in (("left", left), ("right", right)):
                scatter = picture.value[:, *at].var(axis=(1, 2))
                sides[f"{name} {side}"].append(scatter / picture.variance[:, *at].mean(axis=(1, 2)))
    for ratios in sides.values():
        assert np.abs(np.mean(ratios, axis=0) - 1).max() < 0.05
