import json
from functools import lru_cache

import numpy as np
import pytest
from grids import corners
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples
from skimage import transform
from skimage.measure import ransac

from stackkit.align.warps import Model, PolynomialMapping, best_warp, one_to_one
from stackkit.geometry.mapping import plane_mapping
from stackkit.record.geometry import polynomial_record

SIZE = (2000, 1500)
MIDDLE = np.array([999.5, 749.5])
NOISE = 0.1


class Cubic(transform.PolynomialTransform):
    @classmethod
    def from_estimate(cls, a, b):
        return super().from_estimate(a, b, order=3)


ESTIMATORS = {
    Model.SIMILARITY: (transform.SimilarityTransform, 2),
    Model.AFFINE: (transform.AffineTransform, 3),
    Model.HOMOGRAPHY: (transform.ProjectiveTransform, 4),
    Model.QUADRATIC: (transform.PolynomialTransform, 6),
    Model.CUBIC: (Cubic, 10),
}
"""scikit-image's transform of the same kind, and how many pairs determine it."""


def grid(margin=0.0):
    x, y = (np.linspace(-margin * n, (1 + margin) * n - 1, 31) for n in SIZE)
    return np.stack(np.meshgrid(x, y), axis=-1)


def truth(model, seed, bend=10.0):
    """A warp as of a phone: turned, shifted, scaled, bent by about ``bend`` px at the rim."""
    rng = np.random.default_rng(seed)
    angle, scale = rng.uniform(-0.1, 0.1) + np.pi / 2 * (seed % 2), rng.uniform(0.95, 1.05)
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift, plane, tilt = rng.uniform(-60, 60, 2), rng.normal(size=(2, 2)), rng.normal(size=2)
    second, third = rng.normal(size=(2, 3)), rng.normal(size=(2, 4))

    def there(xy):
        p = (np.asarray(xy) - MIDDLE) / 1000
        x, y = p[..., 0], p[..., 1]
        if model is Model.AFFINE:
            p = p + bend / 1000 * p @ plane.T
        if model is Model.HOMOGRAPHY:
            p = p / (1 + bend / 1000 * p @ tilt)[..., None]
        if model in (Model.QUADRATIC, Model.CUBIC):
            p = p + bend / 1000 * np.stack([x * x, x * y, y * y], axis=-1) @ second.T
        if model is Model.CUBIC:
            p = p + bend / 1000 * np.stack([x**3, x * x * y, x * y * y, y**3], axis=-1) @ third.T
        return MIDDLE + shift + 1000 * p @ turn.T

    return there


def pairs(there, count, seed, noise=NOISE):
    """Stars all over the reference, where they lie in the frame, their errors."""
    rng = np.random.default_rng([seed, count])
    a = rng.uniform(0, np.array(SIZE) - 1, (count, 2))
    return a, there(a) + rng.normal(0, noise, (count, 2)), np.full(count, noise)


def with_wrong(b, share, seed, reach=None):
    """The same with a share of wrong partners, anywhere or up to ``reach`` px away."""
    rng, b = np.random.default_rng([seed, 7]), b.copy()
    chosen = rng.permutation(len(b))[: round(share * len(b))]
    anywhere = rng.uniform(0, SIZE, (len(chosen), 2))
    near = b[chosen] + rng.uniform(-1.0, 1.0, (len(chosen), 2)) * (reach or 0)
    b[chosen] = anywhere if reach is None else near
    return b


def error(mapping, there):
    away = mapping(grid().reshape(-1, 2)) - there(grid().reshape(-1, 2))
    return float(np.sqrt((away**2).sum(axis=1).mean()))


def polynomial(seed, degree=3, bend=0.03, low=(-1.0, -0.75), high=(1.0, 0.75)):
    """A random polynomial over the rectangle; ``bend`` in halves of the picture's width."""
    rng = np.random.default_rng(seed)
    table = bend * rng.uniform(-1, 1, (degree + 1, degree + 1, 2))
    table[np.add.outer(range(degree + 1), range(degree + 1)) > degree] = 0
    angle = rng.uniform(-np.pi, np.pi)
    table[1, 0] += np.cos(angle), np.sin(angle)
    table[0, 1] += -np.sin(angle), np.cos(angle)
    return PolynomialMapping(table, MIDDLE, 1000.0, np.array(low), np.array(high))


@examples(40)
@given(
    seed=st.integers(0, 2**32 - 1),
    degree=st.integers(2, 3),
    bend=st.floats(0, 0.08),
    rim=st.floats(0.3, 1.2),
)
def test_polynomial_inverts_to_a_millionth_of_a_pixel(seed, degree, bend, rim):
    mapping = polynomial(seed, degree, bend, (-rim, -rim), (rim, 0.8 * rim))
    places = grid(margin=0.1)
    if one_to_one(mapping, SIZE):
        assert np.abs(mapping.to_reference(mapping.from_reference(places)) - places).max() < 1e-6
        there = places + 30.0
        assert np.abs(mapping.from_reference(mapping.to_reference(there)) - there).max() < 1e-6


