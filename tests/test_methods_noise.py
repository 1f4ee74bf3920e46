"""The variance that a method tells, held against the scatter of what it gives."""

from __future__ import annotations

import numpy as np
import pytest
from blocks import block, gaussian
from scipy import integrate
from scipy.special import gammaln, ndtr
from scipy.stats import norm

from stackkit.integration.methods import METHODS, huber, median, sigma_clip, tukey, with_parameters
from stackkit.integration.order_statistics import extreme_variances, median_variances

PLACES = 40_000
"""Their scatter is known to 0.7 % (√(2/P))."""


def told_over_true(method, samples):
    value, variance, _ = method.function(samples)
    return variance.mean(dtype=np.float64) / value.var(dtype=np.float64)


@pytest.mark.parametrize("name", list(METHODS))
@pytest.mark.parametrize("frames", [1, 2, 3, 4, 5, 8, 24, 40])
def test_equal_noise(name, frames):
    values = gaussian(100 + frames, np.full(frames, 8.0), PLACES)
    assert told_over_true(METHODS[name], block(values, 64.0)) == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("name", list(METHODS))
@pytest.mark.parametrize("frames", [2, 3, 5, 8, 24])
@pytest.mark.parametrize("widest", [1.5, 2.0])
def test_unequal_noise_and_the_weights_that_go_with_it(name, frames, widest):
    sigma = np.linspace(5, 5 * widest, frames)
    values = gaussian(200 + frames, sigma, PLACES)
    samples = block(values, np.float32(sigma**2)[:, None], 1 / sigma**2)
    assert told_over_true(METHODS[name], samples) == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("name", list(METHODS))
@pytest.mark.parametrize("frames", [2, 3, 8, 24])
def test_weights_that_do_not_go_with_the_noise(name, frames):
    values = gaussian(300 + frames, np.full(frames, 8.0), PLACES)
    samples = block(values, 64.0, np.linspace(0.5, 1, frames))
    assert told_over_true(METHODS[name], samples) == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("name", [name for name, m in METHODS.items() if m.needs_noise])
@pytest.mark.parametrize("contrast", [8.0, 32.0, 800.0])
@pytest.mark.parametrize("frames", [3, 8, 24])
def test_steep_places(name, contrast, frames):
    values = gaussian(400 + frames, np.full(frames, 8.0), PLACES)
    samples = block(values, 64.0, contrast=contrast)
    assert told_over_true(METHODS[name], samples) == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("name", ["sigma-clip", "winsorised", "noise-model"])
@pytest.mark.parametrize("kappa", [1.5, 2.0, 2.5, 4.0])
@pytest.mark.parametrize("frames", [3, 5, 8, 19, 24])
def test_sharper_and_gentler_limits(name, kappa, frames):
    values = gaussian(500 + frames, np.full(frames, 8.0), PLACES)
    method = with_parameters(METHODS[name], {"kappa": kappa})
    assert told_over_true(method, block(values, 64.0)) == pytest.approx(1, abs=0.05)


@pytest.mark.parametrize("name", list(METHODS))
def test_holes(name):
    values = gaussian(9, np.full(9, 8.0), PLACES)
    values[np.random.default_rng(10).random(values.shape) < 0.3] = np.nan
    value, variance, count = METHODS[name].function(block(values, 64.0))
    number = np.isfinite(values).sum(axis=0)
    for n in (3, 5, 7):
        there = number == n
        ratio = variance[there].mean() / value[there].var()
        spread = np.sqrt(2 / there.sum())
        assert ratio == pytest.approx(1, abs=0.05 + 3 * spread), n
    assert (count <= number).all()


@pytest.mark.parametrize("name", ["sigma-clip", "winsorised", "noise-model", "tukey"])
def test_what_is_rejected_takes_its_share_of_the_light_along(name):
    # 2 of 24 frames crossed at every place (with 3 the deviation of all hides them: 3 σ needs a
    # share f with √((1-f)/f) > 3).
    values = gaussian(11, np.full(24, 8.0), PLACES)
    values[3:5] += 4000
    value, variance, count = METHODS[name].function(block(values, 64.0))
    assert value.mean() == pytest.approx(500, abs=0.05)
    assert count.max() == 22
    assert variance.mean() / value.var() == pytest.approx(1, abs=0.05)


