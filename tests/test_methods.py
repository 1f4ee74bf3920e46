"""The table of integration methods, held against the libraries that define them."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import sigma_clip as astropy_sigma_clip
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scenes import examples

from stackkit.methods import METHODS, median, sigma_clip, weighted_mean

FINITE = st.floats(-1000, 1000, width=32)
CUBES = st.integers(1, 12).flatmap(
    lambda frames: arrays(np.float32, (frames, 7), elements=FINITE | st.just(np.float32(np.nan)))
)


def ones(values):
    return np.ones_like(values), np.ones(len(values), np.float32)


def night_cube(seed, frames, places=3000):
    """Gaussian noise on a sky, trails in it, holes in it."""
    rng = np.random.default_rng(seed)
    values = rng.normal(100, 8, (frames, places)).astype(np.float32)
    values += 60 * (rng.random(values.shape) < 0.05)
    values[rng.random(values.shape) < 0.08] = np.nan
    return values


# Sigma clipping


def clipped_by_astropy(values):
    """Outside reference: astropy.stats.sigma_clip, every setting its default."""
    cube = np.ma.masked_invalid(values.astype(np.float64))
    return astropy_sigma_clip(cube, sigma=3, maxiters=5, cenfunc="median", stdfunc="std", axis=0)


@pytest.mark.parametrize("frames", [1, 2, 3, 5, 9, 12, 24, 60])
def test_sigma_clip_is_astropy_s(frames):
    values = night_cube(frames, frames)
    kept = clipped_by_astropy(values)
    value, variance, count = sigma_clip(values, *ones(values))
    expected = np.ma.filled(kept.mean(axis=0), np.nan)
    number = np.broadcast_to(~np.ma.getmaskarray(kept), values.shape).sum(axis=0)
    assert np.array_equal(count, number)
    np.testing.assert_allclose(value, expected, rtol=1e-6)
    with np.errstate(divide="ignore"):
        np.testing.assert_allclose(variance, np.where(number > 0, 1 / number, np.nan), rtol=1e-6)
    if frames > 11:
        assert (count < np.isfinite(values).sum(axis=0)).any()


@examples(150)
@given(values=CUBES)
def test_sigma_clip_is_astropy_s_on_any_cube(values):
    # Codes are whole numbers: equal values and ties at the limit occur.
    values = np.round(values / 8) * 8
    kept = clipped_by_astropy(values)
    value, _, count = sigma_clip(values, *ones(values))
    assert np.array_equal(count, (~np.ma.getmaskarray(kept)).sum(axis=0))
    np.testing.assert_allclose(value, np.ma.filled(kept.mean(axis=0), np.nan), rtol=1e-5, atol=1e-4)


@pytest.mark.parametrize(("frames", "largest"), [(3, 1.155), (5, 1.789), (8, 2.475), (10, 2.846)])
def test_one_value_apart_reaches_shiffler_s_bound(frames, largest):
    # Shiffler 1988, The American Statistician 42:79: at most (N-1)/√N sample standard deviations
    # from the mean.  From the median, in population ones as astropy counts, it is N/√(N-1).
    one = np.zeros(frames)
    one[0] = 1.0
    assert (1 - one.mean()) / one.std(ddof=1) == pytest.approx(largest, abs=6e-4)
    assert (1 - np.median(one)) / one.std() == pytest.approx(frames / np.sqrt(frames - 1))


@examples(150)
@given(values=st.integers(1, 7).flatmap(lambda n: arrays(np.float32, (n, 5), elements=FINITE)))
def test_nothing_is_rejected_up_to_seven_frames(values):
    # 7/√6 = 2.86; with the other values spread at their worst 2.96: never 3.
    _, _, count = sigma_clip(values, *ones(values))
    assert (count == len(values)).all()


def test_seven_frames_at_their_worst():
    values = np.float32([[0, 0, 0, 0, 0.2, 0.2, 1]]).T
    assert 1 / values.std() == pytest.approx(2.958, abs=1e-3)
    assert sigma_clip(values, *ones(values))[2][0] == 7


@pytest.mark.parametrize("frames", [8, 9, 11, 15, 40])
@pytest.mark.parametrize("light", [1.0, 1e3, -1e5])
def test_one_satellite_on_an_even_sky_is_rejected_from_eight_frames_on(frames, light):
    # 8/√7 = 3.02.
    values = np.zeros((frames, 1), np.float32)
    values[frames // 2] = light
    value, _, count = sigma_clip(values, *ones(values))
    assert count[0] == frames - 1
    assert value[0] == 0


def test_sigma_clip_weights_what_remains():
    # Outside reference: numpy's weighted average.
    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, (20, 50)).astype(np.float32)
    values[7] += 100
    weights = rng.uniform(0.2, 2, 20).astype(np.float32)
    value, _, count = sigma_clip(values, np.ones_like(values), weights)
    kept = ~np.ma.getmaskarray(clipped_by_astropy(values))
    expected = [np.average(v[k], weights=weights[k]) for v, k in zip(values.T, kept.T, strict=True)]
    np.testing.assert_allclose(value, expected, atol=1e-6)
    assert (count <= 19).all()


# Median


@examples(150)
@given(values=CUBES)
def test_median_is_numpy_s(values):
    # Outside reference: numpy.nanmedian.
    value, _, count = median(values, *ones(values))
    there = np.isfinite(values).sum(axis=0)
    assert np.array_equal(count, there)
    assert np.isnan(value[there == 0]).all()
    expected = np.nanmedian(values[:, there > 0], axis=0) if there.any() else []
    np.testing.assert_allclose(value[there > 0], expected, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("frames", [47, 48, 49, 61])
def test_median_of_many_frames_is_numpy_s(frames):
    # Above 48 frames another way of sorting is taken.
    values = night_cube(1, frames, 500)
    value, _, _ = median(values, *ones(values))
    np.testing.assert_allclose(value, np.nanmedian(values, axis=0), rtol=1e-6)


@pytest.mark.parametrize(
    ("frames", "efficiency"), [(3, 0.7429), (5, 0.6973), (7, 0.6788), (9, 0.6689)]
)
def test_efficiency_of_the_median(frames, efficiency):
    # The variance of the mean over that of the median of N Gaussian values, by integration of
    # order statistics.
    rng = np.random.default_rng(frames)
    values = rng.normal(0, 1, (frames, 150_000)).astype(np.float32)
    value, _, _ = median(values, *ones(values))
    assert 1 / frames / value.var() == pytest.approx(efficiency, rel=0.015)


def test_median_tells_its_variance_as_for_many_frames():
    rng = np.random.default_rng(8)
    values = rng.normal(0, 3, (25, 60_000)).astype(np.float32)
    value, variance, _ = median(values, np.full_like(values, 9.0), np.ones(25, np.float32))
    assert variance.mean() == pytest.approx(value.var(), rel=0.04)


# Mean


@examples(150)
@given(data=st.data(), values=CUBES)
def test_weighted_mean_is_numpy_s(data, values):
    # Outside reference: numpy.average over what is there.
    weights = np.array(
        data.draw(st.lists(st.floats(0.125, 8), min_size=len(values), max_size=len(values)))
    ).astype(np.float32)
    value, _, count = weighted_mean(values, np.ones_like(values), weights)
    for p in range(values.shape[1]):
        there = np.isfinite(values[:, p])
        assert count[p] == there.sum()
        if not there.any():
            assert np.isnan(value[p])
            continue
        expected = np.average(values[there, p].astype(np.float64), weights=weights[there])
        assert value[p] == pytest.approx(expected, rel=1e-5, abs=1e-3)


def test_variance_of_the_weighted_mean_is_its_scatter():
    rng = np.random.default_rng(5)
    sigma = np.array([1.0, 2.0, 4.0, 1.5])
    values = rng.normal(0, sigma[:, None], (4, 100_000)).astype(np.float32)
    variances = np.broadcast_to((sigma**2)[:, None], values.shape).astype(np.float32)
    weights = (1 / sigma**2).astype(np.float32)
    value, variance, _ = weighted_mean(values, variances, weights)
    # Inverse variances as weights: 1 / Σ 1/σ² (Gauss-Markov).
    assert variance == pytest.approx(1 / np.sum(1 / sigma**2), rel=1e-5)
    assert value.var() == pytest.approx(variance[0], rel=0.02)


# What holds for all of them


@pytest.mark.parametrize("name", list(METHODS))
@examples(40)
@given(data=st.data(), values=CUBES)
def test_the_order_of_frames_does_not_matter(name, data, values):
    order = np.array(data.draw(st.permutations(range(len(values)))))
    rng = np.random.default_rng(6)
    variances = rng.uniform(0.5, 2, values.shape).astype(np.float32)
    weights = rng.uniform(0.5, 2, len(values)).astype(np.float32)
    one = METHODS[name].function(values, variances, weights)
    other = METHODS[name].function(
        np.ascontiguousarray(values[order]), np.ascontiguousarray(variances[order]), weights[order]
    )
    for a, b in zip(one, other, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("name", list(METHODS))
@examples(40)
@given(values=CUBES)
def test_the_result_lies_among_the_samples(name, values):
    value, variance, count = METHODS[name].function(values, *ones(values))
    there = np.isfinite(values).sum(axis=0)
    assert np.isnan(value[there == 0]).all()
    assert np.isnan(variance[there == 0]).all()
    assert (count[there == 0] == 0).all()
    some = there > 0
    assert np.isfinite(variance[some]).all()
    assert ((count[some] >= 1) & (count[some] <= there[some])).all()
    if some.any():
        low, high = np.nanmin(values[:, some], axis=0), np.nanmax(values[:, some], axis=0)
        assert (value[some] >= low - 1e-3).all()
        assert (value[some] <= high + 1e-3).all()


@pytest.mark.parametrize("name", list(METHODS))
def test_one_frame_is_itself(name):
    values = night_cube(2, 1, 100)
    value, variance, count = METHODS[name].function(values, *ones(values))
    assert np.array_equal(value, values[0], equal_nan=True)
    there = np.isfinite(values[0])
    assert (variance[there] == 1).all()
    assert np.array_equal(count, there)


@pytest.mark.parametrize("name", list(METHODS))
def test_the_table_calls_each_method_by_its_name(name):
    method = METHODS[name]
    assert method.name == name
    assert method.purpose
    assert method.function.__doc__
