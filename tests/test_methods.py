"""The table of integration methods, held against the libraries that define them."""

from __future__ import annotations

import ccdproc
import numpy as np
import pytest
import statsmodels.api as sm
from astropy import units as u
from astropy.nddata import CCDData
from astropy.stats import sigma_clip as astropy_sigma_clip
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scenes import examples
from scipy.stats import mstats, norm

from stackkit.errors import UsageError
from stackkit.methods import (
    METHODS,
    Samples,
    huber,
    huber_efficiency,
    maximum,
    median,
    method_named,
    minimum,
    noise_model,
    sigma_clip,
    tukey,
    tukey_efficiency,
    weighted_mean,
    winsorised,
    with_parameters,
)

FINITE = st.floats(-1000, 1000, width=32)
CUBES = st.integers(1, 12).flatmap(
    lambda frames: arrays(np.float32, (frames, 7), elements=FINITE | st.just(np.float32(np.nan)))
)


def block(values, variances=None, weights=None, contrast=0.0):
    """Samples, of variance and weight 1 unless given."""
    values = np.asarray(values, np.float32)
    return Samples(
        values,
        np.broadcast_to(np.float32(1 if variances is None else variances), values.shape).copy(),
        np.broadcast_to(np.float32(1 if weights is None else weights), len(values)).copy(),
        np.broadcast_to(np.float32(contrast), values.shape[1]).copy(),
    )


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
    value, variance, count = sigma_clip(block(values))
    expected = np.ma.filled(kept.mean(axis=0), np.nan)
    number = np.broadcast_to(~np.ma.getmaskarray(kept), values.shape).sum(axis=0)
    assert np.array_equal(count, number)
    np.testing.assert_allclose(value, expected, rtol=1e-6)
    # One number per block tells what clipping costs: nothing up to seven frames, then 3 % at most.
    with np.errstate(divide="ignore"):
        more = variance / np.where(number > 0, 1 / number, np.nan)
    assert 1 - 1e-6 <= np.nanmin(more) <= np.nanmax(more) < 1.03
    if frames <= 7:
        assert np.nanmax(more) == pytest.approx(1, abs=1e-6)
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
    value, _, count = sigma_clip(block(values, 1.0, weights))
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


@pytest.mark.parametrize("frames", [63, 64, 65, 90])
def test_median_of_many_frames_is_numpy_s(frames):
    # Above 64 frames another way of sorting is taken.
    values = night_cube(1, frames, 500)
    value, _, _ = median(block(values))
    np.testing.assert_allclose(value, np.nanmedian(values, axis=0), rtol=1e-6)


@pytest.mark.parametrize(
    ("frames", "efficiency"), [(3, 0.7429), (5, 0.6973), (7, 0.6788), (9, 0.6689)]
)
def test_efficiency_of_the_median(frames, efficiency):
    # The variance of the mean over that of the median of N Gaussian values, by integration of
    # order statistics.
    rng = np.random.default_rng(frames)
    values = rng.normal(0, 1, (frames, 150_000)).astype(np.float32)
    value, _, _ = median(block(values))
    assert 1 / frames / value.var() == pytest.approx(efficiency, rel=0.015)


def test_median_tells_its_variance_as_for_many_frames():
    rng = np.random.default_rng(8)
    values = rng.normal(0, 3, (25, 60_000)).astype(np.float32)
    value, variance, _ = median(block(values, 9.0))
    assert variance.mean() == pytest.approx(value.var(), rel=0.04)


# Mean


@examples(150)
@given(data=st.data(), values=CUBES)
def test_weighted_mean_is_numpy_s(data, values):
    # Outside reference: numpy.average over what is there.
    weights = np.array(
        data.draw(st.lists(st.floats(0.125, 8), min_size=len(values), max_size=len(values)))
    ).astype(np.float32)
    value, _, count = weighted_mean(block(values, 1.0, weights))
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
    value, variance, _ = weighted_mean(block(values, variances, weights))
    # Inverse variances as weights: 1 / Σ 1/σ² (Gauss-Markov).
    assert variance == pytest.approx(1 / np.sum(1 / sigma**2), rel=1e-5)
    assert value.var() == pytest.approx(variance[0], rel=0.02)