# Against theory


@pytest.mark.parametrize(
    ("frames", "efficiency"),
    [
        (1, 1),
        (2, 1),
        (3, 0.7429),
        (5, 0.6973),
        (7, 0.6788),
        (9, 0.6689),
        (15, 0.6556),
        (25, 0.6478),
    ],
)
def test_efficiency_of_the_median(frames, efficiency):
    # Variance of the mean over that of the median of N Gaussian values, as tabulated in textbooks.
    _, variance, _ = median(block(np.zeros((frames, 1))))
    assert 1 / frames / variance[0] == pytest.approx(efficiency, abs=1e-4)


@pytest.mark.parametrize("n", [3, 6, 11, 24, 25, 26, 31, 40, 61, 100])
def test_variance_of_the_median_by_integration(n):
    # The density of the middle order statistic, and that of the middle two (David & Nagaraja 2003,
    # Order Statistics, 2.1 and 2.2), by scipy.
    h = (n - 1) // 2
    if n % 2:
        log_factor = gammaln(n + 1) - 2 * gammaln(h + 1)

        def density(x):
            return x**2 * norm.pdf(x) * np.exp(log_factor + h * np.log(ndtr(x) * ndtr(-x)))

        expected = integrate.quad(density, -8, 8, epsabs=1e-12)[0]
    else:
        log_factor = gammaln(n + 1) - 2 * gammaln(h + 1)

        def density(upper, lower):
            tails = np.exp(log_factor + h * np.log(ndtr(lower) * ndtr(-upper)))
            return ((upper + lower) / 2) ** 2 * norm.pdf(upper) * norm.pdf(lower) * tails

        def over(lower):
            """The density's integral over the upper value, for each of the lower ones."""
            return [integrate.fixed_quad(density, low, 5.5, (low,), 200)[0] for low in lower]

        expected = integrate.fixed_quad(over, -5.5, 5.5, n=200)[0]
    assert median_variances(n)[n] == pytest.approx(expected, rel=1e-3 if n > 24 else 1e-4)


def test_efficiency_of_the_median_of_very_many_is_two_over_pi():
    assert median_variances(5001)[5001] * 5001 == pytest.approx(np.pi / 2, rel=1e-3)


@pytest.mark.parametrize(
    ("n", "deviation"), [(2, 0.8256), (3, 0.7480), (4, 0.7012), (5, 0.6690), (10, 0.5868)]
)
def test_deviation_of_the_largest(n, deviation):
    # Tippett 1925, Biometrika 17:364, and every table of order statistics since.
    assert np.sqrt(extreme_variances(n)[n]) == pytest.approx(deviation, abs=2e-4)


@pytest.mark.parametrize("estimator", [tukey, huber])
def test_efficiency_of_the_estimators_is_95_per_cent(estimator):
    # What the constants 4.685 and 1.345 were chosen for (Holland & Welsch 1977,
    # Communications in Statistics A6:813).
    _, variance, _ = estimator(block(gaussian(12, np.full(200, 1.0), 3000), 1.0))
    assert 1 / 200 / variance.mean() == pytest.approx(0.95, abs=0.005)


def test_noise_of_sharp_clipping_by_its_influence():
    # A mean of what lies within c of known deviations of the centre: 1 / (P - 2·c·φ(c)), P the
    # share within (asymptotic variance of an M-estimator of the form of Huber's skipped mean,
    # Hampel et al. 1986, Robust Statistics, 2.6).
    method = with_parameters(METHODS["noise-model"], {"kappa": 2.5})
    _, variance, _ = method.function(block(gaussian(13, np.full(250, 1.0), 3000), 1.0))
    share = ndtr(2.5) - ndtr(-2.5)
    assert 250 * variance.mean() == pytest.approx(1 / (share - 5 * norm.pdf(2.5)), rel=0.02)


def test_sigma_clip_of_few_is_the_mean_and_as_noisy():
    values = gaussian(14, np.full(7, 1.0), 2000)
    np.testing.assert_allclose(sigma_clip(block(values))[1], 1 / 7, rtol=1e-3)
