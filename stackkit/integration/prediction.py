"""Compiled loops: what a stack predicts for a frame's samples, and how far they are from it."""

from __future__ import annotations

import numpy as np

from stackkit.calibration.apply import RELIEF_STEP
from stackkit.integration.nodes import places_of_row
from stackkit.integration.resample import polynomial, relief_cell
from stackkit.integration.runs import ONE, THREE, TWO, ZERO, end_of_run, in_batches
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
    places on that grid (:func:`sample_frame` has the other arguments).  ``out`` (H, W) receives
    (sample - prediction) / standard deviation, NaN where either is missing.  The variance is the
    sample's noise, the model's, and (``steepness`` · contrast)².  ``starry`` (H, W) is set where
    the contrast is over ``STARRY`` standard deviations of the sample.
    """
    height, width = codes.shape
    u, v = np.empty(width), np.empty(width)
    column, row = np.empty(width, dtype=np.int32), np.empty(width, dtype=np.int32)
    across, down = np.empty((4, width), np.float32), np.empty((4, width), np.float32)
    expected, contrast = np.empty(width, np.float32), np.empty(width, np.float32)
    room = np.empty(width + 16, np.float32), np.empty(width + 16, np.float32)
    steep, clear = np.float32(steepness * steepness), np.float32(STARRY * STARRY)
    scale, shift = np.float32(coding[0]), np.float32(coding[0] + coding[1])
    nothing, gap = np.float32(0), np.float32(np.nan)
    for y in range(height):
        places_of_row(nodes, y, u, v)
        _locate_row(codes[y], u, v, model.shape, column, row, across, down)
        colours = colour_at(0, y, layout), colour_at(1, y, layout)
        _predict_row(model, colours, column, row, across, down, room, expected, contrast)
        _level_row(y, colours, level, expected, contrast)
        for first in range(0, width, RELIEF_STEP):
            # The noise of a sample without light, of its light, and of the model: of each colour.
            own = relief_cell(relief, first, y)
            middle = min(first + RELIEF_STEP // 2, width - 1)
            other = relief_cell(spread, np.nan_to_num(u[middle]), np.nan_to_num(v[middle]))
            even = _block_noise(relief, own, spread, other, noise, level[2], colours[0])
            odd = _block_noise(relief, own, spread, other, noise, level[2], colours[1])
            sample, away, star = codes[y], out[y], starry[y]
            # Unsigned: the compiler then takes several places at once.
            for x in range(np.uint64(first), np.uint64(min(first + RELIEF_STEP, width))):
                k, known = (x & ONE) != ZERO, column[x] >= 0
                variance = (odd[0] if k else even[0]) + (odd[1] if k else even[1]) * max(
                    expected[x], nothing
                )
                steps = contrast[x] * contrast[x]
                star[x] |= known & (steps > clear * variance)
                variance += steep * steps + (odd[2] if k else even[2])
                value = np.float32(sample[x]) * scale - shift
                away[x] = (value - expected[x]) / np.sqrt(variance) if known else gap


@jit(fastmath=FAST)
def _locate_row(codes, u, v, shape, column, row, across, down):  # type: ignore[no-untyped-def]
    """The model's sample before each place, -1 where a code or the model's is missing; and weights
    (4, n) of the samples around it.
    """
    right, bottom = shape[2] - 2.0, shape[1] - 2.0
    for x in range(np.uint64(len(codes))):
        known = (codes[x] != 0) & (u[x] >= 1.0) & (u[x] < right) & (v[x] >= 1.0) & (v[x] < bottom)
        column[x] = np.int32(u[x]) if known else np.int32(-1)
        row[x] = np.int32(v[x]) if known else np.int32(-1)
        cubic(np.float32(u[x] - column[x]), across, x)
        cubic(np.float32(v[x] - row[x]), down, x)


@jit(fastmath=FAST)
def _predict_row(model, colours, column, row, across, down, room, value, contrast):  # type: ignore[no-untyped-def]
    """The model's values (n,) in a row's two colours by turns, and its range over the 4×4 places
    around.
    """
    unsigned = np.uint64
    height, width = model.shape[1:]
    samples, wx, wy = model.reshape(-1), across.reshape(-1), down.reshape(-1)
    low, high = room
    n = len(column)
    step, long = unsigned(n), unsigned(width)
    at = 0
    while at < n:
        a, b, begin = column[at], row[at], unsigned(at)
        if a < 0:
            at += 1
            continue
        end = end_of_run(column, row, at)
        count = unsigned(in_batches(end - at, min(n - at, width - 2 - a)))
        for k in range(2):
            start = unsigned((colours[k] * height + b - 1) * width + a - 1)
            for i in range(count + THREE):
                p = start + i
                s, t = samples[p], samples[p + long]
                q, r = samples[p + TWO * long], samples[p + THREE * long]
                low[i], high[i] = min(min(s, t), min(q, r)), max(max(s, t), max(q, r))
            for i in range(count):
                m, p = begin + i, start + i
                w = (wx[m], wx[m + step], wx[m + TWO * step], wx[m + THREE * step])
                here = (
                    wy[m] * _four(samples, p, w)
                    + wy[m + step] * _four(samples, p + long, w)
                    + wy[m + TWO * step] * _four(samples, p + TWO * long, w)
                    + wy[m + THREE * step] * _four(samples, p + THREE * long, w)
                )
                least = min(min(low[i], low[i + ONE]), min(low[i + TWO], low[i + THREE]))
                most = max(max(high[i], high[i + ONE]), max(high[i + TWO], high[i + THREE]))
                own = (m & ONE) == k
                value[m] = here if own else value[m]
                contrast[m] = most - least if own else contrast[m]
        at = end


@jit(fastmath=FAST)
def _level_row(y, colours, level, expected, contrast):  # type: ignore[no-untyped-def]
    """Bring a row's prediction to the frame's own scale and sky."""
    offset, unit, light = level
    bright = np.float32(light)
    v = (y - unit[1]) / unit[2]
    first, shrink = np.float32(-unit[0] / unit[2]), np.float32(1 / unit[2])
    even, odd = _along_row(offset[colours[0]], v), _along_row(offset[colours[1]], v)
    for x in range(np.uint64(len(expected))):
        k, s = (x & ONE) != ZERO, first + np.float32(np.int32(x)) * shrink
        sky = (odd[0] if k else even[0]) + s * (
            (odd[1] if k else even[1]) + s * (odd[2] if k else even[2])
        )
        expected[x] = bright * expected[x] + sky
        contrast[x] = bright * contrast[x]


@jit(inline="always")
def _along_row(c, v):  # type: ignore[no-untyped-def]
    """Coefficients in x of the quadratic surface of ``photometric.Level`` at one y."""
    return (
        np.float32(c[0] + v * (c[2] + c[5] * v)),
        np.float32(c[1] + c[4] * v),
        np.float32(c[3]),
    )


@jit(inline="always")
def _block_noise(relief, own, spread, other, noise, light, c):  # type: ignore[no-untyped-def]
    """Variance of a block's samples of colour ``c``: without light, for each unit of light, and of
    the model there.
    """
    gain = relief[c, own[0], own[1]]
    return (
        np.float32(gain * gain * noise[1]),
        np.float32(gain * noise[0]),
        np.float32(spread[c, other[0], other[1]] * light * light),
    )


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
