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

from stackkit.output.files import replacing
from stackkit.output.upright import upright
from stackkit.stack_result import Stack

Plane = NDArray[np.float32]
Array = NDArray[np.float64]

LONGEST = 2048
"""Pixels of the long side at most."""
SKY = 0.12
"""Encoded value of the empty sky, as a share of full scale."""
_PEDESTAL = 6.0
"""How far, in noise sigmas, the sky lies above the light that the stretch counts as none."""
_WHITE = 1500.0
"""Light, in noise sigmas, that the stretch takes to full scale."""
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
    data = imagecodecs.png_encode(np.ascontiguousarray(np.moveaxis(picture, 0, -1)))
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def render(
    value: Plane, balance: tuple[float, float, float] | None, white: float
) -> NDArray[np.uint8]:
    """The preview (h, w, 3) of a linear picture (3, H, W), not yet turned upright.

    Pixels without any colour are black; a missing colour takes the mean of the others.
    """
    gains = balance or (1.0, 1.0, 1.0)
    clip = white * min(gains)
    small = np.stack(
        [shrink(np.minimum(p * np.float32(g), clip)) for p, g in zip(value, gains, strict=True)]
    )
    sky, noise = sky_model(small)
    excess = small - sky
    known = np.isfinite(excess)
    light = np.where(known, excess, 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    excess = np.where(known, excess, light)
    encoded = _coloured(light / noise, excess / noise)
    encoded[:, ~known.any(axis=0)] = 0
    return np.moveaxis(np.rint(encoded * 255).astype(np.uint8), 0, -1)


def shrink(plane: Plane, longest: int = LONGEST) -> Array:
    """``plane`` (H, W) with its long side at most ``longest``: means over areas, NaN left out."""
    known = np.isfinite(plane)
    scale = min(1.0, longest / max(plane.shape))
    rows, columns = (_area_means(n, max(1, round(n * scale))) for n in plane.shape)
    filled = np.where(known, plane, 0)
    total = (columns @ (rows @ filled).T).T
    share = (columns @ (rows @ known.astype(np.float32)).T).T
    return np.where(share > 1e-3, total / np.maximum(share, 1e-3), np.nan)


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


def sky_model(small: Array) -> tuple[Array, float]:
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
    least = 1e-6 * float(np.abs(medians).max()) + 1e-9
    offset = max(0.0, float(np.median(scatter)) + least - float(medians.min()))
    order = 2 if len(yx) >= _TILES_FOR_A_SURFACE else 0
    terms = _surface_terms(yx[:, 0] / h, yx[:, 1] / w, order)
    logs = np.log(medians + offset)
    weights = _robust_weights(terms, logs.mean(axis=1), yx)
    root = np.sqrt(weights)[:, None]
    coefficients = np.linalg.lstsq(terms * root, logs * root, rcond=None)[0]
    y, x = (np.arange(h) + 0.5) / h, (np.arange(w) + 0.5) / w
    grid = _surface_terms(*np.broadcast_arrays(y[:, None], x[None, :]), order)
    surface = np.clip(grid @ coefficients, logs.min() - 1, logs.max() + 1)
    noise = float(np.median(scatter[weights > 0.5 * weights.max()]))
    return np.moveaxis(np.exp(surface) - offset, -1, 0), max(noise, least)


def _surface_terms(y: Array, x: Array, order: int) -> Array:
    y, x = 2 * y - 1, 2 * x - 1
    terms = [x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)]
    return np.stack(terms, axis=-1)


def _tile_figures(small: Array, tile: int) -> tuple[Array, Array, Array]:
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
        for _ in range(15):
            root = np.sqrt(weights)
            fit = np.linalg.lstsq(terms * root[:, None], values * root, rcond=None)[0]
            residual = values - terms @ fit
            scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-12
            weights = np.clip(1 - (residual / (4 * scale)) ** 2, 0, None) ** 2
        if scale < 0.999 * lowest:
            best, lowest = weights, scale
    return best


def _stretch(light: Array) -> Array:
    """Encoded value (0-1) of light in noise sigmas above the sky.

    Above the sky: asinh(u / soft) / asinh(white / soft), u counted from the pedestal, with the
    softening that puts the sky at ``SKY``.  Below: a hyperbola with the same value and slope at
    the sky, which nears zero but never gets there, so that neither noise nor ground clip flat.
    """
    low, high = 1e-3, 1e6
    for _ in range(80):
        soft = np.sqrt(low * high)
        at_sky = np.arcsinh(_PEDESTAL / soft) / np.arcsinh(_WHITE / soft)
        low, high = (soft, high) if at_sky > SKY else (low, soft)
    full = np.arcsinh(_WHITE / soft)
    slope = 1 / (np.hypot(_PEDESTAL, soft) * full)
    above = np.arcsinh((np.maximum(light, 0) + _PEDESTAL) / soft) / full
    below = SKY / (1 - np.minimum(light, 0) * slope / SKY)
    return np.where(light > 0, above, below)


def _coloured(light: Array, excess: Array) -> Array:
    """Encoded channels (3, h, w), all in noise sigmas above the sky.

    The light is stretched and the channels keep their ratio to it; where the brightest would
    exceed full scale all three are scaled down together (Lupton et al. 2004).  The colour of
    light that hardly rises above the noise is held back.
    """
    raised = np.maximum(light, 0)
    trust = raised**2 / (raised**2 + _COLOUR_TRUST**2)
    ratio = 1 + trust * (excess - light) / (raised + _PEDESTAL)
    encoded = _stretch(light) * np.maximum(ratio, 0)
    return encoded / np.maximum(encoded.max(axis=0), 1)
