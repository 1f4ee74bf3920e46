"""Matching held against fields whose answer is known: right, refused, and the chance as counted."""

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.stats import binom

from stackkit.align.matching import MOST_CHANCE, best_match, chance_of, match
from stackkit.align.spatial import around, gridded, mutual, nearness, variances
from stackkit.geometry.lens import Projection
from stackkit.simulate import Night
from stackkit.simulate.night import mid_time
from stackkit.simulate.sky import catalogue, pixels

FIELD = np.array([1200.0, 900.0])


def field(rng, count):
    return rng.uniform([0, 0], FIELD, (count, 2))


def turned(stars, angle, scale=1.0, shift=(25.0, -14.0)):
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    return (stars - FIELD / 2) @ np.array([[c, s], [-s, c]]) + FIELD / 2 + shift


def two_views(rng, stars, false, *, noise=0.1, scramble=3.0, spot=field, **motion):
    """Lists a, b of ``stars`` (brightest first), each with so many false ones of any brightness.

    Returned with the number in a of each star of b, -1 for the false ones.
    """
    lists, names = [], []
    for xy in (stars, turned(stars, motion.pop("angle", 0.02), **motion)):
        both = np.concatenate([xy + rng.normal(0, noise, xy.shape), spot(rng, false)])
        rank = np.concatenate([np.arange(len(stars)), rng.uniform(0, len(stars), false)])
        order = np.argsort(rank + rng.normal(0, scramble, len(rank)))
        lists.append(both[order])
        names.append(np.where(order < len(stars), order, -1))
        motion["angle"] = 0.0
    return (*lists, known(*names))


def known(name_a, name_b):
    """Number in a of each star of b."""
    place = {int(n): i for i, n in enumerate(name_a) if n >= 0}
    return np.array([place.get(int(n), -1) for n in name_b])


def right(found, truth):
    return float((truth[found.pairs[:, 1]] == found.pairs[:, 0]).mean())


def share_found(found, truth):
    return (truth[found.pairs[:, 1]] == found.pairs[:, 0]).sum() / (truth >= 0).sum()


# --- the plane ------------------------------------------------------------------------------


# --- true pairs -------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.02, np.pi / 2, np.pi, -2.1])
@pytest.mark.parametrize("scale", [0.98, 1.02])
def test_turned_and_scaled_frames_with_sixty_percent_false_ones(angle, scale):
    rng = np.random.default_rng(3)
    a, b, truth = two_views(rng, field(rng, 80), 120, angle=angle, scale=scale)
    found = match(a, b)
    assert found is not None
    assert share_found(found, truth) > 0.95
    assert right(found, truth) > 0.97


@pytest.mark.parametrize("seed", range(20))
def test_six_common_stars_among_nine_false_ones(seed):
    rng = np.random.default_rng(seed)
    a, b, truth = two_views(rng, field(rng, 6), 9, angle=rng.uniform(-3, 3), scramble=9.0)
    found = match(a, b)
    assert found is not None
    assert right(found, truth) == 1.0


def test_six_stars_and_nothing_else():
    rng = np.random.default_rng(31)
    a, b, truth = two_views(rng, field(rng, 6), 0)
    assert right(match(a, b), truth) == 1.0


@pytest.mark.parametrize(("common", "false"), [(1500, 300), (800, 1200), (3000, 0)])
def test_thousands_of_stars(common, false):
    rng = np.random.default_rng(9)
    a, b, truth = two_views(rng, field(rng, common), false, scramble=0.4 * common)
    found = match(a, b)
    assert found is not None
    assert share_found(found, truth) > 0.95
    assert right(found, truth) > 0.97


def milky_way(rng, count):
    """A narrow band across the picture, with clumps in it."""
    along, across = rng.uniform(-900, 900, count), rng.normal(0, 130, count)
    xy = FIELD / 2 + np.stack([0.8 * along - 0.6 * across, 0.6 * along + 0.8 * across], axis=1)
    clump = rng.random(count) < 0.15
    xy[clump] = field(rng, 9)[rng.integers(0, 9, clump.sum())] + rng.normal(0, 30, (clump.sum(), 2))
    return xy


@pytest.mark.parametrize("seed", range(4))
def test_milky_way_whose_stars_are_alike(seed):
    """Each frame keeps the brightest 400 of 1500 by its own noisy order: a third is common."""
    rng = np.random.default_rng(seed)
    a, b, truth = two_views(rng, milky_way(rng, 1500), 0, scramble=500.0, noise=0.15)
    a, b = a[:400], b[:400]
    truth = np.where(truth < 400, truth, -1)[:400]
    found = match(a, b)
    assert found is not None
    assert share_found(found, truth) > 0.9
    assert right(found, truth) > 0.96


