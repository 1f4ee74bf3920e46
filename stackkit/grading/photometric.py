"""Brightness of a frame relative to another: transparency from stars, sky from a coarse mesh.

A frame's samples are modelled as ``transparency · scene + offset``, where the scene is that of the
reference frame and the offset a smooth surface per colour (sky glow, haze, and the vignetted sky,
which is fixed to the lens while the stars move).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from stackkit.arrays import Array
from stackkit.geometry.mapping import AnyMapping
from stackkit.robust import sigma_about_zero
from stackkit.stars.detect import Stars
from stackkit.stars.sky_mesh import MESH, Sky

_ROUNDS = 6
"""Number of reweightings of a fit."""


@dataclass(frozen=True)
class Level:
    """ADU in this frame = ``transparency`` · ADU on the reference's scale + offset.

    ``offset`` (3, 6) holds a quadratic per colour (1, x, y, x², xy, y²) of the frame's pixel, after
    subtraction of ``unit[0:2]`` and division by ``unit[2]``.
    """

    offset: Array
    unit: Array
    transparency: float


def relative_transparency(reference: Stars, frame: Stars, pairs: NDArray[np.int64]) -> float:
    """Light of this frame's stars over the reference's: median over matched, unclipped stars."""
    a, b = pairs[:, 0], pairs[:, 1]
    good = ~(reference.saturated[a] | frame.saturated[b])
    good &= (reference.flux[a] > 0) & (frame.flux[b] > 0)
    if not good.any():
        return 1.0
    a, b = a[good], b[good]
    brightest = np.argsort(-reference.flux[a], kind="stable")[:300]
    return float(np.median(frame.flux[b[brightest]] / reference.flux[a[brightest]]))


def transparencies(
    tables: Sequence[Stars], pairs: Sequence[NDArray[np.int64]], reference: int
) -> list[float]:
    """Transparency of each frame relative to the reference; ``pairs`` (N, 2) of star numbers,
    the reference's first.
    """
    return [
        relative_transparency(tables[reference], table, own)
        for table, own in zip(tables, pairs, strict=True)
    ]


def flat_level(size: tuple[int, int], transparency: float = 1.0) -> Level:
    """No offset: for the reference itself, or a frame whose offset is unknown."""
    width, height = size
    unit = np.array([(width - 1) / 2, (height - 1) / 2, max(width, height) / 2])
    return Level(np.zeros((3, 6)), unit, transparency)


def relative_level(
    reference: Sky, frame: Sky, mapping: AnyMapping, size: tuple[int, int], transparency: float
) -> Level:
    """Offset surfaces of a frame relative to the reference, from their sky at the same stars.

    Boxes are compared where both frames show the same piece of sky, so that the Milky Way cancels;
    the quadratic is fitted with Tukey's weights, robust against ground and edges of clouds.
    """
    flat = flat_level(size, transparency)
    ny, nx = frame.mesh.shape[1:]
    x, y = np.meshgrid(np.arange(nx) * MESH + (MESH - 1) / 2, np.arange(ny) * MESH + (MESH - 1) / 2)
    there = mapping.to_reference(np.stack([x, y], axis=-1))
    row, column = ((there[..., i] - (MESH - 1) / 2) / MESH for i in (1, 0))
    here_x, here_y = (x - flat.unit[0]) / flat.unit[2], (y - flat.unit[1]) / flat.unit[2]
    offset = np.zeros((3, 6))
    with np.errstate(invalid="ignore"):
        inside = (row >= 0) & (row <= ny - 1) & (column >= 0) & (column <= nx - 1)
    for colour in range(3):
        seen = map_coordinates(
            reference.mesh[colour], [np.nan_to_num(row), np.nan_to_num(column)], order=1
        )
        difference = frame.mesh[colour] - transparency * seen
        good = inside & np.isfinite(difference)
        if good.sum() >= 12:
            offset[colour] = _robust_quadratic(here_x[good], here_y[good], difference[good])
        elif good.any():
            offset[colour, 0] = np.median(difference[good])
        elif np.isfinite(frame.mesh[colour]).any() and np.isfinite(reference.mesh[colour]).any():
            offset[colour, 0] = frame.level[colour] - transparency * reference.level[colour]
    return Level(offset, flat.unit, transparency)


def _robust_quadratic(x: Array, y: Array, value: Array) -> Array:
    """Coefficients of 1, x, y, x², xy, y² with Tukey's biweight (c = 4.685)."""
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    weight = np.ones_like(value)
    fit = np.zeros(6)
    fit[0] = np.median(value)
    for _ in range(_ROUNDS):
        away = value - terms @ fit
        spread = sigma_about_zero(away) + 1e-6
        weight = np.clip(1 - (away / (4.685 * spread)) ** 2, 0, None) ** 2
        if (weight > 0).sum() < 12:
            break
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(terms * root[:, None], value * root, rcond=None)[0]
    return np.asarray(fit)
