"""What does not belong is found, and what belongs is left."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from command_line import simulated
from grids import corners
from scenes import (
    Here,
    cache_of,
    first_of,
    layout,
    mosaic,
    no_defects,
    photographed,
    placed,
    quiet,
    shift,
    star_picture,
    summed,
    threads,
)
from scipy.stats import norm

from stackkit.calibration import mosaic_cache
from stackkit.grading.photometric import Level, flat_level
from stackkit.integration.passes import judge_samples
from stackkit.integration.rejection.outliers import FEWEST, judge, outliers
from stackkit.noise.photon_transfer import Noise
from stackkit.pipeline import Options, prepared
from stackkit.sensor.fixed_pattern import limits

SHAPE = (128, 160)
GAIN, READ = 1.6, 1.4
FLAT = flat_level((SHAPE[1], SHAPE[0]))
HAZE = np.array([[20, 9, -6, 3, 2, -4], [45, 20, -10, 0, 5, -8], [30, 15, -5, 4, 0, 0.0]])
SKY = np.array([30.0, 60.0, 42.0])[:, None, None]


# Deviations


def white(seed, shape):
    return np.random.default_rng(seed).normal(0, 1, shape).astype(np.float32)


def along(angle, shape=(100, 100)):
    """Distance along and across a line through the middle."""
    y, x = np.mgrid[: shape[0], : shape[1]] - 50.0
    return x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)


def test_pure_noise_is_left():
    # Measured: none of three million Gaussian samples, 22 of a fourth.
    lost = [outliers(white(seed, (1000, 1000))).mean() for seed in range(2)]
    assert max(lost) < 1e-4


@pytest.mark.parametrize("angle", [0.0, 0.35, np.pi / 4])
def test_a_trail_of_two_sigma_is_found_by_its_neighbours(angle):
    """60 px long, three samples wide, 2 σ in each: no sample of it would be found by itself."""
    found = []
    for seed in range(5):
        t, across = along(angle)
        trail = (np.abs(across) < 1.5) & (np.abs(t) < 30)
        deviation = white(seed, trail.shape) + np.float32(2) * trail
        mask = outliers(deviation.astype(np.float32))
        found.append(mask[trail & (np.abs(t) < 29)].mean())
        assert mask[np.abs(across) > 6].mean() < 2e-3
    assert np.mean(found) > 0.95  # 0.98 measured


@pytest.mark.parametrize(("height", "share"), [(2.0, 0.3), (3.0, 0.9), (4.0, 0.98)])
def test_a_sharp_trail_is_found_as_far_as_it_shows(height, share):
    """Profile of a sharp lens (σ 0.8 px): measured 0.42, 0.97 and 1.00 of its ridge."""
    found = []
    for seed in range(12):
        t, across = along(0.35)
        trail = height * np.exp(-0.5 * (across / 0.8) ** 2) * (np.abs(t) < 30)
        mask = outliers((white(seed, t.shape) + trail).astype(np.float32))
        found.append(mask[(np.abs(across) < 0.7) & (np.abs(t) < 29)].mean())
    assert np.mean(found) > share


def test_what_is_found_is_cut_wider():
    deviation = np.zeros((40, 40), np.float32)
    deviation[19:22, 5:35] = 20  # a bright trail
    mask = outliers(deviation)
    assert mask[17:24, 7:33].all()
    assert not mask[:15].any()
    assert not mask[26:].any()


@pytest.mark.parametrize("sign", [1, -1])
def test_a_lone_spike_takes_no_neighbour_with_it(sign):
    deviation = np.zeros((21, 21), np.float32)
    deviation[10, 10] = 1000 * sign
    mask = outliers(deviation)
    assert mask[10, 10]
    assert mask.sum() == 1


def test_unknown_deviations_are_no_outliers():
    deviation = np.full((20, 20), np.nan, np.float32)
    assert not outliers(deviation).any()
    deviation[5, 5] = 9
    assert outliers(deviation)[5, 5]


# Frames


def field(seed=0):
    """Stars about 16 px apart, from hardly seen to nearly saturated, as x, y and light in ADU."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[12 : SHAPE[0] - 8 : 16, 12 : SHAPE[1] - 8 : 16]
    xy = np.stack([x.ravel(), y.ravel()], axis=1) + rng.uniform(-3, 3, (x.size, 2))
    return xy, 10 ** rng.uniform(2.3, 4.2, len(xy))