@pytest.mark.parametrize("angle", [0.0, np.pi / 2])
def test_overlap_of_a_third(angle):
    rng = np.random.default_rng(6)
    stars = rng.uniform(0, 1, (500, 2)) * FIELD * [5 / 3, 1]
    first, second = stars[:, 0] < FIELD[0], stars[:, 0] > FIELD[0] * 2 / 3
    b = turned(stars[second] - [FIELD[0] * 2 / 3, 0], angle)
    found = match(stars[first], b + rng.normal(0, 0.1, b.shape))
    truth = known(np.nonzero(first)[0], np.nonzero(second)[0])
    assert share_found(found, truth) > 0.95
    assert right(found, truth) == 1.0


def test_stars_in_one_corner():
    rng = np.random.default_rng(7)
    stars = field(rng, 30) * 0.2
    a, b, truth = two_views(rng, stars, 20, spot=lambda rng, n: field(rng, n) * 0.2)
    found = match(a, b)
    assert share_found(found, truth) > 0.9
    assert right(found, truth) > 0.97


BENT = {"focal": 900.0, "k1": -0.22, "k2": 0.05}
ROUND = {"focal": 640.0, "k1": 0.0, "k2": 0.0, "projection": Projection.EQUIDISTANT}
POLE = {"azimuth": 0.0, "altitude": 47.0}
SOUTH = {"azimuth": 170.0, "altitude": 50.0}


@pytest.mark.parametrize("turn", [2.5, 7.5])
@pytest.mark.parametrize(
    ("lens", "share"),
    [(BENT | POLE, 0.93), (ROUND | POLE, 0.9), (ROUND | SOUTH, 0.88), (BENT | SOUTH, 0.7)],
)
def test_wide_lenses_while_the_sky_turns(lens, share, turn):
    """What no plane transform describes; 100 false ones among 300."""
    sky = Night(seed=41, frames=2, cadence=turn * 86164.0905 / 360, faintest=8.5, **lens)
    rng = np.random.default_rng(41)
    size = np.array([sky.width, sky.height])
    lists, names = [], []
    for k in range(2):
        xy = pixels(sky, catalogue(sky).direction, k, mid_time(sky, k))
        inside = np.nonzero(((xy > 0) & (xy < size)).all(axis=1))[0][:300]
        false = rng.uniform(0, 1, (100, 2)) * size
        lists.append(np.concatenate([xy[inside] + rng.normal(0, 0.1, (len(inside), 2)), false]))
        names.append(np.concatenate([inside, np.full(100, -1)]))
    order = [rng.permutation(len(xy)) for xy in lists]  # no help from the brightness
    truth = known(names[0][order[0]], names[1][order[1]])
    found = match(lists[0][order[0]], lists[1][order[1]])
    assert found is not None
    assert share_found(found, truth) > share
    assert right(found, truth) > 0.97


# --- nothing to find --------------------------------------------------------------------------


