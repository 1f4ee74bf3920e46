"""The average colour of the stars in a picture, as the camera sees it."""

from __future__ import annotations

import numpy as np

from stackkit.arrays import Plane
from stackkit.robust import MAD_TO_SIGMA
from stackkit.stars.detect import Stars

_MOST, _FEWEST = 300, 10
_HALF, _RING = 3, 6
"""Half sides, px, of the square that holds a star's light and of its surroundings."""
_SURE = 10.0
"""Least light of a star, in standard deviations of that measured on empty sky."""


def star_colour(value: Plane, stars: Stars, sampling: int = 1) -> tuple[float, float, float] | None:
    """Median colour R, G, B, greatest 1, of the unclipped stars; None with too few.

    ``value`` (3, H, W) ADU; ``stars`` on the grid before ``sampling``.  Light in a square above the
    median around it; medians of the ratios to green, robust against a few red giants or a lamp.
    """
    bright = np.nonzero(~stars.saturated)[0][:_MOST]
    xy = (stars.xy[bright] + 0.5) * sampling - 0.5
    half, ring = _HALF * sampling, _RING * sampling
    light = []
    for x, y in np.rint(xy).astype(int):
        if min(x, y) < ring:
            continue
        patch = value[:, y - ring : y + ring + 1, x - ring : x + ring + 1]
        if patch.shape[1:] != (2 * ring + 1, 2 * ring + 1):
            continue
        around = np.ones(patch.shape[1:], dtype=bool)
        around[ring - half : ring + half + 1, ring - half : ring + half + 1] = False
        sky = np.median(patch[:, around], axis=1)
        spread = MAD_TO_SIGMA * np.median(np.abs(patch[:, around] - sky[:, None]), axis=1)
        total = (patch[:, ~around] - sky[:, None]).sum(axis=1)
        if (total > _SURE * spread * (2 * half + 1)).all():
            light.append(total)
    if len(light) < _FEWEST:
        return None
    ratios = np.median(np.array(light) / np.array(light)[:, 1:2], axis=0)
    red, green, blue = (ratios / ratios.max()).tolist()
    return red, green, blue
