"""Compiled loops of the methods that go by each sample's own noise.

The scratch is that of ``method_kernels``; here CENTRE is a distance from the median.
"""

from __future__ import annotations

import numpy as np

from stackkit.integration.kernels import (
    CENTRE,
    COUNT,
    EXTRA,
    INFINITY,
    LANES,
    MOVES,
    NOISE,
    ONE,
    ROWS,
    SPREAD,
    TOTAL,
    WEIGHT,
    ZERO,
    load,
    middle,
    scratch,
    sort,
    write,
)
from stackkit.jit import jit

_AVERAGE = ROWS
_ALL_ROWS = ROWS + LANES
_SMALLEST = np.float32(1e-30)
"""Variance, ADU², assumed for noiseless samples."""
_STAYS = np.float32(1e-4)
"""Share of the mean's noise: an estimate that moves less has converged."""


@jit
def _know(  # type: ignore[no-untyped-def]
    x, v, n, s, m, network, contrast, steepness, start, width, lane
):
    """The places' medians; their mean variance into AVERAGE; the part that the local contrast adds
    to it into EXTRA.
    """
    sort(x, network, s)
    middle(s, n, m)
    lane[EXTRA : EXTRA + LANES] = 0
    for j in range(width):
        off = np.float32(steepness) * contrast[start + j]
        lane[EXTRA + j] = off * off if np.abs(off) < INFINITY else ZERO
    lane[_AVERAGE : _AVERAGE + LANES] = 0
    for k in range(len(v)):
        noise = v[k]
        for j in range(LANES):
            lane[_AVERAGE + j] += noise[j]
    for j in range(LANES):
        lane[_AVERAGE + j] /= np.float32(max(n[j], 1))


@jit
def _inflate(n, inflation, lane):  # type: ignore[no-untyped-def]
    """NOISE inflated, as far as noise and not steepness decides on what counts."""
    for j in range(LANES):
        average = lane[_AVERAGE + j]
        if average > 0:
            share = average / (average + lane[EXTRA + j])
            lane[NOISE + j] *= ONE + (inflation[n[j]] - ONE) * share * share


@jit
def _judge(x, v, weights, m, kappa, lane):  # type: ignore[no-untyped-def]
    """As ``weigh``, of what lies within kappa·√(v + SPREAD) of CENTRE."""
    square = kappa * kappa
    lane[:CENTRE] = 0
    for k in range(len(x)):
        row, noise, w = x[k], v[k], weights[k]
        for j in range(LANES):
            d = row[j] - m[j]
            off = d - lane[CENTRE + j]
            kept = off * off <= square * (noise[j] + lane[SPREAD + j])
            a = w if kept else ZERO
            lane[WEIGHT + j] += a
            lane[TOTAL + j] += a * (d if kept else ZERO)
            lane[NOISE + j] += a * a * noise[j]
            lane[COUNT + j] += ONE if kept else ZERO


@jit
def noise_model(  # type: ignore[no-untyped-def]
    values, variances, weights, contrast, kappa, steepness, of_median, inflation, network,
    value, variance, count,
):  # fmt: skip
    """``of_median`` (N + 1,): variance of the median of n standard Gaussian samples."""
    x, v, s, n, m = scratch(len(values))
    lane = np.zeros(_ALL_ROWS, np.float32)
    plain, limit = np.ones(len(values) + 1, np.float32), np.float32(kappa)
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        _know(x, v, n, s, m, network, contrast, steepness, start, width, lane)
        for j in range(LANES):
            lane[CENTRE + j] = ZERO
            lane[SPREAD + j] = INFINITY
            if n[j] > 2:
                lane[SPREAD + j] = lane[_AVERAGE + j] * of_median[n[j] - 1] + lane[EXTRA + j]
        _judge(x, v, weights, m, limit, lane)
        for j in range(LANES):
            weight = lane[WEIGHT + j]
            if weight == 0:
                lane[SPREAD + j] = INFINITY  # two groups and none in the middle: all are kept
            elif n[j] > 2:
                lane[CENTRE + j] = lane[TOTAL + j] / weight
                lane[SPREAD + j] = lane[NOISE + j] / weight / weight + lane[EXTRA + j]
        _judge(x, v, weights, m, limit, lane)
        _inflate(n, inflation, lane)
        write(start, width, m, n, lane, plain, value, variance, count)


@jit
def _scale(v, n, tuning, lane, steep):  # type: ignore[no-untyped-def]
    """``steep`` (N, LANES): 1 / (tuning² · variance), the contrast's share included.

    0, so that all count alike, where there are fewer than three: no outlier can be identified.
    """
    for k in range(len(v)):
        noise, out = v[k], steep[k]
        for j in range(LANES):
            scale = ONE / (tuning * tuning * max(noise[j] + lane[EXTRA + j], _SMALLEST))
            out[j] = scale if n[j] > 2 else ZERO


