"""Estimates of a sensor's fixed pattern that never carry more noise than pattern.

A mean of few frames shows the pattern and its own noise.  The smooth part is kept as it is, and of
the rest the share that is pattern: P² / (P² + noise²), with P² = observed² - noise² (Wiener 1949;
James & Stein 1961, positive part).  Applying such an estimate leaves P² · noise² / (P² + noise²)
behind, which is less than either.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.ndimage import uniform_filter

from stackkit.arrays import Array
from stackkit.robust import MAD_TO_SIGMA

_BLOCK = 16
"""Side, in sites of one colour, of the blocks whose medians carry the smooth part."""
_LEAST = 20
"""Blocks along a side, so that vignetting is nearly linear within one."""
SMOOTH_NOISE = np.pi / 2 / _BLOCK**2
"""Greatest variance of the smooth part: that of the median of one block, sites having 1."""
_SURE = 4.0
"""Deviation, in σ of its noise, above which a single site is taken as it is: one in 16,000."""
_SPOT = 7
"""Side, in sites of one colour, of the means in which the shadows of dust are looked for."""
_SPOT_SIGNIFICANT = 3.0
_MOST = 1_000_000
"""Sites enough for a variance that is good to 0.2 %."""


def clipped_variance(values: Array) -> float:
    """Variance of the values without their outliers (3.5 σ; corrected for a Gaussian's loss)."""
    flat = values[np.isfinite(values)]
    flat = flat[:: max(len(flat) // _MOST, 1)]
    if len(flat) < 2:
        return 0.0
    away = flat - np.median(flat)
    near = away[np.abs(away) <= 3.5 * MAD_TO_SIGMA * np.median(np.abs(away))]
    if len(near) < 2:  # more than half of them are alike
        return float(np.var(away))
    return float(np.var(near)) * 1.006


def smooth_part(site: Array) -> Array:
    """The smooth part of a site plane (h, w), NaN where missing: finite everywhere.

    Medians of blocks, smoothed, with a cubic spline between them.
    """
    height, width = site.shape
    side = max(min(_BLOCK, height // _LEAST, width // _LEAST), 1)
    known = site[np.isfinite(site)]
    if min(height, width) < 4 * side or not len(known):
        return np.full(site.shape, float(np.median(known)) if len(known) else 0.0)
    middle = _block_medians(site, side)
    middle[np.isnan(middle)] = np.median(known)
    starts = [np.arange(0, length, side) for length in site.shape]
    from scipy.interpolate import RectBivariateSpline  # a quarter second that few runs need

    spline = RectBivariateSpline(
        *(0.5 * (s + np.minimum(s + side, n) - 1) for s, n in zip(starts, site.shape, strict=True)),
        _smoothed(middle),
        bbox=[-0.5, height - 0.5, -0.5, width - 0.5],
        s=0,
    )
    return np.asarray(spline(np.arange(height), np.arange(width)))


def _block_medians(site: Array, side: int) -> Array:
    """Median of each block of ``side``, those at the far edges cut; NaN where all is missing."""
    full = np.pad(site, [(0, -length % side) for length in site.shape], constant_values=np.nan)
    full[~np.isfinite(full)] = np.nan
    rows, columns = full.shape[0] // side, full.shape[1] // side
    blocks = full.reshape(rows, side, columns, side).swapaxes(1, 2).reshape(rows, columns, -1)
    blocks.sort(axis=2)  # NaN comes last
    count = np.isfinite(blocks).sum(axis=2)
    places = np.stack([np.maximum(count - 1, 0) // 2, count // 2], axis=2)
    places = np.minimum(places, blocks.shape[2] - 1)
    return np.asarray(np.take_along_axis(blocks, places, axis=2).mean(axis=2))


def _smoothed(blocks: Array) -> Array:
    """Third differences penalised along both axes (Whittaker 1923).

    The strength is chosen by generalised cross-validation (Craven & Wahba 1979).  Edges are not
    bent: quadratic shapes pass unchanged.
    """
    (bend_y, waves_y), (bend_x, waves_x) = (_waves(count) for count in blocks.shape)
    heights = waves_y.T @ blocks @ waves_x

    def passed(strength: float) -> Array:
        """Share of each wave that is let through."""
        return np.outer(1 / (1 + strength * bend_y), 1 / (1 + strength * bend_x))

    def score(strength: float) -> float:
        through = passed(strength)
        return float(np.mean(((1 - through) * heights) ** 2) / np.mean(1 - through) ** 2)

    best = min(10.0 ** np.arange(-2.0, 7.1, 0.5), key=score)
    return np.asarray(waves_y @ (passed(best) * heights) @ waves_x.T)


@lru_cache(maxsize=8)
def _waves(count: int) -> tuple[Array, Array]:
    """Squared third differences of the orthonormal columns in which they do not mix."""
    steps = np.diff(np.eye(count), 3, axis=0)
    bend, waves = np.linalg.eigh(steps.T @ steps)
    return np.maximum(bend, 0.0), waves


def shrunk(detail: Array, variance: Array) -> tuple[Array, Array]:
    """The pattern in ``detail`` (h, w; about 0), and the variance of that estimate.

    ``variance`` is that of the noise in ``detail``.  A site that stands out by itself, by more
    than the noise around it does, keeps all of its deviation.
    """
    quiet = _around(variance)
    sigma = np.sqrt(quiet)
    # In units of its noise, which differs over the field: variance 1 + pattern / noise².
    more = max(clipped_variance(detail / sigma) - 1, 0.0)
    share = more / (more + quiet * np.mean(1 / quiet))
    with np.errstate(invalid="ignore"):
        share[np.abs(detail) > _SURE * sigma] = 1.0
    return share * detail, share * variance


def _around(variance: Array) -> Array:
    """The noise around each site: a hot pixel's own is no reason to doubt that it is hot."""
    return np.maximum(smooth_part(variance), 1e-30)


def spots(detail: Array, variance: Array) -> Array:
    """The part of ``detail`` (h, w) that many neighbouring sites share, such as dust's shadows.

    ``variance`` is that of the noise in ``detail``.
    """
    there = np.isfinite(detail)
    weight = uniform_filter(there.astype(np.float64), _SPOT, mode="reflect")
    mean = uniform_filter(np.where(there, detail, 0.0), _SPOT, mode="reflect")
    mean = mean / np.maximum(weight, 1e-6)
    quiet = _around(variance)
    noise = quiet * max(clipped_variance(detail / np.sqrt(quiet)), 1.0)
    limit = _SPOT_SIGNIFICANT**2 * noise / np.maximum(_SPOT**2 * weight, 1.0)
    return np.asarray(mean * np.maximum(1 - limit / np.maximum(mean**2, 1e-30), 0.0))


def columns(detail: Array, variance: Array) -> Array:
    """The offset (1, w) that each column of ``detail`` (h, w) has in common, less its noise."""
    there = np.isfinite(detail)
    count = np.maximum(there.sum(axis=0), 1)
    middle = np.zeros(detail.shape[1])
    some = there.any(axis=0)
    middle[some] = np.nanmedian(detail[:, some], axis=0)
    noise = np.pi / 2 * np.where(there, variance, 0).sum(axis=0) / count**2
    return shrunk(middle[None, :], noise[None, :])[0]
