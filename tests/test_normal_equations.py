"""Sums and elimination against plain dense linear algebra (numpy)."""

from __future__ import annotations

import numpy as np
import pytest

from stackkit.align.normal_equations import gathered, reduced, summed

FRAMES, STARS, LENS, OWN, EXTRA = 4, 6, 3, 2, 1


def system(seed=0):
    rng = np.random.default_rng(seed)
    frame, star = (a.ravel() for a in np.meshgrid(np.arange(FRAMES), np.arange(STARS)))
    frame, star = frame.astype(np.int64), star.astype(np.int64)
    jacobians = tuple(rng.normal(size=(len(frame), 2, n)) for n in (LENS, OWN, 2))
    error = rng.normal(size=(len(frame), 2))
    # Everything as one design matrix: lens, frames, further unknowns, stars.
    cameras = LENS + OWN * FRAMES + EXTRA
    dense = np.zeros((2 * len(frame), cameras + 2 * STARS))
    for m, (k, s) in enumerate(zip(frame, star, strict=True)):
        rows = slice(2 * m, 2 * m + 2)
        dense[rows, :LENS] = jacobians[0][m]
        dense[rows, LENS + OWN * k : LENS + OWN * (k + 1)] = jacobians[1][m]
        dense[rows, cameras + 2 * s : cameras + 2 * s + 2] = jacobians[2][m]
    normal = gathered((frame, star), jacobians, error, (FRAMES, STARS, EXTRA))
    return normal, dense, error.ravel(), cameras


def test_sums_are_those_of_the_dense_system():
    normal, dense, error, cameras = system()
    whole = dense.T @ dense
    assert np.abs(normal.h - whole[:cameras, :cameras]).max() < 1e-10
    assert np.abs(normal.g - (dense.T @ error)[:cameras]).max() < 1e-10
    for s in range(STARS):
        at = slice(cameras + 2 * s, cameras + 2 * s + 2)
        assert np.abs(normal.w[s] - whole[:cameras, at]).max() < 1e-10
        assert np.abs(normal.v[s] - whole[at, at]).max() < 1e-10


def test_elimination_gives_the_step_of_the_whole_system():
    normal, dense, error, cameras = system(1)
    h, g = reduced(normal, 0.0)
    own = np.arange(cameras - EXTRA)  # the further unknown is in no observation
    step = np.linalg.solve(h[np.ix_(own, own)], g[own])
    seen = np.concatenate([own, np.arange(cameras, dense.shape[1])])
    theirs = np.linalg.lstsq(dense[:, seen], error, rcond=None)[0]
    assert step == pytest.approx(theirs[: len(own)], rel=1e-5, abs=1e-7)


def test_sums_by_number():
    values = np.arange(12.0).reshape(4, 3)
    assert summed(np.array([0, 2, 2, 0]), values, 3).tolist() == [
        [9, 11, 13],
        [0, 0, 0],
        [9, 11, 13],
    ]
