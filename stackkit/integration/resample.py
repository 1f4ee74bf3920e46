"""Compiled kernels: the samples of a mosaic onto a tile of the reference grid.

A window of the mosaic is demosaiced into three planes (``demosaic``), which are interpolated at the
exact place by a Lanczos kernel over 6×6 (a = 3; its weights' sum divided out), no position rounded.

Frames are added as Σ share·confidence·value and Σ share·confidence: normalised convolution
(Knutsson & Westin 1993).  A hole in one frame is filled by the others, and by its own
surroundings only where no frame has anything better.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from stackkit.arrays import Array, Index, Mask, Plane
from stackkit.calibration.apply import RELIEF_SHIFT
from stackkit.jit import jit
from stackkit.raw.bayer import colour_at

LEAST_CONFIDENCE = 0.45
"""Below it a frame by itself gives no value at a place; at the picture's rim half is usual."""
STARRY = 5.0
"""Contrast, in standard deviations of a sample, that only a star or a skyline has."""
LANCZOS_STEPS = 2048
NODE = 4
"""Step of the grid of exact places between which the others lie, px."""
_FAST = {"contract", "reassoc", "nsz", "arcp"}
"""Liberties with the order of additions, not with NaN."""
PHASES = 8
"""Steps per pixel in which the noise factor is tabulated."""


def _lanczos_table() -> Plane:
    """Weights (steps + 2, 6), sum 1, of the samples at -2 … 3 for places from 0 to 1."""
    t = np.arange(LANCZOS_STEPS + 2)[:, None] / LANCZOS_STEPS
    x = t - np.arange(-2, 4)
    weights = np.sinc(x) * np.sinc(x / 3)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), dtype=np.float32)


_LANCZOS = _lanczos_table()


@jit(inline="always")
def lanczos(t, w):  # type: ignore[no-untyped-def]
    """Lanczos weights for a place at 0 ≤ t < 1, linear between the table's steps (to 1e-6)."""
    at = t * LANCZOS_STEPS
    k = int(at)
    part = np.float32(at - k)
    for i in range(6):
        w[i] = _LANCZOS[k, i] + part * (_LANCZOS[k + 1, i] - _LANCZOS[k, i])


@jit(inline="always")
def _cubic(t, w):  # type: ignore[no-untyped-def]
    """Weights of the samples at -1 … 2 for a place at 0 ≤ t < 1 (Keys 1981, a = -1/2)."""
    w[0] = ((np.float32(-0.5) * t + 1) * t - np.float32(0.5)) * t
    w[1] = (np.float32(1.5) * t - np.float32(2.5)) * t * t + 1
    w[2] = ((np.float32(-1.5) * t + 2) * t + np.float32(0.5)) * t
    w[3] = (np.float32(0.5) * t - np.float32(0.5)) * t * t


@jit(inline="always")
def _interpolate(plane, i, j, wx, wy):  # type: ignore[no-untyped-def]
    """Lanczos mean around sample (i, j); beyond the window's edge the edge is repeated."""
    height, width = plane.shape
    total = np.float32(0)
    if 2 <= i < width - 3 and 2 <= j < height - 3:
        for b in range(6):
            row = np.float32(0)
            for a in range(6):
                row += wx[a] * plane[j + b - 2, i + a - 2]
            total += wy[b] * row
        return total
    for b in range(6):
        y = min(max(j + b - 2, 0), height - 1)
        for a in range(6):
            x = min(max(i + a - 2, 0), width - 1)
            total += wx[a] * wy[b] * plane[y, x]
    return total


@jit(inline="always")
def _near(clipped, i, j):  # type: ignore[no-untyped-def]
    height, width = clipped.shape
    return clipped[min(max(j, 0), height - 1), min(max(i, 0), width - 1)]


@jit
def _among(plane, i, j, value):  # type: ignore[no-untyped-def]
    """The value, brought between the least and the greatest of the 4×4 samples around (i, j)."""
    height, width = plane.shape
    low, high = np.inf, -np.inf
    for b in range(-1, 3):
        for a in range(-1, 3):
            v = plane[min(max(j + b, 0), height - 1), min(max(i + a, 0), width - 1)]
            low = min(low, v)
            high = max(high, v)
    return min(max(value, low), high)


