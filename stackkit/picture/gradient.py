"""The smooth sky background of a picture: its shape, strength and direction, and its removal.

The model is the exponential of a second-order surface and a fourth-order term about the middle for
the lens's falloff, fitted to the logarithms of the medians of tiles, because the effects are
multiplicative.  The fit is robust against the Milky Way and the ground; all colours have the same
weights, so that the Milky Way keeps its colour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stackkit.arrays import Array, Plane
from stackkit.picture.orientation import upright
from stackkit.robust import MAD_TO_SIGMA, medians_of_known, sigma_about_zero
from stackkit.schemas.picture import GradientRecord

_TILES = 32
"""Sky samples along the long side."""
_TILES_FOR_A_SURFACE = 60
"""With fewer the sky is assumed to be even."""
_MAP = (9, 12)
"""Rows and columns of the map in the record, for landscape format."""
_BAND = 64
"""Rows whose sky is computed at a time."""


@dataclass(frozen=True)
class SkyModel:
    """The sky of a picture, at places given as shares (0-1) of its height and width.

    exp of the surface with ``coefficients`` (terms, 3), minus ``offset``; its logarithm is held
    within ``least`` and ``most``.  Without terms it is zero.  ``wide``: width over height.
    """

    coefficients: Array
    wide: float
    offset: float
    least: float
    most: float


NO_SKY = SkyModel(np.zeros((0, 3)), 1.0, 0.0, 0.0, 0.0)
"""For a sky that could not be fitted."""


def sky_at(sky: SkyModel, y: Array, x: Array) -> Plane:
    """The sky (3, rows, columns) at ``y`` (rows,) and ``x`` (columns,), shares of the sides."""
    out = np.zeros((3, len(y), len(x)), dtype=np.float32)
    if len(sky.coefficients):
        for top in range(0, len(y), _BAND):
            rows, columns = np.broadcast_arrays(y[top : top + _BAND, None], x)
            terms = _terms(rows, columns, sky.wide)
            surface = terms[..., : len(sky.coefficients)] @ sky.coefficients
            light = np.exp(np.clip(surface, sky.least, sky.most)) - sky.offset
            out[:, top : top + _BAND] = np.moveaxis(light, -1, 0)
    return out


def sky_of_grid(sky: SkyModel, height: int, width: int) -> Plane:
    """The sky (3, height, width) of a whole picture."""
    return sky_at(sky, (np.arange(height) + 0.5) / height, (np.arange(width) + 0.5) / width)


def without_sky(value: Plane, sky: SkyModel) -> Plane:
    """The picture (3, H, W) with the smooth sky background subtracted."""
    _, height, width = value.shape
    y, x = (np.arange(height) + 0.5) / height, (np.arange(width) + 0.5) / width
    out = np.empty_like(value)
    for top in range(0, height, _BAND):
        rows = slice(top, top + _BAND)
        np.subtract(value[:, rows], sky_at(sky, y[rows], x), out=out[:, rows])
    return out


def fit_sky(small: Plane) -> SkyModel:
    """The smooth sky background of a picture (3, h, w), NaN where unknown."""
    _, h, w = small.shape
    medians, scatter, yx = tiles(small)
    if len(yx) == 0:
        return NO_SKY
    least = 1e-5 * float(np.abs(medians).max()) + 1e-9
    offset = max(0.0, float(np.median(scatter)) + least - float(medians.min()))
    terms = _terms(yx[:, 0] / h, yx[:, 1] / w, w / h)
    if len(yx) < _TILES_FOR_A_SURFACE:
        terms = terms[:, :1]
    logs = np.log(medians + offset)
    root = np.sqrt(_robust_weights(terms, logs.mean(axis=1), yx))[:, None]
    coefficients = np.linalg.lstsq(terms * root, logs * root, rcond=None)[0]
    return SkyModel(coefficients, w / h, offset, float(logs.min()) - 1, float(logs.max()) + 1)


def tiles(small: Plane) -> tuple[Array, Array, Array]:
    """For tiles that are mostly known: medians (n, 3), scatter of the light (n,), centres (n, 2).

    The light is the mean of the colours; centres are y, x in pixels from the corner.
    """
    _, h, w = small.shape
    tile = max(1, -(-max(h, w) // _TILES))
    rows, columns = -(-h // tile), -(-w // tile)
    blocks = np.full((3, rows * tile, columns * tile), np.nan, dtype=small.dtype)
    blocks[:, :h, :w] = np.where(np.isfinite(small).all(axis=0), small, np.nan)
    blocks = blocks.reshape(3, rows, tile, columns, tile).swapaxes(2, 3).reshape(3, -1, tile * tile)
    known = np.isfinite(blocks[0]).sum(axis=1)
    kept = np.flatnonzero(2 * known >= np.minimum(tile * tile, h * w))
    blocks = blocks[:, kept]
    light = blocks.mean(axis=0)
    spread = np.abs(light - medians_of_known(light)[:, None])
    y, x = (kept // columns) * tile, (kept % columns) * tile
    centres = (y + np.minimum(y + tile, h)) / 2, (x + np.minimum(x + tile, w)) / 2
    return (
        np.stack([medians_of_known(block) for block in blocks], axis=1),
        MAD_TO_SIGMA * medians_of_known(spread),
        np.stack(centres, axis=1),
    )


def gradient_record(
    sky: SkyModel, shape: tuple[int, int], orientation: int
) -> GradientRecord | None:
    """The record of the sky background on a grid of ``shape`` (H, W); None without one.

    ``strength``: greatest ratio of the brightness of a place to that of the place opposite, so that
    the lens's falloff does not count; ``towards_deg``: direction in which it gets brighter in the
    upright picture, clockwise from up; ``map``: light over its median, in rows from the top.
    """
    if not len(sky.coefficients):
        return None
    rows, columns = _MAP if shape[1] >= shape[0] else _MAP[::-1]
    colours = upright(sky_of_grid(sky, rows, columns), orientation).astype(np.float64)
    light = colours.mean(axis=0)
    middle = float(np.median(light))
    if not (middle > 0 and light.min() > 0):
        return None
    h, w = upright(np.empty(shape, dtype=np.bool_), orientation).shape
    ratio = light / light[::-1, ::-1]
    by_row, by_column = np.gradient(np.log(ratio), h / len(light), w / light.shape[1])
    slope = float(by_column.mean()), float(by_row.mean())
    return {
        "strength": float(ratio.max()),
        "towards_deg": float(np.degrees(np.arctan2(slope[0], -slope[1])) % 360),
        "sky_adu": [float(v) for v in np.median(colours, axis=(1, 2))],
        "map": (light / middle).tolist(),
    }


def _terms(y: Array, x: Array, wide: float) -> Array:
    """The terms of the surface (…, 7), at places given as shares of the sides."""
    y, x = 2 * y - 1, 2 * x - 1
    outwards = (wide * wide * x * x + y * y) / (wide * wide + 1)
    return np.stack([np.ones_like(x), y, x, y * y, x * y, x * x, outwards**2], axis=-1)


def _robust_weights(terms: Array, values: Array, yx: Array) -> Array:
    """Weights (n,) of Tukey's biweight for the fit that agrees with most of the tiles.

    It is started from all tiles and from each half of the picture: ground fills one side and would
    bias a fit that starts from everything.
    """
    middle = np.median(yx, axis=0)
    sides = [yx[:, axis] * sign >= middle[axis] * sign for axis in (0, 1) for sign in (1, -1)]
    best, lowest = np.ones(len(values)), np.inf
    for start in [np.ones(len(values), dtype=bool), *sides]:
        weights = start.astype(np.float64)
        for _ in range(25):
            root = np.sqrt(weights)
            fit = np.linalg.lstsq(terms * root[:, None], values * root, rcond=None)[0]
            residual = values - terms @ fit
            scale = sigma_about_zero(residual) + 1e-12
            weights = np.clip(1 - (residual / (3 * scale)) ** 2, 0, None) ** 2
        if scale < 0.999 * lowest:
            best, lowest = weights, scale
    return best
