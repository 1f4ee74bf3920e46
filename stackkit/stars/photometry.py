"""Stars on finished pictures: widths, cores and light at known places, all stars at once."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from stackkit.arrays import Array, Plane
from stackkit.robust import medians_of_known
from stackkit.stars.detect import SIGMA_TO_FWHM, Stars, select

_HALF = 7
"""Half the side of the patch around a star, px."""
_RING = (5.5, 7.5)
"""Where the sky beside a star is taken, px."""
_APERTURE = 4.0
_APART = 12.0
"""Stars with another one nearer than this, px, are not measured."""
_MOST = 300
"""Stars that are measured, at most."""
_ROUNDS = 40
"""Most rounds of the fit."""


def measurable(stars: Stars, shape: tuple[int, int]) -> Stars:
    """The brightest stars that are alone, unclipped and well inside a picture (H, W)."""
    edge = np.minimum(np.minimum(stars.x, shape[1] - 1 - stars.x), stars.y)
    inside = np.minimum(edge, shape[0] - 1 - stars.y) > _HALF + 2
    alone = np.ones(len(stars), dtype=bool)
    if len(stars) > 1:
        alone = cKDTree(stars.xy).query(stars.xy, 2)[0][:, 1] > _APART
    return select(stars, np.flatnonzero(inside & alone & ~stars.saturated)[:_MOST])


def patches(plane: Plane, xy: Array) -> tuple[Array, Array, Array]:
    """Cut-outs (N, 15, 15) less the sky around each, with dx and dy from the places (N, 2)."""
    corner = np.rint(xy).astype(np.int64)
    step = np.arange(-_HALF, _HALF + 1)
    rows, columns = corner[:, 1, None, None] + step[:, None], corner[:, 0, None, None] + step
    values = np.asarray(plane[rows, columns], dtype=np.float64)
    dx = columns - xy[:, 0, None, None] + 0.0 * values
    dy = rows - xy[:, 1, None, None] + 0.0 * values
    r = np.hypot(dx, dy)
    ring = np.where((r >= _RING[0]) & (r <= _RING[1]), values, np.nan)
    return (
        values
        - medians_of_known(ring.reshape(len(xy), ring[0].size if len(xy) else 1))[:, None, None],
        dx,
        dy,
    )


def widths(plane: Plane, xy: Array) -> Array:
    """FWHM (N,) px by Gaussian-weighted adaptive moments (Bernstein & Jarvis 2002, AJ 123:583).

    The weight is the round Gaussian that has twice the weighted second moment.  NaN where it does
    not settle.
    """
    values, dx, dy = patches(plane, xy)
    centre, variance = np.zeros((2, len(xy), 1, 1)), np.full((len(xy), 1, 1), 1.2)
    before = variance
    with np.errstate(all="ignore"):
        for _ in range(_ROUNDS):
            ax, ay = dx - centre[0], dy - centre[1]
            weighed = values * np.exp(-0.5 * (ax**2 + ay**2) / variance)
            total = weighed.sum(axis=(1, 2), keepdims=True)
            for axis, away in enumerate((ax, ay)):
                centre[axis] += 2 * (weighed * away).sum(axis=(1, 2), keepdims=True) / total
            before = variance
            variance = (weighed * (ax**2 + ay**2)).sum(axis=(1, 2), keepdims=True) / total
        settled = (np.abs(variance / before - 1) < 1e-3) & (np.hypot(*centre)[:, None] < 2)[:, 0]
        return np.where(settled, SIGMA_TO_FWHM * np.sqrt(variance), np.nan).ravel()


def cores(plane: Plane, xy: Array) -> Array:
    """Light (N,) of the 3×3 pixels at each star's centre, ADU."""
    values, _, _ = patches(plane, xy)
    return np.asarray(values[:, _HALF - 1 : _HALF + 2, _HALF - 1 : _HALF + 2].sum(axis=(1, 2)))


def light(plane: Plane, xy: Array) -> Array:
    """Light (N,) within 4 px of each star, the edge one pixel soft, ADU."""
    values, dx, dy = patches(plane, xy)
    return np.asarray((values * np.clip(_APERTURE + 0.5 - np.hypot(dx, dy), 0, 1)).sum(axis=(1, 2)))


def middle(values: Array) -> float:
    """Median of what is known, NaN when nothing is."""
    known = np.asarray(values)[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