def quadratic_terms():
    """1, x, y, x², xy, y² of every sample (6, H, W) as ``Level`` counts them."""
    x, y = np.moveaxis(grid(), -1, 0)
    s, t = (x - FLAT.unit[0]) / FLAT.unit[2], (y - FLAT.unit[1]) / FLAT.unit[2]
    return np.stack([np.ones_like(s), s, t, s * s, s * t, t * t])


def night(folder, count, *, wider=None, off=None, hazy=None, added=(), seed=0):
    """Frames of the field, moved by parts of pixels.

    Frame ``wider`` has 15 % worse seeing, frame ``off`` is taken to lie 0.1 px beside where it
    does; frame ``hazy`` has 0.6 of the light and glow of its own; ``added`` holds (frame or None
    for all, ADU) to add before the noise.
    """
    rng = np.random.default_rng([seed, count])
    xy, light = field()
    moves = np.concatenate([[[0, 0]], rng.uniform(-4, 4, (count - 1, 2))])
    mosaics = []
    for k, move in enumerate(moves):
        sigma = 0.85 * (1.15 if k == wider else 1)
        stars = star_picture(SHAPE, xy + move, light, sigma)
        planes = SKY + stars * np.array([0.5, 1.0, 0.7])[:, None, None]
        planes = planes + sum((adu for frame, adu in added if frame in (k, None)), np.zeros(SHAPE))
        if k == hazy:
            planes = 0.6 * planes + np.tensordot(HAZE, quadratic_terms(), 1)
        mosaics.append(np.minimum(photographed(rng, planes, GAIN, READ), 3800))
    cache = cache_of(folder, mosaics)
    noise = Noise(1 / GAIN, READ**2 + 1 / 12)
    levels = {hazy: Level(HAZE, FLAT.unit, 0.6)}
    frames = [
        placed(
            cache, k, shift(move[0] + 0.1 * (k == off), move[1]), noise, level=levels.get(k, FLAT)
        )
        for k, move in enumerate(moves)
    ]
    return cache, frames, [xy + move for move in moves]


WHITE = (2.0, 1.0, 1 / 0.7)
"""What brings the colours of these stars to one scale."""


def judged(cache, frames, pool=None, suspects=None):
    """Defects, rejected share and each frame's rejected samples."""
    suspects = no_defects(cache) if suspects is None else suspects
    first = first_of(cache, frames, defects=suspects, balance=WHITE)
    grid = layout("RGGB", cache.shape, WHITE)
    verdict = judge(cache, frames, grid, suspects, first, pool or Here(), quiet)
    whole = mosaic_cache.whole(cache)
    rejected = [mosaic_cache.get_rejected(cache, f.number, whole) for f in frames]
    return verdict.defects, verdict.rejected, rejected


def near(xy, reach=2.0):
    """Samples within ``reach`` px of places (N, 2)."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    away = np.hypot(x[..., None] - xy[:, 0], y[..., None] - xy[:, 1])
    return away.min(axis=-1) < reach


def by_chance(count):
    """Share of good sites that so many frames make defects of (outside reference: scipy)."""
    return 2 * norm.sf(limits(count)[0])


def no_more_than_by_chance(defects, count):
    """Of these sites; a quarter more, as deviations of few frames are not quite normal."""
    expected = by_chance(count) * defects.size
    return defects.sum() <= 1.25 * expected + 4 * np.sqrt(expected)


@pytest.mark.parametrize("count", corners([3, 5, 8, 16], [3, 8]))
def test_star_cores_stay(count, tmp_path):
    """Though one frame's seeing is 15 % worse and another lies 0.1 px beside its place."""
    cache, frames, places = night(tmp_path, count, wider=count - 1, off=count - 2)
    defects, share, rejected = judged(cache, frames)
    assert share < 1e-3
    # Of few frames a good site in a hundred is given up, but stars more rarely than the sky.
    under_stars = np.any([near(xy) for xy in places], axis=0)
    assert no_more_than_by_chance(defects[~under_stars], count)
    assert defects[under_stars].mean() <= 0.1 * by_chance(count) + 1e-4
    for k in range(count):
        cores = near(places[k])
        # Measured: none in most frames, 8 in 1000 at most.
        assert rejected[k][cores].mean() < 0.015
        assert rejected[k][~cores].mean() < 1e-4


