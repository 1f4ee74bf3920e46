"""Photon transfer from the frames themselves, and what the file says of its noise."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import (
    examples,
    exposed,
    photographed,
    star_picture,
)
from scipy.ndimage import gaussian_filter, median_filter

from stackkit.noise.photon_transfer import (
    QUANTISATION,
    UNKNOWN,
    Noise,
    NoiseMeasurement,
    looks_denoised,
    photon_transfer,
    photon_transfer_alone,
    profile_noise,
    read_noise,
    reconcile,
    variance_of,
)
from stackkit.noise.photon_transfer import gain as electrons_per_adu
from stackkit.simulate import Night

SHAPE = (512, 640)


def gradient(low, high, shape=SHAPE):
    """Three equal planes that rise from left to right."""
    return np.broadcast_to(np.linspace(low, high, shape[1]), (3, *shape))


def pair(seed, scene, gain, read):
    rng = np.random.default_rng(seed)
    return photographed(rng, scene, gain, read), photographed(rng, scene, gain, read)


def true_noise(gain, read):
    """EMVA Standard 1288, photon transfer: variance = signal / gain + read² (ADU).

    Rounding to whole codes adds 1/12.
    """
    return Noise(1 / gain, read**2 + 1 / 12)


CAMERAS = [(1.6, 2.2 / 1.6), (0.5, 6.0), (4.0, 1.0)]
"""e⁻ per ADU and read noise in ADU: a phone, an old sensor, a quiet one."""


@pytest.mark.parametrize(("gain", "read"), CAMERAS)
def test_gain_and_read_noise_of_a_dark_night(gain, read):
    found = photon_transfer([pair(0, gradient(5, 60), gain, read)])
    assert electrons_per_adu(found.noise) == pytest.approx(gain, rel=0.03)
    assert read_noise(found.noise) == pytest.approx(read * gain, rel=0.1)
    assert abs(found.whiteness) < 0.01


@pytest.mark.parametrize(("gain", "read"), CAMERAS)
@pytest.mark.parametrize("scene", [(5, 60), (20, 400), (200, 2000), (100, 110)])
def test_variance_at_the_signal_there_is(gain, read, scene):
    """Under a bright sky little can be said of the floor, but all that matters: the variance."""
    true = true_noise(gain, read)
    low, high = scene
    signal = np.linspace(low + 0.1 * (high - low), high, 5)
    for found in (
        photon_transfer([pair(1, gradient(low, high), gain, read)]),
        photon_transfer_alone(pair(2, gradient(low, high), gain, read)[0]),
    ):
        assert found is not None
        np.testing.assert_allclose(
            variance_of(found.noise, signal), variance_of(true, signal), rtol=0.05
        )


def test_errors_are_as_large_as_told():
    gain, read = CAMERAS[0]
    true = true_noise(gain, read)
    pulls = []
    for seed in range(30):
        found = photon_transfer([pair(100 + seed, gradient(5, 60, (192, 320)), gain, read)])
        pulls.append((found.noise.slope - true.slope) / found.slope_error)
        pulls.append((found.noise.floor - true.floor) / found.floor_error)
    assert 0.7 < np.sqrt(np.mean(np.square(pulls))) < 1.4


def test_several_pairs_are_steadier_than_one():
    gain, read = CAMERAS[0]
    pairs = [pair(seed, gradient(5, 60, (192, 256)), gain, read) for seed in range(8)]
    together = photon_transfer(pairs)
    apart = [photon_transfer([one]) for one in pairs]
    assert abs(together.noise.slope * gain - 1) < 0.03
    assert together.slope_error < 0.6 * np.median([one.slope_error for one in apart])


def test_textbook_photon_transfer_of_flats_and_bias_frames():
    """EMVA Standard 1288: two frames a level; half the variance of their difference, less that of
    the dark frames, over the mean signal less theirs, is the gain; the dark one is the read noise.
    """
    gain, read = 2.1, 2.4
    levels = [0, 150, 400, 900, 1600]
    pairs = [pair(20 + i, gradient(v, v), gain, read) for i, v in enumerate(levels)]
    half = np.array([np.var(a - b, dtype=np.float64) / 2 for a, b in pairs])
    mean = np.array([np.mean(a, dtype=np.float64) + np.mean(b) for a, b in pairs]) / 2
    textbook = np.polyfit(mean, half, 1, w=1 / half)[0]
    found = photon_transfer(pairs)
    assert found.noise.slope == pytest.approx(textbook, rel=0.01)
    assert found.noise.slope == pytest.approx(1 / gain, rel=0.01)
    assert found.noise.floor == pytest.approx(half[0], rel=0.02)
    assert read_noise(found.noise) == pytest.approx(read * gain, rel=0.02)


def test_variance_as_ccdproc_has_it():
    """``ccdproc.create_deviation``: the deviation of samples by gain and read noise (e⁻)."""
    ccdproc = pytest.importorskip("ccdproc")
    from astropy import units as u
    from astropy.nddata import CCDData

    signal = np.array([[0.0, 10.0, 500.0, 4000.0]])
    gain, read = 1.7, 3.1
    deviation = ccdproc.create_deviation(
        CCDData(signal, unit="adu"), gain=gain * u.electron / u.adu, readnoise=read * u.electron
    ).uncertainty.array
    ours = variance_of(Noise(1 / gain, (read / gain) ** 2), signal)
    np.testing.assert_allclose(ours, deviation**2, rtol=1e-6)


@examples(10)
@given(scale=st.floats(2, 50), seed=st.integers(0, 99))
def test_brighter_units_scale_the_model(scale, seed):
    one, other = pair(seed, gradient(20, 90, (96, 128)), 1.3, 3.0)
    found = photon_transfer([(one, other)])
    scaled = photon_transfer([(np.float32(scale) * one, np.float32(scale) * other)])
    swapped = photon_transfer([(other, one)])
    assert swapped.noise.slope == pytest.approx(found.noise.slope, rel=1e-6)
    if min(found.noise.floor, scaled.noise.floor) > QUANTISATION:
        assert scaled.noise.slope == pytest.approx(scale * found.noise.slope, rel=0.02)
        assert scaled.noise.floor == pytest.approx(scale**2 * found.noise.floor, rel=0.05)
    assert scaled.whiteness == pytest.approx(found.whiteness, abs=1e-3)


# What is no noise


def measured_pair(one, other):
    found = photon_transfer([(one, other)])
    assert found is not None
    return found.noise


def test_stars_and_fixed_pattern_do_not_count():
    gain, read = CAMERAS[0]
    rng = np.random.default_rng(5)
    xy = rng.uniform(5, 500, (150, 2))
    stars = star_picture(SHAPE, xy, 10 ** rng.uniform(2, 4, 150), 0.9)
    pattern = rng.normal(0, 3, SHAPE).round().astype(np.float32)
    one, other = pair(6, gradient(5, 60) + stars, gain, read)
    found = measured_pair(one + pattern, other + pattern)
    true = true_noise(gain, read)
    np.testing.assert_allclose(variance_of(found, 30.0), variance_of(true, 30.0), rtol=0.05)


@pytest.fixture(scope="module")
def crowd():
    """A night in the densest Milky Way, and four of its frames."""
    night = Night(
        **{"seed": 31, "frames": 4, "width": 720, "height": 560, "focal": 1600.0},
        **{"star_density": 3.0, "milky_way": 2.0, "gain": 1.9, "read_noise": 3.0},
    )
    return night, [exposed(night, k) for k in range(night.frames)]


def test_faint_stars_that_move_are_no_noise(crowd):
    night, frames = crowd
    found = photon_transfer([(frames[0], frames[1]), (frames[2], frames[3])], 3800)
    assert electrons_per_adu(found.noise) == pytest.approx(night.gain, rel=0.03)
    assert read_noise(found.noise) == pytest.approx(night.read_noise, rel=0.1)
    assert found.slope_error < 0.03 * found.noise.slope
    assert not looks_denoised(found)
    # Without care for them the difference is far from the sensor's noise.
    excess = np.var(frames[0] - frames[1]) / 2 / variance_of(found.noise, np.median(frames[0]))
    assert excess > 1.5


def test_a_single_frame_in_the_crowd(crowd):
    night, frames = crowd
    found = photon_transfer_alone(frames[0], 3800)
    assert electrons_per_adu(found.noise) == pytest.approx(night.gain, rel=0.06)
    assert read_noise(found.noise) == pytest.approx(night.read_noise, rel=0.2)
    assert not looks_denoised(found)


def test_missing_samples_and_a_trail_do_not_count():
    gain, read = CAMERAS[0]
    one, other = pair(7, gradient(5, 60), gain, read)
    one[100:103] += 500
    rng = np.random.default_rng(8)
    one[rng.random(SHAPE) < 0.01] = np.nan
    found = measured_pair(one, other)
    true = true_noise(gain, read)
    np.testing.assert_allclose(variance_of(found, 30.0), variance_of(true, 30.0), rtol=0.05)


def test_banding_and_flickering_pixels_do_not_count():
    gain, read = CAMERAS[0]
    rng = np.random.default_rng(9)
    frames = [*pair(10, gradient(5, 60), gain, read), *pair(11, gradient(5, 60), gain, read)]
    for frame in frames:
        frame += rng.normal(0, read, (SHAPE[0], 1)).round()
        frame[rng.random(SHAPE) < 2e-4] += 300
    found = photon_transfer([(frames[0], frames[1]), (frames[2], frames[3])])
    assert found.noise.slope == pytest.approx(1 / gain, rel=0.03)
    assert read_noise(found.noise) == pytest.approx(read * gain, rel=0.1)


def test_clipped_samples_do_not_count():
    gain, read = CAMERAS[0]
    one, other = (np.minimum(frame, 250) for frame in pair(12, gradient(20, 400), gain, read))
    found = photon_transfer([(one, other)], clip=250)
    assert found.noise.slope == pytest.approx(1 / gain, rel=0.03)
    assert photon_transfer([(one, other)], clip=-100) is None


def test_one_level_has_no_slope_but_a_variance():
    gain, read = CAMERAS[0]
    found = photon_transfer([pair(13, gradient(100, 100), gain, read)])
    assert found.slope_error >= found.noise.slope
    expected = variance_of(true_noise(gain, read), 100.0)
    assert variance_of(found.noise, 100.0) == pytest.approx(float(expected), rel=0.02)


def test_nothing_to_measure_gives_a_plain_answer():
    gone = np.full((64, 64), np.nan, np.float32)
    tiny = np.zeros((8, 8), np.float32)
    for frame in (gone, tiny):
        assert photon_transfer([(frame, frame)]) is None
        assert photon_transfer_alone(frame) is None
    assert photon_transfer([]) is None
    assert read_noise(UNKNOWN) is electrons_per_adu(UNKNOWN) is None


def test_frames_without_any_noise_do_not_break_it():
    even = np.full((64, 96), 7, np.float32)
    found = photon_transfer([(even, even)])
    assert found.noise == Noise(0.0, QUANTISATION)


def test_variance_has_a_floor_below_black():
    noise = Noise(0.5, 4.0)
    assert variance_of(noise, np.array([-10.0, 0.0, 10.0])).tolist() == [4.0, 4.0, 9.0]


# Raw files that are not raw


def smoothed(frame, smooth):
    """Each colour's plane smoothed by itself, then written in whole codes."""
    out = np.empty_like(frame)
    for y, x in np.ndindex(2, 2):
        out[y::2, x::2] = np.rint(smooth(np.ascontiguousarray(frame[y::2, x::2])))
    return out


