"""Smaller pictures against OpenCV's ``INTER_AREA``."""

from __future__ import annotations

import cv2
import numpy as np

from stackkit.picture.shrink import shrink


def test_shrinking_against_opencv():
    plane = np.random.default_rng(1).normal(50, 5, (300, 437)).astype(np.float32)
    small = shrink(plane[None], 200)[0]
    expected = cv2.resize(plane, (200, small.shape[0]), interpolation=cv2.INTER_AREA)
    np.testing.assert_allclose(small, expected, rtol=1e-4)
    np.testing.assert_array_equal(shrink(plane[None], 1000)[0], plane)


def test_shrinking_leaves_missing_samples_out():
    plane = np.full((40, 40), 3.0, dtype=np.float32)
    plane[:10] = np.nan
    plane[10, 0] = np.nan
    small = shrink(plane[None], 20)[0]
    assert np.isnan(small[:5]).all()
    np.testing.assert_allclose(small[5:], 3.0)


def test_rows_are_asked_for_once_in_order_and_may_be_changed():
    picture = np.random.default_rng(2).normal(5, 1, (3, 900, 40)).astype(np.float32)
    asked = []

    def doubled(whole, first, last):
        asked.append((first, last))
        return 2 * whole[:, first:last]

    np.testing.assert_allclose(shrink(picture, 300, doubled), 2 * shrink(picture, 300), rtol=1e-6)
    assert [first for first, _ in asked] == [last for _, last in [(0, 0), *asked[:-1]]]
    assert asked[-1][1] == 900