def test_a_hazy_frame_is_judged_on_its_own_scale(tmp_path):
    cache, frames, places = night(tmp_path, 8, hazy=3)
    defects, share, rejected = judged(cache, frames)
    assert share < 1e-3
    assert no_more_than_by_chance(defects, 8)
    assert rejected[3][near(places[3])].mean() < 0.01


def test_stars_keep_their_light(tmp_path):
    """Flux in the sum of what is left against the sum of all: the same, faint and bright."""
    cache, frames, places = night(tmp_path, 8, wider=7, off=6)
    before, _ = summed(cache, frames)
    judged(cache, frames)
    after, _ = summed(cache, frames)
    for x, y in np.rint(places[0]).astype(int):
        patch = (1, slice(y - 3, y + 4), slice(x - 3, x + 4))
        one, other = (float((p.value[patch] - 60).sum()) for p in (before, after))
        assert other == pytest.approx(one, rel=0.01, abs=8)


def trail(height, angle=0.3, sigma=0.85, places=None):
    """Light of a mover, and the distance from its path, at each sample or at places (H, W, 2)."""
    x, y = np.moveaxis(grid() if places is None else places, -1, 0)
    across = (y - 64) * np.cos(angle) - (x - 80) * np.sin(angle)
    return height * np.exp(-0.5 * (across / sigma) ** 2), np.abs(across)


def grid():
    return np.stack(np.meshgrid(np.arange(SHAPE[1]), np.arange(SHAPE[0])), axis=-1).astype(float)


@pytest.mark.parametrize("count", [5, 12])
def test_a_satellite_in_one_frame_is_cut_out(count, tmp_path):
    light, across = trail(40.0)  # half as bright as the sky
    cache, frames, places = night(tmp_path, count, added=[(2, light)])
    defects, _, rejected = judged(cache, frames)
    inner = np.pad(np.ones((SHAPE[0] - 20, SHAPE[1] - 20), bool), 10)
    sky = inner & ~near(places[2], 4)
    assert rejected[2][sky & (across < 1)].mean() > 0.98
    assert rejected[2][sky & (across > 7)].mean() < 2e-3
    assert max(mask.mean() for k, mask in enumerate(rejected) if k != 2) < 1e-3
    assert no_more_than_by_chance(defects[across > 5], count)
    # And the picture is as if it had never been there.
    picture, _ = summed(cache, frames)
    clean, _ = summed(cache, frames[:2] + frames[3:])
    _, path = trail(1.0, places=frames[2].mapping.from_reference(grid()))
    there = inner & (path < 1) & ~near(places[0], 4)
    left = (picture.value - clean.value)[:, there].mean()
    assert abs(left) < 0.02 * 40 / count


@pytest.mark.parametrize(
    "case",
    corners(itertools.product((FEWEST, 5, 8, 12), (40.0, 2000.0)), [(FEWEST, 2000.0), (5, 40.0)]),
    ids=str,
)
def test_one_frame_s_trail_is_not_the_sensor_s_fault(case, tmp_path):
    """Under the trail no more sites are given up than elsewhere."""
    count, height = case
    found, beside = [], []
    for seed in range(4):
        light, across = trail(height)
        cache, frames, _ = night(tmp_path, count, added=[(1, light)], seed=seed)
        defects, _, rejected = judged(cache, frames)
        assert rejected[1].sum() > 500
        found.append(defects[across < 1])
        beside.append(defects[across > 5])
    assert no_more_than_by_chance(np.concatenate(beside), count)
    assert no_more_than_by_chance(np.concatenate(found), count)