def scatter(plane):
    """Robust standard deviation of the noise of one colour's plane."""
    return 1.4826 * float(np.median(np.abs(np.diff(plane, axis=1)))) / np.sqrt(2)


SMOOTH = {
    "gaussian": lambda plane: gaussian_filter(plane, 0.45),
    "median": lambda plane: median_filter(plane, 3),
    "bilateral": lambda plane: cv2.bilateralFilter(plane, 5, 2 * scatter(plane), 1.5),
}


@pytest.mark.parametrize("name", SMOOTH)
def test_denoised_frames_are_told(crowd, name):
    _, frames = crowd
    one, other = (smoothed(frame, SMOOTH[name]) for frame in frames[:2])
    found = photon_transfer([(one, other)], 3800)
    assert looks_denoised(found)
    assert found.whiteness > 0.1
    assert "denoised" in reconcile(found, None)[1]


def test_a_single_denoised_frame_is_told_when_smoothed_strongly(crowd):
    """Its differences are those of neighbours, which smoothing makes alike: less is left to see."""
    smooth = smoothed(crowd[1][0], SMOOTH["median"])
    assert looks_denoised(photon_transfer_alone(smooth, 3800))


# What the file says


def test_noise_profile_in_adu():
    """DNG specification 1.7.1, NoiseProfile: variance = S · x + O for x from 0 to 1."""
    rng = np.random.default_rng(14)
    scale, offset, span = 2e-4, 3e-7, 3839.0
    noise = profile_noise([(scale, offset)], span)
    for x in (0.01, 0.3):
        samples = x + rng.normal(0, np.sqrt(scale * x + offset), 200_000)
        assert variance_of(noise, x * span) == pytest.approx(np.var(samples * span), rel=0.02)
    assert profile_noise([(scale, offset)] * 3, span) == noise
    mixed = profile_noise([(1e-4, 1e-7), (2e-4, 2e-7), (3e-4, 3e-7)], span)
    assert mixed == profile_noise([(2e-4, 2e-7)], span)


