"""A window of a mosaic opened into three planes, one a colour.

Between the samples of a colour its plane is linear, and at a sample's own site it is the sample.
The local gradient from another colour's sample there (itself minus the mean of its nearest four)
is added, scaled by the white balance: a gradient-corrected linear demosaic (Malvar, He &
Cutler 2004), with terms chosen so that a white star has the same width in all colours.

Beside clipped samples, whose gradient means nothing, each colour is interpolated by itself.  Where
samples are missing, a plane takes the value expected there (their codes, where it is known) or the
samples left around, and its *confidence* is reduced: the share of the usual samples that were
there.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stackkit.integration.runs import ONE, TWO
from stackkit.jit import FAST, jit
from stackkit.raw.bayer import colour_at

Taps = tuple[NDArray[np.int64], NDArray[np.int64]]

FILLED = 1e-3
"""Confidence of a value that replaces a missing sample: counts only where nothing else does."""
EVERY_RIM = (True, True, True, True)
"""Of a window that is a whole frame."""
_RINGS = 5
"""How far from a clipped sample interpolation would ring, px."""


@jit
def beside_clipped(codes, clip, near):  # type: ignore[no-untyped-def]
    """Set ``near`` (h, w) where a sample of a window is clipped close by; empty, it stays so."""
    height, width = near.shape
    for y in range(height):
        highest = codes[y, 0]
        for x in range(width):
            highest = max(highest, codes[y, x])
        for x in range(width if highest >= clip else 0):
            if codes[y, x] >= clip:
                near[max(y - _RINGS, 0) : y + _RINGS + 1, max(x - _RINGS, 0) : x + _RINGS + 1] = 1


@jit
def open_window(codes, missing, coding, layout, cross, taps, rims, planes, confidence):  # type: ignore[no-untyped-def]
    """A window of codes (h, w), first site even, as ADU ``planes`` and ``confidence`` (3, h, w).

    ``missing`` (h, w): samples that do not count; their code is what is expected there, or 0.
    ``coding`` = (step, pedestal); ``layout`` from :func:`layout_of`; ``cross`` as in
    :class:`Bayer`; ``taps`` from :func:`opening_taps`; ``rims`` (top, bottom, left, right): whether
    the frame ends there.  Where it does not, the outermost two rows and columns are not filled.
    """
    step, pedestal = coding
    height, width = codes.shape
    adu = np.empty(codes.shape, dtype=np.float32)
    scale, shift = np.float32(step), np.float32(step + pedestal)
    for y in range(height):
        for x in range(width):
            adu[y, x] = codes[y, x] * scale - shift
    _open_inside(adu, layout, cross, planes)
    confidence[:] = 1
    middle = _window_levels(codes, step, pedestal, layout)
    none = np.zeros_like(cross)
    plain = np.zeros(codes.shape, dtype=np.bool_)
    beside_clipped(codes, layout[7], plain)
    places, count = _to_reopen(codes, missing, plain, rims)
    for k in range(count):
        y, x = places[k] // width, places[k] % width
        share = none if plain[y, x] else cross
        _reopen(codes, missing, x, y, coding, layout, share, taps, middle, planes, confidence)


@jit
def _to_reopen(codes, missing, plain, rims):  # type: ignore[no-untyped-def]
    """Places of a window, row by row in one number, that are not opened as usual, and how many: at
    the frame's rims, beside clipped samples, and two steps along rows and columns from missing
    ones.
    """
    height, width = codes.shape
    places, count = np.empty(codes.size, dtype=np.int64), 0
    again = np.zeros(codes.shape, dtype=np.bool_)
    for y in range(height):
        rim = (rims[0] and y < 2) or (rims[1] and y >= height - 2)
        # Most rows have nothing: they are passed over quickly.
        lacking, beside = 0, 0
        for x in range(width):
            lacking += (codes[y, x] == 0) | missing[y, x]
            beside += plain[y, x]
        for x in range(width if lacking else 0):
            if codes[y, x] == 0 or missing[y, x]:
                for j in range(max(y - 2, 0), min(y + 3, height)):
                    reach = 2 - abs(j - y)
                    again[j, max(x - reach, 0) : x + reach + 1] = True
        if rim or beside:
            for x in range(width):
                again[y, x] |= rim or plain[y, x]
        if rims[2]:
            again[y, :2] = True
        if rims[3]:
            again[y, max(width - 2, 0) :] = True
    for y in range(height):
        for x in range(width):
            places[count] = y * width + x
            count += again[y, x]
    return places, count


@jit(fastmath=FAST)
def _open_inside(f, layout, cross, planes):  # type: ignore[no-untyped-def]
    """Opens a window as if nothing were missing, but for its rim of 2.

    At each place for both kinds of site, of which one is kept: so that a row's places are taken
    side by side.  Flat, with unsigned indices, for the same reason.
    """
    height, width = f.shape
    half, quarter = np.float32(0.5), np.float32(0.25)
    samples, at_green = f.reshape(-1), np.empty(width, dtype=np.bool_)
    long = np.uint64(width)
    for y in range(2, height - 2):
        for x in range(width):
            at_green[x] = (x + y + layout[4]) & 1 == 0
        here, other = (0, 2) if y & 1 == layout[1] else (2, 0)
        own, away, green = planes[here, y], planes[other, y], planes[1, y]
        at_own, at_other, own_green, own_other = (
            cross[1, here],
            cross[1, other],
            cross[here, 1],
            cross[here, other],
        )
        row = np.uint64(y * width)
        for x in range(TWO, np.uint64(max(width - 2, 2))):
            p = row + x
            up, down, v = p - long, p + long, samples[p]
            corners = quarter * (
                samples[up - ONE] + samples[up + ONE] + samples[down - ONE] + samples[down + ONE]
            )
            beside = half * (samples[p - ONE] + samples[p + ONE])
            above = half * (samples[up] + samples[down])
            far = samples[p - TWO] + samples[p + TWO] + samples[up - long] + samples[down + long]
            other_steep, steep = v - corners, v - quarter * far
            g = at_green[x]
            green[x] = v if g else half * (beside + above) + own_green * steep
            own[x] = beside + at_own * other_steep if g else v
            away[x] = above + at_other * other_steep if g else corners + own_other * steep


@jit
def _reopen(  # type: ignore[no-untyped-def]
    codes, missing, x, y, coding, layout, cross, taps, middle, planes, confidence
):
    """One place of a window from the samples that are there and what is expected of others."""
    height, width = codes.shape
    step, pedestal = coding
    offsets, counts = taps
    site = 2 * (y & 1) + (x & 1)
    here = colour_at(x, y, layout)
    steep = _steepness(codes, x, y, here)
    for c in range(3):
        total = np.float32(0)
        known = np.float32(0)
        measured = np.float32(0)
        for t in range(counts[c, site]):
            j = y + offsets[c, site, t, 0]
            i = x + offsets[c, site, t, 1]
            if 0 <= i < width and 0 <= j < height and codes[j, i] != 0:
                total += np.float32(codes[j, i])
                known += 1
                measured += 0 if missing[j, i] else 1
        if known > 0:
            beside = (total / known - 1) * step - pedestal
            planes[c, y, x] = beside + cross[here, c] * steep * step
            confidence[c, y, x] = max(measured / counts[c, site], FILLED)
        else:
            planes[c, y, x] = _around(codes, x, y, c, layout, step, pedestal, np.nan)
            confidence[c, y, x] = FILLED
            if np.isnan(planes[c, y, x]):
                # Far from any sample nothing is invented; the level only keeps NaN out of sums.
                planes[c, y, x] = middle[c]
                confidence[c, y, x] = 0


@jit(inline="always")
def _steepness(codes, x, y, here):  # type: ignore[no-untyped-def]
    """A sample minus the mean of the four nearest of its colour, in codes; 0 if one is missing."""
    height, width = codes.shape
    if codes[y, x] == 0:
        return np.float32(0)
    total = np.float32(0)
    for t in range(4):
        if here == 1:
            i, j = x + (1 if t & 1 else -1), y + (1 if t & 2 else -1)
        else:
            i, j = x + (0, 0, -2, 2)[t], y + (-2, 2, 0, 0)[t]
        if i < 0 or i >= width or j < 0 or j >= height or codes[j, i] == 0:
            return np.float32(0)
        total += np.float32(codes[j, i])
    return np.float32(codes[y, x]) - np.float32(0.25) * total


@lru_cache(maxsize=8)
def _taps(sites: tuple[int, ...]) -> Taps:
    red_x, red_y, blue_x, blue_y, parity = sites
    offsets = np.zeros((3, 4, 4, 2), dtype=np.int64)
    counts = np.zeros((3, 4), dtype=np.int64)
    for site in range(4):
        y, x = divmod(site, 2)
        cross = [(0, -1), (0, 1), (-1, 0), (1, 0)]
        nearest = {1: [(0, 0)] if (x + y) % 2 == parity else cross}
        for c, (own_x, own_y) in ((0, (red_x, red_y)), (2, (blue_x, blue_y))):
            rows = (0,) if y == own_y else (-1, 1)
            columns = (0,) if x == own_x else (-1, 1)
            nearest[c] = [(dy, dx) for dy in rows for dx in columns]
        for c, found in nearest.items():
            offsets[c, site, : len(found)], counts[c, site] = found, len(found)
    return offsets, counts


def opening_taps(layout: NDArray[np.int64]) -> Taps:
    """From which samples each colour is opened at each site, index 2·(y mod 2) + x mod 2.

    Offsets y, x (3, 4, 4, 2) and how many count (3, 4): a sample's own site takes it as it is, the
    others the mean of the two or four nearest.
    """
    return _taps(tuple(int(v) for v in layout[:5]))


@jit
def _around(codes, x, y, c, layout, step, pedestal, otherwise):  # type: ignore[no-untyped-def]
    """Gaussian mean (σ 1.2 px) of a colour's samples within 4 px, or ``otherwise``."""
    height, width = codes.shape
    total, weight = 0.0, 0.0
    for j in range(max(y - 4, 0), min(y + 5, height)):
        for i in range(max(x - 4, 0), min(x + 5, width)):
            if codes[j, i] != 0 and colour_at(i, j, layout) == c:
                w = np.exp(-0.5 * ((i - x) ** 2 + (j - y) ** 2) / 1.44)
                total += w * ((codes[j, i] - 1.0) * step - pedestal)
                weight += w
    return total / weight if weight > 0 else otherwise


@jit
def _window_levels(codes, step, pedestal, layout):  # type: ignore[no-untyped-def]
    """Mean of each colour in the window, for places with no sample nearby."""
    total = np.zeros(3)
    count = np.zeros(3)
    for y in range(codes.shape[0]):
        for x in range((y & 6) + (y & 1), codes.shape[1], 7):
            if codes[y, x] != 0:
                for c in range(3):
                    if colour_at(x, y, layout) == c:
                        total[c] += (codes[y, x] - 1.0) * step - pedestal
                        count[c] += 1
    return total / np.maximum(count, 1)
