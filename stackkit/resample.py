"""Compiled kernels: the samples of a mosaic onto a tile of the reference grid.

Each colour's samples form a lattice of their own: red and blue a square one of spacing 2, green a
square one of spacing √2 that stands on its corner.  A place of the grid is interpolated on these
lattices in one step by cubic convolution (Keys 1981, a = -1/2) over 4×4 samples of its colour, at
its exact position: nothing is demosaicked, no position is rounded.

Missing samples are left out of both sums of a normalised convolution (Knutsson & Westin 1993):
``sum`` = Σ w·value and ``weight`` = Σ w over the samples that exist.  Frames are added sum to sum
and weight to weight, so that a hole in one frame is filled by the others.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from stackkit.geometry import project_one

#: Weight (1 = all samples there) below which one frame alone gives no value at a place.
LEAST_WEIGHT = 0.5


@numba.njit(cache=True, inline="always")
def _keys(t, w):  # type: ignore[no-untyped-def]
    """Weights of the samples at -1, 0, 1, 2 for a place at 0 ≤ t < 1."""
    t2 = t * t
    t3 = t2 * t
    w[0] = -0.5 * t3 + t2 - 0.5 * t
    w[1] = 1.5 * t3 - 2.5 * t2 + 1.0
    w[2] = -1.5 * t3 + 2.0 * t2 + 0.5 * t
    w[3] = 0.5 * t3 - 0.5 * t2


@numba.njit(cache=True, inline="always")
def _on_square(codes, u, v, ox, oy, wa, wb):  # type: ignore[no-untyped-def]
    """Sum of weighted codes, of weights, of squared weights: red or blue, sites at (ox, oy) + 2n."""
    s = (u - ox) * 0.5
    t = (v - oy) * 0.5
    i = int(np.floor(s))
    j = int(np.floor(t))
    _keys(s - i, wa)
    _keys(t - j, wb)
    height, width = codes.shape
    total, weight, square = 0.0, 0.0, 0.0
    for b in range(4):
        y = 2 * (j + b - 1) + oy
        if y < 0 or y >= height:
            continue
        for a in range(4):
            x = 2 * (i + a - 1) + ox
            if x < 0 or x >= width:
                continue
            code = codes[y, x]
            if code != 0:
                w = wa[a] * wb[b]
                total += w * code
                weight += w
                square += w * w
    return total, weight, square


@numba.njit(cache=True, inline="always")
def _on_quincunx(codes, u, v, parity, wa, wb):  # type: ignore[no-untyped-def]
    """The same for green: sites with (x + y) mod 2 = parity, along the two diagonals."""
    s = (u + v - parity) * 0.5
    t = (u - v - parity) * 0.5
    i = int(np.floor(s))
    j = int(np.floor(t))
    _keys(s - i, wa)
    _keys(t - j, wb)
    height, width = codes.shape
    total, weight, square = 0.0, 0.0, 0.0
    for b in range(4):
        q = j + b - 1
        for a in range(4):
            p = i + a - 1
            x = p + q + parity
            y = p - q
            if x < 0 or x >= width or y < 0 or y >= height:
                continue
            code = codes[y, x]
            if code != 0:
                w = wa[a] * wb[b]
                total += w * code
                weight += w
                square += w * w
    return total, weight, square


@numba.njit(cache=True, inline="always")
def _polynomial(c, x, y):  # type: ignore[no-untyped-def]
    return c[0] + x * (c[1] + c[3] * x + c[4] * y) + y * (c[2] + c[5] * y)


@numba.njit(cache=True, nogil=True)
def sample_frame(codes, origin, layout, coding, place, level, rays, values, squares):  # type: ignore[no-untyped-def]
    """One frame onto the places of a tile, as values on the reference's scale.

    ``codes`` (h, w) a window of the mosaic whose first sample is site ``origin`` (x, y), both
    even; ``layout`` the sites (6,): red x y, blue x y, green parity, picture width, height …;
    ``coding`` (step, pedestal); ``place`` the frame's (matrix (3, 3), packed lens);
    ``level`` = (offset polynomials (3, 6), their unit (3,), transparency);
    ``rays`` (P, 3) directions of the tile's places; results ``values`` (3, P), NaN where missing,
    and ``squares`` (3, P), the variance in units of one sample's.
    """
    wa = np.empty(4)
    wb = np.empty(4)
    for n in range(rays.shape[0]):
        u, v, inside = _locate(rays, n, place, layout)
        for c in range(3):
            values[c, n] = np.nan
            squares[c, n] = np.nan
        if not inside:
            continue
        for c in range(3):
            total, weight, square = _gather(codes, c, u, v, origin, layout, wa, wb)
            if weight >= LEAST_WEIGHT:
                adu = (total / weight - 1.0) * coding[0] - coding[1]
                values[c, n] = _to_reference_scale(adu, c, u, v, level)
                squares[c, n] = square / (weight * weight) / (level[2] * level[2])


@numba.njit(cache=True, inline="always")
def _locate(rays, n, place, layout):  # type: ignore[no-untyped-def]
    m, lens = place
    x, y, z = rays[n, 0], rays[n, 1], rays[n, 2]
    u, v = project_one(
        lens,
        m[0, 0] * x + m[0, 1] * y + m[0, 2] * z,
        m[1, 0] * x + m[1, 1] * y + m[1, 2] * z,
        m[2, 0] * x + m[2, 1] * y + m[2, 2] * z,
    )
    inside = -0.5 <= u <= layout[5] - 0.5 and -0.5 <= v <= layout[6] - 0.5
    return u, v, inside


@numba.njit(cache=True, inline="always")
def _gather(codes, c, u, v, origin, layout, wa, wb):  # type: ignore[no-untyped-def]
    if c == 1:
        return _on_quincunx(codes, u - origin[0], v - origin[1], layout[4], wa, wb)
    k = 0 if c == 0 else 2
    return _on_square(codes, u - origin[0], v - origin[1], layout[k], layout[k + 1], wa, wb)


@numba.njit(cache=True, inline="always")
def _to_reference_scale(adu, c, u, v, level):  # type: ignore[no-untyped-def]
    offset, unit, transparency = level
    away = _polynomial(offset[c], (u - unit[0]) / unit[2], (v - unit[1]) / unit[2])
    return (adu - away) / transparency


@numba.njit(cache=True, nogil=True)
def add_frame(codes, origin, layout, coding, place, level, noise, share, rays, sums):  # type: ignore[no-untyped-def]
    """Add one frame to a tile's running sums, weighted by ``share``.

    ``noise`` (slope, floor) of a sample's variance; ``sums`` (5, 3, P): Σ share·w·value, Σ share·w,
    Σ share²·w²·variance, the share that reached the place, the number of frames that count.
    Other arguments as in :func:`sample_frame`.
    """
    wa = np.empty(4)
    wb = np.empty(4)
    scale = level[2]
    for n in range(rays.shape[0]):
        u, v, inside = _locate(rays, n, place, layout)
        if not inside:
            continue
        for c in range(3):
            sums[3, c, n] += share
            total, weight, square = _gather(codes, c, u, v, origin, layout, wa, wb)
            if square == 0.0:
                continue
            # (total - weight) · step - weight · pedestal is Σ w·ADU, also where weight is small.
            adu = (total - weight) * coding[0] - weight * coding[1]
            offset, unit, _ = level
            away = _polynomial(offset[c], (u - unit[0]) / unit[2], (v - unit[1]) / unit[2])
            sums[0, c, n] += share * (adu - weight * away) / scale
            sums[1, c, n] += share * weight
            signal = adu / weight if weight > 0.3 else away
            variance = noise[1] + noise[0] * max(signal, 0.0)
            sums[2, c, n] += share * share * square * variance / (scale * scale)
            if weight > LEAST_WEIGHT:
                sums[4, c, n] += 1.0


@numba.njit(cache=True, nogil=True)
def fill_frame(codes, origin, layout, coding, place, level, noise, share, rays, wanted, sums):  # type: ignore[no-untyped-def]
    """Like :func:`add_frame` for the ``wanted`` (3, P) places that sharp weights left empty.

    A Gaussian of σ 1.2 px over the colour's samples within 4 px: wider, but never empty-handed
    beside a single missing sample.
    """
    site = np.empty((2, 2), dtype=np.int64)
    for j in range(2):
        for i in range(2):
            site[j, i] = 1
    site[layout[1], layout[0]] = 0
    site[layout[3], layout[2]] = 2
    height, width = codes.shape
    for n in range(rays.shape[0]):
        if not (wanted[0, n] or wanted[1, n] or wanted[2, n]):
            continue
        u, v, inside = _locate(rays, n, place, layout)
        if not inside:
            continue
        u0, v0 = u - origin[0], v - origin[1]
        for y in range(max(int(v0) - 3, 0), min(int(v0) + 5, height)):
            for x in range(max(int(u0) - 3, 0), min(int(u0) + 5, width)):
                c = site[y & 1, x & 1]
                code = codes[y, x]
                if code == 0 or not wanted[c, n]:
                    continue
                w = share * np.exp(-0.5 * ((x - u0) ** 2 + (y - v0) ** 2) / 1.44)
                adu = (code - 1.0) * coding[0] - coding[1]
                value = _to_reference_scale(adu, c, u, v, level)
                variance = (noise[1] + noise[0] * max(adu, 0.0)) / (level[2] * level[2])
                sums[0, c, n] += w * value
                sums[1, c, n] += w
                sums[2, c, n] += w * w * variance


@numba.njit(cache=True, nogil=True)
def predict(model, top, place, level, layout, rays, expected, contrast):  # type: ignore[no-untyped-def]
    """What a first stack says each sample of some rows of a frame should be, in the frame's ADU.

    ``model`` (3, H, W) on the reference grid; ``rays`` (h·W, 3) the samples' directions *in the
    frame's axes*; ``place`` = (matrix to the reference's axes, packed reference lens); ``top`` the
    first row's number.  Results (h, W): ``expected``, and ``contrast``, the largest difference
    between the model's neighbouring places, both NaN where the model does not reach.
    """
    wa = np.empty(4)
    wb = np.empty(4)
    rows, columns = expected.shape
    height, width = model.shape[1:]
    m, lens = place
    offset, unit, transparency = level
    for j in range(rows):
        for i in range(columns):
            n = j * columns + i
            expected[j, i] = np.nan
            contrast[j, i] = np.nan
            x, y, z = rays[n, 0], rays[n, 1], rays[n, 2]
            u, v = project_one(
                lens,
                m[0, 0] * x + m[0, 1] * y + m[0, 2] * z,
                m[1, 0] * x + m[1, 1] * y + m[1, 2] * z,
                m[2, 0] * x + m[2, 1] * y + m[2, 2] * z,
            )
            if not (1.0 <= u < width - 2.0 and 1.0 <= v < height - 2.0):
                continue
            gx, gy = i & 1, (j + top) & 1
            c = 1
            if gx == layout[0] and gy == layout[1]:
                c = 0
            elif gx == layout[2] and gy == layout[3]:
                c = 2
            a, b = int(u), int(v)
            _keys(u - a, wa)
            _keys(v - b, wb)
            total, low, high = 0.0, np.inf, -np.inf
            for q in range(4):
                for p in range(4):
                    value = model[c, b + q - 1, a + p - 1]
                    total += wa[p] * wb[q] * value
                    low = min(low, value)
                    high = max(high, value)
            away = _polynomial(offset[c], (i - unit[0]) / unit[2], (j + top - unit[1]) / unit[2])
            expected[j, i] = transparency * total + away
            contrast[j, i] = transparency * (high - low)


def layout_of(pattern: NDArray[np.uint8], width: int, height: int) -> NDArray[np.int64]:
    """Sites of a 2×2 Bayer pattern for the kernels: red x y, blue x y, green parity, W, H."""
    (red_y,), (red_x,) = np.nonzero(pattern == 0)
    (blue_y,), (blue_x,) = np.nonzero(pattern == 2)
    parity = (red_x + red_y + 1) & 1
    sites: list[Any] = [red_x, red_y, blue_x, blue_y, parity, width, height]
    return np.array(sites, dtype=np.int64)
