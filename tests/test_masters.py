"""Masters: robust means with their noise, flats that add none, and which fit which lights."""

from __future__ import annotations

from dataclasses import replace

import astropy.units as u
import ccdproc
import numpy as np
import pytest
from astropy.nddata import CCDData
from astropy.stats import sigma_clip
from calibration_scenes import NIGHT, ONES, adu, blank, master, master_flat, true_noise
from hypothesis import given
from hypothesis import strategies as st
from scenes import examples

from stackkit.calibration import masters
from stackkit.calibration.masters import choose, photon_transfer, robust_mean
from stackkit.errors import InputError
from stackkit.noise.photon_transfer import Noise
from stackkit.session.folder_kinds import Kind
from stackkit.simulate import sensor
from stackkit.simulate.camera import vignette
from stackkit.simulate.sensor import dark, flat


@pytest.mark.parametrize("count", [1, 2, 3, 5, 20])
def test_a_mean_of_gaussian_noise_is_the_plain_mean(count):
    """ccdproc's Combiner as the outside mean; variance of a mean: σ²/N."""
    samples = np.random.default_rng(1).normal(30, 2, (count, 100, 100)).astype(np.float32)
    value, variance = robust_mean(samples, np.repeat(ONES, count, 0), Noise(0.0, 4.0))
    plain = ccdproc.Combiner([CCDData(s, unit=u.adu) for s in samples]).average_combine()
    assert (np.abs(value - plain.data) < 1e-4).mean() > 0.9999
    assert value.mean() == pytest.approx(30, abs=5 * 2 / np.sqrt(count * 10_000))
    assert np.median(variance) == pytest.approx(4 / count, rel=1e-5)
    assert value.var() == pytest.approx(4 / count, rel=0.06)


def test_one_odd_frame_of_three_is_found():
    """Shiffler 1988: no deviation exceeds (N-1)/√N = 1.155 σ of the samples' own, so that astropy's
    3 σ clip keeps a particle's hit in three frames."""
    samples = np.random.default_rng(2).normal(0, 1, (3, 20, 20)).astype(np.float32)
    clean = samples.mean(axis=0)
    samples[1, 7, 8] += 300
    clipped = sigma_clip(samples, sigma=3, axis=0, maxiters=None)
    assert not clipped.mask.any()
    value, variance = robust_mean(samples, np.repeat(ONES, 3, 0), Noise(0.0, 1.0))
    assert abs(value[7, 8]) < 4
    assert variance[7, 8] == pytest.approx(1 / 2)
    others = np.ones((20, 20), bool)
    others[7, 8] = False
    assert np.allclose(value[others], clean[others], atol=1e-5)


def test_a_flickering_site_keeps_its_samples_and_says_how_uncertain_it_is():
    samples = np.random.default_rng(3).normal(0, 1, (8, 6, 6)).astype(np.float32)
    samples[::2, 3, 3] += 50
    value, variance = robust_mean(samples, np.repeat(ONES, 8, 0), Noise(0.0, 1.0))
    assert value[3, 3] == pytest.approx(25, abs=2)
    # The scatter of the samples over their number, as for any mean.
    assert variance[3, 3] == pytest.approx(samples[:, 3, 3].var(ddof=1) / 8, rel=1e-4)


def test_missing_samples():
    samples = np.ones((4, 4, 4), np.float32)
    samples[0, 0, 0] = samples[:2, 1, 1] = np.nan
    value, _ = robust_mean(samples, np.repeat(ONES, 4, 0), Noise(0.0, 1.0))
    assert value[0, 0] == 1
    assert np.isnan(value[1, 1])
    assert np.isfinite(value).sum() == 15


@given(seed=st.integers(0, 2**20), count=st.integers(1, 7), shift=st.floats(-200, 200))
@examples(30)
def test_the_order_does_not_count_and_a_shift_is_a_shift(seed, count, shift):
    rng = np.random.default_rng(seed)
    samples = rng.normal(0, 1, (count, 4, 6)).astype(np.float32)
    samples[rng.random(samples.shape) < 0.1] += 100
    levels = np.repeat(ONES, count, 0)
    value, variance = robust_mean(samples, levels, Noise(0.0, 1.0))
    turned = robust_mean(samples[rng.permutation(count)], levels, Noise(0.0, 1.0))
    assert np.allclose(turned[0], value, atol=1e-4)
    moved = robust_mean(samples + np.float32(shift), levels, Noise(0.0, 1.0))
    assert np.allclose(moved[0], value + shift, atol=1e-3)
    assert np.allclose(moved[1], variance, rtol=1e-2)


@pytest.mark.parametrize("kind", [Kind.DARK, Kind.FLAT])
def test_bands_do_not_show(kind, monkeypatch):
    source = dark if kind is Kind.DARK else flat
    planes = [adu(NIGHT, source(NIGHT, k)) for k in range(3)]
    whole = master(kind, planes)
    monkeypatch.setattr(masters, "_BUDGET", 1)
    assert np.array_equal(master(kind, planes).value, whole.value, equal_nan=True)


def test_frames_of_two_sizes_and_no_frames():
    with pytest.raises(InputError, match="differ in size"):
        master(Kind.DARK, [np.zeros((32, 32), np.float32), np.zeros((32, 64), np.float32)])
    with pytest.raises(InputError, match="no dark frame"):
        master(Kind.DARK, [])


@pytest.mark.parametrize(("gain", "read"), [(1.6, 2.2), (0.5, 3.0), (4.0, 5.0)])
def test_noise_of_darks_comes_from_their_hot_pixels(gain, read):
    night = replace(NIGHT, gain=gain, read_noise=read, hot_fraction=2e-2)
    noise = photon_transfer(*(adu(night, dark(night, k)) for k in (0, 1)))
    assert noise.floor == pytest.approx(true_noise(night).floor, rel=0.05)
    assert noise.slope == pytest.approx(true_noise(night).slope, rel=0.15)


