"""Compiled loops of the integration methods: one place at a time, its samples side by side.

Arguments of all: ``values``, ``variances`` (N, P), ``weights`` (N,), ``contrast`` (P,) as in
:class:`stackkit.methods.Samples`, the method's own, then ``value``, ``variance``, ``count`` (P,) to
fill, which hold NaN, NaN and 0.
"""

from __future__ import annotations

import numba
import numpy as np

CLIP_ROUNDS = 5
"""Common practice; what astropy.stats.sigma_clip does by default."""
_WINSOR_LIMIT, _WINSOR_SCALE = 1.5, 1.134
"""1.134: one over the standard deviation of a standard normal value winsorised at 1.5."""
_WINSOR_ROUNDS, _SETTLED = 30, 1e-3
_REWEIGHTED = 8
_MANY = 64
"""From so many on a sort beats insertion."""


@numba.njit(cache=True, inline="always")
def _gather(values, variances, weights, p, v, s, w):  # type: ignore[no-untyped-def]
    """The samples of place p that exist, into v, s (variances) and w; their number."""
    n = 0
    for k in range(values.shape[0]):
        if weights[k] > 0 and np.isfinite(values[k, p]) and np.isfinite(variances[k, p]):
            v[n] = values[k, p]
            s[n] = variances[k, p]
            w[n] = weights[k]
            n += 1
    return n


