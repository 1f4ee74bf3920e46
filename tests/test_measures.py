"""The yardstick says what it claims to: known faults are put in and read off again."""

from __future__ import annotations

from functools import lru_cache
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from astropy.stats import sigma_clip
from benchmarks import figures, measures, mosaic, oracle, rival, run, truth
from photutils.centroids import centroid_2dg
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.ndimage import shift as shifted
from scipy.special import erf

import stackkit
from stackkit.simulate import Night, write_night
from stackkit.simulate.camera import colour_planes
from stackkit.simulate.night import mid_time
from stackkit.simulate.sky import catalogue, pixels, trails

NIGHT = Night(
    seed=5,
    frames=5,
    width=480,
    height=360,
    focal=324.0,
    faintest=7.0,
    milky_way=0.2,
    satellites=4,
    aircraft=1,
)
REFERENCE = 2


def star_plane(xy, electrons, sigma, side=80):
    """Gaussian stars integrated over pixels: closed form."""
    edges = np.arange(side + 1) - 0.5
    plane = np.zeros((side, side))
    for (x, y), total, s in zip(xy, electrons, np.broadcast_to(sigma, len(xy)), strict=True):
        px, py = (np.diff(0.5 * erf((edges - p) / (np.sqrt(2) * s))) for p in (x, y))
        plane += total * py[:, None] * px[None, :]
    return plane


@lru_cache
def ideal():
    return truth.picture(NIGHT, REFERENCE)


@lru_cache
def noise(seed=0):
    rng = np.random.default_rng(seed)
    return rng.normal(0, 3.0, ideal().shape).astype(np.float32)


# Demosaicing


def test_bilinear_is_opencv_s_bilinear():
    # Outside reference: OpenCV's bilinear demosaicing (its BayerBG is our RGGB).
    rng = np.random.default_rng(1)
    codes = rng.integers(100, 4000, (40, 60)).astype(np.uint16)
    site = np.tile(np.array([[0, 1], [1, 2]], np.uint8), (20, 30))
    outside = np.moveaxis(cv2.demosaicing(codes, cv2.COLOR_BayerBG2RGB), -1, 0)
    own = mosaic.demosaic(codes.astype(np.float32), site)
    away = np.abs(own - outside)[:, 2:-2, 2:-2]
    assert away.max() <= 0.5 + 1e-3  # OpenCV rounds to whole codes


def test_missing_samples_do_not_count():
    site = np.tile(np.array([[0, 1], [1, 2]], np.uint8), (6, 6))
    data = np.full((12, 12), 50, np.float32)
    missing = np.zeros((12, 12), bool)
    data[4, 4], missing[4, 4] = 4000, True
    planes = mosaic.demosaic(data, site, missing)
    assert np.isnan(planes[0, 4, 4])
    assert np.nanmax(np.abs(planes - 50)) < 1e-4


# Stars


def test_moments_find_place_and_width():
    xy = np.array([[20.3, 21.9], [55.75, 24.5], [38.0, 55.25]])
    seen, width = measures.moments(star_plane(xy, [5e3, 2e3, 1e3], 1.1), xy + 0.4)
    assert np.abs(seen - xy).max() < 2e-3
    # A pixel's own variance is 1/12.
    assert np.abs(width / (2.3548 * np.sqrt(1.1**2 + 1 / 12)) - 1).max() < 0.01


def test_moments_agree_with_a_fitted_gaussian():
    # Outside reference: photutils' two-dimensional Gaussian fit.
    xy = np.array([[40.37, 39.81]])
    plane = star_plane(xy, [4e3], 1.0) + np.random.default_rng(2).normal(0, 1, (80, 80))
    seen, _ = measures.moments(plane, np.rint(xy))
    fitted = np.array(centroid_2dg(plane[32:49, 32:49])) + 32
    assert np.abs(seen[0] - fitted).max() < 0.02


def test_width_ratio_of_a_blurred_plane():
    xy = np.array([[40.2, 39.7]])
    sharp = star_plane(xy, [1e4], 1.0)
    _, before = measures.moments(sharp, xy)
    _, after = measures.moments(gaussian_filter(sharp, 0.8), xy)
    expected = np.sqrt((1 + 1 / 12 + 0.64) / (1 + 1 / 12))
    assert after[0] / before[0] == pytest.approx(expected, rel=0.01)


def test_flux_is_linear_so_that_crowding_cancels():
    xy = np.array([[40.0, 40.0]])
    alone = star_plane(xy, [1e3], 1.0)
    neighbours = star_plane([[43.0, 41.0], [30.0, 40.0]], [300.0, 900.0], 1.0) + 20
    both = measures.flux(alone + neighbours, xy)
    assert both == pytest.approx(measures.flux(alone, xy) + measures.flux(neighbours, xy))
    assert measures.flux(alone, xy)[0] == pytest.approx(1e3, rel=0.01)