def test_noise_of_flats():
    night = replace(NIGHT, vignetting=0.7)
    noise = photon_transfer(*(adu(night, flat(night, k)) for k in (0, 1)))
    assert noise.slope == pytest.approx(1 / night.gain, rel=0.03)


def response_error(night, count):
    """Spread of response over truth, of ours and of a plain mean normalised alike; worst site."""
    truth = vignette(night) * sensor._response(night)
    plain = np.mean([flat(night, k).astype(float) - night.black for k in range(count)], axis=0)
    ours = master_flat(night, count).value
    worst = []
    for y, x in np.ndindex(2, 2):
        ratios = [p[y::2, x::2] / truth[y::2, x::2] for p in (ours, plain)]
        worst.append([float(np.std(r / np.median(r))) for r in ratios])
    return np.max(worst, axis=0)


@pytest.mark.parametrize("vignetting", [0.0, 0.6])
@pytest.mark.parametrize(("count", "limit"), [(1, 0.0035), (3, 0.0025), (20, 0.0016)])
def test_noise_of_few_flats_is_not_divided_in(count, limit, vignetting):
    """No pattern: all that a flat's single sites show is noise, and none of it may stay."""
    ours, plain = response_error(replace(NIGHT, vignetting=vignetting), count)
    assert ours < limit
    assert ours < 0.2 * plain


@pytest.mark.parametrize(("count", "most"), [(1, 1.06), (3, 0.95), (20, 0.67)])
def test_dividing_never_leaves_more_than_was_there(count, most):
    """PRNU of 1 % (EMVA 1288): what is left is at most the pattern itself, and less with more.

    The lens' fall of light, 60 %, goes as well, to 0.3 % with one flat of so small a picture.
    """
    ours, plain = response_error(replace(NIGHT, light_pattern=0.01, vignetting=0.6), count)
    assert ours < most * 0.01
    assert ours < plain


def test_flat_division_beside_ccdproc():
    """ccdproc.flat_correct by the plain mean of the same three flats on the same evenly lit frame:
    the lens goes as well, with less noise."""
    night = replace(NIGHT, light_pattern=0.005, vignetting=0.6, sensitivity=(1.0, 1.0, 1.0))
    picture = adu(night, flat(night, 50)).astype(float)
    planes = [adu(night, flat(night, k)) for k in range(3)]
    mean = CCDData(np.mean(planes, axis=0), unit=u.adu)
    theirs = ccdproc.flat_correct(CCDData(picture, unit=u.adu), mean).data
    ours = picture / master_flat(night, 3).value
    blocks = [p.reshape(15, 20, 20, 20).mean(axis=(1, 3)) for p in (ours, theirs)]
    assert np.std(blocks[0] / blocks[1]) * np.mean(blocks[1]) / np.mean(blocks[0]) < 0.003
    assert np.std(ours) / np.mean(ours) < np.std(theirs) / np.mean(theirs)


def test_twilight_flats_of_different_levels_weigh_as_their_light_does():
    shares = (0.15, 0.3, 0.5, 0.7)
    planes = [adu(NIGHT, flat(NIGHT, k, share)) for k, share in enumerate(shares)]
    found = master(Kind.FLAT, planes)
    for y, x in np.ndindex(2, 2):
        ratio = found.value[y::2, x::2] / vignette(NIGHT)[y::2, x::2]
        assert np.std(ratio) / np.median(ratio) < 0.003


def test_dust_is_in_the_response_and_dead_sites_are_missing():
    y, x = np.mgrid[:300, :400]
    shadow = 1 - 0.04 * (np.hypot(y - 100, x - 250) < 18)
    night = replace(NIGHT, dead_fraction=1e-3)
    planes = [adu(night, flat(night, k)) * shadow.astype(np.float32) for k in range(4)]
    found = master(Kind.FLAT, planes)
    dead = np.mean([flat(night, k) for k in range(4)], axis=0) < night.black + 10
    assert dead.sum() > 50
    assert np.isnan(found.value[dead]).all()
    assert np.isfinite(found.value[~dead]).all()
    ratio = found.value / vignette(night)
    inside = np.nanmedian(ratio[np.hypot(y - 100, x - 250) < 12])
    assert inside / np.nanmedian(ratio) == pytest.approx(0.96, abs=0.006)


def test_the_masters_that_fit_are_chosen():
    near, far = blank(Kind.DARK, exposure=10.0), blank(Kind.DARK, exposure=30.0)
    response, few = blank(Kind.FLAT, iso=None, count=9), blank(Kind.FLAT, iso=100, count=2)
    found = choose([far, near, few, response, blank(Kind.BIAS)], "A", (48, 32), 800, 8.0)
    assert found.dark is near
    assert found.flat is response
    assert found.bias is not None
    assert len(found.words) == 2
    assert all("fits the lights as well or better" in words for words in found.words)


@pytest.mark.parametrize(
    ("master", "words"),
    [
        (blank(Kind.DARK, camera="B"), "another camera (B), not A"),
        (blank(Kind.DARK, iso=100, exposure=8.0), "at ISO 100, the lights at ISO 800"),
        (blank(Kind.BIAS, shape=(32, 32)), "it is 32×32, the lights are 48×32"),
        (blank(Kind.FLAT, camera=None), "another camera (unknown), not A"),
    ],
)
def test_masters_that_do_not_fit_are_left_out_with_the_reason(master, words):
    found = choose([master], "A", (48, 32), 800, 8.0)
    assert (found.dark, found.flat, found.bias) == (None, None, None)
    assert len(found.words) == 1
    assert words in found.words[0]