def test_random_polynomials_of_a_phone_are_one_to_one():
    """Otherwise the test above would say nothing."""
    assert all(one_to_one(polynomial(seed), SIZE) for seed in range(100))


def test_polynomial_equals_that_of_numpy_inside_and_its_tangent_outside():
    """numpy.polynomial: an independent evaluation of the same terms."""
    mapping = polynomial(3)
    x, y = 0.4, -0.3
    theirs = np.polynomial.polynomial.polyval2d(x, y, mapping.coefficients)
    place = MIDDLE + 1000 * np.array([x, y])
    assert np.abs(mapping.from_reference(place) - (MIDDLE + 1000 * theirs)).max() < 1e-9
    # From the rim outwards along one line: no second difference.
    out = np.array([[2000.0 + 50 * k, 700.0] for k in range(4)])
    assert np.abs(np.diff(mapping.from_reference(out), 2, axis=0)).max() < 1e-9


def test_slope_has_no_step_where_the_polynomial_ends():
    mapping, h = polynomial(4), 1e-3
    for rim in MIDDLE + np.array([[1000.0, 300.0], [-200.0, 750.0], [1000.0, 750.0]]):
        for way in (np.array([h, 0.0]), np.array([0.0, h])):
            before, at, after = mapping.from_reference(np.array([rim - way, rim, rim + way]))
            assert np.abs((after - at) - (at - before)).max() / h < 1e-5


def test_shapes_are_kept():
    mapping = polynomial(5)
    for shape in ((2,), (0, 2), (3, 2), (4, 5, 2)):
        assert mapping.from_reference(np.ones(shape)).shape == shape
        assert mapping.to_reference(np.ones(shape)).shape == shape


def test_record_is_plain_and_complete():
    mapping = polynomial(6)
    plain = json.loads(json.dumps(polynomial_record(mapping)))
    arrays = {k: v if k == "unit" else np.array(v) for k, v in plain.items()}
    again = PolynomialMapping(**arrays)
    assert np.array_equal(again.from_reference(grid()), mapping.from_reference(grid()))


def test_fold_and_mirror_are_told():
    fold = polynomial(7, bend=0.0)
    fold.coefficients[2, 0] = 0.6 * fold.coefficients[1, 0]
    assert not one_to_one(fold, SIZE)
    assert not one_to_one(plane_mapping(np.diag([-1.0, 1.0, 1.0])), SIZE)
    horizon = np.array([[1, 0, 0], [0, 1, 0], [-1 / 1500, 0, 1.0]])
    assert not one_to_one(plane_mapping(horizon), SIZE)
    assert one_to_one(plane_mapping(np.eye(3)), SIZE)


@pytest.mark.parametrize("model", list(Model))
def test_exact_pairs_give_what_scikit_image_gives(model):
    """Without noise the least squares of scikit-image and ours are the same mapping."""
    estimator, _ = ESTIMATORS[model]
    a, b, _ = pairs(truth(model, 1), 60, 1, noise=0.0)
    warp = best_warp(a, b, np.full(60, NOISE), SIZE)
    theirs = estimator.from_estimate(a, b)
    assert warp.model is model
    assert warp.residual < 1e-6
    assert np.abs(warp.mapping.from_reference(a) - theirs(a)).max() < 1e-5
    assert np.abs(warp.mapping.to_reference(b) - a).max() < 1e-6


@pytest.mark.parametrize("model", corners(Model, [Model.HOMOGRAPHY]))
def test_no_worse_than_ransac_with_the_right_model_given(model):
    """scikit-image's ransac on the same pairs, a fifth of them wrong; unseen places judge."""
    estimator, least = ESTIMATORS[model]
    ours, theirs = [], []
    for seed in range(12):
        there = truth(model, seed)
        a, b, sigma = pairs(there, 60, seed)
        b = with_wrong(b, 0.2, seed)
        ours.append(error(best_warp(a, b, sigma, SIZE).mapping.from_reference, there))
        found, _ = ransac((a, b), estimator, least, 4 * NOISE, max_trials=150, rng=seed)
        theirs.append(error(found, there))
    # Told the model and the noise, ransac ends in least squares: Tukey's weights cost 2.5 %.
    assert np.median(ours) <= 1.03 * np.median(theirs)
    assert max(ours) <= max(1.03 * max(theirs), 2 * NOISE)


@pytest.mark.parametrize(
    ("count", "seeds"),
    [
        (40, range(3)),
        pytest.param(40, range(5), marks=pytest.mark.slow),
        pytest.param(200, range(5), marks=pytest.mark.slow),
    ],
)
def test_the_right_model_is_chosen(count, seeds):
    chosen = [
        best_warp(*pairs(truth(model, seed), count, seed), SIZE).model is model
        for model in Model
        for seed in seeds
    ]
    assert np.mean(chosen) > 0.9


def test_what_is_as_good_gives_way_to_what_is_simpler():
    a, _, sigma = pairs(truth(Model.SIMILARITY, 0), 60, 0)
    warp = best_warp(a, a, sigma, SIZE)
    assert warp.model is Model.SIMILARITY
    assert set(warp.residuals) == set(Model)


