"""Compiled loops: what a stack predicts for a frame's samples, and how far they are from it."""

from __future__ import annotations

import numpy as np

from stackkit.integration.nodes import NODE
from stackkit.integration.resample import polynomial, relief_cell
from stackkit.jit import FAST, jit
from stackkit.raw.bayer import colour_at

STARRY = 5.0
"""Contrast, in standard deviations of a sample, that only a star or a skyline has."""


@jit(fastmath=FAST)
def deviations(  # type: ignore[no-untyped-def]
    codes, coding, layout, model, spread, nodes, level, noise, relief, steepness, out, starry
):
    """How far each sample of a frame is from the value that a first stack predicts.

    ``codes`` (H, W), ``coding`` (step, pedestal); ``model`` (3, H, W) on the reference grid,
    ``spread`` (3, …, …) its variance, an entry every ``RELIEF_STEP`` px; ``nodes`` the samples'
    places on that grid, every ``NODE`` px (:func:`sample_frame` has the other arguments).  ``out``
    (H, W) receives (sample - prediction) / standard deviation, NaN where either is missing.  The
    variance is the sample's noise, the model's, and (``steepness`` · contrast)².  ``starry`` (H, W)
    is set where the contrast is over ``STARRY`` standard deviations of the sample.
    """
    wx, wy = np.empty(4, dtype=np.float32), np.empty(4, dtype=np.float32)
    height, width = model.shape[1:]
    transparency = level[2]
    for j in range(codes.shape[0]):
        for i in range(codes.shape[1]):
            out[j, i] = np.nan
            if codes[j, i] == 0:
                continue
            u, v = _between_nodes(nodes, i, j)
            if not (1.0 <= u < width - 2.0 and 1.0 <= v < height - 2.0):
                continue
            c = colour_at(i, j, layout)
            told, contrast = _told(model, u, v, c, wx, wy)
            expected = transparency * told + _away(level, i, j, c)
            contrast *= transparency
            q, p = relief_cell(relief, i, j)
            variance = _sample_variance(expected, noise, relief[c, q, p])
            if contrast * contrast > STARRY * STARRY * variance:
                starry[j, i] = True
            variance += (steepness * contrast) ** 2
            q, p = relief_cell(spread, u, v)
            variance += spread[c, q, p] * transparency * transparency
            out[j, i] = ((codes[j, i] - 1.0) * coding[0] - coding[1] - expected) / np.sqrt(variance)


@jit(inline="always")
def _told(model, u, v, c, wx, wy):  # type: ignore[no-untyped-def]
    """The model's value in colour c at (u, v), and its contrast: the range over the 4×4 places."""
    a, b = int(u), int(v)
    _cubic(np.float32(u - a), wx)
    _cubic(np.float32(v - b), wy)
    low, high = model[c, b, a], model[c, b, a]
    told = np.float32(0)
    for q in range(4):
        for p in range(4):
            value = model[c, b + q - 1, a + p - 1]
            told += wx[p] * wy[q] * value
            low = min(low, value)
            high = max(high, value)
    return told, high - low


@jit
def contrasts(model, top, left, out):  # type: ignore[no-untyped-def]
    """Range of a model (3, H, W) over the 3×3 places around each of a tile: ``out`` (3, h, w)."""
    colours, height, width = out.shape
    for c in range(colours):
        for y in range(height):
            for x in range(width):
                own = model[c, top + y, left + x]
                low, high = own, own
                for j in range(max(top + y - 1, 0), min(top + y + 2, model.shape[1])):
                    for i in range(max(left + x - 1, 0), min(left + x + 2, model.shape[2])):
                        low = min(low, model[c, j, i])
                        high = max(high, model[c, j, i])
                out[c, y, x] = high - low if np.isfinite(high - low) else 0


@jit(inline="always")
def _away(level, x, y, c):  # type: ignore[no-untyped-def]
    """Difference of a frame's sky background from the reference's at a site."""
    offset, unit, _ = level
    return polynomial(offset[c], (x - unit[0]) / unit[2], (y - unit[1]) / unit[2])


@jit
def expect(codes, sites, coding, origin, layout, model, places, level):  # type: ignore[no-untyped-def]
    """Write into a window's ``codes`` the values that the model predicts for some samples.

    ``sites`` (N, 2) as x, y in the frame, ``places`` (N, 2) the same on the model's grid;
    ``origin`` (x, y) is the window's first site.  0 where the model has no value.
    """
    wx, wy = np.empty(4, dtype=np.float32), np.empty(4, dtype=np.float32)
    height, width = model.shape[1:]
    for k in range(sites.shape[0]):
        x, y = sites[k, 0], sites[k, 1]
        u, v = places[k, 0], places[k, 1]
        codes[y - origin[1], x - origin[0]] = 0
        if 1.0 <= u < width - 2.0 and 1.0 <= v < height - 2.0:
            c = colour_at(x, y, layout)
            told, _ = _told(model, u, v, c, wx, wy)
            adu = level[2] * told + _away(level, x, y, c)
            code = np.rint((adu + coding[1]) / coding[0]) + 1
            if np.isfinite(code):
                codes[y - origin[1], x - origin[0]] = min(max(code, 1), 65535)


@jit(inline="always")
def _cubic(t, w):  # type: ignore[no-untyped-def]
    """Weights of the samples at -1 … 2 for a place at 0 ≤ t < 1 (Keys 1981, a = -1/2)."""
    w[0] = ((np.float32(-0.5) * t + 1) * t - np.float32(0.5)) * t
    w[1] = (np.float32(1.5) * t - np.float32(2.5)) * t * t + 1
    w[2] = ((np.float32(-1.5) * t + 2) * t + np.float32(0.5)) * t
    w[3] = (np.float32(0.5) * t - np.float32(0.5)) * t * t


@jit(inline="always")
def _between_nodes(nodes, i, j):  # type: ignore[no-untyped-def]
    """Place that belongs to point (i, j), linear between exact nodes.

    Between two frames of a session the mapping bends so little that this is good to 0.0001 px, and
    to 0.001 px where one frame was taken upright and the other across.
    """
    x, y = i // NODE, j // NODE
    s, t = (i - x * NODE) / NODE, (j - y * NODE) / NODE
    p, q = (1 - s) * (1 - t), s * (1 - t)
    r, o = (1 - s) * t, s * t
    u = p * nodes[y, x, 0] + q * nodes[y, x + 1, 0] + r * nodes[y + 1, x, 0]
    v = p * nodes[y, x, 1] + q * nodes[y, x + 1, 1] + r * nodes[y + 1, x, 1]
    return u + o * nodes[y + 1, x + 1, 0], v + o * nodes[y + 1, x + 1, 1]


@jit(inline="always")
def _sample_variance(adu, noise, gain):  # type: ignore[no-untyped-def]
    """Variance of a sample that calibration multiplied by ``gain``."""
    return gain * (noise[1] * gain + noise[0] * max(adu, 0.0))
