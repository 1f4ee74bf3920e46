"""A frame placed by where its stars must be, and refused where they are not."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from scipy.spatial.transform import Rotation
from star_sessions import SIZE

from stackkit.align.matching import MOST_CHANCE
from stackkit.align.predict import placed_near
from stackkit.geometry.lens import Lens, project, reaching

LENS = reaching(Lens(675.0, 499.5, 374.5, -0.06, 0.02), *SIZE)


def known(seed, count=300):
    rng = np.random.default_rng(seed)
    rays = np.stack([*rng.uniform(-0.7, 0.7, (2, count)), np.ones(count)], axis=1)
    return rays / np.linalg.norm(rays, axis=1, keepdims=True)


def frame(seed, rays, turn, stars, false):
    """Detections (N, 2): so many true stars and false ones in between, shuffled."""
    rng = np.random.default_rng([seed, 1])
    xy = project(LENS, rays @ turn.T)
    xy = xy[((xy > 2) & (xy < np.array(SIZE) - 3)).all(axis=1)]
    xy = xy[rng.choice(len(xy), stars, replace=False)] + rng.normal(0, 0.05, (stars, 2))
    return rng.permutation(np.concatenate([xy, rng.uniform(0, SIZE, (false, 2))]))


def away_by(rng, px):
    """A small rotation (scipy) that moves the picture's middle by about so many px."""
    angle = rng.uniform(0, 2 * np.pi)
    tilt = px / LENS.f * np.array([np.cos(angle), np.sin(angle)])
    return Rotation.from_rotvec([*tilt, 0.2 * px / LENS.f]).as_matrix()


@examples(40)
@given(st.integers(0, 10**6), st.integers(8, 60), st.floats(0, 0.4), st.floats(0, 8))
def test_stars_near_their_prediction_place_a_frame(seed, stars, false, off):
    rng = np.random.default_rng(seed)
    rays, turn = known(seed), Rotation.from_rotvec(rng.normal(0, 0.01, 3)).as_matrix()
    xy = frame(seed, rays, turn, stars, round(stars * false / (1 - false)))
    found = placed_near(xy, rays, LENS, away_by(rng, off) @ turn, SIZE)
    assert found is not None
    assert found[1] < MOST_CHANCE
    assert np.abs(found[0] @ found[0].T - np.eye(3)).max() < 1e-9
    gap = project(LENS, rays @ found[0].T) - project(LENS, rays @ turn.T)
    assert np.median(np.hypot(*gap.T)) < 0.3


def test_the_chance_falls_with_every_star():
    rays, turn = known(1), np.eye(3)
    chances = [placed_near(frame(1, rays, turn, n, 5), rays, LENS, turn, SIZE) for n in (8, 12, 20)]
    assert chances[0][1] > chances[1][1] > chances[2][1]


@pytest.mark.parametrize("rows", [False, True], ids=["scattered", "lamps in rows"])
def test_unrelated_fields_are_refused(rows):
    for seed in range(250):
        rng = np.random.default_rng([seed, 11])
        count = int(rng.integers(6, 120))
        xy = rng.uniform(0, SIZE, (count, 2))
        if rows:
            xy[: count // 2, 1] = 600 + rng.normal(0, 2, count // 2)
        rays = known(seed, int(rng.integers(50, 500)))
        assert placed_near(xy, rays, LENS, np.eye(3), SIZE) is None, seed


def test_crowded_fields_that_coincide_by_chance_are_refused():
    """So many stars that some dozen lie together whatever the shift: that proves nothing."""
    for seed in range(40):
        xy = np.random.default_rng([seed, 12]).uniform(0, SIZE, (400, 2))
        assert placed_near(xy, known(seed, 3000), LENS, np.eye(3), SIZE) is None, seed


def test_what_lies_far_from_the_prediction_is_refused():
    for seed in range(20):
        rays = known(seed)
        xy = frame(seed, rays, np.eye(3), 12, 4)
        off = away_by(np.random.default_rng(seed), 60.0)
        assert placed_near(xy, rays, LENS, off, SIZE) is None


def test_too_few_stars_say_nothing():
    rays, turn = known(2), np.eye(3)
    assert placed_near(frame(2, rays, turn, 5, 0), rays, LENS, turn, SIZE) is None
    assert placed_near(frame(2, rays, turn, 20, 0), rays[:5], LENS, turn, SIZE) is None
    assert placed_near(np.zeros((0, 2)), rays, LENS, turn, SIZE) is None
    behind = rays * [1, 1, -1]
    assert placed_near(frame(2, rays, turn, 20, 0), behind, LENS, turn, SIZE) is None