@jit(inline="always")
def _certainty(confidence, i, j, s, t):  # type: ignore[no-untyped-def]
    """Confidence between four samples, linearly."""
    height, width = confidence.shape
    x0, y0 = min(max(i, 0), width - 1), min(max(j, 0), height - 1)
    x1, y1 = min(max(i + 1, 0), width - 1), min(max(j + 1, 0), height - 1)
    upper = (1 - s) * confidence[y0, x0] + s * confidence[y0, x1]
    lower = (1 - s) * confidence[y1, x0] + s * confidence[y1, x1]
    return (1 - t) * upper + t * lower


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


@jit(inline="always")
def _cell(table, x, y):  # type: ignore[no-untyped-def]
    """Row and column of a site in a table (3, …, …); beyond the table its last."""
    i = min(max(int(x), 0) >> RELIEF_SHIFT, table.shape[2] - 1)
    j = min(max(int(y), 0) >> RELIEF_SHIFT, table.shape[1] - 1)
    return j, i


@jit(inline="always")
def _variance(samples, factors):  # type: ignore[no-untyped-def]
    """Variance of one colour at a place: each colour's samples bring their own."""
    return factors[0] * samples[0] + factors[1] * samples[1] + factors[2] * samples[2]


@jit(inline="always")
def _polynomial(c, x, y):  # type: ignore[no-untyped-def]
    return c[0] + x * (c[1] + c[3] * x + c[4] * y) + y * (c[2] + c[5] * y)


class OpenedTile(NamedTuple):
    """One frame's data in one tile, as the loops need it.

    ``planes``, ``confidence`` (3, h, w) from ``demosaic.open_window`` of the window whose first
    sample is site ``origin`` (x, y); ``clipped`` (h, w): where a sample close by is clipped, and a
    value is kept among those around it; ``layout`` as in ``raw.bayer``; ``nodes`` (…, …, 2) the
    frame's places x, y of every ``NODE``-th place of the tile, one node beyond it; ``offset``
    (3, 6), ``unit`` (3,) and ``transparency`` as in ``photometric.Level``; ``slope``, ``floor`` of
    one sample's noise; ``relief`` as in ``tiles.Placed``.
    """

    planes: Plane
    confidence: Plane
    clipped: Mask
    origin: tuple[int, int]
    layout: Index
    nodes: Array
    offset: Array
    unit: Array
    transparency: float
    slope: float
    floor: float
    relief: Plane


@jit(fastmath=_FAST)
def sample_frame(tile, factors, values, variances):  # type: ignore[no-untyped-def]
    """One frame at the places of a tile, on the reference's scale, NaN where it has nothing.

    ``tile``: an :class:`OpenedTile`; ``factors`` from ``interpolation_response.noise_factors``.
    Results: ``values`` and ``variances`` (3, h, w).
    """
    # Taken out of the tuple once: in the loop each would be counted as a reference again.  What the
    # two loops share stays written out in both: as a function of its own it took 1.7 times as long.
    planes, confidence, clipped, origin, layout, nodes = tile[:6]
    offset, unit, transparency, slope, floor, relief = tile[6:]
    noise = (slope, floor)
    wx = np.empty(6, dtype=np.float32)
    wy = np.empty(6, dtype=np.float32)
    adu, own = np.empty(3), np.empty(3)
    for y in range(values.shape[1]):
        for x in range(values.shape[2]):
            values[:, y, x] = np.nan
            variances[:, y, x] = np.nan
            u, v = _between_nodes(nodes, x, y)
            if not (-0.5 <= u <= layout[5] - 0.5 and -0.5 <= v <= layout[6] - 0.5):
                continue
            i, j = int(u + 2) - 2, int(v + 2) - 2
            s, t = u - i, v - j
            lanczos(s, wx)
            lanczos(t, wy)
            column, row = int(((i & 1) + s) * PHASES), int(((j & 1) + t) * PHASES)
            i, j = i - origin[0], j - origin[1]
            q, p = _cell(relief, u, v)
            for c in range(3):
                adu[c] = _interpolate(planes[c], i, j, wx, wy)
                if _near(clipped, i, j):
                    adu[c] = _among(planes[c], i, j, adu[c])
                own[c] = _sample_variance(adu[c], noise, relief[c, q, p])
            for c in range(3):
                sure = _certainty(confidence[c], i, j, s, t)
                if sure >= LEAST_CONFIDENCE:
                    away = _polynomial(offset[c], (u - unit[0]) / unit[2], (v - unit[1]) / unit[2])
                    variance = _variance(own, factors[row, column, c])
                    values[c, y, x] = (adu[c] - away) / transparency
                    variances[c, y, x] = variance / sure / (transparency * transparency)


