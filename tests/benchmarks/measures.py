"""The figures: pure functions on arrays.  Places are pixels (N, 2) as x, y; planes (H, W)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, zoom

from stackkit.arrays import Array

from .mosaic import Mask

MAD_TO_SIGMA = 1.4826
FWHM = 2.3548
_PATCH = 7
"""Half the side of the patch a star's moments are taken from, px."""
_APERTURE = 4.0
_RING = (9.0, 13.0)


def spread(values: Array) -> float:
    """Standard deviation by the median absolute deviation (Gaussian), NaN left aside."""
    return float(MAD_TO_SIGMA * np.nanmedian(np.abs(values - np.nanmedian(values))))


def at(plane: Array, xy: Array) -> Array:
    """The plane between its pixels (bilinear); NaN outside and beside missing pixels."""
    x, y = np.moveaxis(np.asarray(xy, dtype=np.float64), -1, 0)
    return np.asarray(map_coordinates(plane, [y, x], order=1, cval=np.nan))


# Stars


def _patches(plane: Array, xy: Array, half: int) -> tuple[Array, Array, Array]:
    """Cut-outs (N, side, side) around places at least ``half`` inside, with dx and dy to them."""
    corner = np.rint(xy).astype(np.int64)
    step = np.arange(-half, half + 1)
    rows = corner[:, 1, None, None] + step[None, :, None]
    cols = corner[:, 0, None, None] + step[None, None, :]
    dx = cols - xy[:, 0, None, None] + 0.0 * rows
    dy = rows - xy[:, 1, None, None] + 0.0 * cols
    return plane[rows, cols].astype(np.float64), dx, dy


def ring_level(plane: Array, xy: Array, masked: Mask | None = None) -> Array:
    """Sky level (N,) at stars: the mean of the ring around each, ``masked`` pixels left out.

    A mean with a mask known beforehand is linear in the plane, so that what neighbours add is the
    same with and without noise.  A median is not: in a crowded ring noise moves it upwards.
    """
    plane = plane if masked is None else np.where(masked, np.nan, plane)
    values, dx, dy = _patches(plane, xy, int(_RING[1]) + 1)
    r = np.hypot(dx, dy)
    values[(r < _RING[0]) | (r > _RING[1])] = np.nan
    return np.asarray(np.nanmean(values, axis=(1, 2)))


def moments(plane: Array, xy: Array, masked: Mask | None = None) -> tuple[Array, Array]:
    """Centroids (N, 2) and FWHM (N,) by Gaussian-weighted adaptive moments, started at ``xy``.

    The weight is the Gaussian that has twice the weighted second moments, found by iteration
    (Bernstein & Jarvis 2002, AJ 123:583).  NaN where it does not settle.
    """
    values, dx, dy = _patches(plane, xy, _PATCH)
    values -= ring_level(plane, xy, masked)[:, None, None]
    centre = np.zeros((len(xy), 2))
    xx, yy, xy_ = np.full(len(xy), 1.2), np.full(len(xy), 1.2), np.zeros(len(xy))
    with np.errstate(all="ignore"):
        for _ in range(60):
            ax, ay = dx - centre[:, 0, None, None], dy - centre[:, 1, None, None]
            det = xx * yy - xy_**2
            q = [m[:, None, None] / det[:, None, None] for m in (yy, xx, xy_)]
            w = values * np.exp(-0.5 * (q[0] * ax**2 + q[1] * ay**2 - 2 * q[2] * ax * ay))
            total = w.sum(axis=(1, 2))
            mean = [2 * (w * a).sum(axis=(1, 2)) / total for a in (ax, ay)]
            centre += np.stack(mean, axis=1)
            xx, yy, xy_ = (
                2 * (w * product).sum(axis=(1, 2)) / total for product in (ax**2, ay**2, ax * ay)
            )
        det = xx * yy - xy_**2
        settled = (np.abs(mean).max(axis=0) < 1e-4) & (np.hypot(*centre.T) < 2) & (det > 0)
        width = FWHM * det**0.25
    centre[~settled] = np.nan
    return xy + centre, np.where(settled, width, np.nan)


