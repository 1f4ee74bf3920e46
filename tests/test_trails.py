"""Lines of light are found, followed and cut; what is no mover is left."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from grids import corners
from scenes import shift
from scipy.ndimage import gaussian_filter, maximum_filter
from skimage.draw import line as drawn
from skimage.transform import radon as slow_radon

from stackkit.integration.rejection import line_sums
from stackkit.integration.rejection.outliers import outliers
from stackkit.integration.rejection.trail_path import Trail
from stackkit.integration.rejection.trails import find_trails, movers, trail_mask

SHAPE = (480, 640)
SHARP = 0.8
"""σ of the cross profile of a sharp lens, px."""
NOWHERE = np.zeros(SHAPE, dtype=bool)


def noise(*seed, shape=SHAPE):
    return np.random.default_rng(seed).normal(0, 1, shape).astype(np.float32)


def beside(angle, middle=(320.0, 240.0), sag=0.0, length=400.0):
    """Distances along and across (H, W) from a path whose middle lies ``sag`` px off its chord."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    x, y = x - middle[0], y - middle[1]
    along, across = x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)
    return along, across - sag * (1 - (2 * along / length) ** 2)


def light(ridge, along, across, length, sigma=SHARP):
    on = np.abs(along) < length / 2
    return (ridge * np.exp(-0.5 * (across / sigma) ** 2) * on).astype(np.float32)


def starless(deviation):
    return find_trails(deviation, np.zeros(deviation.shape, dtype=bool))


def cut(deviation, starry=NOWHERE):
    """What is rejected of a frame for its trails."""
    return trail_mask(find_trails(deviation, starry), outliers(deviation))


# Finding


@pytest.mark.parametrize(
    ("ridge", "length", "share"),
    [
        (0.7, 300, 0.5),
        pytest.param(1.0, 120, 0.7, marks=pytest.mark.slow),
        (1.0, 300, 0.95),
        pytest.param(1.5, 100, 0.85, marks=pytest.mark.slow),
        (2, 60, 0.95),
        pytest.param(3, 60, 0.95, marks=pytest.mark.slow),
    ],
)
def test_faint_lines_are_found(ridge, length, share):
    """Profile of a sharp lens, any direction: share of the ridge that is cut."""
    found, more = [], []
    for seed in range(8):
        angle = np.random.default_rng([seed, length]).uniform(0, np.pi)
        along, across = beside(angle, (300 + 5 * seed, 240 - 3 * seed))
        mask = cut(noise(seed, length) + light(ridge, along, across, length))
        there = (np.abs(along) < length / 2) & (np.abs(across) < 1)
        found.append(mask[there].mean())
        more.append(mask[(np.abs(across) > 7) | (np.abs(along) > length / 2 + 60)].mean())
    assert np.mean(found) >= share - 0.01
    # Beyond its end a faint one may be followed by a piece or two: 300 samples of 300,000.
    assert max(more) < 4e-3


def test_noise_has_no_trails():
    assert not any(starless(noise(seed, 2, shape=(240, 320))) for seed in range(50))


@pytest.mark.parametrize("ridge", [2.0, 8.0, 50.0, 1000.0])
@pytest.mark.parametrize("sigma", [SHARP, 1.2, 2.0])
def test_a_cut_leaves_a_hundredth(ridge, sigma):
    """Of the light over the noise, at its own width; the brighter, the wider."""
    along, across = beside(0.4)
    trail = light(ridge, along, across, 360, sigma)
    found = starless(noise(3) + trail)
    assert 1 <= len(found) <= 2
    left = trail[~(cut(noise(3) + trail) | outliers(noise(3) + trail))]
    assert left.sum() < 0.012 * trail.sum()
    assert left.max() < max(0.05 * ridge, 0.2) if ridge < 40 else left.max() < 0.6
    if ridge < 100:
        assert found[0].strength == pytest.approx(ridge, rel=0.4)
    sides = trail_mask(found, NOWHERE) & (np.abs(along) < 180)
    assert np.abs(across[sides]).max() < 4.5 * sigma + 2.5


