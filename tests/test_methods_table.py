"""What holds for every method of the table: bad input, equivariance, names and parameters."""

from __future__ import annotations

import inspect
import warnings

import numpy as np
import pytest
from blocks import CUBES, block, gaussian, night_cube
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples

from stackkit.errors import UsageError
from stackkit.integration.methods import METHODS, Samples, method_named, with_parameters

EVERY = pytest.mark.parametrize("name", list(METHODS))


@pytest.fixture(autouse=True)
def _no_warnings():
    with warnings.catch_warnings(), np.errstate(divide="raise", over="raise", invalid="raise"):
        warnings.simplefilter("error")
        yield


def run(name, *given, **more):
    return METHODS[name].function(block(*given, **more))


# Properties


@EVERY
@examples(60)
@given(data=st.data(), values=CUBES)
def test_the_order_of_frames_does_not_matter(name, data, values):
    order = np.array(data.draw(st.permutations(range(len(values)))))
    rng = np.random.default_rng(6)
    variances = rng.uniform(0.5, 2, values.shape).astype(np.float32)
    weights = rng.uniform(0.5, 2, len(values)).astype(np.float32)
    one = run(name, values, variances, weights)
    other = run(name, values[order], variances[order], weights[order])
    for a, b in zip(one, other, strict=True):
        np.testing.assert_allclose(a, b, rtol=1e-4, atol=2e-3)


@EVERY
@examples(60)
@given(values=CUBES)
def test_the_result_lies_among_the_samples(name, values):
    value, variance, count = run(name, values)
    there = np.isfinite(values).sum(axis=0)
    some = there > 0
    assert np.isnan(value[~some]).all()
    assert np.isnan(variance[~some]).all()
    assert (count[~some] == 0).all()
    assert np.isfinite(variance[some]).all()
    assert (variance[some] > 0).all()
    assert ((count[some] >= 1) & (count[some] <= there[some])).all()
    if some.any():
        low, high = np.nanmin(values[:, some], axis=0), np.nanmax(values[:, some], axis=0)
        assert (value[some] >= low - 1e-3).all()
        assert (value[some] <= high + 1e-3).all()


@EVERY
@examples(60)
@given(values=CUBES, shift=st.integers(-2000, 2000), power=st.integers(-4, 6))
def test_shifted_and_scaled_samples_give_a_shifted_and_scaled_result(name, values, shift, power):
    # Whole numbers and powers of two, so that nothing is rounded on the way in.
    values, scale = np.round(values), 2.0**power
    one = run(name, values, 4.0, contrast=2.0)
    other = run(name, values * scale + shift, 4.0 * scale**2, contrast=2.0 * scale)
    np.testing.assert_allclose(other[0], one[0] * scale + shift, rtol=1e-5, atol=1e-3 * (1 + scale))
    np.testing.assert_allclose(other[1], one[1] * scale**2, rtol=1e-3)
    assert np.array_equal(one[2], other[2])


@pytest.mark.parametrize("name", [n for n in METHODS if n not in ("maximum", "minimum")])
def test_light_and_shadow_are_treated_alike(name):
    values = night_cube(1, 11, 500)
    one, other = run(name, values, 64.0), run(name, -values, 64.0)
    np.testing.assert_allclose(one[0], -other[0], rtol=1e-5)
    assert np.array_equal(one[2], other[2])


@EVERY
def test_places_do_not_touch_each_other(name):
    # The kernels go by many places at once; a place is the same wherever it stands.
    values = night_cube(2, 9, 700)
    whole = run(name, values, 64.0)
    for part in (slice(0, 1), slice(250, 263), slice(400, 700)):
        for a, b in zip(whole, run(name, values[:, part], 64.0), strict=True):
            assert np.array_equal(a[part], b, equal_nan=True)


@EVERY
def test_samples_are_left_as_they_are(name):
    samples = block(night_cube(3, 9, 300), 64.0)
    before = samples.values.copy()
    METHODS[name].function(samples)
    assert np.array_equal(samples.values, before, equal_nan=True)


# Bad input


@EVERY
def test_one_frame_is_itself(name):
    values = night_cube(4, 1, 100)
    value, variance, count = run(name, values, 9.0)
    there = np.isfinite(values[0])
    np.testing.assert_array_equal(value, values[0])
    np.testing.assert_allclose(variance[there], 9)
    assert np.array_equal(count, there)