@lru_cache
def chosen_of_clean_pairs(model):
    return best_warp(*pairs(truth(model, 11), 100, 11), SIZE).model


@pytest.mark.parametrize("model", list(Model))
@pytest.mark.parametrize("reach", [None, 5.0])
def test_wrong_pairs_do_not_matter(model, reach):
    there = truth(model, 11)
    a, b, sigma = pairs(there, 100, 11)
    spoilt = best_warp(a, with_wrong(b, 0.3, 11, reach), sigma, SIZE)
    assert spoilt.model is chosen_of_clean_pairs(model)
    assert error(spoilt.mapping.from_reference, there) < 2 * NOISE


def test_lamps_that_stay_put_do_not_matter():
    there = truth(Model.CUBIC, 12)
    a, b, sigma = pairs(there, 100, 12)
    b[:30] = a[:30]
    assert error(best_warp(a, b, sigma, SIZE).mapping.from_reference, there) < 2 * NOISE


def test_residual_is_that_of_unseen_pairs():
    """Median of a plane Gaussian's distance: σ √(2 ln 2) (Rayleigh)."""
    for model in (Model.SIMILARITY, Model.QUADRATIC):
        warp = best_warp(*pairs(truth(model, 13), 400, 13), SIZE)
        assert warp.residual == pytest.approx(NOISE * np.sqrt(2 * np.log(2)), rel=0.12)
    assert warp.residuals[Model.SIMILARITY] > 5 * warp.residual


def test_the_order_of_the_pairs_is_all_one():
    a, b, sigma = pairs(truth(Model.QUADRATIC, 14), 50, 14)
    shuffled = np.random.default_rng(14).permutation(50)
    one, two = best_warp(a, b, sigma, SIZE), best_warp(a[shuffled], b[shuffled], sigma, SIZE)
    assert one.residuals == two.residuals
    assert np.array_equal(one.mapping.coefficients, two.mapping.coefficients)


def test_six_pairs_make_a_similarity_and_five_nothing():
    there = truth(Model.SIMILARITY, 15)
    a, b, sigma = pairs(there, 6, 15)
    warp = best_warp(a, b, sigma, SIZE)
    assert warp.model is Model.SIMILARITY
    assert error(warp.mapping.from_reference, there) < 5 * NOISE
    assert best_warp(a[:5], b[:5], sigma[:5], SIZE) is None


def test_no_model_has_more_parameters_than_the_pairs_can_bear():
    for count, most in ((7, Model.SIMILARITY), (9, Model.AFFINE), (14, Model.HOMOGRAPHY)):
        warp = best_warp(*pairs(truth(Model.CUBIC, 16), count, 16), SIZE)
        assert set(warp.residuals) <= set(list(Model)[: list(Model).index(most) + 1])


@pytest.mark.parametrize("count", [6, 12, 40])
def test_mirrored_frames_are_refused(count):
    for seed in range(5):
        a, b, sigma = pairs(truth(Model.AFFINE, seed), count, seed)
        assert best_warp(a, b * [-1, 1] + [2000, 0], sigma, SIZE) is None


@pytest.mark.parametrize("count", [6, 12, 40])
def test_points_on_a_line_or_in_one_place_determine_nothing(count):
    there = truth(Model.SIMILARITY, 17)
    for seed in range(5):
        rng = np.random.default_rng(seed)
        line = MIDDLE + rng.uniform(-500, 500, (count, 1)) * rng.uniform(-1, 1, 2)
        for exact in (line, np.tile(line[:1], (count, 1))):
            for noise in (0.0, NOISE):
                a, b = exact + rng.normal(0, noise, exact.shape), there(exact)
                assert best_warp(a, b, np.full(count, NOISE), SIZE) is None


def test_a_folded_picture_is_no_polynomial():
    """A quadratic fits these pairs exactly, but shows the picture's left tenth twice."""
    a, _, sigma = pairs(truth(Model.SIMILARITY, 18), 60, 18)
    folded = np.stack([(a[:, 0] - 200) ** 2 / 2000, a[:, 1]], axis=1)
    warp = best_warp(a, folded, sigma, SIZE)
    assert not {Model.QUADRATIC, Model.CUBIC} & set(warp.residuals)
    assert one_to_one(warp.mapping, SIZE)


def test_stars_in_one_corner_do_not_bend_the_rest():
    """What the corner does not determine is continued along its tangent, without folds."""
    there = truth(Model.QUADRATIC, 19)
    a = pairs(there, 60, 19)[0] * 0.3
    b = there(a) + np.random.default_rng(19).normal(0, NOISE, a.shape)
    warp = best_warp(a, b, np.full(60, NOISE), SIZE)
    assert warp.residual < 2 * NOISE
    assert one_to_one(warp.mapping, SIZE)
    assert np.abs(warp.mapping.from_reference(a) - there(a)).max() < 3 * NOISE
