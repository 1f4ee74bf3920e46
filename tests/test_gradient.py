"""The sky's glow: taken off where it is smooth, told as it is; what is no sky stays.

Truth: the simulator's noiseless pictures with and without the Milky Way.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from stackkit.picture.gradient import (
    fit_sky,
    gradient_record,
    sky_at,
    sky_of_grid,
    tiles,
    without_sky,
)
from stackkit.picture.orientation import upright
from stackkit.simulate import Night, ideal_picture

HEIGHT, WIDTH = 300, 400
BASE = Night(
    seed=5, faintest=8.5, star_density=0.3, width=WIDTH, height=HEIGHT, focal=270.0, frames=1
)
NIGHTS = {
    "plain": {},
    "town": {"sky_rate": 60.0, "sky_gradient": 1.0},
    "steep": {"sky_gradient": 2.0, "altitude": 50.0},
    "strong falloff": {"vignetting": 0.6},
    "upright": {"width": 300, "height": 400},
}


def simulated(name, milky_way):
    return replace(BASE, milky_way=milky_way, **NIGHTS[name])


@cache
def light(name, milky_way):
    """Electrons (3, H, W) without noise."""
    return ideal_picture(simulated(name, milky_way), 0)


@cache
def picture(name, milky_way=0.0, noise=True):
    """ADU (3, H, W) as a stack of 24 frames has them."""
    night, electrons = simulated(name, milky_way), light(name, milky_way)
    rng = np.random.default_rng(2)
    scatter = np.sqrt((electrons + night.read_noise**2) / 24) if noise else 0.0
    adu = (electrons + rng.normal(size=electrons.shape) * scatter) / night.gain
    return adu.astype(np.float32)


def medians(value):
    """Medians of the light of squares that stars do not reach."""
    found, _, _ = tiles(value)
    return found


@pytest.mark.parametrize("name", NIGHTS)
def test_a_smooth_sky_is_gone(name):
    value = picture(name)
    left = medians(without_sky(value, fit_sky(value)))
    level = np.median(medians(value), axis=0)
    assert medians(value).max() > 1.3 * medians(value).min()
    away = np.abs(left / level)
    print(f"{name}: left of the sky, typically {np.median(away):.3f}, at most {away.max():.3f}")
    assert np.percentile(away, 90) < 0.05
    assert np.abs(np.median(left / level, axis=0)).max() < 0.01


@pytest.mark.parametrize("name", ["plain", "town", "steep"])
@pytest.mark.parametrize("strength", [0.3, 1.0])
def test_the_milky_way_survives(name, strength):
    value = picture(name, strength)
    truth = medians(picture(name, strength, noise=False) - picture(name, noise=False))
    left = medians(without_sky(value, fit_sky(value)))
    band = truth[:, 1] > 0.6 * truth[:, 1].max()
    dark = truth[:, 1] < 0.1 * truth[:, 1].max()
    assert band.sum() > 10
    assert dark.sum() > 100
    kept = np.median(left[band], axis=0) - np.median(left[dark], axis=0)
    there = np.median(truth[band], axis=0) - np.median(truth[dark], axis=0)
    print(f"{name}, {strength}: kept {kept / there}")
    assert (kept > 0.8 * there).all()
    assert (kept < 1.2 * there).all()
    # It keeps its colour.
    np.testing.assert_allclose(kept / kept[1], there / there[1], atol=0.06)


def test_ground_bends_nothing():
    value = picture("plain").copy()
    whole = fit_sky(value)
    value[:, 230:] *= 0.25
    sky = fit_sky(value)
    upper = sky_of_grid(sky, HEIGHT, WIDTH)[:, :220] / sky_of_grid(whole, HEIGHT, WIDTH)[:, :220]
    assert np.abs(upper - 1).max() < 0.06


def test_stars_and_missing_pixels_lift_nothing():
    value = picture("plain").copy()
    whole = sky_of_grid(fit_sky(value), HEIGHT, WIDTH)
    rng = np.random.default_rng(9)
    y, x = rng.integers(0, HEIGHT, 4000), rng.integers(0, WIDTH, 4000)
    value[:, y, x] += 500
    value[:, :, 330:] = np.nan
    value[0, 50:60] = np.nan
    found = sky_of_grid(fit_sky(value), HEIGHT, WIDTH)
    assert np.abs(found / whole - 1)[:, :, :320].max() < 0.05


def test_rows_are_those_of_the_whole():
    sky = fit_sky(picture("plain"))
    whole = sky_of_grid(sky, HEIGHT, WIDTH)
    part = sky_at(sky, (np.arange(40, 50) + 0.5) / HEIGHT, (np.arange(WIDTH) + 0.5) / WIDTH)
    np.testing.assert_array_equal(whole[:, 40:50], part)


@pytest.mark.parametrize(("orientation", "towards"), [(1, 90), (3, 270), (6, 180), (8, 0)])
def test_where_it_gets_brighter(orientation, towards):
    # TIFF 6.0: of orientation 6 the first row is the picture's right side.
    x = np.linspace(0, 1, WIDTH)
    value = np.broadcast_to(40 + 30 * x, (3, HEIGHT, WIDTH)).astype(np.float32)
    value = value + np.random.default_rng(1).normal(0, 0.5, value.shape).astype(np.float32)
    told = gradient_record(fit_sky(value), (HEIGHT, WIDTH), orientation)
    assert abs((told["towards_deg"] - towards + 180) % 360 - 180) < 3
    assert told["strength"] == pytest.approx(70 / 40, rel=0.06)
    assert told["sky_adu"] == pytest.approx([55] * 3, rel=0.03)
    shown = upright(np.broadcast_to(40 + 30 * x, (HEIGHT, WIDTH)), orientation)
    rows, columns = np.shape(told["map"])
    assert (rows < columns) == (shown.shape[0] < shown.shape[1])
    first, last = np.array(told["map"])[0, 0], np.array(told["map"])[-1, -1]
    assert (first < last) == (shown[0, 0] < shown[-1, -1])


@pytest.mark.parametrize("level", [np.nan, 0.0])
def test_no_sky_is_told_of_nothing(level):
    value = np.full((3, 50, 60), level, np.float32)
    sky = fit_sky(value)
    assert gradient_record(sky, (50, 60), 1) is None
    left = without_sky(value, sky)
    assert np.isnan(left).all() if np.isnan(level) else np.abs(left).max() < 1e-5