def test_noise_does_not_lift_the_level_of_a_crowded_ring():
    rng = np.random.default_rng(7)
    crowded = gaussian_filter(rng.pareto(1.5, (300, 300)), 1.0)
    noisy = crowded + rng.normal(0, 3, crowded.shape)
    xy = np.stack(np.meshgrid(*[np.arange(20.0, 280.0, 28.0)] * 2), axis=-1).reshape(-1, 2)
    masked = measures.star_mask(crowded, 6.0)
    lift = measures.ring_level(noisy, xy, masked) - measures.ring_level(crowded, xy, masked)
    assert abs(lift.mean()) < 0.06


def test_slope_reads_a_power_law():
    true = np.geomspace(100, 1e4, 200)
    measured = 3 * true**0.9
    measured[::20] *= 5
    assert measures.slope(true, measured) == pytest.approx(0.9, abs=1e-3)


def test_centroid_error_reads_a_shift():
    moved = np.stack([shifted(plane, (0.06, 0.08), order=5, mode="nearest") for plane in ideal()])
    assert max(figures.centroid_errors(ideal(), NIGHT, REFERENCE)) < 0.01
    assert figures.centroid_errors(moved, NIGHT, REFERENCE) == pytest.approx((0.1, 0.1), abs=0.01)


def test_photometric_slope_reads_lost_cores():
    assert figures.photometric_slope(ideal(), NIGHT, REFERENCE) == pytest.approx(1, abs=1e-4)
    eaten = np.minimum(ideal(), np.median(ideal()) + 150)
    assert figures.photometric_slope(eaten, NIGHT, REFERENCE) < 0.95


# Noise


def test_block_noise_is_the_noise_of_means():
    plane = np.random.default_rng(3).normal(0, 4, (800, 800))
    assert measures.block_noise(plane, np.zeros(plane.shape, bool)) == pytest.approx(0.5, rel=0.03)


def test_blur_gains_little():
    plane = np.random.default_rng(4).normal(0, 4, (800, 800))
    blurred = gaussian_filter(plane, 1.0)
    unmasked = np.zeros(plane.shape, bool)
    pixels_fall = measures.spread(plane) / measures.spread(blurred)
    blocks_fall = measures.block_noise(plane, unmasked) / measures.block_noise(blurred, unmasked)
    assert pixels_fall > 3
    assert blocks_fall < 1.25


def test_block_noise_leaves_masked_blocks_out():
    plane = np.random.default_rng(5).normal(0, 4, (400, 400))
    spoilt, masked = plane.copy(), np.zeros(plane.shape, bool)
    spoilt[::10, ::50], masked[::10, ::50] = 1e4, True
    assert measures.block_noise(spoilt, masked) == pytest.approx(0.5, rel=0.06)


def test_noise_gain_of_a_true_mean_is_one():
    single, mean = ideal() + noise(1), ideal() + noise(2) / np.sqrt(NIGHT.frames)
    gain = figures.noise_gain(mean, NIGHT, REFERENCE, single)
    assert gain == pytest.approx(1, abs=0.06)
    halved = ideal() + noise(2)
    assert figures.noise_gain(halved, NIGHT, REFERENCE, single) == pytest.approx(
        1 / np.sqrt(NIGHT.frames), abs=0.04
    )


# Residues


@lru_cache
def trails_in_a_mean():
    """All movers of the night through mosaic, bilinear picture and true mapping, in a mean."""
    site = colour_planes(NIGHT)
    total = np.zeros(ideal().shape)
    for k in {trail.frame for trail in trails(NIGHT)}:
        light = np.choose(site, truth.trail_light(NIGHT, k)).astype(np.float32)
        place = oracle.dense_mapping(NIGHT, REFERENCE, k)
        total += [map_coordinates(plane, place, order=3) for plane in mosaic.demosaic(light, site)]
    return total / NIGHT.frames


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_trail_left_reads_the_share(share):
    value = ideal() + share * trails_in_a_mean() + 0.1 * noise(3) + 7
    assert figures.trail_left(value, NIGHT, REFERENCE) == pytest.approx(share, abs=0.02)


def test_share_left_fits_all_steps_together():
    expected = np.array([1.0, 2.0, np.nan, 4.0])
    assert measures.share_left(0.25 * expected, expected) == pytest.approx(0.25)


