"""Compiled loops: what a stack predicts for a frame's samples, and how far they are from it."""

from __future__ import annotations

import numpy as np

from stackkit.integration.nodes import places_of_row
from stackkit.integration.resample import polynomial, relief_cell
from stackkit.integration.runs import ONE, THREE, TWO, end_of_run, in_batches
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
    ``spread`` (3, …, …) its variance, an entry every ``RELIEF_STEP`` px; ``nodes``: the samples'
    places on that grid (:func:`sample_frame` has the other arguments).  ``out``
    (H, W) receives (sample - prediction) / standard deviation, NaN where either is missing.  The
    variance is the sample's noise, the model's, and (``steepness`` · contrast)².  ``starry`` (H, W)
    is set where the contrast is over ``STARRY`` standard deviations of the sample.
    """
    n = codes.shape[1]
    u, v, own = np.empty(n), np.empty(n), np.empty(n, dtype=np.float32)
    column, row = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    across, down = np.empty((4, n), dtype=np.float32), np.empty((4, n), dtype=np.float32)
    model_value, contrast = np.empty((2, n), np.float32), np.empty((2, n), np.float32)
    right, bottom = model.shape[2] - 2.0, model.shape[1] - 2.0
    offset, unit, light = level
    for j in range(codes.shape[0]):
        places_of_row(nodes, j, u, v)
        for i in range(n):
            known = codes[j, i] != 0 and 1.0 <= u[i] < right and 1.0 <= v[i] < bottom
            column[i], row[i] = (int(u[i]), int(v[i])) if known else (-1, -1)
            cubic(np.float32(u[i] - column[i]), across, i)
            cubic(np.float32(v[i] - row[i]), down, i)
        colours = colour_at(0, j, layout), colour_at(1, j, layout)
        _predict_row(model, colours, column, row, across, down, model_value, contrast)
        for i in range(n):
            own[i] = np.nan
            if column[i] >= 0:
                c, k = colours[i & 1], i & 1
                x, y = (i - unit[0]) / unit[2], (j - unit[1]) / unit[2]
                expected = light * model_value[k, i] + polynomial(offset[c], x, y)
                steep = light * contrast[k, i]
                q, p = relief_cell(relief, i, j)
                variance = _sample_variance(expected, noise, relief[c, q, p])
                if steep * steep > STARRY * STARRY * variance:
                    starry[j, i] = True
                q, p = relief_cell(spread, u[i], v[i])
                variance += (steepness * steep) ** 2 + spread[c, q, p] * light * light
                adu = (codes[j, i] - 1.0) * coding[0] - coding[1]
                own[i] = (adu - expected) / np.sqrt(variance)
        out[j] = own


@jit(fastmath=FAST)
def _predict_row(model, colours, column, row, across, down, value, contrast):  # type: ignore[no-untyped-def]
    """The model's values (2, n) in both of a row's colours, and its range over the 4×4 places."""
    unsigned = np.uint64
    height, width = model.shape[1:]
    samples, values, ranges = model.reshape(-1), value.reshape(-1), contrast.reshape(-1)
    wx, wy = across.reshape(-1), down.reshape(-1)
    n = len(column)
    step, long = unsigned(n), unsigned(width)
    at = 0
    while at < n:
        a, b, begin = column[at], row[at], unsigned(at)
        if a < 0:
            at += 1
            continue
        end = end_of_run(column, row, at)
        count = in_batches(end - at, min(n - at, width - 2 - a))
        for k in range(2):
            start = unsigned((colours[k] * height + b - 1) * width + a - 1)
            out = unsigned(k * n + at)
            for i in range(unsigned(count)):
                m, p = begin + i, start + i
                w = (wx[m], wx[m + step], wx[m + TWO * step], wx[m + THREE * step])
                values[out + i] = (
                    wy[m] * _four(samples, p, w)
                    + wy[m + step] * _four(samples, p + long, w)
                    + wy[m + TWO * step] * _four(samples, p + TWO * long, w)
                    + wy[m + THREE * step] * _four(samples, p + THREE * long, w)
                )
                low_1, high_1 = _range_of_four(samples, p)
                low_2, high_2 = _range_of_four(samples, p + long)
                low_3, high_3 = _range_of_four(samples, p + TWO * long)
                low_4, high_4 = _range_of_four(samples, p + THREE * long)
                low = min(min(low_1, low_2), min(low_3, low_4))
                high = max(max(high_1, high_2), max(high_3, high_4))
                ranges[out + i] = high - low
        at = end


@jit(inline="always")
def _four(samples, p, w):  # type: ignore[no-untyped-def]
    """Sum of four samples in a row, from p on, by their weights."""
    return (
        w[0] * samples[p]
        + w[1] * samples[p + ONE]
        + w[2] * samples[p + TWO]
        + w[3] * samples[p + THREE]
    )


@jit(inline="always")
def _range_of_four(samples, p):  # type: ignore[no-untyped-def]
    a, b, c, d = samples[p], samples[p + ONE], samples[p + TWO], samples[p + THREE]
    return min(min(a, b), min(c, d)), max(max(a, b), max(c, d))


@jit(inline="always")
def cubic(t, w, i):  # type: ignore[no-untyped-def]
    """Weights w[:, i] of the samples at -1 … 2 for a place at 0 ≤ t < 1 (Keys 1981, a = -1/2)."""
    w[0, i] = ((np.float32(-0.5) * t + 1) * t - np.float32(0.5)) * t
    w[1, i] = (np.float32(1.5) * t - np.float32(2.5)) * t * t + 1
    w[2, i] = ((np.float32(-1.5) * t + 2) * t + np.float32(0.5)) * t
    w[3, i] = (np.float32(0.5) * t - np.float32(0.5)) * t * t


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
    wx, wy = np.empty((4, 1), dtype=np.float32), np.empty((4, 1), dtype=np.float32)
    height, width = model.shape[1:]
    for k in range(sites.shape[0]):
        x, y = sites[k, 0], sites[k, 1]
        u, v = places[k, 0], places[k, 1]
        codes[y - origin[1], x - origin[0]] = 0
        if 1.0 <= u < width - 2.0 and 1.0 <= v < height - 2.0:
            c = colour_at(x, y, layout)
            a, b = int(u), int(v)
            cubic(np.float32(u - a), wx, 0)
            cubic(np.float32(v - b), wy, 0)
            value = np.float32(0)
            for q in range(4):
                for p in range(4):
                    value += wx[p, 0] * wy[q, 0] * model[c, b + q - 1, a + p - 1]
            adu = level[2] * value + _away(level, x, y, c)
            code = np.rint((adu + coding[1]) / coding[0]) + 1
            if np.isfinite(code):
                codes[y - origin[1], x - origin[0]] = min(max(code, 1), 65535)


@jit(inline="always")
def _sample_variance(adu, noise, gain):  # type: ignore[no-untyped-def]
    """Variance of a sample that calibration multiplied by ``gain``."""
    return gain * (noise[1] * gain + noise[0] * max(adu, 0.0))
