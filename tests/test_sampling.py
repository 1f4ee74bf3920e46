"""A grid of twice as many places: made where sharp stars and many frames fill it, and in place."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks import measures
from command_line import fault, simulated
from grids import corners
from scenes import PATTERNS, Here, cache_of, layout, mosaic, placed, quiet, shift

import stackkit
from stackkit.errors import UsageError
from stackkit.integration import weighted_sum
from stackkit.integration.deblur import kernels, restored_factors
from stackkit.integration.passes import finest
from stackkit.integration.weighted_sum import Finer
from stackkit.noise.photon_transfer import Noise

BALANCE = (1 / 0.52, 1.0, 1 / 0.66)


def test_what_fills_a_finer_grid():
    # A Gaussian's contrast at half a wave a pixel, exp(-2 π² σ² f²), at 2 px: 0.03.
    sigma = 2.0 / 2.3548
    assert np.exp(-2 * (np.pi * sigma * 0.5) ** 2) == pytest.approx(0.03, abs=0.003)
    assert finest(2, 24, 1.7) == (2, "")
    assert finest(1, 3, 9.0) == (1, "")
    assert "it takes 8" in finest(2, 5, 1.7)[1]
    assert "2.6 px wide" in finest(2, 24, 2.6)[1]
    assert finest(2, 24, float("nan"))[0] == 1


def test_places_of_a_fine_grid():
    fine = Finer(shift(3.25, -1.5), 2)
    xy = np.array([[10.0, 20.0], [0.0, 0.0]])
    np.testing.assert_allclose(fine.to_reference(fine.from_reference(xy)), xy, atol=1e-9)
    # The first pixel's four places lie a quarter of a pixel about its centre.
    np.testing.assert_allclose(fine.from_reference([[0.0, 1.0]]), [[3.25 - 0.25, -1.5 + 0.25]])


@pytest.mark.parametrize("pattern", corners(PATTERNS, ["GBRG"]))
def test_a_sharp_star_is_sharp_and_in_its_place(pattern, tmp_path):
    """Stars of FWHM 1.6 px in 24 frames that lie anyhow; width by the benchmark's moments."""
    rng = np.random.default_rng(6)
    shape, tint = (96, 112), np.array([0.52, 1.0, 0.66])[:, None, None]
    xy = np.array([[30.3, 30.6], [75.8, 34.1], [52.2, 64.4]])
    moves = rng.uniform(-3, 3, (24, 2))
    y, x = np.mgrid[: shape[0], : shape[1]]
    mosaics = []
    for dx, dy in moves:
        near = sum(
            np.exp(-4 * np.log(2) * ((x - a - dx) ** 2 + (y - b - dy) ** 2) / 1.6**2) for a, b in xy
        )
        mosaics.append(mosaic(tint * (50 + 1500 * near), pattern))
    cache = cache_of(tmp_path, mosaics)
    ready = [placed(cache, k, shift(*move), Noise(0.5, 4.0)) for k, move in enumerate(moves)]
    rest = (layout(pattern, shape, BALANCE), np.zeros(shape, bool), None, None, np.inf)
    widths = []
    for sampling in (1, 2):
        picture, noise = weighted_sum.total(cache, ready, *rest, Here(), quiet, sampling)
        assert picture.value.shape == (3, sampling * shape[0], sampling * shape[1])
        at = (xy + 0.5) * sampling - 0.5
        found, fwhm = measures.moments(picture.value[1].astype(float), at)
        assert np.abs(found - at).max() < 0.1 * sampling
        widths.append(np.median(fwhm) / sampling)
        assert noise.frames == (1, 2, 4, 8, 16, 24)
        assert noise.means.shape[2:] == (12, 14)
    # The target: a Gaussian of 0.25 px over the optics' star.
    assert widths[1] == pytest.approx(np.hypot(1.6, 2.3548 * 0.25), rel=0.08)


def test_the_told_variance_is_the_scatter_on_the_fine_grid(tmp_path):
    rng = np.random.default_rng(7)
    shape = (256, 320)
    cache = cache_of(tmp_path, [rng.normal(500, 5, shape) for _ in range(3)])
    ready = [placed(cache, k, shift(0.31, 0.06), Noise(0.0, 25.0)) for k in range(3)]
    rest = (layout("RGGB", shape, BALANCE), np.zeros(shape, bool), None, None, np.inf)
    picture, _ = weighted_sum.total(cache, ready, *rest, Here(), quiet, 2)
    for dy, dx in np.ndindex(4, 4):
        at = (slice(None), slice(16 + dy, -16, 4), slice(16 + dx, -16, 4))
        told = picture.variance[at].mean(axis=(1, 2))
        np.testing.assert_allclose(told, picture.value[at].var(axis=(1, 2)), rtol=0.06)


def test_the_fine_filter_keeps_the_sum():
    sensor = layout("GBRG", (64, 64), BALANCE)
    for kernel in kernels(sensor, 2):
        assert kernel.shape == (9, 9)
        assert kernel.sum() == pytest.approx(1, abs=1e-5)
    coarse, fine = (restored_factors(sensor, s).sum(axis=-1).mean(axis=(0, 1)) for s in (1, 2))
    np.testing.assert_allclose(fine, coarse, rtol=0.1)


def test_a_session_that_does_not_carry_it_says_so(tmp_path):
    three = simulated(tmp_path / "night", frames=3)
    result = stackkit.stack([three], stackkit.Options(sampling=2))
    assert result.stack.value.shape == (3, 240, 320)
    assert result.record["integration"]["sampling"] == 1
    assert any("not made finer" in words for words in result.record["warnings"])
    with pytest.raises(UsageError, match="usual method only"):
        stackkit.stack([three], stackkit.Options(method="median", sampling=2))
    with pytest.raises(UsageError, match="1 or 2"):
        stackkit.stack([three], stackkit.Options(sampling=3))
    fault(2, "stack", three, "--out", tmp_path / "out", "--sampling", "3")
