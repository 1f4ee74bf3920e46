"""The stack as a small picture that looks right at a glance: 8-bit PNG, for the eye alone.

What is done to it, in order: white balance, clipping where the sensor clips, shrinking by area,
the smooth part of the sky taken away, an arcsinh stretch of the light that keeps the colours
(Lupton et al. 2004, PASP 116:133).  The stretch's result is taken as sRGB-encoded value.
"""

from __future__ import annotations

from pathlib import Path

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.ndimage import maximum_filter

from stackkit.output.files import replacing
from stackkit.output.upright import upright
from stackkit.stack_result import Stack

Planes = NDArray[np.float32]
Array = NDArray[np.float64]

LONGEST = 2048
"""Pixels of the long side at most."""
SKY = 0.12
"""Encoded value of the empty sky, as a share of full scale."""
_PEDESTAL = 6.0
"""How far, in noise sigmas, the sky lies above the light that the stretch counts as none."""
_RING, _BRIGHT = 9, 80.0
"""Side of the surroundings of a star, px, that is brighter than so many noise sigmas."""
_WHITE = 1500.0
"""Light, in noise sigmas, that the stretch takes to full scale."""
_BAND = 128
"""Rows of the small picture made at a time: memory stays small."""
_TILES = 32
"""Sky samples along the long side."""
_TILES_FOR_A_SURFACE = 60
"""With fewer the sky is taken as even."""
_COLOUR_TRUST = 8.0
"""Light above the sky, in noise sigmas, whose colour is shown at half its strength."""


