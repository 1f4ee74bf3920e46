"""Compiled loops of the integration methods.

A kernel walks the places ``LANES`` at a time and does each step for all of them side by side, which
the processor's vector units do at once; a sample that does not exist is NaN and fails every
comparison.  Sums are taken of distances from the median, which single precision holds.

Scratch of a kernel, by name: ``x`` (N, LANES) values; ``v`` (N, LANES) variances, 0 where missing;
``s`` (N, LANES) values in rising order, then infinity; ``n`` (LANES,) how many exist; ``m``
(LANES,) their median; ``lane`` (rows · LANES,) sums and the like of each place, in one piece so
that the compiler knows that the rows do not overlap.
"""

from __future__ import annotations

import numpy as np

from stackkit.jit import jit
from stackkit.sorting import sort_rows

LANES = 256
"""Places that are worked on side by side."""
_NAN, INFINITY = np.float32(np.nan), np.float32(np.inf)
ZERO, ONE, _HALF = np.float32(0), np.float32(1), np.float32(0.5)
_STEEPEST = np.float32(1e30)
"""A deviation that bounds nothing."""

# Rows of ``lane``.
WEIGHT, TOTAL, NOISE, COUNT = 0, LANES, 2 * LANES, 3 * LANES
CENTRE, SPREAD, EXTRA, MOVES = 4 * LANES, 5 * LANES, 6 * LANES, 7 * LANES
ROWS = 8 * LANES


@jit
def load(values, variances, weights, start, x, v, n):  # type: ignore[no-untyped-def]
    """Samples with value, variance and weight; the rest NaN.  Returns how many places there are."""
    width = min(LANES, values.shape[1] - start)
    n[:] = 0
    for k in range(values.shape[0]):
        used = weights[k] > 0 and weights[k] < INFINITY
        value, variance = values[k, start : start + width], variances[k, start : start + width]
        row, noise = x[k], v[k]
        for j in range(width):
            there = (
                used
                & (np.abs(value[j]) < INFINITY)
                & (variance[j] >= ZERO)
                & (variance[j] < INFINITY)
            )
            row[j] = value[j] if there else _NAN
            noise[j] = variance[j] if there else ZERO
            n[j] += np.int32(there)
        row[width:] = _NAN
        noise[width:] = ZERO
    return width


@jit
def sort(x, network, s):  # type: ignore[no-untyped-def]
    """Values x into s, in rising order."""
    for k in range(len(x)):
        row, out = x[k], s[k]
        for j in range(LANES):
            out[j] = row[j] if row[j] == row[j] else INFINITY
    sort_rows(s, network)