# Winsorised


def test_a_winsorised_normal_has_the_known_spread():
    """1.134 is one over the spread of a standard normal winsorised at 1.5, by integration."""
    x = np.linspace(-9, 9, 200_001)
    square = np.trapezoid(np.clip(x, -1.5, 1.5) ** 2 * norm.pdf(x), x)
    assert 1 / np.sqrt(square) == pytest.approx(1.134, abs=1e-3)


@pytest.mark.parametrize("frames", [6, 10, 20])
def test_the_limits_are_those_of_scipy_s_winsorised_values(frames):
    """Outside reference: scipy.stats.mstats.winsorize.

    Where exactly the largest value lies beyond 1.5 σ, bringing it to the limit is what scipy does
    with the share that holds one value: there the spread's equation must be fulfilled.
    """
    rng = np.random.default_rng(frames)
    checked = 0
    for values in rng.normal(0, 1, (400, frames)):
        values[0] = 3.0 + rng.uniform(0, 5)
        centre = np.median(values)
        spread = np.std(values, ddof=1)
        for _ in range(200):
            brought = np.clip(values, centre - 1.5 * spread, centre + 1.5 * spread)
            spread = 1.134 * np.std(brought, ddof=1)
        beyond = np.abs(values - centre) > 1.5 * spread
        if not beyond[0] or beyond.sum() > 1:
            continue
        checked += 1
        inside = np.delete(values, 0)
        at_limit = np.append(inside, centre + 1.5 * spread)
        by_scipy = mstats.winsorize(np.append(at_limit, values[0]), limits=(0, 1 / (frames + 1)))
        assert np.sort(np.asarray(by_scipy))[-2:] == pytest.approx(centre + 1.5 * spread)
        kappa = (values[0] - centre) / spread
        limited = [
            winsorised(block(values[:, None]), kappa=k)[2][0] for k in (kappa * 1.03, kappa * 0.97)
        ]
        assert limited[0] == frames
        assert limited[1] < frames
    assert checked > 20


@pytest.mark.parametrize("frames", [5, 6, 7])
def test_winsorised_finds_what_a_plain_clip_cannot(frames):
    """With so few frames no value lies 3 standard deviations off: Shiffler 1988."""
    rng = np.random.default_rng(frames)
    values = rng.normal(0, 1, (frames, 4000)).astype(np.float32)
    values[0] += 40
    plain, found = (method(block(values)) for method in (sigma_clip, winsorised))
    assert (plain[2] == frames).all()
    assert np.abs(found[0]).mean() < 0.2 * np.abs(plain[0]).mean()


# The noise model


@pytest.mark.parametrize("frames", [3, 4, 5, 9])
def test_three_frames_are_enough_for_the_noise_model(frames):
    rng = np.random.default_rng(frames)
    values = rng.normal(0, 2, (frames, 5000)).astype(np.float32)
    values[1, :2500] += 30
    value, _, count = noise_model(block(values, 4.0))
    assert (count[:2500] == frames - 1).mean() > 0.999
    assert (count[2500:] == frames).mean() > 0.995
    assert value[:2500].std() == pytest.approx(2 / np.sqrt(frames - 1), rel=0.03)


def test_the_noise_model_leaves_steep_places_alone():
    """A star's core that seeing moves by a tenth of the contrast is no outlier."""
    rng = np.random.default_rng(1)
    values = (5000 + 500 * rng.normal(0, 1, (9, 3000))).astype(np.float32)
    flat, steep = (noise_model(block(values, 400.0, contrast=c))[2] for c in (0.0, 3000.0))
    assert (flat < 9).mean() > 0.9
    assert (steep == 9).mean() > 0.98