def test_track_excess_reads_a_residue_and_ignores_the_sky():
    tracks = np.stack([[20.0, 30.0] + i * np.array([2.0, 1.0]) for i in range(5)])[None]
    y, x = np.mgrid[:60, :60]
    plane = 5 + 0.1 * x + 0.2 * y
    for column, row in tracks[0].astype(int):
        plane[row, column] += 3
    assert measures.track_excess(plane, tracks) == pytest.approx(np.full((1, 5), 3.0))


def test_hot_residue_reads_what_is_left():
    single = ideal() + noise(4)
    assert figures.hot_residue(single, NIGHT, REFERENCE, single) == pytest.approx(0, abs=0.15)
    left = single.copy()
    tracks, colour = truth.hot_tracks(NIGHT, REFERENCE)
    x, y = np.rint(tracks).astype(int).transpose(2, 0, 1)
    inside = (x >= 0) & (x < NIGHT.width) & (y >= 0) & (y < NIGHT.height)
    for c in range(3):
        here = inside & (colour == c)[:, None]
        left[c, y[here], x[here]] += 60
    assert figures.hot_residue(left, NIGHT, REFERENCE, single) > 5


# The true mapping


def test_carry_takes_stars_to_stars():
    directions = catalogue(NIGHT).direction[:400]
    a, b = (pixels(NIGHT, directions, k, mid_time(NIGHT, k)) for k in (0, 4))
    inside = ((a > 0) & (a < [NIGHT.width, NIGHT.height])).all(axis=1)
    assert np.abs(truth.carry(NIGHT, a[inside], 0, 4) - b[inside]).max() < 1e-6


def test_dense_mapping_is_the_mapping():
    there = oracle.dense_mapping(NIGHT, REFERENCE, 0)
    x, y = np.array([[3, 200, 471], [5, 170, 350]])
    exact = truth.carry(NIGHT, np.stack([x, y], axis=1).astype(float), REFERENCE, 0)
    assert np.abs(there[:, y, x].T[:, ::-1] - exact).max() < 1e-4


# The rival and the oracle


def test_rival_s_clip_is_sigma_clipping():
    # Outside reference: astropy.stats.sigma_clip on the same cube.
    cube = np.random.default_rng(6).normal(100, 5, (24, 6, 50)).astype(np.float32)
    cube[3, 2] += 80
    cube[5:9, 4, :20] = np.nan
    clipped = sigma_clip(
        np.ma.masked_invalid(cube.astype(np.float64)), sigma=3, maxiters=3, axis=0, masked=True
    )
    own = rival.clipped_mean(cube)
    assert np.abs(own - clipped.mean(axis=0).filled(np.nan)).max() < 1e-3


@pytest.mark.slow
def test_rival_and_oracle_agree_on_a_small_night(tmp_path):
    write_night(NIGHT, tmp_path)
    by_hand, best = rival.stack(tmp_path, NIGHT), oracle.stack(tmp_path, NIGHT)
    assert by_hand.reference_index == best.reference_index == REFERENCE
    single = figures.single_frame(tmp_path, REFERENCE)
    assert np.nanmedian(np.abs(by_hand.value - best.value)) < measures.spread(single[1])
    assert abs(figures.trail_left(best.value, NIGHT, REFERENCE)) < 0.1
    assert figures.trail_left(by_hand.value, NIGHT, REFERENCE) > 0.8


# The table


def test_ours_is_read_from_the_run_s_record(tmp_path, monkeypatch):
    outcome = SimpleNamespace(
        stack=SimpleNamespace(value=ideal()), record={"reference": "night_0003.dng", "timing": {}}
    )
    monkeypatch.setattr(stackkit, "stack", lambda _paths: outcome, raising=False)
    assert "ours" in run.contenders(plain=False)
    result = run.ours(tmp_path, NIGHT)
    assert result.reference_index == 2
    assert result.value is outcome.stack.value


def test_table_marks_what_ours_must_not_be():
    good = figures.Figures(0.02, 0.03, 1.0, 0.9, 0.0, 0.0, 1.0, 0.0, 0.0)
    bad = figures.Figures(0.2, 0.03, 0.9, 0.9, 0.0, 0.0, 1.0, 0.0, 0.0)
    runs = {name: [(run.Run(good, 1.0), run.Run(bad, 2.0))] for name in ("rival", "ours")}
    lines = run.table(runs).splitlines()
    assert lines[0].split() == ["rival", "ours", "limit"]
    assert "0.200  0.200!  ≤ 0.05" in lines[1]
    assert "0.900  0.900!  ≥ 0.97" in lines[3]
    assert sum(line.count("!") for line in lines) == 2
