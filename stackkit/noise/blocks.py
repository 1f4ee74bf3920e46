"""Statistics of small blocks of two frames for photon transfer, all from plain means.

A block is 16 × 32 px: small, so that there are blocks with few stars in the crowd.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Plane
from stackkit.jit import jit

_ROWS, _COLUMNS = 16, 32
LAGS = np.array(
    [
        *[(0, 1), (1, 0), (1, 1), (1, -1), (0, 2), (2, 0)],
        *[(1, 2), (1, -2), (2, 1), (2, -1), (2, 2), (2, -2)],
    ]
)
"""Neighbours (rows, columns) whose covariance is measured: half of those within 2 px."""
_SITES = np.array([(0, 0), (0, 1), (1, 0), (1, 1)])
OTHER = np.array([[2 * ((y + j) % 2) + (x + i) % 2 for j, i in LAGS] for y, x in _SITES])
"""The site (of the four of a Bayer cell) that the neighbour of each site belongs to."""
OWN = np.arange(4)[:, None] == OTHER
_SPIKE = 6.0
"""Standard deviations from which on a lone sample of the difference does not count."""
_ENOUGH = 5000
"""Blocks of a pair that suffice: of larger frames every second, third … is taken."""
_SPLIT = 4
"""The field is cut into 4×4 parts; left out in turn, they give the uncertainty (jackknife)."""


@dataclass(frozen=True)
class Blocks:
    """Figures of (n, 4) blocks and sites, of a single sample: ``freedom``, ``signal``, ``scatter``
    (variance within the block of the mean of both frames), ``variance`` and covariances with the
    neighbours (n, 4, lags) from the difference; ``group`` (n,) is the part of the field.
    """

    freedom: Array
    signal: Array
    scatter: Array
    variance: Array
    covariance: Array
    group: NDArray[np.int64]


def measure_blocks(
    pairs: Sequence[tuple[Plane, Plane]], clip: float, each: Callable[..., Iterable[Any]] = map
) -> Blocks:
    """The usable blocks of all pairs, one after the other; ``each`` maps, maybe in parallel."""

    def of_pair(pair: tuple[Plane, Plane]) -> tuple[Array, NDArray[np.int64]]:
        a, b = pair
        rows, columns = a.shape[0] // _ROWS, a.shape[1] // _COLUMNS
        chosen = np.arange(0, rows * columns, max(rows * columns // _ENOUGH, 1))
        found = np.empty((len(chosen), 4, 4 + len(LAGS)))
        usable = np.zeros(len(chosen), dtype=bool)
        _measure(a, b, clip, LAGS, OTHER, chosen, found, usable)
        part = _SPLIT * (np.arange(rows) * _SPLIT // max(rows, 1))[:, None]
        part = part + np.arange(columns) * _SPLIT // max(columns, 1)
        return found[usable], part.ravel()[chosen][usable]

    none = np.empty((0, 4, 4 + len(LAGS))), np.empty(0, dtype=np.int64)
    figures, groups = zip(none, *each(of_pair, pairs), strict=True)
    every = np.concatenate(figures)
    parts = (every[:, :, 0], every[:, :, 1], every[:, :, 2], every[:, :, 3], every[:, :, 4:])
    return Blocks(*parts, np.concatenate(groups))


@jit
def _measure(a, b, clip, lags, other, chosen, found, usable):  # type: ignore[no-untyped-def]
    """Fill in the figures of each block ``chosen`` (n, 4, 4 + lags) and whether it can be used."""
    across = a.shape[1] // 32
    shape = (_ROWS, _COLUMNS)
    d, s, v = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for k in range(len(usable)):
        top, left = chosen[k] // across * _ROWS, chosen[k] % across * _COLUMNS
        usable[k] = _take(a[top:, left:], b[top:, left:], clip, d, s, v)
        if usable[k]:
            _moments(d, s, v, found[k])
            if _drop_spikes(d, s, v, found[k]):
                _moments(d, s, v, found[k])
            _products(d, v, lags, other, found[k])


@jit
def _take(a, b, clip, d, s, v):  # type: ignore[no-untyped-def]
    """Difference, mean and presence of a block's samples; false if clipped or much is missing."""
    there = 0
    for y in range(_ROWS):
        for x in range(_COLUMNS):
            if a[y, x] >= clip or b[y, x] >= clip:
                return False
            good = np.isfinite(a[y, x]) and np.isfinite(b[y, x])
            d[y, x] = a[y, x] - b[y, x] if good else 0.0
            s[y, x] = 0.5 * (a[y, x] + b[y, x]) if good else 0.0
            v[y, x] = 1.0 if good else 0.0
            there += good
    return there >= 480