def test_a_bright_one_is_cut_wider():
    along, across = beside(0.4)
    widths = [starless(noise(4) + light(r, along, across, 360))[0].width for r in (3, 30, 300)]
    assert widths[0] < widths[1] <= widths[2]


@pytest.mark.parametrize("sag", [2.0, 5.0])
def test_a_bent_trail_is_followed(sag):
    along, across = beside(0.3, sag=sag)
    mask = cut(noise(5) + light(3.0, along, across, 400))
    ridge = (np.abs(along) < 200) & (np.abs(across) < 1.2)
    assert mask[ridge].mean() > 0.98
    assert mask[np.abs(across) > 6].mean() < 1e-3


def test_flashing_light_is_one_line():
    along, across = beside(1.9)
    dashes = light(2.5, along, across, 400) * (np.mod(along, 40) < 22)
    mask = cut(noise(6) + dashes)
    assert mask[(dashes > 1) & (np.abs(along) < 190)].mean() > 0.97


def test_lights_beside_the_line_are_cut_as_far_as_they_reach():
    along, across = beside(-0.5)
    trail = light(3.0, along, across, 300, 1.2)
    for k in range(-4, 5):
        apart = np.hypot(along - 33 * k, across - 3)
        trail += (150 * np.exp(-0.5 * (apart / 1.8) ** 2)).astype(np.float32)
    mask = cut(noise(7) + trail)
    assert trail[~mask].sum() < 0.01 * trail.sum()
    assert trail[~mask].max() < 1.0


def test_two_trails_that_cross():
    first, second = beside(0.2), beside(1.3)
    both = light(2.0, *first, 300) + light(3.0, *second, 300)
    mask = cut(noise(8) + both)
    for along, across in (first, second):
        assert mask[(np.abs(along) < 140) & (np.abs(across) < 1)].mean() > 0.98


# What is no mover


def test_star_residues_are_no_trails():
    """Dipoles and cores at 800 places and a row of four; what is over 5 σ is told to be starry, as
    by ``resample.deviations``.
    """
    for seed in range(4):
        rng = np.random.default_rng([seed, 9])
        spots = np.zeros(SHAPE)
        y, x = rng.integers(5, SHAPE[0] - 5, 800), rng.integers(5, SHAPE[1] - 5, 800)
        np.add.at(spots, (y, x), rng.exponential(20, 800))
        np.add.at(spots, (y, x + 1), -rng.exponential(20, 800))
        spots[100, 100:160:15] += 60
        light = gaussian_filter(spots, SHARP).astype(np.float32)
        starry = maximum_filter(np.abs(light), 4) > 5
        assert not find_trails(noise(seed, 10) + light, starry)


def test_a_spike_under_a_starry_place_is_no_trail():
    along, across = beside(0.8)
    spike = light(6.0, along, across, 60)
    starry = (np.abs(across) < 4) & (np.abs(along) < 40)
    assert not find_trails(noise(11) + spike, starry)


@pytest.mark.parametrize(
    "case",
    corners(
        itertools.product((0.5, 1.0, 3.0), (0.0, 2.0, 8.0)),
        [(0.5, 0.0), (1.0, 2.0), (3.0, 0.0), (3.0, 8.0)],
    ),
    ids=str,
)
def test_an_edge_is_no_trail(case):
    """Of a cloud, or of ground that moves against the sky; straight, as roofs are."""
    height, sharp = case
    for seed in range(3):
        _, across = beside(0.3 + seed)
        step = height * (across > 0)
        if sharp:
            step = gaussian_filter(step, sharp)
        assert not starless(noise(seed, 12) + step.astype(np.float32))