@jit
def _tukey_weights(x, steep, weights, m, lane, robust):  # type: ignore[no-untyped-def]
    """Weight times (1 - u²)², u the distance from CENTRE in units of ``tuning`` deviations."""
    for k in range(len(x)):
        row, scale, out, w = x[k], steep[k], robust[k], weights[k]
        for j in range(LANES):
            d = row[j] - m[j] - lane[CENTRE + j]
            inside = ONE - d * d * scale[j]
            out[j] = w * inside * inside if inside > ZERO else ZERO


@jit
def _huber_weights(x, steep, weights, m, lane, robust):  # type: ignore[no-untyped-def]
    """Weight times min(1, 1/|u|), u as for Tukey's."""
    for k in range(len(x)):
        row, scale, out, w = x[k], steep[k], robust[k], weights[k]
        for j in range(LANES):
            d = row[j] - m[j] - lane[CENTRE + j]
            square = d * d * scale[j]
            inside = w if square <= ONE else w / np.sqrt(square)
            out[j] = inside if row[j] == row[j] else ZERO


@jit
def _sum(x, v, robust, m, lane):  # type: ignore[no-untyped-def]
    lane[:CENTRE] = 0
    for k in range(len(x)):
        row, noise, weight = x[k], v[k], robust[k]
        for j in range(LANES):
            a = weight[j]
            d = row[j] - m[j]
            lane[WEIGHT + j] += a
            lane[TOTAL + j] += a * d if a > ZERO else ZERO
            lane[NOISE + j] += a * a * noise[j]
            lane[COUNT + j] += ONE if a > ZERO else ZERO


@jit
def _begin(v, n, tuning, lane, steep):  # type: ignore[no-untyped-def]
    """From the median; SPREAD is how far an estimate may move and still be called settled."""
    _scale(v, n, tuning, lane, steep)
    for j in range(LANES):
        lane[CENTRE + j] = ZERO
        lane[MOVES + j] = ONE
        lane[SPREAD + j] = _STAYS * np.sqrt(lane[_AVERAGE + j] / np.float32(max(n[j], 1)))


@jit
def _move(n, steep, lane):  # type: ignore[no-untyped-def]
    """CENTRE to the weighted mean, where it has not settled; whether any moves yet."""
    moving = False
    for j in range(LANES):
        if n[j] > 0 and lane[MOVES + j] > 0:
            if lane[WEIGHT + j] > 0:
                there = lane[TOTAL + j] / lane[WEIGHT + j]
                if np.abs(there - lane[CENTRE + j]) <= lane[SPREAD + j]:
                    lane[MOVES + j] = ZERO  # and the sums stay the same, however often taken
                else:
                    lane[CENTRE + j] = there
            else:  # two groups and none in the middle: all count alike
                steep[:, j] = ZERO
            moving |= lane[MOVES + j] > 0
    return moving


@jit
def tukey(  # type: ignore[no-untyped-def]
    values, variances, weights, contrast, tuning, steepness, rounds, inflation, network, value,
    variance, count,
):  # fmt: skip
    """Tukey's biweight by weighting again and again, at most ``rounds`` times."""
    x, v, s, n, m = scratch(len(values))
    lane, plain = np.zeros(_ALL_ROWS, np.float32), np.ones(len(values) + 1, np.float32)
    steep, robust = np.empty_like(x), s
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        _know(x, v, n, s, m, network, contrast, steepness, start, width, lane)
        _begin(v, n, np.float32(tuning), lane, steep)
        for _ in range(rounds):
            _tukey_weights(x, steep, weights, m, lane, robust)
            _sum(x, v, robust, m, lane)
            if not _move(n, steep, lane):
                break
        _inflate(n, inflation, lane)
        write(start, width, m, n, lane, plain, value, variance, count)


@jit
def huber(  # type: ignore[no-untyped-def]
    values, variances, weights, contrast, tuning, steepness, rounds, inflation, network, value,
    variance, count,
):  # fmt: skip
    """Huber's estimator by weighting again and again, at most ``rounds`` times."""
    x, v, s, n, m = scratch(len(values))
    lane, plain = np.zeros(_ALL_ROWS, np.float32), np.ones(len(values) + 1, np.float32)
    steep, robust = np.empty_like(x), s
    for start in range(0, values.shape[1], LANES):
        width = load(values, variances, weights, start, x, v, n)
        _know(x, v, n, s, m, network, contrast, steepness, start, width, lane)
        _begin(v, n, np.float32(tuning), lane, steep)
        for _ in range(rounds):
            _huber_weights(x, steep, weights, m, lane, robust)
            _sum(x, v, robust, m, lane)
            if not _move(n, steep, lane):
                break
        _inflate(n, inflation, lane)
        write(start, width, m, n, lane, plain, value, variance, count)
