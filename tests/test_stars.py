from functools import lru_cache

import numpy as np
import pytest
from grids import corners
from hypothesis import given
from hypothesis import strategies as st
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder, find_peaks
from scenes import examples
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from stackkit.noise.photon_transfer import Noise
from stackkit.simulate import Night, expose
from stackkit.simulate.camera import pattern_indices
from stackkit.simulate.night import mid_time
from stackkit.simulate.sensor import hot_pixels
from stackkit.simulate.sky import catalogue, pixels
from stackkit.stars.background import BOX, background
from stackkit.stars.cells import cells
from stackkit.stars.detect import detect
from stackkit.stars.peaks import _maxima, _smoothed, _weights

CLIP = 3800.0


@lru_cache
def frame(pattern="RGGB", **changes):
    """A frame's ADU with the true defects missing, its pattern, and the true places by light."""
    night = Night(
        **{
            **{"seed": 31, "frames": 1, "width": 640, "height": 480, "focal": 430.0},
            **{"faintest": 9.5, "satellites": 0, "aircraft": 0, "pattern": pattern},
            **changes,
        }
    )
    adu = expose(night, 0).codes.astype(np.float32) - night.black
    y, x, _ = hot_pixels(night)
    adu[y, x] = np.nan
    stars = catalogue(night)
    xy = pixels(night, stars.direction, 0, mid_time(night, 0))
    inside = ((xy > 0) & (xy < [639, 479])).all(axis=1)
    noise = Noise(1 / night.gain, (night.read_noise / night.gain) ** 2)
    return adu, pattern_indices(pattern), noise, xy[inside], stars.rate[inside]


@pytest.mark.parametrize("pattern", corners(["RGGB", "BGGR", "GRBG", "GBRG"], ["RGGB", "GBRG"]))
def test_centroids_are_as_good_as_their_uncertainty_says(pattern):
    adu, sites, noise, truth, _ = frame(pattern)
    stars = detect(adu, sites, noise, CLIP)
    distance, nearest = cKDTree(truth).query(stars.xy)
    bright = slice(0, 60)
    assert (distance[bright] < 1.0).mean() > 0.97
    # 0.02 px is what registration allows for sampling and crowding.
    pulls = (stars.xy - truth[nearest]) / np.hypot(stars.sigma_xy, 0.02)[:, None]
    near = distance[bright] < 1.0
    assert 0.6 < np.median(np.abs(pulls[bright][near])) / 0.6745 < 1.5
    assert np.abs(np.median((stars.xy - truth[nearest])[bright][near], axis=0)).max() < 0.02


def test_hundreds_of_stars_on_a_good_night_and_few_false_ones():
    adu, sites, noise, truth, rates = frame()
    stars = detect(adu, sites, noise, CLIP)
    visible = truth[rates[:, 1] * 8 > 20]
    assert len(stars) > 250
    assert (cKDTree(visible).query(stars.xy)[0] < 1.5).mean() > 0.95


def test_at_least_the_ten_brightest_under_a_town_sky():
    adu, sites, noise, truth, rates = frame(sky_rate=80.0, sky_gradient=2.0, zero_rate=1.2e4)
    stars = detect(adu, sites, noise, CLIP)
    brightest = truth[np.argsort(-rates[:, 1])[:10]]
    assert (cKDTree(stars.xy).query(brightest)[0] < 1.0).all()


def test_positions_equal_daostarfinder():
    """photutils' DAOStarFinder (Stetson 1987) on the green of a bilinear demosaic."""
    adu, sites, noise, _, _ = frame(hot_fraction=0.0)
    around = np.pad(adu, 1, mode="reflect")
    cross = (around[:-2, 1:-1] + around[2:, 1:-1] + around[1:-1, :-2] + around[1:-1, 2:]) / 4
    y, x = np.mgrid[: adu.shape[0], : adu.shape[1]]
    green = np.where(sites[y % 2, x % 2] == 1, adu, cross)
    sky = np.median(green)
    spread = 1.4826 * np.median(np.abs(green - sky))
    table = DAOStarFinder(threshold=20 * spread, fwhm=2.3)(green - sky)
    names = ("x_centroid", "y_centroid") if "x_centroid" in table.colnames else None
    names = names or ("xcentroid", "ycentroid")
    theirs = np.stack([np.asarray(table[name]) for name in names], axis=1)
    stars = detect(adu, sites, noise, CLIP)
    distance = cKDTree(stars.xy).query(theirs)[0]
    assert len(theirs) > 30
    assert (distance < 1.0).mean() > 0.95
    assert np.median(distance) < 0.15


