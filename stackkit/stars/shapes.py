"""Star shapes of a frame as a whole: elongated in one direction, or doubled."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from stackkit.stars.detect import Column, Stars

_BRIGHTEST = 300
_FARTHEST = 16.0
"""px up to which a second image of a star is looked for."""
_TOGETHER = 1.2
"""px within which two stars' second images lie alike."""
_TWINNED = 0.12
"""Share of the stars that must have a second image at the same place."""
_FEWEST = 6
"""Fewest stars from which shapes are meaningful."""


def drawn_out(stars: Stars) -> complex:
    """Mean elongation of the brighter stars as a vector of twice its angle; NaN without stars.

    Elongation by noise has any direction and cancels; that by the camera is the same for all.
    """
    good = ~stars.saturated
    lean = (stars.elongation * np.exp(2j * stars.angle))[good][:_BRIGHTEST]
    return complex(np.median(lean.real), np.median(lean.imag)) if len(lean) else complex(np.nan)


def axes(drawn: float) -> tuple[float, float]:
    """Long and short axis, over the width of a round fit, of stars so drawn out.

    Of a Gaussian with variances s² (1 ± q) the moments under a Gaussian window of width s differ by
    q / (2 - q²) of their sum: solved for q.
    """
    if not drawn > 0:
        return 1.0, 1.0
    q = min((np.sqrt(1 + 8 * drawn * drawn) - 1) / (2 * drawn), 0.99)
    return float(np.sqrt(1 + q)), float(np.sqrt(1 - q))


def second_images(stars: Stars) -> float:
    """Px from stars to their second images, when many have one in the same place; else 0.

    Chance neighbours lie anywhere; the count at one place is compared with their expected number.
    """
    xy = stars.xy[:_BRIGHTEST]
    if len(xy) < _FEWEST:
        return 0.0
    pairs = cKDTree(xy).query_pairs(_FARTHEST, output_type="ndarray")
    if len(pairs) < _FEWEST:
        return 0.0
    offsets = _one_side(xy[pairs[:, 1]] - xy[pairs[:, 0]])
    tree = cKDTree(np.concatenate([offsets, -offsets]))
    votes = np.array([len(near) for near in tree.query_ball_point(offsets, _TOGETHER)])
    best = int(np.argmax(votes))
    by_chance = 2 * len(offsets) * (_TOGETHER / _FARTHEST) ** 2
    least = max(_FEWEST, _TWINNED * len(xy), by_chance + 6 * np.sqrt(by_chance))
    return float(np.hypot(*offsets[best])) if votes[best] > least else 0.0


def _one_side(offsets: Column) -> Column:
    """A pair has no order: offsets (N, 2) turned to point right."""
    return np.where(offsets[:, :1] < 0, -offsets, offsets)
