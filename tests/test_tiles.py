"""Frames onto one grid: what comes out, where, from how many frames, and with how much noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import (
    PATTERNS,
    Here,
    cache_of,
    combined,
    examples,
    first_of,
    layout,
    mosaic,
    no_defects,
    photographed,
    placed,
    shift,
    sites,
    star_picture,
    summed,
    threads,
)
from scipy.ndimage import gaussian_filter, map_coordinates

from stackkit.calibration import mosaic_cache
from stackkit.calibration.mosaic_cache import Window
from stackkit.geometry.lens import Lens, reaching
from stackkit.geometry.mapping import Mapping
from stackkit.geometry.rotation import rotation
from stackkit.integration import tiles, weighted_sum
from stackkit.integration.methods import METHODS
from stackkit.integration.resample import LEAST_CONFIDENCE
from stackkit.noise.photon_transfer import BLOCK_MEAN, Noise

SHAPE = (72, 88)


def smooth_scene(seed=1, shape=SHAPE, sigma=6.0):
    """Three smooth planes (3, H, W) between 200 and 1200 ADU."""
    planes = gaussian_filter(
        np.random.default_rng(seed).normal(0, 1, (3, *shape)), (0, sigma, sigma)
    )
    planes -= planes.min()
    return 200 + 1000 * planes / planes.max()


def moved(planes, dx, dy):
    """The frame in which everything lies (dx, dy) px further; edges are repeated."""
    y, x = np.mgrid[: planes.shape[1], : planes.shape[2]]
    return np.stack([map_coordinates(p, [y - dy, x - dx], order=5, mode="nearest") for p in planes])


# One frame


@pytest.mark.parametrize("pattern", PATTERNS)
def test_one_frame_in_place_gives_its_own_samples_back(pattern, tmp_path):
    adu = np.random.default_rng(2).integers(-100, 3800, SHAPE).astype(np.float32)
    cache = cache_of(tmp_path, [adu])
    site = sites(pattern, SHAPE)
    frame = placed(cache, 0, noise=Noise(0.5, 9.0))
    for picture in (combined(cache, [frame], pattern), summed(cache, [frame], pattern)[0]):
        own = np.take_along_axis(picture.value, site[None].astype(int), 0)[0]
        np.testing.assert_allclose(own, adu, atol=0.02)
        variance = np.take_along_axis(picture.variance, site[None].astype(int), 0)[0]
        expected = 9 + 0.5 * np.maximum(adu, 0)
        inside = (slice(8, -8), slice(8, -8))
        # Noise is tabulated in steps of 1/8 px: up to a sixteenth beside the sample.
        np.testing.assert_allclose(variance[inside], expected[inside], rtol=0.06)
        assert (picture.coverage[inside] == 1).all()


def test_a_missing_frame_s_sample_is_another_frame_s(tmp_path):
    """A hole costs the frame its own weight there, and nothing else."""
    cache = cache_of(tmp_path, [np.full(SHAPE, 500.0), np.full(SHAPE, 1000.0)])
    rejected = np.zeros(SHAPE, bool)
    rejected[40, 40] = True
    mosaic_cache.put_rejected(cache, 0, rejected)
    picture, _ = summed(cache, [placed(cache, 0), placed(cache, 1)])
    red = picture.value[0]
    assert red[40, 40] == pytest.approx(1000, abs=1)
    assert red[40, 44] == pytest.approx(750, abs=0.01)
    assert picture.coverage[40, 40] == 1
    assert picture.coverage[40, 44] == 2
    # The other colours have lost nothing there.
    assert picture.value[1, 40, 40] == pytest.approx(750, abs=0.01)


def test_a_hole_in_every_frame_is_filled_from_around(tmp_path):
    cache = cache_of(tmp_path, [np.full(SHAPE, 500.0)] * 2)
    defects = np.zeros(SHAPE, bool)
    defects[40, 40] = True
    picture, _ = summed(cache, [placed(cache, 0), placed(cache, 1)], defects=defects)
    np.testing.assert_allclose(picture.value, 500, atol=0.01)
    assert picture.coverage[40, 40] == 0
    assert picture.variance[0, 40, 40] > 100 * picture.variance[0, 42, 42]


@pytest.mark.parametrize("at", [(2, 40), (40, 85), (0, 0), (66, 2), (31, 33), (64, 64)])
def test_a_defect_leaves_no_mark_wherever_it_lies(at, tmp_path, monkeypatch):
    """Beside the picture's edge, beside a tile's edge."""
    monkeypatch.setattr(weighted_sum, "LARGEST_TILE", 32)
    monkeypatch.setattr(tiles, "tile_side", lambda _frames: 32)
    adu = np.full(SHAPE, 500.0)
    adu[at] = 3800
    cache = cache_of(tmp_path, [adu])
    defects = np.zeros(SHAPE, bool)
    defects[at] = True
    for dx, dy in ((0, 0), (0.3, 0.8)):
        frames = [placed(cache, 0, shift(dx, dy))]
        for picture in (
            combined(cache, frames, defects=defects),
            summed(cache, frames, defects=defects)[0],
        ):
            there = np.isfinite(picture.value)
            assert np.abs(picture.value[there] - 500).max() < 0.05


def test_what_is_left_of_a_place_is_noisier(tmp_path):
    """With half the samples of a place half the information is there: variance / confidence."""
    rng = np.random.default_rng(8)
    cache = cache_of(tmp_path, [300 + rng.normal(0, 10, SHAPE)])
    frames = [placed(cache, 0, shift(0.3, 0.4), Noise(0, 100.0))]
    defects = rng.random(SHAPE) < 0.03
    one = combined(cache, frames, defects=defects)
    other, _ = summed(cache, frames, defects=defects)
    there = np.isfinite(one.value)
    np.testing.assert_allclose(one.variance[there], other.variance[there], rtol=1e-4)
    whole = combined(cache, frames)
    inside = there.copy()
    inside[:, :8] = inside[:, -8:] = inside[:, :, :8] = inside[:, :, -8:] = False
    ratio = one.variance[inside] / whole.variance[inside]
    assert ratio.min() > 0.999
    assert 1.5 < ratio.max() <= 1.001 / LEAST_CONFIDENCE


# Several frames


def test_two_frames_of_one_scene_agree(tmp_path):
    # Outside reference: scipy's splines of fifth order move the scene.
    planes = smooth_scene()
    dx, dy = 1.37, -2.61
    cache = cache_of(tmp_path, [mosaic(planes), mosaic(moved(planes, dx, dy))])
    frames = [placed(cache, 0), placed(cache, 1, shift(dx, dy))]
    for picture in (combined(cache, frames), summed(cache, frames)[0]):
        away = np.abs(picture.value - planes)[:, 8:-8, 8:-8]
        assert away.max() < 8  # of 1000, most of it from opening
        assert np.median(away) < 1
    one = combined(cache, frames[1:]).value - combined(cache, frames[:1]).value
    assert np.abs(one[:, 8:-8, 8:-8]).max() < 8


def test_a_star_stays_where_it_is(tmp_path):
    xy, light = np.array([[41.3, 36.8]]), np.array([20000.0])
    moves = [(0.0, 0.0), (1.43, 0.71), (-0.62, 2.15), (0.87, -1.34), (-1.71, -0.55)]
    mosaics = [
        mosaic(np.stack([star_picture(SHAPE, xy + move, light, 1.0, 100.0)] * 3)) for move in moves
    ]
    cache = cache_of(tmp_path, mosaics)
    frames = [placed(cache, k, shift(*move)) for k, move in enumerate(moves)]
    picture, _ = summed(cache, frames)
    y, x = np.mgrid[-6:7, -6:7]
    for plane in picture.value:
        patch = plane[31:44, 35:48].astype(np.float64) - 100  # around (41, 37)
        found = np.array([(patch * x).sum(), (patch * y).sum()]) / patch.sum() + (41, 37)
        assert np.abs(found - xy[0]).max() < 0.05
        assert patch.sum() == pytest.approx(light[0], rel=0.03)


@examples(15)
@given(
    moves=st.lists(
        st.tuples(st.floats(-30, 30), st.floats(-30, 30)), min_size=1, max_size=4, unique=True
    )
)
def test_coverage_counts_frames_and_nan_is_where_none_reaches(tmp_path_factory, moves):
    height, width = 48, 56
    adu = np.full((height, width), 300.0)
    cache = cache_of(tmp_path_factory.mktemp("coverage"), [adu] * len(moves))
    frames = [placed(cache, k, shift(*move)) for k, move in enumerate(moves)]
    y, x = np.mgrid[:height, :width]
    reached = np.zeros((height, width), int)
    well = np.zeros((height, width), int)
    for dx, dy in moves:
        u, v = x + dx, y + dy
        reached += (u >= -0.5) & (u <= width - 0.5) & (v >= -0.5) & (v <= height - 0.5)
        # Within a pixel of the edge some colour may have fewer than half its samples.
        well += (u >= 1) & (u <= width - 2) & (v >= 1) & (v <= height - 2)
    picture, _ = summed(cache, frames)
    assert np.array_equal(np.isfinite(picture.value), np.stack([reached > 0] * 3))
    assert np.array_equal(np.isfinite(picture.variance), np.isfinite(picture.value))
    for each in (picture, combined(cache, frames)):
        assert (each.coverage >= well).all()
        assert (each.coverage <= reached).all()
        assert np.isnan(each.value[:, reached == 0]).all()
        assert np.isfinite(each.value[:, well > 0]).all()


def test_weights_weigh(tmp_path):
    # Outside reference: numpy's weighted average.
    levels, weights = [200.0, 500.0, 1000.0], [1.0, 0.25, 0.5]
    cache = cache_of(tmp_path, [np.full(SHAPE, level) for level in levels])
    frames = [placed(cache, k, shift(0.3 * k, 0), weight=w) for k, w in enumerate(weights)]
    expected = np.average(levels, weights=weights)
    for picture in (combined(cache, frames), summed(cache, frames)[0]):
        np.testing.assert_allclose(picture.value[:, 4:-4, 4:-4], expected, rtol=1e-5)


def test_total_and_the_mean_are_one_where_nothing_is_missing(tmp_path):
    rng = np.random.default_rng(3)
    planes = smooth_scene()
    moves = [(0, 0), (0.4, 1.3), (-1.2, 0.6)]
    cache = cache_of(tmp_path, [photographed(rng, moved(planes, *m), 1.6, 3) for m in moves])
    frames = [
        placed(cache, k, shift(*m), Noise(0.6, 9.0), w)
        for k, (m, w) in enumerate(zip(moves, (1, 0.5, 0.8), strict=True))
    ]
    one, (other, _) = combined(cache, frames), summed(cache, frames)
    inside = (slice(None), slice(8, -8), slice(8, -8))
    np.testing.assert_allclose(one.value[inside], other.value[inside], rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(one.variance[inside], other.variance[inside], rtol=1e-4)
    assert np.array_equal(one.coverage[8:-8, 8:-8], other.coverage[8:-8, 8:-8])


def test_a_robust_method_leaves_out_a_trail(tmp_path):
    mosaics = [np.full(SHAPE, 300.0) for _ in range(5)]
    mosaics[3][30:40] = 3000
    cache = cache_of(tmp_path, mosaics)
    frames = [placed(cache, k) for k in range(5)]
    robust, plain = (combined(cache, frames, method=METHODS[m]).value for m in ("median", "mean"))
    assert np.abs(robust[:, 4:-4, 4:-4] - 300).max() < 0.1
    assert plain[:, 35, 4:-4] == pytest.approx(300 + 2700 / 5, rel=1e-4)


def test_the_first_stack_is_the_median_with_its_variance(sky_rotation):
    cache, frames, defects = sky_rotation
    first = first_of(cache, frames, defects=defects)
    whole = combined(cache, frames, method=METHODS["median"], defects=defects)
    np.testing.assert_array_equal(first.value, whole.value)
    blocks = [whole.variance[:, y : y + 32, x : x + 32] for y in (0, 64) for x in (32, 96)]
    told = [first.spread[:, y // 32, x // 32] for y in (0, 64) for x in (32, 96)]
    for block, spread in zip(blocks, told, strict=True):
        assert spread == pytest.approx(np.nanmedian(block[:, ::4, ::4], axis=(1, 2)), rel=1e-6)


# Threads and tiles


@pytest.fixture(scope="module")
def sky_rotation(tmp_path_factory):
    """Four noisy frames seen through a lens while the sky turns, with defects and rejections."""
    rng = np.random.default_rng(4)
    shape = (120, 150)
    lens = reaching(Lens(110.0, 74.5, 59.5, -0.06, 0.02), shape[1], shape[0])
    mosaics = [photographed(rng, smooth_scene(k, shape), 1.6, 3.0) for k in range(4)]
    cache = cache_of(tmp_path_factory.mktemp("turning"), mosaics)
    mosaic_cache.put_rejected(cache, 2, rng.random(shape) < 0.02)
    frames = [
        placed(
            cache,
            k,
            Mapping(lens, lens, rotation([0.01 * k, -0.02 * k, 0.03 * k])),
            Noise(0.6, 9),
            w,
        )
        for k, w in enumerate((1, 0.7, 0.9, 0.5))
    ]
    return cache, frames, rng.random(shape) < 0.004


def pictures(sky_rotation, pool):
    cache, frames, defects = sky_rotation
    one = combined(cache, frames, method=METHODS["median"], defects=defects, pool=pool)
    other, noise = summed(cache, frames, defects=defects, pool=pool)
    return [
        *(getattr(p, part) for p in (one, other) for part in ("value", "variance", "coverage")),
        noise.frame,
        noise.stack,
    ]


def bridged_pictures(sky_rotation, pool):
    """With gaps bridged by a first stack, and something lasting taken off."""
    cache, frames, defects = sky_rotation
    first = smooth_scene(0, cache.shape).astype(np.float32)
    lasting = np.random.default_rng(5).integers(-40, 40, cache.shape).astype(np.int16)
    picture, noise = summed(cache, frames, defects=defects, pool=pool, first=first, lasting=lasting)
    return [picture.value, picture.variance, picture.coverage, noise.frame, noise.stack]


@pytest.mark.parametrize("count", [2, 4])
def test_threads_change_nothing(sky_rotation, count, monkeypatch):
    monkeypatch.setattr(weighted_sum, "LARGEST_TILE", 32)
    monkeypatch.setattr(tiles, "tile_side", lambda _frames: 32)
    with threads(1) as single, threads(count) as several:
        for made in (pictures, bridged_pictures):
            for a, b in zip(made(sky_rotation, single), made(sky_rotation, several), strict=True):
                assert np.array_equal(a, b, equal_nan=True)


@pytest.mark.parametrize("side", [32, 48, 64])
def test_tiles_change_nothing(sky_rotation, side, monkeypatch):
    before, before_bridged = pictures(sky_rotation, None), bridged_pictures(sky_rotation, None)
    monkeypatch.setattr(weighted_sum, "LARGEST_TILE", side)
    monkeypatch.setattr(tiles, "tile_side", lambda _frames: side)
    for a, b in zip(before, pictures(sky_rotation, None), strict=True):
        assert np.array_equal(np.isnan(a), np.isnan(b))
        # float32: the compiler adds in another order at a window's end.
        np.testing.assert_allclose(a, b, rtol=2e-5, atol=2e-3)
    # What is expected of a missing sample is rounded to a code, now up and now down.
    for a, b in zip(bridged_pictures(sky_rotation, None), before_bridged, strict=True):
        assert np.array_equal(np.isnan(a), np.isnan(b))
        np.testing.assert_allclose(a, b, rtol=2e-5, atol=sky_rotation[0].coding.step)


@examples(30)
@given(height=st.integers(1, 700), width=st.integers(1, 700), side=st.sampled_from([32, 48, 256]))
def test_tiles_cover_every_place_once(height, width, side):
    seen = np.zeros((height, width), int)
    for tile in tiles.tiles((height, width), side):
        assert max(tile.bottom - tile.top, tile.right - tile.left) <= side
        seen[tile.top : tile.bottom, tile.left : tile.right] += 1
    assert (seen == 1).all()


def test_tiles_shrink_as_frames_become_more():
    sides = [tiles.tile_side(n) for n in (1, 10, 60, 200, 1000, 5000)]
    assert sides == sorted(sides, reverse=True)
    # Noise blocks must not be cut by tiles.
    assert all(side % BLOCK_MEAN == 0 for side in sides)
    assert tiles.tile_side(10) ** 2 * 10 >= tiles.tile_side(200) ** 2 * 200 / 2


@examples(60)
@given(
    turn=st.tuples(*[st.floats(-0.3, 0.3)] * 3),
    f=st.floats(90, 300),
    k1=st.floats(-0.1, 0.1),
    row=st.integers(0, 3),
    column=st.integers(0, 4),
)
def test_a_source_window_holds_all_that_a_tile_needs(turn, f, k1, row, column):
    shape = (128, 160)
    lens = reaching(Lens(f, 79.5, 63.5, k1), shape[1], shape[0])
    mapping = Mapping(lens, lens, rotation(turn))
    tile = Window(32 * row, 32 * row + 32, 32 * column, 32 * column + 32)
    y, x = np.mgrid[tile.top : tile.bottom, tile.left : tile.right]
    u, v = mapping.from_reference(np.stack([x, y], axis=-1)).reshape(-1, 2).T
    inside = (u >= -0.5) & (u <= shape[1] - 0.5) & (v >= -0.5) & (v <= shape[0] - 0.5)
    window = tiles.source_window(tiles.tile_nodes(mapping, tile), tile, shape)
    if not inside.any():
        return
    assert window is not None
    assert window.left % 2 == window.top % 2 == 0
    # Lanczos takes three samples on either side of a place, opening reaches 3 further.
    for place, low, high, end in (
        (u[inside], window.left, window.right, 160),
        (v[inside], window.top, window.bottom, 128),
    ):
        assert np.floor(place).min() - 5 >= low or low == 0
        assert np.ceil(place).max() + 5 < high or high == end


# Progress


def test_every_tile_is_told_of(tmp_path):
    cache = cache_of(tmp_path, [np.full((300, 300), 100.0)])
    told = []
    grid = (cache, [placed(cache, 0)], layout("RGGB", cache.shape), no_defects(cache))
    weighted_sum.total(*grid, None, None, np.inf, Here(), lambda *at: told.append(at))
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]