def test_of_two_frames_none_is_wrong():
    value, _, count = noise_model(block([[1.0], [100.0]]))
    assert (value[0], count[0]) == (50.5, 2)


# M-estimators


@pytest.mark.parametrize("contaminated", [False, True])
@pytest.mark.parametrize(
    ("estimator", "norm_of"),
    [(tukey, sm.robust.norms.TukeyBiweight), (huber, sm.robust.norms.HuberT)],
)
def test_m_estimators_are_statsmodels_s(estimator, norm_of, contaminated):
    """Outside reference: statsmodels' norms, iterated to the end at the known scale of 1."""
    rng = np.random.default_rng(7)
    for values in rng.normal(0, 1, (60, 12)):
        values[:2] += 8 * contaminated
        value, _, _ = estimator(block(values[:, None]))
        location = sm.robust.norms.estimate_location(
            values, 1.0, norm=norm_of(), initial=np.median(values), maxiter=500, tol=1e-9
        )
        assert value[0] == pytest.approx(float(location), abs=2e-3)


def test_m_estimators_weigh_as_statsmodels_s_regression():
    """Outside reference: RLM of a constant, its scale fixed at the one it finds."""
    rng = np.random.default_rng(8)
    values = rng.normal(10, 1, 40)
    values[:3] += 30
    fitted = sm.RLM(values, np.ones((40, 1)), M=sm.robust.norms.HuberT()).fit(maxiter=200)
    value, _, _ = huber(block(values[:, None], fitted.scale**2))
    assert value[0] == pytest.approx(fitted.params[0], abs=5e-3)


def test_efficiencies_are_the_known_ones():
    """95 % at c = 4.685 and 1.345 (Holland & Welsch 1977; common practice)."""
    assert tukey_efficiency(4.685) == pytest.approx(0.95, abs=1e-3)
    assert huber_efficiency(1.345) == pytest.approx(0.95, abs=1e-3)


# Against ccdproc


def test_mean_median_and_extremes_are_ccdproc_s():
    """Outside reference: ccdproc.Combiner with its own masks."""
    cube = night_cube(3, 8, 500)
    frames = [CCDData(v[None], unit=u.adu, mask=~np.isfinite(v)[None]) for v in cube]
    combiner = ccdproc.Combiner(frames)
    held = block(cube)
    mean = np.asarray(combiner.average_combine())[0]
    np.testing.assert_allclose(weighted_mean(held)[0], mean, rtol=1e-5)
    middle = np.ma.filled(np.asarray(combiner.median_combine()), np.nan)[0]
    np.testing.assert_allclose(median(held)[0], middle, rtol=1e-5)
    np.testing.assert_array_equal(maximum(held)[0], np.nanmax(cube, axis=0))
    np.testing.assert_array_equal(minimum(held)[0], np.nanmin(cube, axis=0))


# What is told of the noise


@pytest.mark.parametrize("name", list(METHODS))
@pytest.mark.parametrize("frames", [1, 2, 3, 5, 8, 24, 40])
def test_the_told_variance_is_the_scatter(name, frames):
    rng = np.random.default_rng(frames)
    values = rng.normal(50, 3, (frames, 40_000)).astype(np.float32)
    value, variance, _ = METHODS[name].function(block(values, 9.0))
    few = 0.06 if frames < 3 else 0.0  # efficiencies of M-estimators hold for some frames
    assert value.var() == pytest.approx(variance.mean(), rel=0.05 + few)


@pytest.mark.parametrize("name", ["mean", "noise-model", "tukey", "huber", "median"])
def test_the_told_variance_is_the_scatter_of_unequal_frames(name):
    rng = np.random.default_rng(9)
    sigma = np.array([2.0, 3.0, 2.5, 4.0, 2.0, 3.5, 2.2, 3.0, 2.7])
    values = rng.normal(50, sigma[:, None], (9, 40_000)).astype(np.float32)
    held = block(values, np.broadcast_to(sigma[:, None] ** 2, values.shape), sigma**-2.0)
    value, variance, _ = METHODS[name].function(held)
    assert value.var() == pytest.approx(variance.mean(), rel=0.05)