def write_preview(
    path: Path,
    stack: Stack,
    balance: tuple[float, float, float] | None,
    orientation: int,
    white: float,
) -> None:
    """Write a preview of ``stack`` to ``path``; the parameters are those of ``write_tiff``.

    Raises ``OutputError``.
    """
    picture = upright(np.moveaxis(render(stack.value, balance, white), -1, 0), orientation)
    data = imagecodecs.png_encode(np.moveaxis(picture, 0, -1).copy(order="C"))
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def render(
    value: Planes, balance: tuple[float, float, float] | None, white: float
) -> NDArray[np.uint8]:
    """The preview (h, w, 3) of a linear picture (3, H, W), not yet turned upright.

    Pixels without any colour are black; a missing colour takes the mean of the others.
    """
    gains = balance or (1.0, 1.0, 1.0)
    clip = white * min(gains)
    small = np.stack(
        [shrink(p, clip / g) * np.float32(g) for p, g in zip(value, gains, strict=True)]
    )
    sky, noise = sky_model(small)
    small -= sky
    small /= noise
    small = _without_rings(small)
    known = np.isfinite(small)
    light = np.where(known, small, 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    encoded = _coloured(light.astype(np.float32), np.where(known, small, light))
    encoded[:, ~known.any(axis=0)] = 0
    return np.moveaxis(np.rint(encoded * 255).astype(np.uint8), 0, -1)


def _without_rings(excess: Planes) -> Planes:
    """Channels (3, h, w) in noise sigmas without what is below the sky beside bright stars.

    Interpolation leaves a dark ring of a hundredth of a star's height, other in each colour.
    """
    bright = maximum_filter(np.nan_to_num(excess).max(axis=0), size=_RING) > _BRIGHT
    return np.asarray(np.where(bright, np.maximum(excess, 0), excess))


def shrink(plane: Planes, most: float = np.inf, longest: int = LONGEST) -> Planes:
    """``plane`` (H, W) with its long side at most ``longest``: means over areas, NaN left out.

    Samples above ``most`` count as ``most``.
    """
    scale = min(1.0, longest / max(plane.shape))
    rows, columns = (_area_means(n, max(1, round(n * scale))) for n in plane.shape)
    small = np.empty((rows.shape[0], columns.shape[0]), dtype=np.float32)
    for start in range(0, len(small), _BAND):
        band = rows[start : start + _BAND]
        first, last = band.indices.min(), band.indices.max() + 1
        samples = np.minimum(plane[first:last], np.float32(most))
        known = np.isfinite(samples)
        samples[~known] = 0
        band = band[:, first:last]
        total = (columns @ (band @ samples).T).T
        share = (columns @ (band @ known.astype(np.float32)).T).T
        small[start : start + _BAND] = np.where(
            share > 1e-3, total / np.maximum(share, 1e-3), np.nan
        )
    return small


def _area_means(size: int, smaller: int) -> sparse.csr_array:
    """The matrix (smaller, size) whose rows average equal stretches of a line of pixels."""
    edges = np.linspace(0, size, smaller + 1)
    first = np.floor(edges[:-1]).astype(int)
    last = np.ceil(edges[1:] - 1e-9).astype(int)
    counts = last - first
    row = np.repeat(np.arange(smaller), counts)
    column = np.concatenate([np.arange(a, b) for a, b in zip(first, last, strict=True)])
    overlap = np.minimum(edges[row + 1], column + 1) - np.maximum(edges[row], column)
    weights = overlap * smaller / size
    return sparse.csr_array((weights.astype(np.float32), (row, column)), shape=(smaller, size))


def sky_model(small: Planes) -> tuple[Planes, float]:
    """The smooth sky (3, h, w) under a picture, and the noise of its light (the channels' mean).

    The exponential of a second-order surface through the logarithms of the medians of tiles: what
    shapes the sky, the lens's falloff above all, multiplies.  The fit is robust against what
    stands out of it, a band like the Milky Way or the ground; one set of weights serves all
    channels, so that the band keeps its colour.
    """
    _, h, w = small.shape
    tile = max(1, -(-max(h, w) // _TILES))
    medians, scatter, yx = _tile_figures(small, tile)
    if len(yx) == 0:
        return np.zeros_like(small), 1.0
    least = 1e-5 * float(np.abs(medians).max()) + 1e-9
    offset = max(0.0, float(np.median(scatter)) + least - float(medians.min()))
    order = 2 if len(yx) >= _TILES_FOR_A_SURFACE else 0
    terms = _surface_terms(yx[:, 0] / h, yx[:, 1] / w, order)
    logs = np.log(medians + offset)
    weights = _robust_weights(terms, logs.mean(axis=1), yx)
    root = np.sqrt(weights)[:, None]
    coefficients = np.linalg.lstsq(terms * root, logs * root, rcond=None)[0]
    y, x = (np.arange(h) + 0.5) / h, (np.arange(w) + 0.5) / w
    sky = np.empty_like(small)
    for i, row in enumerate(y):
        surface = _surface_terms(np.full(w, row), x, order) @ coefficients
        sky[:, i] = np.exp(np.clip(surface, logs.min() - 1, logs.max() + 1)).T - offset
    noise = float(np.median(scatter[weights > 0.5 * weights.max()]))
    return sky, max(noise, least)


def _surface_terms(y: Array, x: Array, order: int) -> Array:
    y, x = 2 * y - 1, 2 * x - 1
    terms = [x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)]
    return np.stack(terms, axis=-1)


def _tile_figures(small: Planes, tile: int) -> tuple[Array, Array, Array]:
    """Of tiles that are mostly known: medians (n, 3), scatter of the light (n,), centres (n, 2)."""
    _, h, w = small.shape
    medians, scatter, centres = [], [], []
    for y in range(0, h, tile):
        for x in range(0, w, tile):
            block = small[:, y : y + tile, x : x + tile].reshape(3, -1)
            block = block[:, np.isfinite(block).all(axis=0)]
            if block.shape[1] * 2 < tile * tile and block.shape[1] < h * w / 2:
                continue
            light = block.mean(axis=0)
            medians.append(np.median(block, axis=1))
            scatter.append(1.4826 * np.median(np.abs(light - np.median(light))))
            centres.append(((y + min(y + tile, h)) / 2, (x + min(x + tile, w)) / 2))
    return np.array(medians), np.array(scatter), np.array(centres)


def _robust_weights(terms: Array, values: Array, yx: Array) -> Array:
    """Weights (n,) of Tukey's biweight for the fit that suits most of the tiles best.

    It is started from all tiles and from each half of the picture: ground fills one side of it
    and would bend a fit that starts from everything.
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
            scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-12
            weights = np.clip(1 - (residual / (3 * scale)) ** 2, 0, None) ** 2
        if scale < 0.999 * lowest:
            best, lowest = weights, scale
    return best


def _stretch(light: Planes) -> Planes:
    """Encoded value (0-1) of light in noise sigmas above the sky.

    Above the sky: asinh(u / soft) / asinh(white / soft), u counted from the pedestal, with the
    softening that puts the sky at ``SKY``.  Below: a hyperbola with the same value and slope at
    the sky, which nears zero but never gets there, so that neither noise nor ground clip flat.
    """
    soft = _softening()
    full = np.arcsinh(_WHITE / soft)
    slope = 1 / (np.hypot(_PEDESTAL, soft) * full)
    above = np.arcsinh((np.maximum(light, 0) + np.float32(_PEDESTAL)) / np.float32(soft))
    below = SKY / (1 - np.minimum(light, 0) * np.float32(slope / SKY))
    return np.where(light > 0, above / np.float32(full), below).astype(np.float32)


def _softening() -> float:
    """The softening, in noise sigmas, with which the sky comes out at ``SKY`` (bisection)."""
    low, high = 1e-3, 1e6
    for _ in range(80):
        soft = float(np.sqrt(low * high))
        at_sky = np.arcsinh(_PEDESTAL / soft) / np.arcsinh(_WHITE / soft)
        low, high = (soft, high) if at_sky > SKY else (low, soft)
    return soft


def _coloured(light: Planes, excess: Planes) -> Planes:
    """Encoded channels (3, h, w) of channels ``excess`` whose mean is ``light`` (h, w).

    Both in noise sigmas above the sky.  The light is stretched and the channels keep their ratio
    to it; where the brightest would exceed full scale all three are scaled down together (Lupton
    et al. 2004).  The colour of light that hardly rises above the noise is held back.
    """
    raised = np.maximum(light, 0)
    trust = raised**2 / (raised**2 + _COLOUR_TRUST**2)
    stretched = _stretch(light)
    encoded = excess - light
    encoded *= stretched * trust / (raised + _PEDESTAL)
    encoded += stretched
    np.maximum(encoded, 0, out=encoded)
    encoded /= np.maximum(encoded.max(axis=0), 1)
    return encoded
