import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import AffineTransform, ProjectiveTransform

from stackkit.matching import apply_plane, chance_of, fit_plane, match, triangles

FIELD = np.array([1200.0, 900.0])


def field(rng, count):
    return rng.uniform([0, 0], FIELD, (count, 2))


def seen(rng, stars, false, angle=0.02, scale=1.0, shift=(25.0, -14.0), noise=0.1):
    """A second view of ``stars`` (brightest first): turned, with noise and ``false`` extras."""
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    turned = (stars - FIELD / 2) @ np.array([[c, s], [-s, c]]) + FIELD / 2 + shift
    turned = turned + rng.normal(0, noise, turned.shape)
    both = np.concatenate([turned, field(rng, false)])
    # Brightest first, as far as noise lets a frame tell; false ones of any brightness.
    rank = np.concatenate([np.arange(len(stars)), rng.uniform(0, len(stars), false)])
    order = np.argsort(rank + rng.normal(0, 3, len(rank)))
    truth = np.full(len(both), -1)
    truth[: len(stars)] = np.arange(len(stars))
    return both[order], truth[order]


def right_pairs(found, truth):
    return truth[found.pairs[:, 1]] == found.pairs[:, 0]


def test_invariants_are_the_published_ratios():
    """Groth 1986 and Valdes et al. 1995: ratios of sides, on a 3-4-5 triangle worked by hand."""
    found = triangles(np.array([[0.0, 0.0], [30.0, 0.0], [0.0, 40.0]]))
    assert found.ratios == pytest.approx(np.array([[40 / 50, 30 / 50]]))
    # Vertices opposite the longest, the middle and the shortest side.
    assert found.vertices.tolist() == [[0, 1, 2]]


@settings(max_examples=40, deadline=None)
@given(st.floats(-3.1, 3.1), st.floats(0.3, 3.0), st.integers(0, 1000))
def test_ratios_do_not_change_with_turning_and_scale(angle, scale, seed):
    stars = field(np.random.default_rng(seed), 12)
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    moved = stars @ np.array([[c, s], [-s, c]]) * 1.0 + [1000.0, -500.0]
    one, other = triangles(stars), triangles(moved)
    if len(one.ratios) == len(other.ratios):  # the smallest triangles are left out by size
        assert np.abs(one.ratios - other.ratios).max() < 1e-9
        assert (one.clockwise == other.clockwise).all()


def test_triangles_grow_linearly_with_the_stars():
    rng = np.random.default_rng(1)
    few, many = (len(triangles(field(rng, n)).vertices) for n in (200, 2000))
    assert many < 11 * few


@pytest.mark.parametrize("angle", [0.02, np.pi / 2, np.pi, -2.1])
@pytest.mark.parametrize("scale", [1.0, 0.98, 1.02])
def test_turned_and_scaled_frames_match(angle, scale):
    rng = np.random.default_rng(3)
    stars = field(rng, 120)
    other, truth = seen(rng, stars, 40, angle, scale)
    found = match(stars, other)
    assert found is not None
    assert len(found.pairs) > 0.9 * 120
    assert right_pairs(found, truth).mean() > 0.97


@pytest.mark.parametrize("seed", range(8))
def test_six_common_stars_and_sixty_percent_false_ones(seed):
    rng = np.random.default_rng(seed)
    common = field(rng, 12)
    one = np.concatenate([common, field(rng, 18)])
    other, truth = seen(rng, common, 18, shift=(6.0, 3.0))
    found = match(one, other)
    assert found is not None
    assert right_pairs(found, truth).mean() > 0.8


def test_dense_fields_match():
    rng = np.random.default_rng(9)
    stars = field(rng, 1500)
    other, truth = seen(rng, stars, 300)
    found = match(stars, other)
    assert found is not None
    assert right_pairs(found, truth).mean() > 0.9


def test_unrelated_fields_are_refused():
    rng = np.random.default_rng(11)
    for count in (8, 30, 100, 400):
        for _ in range(10):
            assert match(field(rng, count), field(rng, count)) is None


def test_mirrored_fields_are_refused():
    rng = np.random.default_rng(12)
    stars = field(rng, 100)
    assert match(stars, stars * [-1, 1] + [FIELD[0], 0]) is None


def test_too_few_stars_are_refused():
    assert match(np.zeros((5, 2)), np.zeros((5, 2))) is None


def test_chance_is_the_rate_at_which_unrelated_stars_fall_together():
    """The tail that the formula gives, against counting on random fields (hypotheses aside)."""
    rng = np.random.default_rng(4)
    tolerance, count = 12.0, 60
    hits = []
    for _ in range(5000):
        a, b = field(rng, count), field(rng, count)
        near = np.hypot(*(a[:, None] - b[None]).transpose(2, 0, 1)).min(axis=1) <= tolerance
        hits.append(int(near.sum()))
    wanted = 6
    counted = np.mean(np.array(hits) >= wanted)
    # Four pairs are given to the homography and 120 hypotheses are counted in.
    formula = chance_of(wanted + 4, field(rng, count), field(rng, count), tolerance) / 120
    assert 0.5 < formula / counted < 2.0


def test_plane_fit_recovers_a_homography():
    rng = np.random.default_rng(2)
    matrix = np.array([[1.0, 0.03, 4.0], [-0.02, 1.01, 7.0], [2e-6, 1e-6, 1.0]])
    stars = field(rng, 30)
    fitted = fit_plane(stars, apply_plane(matrix, stars))
    assert fitted is not None
    assert np.abs(fitted / fitted[2, 2] - matrix).max() < 1e-6
    assert fit_plane(np.ones((6, 2)), np.ones((6, 2))) is None


@pytest.mark.parametrize(("count", "kind"), [(25, ProjectiveTransform), (10, AffineTransform)])
def test_plane_fit_equals_scikit_image(count, kind):
    """scikit-image's estimators on the same noisy pairs give the same transform."""
    rng = np.random.default_rng(8)
    stars = field(rng, count)
    other = seen(rng, stars, 0, noise=0.1)
    moved = other[0][np.argsort(other[1])]
    theirs = kind.from_estimate(stars, moved) if hasattr(kind, "from_estimate") else kind()
    if not hasattr(kind, "from_estimate"):
        theirs.estimate(stars, moved)
    ours = apply_plane(fit_plane(stars, moved), stars)
    assert np.abs(ours - theirs(stars)).max() < 0.02