@jit
def middle(s, n, m):  # type: ignore[no-untyped-def]
    """The median of s into m, 0 where there is nothing."""
    for j in range(LANES):
        m[j] = ZERO
        if n[j] > 0:
            m[j] = _HALF * s[(n[j] - 1) // 2, j] + _HALF * s[n[j] // 2, j]


@jit
def scratch(frames):  # type: ignore[no-untyped-def]
    """x, v, s, n, m."""
    x = np.empty((frames, LANES), np.float32)
    n = np.empty(LANES, np.int32)
    return x, np.empty_like(x), np.empty_like(x), n, np.empty(LANES, np.float32)


@jit
def weigh(x, v, weights, m, lane):  # type: ignore[no-untyped-def]
    """Sums of weights, weighted distances from m, weighted noise and number of what is not NaN."""
    lane[:CENTRE] = 0
    for k in range(len(x)):
        row, noise, w = x[k], v[k], weights[k]
        for j in range(LANES):
            d = row[j] - m[j]
            a = w if d == d else ZERO
            lane[WEIGHT + j] += a
            lane[TOTAL + j] += a * (d if d == d else ZERO)
            lane[NOISE + j] += a * a * noise[j]
            lane[COUNT + j] += ONE if d == d else ZERO


@jit
def write(start, width, m, n, lane, inflation, value, variance, count):  # type: ignore[no-untyped-def]
    """Mean and its noise from the sums of ``lane``; the noise times ``inflation`` of n samples."""
    for j in range(width):
        weight = lane[WEIGHT + j]
        if weight > 0:
            value[start + j] = m[j] + lane[TOTAL + j] / weight
            variance[start + j] = lane[NOISE + j] / weight / weight * inflation[n[j]]
            count[start + j] = np.int16(lane[COUNT + j])


@jit
def _noise_of_all(x, v, lane):  # type: ignore[no-untyped-def]
    """Sums of variances (NOISE), of their squares (SPREAD), of 1/σ (WEIGHT)."""
    lane[:] = 0
    for k in range(len(x)):
        row, noise = x[k], v[k]
        for j in range(LANES):
            lane[NOISE + j] += noise[j]
            lane[SPREAD + j] += noise[j] * noise[j]
            lane[WEIGHT + j] += ONE / np.sqrt(noise[j]) if row[j] == row[j] else ZERO


@jit
def mean(values, variances, weights, value, variance, count):  # type: ignore[no-untyped-def]
    """Weighted mean."""
    x, v, _, n, m = scratch(len(values))
    lane, plain = np.zeros(ROWS, np.float32), np.ones(len(values) + 1, np.float32)
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        m[:] = 0
        for k in range(len(x)):  # any sample will do as the origin of distances
            row = x[k]
            for j in range(LANES):
                m[j] = row[j] if row[j] == row[j] else m[j]
        weigh(x, v, weights, m, lane)
        write(start, width, m, n, lane, plain, value, variance, count)


@jit
def median(values, variances, weights, network, expected, value, variance, count):  # type: ignore[no-untyped-def]
    """``expected`` (N + 1,): variance of the median of n standard Gaussian samples."""
    x, v, s, n, m = scratch(len(values))
    lane = np.zeros(ROWS, np.float32)
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        sort(x, network, s)
        middle(s, n, m)
        _noise_of_all(x, v, lane)
        for j in range(width):
            if n[j] > 0:
                average = lane[NOISE + j] / n[j]
                steep = n[j] / lane[WEIGHT + j]
                share = min(ONE, np.float32(0.8) / n[j]) if n[j] > 2 else ONE
                noise = share * average + (ONE - share) * steep * steep
                value[start + j] = m[j]
                variance[start + j] = noise * expected[n[j]]
                count[start + j] = n[j]


@jit
def median_values(values, network, out):  # type: ignore[no-untyped-def]
    """Medians (P,) alone of values (N, P), NaN where a sample is missing or none is there."""
    s, n = np.empty((len(values), LANES), np.float32), np.empty(LANES, np.int32)
    for start in range(0, values.shape[1], LANES):
        width = min(LANES, values.shape[1] - start)
        n[:] = 0
        for k in range(len(values)):
            row, own = values[k, start : start + width], s[k]
            for j in range(width):
                there = row[j] == row[j]
                own[j] = row[j] if there else INFINITY
                n[j] += np.int32(there)
        sort_rows(s, network)
        for j in range(width):
            middle = _HALF * s[(n[j] - 1) // 2, j] + _HALF * s[n[j] // 2, j]
            out[start + j] = middle if n[j] > 0 else _NAN


@jit
def extreme(values, variances, weights, sign, expected, value, variance, count):  # type: ignore[no-untyped-def]
    """Largest of ``sign`` times the values; ``expected`` (N + 1,) as in ``median``."""
    x, v, _, n, m = scratch(len(values))
    lane = np.zeros(ROWS, np.float32)
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        m[:] = -INFINITY
        for k in range(len(x)):
            row = x[k]
            for j in range(LANES):
                m[j] = sign * row[j] if sign * row[j] > m[j] else m[j]
        _noise_of_all(x, v, lane)
        for j in range(width):
            if n[j] > 0:
                average = lane[NOISE + j] / n[j]
                noisiest = lane[SPREAD + j] / lane[NOISE + j] if average > 0 else ZERO
                share = np.float32(0.96) * np.log(np.float32(max(n[j], 2)) * _HALF)
                noise = average + share * (noisiest - average)
                value[start + j] = sign * m[j]
                variance[start + j] = noise * expected[n[j]]
                count[start + j] = n[j]


@jit
def _clip_place(s, j, n, kappa, rounds):  # type: ignore[no-untyped-def]
    """First and last kept value of place j, ``kappa`` population deviations about the median."""
    first, last = 0, n
    for _ in range(rounds):
        size = last - first
        average, square = 0.0, 0.0
        for k in range(first, last):
            average += np.float64(s[k, j])
        average /= size
        for k in range(first, last):
            square += (s[k, j] - average) ** 2
        reach = kappa * np.sqrt(square / size)
        centre = 0.5 * (
            np.float64(s[first + (size - 1) // 2, j]) + np.float64(s[first + size // 2, j])
        )
        while first < last and s[first, j] < centre - reach:
            first += 1
        while first < last and s[last - 1, j] > centre + reach:
            last -= 1
        if last - first == size or last == first:
            break
    return (s[first, j], s[last - 1, j]) if last > first else (INFINITY, -INFINITY)


@jit
def _squares(s, m, lane):  # type: ignore[no-untyped-def]
    lane[TOTAL : NOISE + LANES] = 0
    for k in range(len(s)):
        row = s[k]
        for j in range(LANES):
            d = row[j] - m[j] if row[j] < INFINITY else ZERO
            lane[TOTAL + j] += d
            lane[NOISE + j] += d * d


@jit
def _drop_outside(x, j, low, high):  # type: ignore[no-untyped-def]
    for k in range(len(x)):
        if not low <= x[k, j] <= high:
            x[k, j] = _NAN


@jit
def sigma_clip(  # type: ignore[no-untyped-def]
    values, variances, weights, kappa, rounds, inflation, network, value, variance, count,
):  # fmt: skip
    """Mean of what repeated clipping leaves."""
    x, v, s, n, m = scratch(len(values))
    lane = np.zeros(ROWS, np.float32)
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        sort(x, network, s)
        middle(s, n, m)
        _squares(s, m, lane)
        for j in range(width):
            if n[j] > 1:
                # Most places keep all; only where that is in doubt is it done exactly.
                shift = lane[TOTAL + j] / n[j]
                square = lane[NOISE + j] / n[j] - shift * shift
                farthest = max(m[j] - s[0, j], s[n[j] - 1, j] - m[j])
                if not farthest * farthest < np.float32(0.999 * kappa * kappa) * square:
                    low, high = _clip_place(s, j, n[j], kappa, rounds)
                    _drop_outside(x, j, low, high)
        weigh(x, v, weights, m, lane)
        write(start, width, m, n, lane, inflation, value, variance, count)


@jit
def _winsorise(s, m, lane):  # type: ignore[no-untyped-def]
    """Sums of distances from m and of their squares, those beyond SPREAD brought in to it."""
    lane[TOTAL : NOISE + LANES] = 0
    for k in range(len(s)):
        row = s[k]
        for j in range(LANES):
            reach = lane[SPREAD + j]
            d = row[j] - m[j] if row[j] < INFINITY else ZERO
            d = reach if d > reach else d
            d = -reach if d < -reach else d
            lane[TOTAL + j] += d
            lane[NOISE + j] += d * d


@jit
def _settle(s, m, n, lane, bound, consistency, tolerance, rounds):  # type: ignore[no-untyped-def]
    """Winsorised standard deviation into EXTRA, until it stays; then it is left alone."""
    lane[SPREAD : SPREAD + LANES] = _STEEPEST
    lane[MOVES : MOVES + LANES] = ONE
    factor = ONE
    for _ in range(rounds):
        _winsorise(s, m, lane)
        moving = False
        for j in range(LANES):
            if n[j] > 1 and lane[MOVES + j] > 0:
                shift = lane[TOTAL + j] / n[j]
                square = max(lane[NOISE + j] / n[j] - shift * shift, ZERO)
                spread = factor * np.sqrt(square * n[j] / (n[j] - 1))
                if np.abs(spread * bound - lane[SPREAD + j]) <= tolerance * lane[SPREAD + j]:
                    lane[MOVES + j] = ZERO
                moving |= lane[MOVES + j] > 0
                lane[SPREAD + j] = spread * bound
                lane[EXTRA + j] = spread
        factor = consistency
        if not moving:
            break


@jit
def winsorised(  # type: ignore[no-untyped-def]
    values, variances, weights, kappa, settling, inflation, network, value, variance, count,
):  # fmt: skip
    """``settling``: bound in deviations, consistency of the deviation, tolerance, most rounds."""
    x, v, s, n, m = scratch(len(values))
    lane = np.zeros(ROWS, np.float32)
    bound, consistency = np.float32(settling[0]), np.float32(settling[1])
    tolerance, rounds = np.float32(settling[2]), settling[3]
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        sort(x, network, s)
        middle(s, n, m)
        _settle(s, m, n, lane, bound, consistency, tolerance, rounds)
        for j in range(width):
            if n[j] > 3:
                reach = np.float32(kappa) * lane[EXTRA + j]
                if s[0, j] < m[j] - reach or s[n[j] - 1, j] > m[j] + reach:
                    _drop_outside(x, j, m[j] - reach, m[j] + reach)
        weigh(x, v, weights, m, lane)
        write(start, width, m, n, lane, inflation, value, variance, count)