@pytest.mark.parametrize("name", [n for n in METHODS if n not in ("maximum", "minimum")])
def test_two_frames_are_their_mean(name):
    value, variance, count = run(name, [[0.0, -5.0], [8.0, 90000.0]], 4.0)
    np.testing.assert_allclose(value, [4.0, 44997.5])
    np.testing.assert_allclose(variance, 2.0, rtol=1e-5)
    assert (count == 2).all()


@EVERY
@pytest.mark.parametrize("frames", [1, 2, 3, 24])
def test_nothing_there_is_nothing_and_not_black(name, frames):
    value, variance, count = run(name, np.full((frames, 5), np.nan), np.nan)
    assert np.isnan(value).all()
    assert np.isnan(variance).all()
    assert (count == 0).all()
    assert count.dtype == np.int16


@EVERY
def test_no_frames_and_no_places(name):
    value, variance, count = run(name, np.zeros((0, 5)))
    assert np.isnan(value).all()
    assert np.isnan(variance).all()
    assert (count == 0).all()
    assert [len(part) for part in run(name, np.zeros((5, 0)))] == [0, 0, 0]


@EVERY
def test_frames_of_no_weight_are_not_there(name):
    values = gaussian(5, np.full(6, 8.0), 50)
    value, variance, count = run(name, values, 64.0, 0.0)
    assert np.isnan(value).all()
    assert np.isnan(variance).all()
    assert (count == 0).all()
    weights = np.float32([1, 0, 1, 1, 0, 1])
    for a, b in zip(
        run(name, values, 64.0, weights), run(name, values[weights > 0], 64.0), strict=True
    ):
        np.testing.assert_allclose(a, b, rtol=1e-6)


@EVERY
@pytest.mark.parametrize("noise", [np.nan, np.inf, -1.0])
def test_a_sample_of_unknown_noise_is_missing(name, noise):
    values = gaussian(6, np.full(6, 8.0), 50)
    variances = np.full_like(values, 64)
    variances[2] = noise
    absent = values.copy()
    absent[2] = np.nan
    for a, b in zip(run(name, values, variances), run(name, absent, 64.0), strict=True):
        assert np.array_equal(a, b)


@EVERY
def test_infinite_samples_are_missing(name):
    values = gaussian(7, np.full(6, 8.0), 50)
    values[1], values[4] = np.inf, -np.inf
    value, variance, count = run(name, values, 64.0)
    assert np.isfinite(value).all()
    assert np.isfinite(variance).all()
    assert (count <= 4).all()


@EVERY
@pytest.mark.parametrize("frames", [2, 3, 8, 25])
@pytest.mark.parametrize("noise", [0.0, 1e-12, 4.0])
def test_equal_values_reject_nothing(name, frames, noise):
    value, variance, count = run(name, np.full((frames, 300), 0.1), noise)
    assert (value == np.float32(0.1)).all()
    assert (count == frames).all()
    assert np.isfinite(variance).all()
    assert (variance == 0).all() if noise == 0 else (variance > 0).all()


@pytest.mark.parametrize(
    ("name", "fewest"),
    [("median", 3), ("sigma-clip", 11), ("winsorised", 5), ("noise-model", 3), ("tukey", 3)],
)
@pytest.mark.parametrize("more", [0, 1, 8])
def test_a_frame_a_hundred_times_brighter_does_no_harm(name, fewest, more):
    values = gaussian(8, np.full(fewest + more, 8.0), 2000)
    values[1] *= 100
    value, _, _ = run(name, values, 64.0)
    assert np.abs(value - 500).max() < 40


def test_a_frame_a_hundred_times_brighter_pulls_huber_s_no_farther_than_c():
    values = gaussian(9, np.full(9, 8.0), 500)
    near = values.copy()
    near[1], values[1] = 600, 50_000
    np.testing.assert_allclose(
        run("huber", values, 64.0)[0], run("huber", near, 64.0)[0], atol=0.02
    )


@EVERY
@pytest.mark.parametrize("contrast", [np.nan, np.inf])
def test_contrast_that_is_not_known_counts_as_none(name, contrast):
    values = night_cube(10, 8, 300)
    one, other = run(name, values, 64.0, contrast=contrast), run(name, values, 64.0)
    for a, b in zip(one, other, strict=True):
        assert np.array_equal(a, b, equal_nan=True)


