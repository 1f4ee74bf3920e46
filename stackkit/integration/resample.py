"""Compiled loops: the samples of a mosaic onto a tile of the reference grid.

A window of the mosaic is demosaiced into three planes (``demosaic``), which are interpolated at the
exact place by a Lanczos kernel over 6×6 (``lanczos``), no position rounded.  The loops go along the
rows of the tile, in runs of places whose samples lie side by side: a processor takes eight or
sixteen of them at once.

Frames are added as Σ share·confidence·value and Σ share·confidence: normalised convolution
(Knutsson & Westin 1993).  A hole in one frame is filled by the others, and by its own
surroundings only where no frame has anything better.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from stackkit.arrays import Array, Index, Mask, Plane
from stackkit.calibration.apply import RELIEF_SHIFT
from stackkit.integration.lanczos import weights_of_row
from stackkit.integration.nodes import Nodes, places_of_row
from stackkit.integration.runs import FIVE, FOUR, ONE, THREE, TWO, end_of_run, in_batches
from stackkit.jit import FAST, jit

LEAST_CONFIDENCE = 0.45
"""Below it a frame by itself gives no value at a place; at the picture's rim half is usual."""
PHASES = 8
"""Steps per pixel in which the noise factor is tabulated."""
_TINY = 1e-6
"""Error of a place, px, that must not move whole pixels to their neighbours or out of the frame."""


class OpenedTile(NamedTuple):
    """One frame's data in one tile, as the loops need it.

    ``planes``, ``confidence`` (3, h, w) from ``demosaic.open_window`` of the window whose first
    sample is site ``origin`` (x, y); ``clipped`` (h, w): where a sample close by is clipped, and a
    value is kept among those around it (empty where there is none); ``layout`` as in
    ``raw.bayer``; ``nodes``: where the tile's places lie in the frame; ``offset`` (3, 6), ``unit``
    (3,) and ``transparency`` as in ``photometric.Level``; ``slope``, ``floor`` of one sample's
    noise; ``relief`` as in ``tiles.Placed``.
    """

    planes: Plane
    confidence: Plane
    clipped: Mask
    origin: tuple[int, int]
    layout: Index
    nodes: Nodes
    offset: Array
    unit: Array
    transparency: float
    slope: float
    floor: float
    relief: Plane


class _Row(NamedTuple):
    """Room for one row of places (n,): where they lie in the frame, ``x``, ``y``, and whether they
    do; the sample before them, ``column``, ``row``, and how far beyond it they are, ``s``, ``t``;
    weights (6, n) of columns and rows; then (3, n) values, confidence and variances of values, of
    samples, what calibration multiplied these by; and the places in the table of noise factors.
    """

    x: Array
    y: Array
    inside: Mask
    column: Index
    row: Index
    s: Plane
    t: Plane
    across: Plane
    down: Plane
    value: Plane
    confidence: Plane
    variance: Plane
    own: Plane
    gain: Plane
    phase: Index


@jit
def _row_of(n):  # type: ignore[no-untyped-def]
    real, whole = np.float32, np.int32
    return _Row(
        np.empty(n),
        np.empty(n),
        np.empty(n, np.bool_),
        np.empty(n, whole),
        np.empty(n, whole),
        np.empty(n, real),
        np.empty(n, real),
        np.empty((6, n), real),
        np.empty((6, n), real),
        np.empty((3, n), real),
        np.empty((3, n), real),
        np.empty((3, n), real),
        np.empty((3, n), real),
        np.empty((3, n), real),
        np.empty(n, whole),
    )