# Bad input


@pytest.mark.parametrize("name", list(METHODS))
def test_what_nobody_knows_is_nan(name):
    values = np.float32([[1, np.nan, 3], [2, np.nan, 4], [3, np.nan, 5]])
    run = METHODS[name].function
    for held in (block(values), block(values, np.nan), block(values, 1.0, 0.0)):
        value, variance, count = run(held)
        unknown = np.array([False, True, False]) | (held.weights[0] == 0)
        unknown |= np.isnan(held.variances[0, 0])
        assert np.array_equal(np.isnan(value), unknown)
        assert np.array_equal(np.isnan(variance), unknown)
        assert np.array_equal(count == 0, unknown)


@pytest.mark.parametrize("name", [n for n in METHODS if n not in ("mean", "maximum", "minimum")])
def test_one_frame_a_hundred_times_brighter(name):
    rng = np.random.default_rng(2)
    values = rng.normal(100, 3, (24, 2000)).astype(np.float32)
    values[5] *= 100
    value, _, _ = METHODS[name].function(block(values, 9.0))
    assert np.abs(value - 100).mean() < 1.0


@pytest.mark.parametrize("name", list(METHODS))
def test_equal_values_are_themselves(name):
    value, _, count = METHODS[name].function(block(np.full((7, 50), 4095.0), 0.0))
    assert (value == 4095).all()
    assert (count == 7).all()


def test_an_unknown_method_is_told_the_names():
    with pytest.raises(UsageError, match=r"Did you mean “median”.*mean, median, sigma-clip"):
        method_named("medain")


@pytest.mark.parametrize("wrong", [{"kappa": 0.0}, {"kappa": np.nan}, {"kapa": 3.0}, {"kappa": -2}])
def test_numbers_out_of_range_are_refused(wrong):
    with pytest.raises(UsageError, match=r"kappa"):
        with_parameters(METHODS["winsorised"], wrong)


def test_numbers_are_bound():
    values = np.random.default_rng(3).normal(0, 1, (30, 500))
    bound = with_parameters(METHODS["sigma-clip"], {"kappa": 1.5})
    assert bound.parameters[0].default == 1.5
    assert bound.function(block(values))[2].sum() < sigma_clip(block(values))[2].sum()


# What holds for all of them


@pytest.mark.parametrize("name", list(METHODS))
@examples(40)
@given(data=st.data(), values=CUBES)
def test_the_order_of_frames_does_not_matter(name, data, values):
    order = np.array(data.draw(st.permutations(range(len(values)))))
    rng = np.random.default_rng(6)
    variances = rng.uniform(0.5, 2, values.shape).astype(np.float32)
    weights = rng.uniform(0.5, 2, len(values)).astype(np.float32)
    one = METHODS[name].function(block(values, variances, weights))
    other = METHODS[name].function(block(values[order], variances[order], weights[order]))
    for a, b in zip(one, other, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("name", list(METHODS))
@examples(40)
@given(values=CUBES)
def test_the_result_lies_among_the_samples(name, values):
    value, variance, count = METHODS[name].function(block(values))
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
    value, variance, count = METHODS[name].function(block(values))
    assert np.array_equal(value, values[0], equal_nan=True)
    there = np.isfinite(values[0])
    np.testing.assert_allclose(variance[there], {"tukey": 1.053, "huber": 1.053}.get(name, 1), 0.01)
    assert np.array_equal(count, there)


@pytest.mark.parametrize("name", list(METHODS))
def test_the_table_calls_each_method_by_its_name(name):
    method = METHODS[name]
    assert method.name == name
    assert method.purpose
    assert method.function.__doc__
