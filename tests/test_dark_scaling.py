"""Darks of other evenings: scaled by their hot pixels, or refused with a sentence."""

from __future__ import annotations

from dataclasses import replace

import astropy.units as u
import ccdproc
import numpy as np
import pytest
from astropy.nddata import CCDData
from calibration_scenes import NIGHT, adu, lights, master_bias, master_dark, true_noise
from grids import corners

from stackkit.calibration.dark_scaling import fit_dark, to_subtract
from stackkit.simulate import expose
from stackkit.simulate.sensor import dark, hot_pixels


def test_a_dark_of_the_same_night_fits_as_it_is():
    fit = fit_dark(lights(NIGHT), master_dark(NIGHT))
    assert fit.accepted
    assert fit.scale == 1.0
    assert fit.explained > 0.9
    assert "fits as it is" in fit.words


@pytest.mark.parametrize("warmth", [0.5, 1.6, 3.0])
@pytest.mark.parametrize("seed", corners([21, 77], [21]))
def test_a_dark_of_another_temperature_is_scaled(warmth, seed):
    night = replace(NIGHT, seed=seed)
    fit = fit_dark(lights(night), master_dark(replace(night, warmth=warmth)))
    assert fit.accepted
    assert fit.scale == pytest.approx(1 / warmth, abs=max(4 * fit.scale_error, 0.01 / warmth))
    assert fit.scale_error < 0.02 / warmth
    assert "scaled by" in fit.words


def test_a_dark_of_twice_the_exposure_beside_ccdproc():
    """ccdproc.subtract_dark scales by the times; the fit finds the same without being told."""
    night = replace(NIGHT, exposure=4.0)
    long = master_dark(replace(night, exposure=8.0))
    fit = fit_dark(lights(night), long)
    # The simulator's hot pixels have 10 e⁻ that do not grow with time, a real one's may, too.
    assert fit.scale == pytest.approx(0.5, abs=0.05)
    light = CCDData(adu(night, expose(night, 0).codes), unit=u.adu)
    seconds = {"dark_exposure": 8 * u.s, "data_exposure": 4 * u.s, "scale": True}
    theirs = ccdproc.subtract_dark(light, CCDData(long.value, unit=u.adu), **seconds).data
    ours = light.data - to_subtract(long, fit, None, true_noise(night), 20.0)
    y, x, _ = hot_pixels(night)
    both = np.isfinite(ours[y, x])
    left = [np.abs(p[y, x][both] - 20).mean() for p in (ours, theirs)]
    assert left[0] < 1.1 * left[1]


@pytest.mark.parametrize(
    ("warmth", "most"), [(1.0, 0.06), (1.6, 0.06)], ids=["same evening", "warmer"]
)
def test_hot_pixels_are_gone_from_the_lights(warmth, most):
    """Against the simulated truth, in units of a sample's noise; before, they are 20 σ."""
    taken = replace(NIGHT, warmth=warmth)
    found = master_dark(taken, 20)
    noise, sky = true_noise(NIGHT), 20.0
    plane = to_subtract(found, fit_dark(lights(NIGHT), found), None, noise, sky)
    truth = np.zeros(plane.shape)
    y, x, excess = hot_pixels(NIGHT)
    np.add.at(truth, (y, x), excess / NIGHT.gain)
    sigma = np.sqrt(noise.floor + noise.slope * sky)
    left = (truth - plane)[y, x] / sigma
    known = np.isfinite(left)
    assert np.mean(truth[y, x]) / sigma > 10
    assert known.mean() > 0.6
    assert abs(left[known].mean()) < most
    assert left[known].std() < 0.4
    # Elsewhere nothing is added that could be seen: less than a tenth of a sample's noise.
    quiet = truth == 0
    assert np.isfinite(plane[quiet]).all()
    assert (truth - plane)[quiet].std() / sigma < 0.1


def test_the_bias_pattern_is_not_scaled():
    night = replace(NIGHT, column_pattern=6.0, bad_columns=3)
    found, fixed = master_dark(replace(night, warmth=2.0)), master_bias(night)
    fit = fit_dark(lights(night), found, fixed)
    assert fit.accepted
    assert fit.scale == pytest.approx(0.5, abs=0.02)
    plane = to_subtract(found, fit, fixed, true_noise(night), 20.0)
    cool = np.mean([adu(night, dark(night, 100 + k)) for k in range(12)], axis=0)
    columns = np.nanmedian(cool - plane, axis=0)
    assert np.abs(columns).max() < 0.5
    assert np.abs(np.median(cool, axis=0)).max() > 5


def test_darks_of_no_use_are_refused():
    other = fit_dark(lights(NIGHT), master_dark(replace(NIGHT, seed=5)))
    assert not other.accepted
    assert "do not show in the lights" in other.words
    half = master_dark(NIGHT)
    wrong = replace(half, value=half.value.copy())
    wrong.value[:, :320] = np.roll(half.value[:, :320], 6, axis=0)
    poor = fit_dark(lights(NIGHT), wrong)
    assert not poor.accepted
    assert "left out" in poor.words
    assert to_subtract(wrong, poor, None, true_noise(NIGHT), 20.0) is None
    with pytest.raises(ValueError, match="dark of"):
        fit_dark(lights(NIGHT)[:100], half)


def test_a_dark_without_hot_pixels():
    cold = replace(NIGHT, hot_fraction=0.0)
    found = master_dark(cold)
    same = fit_dark(lights(NIGHT), found, exposure=8.0)
    assert same.accepted
    assert same.scale is None
    for exposure in (2.0, None):
        fit = fit_dark(lights(NIGHT), found, exposure=exposure)
        assert not fit.accepted
        assert "too few hot pixels" in fit.words


def test_sites_too_noisy_to_correct_are_missing():
    found = master_dark(NIGHT)
    noise = true_noise(NIGHT)
    plane = to_subtract(found, fit_dark(lights(NIGHT), found), None, noise, 20.0)
    missing = np.isnan(plane)
    own = noise.floor + 20 * noise.slope
    assert missing.any()
    assert (noise.slope * found.value[missing & np.isfinite(found.value)] > 2 * own).all()
    assert (noise.slope * np.nan_to_num(found.value[~missing]) < 3.1 * own).all()
    glow = replace(found, value=found.value + np.float32(500))
    kept = to_subtract(glow, fit_dark(lights(NIGHT), glow), None, noise, 20.0)
    assert np.isnan(kept).mean() < 0.01
