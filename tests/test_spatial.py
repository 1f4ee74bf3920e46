"""Triangles by hand, neighbours as scipy finds them, residuals foretold by those around."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from scipy.spatial import cKDTree

from stackkit.align.spatial import around, gridded, mutual, smoothed, usual
from stackkit.align.triangles import triangles

FIELD = np.array([1200.0, 900.0])


def field(rng, count):
    return rng.uniform([0, 0], FIELD, (count, 2))


def test_invariants_are_the_published_ratios():
    """Groth 1986 and Valdes et al. 1995: ratios of sides, on a 3-4-5 triangle worked by hand."""
    found = triangles(np.array([[0.0, 0.0], [30.0, 0.0], [0.0, 40.0]]))
    assert found.ratios == pytest.approx(np.array([[40 / 50, 30 / 50]]))
    assert found.longest == pytest.approx([50.0])
    # Vertices opposite the longest, the middle and the shortest side.
    assert found.vertices.tolist() == [[0, 1, 2]]


@examples(40)
@given(st.floats(-3.1, 3.1), st.floats(0.5, 3.0), st.integers(0, 1000))
def test_ratios_do_not_change_with_turning_and_scale(angle, scale, seed):
    stars = field(np.random.default_rng(seed), 12)
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    moved = stars @ np.array([[c, s], [-s, c]]) + [1000.0, -500.0]
    one, other = triangles(stars), triangles(moved)
    if len(one.ratios) == len(other.ratios):  # the smallest triangles are left out by size
        assert np.abs(one.ratios - other.ratios).max() < 1e-9
        assert (one.clockwise == other.clockwise).all()


def test_triangles_grow_linearly_with_the_stars():
    rng = np.random.default_rng(1)
    few, many = (len(triangles(field(rng, n)).vertices) for n in (200, 2000))
    assert many < 11 * few


@examples(25)
@given(st.integers(2, 300), st.integers(0, 10**6), st.floats(0.1, 100.0))
def test_neighbours_are_those_of_scipy(count, seed, clump):
    """scipy.spatial.cKDTree on the same points, some of them in a clump."""
    rng = np.random.default_rng(seed)
    xy = np.concatenate([field(rng, count), rng.normal(300, clump, (count // 2, 2))])
    wanted = min(9, len(xy))
    ours = around(gridded(xy), wanted)
    theirs = cKDTree(xy).query(xy, k=wanted)[0]
    assert np.allclose(np.hypot(*(xy[ours] - xy[:, None]).T).T, theirs)
    assert (around(gridded(xy), wanted, np.array([1, 0])) == ours[[1, 0]]).all()
    places = field(rng, 50) * 1.4 - 100
    pairs, distance = mutual(gridded(xy), places, 60.0)
    away, nearest = cKDTree(xy).query(places)
    assert np.allclose(distance, away[pairs[:, 0]])
    assert len(pairs) == len(np.unique(nearest[away <= 60.0]))


def test_what_bends_smoothly_is_foretold_and_a_stray_one_is_not():
    rng = np.random.default_rng(5)
    xy = field(rng, 300)
    bend = np.stack([0.01 * xy[:, 0] - 0.02 * xy[:, 1], 3 + 0.03 * xy[:, 1]], axis=1)
    values = bend.copy()
    values[::3] = np.nan
    values[1] += 40.0
    near = around(gridded(xy), 21)
    away = np.hypot(*(smoothed(xy, near, values, 8) - bend).T)
    touched = (near[:, :16] == 1).any(axis=1)
    assert np.median(away) < 0.15  # the pull towards no slope, at the picture's edge most
    assert away[1] < 1.5  # its own error has no say
    assert away[~touched].max() < 3.0
    column = np.where(np.isnan(values[:, 0]), np.nan, 1.0)
    column[1] = 9.0
    assert (usual(near, column, 9) == 1.0).all()