@jit(fastmath=_FAST)
def add_frame(tile, factors, share, sums):  # type: ignore[no-untyped-def]
    """Add one frame to a tile's running sums, with weight ``share``.

    ``sums`` (4, 3, h, w): Σ share·confidence·value, Σ share·confidence, Σ their squares·variance,
    the number of frames that count.  Other arguments as in :func:`sample_frame`.
    """
    planes, confidence, clipped, origin, layout, nodes = tile[:6]
    offset, unit, transparency, slope, floor, relief = tile[6:]
    noise = (slope, floor)
    wx = np.empty(6, dtype=np.float32)
    wy = np.empty(6, dtype=np.float32)
    adu, own = np.empty(3), np.empty(3)
    for y in range(sums.shape[2]):
        for x in range(sums.shape[3]):
            u, v = _between_nodes(nodes, x, y)
            if not (-0.5 <= u <= layout[5] - 0.5 and -0.5 <= v <= layout[6] - 0.5):
                continue
            i, j = int(u + 2) - 2, int(v + 2) - 2
            s, t = u - i, v - j
            lanczos(s, wx)
            lanczos(t, wy)
            column, row = int(((i & 1) + s) * PHASES), int(((j & 1) + t) * PHASES)
            i, j = i - origin[0], j - origin[1]
            q, p = _cell(relief, u, v)
            for c in range(3):
                adu[c] = _interpolate(planes[c], i, j, wx, wy)
                if _near(clipped, i, j):
                    adu[c] = _among(planes[c], i, j, adu[c])
                own[c] = _sample_variance(adu[c], noise, relief[c, q, p])
            for c in range(3):
                sure = _certainty(confidence[c], i, j, s, t)
                away = _polynomial(offset[c], (u - unit[0]) / unit[2], (v - unit[1]) / unit[2])
                variance = _variance(own, factors[row, column, c])
                variance /= transparency * transparency
                sums[0, c, y, x] += share * sure * (adu[c] - away) / transparency
                sums[1, c, y, x] += share * sure
                # Half the samples give twice the variance: confidence² / confidence.
                sums[2, c, y, x] += share * share * sure * variance
                if sure >= LEAST_CONFIDENCE:
                    sums[3, c, y, x] += 1.0


@jit(fastmath=_FAST)
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
            q, p = _cell(relief, i, j)
            variance = _sample_variance(expected, noise, relief[c, q, p])
            if contrast * contrast > STARRY * STARRY * variance:
                starry[j, i] = True
            variance += (steepness * contrast) ** 2
            q, p = _cell(spread, u, v)
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
    return _polynomial(offset[c], (x - unit[0]) / unit[2], (y - unit[1]) / unit[2])


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


def nodes_of(
    places: Callable[[Array], Array], left: int, top: int, width: int, height: int
) -> Array:
    """Exact places of every ``NODE``-th point of a rectangle, and of one node beyond it.

    ``places`` takes points (…, 2) as x, y to where they lie in the other picture.
    """
    x = left + NODE * np.arange(width // NODE + 2)
    y = top + NODE * np.arange(height // NODE + 2)
    return places(np.stack(np.meshgrid(x, y), axis=-1).astype(np.float64))
