"""Stars' shapes and a coarse look at the samples: what they say of a frame as a whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scenes import star_table
from scipy.ndimage import gaussian_filter

from stackkit.grading.indicators import patchiness, scatter
from stackkit.stars.first_check import first_check
from stackkit.stars.shapes import axes, drawn_out, second_images

RNG = np.random.default_rng(5)


def scattered(count=200, **columns):
    """Stars anywhere in 1000×750 px."""
    x, y = RNG.uniform(0, 1000, count), RNG.uniform(0, 750, count)
    return replace(star_table(np.geomspace(1e4, 100, count)), x=x, y=y, **columns)


def test_noise_draws_stars_out_in_any_direction_and_cancels():
    noisy = scattered(elongation=np.full(200, 0.3), angle=RNG.uniform(0, np.pi, 200))
    assert abs(drawn_out(noisy)) < 0.06
    moved = scattered(elongation=np.full(200, 0.3), angle=np.full(200, 0.8))
    assert drawn_out(moved) == pytest.approx(0.3 * np.exp(1.6j))
    assert np.isnan(drawn_out(star_table([])))


@pytest.mark.parametrize(("long", "short"), [(1.2, 1.0), (1.5, 0.8), (2.0, 1.0)])
def test_axes_follow_from_windowed_moments(long, short):
    """Against moments of a Gaussian under a round Gaussian window, summed on a fine grid."""
    s = np.sqrt((long**2 + short**2) / 2)
    x, y = np.meshgrid(*[np.arange(-8, 8, 0.02)] * 2)
    light = np.exp(-0.5 * ((x / long) ** 2 + (y / short) ** 2 + (x**2 + y**2) / s**2))
    xx, yy = (light * x**2).sum(), (light * y**2).sum()
    found = axes(float((xx - yy) / (xx + yy)))
    assert np.array(found) * s == pytest.approx([long, short], rel=1e-3)
    assert axes(0.0) == axes(float("nan")) == (1.0, 1.0)


def test_second_images_are_found_at_their_distance():
    single = scattered()
    x, y = np.append(single.x, single.x[:80] + 6.0), np.append(single.y, single.y[:80] - 8.0)
    double = replace(star_table(np.geomspace(1e4, 100, 280)), x=x, y=y)
    assert second_images(double) == pytest.approx(10.0, abs=0.5)
    assert second_images(single) == 0.0


def test_a_crowd_is_no_second_image():
    crowd = scattered(300)
    crowd = replace(crowd, x=0.2 * crowd.x, y=0.2 * crowd.y)
    assert second_images(crowd) == 0.0


def test_light_that_differs_over_the_picture_is_patchy():
    stars = scattered()
    pairs = np.stack([np.arange(200)] * 2, axis=1)
    noise = np.exp(RNG.normal(0, 0.1, 200))
    even = replace(stars, flux=0.4 * stars.flux * noise)
    assert patchiness(stars, even, pairs) < 0.04
    ramp = replace(even, flux=even.flux * np.exp(-0.6 * stars.x / 1000))
    # ln light of the thirds' middles: -0.1, -0.3, -0.5.
    assert patchiness(stars, ramp, pairs) == pytest.approx(np.std([0.1, 0.3, 0.5] * 3), rel=0.3)
    assert np.isnan(patchiness(stars, even, pairs[:4]))


def test_scatter_knows_neither_trends_nor_jumps():
    column = RNG.normal(0, 0.1, 400)
    assert scatter(column) == pytest.approx(0.1, rel=0.15)
    struck = column + np.where(np.arange(400) % 40 < 15, 3.0, 0.0) + 0.005 * np.arange(400)
    assert scatter(struck) == pytest.approx(0.1, rel=0.2)
    assert scatter(np.array([1.0])) == 0.0


def picture(width):
    """Noise, and thirty stars of 4000 ADU with this σ."""
    light = np.zeros((384, 512))
    for y, x in RNG.integers(40, 340, (30, 2)):
        light[y, x] = 4e4
    return (50 + gaussian_filter(light, width) + RNG.normal(0, 5, light.shape)).astype(np.float32)


def test_stars_far_out_of_focus_are_still_spots():
    """Wider than any star that could be measured, and yet not hidden by cloud."""
    assert first_check(picture(7.0), 4000.0).spots > 15
    assert first_check(np.float32(50 + RNG.normal(0, 5, (384, 512))), 4000.0).spots < 3


def test_clipped_samples_are_counted():
    plane = picture(1.5)
    plane[:96] = 4000.0
    plane[96:192] = np.nan
    assert first_check(plane, 4000.0).clipped == pytest.approx(1 / 3, abs=0.01)