@jit
def _moments(d, s, v, figures):  # type: ignore[no-untyped-def]
    """Freedom, signal, scatter and variance of each site; ``d`` is left without its means.

    The mean of every row of a site is taken out: a row's own offset is not the sample's noise, and
    the sky may have changed.  From the scatter, a slope along the rows is taken out as well.
    """
    for site in range(4):
        count, total, freedom, scatter, variance = 0.0, 0.0, 0.0, 0.0, 0.0
        leaning, lever = 0.0, 0.0
        for y in range(site // 2, _ROWS, 2):
            n, mean_d, mean_s = 0.0, 0.0, 0.0
            for x in range(site % 2, _COLUMNS, 2):
                n += v[y, x]
                mean_d += d[y, x]
                mean_s += s[y, x]
            count += n
            total += mean_s
            n = max(n, 1.0)
            freedom += n - 1
            for x in range(site % 2, _COLUMNS, 2):
                out = (s[y, x] - mean_s / n) * v[y, x]
                across = (x - 0.5 * _COLUMNS) * v[y, x]
                d[y, x] = (d[y, x] - mean_d / n) * v[y, x]
                variance += d[y, x] ** 2
                scatter += out**2
                leaning += out * across
                lever += across**2
        figures[site, 0] = freedom
        figures[site, 1] = total / count
        figures[site, 2] = (scatter - leaning**2 / lever) / (freedom - 1)
        figures[site, 3] = 0.5 * variance / freedom


@jit
def _drop_spikes(d, s, v, figures):  # type: ignore[no-untyped-def]
    """Mark as missing what stands out alone, flickering pixels and cosmic rays; true if any did.

    A star's neighbours stand out with it.  Of Gaussian noise not one in 10⁷ goes.
    """
    found = False
    for y in range(_ROWS):
        for x in range(_COLUMNS):
            out = abs(d[y, x])
            sigma = np.sqrt(2 * figures[2 * (y & 1) + (x & 1), 3])
            if out <= _SPIKE * sigma:
                continue
            sign = 1.0 if d[y, x] > 0 else -1.0
            beside = 0.0
            for j in range(max(y - 1, 0), min(y + 2, _ROWS)):
                for i in range(max(x - 1, 0), min(x + 2, _COLUMNS)):
                    if j != y or i != x:
                        beside = max(beside, sign * d[j, i])
            if beside < 0.15 * out:
                d[y, x], s[y, x], v[y, x] = 0.0, 0.0, 0.0
                found = True
    return found


@jit
def _products(d, v, lags, other, figures):  # type: ignore[no-untyped-def]
    """Covariance of each site's samples with their neighbours within the block, both ways.

    Without the row's mean, samples of one row and site (16) are correlated by -1/16 of the variance
    even when they are white; that is made good.
    """
    for lag in range(len(lags)):
        j, i = lags[lag]
        total, count = np.zeros(4), np.zeros(4)
        for y in range(_ROWS - j):
            for first in range(2):
                site = 2 * (y & 1) + first
                t, n = 0.0, 0.0
                for x in range(first + (2 if first + i < 0 else 0), min(_COLUMNS, _COLUMNS - i), 2):
                    t += d[y, x] * d[y + j, x + i]
                    n += v[y, x] * v[y + j, x + i]
                total[site] += t
                count[site] += n
                if other[site, lag] != site:
                    total[other[site, lag]] += t
                    count[other[site, lag]] += n
        for site in range(4):
            mean = 0.5 * total[site] / max(count[site], 1.0)
            shared = (
                figures[site, 3] / (_COLUMNS // 2) if j == 0 and other[site, lag] == site else 0.0
            )
            figures[site, 4 + lag] = mean + shared
