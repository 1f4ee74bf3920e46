"""Hot and dead pixels are found from the lights, and stars are left alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from grids import corners
from scenes import PATTERNS, Here, cache_of, exposed, photographed, sites, star_picture, threads

from stackkit.sensor.suspects import find_defects, spikes
from stackkit.simulate import Night, ideal_picture
from stackkit.simulate.night import mid_time
from stackkit.simulate.sensor import hot_pixels
from stackkit.simulate.sky import catalogue, pixels

NIGHT = Night(
    seed=3,
    frames=6,
    width=240,
    height=180,
    focal=1350.0,  # a piece of the usual picture: the sky moves 2 px from frame to frame
    hot_fraction=3e-3,
    satellites=1,
    aircraft=0,
)
SHAPE = (NIGHT.height, NIGHT.width)


def cached(night, folder):
    mosaics = [exposed(night, k) for k in range(night.frames)]
    return cache_of(folder, mosaics, night.black, night.white)


def hot_electrons(night):
    """Excess in e⁻ of every site (H, W)."""
    y, x, excess = hot_pixels(night)
    plane = np.zeros((night.height, night.width))
    np.add.at(plane, (y, x), excess)
    return plane


def sky_sigma(night):
    """Noise in e⁻ of one sample of the empty sky (H, W), by colour."""
    sky = np.median(ideal_picture(night, 0), axis=(1, 2))
    return np.sqrt(sky[sites(night.pattern, (night.height, night.width))] + night.read_noise**2)


def star_places(night, least):
    """Pixels (N, 2) in the first frame of stars of at least ``least`` e⁻ in green."""
    stars = catalogue(night)
    xy = pixels(night, stars.direction, 0, mid_time(night, 0))
    bright = stars.rate[:, 1] * night.exposure > least
    inside = ((xy > 6) & (xy < [night.width - 7, night.height - 7])).all(axis=1)
    return xy[inside & bright]


def light_lost(mask, hot, xy, sigma=0.8):
    """Share of each star's light that falls on defects; stars with a true hot pixel left out."""
    y, x = np.mgrid[: mask.shape[0], : mask.shape[1]]
    shares = []
    for cx, cy in xy:
        patch = np.hypot(x - cx, y - cy) < 2.5
        if not hot[patch].any():
            light = np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2)[patch] / sigma**2)
            shares.append(light[mask[patch]].sum() / light.sum())
    return np.array(shares)


# Simulated nights


@pytest.mark.parametrize("pattern", corners(PATTERNS, ["RGGB", "GBRG"]))
def test_hot_pixels_are_found(pattern, tmp_path):
    # Truth: the simulator's own list.
    night = replace(NIGHT, pattern=pattern)
    mask = find_defects(cached(night, tmp_path), range(night.frames), Here())
    hot = hot_electrons(night)
    # The weaker ones are found later, against the first stack: test_hard_nights has the sum.
    strong = hot > 6 * sky_sigma(night)
    assert strong.sum() > 60
    assert mask[strong].mean() > 0.95  # 0.98 to 1.00 measured
    assert (mask & (hot == 0)).mean() < 2e-3  # 0.0005 measured


@pytest.mark.parametrize(
    ("frames", "share"),
    [(1, 0.8), (2, 0.9), (3, 0.95), pytest.param(10, 0.97, marks=pytest.mark.slow)],
)
def test_more_frames_find_more(frames, share, tmp_path):
    night = replace(NIGHT, seed=4, frames=frames)
    mask = find_defects(cached(night, tmp_path), range(frames), Here())
    hot = hot_electrons(night)
    assert mask[hot > 6 * sky_sigma(night)].mean() > share  # 0.87, 0.96, 0.97 and 1.00 measured
    assert (mask & (hot == 0)).mean() < 3e-3


@pytest.mark.parametrize("seed", corners([4, 5], [4]))
def test_stars_that_move_are_not_eaten(seed, tmp_path):
    night = replace(NIGHT, seed=seed, frames=8)
    mask = find_defects(cached(night, tmp_path), range(8), Here())
    lost = light_lost(mask, hot_electrons(night), star_places(night, 100))
    assert len(lost) > 30
    assert lost.mean() < 0.01


@pytest.mark.parametrize("seed", corners([4, 5, 6], [5]))
def test_stars_that_do_not_move_at_all_are_not_eaten(seed, tmp_path):
    """A mount that follows the sky: stars stay at their samples as hot pixels do."""
    night = replace(NIGHT, seed=seed, frames=8, cadence=1e-3)
    mask = find_defects(cached(night, tmp_path), range(8), Here())
    hot = hot_electrons(night)
    assert mask[hot > 3 * sky_sigma(night)].mean() > 0.9
    # Stars with a peak of 30 σ and more keep all they have.
    bright = light_lost(mask, hot, star_places(night, 1000))
    assert len(bright) > 3
    assert bright.mean() < 0.02
    # The faintest that one frame shows lose a few per cent on average.
    assert light_lost(mask, hot, star_places(night, 300)).mean() < 0.08


