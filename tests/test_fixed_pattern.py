"""What stays with the sensor is told from noise and stars, and taken off as far as it shows."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import (
    cache_of,
    layout,
    placed,
    sites,
    summed,
)
from scipy.stats import norm

from stackkit.calibration.apply import RELIEF_STEP
from stackkit.calibration.mosaic_cache import Coding
from stackkit.sensor.fixed_pattern import (
    add_evidence,
    convicted,
    fixed_pattern,
    limits,
    lone,
    no_evidence,
    pattern_share,
    restless,
)

SHAPE = (160, 200)
FAR = 40.0
"""A drift of the sky in px that tells it from the sensor."""


def none(shape=SHAPE):
    return np.zeros(shape, dtype=bool)


def so_far(frames, lasting=0.0, seed=0, shape=SHAPE):
    """Evidence of frames of white noise in which something lasts, in standard deviations."""
    rng = np.random.default_rng([seed, frames])
    evidence = no_evidence(shape)
    for k in range(frames):
        deviation = (rng.normal(0, 1, shape) + lasting).astype(np.float32)
        add_evidence(evidence, deviation, none(deviation.shape), late=2 * (k + 1) > frames)
    return evidence


# Listening


def test_what_is_heard_is_what_numpy_adds():
    rng = np.random.default_rng(1)
    deviations = rng.normal(0, 3, (7, *SHAPE)).astype(np.float32)
    deviations[rng.random(deviations.shape) < 0.1] = np.nan
    evidence = no_evidence(SHAPE)
    for k, deviation in enumerate(deviations):
        add_evidence(evidence, deviation, none(deviation.shape), late=k >= 4)
    for half, part in enumerate((deviations[:4], deviations[4:])):
        # One frame may say 3 standard deviations at most.
        voices = np.nansum(np.clip(part, -3, 3), axis=0)
        np.testing.assert_allclose(evidence.voices[half], voices, atol=1e-5)
        assert np.array_equal(evidence.seen[half], np.isfinite(part).sum(axis=0))
    assert not evidence.starry.any()


# Defects


def test_more_frames_ask_for_more():
    empty = [limits(count)[0] for count in (3, 5, 8, 9, 16, 100)]
    assert empty == sorted(empty)
    assert empty[0] == 2.6
    assert empty[-1] == 4.0
    assert all(limits(count)[1] == limits(count)[0] + 1 for count in (3, 8, 50))


@pytest.mark.parametrize("frames", [3, 5, 8])
def test_good_sites_are_lost_as_rarely_as_the_limit_says(frames):
    # Outside reference: scipy's normal distribution.
    lost = sum(convicted(so_far(frames, seed=s), none(), frames, FAR).sum() for s in range(4))
    expected = 2 * norm.sf(limits(frames)[0]) * 4 * none().size
    assert abs(lost - expected) < 0.1 * expected + 3 * np.sqrt(expected)


def test_of_many_frames_hardly_a_good_site_is_lost():
    # 6 in 100 000 are expected: 2 of these.
    assert convicted(so_far(16), none(), 16, FAR).sum() <= 8


@pytest.mark.parametrize(("frames", "height"), [(5, 2.5), (8, 2.3), (16, 1.8), (30, 1.3)])
@pytest.mark.parametrize("sign", [1, -1])
def test_what_is_off_in_most_frames_is_a_defect(frames, height, sign):
    off = none()
    off[5::16, 7::16] = True
    mask = convicted(so_far(frames, sign * height * off), none(), frames, FAR)
    # The mean lies two to three of its standard deviations beyond the limit.
    assert mask[off].mean() > 0.95
    assert mask[~off].mean() < 1.3 * 2 * norm.sf(limits(frames)[0]) + 1e-4


def test_one_frame_s_voice_makes_no_defect():
    evidence = so_far(8)
    evidence.voices[:, 40, 60] = 0
    loud = np.zeros(SHAPE, np.float32)
    loud[40, 60] = 1000
    add_evidence(evidence, loud, none(loud.shape), late=True)
    assert evidence.voices[:, 40, 60].sum() == 3
    assert not convicted(evidence, none(), 9, FAR)[40, 60]
    # Said by two frames it is still no more than two standard deviations of the mean.
    add_evidence(evidence, loud, none(loud.shape), late=True)
    assert not convicted(evidence, none(), 10, FAR)[40, 60]


def test_suspects_are_tried():
    hot, suspects = none(), none()
    hot[20, 30] = hot[50, 70] = True
    suspects[50, 70] = suspects[90, 90] = suspects[120, 40] = True
    evidence = so_far(8, 2.5 * hot)
    evidence.seen[:, 120, 40] = 0
    evidence.voices[:, 120, 40] = 0
    mask = convicted(evidence, suspects, 8, FAR)
    assert mask[20, 30]  # nobody suspected it
    assert mask[50, 70]
    assert not mask[90, 90]
    assert mask[120, 40]  # nothing is known of it
    assert suspects.sum() == 3


def test_nothing_known_is_no_proof_against_a_site_that_nobody_suspects():
    evidence = no_evidence(SHAPE)
    assert not convicted(evidence, none(), 8, FAR).any()
    assert convicted(evidence, ~none(), 8, FAR).all()


def test_where_stars_came_by_it_takes_more():
    off = none()
    off[5::16, 7::16] = True
    left = np.arange(SHAPE[1]) < 100
    evidence = so_far(16, 1.15 * off)  # 4.6 of the mean's standard deviations
    evidence.starry[:, :100] = True
    mask = convicted(evidence, none(), 16, FAR)
    assert mask[off & ~left].mean() > 0.6
    assert mask[off & left].mean() < 0.4
    assert mask[off & left].mean() < 0.6 * mask[off & ~left].mean()


def test_a_first_stack_that_holds_part_of_the_noise_is_allowed_for():
    """Every deviation half as large as it should be, as with few frames: the same are found."""
    off = none()
    off[5::16, 7::16] = True
    rng = np.random.default_rng(3)
    whole, half = no_evidence(SHAPE), no_evidence(SHAPE)
    for k in range(10):
        deviation = np.clip(rng.normal(0, 0.8, SHAPE) + 1.6 * off, -3, 3).astype(np.float32)
        add_evidence(whole, deviation, none(deviation.shape), late=k > 4)
        add_evidence(half, deviation / 2, none(deviation.shape), late=k > 4)
    assert np.array_equal(convicted(whole, none(), 10, FAR), convicted(half, none(), 10, FAR))
    assert convicted(half, none(), 10, FAR)[off].mean() > 0.9


# Crowds


def test_lone_sites_are_kept_and_crowds_are_not():
    bad = none((60, 60))
    bad[10, 10] = bad[10, 14] = bad[59, 0] = True
    bad[30:50, 30:50] = True
    kept = lone(bad)
    assert kept[10, 10]
    assert kept[10, 14]
    assert kept[59, 0]
    assert kept[33:47, 33:47].sum() == 0
    assert not (kept & ~bad).any()


@pytest.mark.parametrize("accident", [0.001, 0.01])
def test_what_is_there_by_chance_makes_no_crowd(accident):
    rng = np.random.default_rng(4)
    chance = rng.random((400, 400)) < accident
    # One site in a hundred is bad besides.
    bad = chance | (rng.random(chance.shape) < 0.01)
    assert lone(bad, accident)[bad].mean() > 0.98
    crowd = bad.copy()
    crowd[100:120, 100:120] = True
    assert lone(crowd, accident)[103:117, 103:117].sum() == 0


def test_without_the_chance_known_many_would_be_lost():
    chance = np.random.default_rng(5).random((400, 400)) < 0.03
    assert lone(chance)[chance].mean() < 0.9
    assert lone(chance, 0.03)[chance].mean() > 0.98


# Strength of a pattern


@pytest.mark.parametrize("frames", [3, 5, 8, 30])
def test_a_clean_sensor_has_no_pattern(frames):
    assert [pattern_share(so_far(frames, seed=s), none(), FAR) for s in range(6)] == [0] * 6


@pytest.mark.parametrize("strength", [0.3, 0.6])
@pytest.mark.parametrize("frames", [6, 9, 24])
@pytest.mark.parametrize("columns", [True, False])
def test_the_share_of_a_pattern_is_found(strength, frames, columns):
    """Signal over signal and noise: p² / (p² + 1/N), arithmetic."""
    rng = np.random.default_rng(6)
    pattern = rng.normal(0, strength, SHAPE[1] if columns else SHAPE)
    pattern = np.broadcast_to(pattern, SHAPE)
    share = pattern_share(so_far(frames, pattern), none(), FAR)
    power = float(np.mean(pattern**2))
    # The cut at 3 standard deviations costs the strong pattern a per cent.
    assert share == pytest.approx(power / (power + 1 / frames), abs=0.025)


def test_a_weak_pattern_is_not_worth_it():
    pattern = np.random.default_rng(7).normal(0, 0.1, SHAPE)
    assert pattern_share(so_far(8, pattern), none(), FAR) == 0  # 0.07 of the variance
    assert pattern_share(so_far(50, pattern), none(), FAR) > 0.2  # 0.33


def test_what_one_half_of_the_session_alone_says_is_no_pattern():
    pattern = np.random.default_rng(8).normal(0, 1, SHAPE)
    evidence = so_far(8)
    for _ in range(4):
        add_evidence(evidence, pattern.astype(np.float32), none(), late=True)
    assert pattern_share(evidence, none(), FAR) == 0


def test_stars_and_defects_do_not_count_as_pattern():
    where = none()
    where[:40, ::3] = True
    evidence = so_far(8, 3.0 * where)
    assert pattern_share(evidence, none(), FAR) > 0.1
    assert pattern_share(evidence, where, FAR) == 0
    evidence.starry[where] = True
    assert pattern_share(evidence, none(), FAR) == 0


def test_few_sites_tell_nothing():
    small = (90, 100)
    pattern = np.random.default_rng(9).normal(0, 1, small)
    assert pattern_share(so_far(8, pattern, shape=small), none(small), FAR) == 0
    large = (108, 118)
    assert pattern_share(so_far(8, np.pad(pattern, 9), shape=large), none(large), FAR) > 0.6


# Taking it off


def noise_table():
    rows, columns = (-(-side // RELIEF_STEP) for side in SHAPE)
    return np.random.default_rng(10).uniform(2, 9, (3, rows, columns)).astype(np.float32)


@pytest.mark.parametrize("colours", ["RGGB", "GBRG"])
def test_what_is_taken_off_is_each_site_s_mean_times_the_share(colours):
    evidence = so_far(6)
    evidence.seen[:, 30:33, 40] = 0
    evidence.voices[:, 30:33, 40] = 0
    defects = np.random.default_rng(11).random(SHAPE) < 0.01
    noise, coding = noise_table(), Coding(0.25, 256.0)
    sensor = layout(colours, SHAPE)
    before = evidence.seen.copy()
    pattern = fixed_pattern(evidence, defects, 0.4, noise, sensor.layout, coding)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    sigma = noise[sites(colours, SHAPE), y // RELIEF_STEP, x // RELIEF_STEP]
    seen = evidence.seen.sum(axis=0)
    mean = evidence.voices.sum(axis=0) / np.maximum(seen, 1)
    plainly = np.where((seen > 0) & ~defects, 0.4 * sigma * mean / 0.25, 0)
    assert np.abs(pattern - plainly).max() <= 0.5 + 1e-3
    assert (pattern[defects] == 0).all()
    assert np.abs(pattern).max() > 5
    assert np.array_equal(evidence.seen, before)


@pytest.mark.parametrize("frames", [4, 16])
def test_no_other_share_would_leave_less(frames):
    """Wiener: with signal/(signal + noise) the mean square of what is left is least."""
    true = np.random.default_rng(12).normal(0, 0.5, SHAPE)
    evidence = so_far(frames, true)
    share = pattern_share(evidence, none(), FAR)
    noise = np.ones((3, 5, 7), dtype=np.float32)

    def left(of):
        grid = layout("RGGB", SHAPE).layout
        pattern = fixed_pattern(evidence, none(), of, noise, grid, Coding(2.0**-8, 0.0))
        return float(np.mean((true - pattern * 2.0**-8) ** 2))

    assert left(share) < 0.9 * left(0)
    assert left(share) < min(left(0.8 * share), left(1.2 * share), left(1.0))
    assert left(share) == pytest.approx(0.25 * (1 - share), rel=0.07)


@pytest.mark.parametrize("amount", [-30000, -7, 5, 30000])
def test_taking_off_is_arithmetic_in_codes(amount, tmp_path):
    adu = np.full((48, 64), 500.0)
    adu[20, 20] = np.nan
    cache = cache_of(tmp_path, [adu])
    lasting = np.full(cache.shape, amount, np.int16)
    picture, _ = summed(cache, [placed(cache, 0)], lasting=lasting)
    code = (500 + cache.coding.pedestal) / cache.coding.step + 1 - amount
    expected = (np.clip(code, 1, 65535) - 1) * cache.coding.step - cache.coding.pedestal
    np.testing.assert_allclose(picture.value, expected, rtol=1e-5, atol=0.01)


# What moves or does not


def test_where_the_sky_hardly_moves_what_stands_by_a_star_is_acquitted():
    off = none()
    off[20::40, 30::40] = True
    evidence = so_far(24, 3.0 * off)
    evidence.starry[:, :100] = True
    left = np.zeros(SHAPE, bool)
    left[:, :98] = True
    assert convicted(evidence, off, 24, FAR)[off].all()
    slow = convicted(evidence, off, 24, 2.0)
    assert not slow[off & left].any()
    assert slow[off & ~left].all()


def test_a_slow_sky_gives_no_pattern():
    pattern = np.random.default_rng(3).normal(0, 0.5, SHAPE)
    assert pattern_share(so_far(24, pattern), none(), FAR) > 0.5
    assert pattern_share(so_far(24, pattern), none(), 5.0) == 0


def test_what_is_rejected_in_one_piece_has_no_voice():
    piece, spot = none(), none()
    piece[40:45] = True
    spot[80, 90] = True
    evidence = no_evidence(SHAPE)
    add_evidence(evidence, np.ones(SHAPE, np.float32), piece | spot, late=False)
    assert not evidence.seen[0, 40:45].any()
    assert evidence.voices[0, 80, 90] == 1
    assert evidence.seen.sum() == none().size - piece.sum()


def test_ground_is_restless_and_a_pattern_is_not():
    pattern = np.random.default_rng(4).normal(0, 0.6, SHAPE)
    pattern[100:] += np.random.default_rng(5).choice([-2.5, 2.5], (60, 200))
    found = restless(so_far(16, pattern))
    assert found[110:].mean() > 0.95
    assert not found[:90].any()