@pytest.mark.parametrize(
    "profile", [[], [(0.0, 0.0)], [(-1e-4, 1e-6)], [(np.nan, 1e-6)], [(1e-4, np.inf)]]
)
def test_a_senseless_profile_is_none(profile):
    assert profile_noise(profile, 3839.0) is None


def test_no_profile_without_a_span():
    assert profile_noise([(1e-4, 1e-6)], 0.0) is None


SURE = NoiseMeasurement(Noise(0.6, 2.0), 0.003, 0.05, 0.001)
UNSURE = NoiseMeasurement(Noise(0.6, 2.0), 0.6, 2.0, 0.001)


@pytest.mark.parametrize(
    ("measured", "profile", "expected", "words"),
    [
        (SURE, None, SURE.noise, "measured from the frames"),
        (SURE, Noise(0.65, 2.5), SURE.noise, "measured from the frames"),
        (SURE, Noise(1.8, 6.0), SURE.noise, "merged before it was written"),
        (SURE, Noise(0.2, 0.7), SURE.noise, "3.0 times as much noise"),
        (replace(SURE, whiteness=0.3), Noise(1.8, 6.0), SURE.noise, "has been denoised"),
        (UNSURE, Noise(0.5, 1.0), Noise(0.5, 1.0), "noise profile"),
        (None, Noise(0.5, 1.0), Noise(0.5, 1.0), "noise profile"),
        (UNSURE, None, UNSURE.noise, "roughly"),
        (None, None, UNKNOWN, "unknown"),
    ],
)
def test_which_noise_to_go_by(measured, profile, expected, words):
    noise, source = reconcile(measured, profile)
    assert noise == expected
    assert words in source


def test_agreement_needs_no_remark():
    assert reconcile(SURE, Noise(0.65, 2.5))[1] == "measured from the frames"