def test_a_single_frame_s_stars_are_not_eaten(tmp_path):
    night = replace(NIGHT, seed=7, frames=1)
    mask = find_defects(cached(night, tmp_path), [0], Here())
    lost = light_lost(mask, hot_electrons(night), star_places(night, 300))
    assert lost.mean() < 0.05


def test_threads_change_nothing(tmp_path):
    cache = cached(NIGHT, tmp_path)
    with threads(3) as pool:
        several = find_defects(cache, range(NIGHT.frames), pool)
    assert np.array_equal(several, find_defects(cache, range(NIGHT.frames), Here()))


# Made sessions


def quiet_sky(folder, faults, frames=8, shape=(97, 131), levels=None):
    """Frames of an even sky of 60 ADU with a fault (H, W) → (H, W) of their own; odd sides."""
    rng = np.random.default_rng(1)
    scene = np.full((3, *shape), 60.0) * np.array([0.5, 1, 0.7])[:, None, None]
    mosaics = []
    for k in range(frames):
        level = 1.0 if levels is None else levels[k]
        mosaics.append(faults(photographed(rng, level * scene, 1.6, 1.4)))
    return cache_of(folder, mosaics)


AT = np.array([(y, x) for y in range(1, 96, 7) for x in range(2, 130, 9)])


def test_dead_pixels_are_found(tmp_path):
    def dead(adu):
        adu[AT[:, 0], AT[:, 1]] = np.random.default_rng(2).normal(0, 1.4, len(AT)).round()
        return adu

    mask = find_defects(quiet_sky(tmp_path, dead), range(8), Here())
    # Red ones lie only 5.5 σ of a frame below the sky.
    assert mask[AT[:, 0], AT[:, 1]].mean() > 0.97
    assert mask.sum() - mask[AT[:, 0], AT[:, 1]].sum() <= 3


def test_samples_missing_in_every_frame_are_defects(tmp_path):
    def gone(adu):
        adu[AT[:, 0], AT[:, 1]] = np.nan
        adu[40, 60:64] = np.nan
        return adu

    mask = find_defects(quiet_sky(tmp_path, gone), range(8), Here())
    assert mask[AT[:, 0], AT[:, 1]].all()
    assert mask[40, 60:64].all()
    assert mask.sum() <= len(AT) + 6


def test_hot_pixels_at_the_rim_and_in_pairs_are_found(tmp_path):
    rim = [(0, 0), (0, 40), (96, 131 - 1), (50, 0), (96, 17), (1, 1), (30, 130)]
    pairs = [(20, 20), (20, 22), (40, 50), (42, 50)]  # two of a colour beside each other

    def hot(adu):
        for y, x in rim + pairs:
            adu[y, x] += 200
        return adu

    mask = find_defects(quiet_sky(tmp_path, hot), range(8), Here())
    assert all(mask[at] for at in rim + pairs)
    assert mask.sum() <= len(rim + pairs) + 3


def test_a_changing_sky_makes_no_defects_and_hides_none(tmp_path):
    """The Moon rises: the sky is four times as bright at the end."""

    def hot(adu):
        adu[AT[:, 0], AT[:, 1]] += 40
        return adu

    levels = np.linspace(1, 4, 8)
    mask = find_defects(quiet_sky(tmp_path, hot, levels=levels), range(8), Here())
    assert mask[AT[:, 0], AT[:, 1]].mean() > 0.97
    assert mask.sum() - mask[AT[:, 0], AT[:, 1]].sum() <= 3


def test_one_frame_s_satellite_makes_no_defects(tmp_path):
    frames = iter(range(8))

    def crossed(adu):
        if next(frames) == 3:
            adu[48:50] += 3000
        return adu

    assert find_defects(quiet_sky(tmp_path, crossed), range(8), Here()).sum() <= 3


# Spikes in one plane


def test_a_spike_alone_is_a_defect_a_star_is_none():
    rng = np.random.default_rng(4)
    xy = np.array([(x + 0.1 * (x % 7), y + 0.13 * (y % 5)) for x in (20, 50, 80) for y in (20, 45)])
    plane = star_picture((64, 100), xy, np.full(len(xy), 4000.0), 0.8, 100)
    plane = (plane + rng.normal(0, 3, plane.shape)).astype(np.float32)
    plane[30, 30] += 100
    plane[31, 61] -= 90
    mask = spikes(plane)
    assert mask[30, 30]
    assert mask[31, 61]
    lost = light_lost(mask, np.zeros(plane.shape), xy)
    assert len(lost) == len(xy)
    assert lost.max() < 0.01  # a sample in the outermost wing at most


def test_in_a_dark_frame_most_samples_are_one_code():
    """Short exposures under a dark sky: the median deviation is nought, and says nothing."""
    rng = np.random.default_rng(6)
    plane = np.rint(rng.normal(0, 0.35, (120, 160))).astype(np.float32)
    assert np.median(np.abs(plane)) == 0
    plane[30, 30] = plane[71, 50] = 9
    mask = spikes(plane, 6.0, quantum=1.0)
    assert mask[30, 30]
    assert mask[71, 50]
    assert mask.sum() <= 4


def test_an_even_plane_has_no_spikes():
    assert not spikes(np.full((20, 31), 7.0, np.float32)).any()