def test_samples_that_do_not_fit_together_are_refused():
    whole = block(np.zeros((3, 5)))
    with pytest.raises(ValueError, match="do not go with"):
        Samples(whole.values, whole.variances[:2], whole.weights, whole.contrast)
    with pytest.raises(ValueError, match="do not go with"):
        Samples(whole.values, whole.variances, whole.weights, whole.contrast[:4])


@pytest.mark.parametrize("name", ["median", "maximum", "minimum"])
def test_weights_do_not_matter_to_some(name):
    values = night_cube(11, 9, 300)
    one, other = run(name, values), run(name, values, 1.0, np.linspace(0.1, 9, 9))
    for a, b in zip(one, other, strict=True):
        assert np.array_equal(a, b, equal_nan=True)


@pytest.mark.parametrize(
    "name", ["mean", "sigma-clip", "winsorised", "noise-model", "tukey", "huber"]
)
def test_weights_matter_to_others(name):
    # By hand, nothing being off: (3·0 + 1·2) / 4.
    value, _, count = run(name, [[0.0], [2.0]], 4.0, [3.0, 1.0])
    assert value[0] == pytest.approx(0.5)
    assert count[0] == 2


# Names and parameters


@EVERY
def test_an_entry_says_what_it_is(name):
    method = method_named(name)
    assert method.name == name
    assert method.purpose
    assert inspect.getdoc(method.function)
    of_function = {
        key: parameter.default
        for key, parameter in inspect.signature(method.function).parameters.items()
        if key != "samples"
    }
    assert of_function == {parameter.name: parameter.default for parameter in method.parameters}
    for parameter in method.parameters:
        assert parameter.low <= parameter.default <= parameter.high
        assert parameter.purpose


def test_an_unknown_name_is_told_with_those_there_are():
    with pytest.raises(UsageError, match="Did you mean “winsorised”") as told:
        method_named("winsorized")
    for name in METHODS:
        assert name in str(told.value)
    with pytest.raises(UsageError, match="Choose one of: by-sample, mean"):
        method_named("zzz", besides=["by-sample"])


def test_parameters_are_bound():
    values = gaussian(12, np.full(12, 8.0), 500)
    sharp = with_parameters(METHODS["sigma-clip"], {"kappa": 1.5})
    assert sharp.function(block(values))[2].sum() < run("sigma-clip", values)[2].sum()
    assert [parameter.default for parameter in sharp.parameters] == [1.5]
    assert METHODS["sigma-clip"].parameters[0].default == 3


def test_parameters_are_bound_one_after_the_other():
    both = with_parameters(METHODS["tukey"], {"c": 3, "steepness": 0.5})
    one = with_parameters(with_parameters(METHODS["tukey"], {"c": 3}), {"steepness": 0.5})
    assert both.parameters == one.parameters
    samples = block(night_cube(13, 8, 200), 64.0, contrast=20.0)
    for a, b in zip(both.function(samples), one.function(samples), strict=True):
        assert np.array_equal(a, b, equal_nan=True)


def test_the_ends_of_the_range_are_in_it():
    values = night_cube(14, 8, 200)
    for method in METHODS.values():
        for parameter in method.parameters:
            for number in (parameter.low, parameter.high):
                bound = with_parameters(method, {parameter.name: number})
                value, variance, count = bound.function(block(values, 64.0))
                assert np.isfinite(value[count > 0]).all()
                assert np.isfinite(variance[count > 0]).all()


@pytest.mark.parametrize("number", [0.999, 20.5, -3, np.nan, np.inf])
def test_a_number_out_of_range_is_told_with_the_range(number):
    with pytest.raises(UsageError, match="“kappa” of the method “sigma-clip” goes from 1 to 20"):
        with_parameters(METHODS["sigma-clip"], {"kappa": number})


def test_an_unknown_parameter_is_told_with_those_there_are():
    with pytest.raises(UsageError, match=r"no parameter “kapa”\. Did you mean “kappa”\?.*kappa, s"):
        with_parameters(METHODS["noise-model"], {"kapa": 3})
    with pytest.raises(UsageError, match="takes no parameters"):
        with_parameters(METHODS["mean"], {"kappa": 3})
