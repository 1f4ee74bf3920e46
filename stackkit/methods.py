"""The table of integration methods: pure functions on a block of samples of the same places.

A block is ``values`` (N, P) float32, N frames by P places, NaN where a frame has nothing;
``variances`` (N, P) of the values; ``weights`` (N,) of the frames.  A method gives value (P,),
variance (P,) and the number of samples that count (P,).  A new method is one function and one
entry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

Block = NDArray[np.float32]
Combined = tuple[Block, Block, NDArray[np.int16]]

KAPPA = 3.0
CLIP_ROUNDS = 5
"""Common practice; what astropy.stats.sigma_clip does by default."""


@dataclass(frozen=True)
class Method:
    """A way to combine samples: its name, what it is for, and the function."""

    name: str
    purpose: str
    function: Callable[[Block, Block, Block], Combined]


def weighted_mean(values: Block, variances: Block, weights: Block) -> Combined:
    """Σ w·v / Σ w over the samples that exist: least noise, no rejection."""
    out = _empty(values.shape[1])
    _weighted_mean(values, variances, weights, *out)
    return out


def median(values: Block, variances: Block, weights: Block) -> Combined:
    """Middle value (mean of the two middle ones): robust from three frames on.

    Its variance is taken as π/2 times the mean's, the limit for many Gaussian samples.
    """
    del weights  # every frame has one vote
    out = _empty(values.shape[1])
    _median(values, variances, *out)
    return out


def sigma_clip(values: Block, variances: Block, weights: Block) -> Combined:
    """Mean of what lies within ``KAPPA`` standard deviations of the median, iterated.

    The standard deviation is the population's, as in astropy: of N values one apart from all others
    lies at most N/√(N-1) of them from the median, so that 3 rejects nothing up to seven frames.
    (From the mean, in sample standard deviations, it is (N-1)/√N, and ten: Shiffler 1988.)
    """
    out = _empty(values.shape[1])
    _sigma_clip(values, variances, weights, KAPPA, CLIP_ROUNDS, *out)
    return out


METHODS = {
    method.name: method
    for method in (
        Method("mean", "least noise when nothing crosses the frames", weighted_mean),
        Method("median", "robust from three frames on, a quarter more noise", median),
        Method("sigma-clip", "rejects trails when there are many frames", sigma_clip),
    )
}


def _empty(places: int) -> Combined:
    return (
        np.full(places, np.nan, np.float32),
        np.full(places, np.nan, np.float32),
        np.zeros(places, np.int16),
    )


@numba.njit(cache=True, nogil=True)
def _weighted_mean(values, variances, weights, value, variance, count):  # type: ignore[no-untyped-def]
    for p in range(values.shape[1]):
        total, weight, square, n = 0.0, 0.0, 0.0, 0
        for k in range(values.shape[0]):
            if np.isfinite(values[k, p]):
                total += weights[k] * values[k, p]
                weight += weights[k]
                square += weights[k] * weights[k] * variances[k, p]
                n += 1
        if weight > 0:
            value[p] = total / weight
            variance[p] = square / (weight * weight)
            count[p] = n


@numba.njit(cache=True, nogil=True, inline="always")
def _middle(sorted_values, n):  # type: ignore[no-untyped-def]
    return 0.5 * (sorted_values[(n - 1) // 2] + sorted_values[n // 2])


@numba.njit(cache=True, nogil=True)
def _insert_sorted(values, p, kept):  # type: ignore[no-untyped-def]
    """Finite values of place p in rising order (insertion: N is small); their number."""
    n = 0
    for k in range(values.shape[0]):
        v = values[k, p]
        if np.isfinite(v):
            i = n
            while i > 0 and kept[i - 1] > v:
                kept[i] = kept[i - 1]
                i -= 1
            kept[i] = v
            n += 1
    return n


@numba.njit(cache=True, nogil=True)
def _median(values, variances, value, variance, count):  # type: ignore[no-untyped-def]
    kept = np.empty(values.shape[0], dtype=np.float32)
    few = values.shape[0] <= 48
    for p in range(values.shape[1]):
        if few:
            n = _insert_sorted(values, p, kept)
        else:
            n = 0
            for k in range(values.shape[0]):
                if np.isfinite(values[k, p]):
                    kept[n] = values[k, p]
                    n += 1
            kept[:n].sort()
        if n == 0:
            continue
        total = 0.0
        for k in range(values.shape[0]):
            if np.isfinite(values[k, p]):
                total += variances[k, p]
        value[p] = _middle(kept, n)
        variance[p] = total / (n * n) * (np.pi / 2 if n > 2 else 1.0)
        count[p] = n


@numba.njit(cache=True, nogil=True)
def _sigma_clip(values, variances, weights, kappa, rounds, value, variance, count):  # type: ignore[no-untyped-def]
    kept = np.empty(values.shape[0], dtype=np.float32)
    for p in range(values.shape[1]):
        low, high = -np.inf, np.inf
        before = -1
        for _ in range(rounds + 1):
            n = 0
            mean, square = 0.0, 0.0
            for k in range(values.shape[0]):
                v = values[k, p]
                if np.isfinite(v) and low <= v <= high:
                    kept[n] = v
                    mean += v
                    n += 1
            if n == before or n == 0 or _ == rounds:
                break
            before = n
            mean /= n
            for i in range(n):
                square += (kept[i] - mean) ** 2
            spread = np.sqrt(square / n)
            kept[:n].sort()
            centre = _middle(kept, n)
            low, high = max(low, centre - kappa * spread), min(high, centre + kappa * spread)
        total, weight, noise, n = 0.0, 0.0, 0.0, 0
        for k in range(values.shape[0]):
            v = values[k, p]
            if np.isfinite(v) and low <= v <= high:
                total += weights[k] * v
                weight += weights[k]
                noise += weights[k] * weights[k] * variances[k, p]
                n += 1
        if weight > 0:
            value[p] = total / weight
            variance[p] = noise / (weight * weight)
            count[p] = n
