"""A mosaic opened into its colours: held against the rule written out plainly."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from grids import corners
from hypothesis import given
from hypothesis import strategies as st
from scenes import PATTERNS, examples, layout, opened_plainly, sites

from stackkit.integration import demosaic

every_pattern = pytest.mark.parametrize("pattern", PATTERNS)


def opened(codes, pattern, step=1.0, pedestal=0.0, balance=None, missing=None):
    """Planes and confidence (3, H, W) of a window, by the kernel."""
    missing = codes == 0 if missing is None else missing
    grid = layout(pattern, codes.shape, balance)
    planes = np.full((3, *codes.shape), np.nan, np.float32)
    confidence = np.full_like(planes, np.nan)
    kind = (grid.layout, grid.cross, demosaic.opening_taps(grid.layout), demosaic.EVERY_RIM)
    demosaic.open_window(codes, missing, (step, pedestal), *kind, planes, confidence)
    return planes, confidence


def some_codes(seed, shape=(18, 20)):
    return np.random.default_rng(seed).integers(900, 5000, shape).astype(np.uint16)


WHITE = (1.9, 1.0, 1.5)
BALANCES = pytest.mark.parametrize("balance", [None, WHITE])
CASES = pytest.mark.parametrize(
    "case",
    corners(
        itertools.product((3, 0), (None, WHITE), PATTERNS),
        # Every pattern, every balance with every margin.
        [(3, None, "RGGB"), (0, WHITE, "BGGR"), (3, WHITE, "GRBG"), (0, None, "GBRG")],
    ),
    ids=str,
)


def places(margin):
    """Sites of ``some_codes`` that far from its edge."""
    return st.tuples(st.integers(margin, 17 - margin), st.integers(margin, 19 - margin))


@every_pattern
@BALANCES
def test_opening_is_what_the_rule_says(pattern, balance):
    codes = some_codes(1)
    planes, confidence = opened(codes, pattern, 0.5, 64.0, balance)
    plainly, sure = opened_plainly(codes, pattern, 0.5, 64.0, balance)
    np.testing.assert_allclose(planes, plainly, atol=2e-3)
    np.testing.assert_allclose(confidence, sure, atol=1e-6)


@CASES
@examples(8)
@given(data=st.data())
def test_opening_with_samples_missing_is_what_the_rule_says(case, data):
    margin, balance, pattern = case
    codes = some_codes(2)
    for y, x in data.draw(st.lists(places(margin), min_size=1, max_size=8)):
        codes[y, x] = 0
    planes, confidence = opened(codes, pattern, balance=balance)
    plainly, sure = opened_plainly(codes, pattern, balance=balance)
    there = np.isfinite(plainly)
    np.testing.assert_allclose(confidence, sure, atol=1e-6)
    np.testing.assert_allclose(planes[there], plainly[there], atol=2e-3)
    assert np.isfinite(planes).all()


@CASES
@examples(8)
@given(data=st.data())
def test_opening_with_samples_expected_is_what_the_rule_says(case, data):
    """Some of the missing samples have a code that stands for them, others none."""
    margin, balance, pattern = case
    codes = some_codes(4)
    missing = np.zeros(codes.shape, dtype=bool)
    drawn = data.draw(st.lists(places(margin), min_size=1, max_size=10, unique=True))
    for k, at in enumerate(drawn):
        missing[at] = True
        codes[at] = 0 if k % 3 == 2 else codes[at]
    planes, confidence = opened(codes, pattern, 0.5, 64.0, balance, missing)
    plainly, sure = opened_plainly(codes, pattern, 0.5, 64.0, balance, missing)
    there = np.isfinite(plainly)
    np.testing.assert_allclose(confidence, sure, atol=1e-6)
    np.testing.assert_allclose(planes[there], plainly[there], atol=2e-3)


@every_pattern
@examples(10)
@given(seed=st.integers(0, 1000), share=st.floats(0.01, 0.6))
def test_what_is_expected_counts_as_a_value_and_not_as_a_measurement(pattern, seed, share):
    """Planes are those of a whole window, the confidence that of a window with holes."""
    codes = some_codes(seed)
    missing = np.random.default_rng([seed, 1]).random(codes.shape) < share
    planes, confidence = opened(codes, pattern, balance=(1.9, 1.0, 1.5), missing=missing)
    whole, _ = opened(codes, pattern, balance=(1.9, 1.0, 1.5))
    holed = np.where(missing, 0, codes).astype(np.uint16)
    _, without = opened(holed, pattern, balance=(1.9, 1.0, 1.5))
    np.testing.assert_allclose(planes, whole, atol=2e-3)
    near = without > 0
    assert np.array_equal(confidence[near], without[near])
    # Where no sample is near, what is expected still fills the gap.
    assert (confidence[~near] == np.float32(demosaic.FILLED)).all()


@every_pattern
def test_a_white_star_has_the_same_width_in_all_colours(pattern):
    """Without the steepness from the other colours, red and blue are a tenth wider than green."""
    y, x = np.mgrid[:40, :40]
    balance = np.array([1.9, 1.0, 1.5])
    widths = []
    for dx, dy in np.random.default_rng(3).uniform(0, 2, (40, 2)):
        away = (x - 19 - dx) ** 2 + (y - 19 - dy) ** 2
        star = 40000 * np.exp(-0.5 * away / 0.85**2)
        codes = np.rint(1000 + star / balance[sites(pattern, star.shape)]).astype(np.uint16)
        planes, _ = opened(codes, pattern, balance=tuple(balance))
        light = np.clip(planes - 999, 0, None) * np.exp(-0.5 * away / 1.5**2)
        widths.append((light * away).sum(axis=(1, 2)) / light.sum(axis=(1, 2)))
    red, green, blue = np.mean(widths, axis=0)
    assert red / green == pytest.approx(1, abs=0.06)
    assert blue / green == pytest.approx(1, abs=0.06)


@every_pattern
def test_own_samples_are_untouched(pattern):
    codes = some_codes(3)
    planes, confidence = opened(codes, pattern, 0.125, 256.0)
    own = np.take_along_axis(planes, sites(pattern, codes.shape)[None].astype(int), 0)[0]
    np.testing.assert_allclose(own, (codes - 1.0) * 0.125 - 256, atol=1e-4)
    assert (confidence == 1).sum() > 0.6 * confidence.size


@every_pattern
@examples(12)
@given(data=st.data())
def test_an_even_plane_stays_even_whatever_is_missing(pattern, data):
    """Each colour has its own level, so that none leaks into another."""
    levels = np.array([500, 1700, 3100], np.uint16)
    codes = levels[sites(pattern, (20, 24))]
    share = data.draw(st.floats(0, 0.5))
    rng = np.random.default_rng(data.draw(st.integers(0, 1000)))
    codes[rng.random(codes.shape) < share] = 0
    planes, confidence = opened(codes, pattern)
    for c in range(3):
        np.testing.assert_allclose(planes[c], levels[c] - 1.0, atol=1e-3)
    assert ((confidence >= np.float32(demosaic.FILLED)) | (confidence == 0)).all()
    assert (confidence <= 1).all()


def test_confidence_around_one_missing_sample():
    # RGGB, a green one at (10, 9) is missing.
    codes = np.full((20, 20), 1000, np.uint16)
    codes[10, 9] = 0
    planes, confidence = opened(codes, "RGGB")
    green = confidence[1]
    assert green[10, 9] == np.float32(demosaic.FILLED)
    # Its four neighbours lose one sample of four.
    for y, x in ((10, 8), (10, 10), (9, 9), (11, 9)):
        assert green[y, x] == 0.75
    inside = (slice(None), slice(3, -3), slice(3, -3))
    assert (confidence[inside] < 0.99).sum() == 5
    assert (confidence[inside][[0, 2]] == 1).all()
    np.testing.assert_allclose(planes, 999, atol=1e-3)


def test_a_missing_sample_takes_its_surroundings_value():
    codes = np.full((20, 20), 1000, np.uint16)
    codes[:, 10:] = 2000
    codes[10, 8] = 0
    planes, _ = opened(codes, "RGGB")
    # Gaussian mean within 4 px: mostly this side of the edge.
    assert 999 < planes[0, 10, 8] < 1400
    codes[:] = 0
    codes[0, 0] = 1500  # one sample of red, and nothing of the other colours
    planes, confidence = opened(codes, "RGGB")
    np.testing.assert_allclose(planes[0], 1499, atol=1e-3)
    assert np.isfinite(planes).all()
    assert (confidence[1:] == 0).all()