def clumps(rng, count):
    middle = field(rng, max(count // 12, 2))
    spread = rng.choice([8.0, 25.0, 60.0])
    return middle[rng.integers(0, len(middle), count)] + rng.normal(0, spread, (count, 2))


def streets(rng, count):
    """Lamps at odd distances along up to three lines."""
    xy = []
    for part in np.array_split(np.arange(count), int(rng.integers(1, 4))):
        angle, along = rng.uniform(0, 3.1), rng.uniform(-500, 500, len(part))
        xy.append(field(rng, 1) + along[:, None] * [np.cos(angle), np.sin(angle)])
    lamps = np.concatenate(xy)
    return rng.permutation(lamps + rng.normal(0, rng.choice([0.3, 1.0, 3.0]), lamps.shape))


def row(rng, count):
    """Lamps 40 px apart, in one line, all such rows alike."""
    lamps = np.arange(min(count, 40))[:, None] * [40.0, 3.0] + rng.uniform(0, 200, 2)
    return rng.permutation(lamps + rng.normal(0, rng.choice([0.2, 0.5]), lamps.shape))


def parking(rng, count):
    """Lamps in a square grid, all such grids alike."""
    side = int(np.ceil(np.sqrt(count)))
    lamps = np.stack(np.divmod(np.arange(count), side), axis=1) * 40.0 + rng.uniform(0, 300, 2)
    return rng.permutation(lamps + rng.normal(0, rng.choice([0.2, 0.5, 1.5]), lamps.shape))


def ring(rng, count):
    """Lamps around a place."""
    angle = 2 * np.pi * np.arange(min(count, 40)) / min(count, 40)
    lamps = FIELD / 2 + rng.uniform(-99, 99, 2) + 200 * np.stack([np.cos(angle), np.sin(angle)], 1)
    return rng.permutation(lamps + rng.normal(0, 0.4, lamps.shape))


def street_and_sky(rng, count):
    return rng.permutation(np.concatenate([field(rng, count), row(rng, max(count // 2, 6))]))


KINDS = [field, clumps, milky_way, streets, row, parking, ring, street_and_sky]


def accepted(seed, pairs, most):
    """Kinds and seeds of unrelated fields that were taken for one."""
    wrong = []
    for k in range(pairs):
        rng = np.random.default_rng([seed, k])
        kind = KINDS[k % len(KINDS)]
        count = round(np.exp(rng.uniform(np.log(6), np.log(most))))
        a, b = kind(rng, count), kind(rng, max(round(count * rng.uniform(0.7, 1.4)), 6))
        if match(a, b) is not None:
            wrong.append((kind.__name__, k))
    return wrong


def test_unrelated_fields_are_refused():
    assert accepted(11, 48, 300) == []


@pytest.mark.slow
def test_hundreds_of_unrelated_fields_are_refused():
    assert accepted(12, 400, 2000) == []


def test_mirrored_fields_are_refused():
    rng = np.random.default_rng(12)
    for count in (6, 20, 100, 500):
        stars = field(rng, count)
        assert match(stars, stars * [-1, 1] + [FIELD[0], 0]) is None


@pytest.mark.parametrize("lamps", [row, parking, ring])
def test_lamps_that_were_moved_do_not_tell_by_how_much(lamps):
    """Every second shift fits a row as well as the true one."""
    rng = np.random.default_rng(13)
    one = lamps(rng, 25)
    assert match(one, one + np.array([80.0, 6.0])) is None


def test_stars_are_found_beside_a_street():
    """The lamps are part of the match when the camera moved, and do no harm."""
    rng = np.random.default_rng(14)
    a, b, truth = two_views(rng, np.concatenate([field(rng, 60), row(rng, 20)]), 30, scramble=30.0)
    assert right(match(a, b), truth) > 0.97


def test_too_few_stars_are_refused():
    rng = np.random.default_rng(15)
    stars = field(rng, 5)
    assert match(stars, stars) is None
    assert match(np.zeros((0, 2)), field(rng, 30)) is None
    assert match(np.zeros((9, 2)), np.zeros((9, 2))) is None
    assert match(np.ones((9, 2)), field(rng, 9)) is None


# --- the probability of chance ----------------------------------------------------------------


def alley(rng, count):
    return np.stack([rng.uniform(0, 1200, count), 300 + rng.normal(0, 0.3, count)], axis=1)


@pytest.mark.parametrize("kind", [field, milky_way, alley])
def test_nearness_is_the_rate_at_which_unrelated_stars_lie_so_near(kind):
    """Counted: of stars drawn like those of b, a share p lies where the formula says p or less."""
    rng = np.random.default_rng(4)
    told = []
    for _ in range(60):
        a, b = kind(rng, 120), kind(rng, 120)
        grid = gridded(b)
        spread = variances(b, around(grid, 9))
        away, other = cKDTree(b).query(a)
        told.append(nearness(away, spread[other], 8))
    told = np.concatenate(told)
    for p in (0.003, 0.01, 0.03):
        assert 0.5 < (told <= p).mean() / p < 1.6


def test_chance_is_the_binomial_tail_over_the_models():
    """scipy.stats.binom, for the one k that decides: eight equal ones of which two are used."""
    near = np.full(8, 0.002)
    theirs = 50.0 * binom.sf(5, 28, 0.002 * 8 / 6) * 6
    assert chance_of(near, 30, 2, np.log(50.0)) == pytest.approx(theirs, rel=0.01)


@pytest.mark.parametrize("fields", [1500, pytest.param(3000, marks=pytest.mark.slow)])
def test_chance_is_the_rate_at_which_unrelated_stars_fall_together(fields):
    """A model given beforehand, on random fields: the share with a chance below x is x at most."""
    rng = np.random.default_rng(4)
    told = []
    for _ in range(fields):
        a, b = field(rng, 60), field(rng, 60)
        grid = gridded(b)
        pairs, away = mutual(grid, a, 40.0)
        near = nearness(away, variances(b, around(grid, 9))[pairs[:, 1]], 8)
        told.append(chance_of(near, 60, 0, 0.0))
    told = np.array(told)
    for x in (0.01, 0.1):
        # The best of many k is paid for as if they were independent, which they are not.
        assert 0.02 * x < (told < x).mean() < 1.3 * x


@pytest.mark.parametrize("fields", [120, pytest.param(240, marks=pytest.mark.slow)])
def test_chance_reported_by_the_whole_search_is_no_understatement(fields):
    """With the limit loosened, unrelated fields must not claim a chance of x more often than x."""
    told = []
    for k in range(fields):
        rng = np.random.default_rng([77, k])
        kind = (field, clumps, streets)[k % 3]
        found = best_match(kind(rng, 20), kind(rng, 20), 2.0, limit=0.0)
        told.append(1.0 if found is None else found.chance)
    told = np.array(told)
    assert (told < 0.3).mean() < 0.3
    assert (told < 0.03).mean() < 0.03


def test_chance_falls_with_every_common_star():
    rng = np.random.default_rng(21)
    told = []
    for common in (6, 8, 12, 20):
        stars = field(rng, common)
        told.append(match(*two_views(rng, stars, 9)[:2]).chance)
    assert (np.diff(told) < 0).all()
    assert told[0] < MOST_CHANCE
    assert told[-1] > 0
