"""The methods that know the noise, and winsorising, held against statsmodels and scipy."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from blocks import block, gaussian, night_cube
from scipy.stats import norm
from scipy.stats.mstats import winsorize
from statsmodels.robust.scale import Huber

from stackkit.integration import kernels
from stackkit.integration.methods import (
    METHODS,
    SETTLING,
    huber,
    mean,
    noise_model,
    sigma_clip,
    tukey,
    winsorised,
    with_parameters,
)
from stackkit.sorting import sorting_network

# M-estimators


def by_statsmodels(norm, values, deviations):
    """Outside reference: statsmodels.RLM of a constant at given deviations, from the median.

    Divided by their deviations, values and the constant alike, all have the scale 1.
    """
    model = sm.RLM(values / deviations, 1 / deviations, M=norm)
    start = [np.median(values)]
    return model.fit(
        start_params=start, start_scale=1.0, update_scale=False, maxiter=200, tol=1e-10
    ).params[0]


ESTIMATORS = [(tukey, sm.robust.norms.TukeyBiweight(4.685)), (huber, sm.robust.norms.HuberT(1.345))]


@pytest.mark.parametrize(("estimator", "norm"), ESTIMATORS)
@pytest.mark.parametrize("frames", [3, 4, 5, 8, 24])
@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning:statsmodels")  # of its covariance
def test_estimators_are_those_of_statsmodels(estimator, norm, frames):
    values = gaussian(frames, np.full(frames, 8.0), 60)
    values += 50 * (np.random.default_rng(frames).random(values.shape) < 0.1)
    ours = estimator(block(values, 64.0))[0]
    theirs = [
        by_statsmodels(norm, column.astype(float), np.full(frames, 8.0)) for column in values.T
    ]
    np.testing.assert_allclose(ours, theirs, atol=0.01)


@pytest.mark.parametrize(("estimator", "norm"), ESTIMATORS)
def test_estimators_of_unequal_noise_are_those_of_statsmodels(estimator, norm):
    deviations = np.linspace(4, 12, 11)
    values = gaussian(20, deviations, 60)
    values[2] += 60
    samples = block(values, np.float32(deviations**2)[:, None], 1 / deviations**2)
    ours = estimator(samples)[0]
    theirs = [by_statsmodels(norm, column.astype(float), deviations) for column in values.T]
    np.testing.assert_allclose(ours, theirs, atol=0.01)


@pytest.mark.parametrize(("estimator", "norm"), ESTIMATORS)
def test_contrast_widens_the_scale(estimator, norm):
    values = gaussian(21, np.full(9, 12.0), 60)
    ours = estimator(block(values, 64.0, contrast=24.0), steepness=0.25)[0]
    theirs = [by_statsmodels(norm, column.astype(float), np.full(9, 10.0)) for column in values.T]
    np.testing.assert_allclose(ours, theirs, atol=0.02)


@pytest.mark.parametrize(("name", "norm"), [("tukey", "TukeyBiweight"), ("huber", "HuberT")])
def test_another_constant_is_statsmodels_s_too(name, norm):
    values = gaussian(22, np.full(8, 8.0), 40)
    method = with_parameters(METHODS[name], {"c": 3.0})
    theirs = [
        by_statsmodels(getattr(sm.robust.norms, norm)(3.0), column.astype(float), np.full(8, 8.0))
        for column in values.T
    ]
    np.testing.assert_allclose(method.function(block(values, 64.0))[0], theirs, atol=0.01)


# Winsorising


def settled(values):
    """The winsorised standard deviation of places (N, P) without holes."""
    frames, places = values.shape
    s = np.full((frames, kernels.LANES), np.inf, np.float32)
    s[:, :places] = np.sort(values, axis=0)
    n = np.full(kernels.LANES, frames, np.int32)
    m, lane = np.zeros(kernels.LANES, np.float32), np.zeros(kernels.ROWS, np.float32)
    kernels.middle(s, n, m)
    kernels._settle(s, m, n, lane, *(np.float32(number) for number in SETTLING[:3]), SETTLING[3])
    return lane[kernels.EXTRA : kernels.EXTRA + places]


def test_winsorising_is_scipy_s_where_the_bounds_are_samples():
    # Outside reference: scipy.stats.mstats.winsorize, which brings a share of the samples in to the
    # next one; the same where the outermost remaining ones lie at the bounds.
    values = np.float32([-9, -2, -1.5, -0.5, 0, 0.3, 1, 2, 7])
    s = np.full((9, kernels.LANES), np.inf, np.float32)
    s[:, 0] = values
    lane = np.zeros(kernels.ROWS, np.float32)
    lane[kernels.SPREAD] = 2.0
    kernels._winsorise(s, np.zeros(kernels.LANES, np.float32), lane)
    expected = np.asarray(winsorize(values.astype(float), limits=(1 / 9, 1 / 9)))
    assert lane[kernels.TOTAL] == pytest.approx(expected.sum(), rel=1e-6)
    assert lane[kernels.NOISE] == pytest.approx((expected**2).sum(), rel=1e-6)


def test_1_134_makes_gaussian_samples_right():
    # E min(u², 1.5²) by the normal distribution of scipy.
    inside = norm.expect(lambda u: u * u, lb=-1.5, ub=1.5)
    assert 1 / np.sqrt(inside + 1.5**2 * 2 * norm.sf(1.5)) == pytest.approx(SETTLING[1], abs=1e-3)
    assert settled(gaussian(30, np.full(301, 8.0), 200)).mean() == pytest.approx(8, rel=0.01)


@pytest.mark.parametrize("frames", [5, 9, 24])
def test_winsorised_deviation_is_huber_s_scale(frames):
    # Outside reference: statsmodels.robust.scale.Huber (proposal 2), whose centre is the mean of
    # the winsorised samples; symmetric ones, so that it is the median.  (1/0.7784 for 1.134².)
    rng = np.random.default_rng(frames)
    half = rng.normal(0, 8, (frames // 2, 40))
    values = np.concatenate([half, -half, np.zeros((frames % 2, 40))])
    values[0], values[frames // 2] = 60, -60
    theirs = [float(Huber(c=1.5, maxiter=200)(column)[1]) for column in values.T]
    np.testing.assert_allclose(settled(values.astype(np.float32)), theirs, rtol=5e-3)


def test_winsorised_rejects_what_hides_from_sigma_clipping():
    # Two trails among seven frames raise the plain deviation beyond 3 σ (see Shiffler's bound).
    values = gaussian(31, np.full(7, 8.0), 500)
    values[2:4] += 4000
    assert sigma_clip(block(values))[0].mean() > 1000
    value, _, count = winsorised(block(values))
    assert value.mean() == pytest.approx(500, abs=1)
    assert (count <= 5).all()


def test_winsorised_keeps_three_and_rejects_one_of_four():
    # By hand: of three, one of them off, 1.134 · 1.5 / √3 = 0.98 of a deviation is left in a round;
    # of four 1.134 · 1.5 / √4 = 0.85.
    assert winsorised(block([[0.0], [0.1], [500.0]]))[2][0] == 3
    assert winsorised(block([[0.0], [0.1], [-0.1], [500.0]]))[2][0] == 3


# The noise model


@pytest.mark.parametrize("frames", [3, 4, 5, 8, 24])
@pytest.mark.parametrize("light", [120.0, 5e4, -300.0])
def test_one_trail_is_rejected_from_three_frames_on(frames, light):
    values = gaussian(40 + frames, np.full(frames, 8.0), 2000)
    clean = mean(block(np.delete(values, 1, axis=0), 64.0))[0]
    values[1] += light
    value, _, count = noise_model(block(values, 64.0))
    share = (count == frames - 1).mean()
    assert share > 0.9
    assert np.abs(value - clean)[count == frames - 1].max() < 1e-3 + 1e-6 * 500


def test_limits_are_the_noise_s():
    # By hand, N = 3: samples 0, 0, d of variance 1; the median of two others has variance 1/2, so
    # that d is kept up to kappa·√1.5 at first.
    for d, kept in ((3.6, 3), (3.7, 2)):
        _, _, count = noise_model(block([[0.0], [0.0], [d]]))
        assert count[0] == kept, d


def test_noisy_frames_may_be_farther_off():
    # By hand: 24 ADU is 3 σ of the quiet frames twelve times over, and 1 σ of the noisy one.
    values, variances = np.zeros((9, 2)), np.ones((9, 2))
    values[4] = 24
    variances[4, 1] = 24.0**2
    _, _, count = noise_model(block(values, variances))
    assert count.tolist() == [8, 9]


def test_star_cores_are_left_alone():
    # A star of 4000 ADU whose light goes up and down by 8 % with the seeing: 40 times the noise.
    rng = np.random.default_rng(41)
    profile = 4000 * np.exp(-(np.arange(-4, 5) ** 2) / 4.5)
    seeing = rng.normal(1, 0.08, (12, 1))
    values = 100 + profile * seeing + rng.normal(0, 8, (12, 9))
    high = np.array([profile[max(i - 1, 0) : i + 2].max() for i in range(9)])
    low = np.array([profile[max(i - 1, 0) : i + 2].min() for i in range(9)])
    _, _, bitten = noise_model(block(values, 64.0))
    _, _, count = noise_model(block(values, 64.0, contrast=high - low))
    assert bitten.min() < 8
    assert (count >= 11).all()
    values[5] += 9000
    _, _, count = noise_model(block(values, 64.0, contrast=high - low))
    assert (count <= 11).all()


@pytest.mark.parametrize("method", [noise_model, tukey])
def test_two_camps_are_both_kept(method):
    value, variance, count = method(block([[0.0], [0.0], [900.0], [900.0]]))
    assert (value[0], count[0]) == (450.0, 4)
    assert variance[0] == pytest.approx(0.25, rel=0.05)


@pytest.mark.parametrize("name", list(METHODS))
def test_holes_are_the_same_as_absent_frames(name):
    values = night_cube(50, 12, 200)
    whole = METHODS[name].function(block(values, 64.0))
    for p in range(0, 200, 17):
        there = np.isfinite(values[:, p])
        alone = METHODS[name].function(block(values[there, p : p + 1], 64.0))
        for a, b in zip(whole, alone, strict=True):
            np.testing.assert_allclose(a[p], b[0], rtol=1e-3)


# Sorting


@pytest.mark.parametrize("size", [1, 2, 3, 5, 8, 12])
def test_network_sorts_all_rows_of_zeros_and_ones(size):
    # Zero-one principle (Knuth, The Art of Computer Programming 3, 5.3.4, theorem Z): a network
    # that sorts these sorts everything.
    rows = np.array([[k >> i & 1 for k in range(2**size)] for i in range(size)]).reshape(size, -1)
    for one, other in sorting_network(size):
        pair = rows[[one, other]]
        rows[one], rows[other] = pair.min(axis=0), pair.max(axis=0)
    assert (np.diff(rows, axis=0) >= 0).all()


@pytest.mark.parametrize("size", [24, 61, 200])
def test_network_sorts_many(size):
    rows = np.random.default_rng(size).normal(size=(size, 300))
    expected = np.sort(rows, axis=0)
    for one, other in sorting_network(size):
        pair = rows[[one, other]]
        rows[one], rows[other] = pair.min(axis=0), pair.max(axis=0)
    assert np.array_equal(rows, expected)
