"""Pairs of stars between frames: what stays put is no sky, unless nothing moves at all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from star_sessions import SIZE, night, star_tables, table

from stackkit.align.pairing import pair_all, static_flags
from stackkit.stars.detect import select

STEP = np.array([2.5, 1.2])
"""px by which the sky of these sessions moves from frame to frame."""


def session(seed, lamps, stars, frames=6, step=STEP):
    """Lamps that stay, below, and a sky that moves; mixed in brightness."""
    rng = np.random.default_rng([seed, lamps, stars])
    still = rng.uniform([0, 450], [1000, 745], (lamps, 2))
    sky = rng.uniform([60, 60], [940, 690], (stars, 2))
    made = []
    for k in range(frames):
        xy = np.concatenate([still, sky + k * np.asarray(step)])
        made.append(table(xy + rng.normal(0, 0.05, xy.shape), rng.uniform(1, 2, len(xy))))
    return made


def moves(tables, paired):
    """Median motion (n, 2), px, of every paired frame from the reference, and its frame (n,)."""
    own = paired.reference
    frames = [k for k, p in enumerate(paired.pairs) if len(p) and k != own]
    away = [
        np.median(tables[k].xy[p[:, 1]] - tables[own].xy[p[:, 0]], axis=0)
        for k in frames
        for p in [paired.pairs[k]]
    ]
    return np.array(away).reshape(-1, 2), np.array(frames, dtype=int)


@examples(12)
@given(st.integers(0, 10**6), st.integers(10, 60), st.integers(10, 60))
def test_lamps_are_flagged_and_stars_are_not(seed, lamps, stars):
    tables = session(seed, lamps, stars)
    rng = np.random.default_rng([seed, lamps, stars])
    still = rng.uniform([0, 450], [1000, 745], (lamps, 2))
    for one, flags in zip(tables, static_flags(tables), strict=True):
        near = np.hypot(*(one.xy[:, None] - still[None]).transpose(2, 0, 1)).min(axis=1) < 0.5
        assert flags[near].mean() > 0.95
        assert flags[~near].mean() < 0.15


@examples(12)
@given(st.integers(0, 10**6), st.integers(0, 80), st.integers(10, 60))
def test_a_moving_sky_is_followed_however_many_lamps_stay(seed, lamps, stars):
    tables = session(seed, lamps, stars)
    paired = pair_all(tables)
    away, frames = moves(tables, paired)
    assert len(frames) == 5
    true = (frames - paired.reference)[:, None] * STEP
    assert np.abs(away - true).max() < 0.3


@examples(12)
@given(st.integers(0, 10**6), st.integers(0, 40), st.integers(8, 60))
def test_pairs_are_rows_of_both_tables_each_once(seed, lamps, stars):
    tables = session(seed, lamps, stars, frames=4)
    paired = pair_all(tables)
    for k, pairs in enumerate(paired.pairs):
        assert np.isin(pairs[:, 0], paired.kept[paired.reference]).all()
        assert np.isin(pairs[:, 1], paired.kept[k]).all()
        assert len(np.unique(pairs[:, 0])) == len(np.unique(pairs[:, 1])) == len(pairs)
        assert np.isnan(paired.chances[k]) == (len(pairs) == 0)


def unrelated(seed):
    """A field of lamps, every frame under another sky: what stays is less than two thirds."""
    rng = np.random.default_rng([seed, 5])
    lamps = int(rng.integers(6, 25))
    still = rng.uniform([0, 400], [1000, 745], (lamps, 2))
    made = []
    for _ in range(4):
        other = rng.uniform(0, SIZE, (int(rng.integers(lamps, 2 * lamps + 6)), 2))
        xy = np.concatenate([still + rng.normal(0, 0.05, still.shape), other])
        made.append(table(xy, rng.uniform(1, 2, len(xy))))
    return made


@pytest.mark.parametrize(
    "seeds", [range(30), pytest.param(range(30, 200), marks=pytest.mark.slow)], ids=["30", "200"]
)
def test_two_hundred_fields_of_lamps_align_nothing(seeds):
    for seed in seeds:
        tables = unrelated(seed)
        _, frames = moves(tables, pair_all(tables))
        assert len(frames) == 0, seed


@pytest.mark.parametrize("step", [(0.0, 0.0), (0.03, 0.01)])
def test_a_sky_that_hardly_moves_is_kept(step):
    """Copies, a mount that follows, a lens too short: everything stays, and is the sky."""
    tables = session(7, 0, 60, step=step)
    paired = pair_all(tables)
    away, frames = moves(tables, paired)
    assert len(frames) == 5
    assert np.abs(away - (frames - paired.reference)[:, None] * np.array(step)).max() < 0.1
    assert min(len(p) for p in paired.pairs) > 50


def test_a_rich_frame_of_another_sky_is_no_reference():
    tables = session(8, 0, 40)
    rng = np.random.default_rng(9)
    tables[3] = table(rng.uniform(0, SIZE, (400, 2)))  # near the middle, and ten times the stars
    paired = pair_all(tables)
    assert paired.reference != 3
    assert [len(p) > 0 for p in paired.pairs] == [True, True, True, False, True, True]


def test_frames_without_stars_have_no_pairs():
    tables = session(10, 0, 30)
    tables[1] = table(np.zeros((0, 2)))
    tables[4] = table(tables[4].xy[:5])
    paired = pair_all(tables)
    assert [len(p) > 0 for p in paired.pairs] == [True, False, True, True, False, True]


def test_a_turned_night_is_paired_star_by_star():
    """The simulator's own stars: what is paired lies where the true mapping puts it."""
    from benchmarks import truth

    sky = night(seed=111, portrait_frame=5, frames=8)
    tables = star_tables(sky, false=0.4)
    paired = pair_all(tables)
    for k, pairs in enumerate(paired.pairs):
        there = truth.carry(sky, tables[paired.reference].xy[pairs[:, 0]], paired.reference, k)
        away = np.hypot(*(there - tables[k].xy[pairs[:, 1]]).T)
        assert len(pairs) > 50
        assert np.mean(away < 1) > 0.98


@examples(8)
@given(st.integers(0, 10**6), st.integers(0, 3))
def test_a_cut_frame_is_the_reference_only_where_no_other_will_do(seed, cut):
    tables = session(seed, 0, 30, frames=4)
    usual = pair_all(tables).reference
    shares = [0.7 if k == usual else 1.0 for k in range(len(tables))]
    assert pair_all(tables, shares).reference != usual
    empty = [table if k == usual else select(table, np.zeros(0, int)) for k, table in
             enumerate(tables)]  # fmt: skip
    assert pair_all(empty, shares).reference == usual
    shares = [0.5 if k != cut else 0.9 for k in range(len(tables))]
    assert pair_all(tables, shares).reference == usual  # all are cut: as if none were