def test_a_site_that_is_off_in_all_frames_is_a_defect(tmp_path):
    """Each by 2.5 of its standard deviations: too little to be found in any one frame."""
    rng = np.random.default_rng(9)
    hot = np.zeros(SHAPE)
    at = rng.permutation([(y, x) for y in range(12, 116, 8) for x in range(12, 148, 8)])[:40]
    sigma = np.sqrt(mosaic(np.broadcast_to(SKY, (3, *SHAPE))) / GAIN + READ**2)
    hot[at[:, 0], at[:, 1]] = 2.5 * sigma[at[:, 0], at[:, 1]]
    cache, frames, places = night(tmp_path, 16, added=[(None, hot)])
    defects, _, rejected = judged(cache, frames)
    under_a_star = np.mean([near(xy, 4) for xy in places], axis=0)[hot > 0] > 0.2
    found = defects[hot > 0]
    assert found[~under_a_star].mean() >= 0.9
    assert defects[hot == 0].sum() <= 2
    assert np.mean([mask[hot > 0].mean() for mask in rejected]) < 0.1


def test_too_few_frames_are_not_judged(tmp_path):
    """Their suspects are left out, and nothing else."""
    folder = simulated(tmp_path / "night", frames=FEWEST - 1)
    with prepared([folder], Options(jobs=1)) as ready:
        judgement = judge_samples(ready.lights, ready.placed, ready.suspects, ready.context)
    assert judgement.expected is None
    assert (judgement.verdict.rejected, judgement.verdict.trails) == (0, {})
    assert (judgement.verdict.defects == ready.suspects).all()


def test_threads_change_nothing(tmp_path):
    cache, frames, _ = night(tmp_path, 6, added=[(2, trail(30.0)[0])])
    defects, share, rejected = judged(cache, frames)
    with threads(3) as pool:
        again, other, masks = judged(cache, frames, pool)
    assert other == share
    assert np.array_equal(again, defects)
    assert all(np.array_equal(a, b) for a, b in zip(rejected, masks, strict=True))


def test_ground_that_stays_while_the_sky_moves_is_no_defect(tmp_path):
    rng = np.random.default_rng(10)
    hills = np.zeros(SHAPE)
    hills[100:] = rng.uniform(20, 160, (28, SHAPE[1]))  # rough, and brighter than the sky
    cache, frames, _ = night(tmp_path, 12, added=[(None, hills)])
    defects, _, _ = judged(cache, frames)
    assert defects[:96].sum() <= 2
    assert defects[100:].mean() < 0.01


def multiplied_sky(folder, count, told, seed=0):
    """Pure noise of an even sky, the right half of whose samples calibration multiplied by 3."""
    rng = np.random.default_rng([seed, 17])
    gains = np.where(np.arange(256) < 128, 1.0, 3.0)
    relief = np.ones((3, 4, 8), dtype=np.float32)
    relief[:, :, 4:] = 3 if told else 1
    scene = SKY * np.ones((3, 128, 256)) / gains
    moves = np.concatenate([[[0, 0]], rng.uniform(-4, 4, (count - 1, 2))])
    cache = cache_of(folder, [photographed(rng, scene, GAIN, READ) * gains for _ in moves])
    noise = Noise(1 / GAIN, READ**2 + 1 / 12)
    return cache, [
        placed(cache, k, shift(*move), noise, relief=relief) for k, move in enumerate(moves)
    ]


def test_multiplied_noise_is_not_rejected(tmp_path):
    cache, frames = multiplied_sky(tmp_path, 8, told=True)
    defects, share, rejected = judged(cache, frames)
    left, right = (
        [mask[:, side].mean() for mask in rejected] for side in (slice(120), slice(136, 256))
    )
    assert share < 5e-5
    assert np.mean(left) < 5e-5
    assert np.mean(right) < 5e-5
    assert no_more_than_by_chance(defects[:, :120], 8)
    assert no_more_than_by_chance(defects[:, 136:], 8)
    # Who does not know of the gain takes a good deal of it for trails.
    cache, frames = multiplied_sky(tmp_path, 8, told=False)
    _, _, rejected = judged(cache, frames)
    assert np.mean([mask[:, 136:].mean() for mask in rejected]) > 1e-2
