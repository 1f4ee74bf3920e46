"""Stars followed, frames placed by prediction, and how sure a mapping is."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks import truth
from star_sessions import SIZE, clock, night, registered, star_tables, table

from stackkit.align.pairing import pair_all
from stackkit.align.position_error import placing_error
from stackkit.align.predict import placed_near
from stackkit.align.tracks import follow, residuals, spread
from stackkit.geometry.lens import Lens, project, reaching
from stackkit.geometry.rotation import rotation

LENS = reaching(Lens(675.0, 499.5, 374.5, -0.06, 0.02), *SIZE)


def directions(seed, count=300):
    rng = np.random.default_rng(seed)
    rays = np.stack([*rng.uniform(-0.8, 0.8, (2, count)), np.ones(count)], axis=1)
    return rays / np.linalg.norm(rays, axis=1, keepdims=True)


def seen_at(rays, turn, shift=0.0, seed=0):
    rng = np.random.default_rng(seed)
    xy = project(LENS, rays @ turn.T) + shift
    xy = xy[((xy > 2) & (xy < np.array(SIZE) - 3)).all(axis=1)]
    return xy + rng.normal(0, 0.05, xy.shape)


@pytest.mark.parametrize("seed", range(6))
def test_eight_stars_among_false_ones_place_a_frame(seed):
    rays, turn = directions(seed), rotation([0.002, -0.003, 0.01])
    rng = np.random.default_rng(seed)
    xy = seen_at(rays, turn, seed=seed)
    xy = np.concatenate([xy[rng.choice(len(xy), 8, replace=False)], rng.uniform(0, SIZE, (5, 2))])
    guess = rotation([0.006, -0.006, 0.003]) @ turn  # some six pixels off
    found = placed_near(xy, rays, LENS, guess, SIZE)
    assert found is not None
    assert found[1] < 1e-6
    away = project(LENS, rays @ found[0].T) - project(LENS, rays @ turn.T)
    assert np.median(np.hypot(*away.T)) < 0.3


def test_unrelated_fields_are_not_placed():
    for seed in range(300):
        rng = np.random.default_rng([seed, 9])
        xy = rng.uniform(0, SIZE, (int(rng.integers(6, 200)), 2))
        rays = directions(seed, int(rng.integers(50, 600)))
        assert placed_near(xy, rays, LENS, np.eye(3), SIZE) is None, seed


def test_tracks_hold_one_star_each_and_find_what_the_pairs_missed():
    sky = night(seed=81, cadence=120.0, frames=10)
    tables = star_tables(sky, stars=100, false=0.3)
    found = registered(sky, tables, times=clock(sky))
    kept = pair_all(tables).kept
    tracks = follow(tables, kept, found.geometry, range(10), found.reference, 2.0)
    seen = tracks.seen
    assert (np.diff(seen.frame) >= 0).all()
    for k in range(10):
        stars, rows = tracks.of(k)
        assert len(np.unique(stars)) == len(stars)
        assert len(np.unique(rows)) == len(rows)
    assert np.bincount(seen.star).min() >= 3
    # Stars that leave the reference's picture are followed too.
    in_reference = set(tracks.of(found.reference)[0])
    assert len(set(seen.star) - in_reference) > 5
    assert np.median(residuals(tracks, found.geometry)) < 0.1


def test_a_few_stars_are_spread_over_the_picture():
    sky = night(seed=82)
    tables = star_tables(sky, false=0.0)
    found = registered(sky, tables, times=clock(sky))
    tracks = follow(tables, pair_all(tables).kept, found.geometry, range(12), found.reference, 2.0)
    few = spread(tracks.seen, 40, SIZE)
    assert len(np.unique(few.star)) == 40
    xy = np.stack([np.bincount(few.star, c) for c in few.xy.T], axis=1)
    xy /= np.bincount(few.star)[:, None]
    quarter = (xy > np.array(SIZE) / 2) @ [1, 2]
    assert np.bincount(quarter, minlength=4).min() >= 5
    assert len(np.unique(spread(tracks.seen, 10**6, SIZE).star)) == len(np.unique(tracks.seen.star))


@pytest.mark.parametrize("repeats", [8, pytest.param(30, marks=pytest.mark.slow)])
def test_the_error_told_is_the_scatter_over_repeats(repeats):
    """Sessions of the same sky with new noise; the true mapping is known."""
    sky = night(seed=83, frames=6)
    places = np.array([[499.5, 374.5], [30.0, 30.0], [970.0, 720.0]])
    tables = star_tables(sky, stars=80, false=0.0, seen=1.0, noise=0.0)
    away, told = [], []
    for repeat in range(repeats):
        rng = np.random.default_rng(repeat)
        noisy = [table(t.xy + rng.normal(0, 0.1, t.xy.shape), t.flux + 0.0, 0.1) for t in tables]
        found = registered(sky, noisy, times=clock(sky))
        there = truth.carry(sky, places, found.reference, 0)
        away.append(found.mappings[0].from_reference(places) - there)
        told.append(placing_error(found.geometry, 0, found.reference, places))
    scatter = np.sqrt(np.mean(np.sum(np.square(away), axis=2), axis=0))
    mean = np.sqrt(np.mean(np.square(told), axis=0))
    # What is thought of the lens beforehand is right here, which the error told does not know.
    assert (mean / scatter < 1.8).all()
    assert (mean / scatter > 0.7).all()