@jit(fastmath=FAST)
def sample_frame(tile, factors, every, values, variances):  # type: ignore[no-untyped-def]
    """One frame at the places of a tile, on the reference's scale, NaN where it has nothing.

    ``tile``: an :class:`OpenedTile`; ``factors`` (3, 3, (2·PHASES)²) from ``tiles.factors_for``.
    Results: ``values`` (3, h, w) and ``variances`` (3, …, w) of each row that is a multiple of
    ``every``.
    """
    line, nothing = _row_of(values.shape[2]), np.float32(np.nan)
    for y in range(values.shape[1]):
        _fill_row(tile, y, line)
        if y % every == 0:
            _variances_of_row(tile, factors, line)
            for c in range(3):
                for x in range(values.shape[2]):
                    spread = line.variance[c, x] / line.confidence[c, x]
                    known = line.confidence[c, x] >= LEAST_CONFIDENCE
                    variances[c, y // every, x] = spread if known else nothing
        _level_row(tile, line)
        for c in range(3):
            for x in range(values.shape[2]):
                known = line.confidence[c, x] >= LEAST_CONFIDENCE
                values[c, y, x] = line.value[c, x] if known else nothing


@jit(fastmath=FAST)
def add_frame(tile, factors, share, sums):  # type: ignore[no-untyped-def]
    """Add one frame to a tile's running sums, with weight ``share``.

    ``sums`` (4, 3, h, w): Σ share·confidence·value, Σ share·confidence, Σ their squares·variance,
    the number of frames that count.  Other arguments as in :func:`sample_frame`.
    """
    line = _row_of(sums.shape[3])
    weight, one = np.float32(share), np.float32(1)
    for y in range(sums.shape[2]):
        _fill_row(tile, y, line)
        _variances_of_row(tile, factors, line)
        _level_row(tile, line)
        for c in range(3):
            for x in range(sums.shape[3]):
                part = weight * line.confidence[c, x]
                sums[0, c, y, x] += part * line.value[c, x]
                sums[1, c, y, x] += part
                # Half the samples give twice the variance: confidence² / confidence.
                sums[2, c, y, x] += weight * part * line.variance[c, x]
                sums[3, c, y, x] += one if line.confidence[c, x] >= LEAST_CONFIDENCE else 0 * one


@jit(fastmath=FAST)
def _fill_row(tile, y, line):  # type: ignore[no-untyped-def]
    """Values in ADU of the frame and confidences (0 outside it) of row ``y`` of a tile."""
    places_of_row(tile.nodes, y, line.x, line.y)
    first = -0.5 - _TINY
    right, bottom = tile.layout[5] - 0.5 + _TINY, tile.layout[6] - 0.5 + _TINY
    for x in range(len(line.x)):
        line.inside[x] = first <= line.x[x] <= right and first <= line.y[x] <= bottom
        if not line.inside[x]:
            line.x[x], line.y[x] = 0, 0  # a fisheye's places beyond its circle are NaN
        column, row = np.floor(line.x[x] + _TINY), np.floor(line.y[x] + _TINY)
        line.s[x], line.t[x] = line.x[x] - column, line.y[x] - row
        line.column[x], line.row[x] = int(column), int(row)
    weights_of_row(line.s, line.across)
    weights_of_row(line.t, line.down)
    _interpolate_row(tile, line)
    _edges_of_row(tile, line)
    if tile.clipped.size:
        _keep_among(tile, line)


@jit(inline="always")
def _six(samples, p, w):  # type: ignore[no-untyped-def]
    """Sum of six samples in a row, from p on, by their weights."""
    return (
        w[0] * samples[p]
        + w[1] * samples[p + ONE]
        + w[2] * samples[p + TWO]
        + w[3] * samples[p + THREE]
        + w[4] * samples[p + FOUR]
        + w[5] * samples[p + FIVE]
    )


@jit(fastmath=FAST)
def _interpolate_row(tile, line):  # type: ignore[no-untyped-def]
    """Values in ADU of the frame and confidences of a row of places.

    Flat arrays and unsigned indices: otherwise negative ones are allowed for, and nothing is taken
    side by side.  In one function: handing a tuple on counts a reference for each array.
    """
    unsigned = np.uint64
    height, width = tile.planes.shape[1:]
    columns, rows, inside, s, t = line.column, line.row, line.inside, line.s, line.t
    samples, sure = tile.planes.reshape(-1), tile.confidence.reshape(-1)
    across, down = line.across.reshape(-1), line.down.reshape(-1)
    values, certain = line.value.reshape(-1), line.confidence.reshape(-1)
    n, left, top = len(columns), tile.origin[0], tile.origin[1]
    step, row = unsigned(n), unsigned(width)
    at = 0
    while at < n:
        i, j, begin = columns[at] - left, rows[at] - top, unsigned(at)
        if not inside[at] or not (2 <= i < width - 3 and 2 <= j < height - 3):
            at += 1
            continue
        end = end_of_run(columns, rows, at)
        count = in_batches(end - at, min(n - at, width - 3 - i))
        for c in range(3):
            start, out = unsigned((c * height + j - 2) * width + i - 2), unsigned(c * n + at)
            for k in range(unsigned(count)):
                m, p = begin + k, start + k
                w = (
                    across[m],
                    across[m + step],
                    across[m + TWO * step],
                    across[m + THREE * step],
                    across[m + FOUR * step],
                    across[m + FIVE * step],
                )
                values[out + k] = (
                    down[m] * _six(samples, p, w)
                    + down[m + step] * _six(samples, p + row, w)
                    + down[m + TWO * step] * _six(samples, p + TWO * row, w)
                    + down[m + THREE * step] * _six(samples, p + THREE * row, w)
                    + down[m + FOUR * step] * _six(samples, p + FOUR * row, w)
                    + down[m + FIVE * step] * _six(samples, p + FIVE * row, w)
                )
            start += TWO * row + TWO
            for k in range(unsigned(count)):
                m, p = begin + k, start + k
                upper = sure[p] + s[m] * (sure[p + ONE] - sure[p])
                lower = sure[p + row] + s[m] * (sure[p + row + ONE] - sure[p + row])
                certain[out + k] = upper + t[m] * (lower - upper)
        at = min(end, at + width - 3 - i)


@jit
def _edges_of_row(tile, line):  # type: ignore[no-untyped-def]
    """The same where the window ends: beyond its edge the edge is repeated; 0 outside the frame."""
    height, width = tile.planes.shape[1:]
    for at in range(len(line.x)):
        i, j = line.column[at] - tile.origin[0], line.row[at] - tile.origin[1]
        if not line.inside[at]:
            for c in range(3):
                line.value[c, at], line.confidence[c, at] = 0, 0
        elif not (2 <= i < width - 3 and 2 <= j < height - 3):
            _at_the_edge(tile, line, at, i, j)


@jit
def _at_the_edge(tile, line, at, i, j):  # type: ignore[no-untyped-def]
    height, width = tile.planes.shape[1:]
    for c in range(3):
        total = np.float32(0)
        for b in range(6):
            y = min(max(j + b - 2, 0), height - 1)
            for a in range(6):
                x = min(max(i + a - 2, 0), width - 1)
                total += line.across[a, at] * line.down[b, at] * tile.planes[c, y, x]
        line.value[c, at] = total
        x0, y0 = min(max(i, 0), width - 1), min(max(j, 0), height - 1)
        x1, y1 = min(max(i + 1, 0), width - 1), min(max(j + 1, 0), height - 1)
        sure, s, t = tile.confidence[c], line.s[at], line.t[at]
        upper = (1 - s) * sure[y0, x0] + s * sure[y0, x1]
        lower = (1 - s) * sure[y1, x0] + s * sure[y1, x1]
        line.confidence[c, at] = (1 - t) * upper + t * lower


@jit
def _keep_among(tile, line):  # type: ignore[no-untyped-def]
    """Beside clipped samples: values between the least and the greatest of the 4×4 around."""
    height, width = tile.clipped.shape
    for x in range(len(line.x)):
        i, j = line.column[x] - tile.origin[0], line.row[x] - tile.origin[1]
        if tile.clipped[min(max(j, 0), height - 1), min(max(i, 0), width - 1)]:
            for c in range(3):
                low, high = np.inf, -np.inf
                for b in range(-1, 3):
                    for a in range(-1, 3):
                        q, p = min(max(j + b, 0), height - 1), min(max(i + a, 0), width - 1)
                        low = min(low, tile.planes[c, q, p])
                        high = max(high, tile.planes[c, q, p])
                line.value[c, x] = min(max(line.value[c, x], low), high)


@jit(fastmath=FAST)
def _variances_of_row(tile, factors, line):  # type: ignore[no-untyped-def]
    """Variances of values of full confidence: each colour's samples bring their own."""
    n, per_pixel, along = len(line.x), np.float32(PHASES), 2 * PHASES
    for x in range(n):
        column = int((np.float32(line.column[x] & 1) + line.s[x]) * per_pixel)
        row = int((np.float32(line.row[x] & 1) + line.t[x]) * per_pixel)
        # Just below the next sample s is rounded to 1.
        line.phase[x] = min(row, along - 1) * along + min(column, along - 1)
    for x in range(n):
        j, i = relief_cell(tile.relief, line.x[x], line.y[x])
        for c in range(3):
            line.gain[c, x] = tile.relief[c, j, i]
    scale = 1 / (tile.transparency * tile.transparency)
    floor, slope = np.float32(tile.floor * scale), np.float32(tile.slope * scale)
    for c in range(3):
        for x in range(n):
            light = max(line.value[c, x], np.float32(0))
            line.own[c, x] = line.gain[c, x] * (floor * line.gain[c, x] + slope * light)
    for c in range(3):
        for x in range(n):
            k = line.phase[x]
            line.variance[c, x] = (
                factors[c, 0, k] * line.own[0, x]
                + factors[c, 1, k] * line.own[1, x]
                + factors[c, 2, k] * line.own[2, x]
            )


@jit(fastmath=FAST)
def _level_row(tile, line):  # type: ignore[no-untyped-def]
    """Bring a row's values to the reference's scale and sky."""
    light = 1 / tile.transparency
    middle_x, middle_y, unit = tile.unit[0], tile.unit[1], 1 / tile.unit[2]
    for c in range(3):
        away = tile.offset[c]
        for x in range(len(line.x)):
            u, v = (line.x[x] - middle_x) * unit, (line.y[x] - middle_y) * unit
            line.value[c, x] = (line.value[c, x] - polynomial(away, u, v)) * light


@jit(inline="always")
def relief_cell(table, x, y):  # type: ignore[no-untyped-def]
    """Row and column of a site in a table (3, …, …); beyond the table its last."""
    i = min(max(int(x), 0) >> RELIEF_SHIFT, table.shape[2] - 1)
    j = min(max(int(y), 0) >> RELIEF_SHIFT, table.shape[1] - 1)
    return j, i


@jit(inline="always")
def polynomial(c, x, y):  # type: ignore[no-untyped-def]
    """The quadratic surface of ``photometric.Level``."""
    return c[0] + x * (c[1] + c[3] * x + c[4] * y) + y * (c[2] + c[5] * y)