@pytest.mark.parametrize("shape", [(96, 128), (75, 101), (32, 40)])
def test_the_background_is_photutils_s(shape):
    """Outside reference: photutils' Background2D with its usual clipping, median and deviation."""
    rng = np.random.default_rng(shape[0])
    picture = rng.normal(80, 4, shape).astype(np.float32) + np.linspace(0, 30, shape[1], dtype="f4")
    picture[rng.random(shape) < 0.02] += 300
    empty = np.zeros(shape, dtype=bool)
    level, deviation = background(picture, empty)
    kind = {"exclude_percentile": 80, "filter_size": 1, "bkg_estimator": MedianBackground()}
    theirs = Background2D(picture, BOX, **kind)
    full = tuple(slice(side // BOX) for side in shape)
    np.testing.assert_allclose(level[full], theirs.background_mesh[full], rtol=1e-6)
    np.testing.assert_allclose(deviation[full], theirs.background_rms_mesh[full], rtol=5e-3)


def test_boxes_that_are_not_there_are_like_the_nearest():
    picture = np.repeat(np.float32([7, 9, 1]), BOX)[:, None].repeat(BOX, axis=1)
    empty = picture == 1
    level, deviation = background(picture, empty)
    assert level.tolist() == [[7], [9], [9]]
    assert deviation.tolist() == [[0], [0], [0]]


def test_peaks_are_those_of_photutils():
    """Outside references: scipy's Gaussian filter and photutils' find_peaks at the same limit."""
    rng = np.random.default_rng(12)
    picture = rng.normal(0, 1, (90, 70)).astype(np.float32)
    smooth = np.empty_like(picture)
    _smoothed(picture, _weights(), smooth)
    expected = gaussian_filter(picture, 0.7)
    np.testing.assert_allclose(smooth, expected, atol=2e-6)
    rows, columns = _maxima(smooth, np.full(picture.shape, 1.0, dtype=np.float32))
    table = find_peaks(smooth, 1.0, box_size=3)
    theirs = set(zip(table["y_peak"].tolist(), table["x_peak"].tolist(), strict=True))
    assert set(zip(rows.tolist(), columns.tolist(), strict=True)) == theirs
    assert len(theirs) > 20


@examples(40)
@given(st.integers(0, 10**6), st.floats(0.0, 0.9))
def test_cells_are_sums_with_medians_in_the_gaps(seed, share):
    rng = np.random.default_rng(seed)
    adu = rng.normal(50, 9, (12, 15)).astype(np.float32)
    adu[rng.random(adu.shape) < share] = np.nan
    full = adu[:12, :14].copy()
    padded = np.pad(full, 2, mode="reflect")  # the site's own kind, as at the edge
    padded[:2], padded[-2:] = padded[2:4], padded[-4:-2]
    padded[:, :2], padded[:, -2:] = padded[:, 2:4], padded[:, -4:-2]
    for y, x in np.argwhere(np.isnan(full)):
        near = padded[y : y + 5 : 2, x : x + 5 : 2].ravel()
        near = near[np.isfinite(near)]
        site = adu[y % 2 :: 2, x % 2 :: 2]
        known = site[np.isfinite(site)]
        full[y, x] = np.median(near) if near.size else np.median(known) if known.size else 0
    expected = full.reshape(6, 2, 7, 2).sum(axis=(1, 3))
    np.testing.assert_allclose(cells(adu), expected, rtol=1e-5)


def test_width_flux_and_saturation_are_measured():
    adu, sites, noise, truth, rates = frame(zero_rate=6e4)
    stars = detect(adu, sites, noise, CLIP)
    distance, nearest = cKDTree(truth).query(stars.xy)
    good = (distance < 0.3) & ~stars.saturated & (np.arange(len(stars)) < 80)
    expected = rates[nearest].sum(axis=1) * 8 / 1.6
    assert np.median(stars.flux[good] / expected[good]) == pytest.approx(1.0, abs=0.2)
    # σ 0.8 px, the pixel's own width, a little trailing.
    assert np.median(stars.fwhm[good]) == pytest.approx(2.3548 * np.hypot(0.8, 0.29), rel=0.07)
    peak = np.array([np.nanmax(adu[int(y) : int(y) + 2, int(x) : int(x) + 2]) for x, y in stars.xy])
    assert stars.saturated[peak >= CLIP].all()
    assert not stars.saturated[peak < 0.5 * CLIP].any()


def test_trailed_stars_are_elongated():
    round_ones = detect(*frame(exposure=4.0)[:3], CLIP)
    trailed = detect(*frame(exposure=80.0, cadence=81.0, focal=700.0)[:3], CLIP)
    assert np.median(trailed.elongation[:60]) > np.median(round_ones.elongation[:60]) + 0.2


def test_no_stars_is_an_empty_table():
    rng = np.random.default_rng(0)
    sites, noise = pattern_indices("RGGB"), Noise(0.6, 2.0)
    flat = rng.normal(30, 4, (200, 300)).astype(np.float32)
    assert len(detect(flat, sites, noise, CLIP)) <= 2  # five sigma among 15,000 cells
    assert len(detect(np.zeros((200, 300), np.float32), sites, noise, CLIP)) == 0
    assert len(detect(np.full((200, 300), np.nan, np.float32), sites, noise, CLIP)) == 0
    assert len(detect(flat[:8, :8], sites, noise, CLIP)) == 0


def test_missing_samples_make_no_stars():
    rng = np.random.default_rng(1)
    flat = rng.normal(300, 5, (200, 300)).astype(np.float32)
    flat[rng.random(flat.shape) < 0.02] = np.nan
    assert np.isfinite(cells(flat)).all()
    assert len(detect(flat, pattern_indices("RGGB"), Noise(0.6, 2.0), CLIP)) <= 2
