"""Mean, median and sigma clipping, held against the libraries that define them."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.nddata import CCDData
from astropy.stats import sigma_clip as astropy_sigma_clip
from astropy.stats import sigma_clipped_stats
from blocks import CUBES, FINITE, block, night_cube
from ccdproc import Combiner
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scenes import examples

from stackkit.integration.methods import (
    METHODS,
    maximum,
    mean,
    median,
    minimum,
    sigma_clip,
    with_parameters,
)

# Sigma clipping


def clipped_by_astropy(values):
    """Outside reference: astropy.stats.sigma_clip, every setting its default."""
    cube = np.ma.masked_invalid(values.astype(np.float64))
    return astropy_sigma_clip(cube, sigma=3, maxiters=5, cenfunc="median", stdfunc="std", axis=0)


@pytest.mark.parametrize("frames", [1, 2, 3, 5, 9, 12, 24, 60])
def test_sigma_clip_is_astropy_s(frames):
    values = night_cube(frames, frames)
    kept = clipped_by_astropy(values)
    value, variance, count = sigma_clip(block(values))
    expected = np.ma.filled(kept.mean(axis=0), np.nan)
    number = np.broadcast_to(~np.ma.getmaskarray(kept), values.shape).sum(axis=0)
    assert np.array_equal(count, number)
    np.testing.assert_allclose(value, expected, rtol=1e-6)
    # As noisy as what is kept, and a little more for good samples that were not.
    some = number > 0
    assert np.isnan(variance[~some]).all()
    assert (variance[some] * number[some] > 1 - 1e-6).all()
    assert (variance[some] * number[some] < 1.03).all()
    if frames > 11:
        assert (count < np.isfinite(values).sum(axis=0)).any()


@examples(150)
@given(values=CUBES)
def test_sigma_clip_is_astropy_s_on_any_cube(values):
    # Codes are whole numbers: equal values and ties at the limit occur.
    values = np.round(values / 8) * 8
    kept = clipped_by_astropy(values)
    value, _, count = sigma_clip(block(values))
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
    _, _, count = sigma_clip(block(values))
    assert (count == len(values)).all()


def test_seven_frames_at_their_worst():
    values = np.float32([[0, 0, 0, 0, 0.2, 0.2, 1]]).T
    assert 1 / values.std() == pytest.approx(2.958, abs=1e-3)
    assert sigma_clip(block(values))[2][0] == 7


@pytest.mark.parametrize("frames", [8, 9, 11, 15, 40])
@pytest.mark.parametrize("light", [1.0, 1e3, -1e5])
def test_one_satellite_on_an_even_sky_is_rejected_from_eight_frames_on(frames, light):
    # 8/√7 = 3.02.
    values = np.zeros((frames, 1), np.float32)
    values[frames // 2] = light
    value, _, count = sigma_clip(block(values))
    assert count[0] == frames - 1
    assert value[0] == 0


def test_sigma_clip_weights_what_remains():
    # Outside reference: numpy's weighted average.
    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, (20, 50)).astype(np.float32)
    values[7] += 100
    weights = rng.uniform(0.2, 2, 20).astype(np.float32)
    value, _, count = sigma_clip(block(values, weights=weights))
    kept = ~np.ma.getmaskarray(clipped_by_astropy(values))
    expected = [np.average(v[k], weights=weights[k]) for v, k in zip(values.T, kept.T, strict=True)]
    np.testing.assert_allclose(value, expected, atol=1e-6)
    assert (count <= 19).all()


# Median


@examples(150)
@given(values=CUBES)
def test_median_is_numpy_s(values):
    # Outside reference: numpy.nanmedian.
    value, _, count = median(block(values))
    there = np.isfinite(values).sum(axis=0)
    assert np.array_equal(count, there)
    assert np.isnan(value[there == 0]).all()
    expected = np.nanmedian(values[:, there > 0], axis=0) if there.any() else []
    np.testing.assert_allclose(value[there > 0], expected, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("frames", [47, 48, 49, 61])
def test_median_of_many_frames_is_numpy_s(frames):
    values = night_cube(1, frames, 500)
    value, _, _ = median(block(values))
    np.testing.assert_allclose(value, np.nanmedian(values, axis=0), rtol=1e-6)


# Mean


@examples(150)
@given(data=st.data(), values=CUBES)
def test_weighted_mean_is_numpy_s(data, values):
    # Outside reference: numpy.average over what is there.
    weights = np.array(
        data.draw(st.lists(st.floats(0.125, 8), min_size=len(values), max_size=len(values)))
    ).astype(np.float32)
    value, _, count = mean(block(values, weights=weights))
    for p in range(values.shape[1]):
        there = np.isfinite(values[:, p])
        assert count[p] == there.sum()
        if not there.any():
            assert np.isnan(value[p])
            continue
        expected = np.average(values[there, p].astype(np.float64), weights=weights[there])
        assert value[p] == pytest.approx(expected, rel=1e-5, abs=1e-3)


# Against ccdproc


def combiner(values):
    """Outside reference: ccdproc.Combiner of the same frames, as pictures of one row."""
    rows = values[:, None].astype(np.float64)
    return Combiner([CCDData(row, mask=np.isnan(row), unit="adu") for row in rows])


@pytest.mark.parametrize("frames", [3, 8, 24])
def test_average_and_median_are_ccdproc_s(frames):
    values = night_cube(frames, frames, 400)
    for method, theirs in (
        (mean, combiner(values).average_combine()),
        (median, combiner(values).median_combine()),
    ):
        ours, _, count = method(block(values))
        some = count > 0
        np.testing.assert_allclose(ours[some], theirs.data[0][some], rtol=1e-6)


def test_weighted_average_is_ccdproc_s():
    # Without holes: ccdproc divides by all weights, those of missing samples too.
    values = np.nan_to_num(night_cube(6, 8, 400), nan=100.0)
    weights = np.linspace(0.5, 1.5, 8).astype(np.float32)
    theirs = combiner(values)
    theirs.weights = weights.astype(np.float64)
    ours = mean(block(values, weights=weights))[0]
    np.testing.assert_allclose(ours, theirs.average_combine().data[0], rtol=1e-6)


@pytest.mark.parametrize("frames", [9, 24])
@pytest.mark.parametrize("kappa", [2.0, 3.0])
@pytest.mark.filterwarnings("ignore:Input data contains invalid values")
def test_clipping_at_any_kappa_is_ccdproc_s(frames, kappa):
    values = night_cube(frames, frames, 400)
    made = combiner(values)
    for _ in range(5):  # ccdproc clips once a call, and looks at the numbers, not at the mask
        made.sigma_clipping(kappa, kappa, func="median", dev_func="std")
        made.data_arr.data[made.data_arr.mask] = np.nan
    theirs = made.average_combine()
    ours, _, count = with_parameters(METHODS["sigma-clip"], {"kappa": kappa}).function(
        block(values)
    )
    assert np.array_equal(count, (~made.data_arr.mask).sum(axis=0)[0])
    np.testing.assert_allclose(ours[count > 0], theirs.data[0][count > 0], rtol=1e-6)


@pytest.mark.parametrize(("method", "edge"), [(maximum, np.fmax), (minimum, np.fmin)])
def test_extremes_are_numpy_s_whatever_the_weights(method, edge):
    # Outside reference: numpy.fmax and fmin, which pass over NaN.
    values = night_cube(3, 12, 500)
    weights = np.linspace(0.1, 2, 12).astype(np.float32)
    value, _, count = method(block(values, weights=weights))
    assert np.array_equal(value, edge.reduce(values, axis=0))
    assert np.array_equal(count, np.isfinite(values).sum(axis=0))


def test_extremes_survive_ccdproc_s_clipping_by_bounds():
    # Outside reference: ccdproc's minmax_clipping just inside and just outside our extremes.
    values = night_cube(4, 9, 1)[:, :1]
    high, low = (float(method(block(values))[0][0]) for method in (maximum, minimum))
    kept = combiner(values)
    kept.minmax_clipping(min_clip=low, max_clip=high)
    assert np.array_equal(kept.data_arr.mask[:, 0, 0], np.isnan(values[:, 0]))
    cut = combiner(values)
    cut.minmax_clipping(min_clip=np.nextafter(low, 1e9), max_clip=np.nextafter(high, -1e9))
    assert cut.data_arr.mask.sum() - np.isnan(values).sum() == 2


def test_clipped_mean_is_that_of_sigma_clipped_stats():
    # Outside reference: astropy.stats.sigma_clipped_stats.
    values = night_cube(5, 15, 500)
    theirs, _, _ = sigma_clipped_stats(np.ma.masked_invalid(values.astype(float)), axis=0)
    np.testing.assert_allclose(sigma_clip(block(values))[0], theirs, rtol=1e-6)