@numba.njit(cache=True, inline="always")
def _middle(v, n, room):  # type: ignore[no-untyped-def]
    """Median of the first n values; ``room`` is overwritten."""
    if n > _MANY:
        room[:n] = v[:n]
        room[:n].sort()
    else:
        for k in range(n):
            i = k
            while i > 0 and room[i - 1] > v[k]:
                room[i] = room[i - 1]
                i -= 1
            room[i] = v[k]
    return 0.5 * (room[(n - 1) // 2] + room[n // 2])


@numba.njit(cache=True, inline="always")
def _mean_within(v, s, w, n, low, high):  # type: ignore[no-untyped-def]
    """Weighted mean of the values from low to high, its variance, their number."""
    total, weight, noise, kept = 0.0, 0.0, 0.0, 0
    for k in range(n):
        if low <= v[k] <= high:
            total += w[k] * v[k]
            weight += w[k]
            noise += w[k] * w[k] * s[k]
            kept += 1
    if kept == 0:
        return np.nan, np.nan, 0
    return total / weight, noise / (weight * weight), kept


@numba.njit(cache=True, inline="always")
def _room(frames):  # type: ignore[no-untyped-def]
    return np.empty((4, frames), dtype=np.float64)


@numba.njit(cache=True, nogil=True)
def weighted_mean(values, variances, weights, contrast, value, variance, count):  # type: ignore[no-untyped-def]  # noqa: ARG001
    """Σ w·v / Σ w."""
    v, s, w, _ = _room(values.shape[0])
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n > 0:
            value[p], variance[p], count[p] = _mean_within(v, s, w, n, -np.inf, np.inf)


@numba.njit(cache=True, nogil=True)
def median(values, variances, weights, contrast, factors, value, variance, count):  # type: ignore[no-untyped-def]  # noqa: ARG001
    """``factors`` (N + 1,): n times the variance of the median of n standard normal values."""
    v, s, w, room = _room(values.shape[0])
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n > 0:
            value[p] = _middle(v, n, room)
            variance[p] = factors[n] * _centre_variance(s, n)
            count[p] = n


@numba.njit(cache=True, inline="always")
def _centre_variance(s, n):  # type: ignore[no-untyped-def]
    """N / (Σ 1/σ)²: the variance of a mean, by the samples' density at the centre."""
    sharpness = 0.0
    for k in range(n):
        if s[k] <= 0:
            return 0.0
        sharpness += 1 / np.sqrt(s[k])
    return n / (sharpness * sharpness)


@numba.njit(cache=True, nogil=True)
def sigma_clip(values, variances, weights, contrast, kappa, value, variance, count):  # type: ignore[no-untyped-def]  # noqa: ARG001
    """Limits about the median in standard deviations of what is left, until nothing goes."""
    v, s, w, room = _room(values.shape[0])
    kept = np.empty(values.shape[0])
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n == 0:
            continue
        low, high = -np.inf, np.inf
        before = -1
        for turn in range(CLIP_ROUNDS + 1):
            left, mean, square = 0, 0.0, 0.0
            for k in range(n):
                if low <= v[k] <= high:
                    kept[left] = v[k]
                    mean += v[k]
                    left += 1
            if left in (before, 0) or turn == CLIP_ROUNDS:
                break
            before = left
            mean /= left
            for k in range(left):
                square += (kept[k] - mean) ** 2
            reach = kappa * np.sqrt(square / left)
            centre = _middle(kept, left, room)
            low, high = max(low, centre - reach), min(high, centre + reach)
        value[p], variance[p], count[p] = _mean_within(v, s, w, n, low, high)


@numba.njit(cache=True, inline="always")
def _winsorised_spread(v, n, centre):  # type: ignore[no-untyped-def]
    """Standard deviation of the values winsorised at 1.5 of itself about a centre."""
    square = 0.0
    for k in range(n):
        square += (v[k] - centre) ** 2
    spread = np.sqrt(square / max(n - 1, 1))
    for _ in range(_WINSOR_ROUNDS):
        limit = _WINSOR_LIMIT * spread
        total, square = 0.0, 0.0
        for k in range(n):
            away = min(max(v[k] - centre, -limit), limit)
            total += away
            square += away * away
        before = spread
        spread = _WINSOR_SCALE * np.sqrt(max(square - total * total / n, 0.0) / max(n - 1, 1))
        if abs(spread - before) <= _SETTLED * before:
            break
    return spread


@numba.njit(cache=True, nogil=True)
def winsorised(values, variances, weights, contrast, kappa, value, variance, count):  # type: ignore[no-untyped-def]  # noqa: ARG001
    """Limits about the median in winsorised standard deviations of what is left."""
    v, s, w, room = _room(values.shape[0])
    kept = np.empty(values.shape[0])
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n == 0:
            continue
        low, high = -np.inf, np.inf
        before = -1
        for _ in range(CLIP_ROUNDS):
            left = 0
            for k in range(n):
                if low <= v[k] <= high:
                    kept[left] = v[k]
                    left += 1
            if left in (before, 0):
                break
            before = left
            centre = _middle(kept, left, room)
            reach = kappa * _winsorised_spread(kept, left, centre)
            low, high = max(low, centre - reach), min(high, centre + reach)
        value[p], variance[p], count[p] = _mean_within(v, s, w, n, low, high)


@numba.njit(cache=True, nogil=True)
def noise_model(  # type: ignore[no-untyped-def]
    values, variances, weights, contrast, kappa, steepness, value, variance, count
):
    """Limits for each sample by its own noise, about the median, then about the mean."""
    v, s, w, room = _room(values.shape[0])
    good = np.empty(values.shape[0], dtype=np.bool_)
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n == 0:
            continue
        if n < 3:
            value[p], variance[p], count[p] = _mean_within(v, s, w, n, -np.inf, np.inf)
            continue
        centre, own = _middle(v, n, room), np.pi / 2 * _centre_variance(s, n)
        steep = (steepness * contrast[p]) ** 2
        for _ in range(2):
            total, weight, noise, kept = 0.0, 0.0, 0.0, 0
            for k in range(n):
                away = v[k] - centre
                good[k] = away * away <= kappa * kappa * (s[k] + own + steep)
                if good[k]:
                    total += w[k] * v[k]
                    weight += w[k]
                    noise += w[k] * w[k] * s[k]
                    kept += 1
            if kept == 0:
                break
            centre, own = total / weight, noise / (weight * weight)
        value[p], variance[p], count[p] = centre, own, kept


@numba.njit(cache=True, nogil=True)
def tukey(  # type: ignore[no-untyped-def]
    values, variances, weights, contrast, c, steepness, loss, value, variance, count
):
    """``loss``: how much more variance than the mean on Gaussian noise."""
    v, s, w, room = _room(values.shape[0])
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n == 0:
            continue
        centre, steep = _middle(v, n, room), (steepness * contrast[p]) ** 2
        kept, noise = 0, 0.0
        for _ in range(_REWEIGHTED):
            total, weight, noise, kept = 0.0, 0.0, 0.0, 0
            plain, mean_variance = 0.0, 0.0
            for k in range(n):
                away = v[k] - centre
                scale = c * c * (s[k] + steep)
                if away * away < scale or away == 0:
                    part = (1 - away * away / scale) ** 2 if scale > 0 else 1.0
                    total += w[k] * part * v[k]
                    weight += w[k] * part
                    plain += w[k]
                    mean_variance += w[k] * w[k] * s[k]
                    kept += 1
            if kept == 0:
                break
            before = centre
            centre = total / weight
            noise = loss * mean_variance / (plain * plain)
            if (centre - before) ** 2 <= 1e-6 * noise:
                break
        value[p], count[p] = centre, kept
        # When nothing is near the median, it stands for the place, with its own variance.
        variance[p] = noise if kept > 0 else np.pi / 2 * _centre_variance(s, n)
        count[p] = max(kept, 1)


@numba.njit(cache=True, nogil=True)
def huber(  # type: ignore[no-untyped-def]
    values, variances, weights, contrast, c, steepness, loss, value, variance, count
):
    """``loss``: how much more variance than the mean on Gaussian noise."""
    v, s, w, room = _room(values.shape[0])
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n == 0:
            continue
        centre, steep = _middle(v, n, room), (steepness * contrast[p]) ** 2
        plain, noise = 0.0, 0.0
        for k in range(n):
            plain += w[k]
            noise += w[k] * w[k] * s[k]
        noise /= plain * plain
        for _ in range(_REWEIGHTED):
            total, weight = 0.0, 0.0
            for k in range(n):
                away = abs(v[k] - centre)
                limit = c * np.sqrt(s[k] + steep)
                part = 1.0 if away <= limit else limit / away
                total += w[k] * part * v[k]
                weight += w[k] * part
            if weight == 0:
                break
            before = centre
            centre = total / weight
            if (centre - before) ** 2 <= 1e-6 * noise:
                break
        value[p], variance[p], count[p] = centre, loss * noise, n


@numba.njit(cache=True, nogil=True)
def extreme(values, variances, weights, contrast, sign, factors, value, variance, count):  # type: ignore[no-untyped-def]  # noqa: ARG001
    """``sign`` 1 for the largest, -1 for the smallest; ``factors`` (N + 1,): its variance."""
    v, s, w, _ = _room(values.shape[0])
    for p in range(values.shape[1]):
        n = _gather(values, variances, weights, p, v, s, w)
        if n == 0:
            continue
        furthest, noise = sign * v[0], 0.0
        for k in range(n):
            furthest = max(furthest, sign * v[k])
            noise += s[k]
        value[p], variance[p], count[p] = sign * furthest, factors[n] * noise / n, n