def test_ground_is_no_trail():
    """Rough ground, its skyline drawn over the sky by the turning: a bright line in every frame."""
    rng = np.random.default_rng(13)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    skyline = 380 + 20 * np.sin(x / 60) + 5 * np.sin(x / 17)
    rough = gaussian_filter(rng.normal(0, 1, SHAPE), 2) * 20
    strip = np.exp(-np.maximum(skyline - y, 0) / 6.0) * 8
    ground = np.where(y > skyline, rough - 6, strip).astype(np.float32)
    mappings = {k: shift(3.0 * k, 9.0 * k) for k in range(6)}
    assert movers({k: starless(noise(k, 14) + ground) for k in mappings}, mappings, 6) == {}


def test_banding_is_no_trail():
    for seed in range(4):
        rng = np.random.default_rng([seed, 15])
        bands = rng.normal(0, 0.25, (SHAPE[0], 1)) + rng.normal(0, 0.15, (1, SHAPE[1]))
        assert not starless(noise(seed, 16) + bands.astype(np.float32))


def test_what_is_unknown_says_nothing():
    deviation = noise(17)
    deviation[:, 300:303] = np.nan
    deviation[200:203] = np.nan
    assert not starless(deviation)
    assert not starless(np.full(SHAPE, np.nan, np.float32))
    assert starless(noise(18, shape=(20, 24))) == []


def test_what_comes_again_does_not_move():
    """At one place of the sensor, at one place of the sky, or in one frame alone."""
    mappings = {k: shift(3.0 * k, 9.0 * k) for k in range(9)}
    ground = Trail(((10, 300), (200, 310)), 6, 3)
    spike = [Trail(((300 + 3 * k, 50 + 9 * k), (380 + 3 * k, 90 + 9 * k)), 6, 3) for k in range(9)]
    satellite = Trail(((50, 40), (400, 200)), 6, 3)
    found = {k: [ground, spike[k]] + [satellite] * (k in (4, 5)) for k in range(9)}
    assert movers(found, mappings, 9) == {4: (satellite,), 5: (satellite,)}


def test_a_mask_is_as_wide_as_told():
    trail = Trail(((100, 100), (300, 220)), 7.0, 3.0)
    mask = trail_mask([trail], NOWHERE)
    length = np.hypot(200, 120)
    assert mask.sum() == pytest.approx(7 * length + np.pi * 3.5**2, rel=0.03)


# Sums along lines


@pytest.mark.parametrize("turn", range(line_sums.TURNS))
def test_sums_are_those_along_drawn_lines(turn):
    """Outside reference: the line that scikit-image draws between the same ends."""
    n, rng = 64, np.random.default_rng(turn)
    sums, room = np.zeros((2, n, 2 * n), dtype=np.float32)
    for _ in range(20):
        begin, slope = n + int(rng.integers(0, n // 2)), int(rng.integers(0, n // 2))
        x0, y0, x1, y1 = np.rint(line_sums.ends(n, turn, begin, slope)).astype(int)
        square = np.zeros((n, n), np.float32)
        square[drawn(y0, x0, y1, x1)] = 1
        line_sums.line_sums(square, square.T.copy(), turn, sums, room)
        s, b = np.unravel_index(int(sums.argmax()), sums.shape)
        # Two ways of drawing a line differ by a cell here and there.
        assert abs(b - begin) <= 1
        assert abs(s - slope) <= 2
        assert sums[s, b] > 0.7 * n


def test_level_and_diagonal_sums_are_plain():
    square = np.random.default_rng(1).normal(size=(32, 32)).astype(np.float32)
    sums, room = np.zeros((2, 32, 64), dtype=np.float32)
    line_sums.line_sums(square, square.T.copy(), 0, sums, room)
    np.testing.assert_allclose(sums[0, 32:], square.sum(axis=1), atol=1e-4)
    assert sums[31, 32] == pytest.approx(np.trace(square), abs=1e-4)
    # Outside reference: scikit-image's projection at a right angle.
    level = slow_radon(square.astype(float), [90], circle=False, preserve_range=True)[:, 0]
    assert np.abs(np.sort(level[np.abs(level) > 1e-9])[-1] - sums[0, 32:].max()) < 0.3


def test_every_cell_is_on_one_line_of_each_slope():
    assert (line_sums.counts(16).sum(axis=1) == 256).all()