def flux(plane: Array, xy: Array, masked: Mask | None = None) -> Array:
    """Aperture flux (N,) above the ring's level; the aperture's edge is one pixel soft."""
    values, dx, dy = _patches(plane, xy, int(_APERTURE) + 2)
    weight = np.clip(_APERTURE + 0.5 - np.hypot(dx, dy), 0, 1)
    above = values - ring_level(plane, xy, masked)[:, None, None]
    return np.asarray((above * weight).sum(axis=(1, 2)))


def mean_profile(plane: Array, xy: Array, reach: int = _PATCH) -> Array:
    """Mean of a plane (reach,) in rings a pixel wide around places (N, 2)."""
    values, dx, dy = _patches(plane, xy, reach)
    ring = np.rint(np.hypot(dx, dy)).astype(int)
    return np.array([np.nanmean(values[ring == r]) for r in range(reach)])


def slope(truth: Array, measured: Array) -> float:
    """Slope of log ``measured`` against log ``truth``, stars off the line by 4 σ left out."""
    with np.errstate(invalid="ignore", divide="ignore"):
        x, y = np.log(truth), np.log(measured)
    keep = np.isfinite(x) & np.isfinite(y)
    line = np.zeros(2)
    for _ in range(5):
        line = np.polyfit(x[keep], y[keep], 1)
        away = np.abs(y - np.polyval(line, x))
        limit = 4 * MAD_TO_SIGMA * np.nanmedian(away) + 1e-9
        keep = np.isfinite(away) & (away < limit)
    return float(line[0])


# Noise


def star_mask(truth: Array, level: float, cell: int = 25) -> Mask:
    """Pixels of a noiseless plane that stand ``level`` above the sky around them."""
    height, width = truth.shape
    rows, cols = max(height // cell, 1), max(width // cell, 1)
    blocks = truth[: rows * (height // rows), : cols * (width // cols)]
    blocks = blocks.reshape(rows, height // rows, cols, width // cols)
    sky = zoom(np.median(blocks, axis=(1, 3)), (height / rows, width / cols), order=1)
    return np.asarray(truth - sky[:height, :width] > level)


def block_noise(residual: Array, masked: Mask, side: int = 8) -> float:
    """Noise of the means of ``side``² blocks, from differences of neighbouring blocks.

    Blocks with a masked or a missing pixel are left out.  Block means, not pixels: blur would
    make the scatter of pixels smaller and gain nothing.
    """
    rows, cols = (n // side for n in residual.shape)
    cut = np.where(masked, np.nan, residual)[: rows * side, : cols * side]
    means = cut.reshape(rows, side, cols, side).mean(axis=(1, 3))
    across, down = np.diff(means, axis=1), np.diff(means, axis=0)
    return spread(np.concatenate([across.ravel(), down.ravel()])) / float(np.sqrt(2))


# Residues


def normals(path: Array) -> Array:
    """Unit vectors (steps, 2) square to a path (steps, 2)."""
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    return np.stack([-along[:, 1], along[:, 0]], axis=1)


def strip_places(path: Array, offsets: NDArray[np.float64] | list[float]) -> Array:
    """Places (offsets, steps, 2) beside a path."""
    return path[None] + np.asarray(offsets)[:, None, None] * normals(path)[None]


#: A strip three pixels wide on the trail, and two such strips on either side of it.
STRIP = np.array([-1.0, 0.0, 1.0])
BESIDE = np.array([-9.0, -8.0, -7.0, 7.0, 8.0, 9.0])


def excess(values: Array) -> Array:
    """Strip minus strips beside, (…, steps), of samples (…, STRIP then BESIDE, steps)."""
    strip, beside = values[..., : len(STRIP), :], values[..., len(STRIP) :, :]
    return np.asarray(strip.mean(axis=-2) - beside.mean(axis=-2))


def share_left(found: Array, expected: Array) -> float:
    """Least squares share of ``expected`` in ``found``: all trails, all steps in one fit."""
    good = np.isfinite(found) & np.isfinite(expected)
    return float(np.sum(found[good] * expected[good]) / np.sum(expected[good] ** 2))


def track_excess(plane: Array, tracks: Array, away: float = 6.0) -> Array:
    """Level at places of tracks (tracks, frames, 2) over that beside them: (tracks, frames)."""
    along = tracks[:, -1] - tracks[:, 0]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    aside = away * np.stack([-along[:, 1], along[:, 0]], axis=1)[:, None]
    return np.asarray(
        at(plane, tracks) - (at(plane, tracks + aside) + at(plane, tracks - aside)) / 2
    )
