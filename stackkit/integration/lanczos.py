"""Lanczos weights (a = 3, six samples, their sum divided out) as polynomials, row by row.

Around the middle between two samples the weights of a sample and of its mirror image have the same
even part and opposite odd ones: ten coefficients give two weights, to 5e-7.
"""

from __future__ import annotations

import numpy as np

from stackkit.arrays import Array, Plane
from stackkit.jit import FAST, jit

_TERMS = 5
"""Coefficients of each part: powers 0, 2 … 8 and 1, 3 … 9."""


def exact(t: Array) -> Array:
    """Weights (…, 6) of the samples at -2 … 3 for places 0 ≤ t ≤ 1."""
    x = np.asarray(t)[..., None] - np.arange(-2, 4)
    weights = np.sinc(x) * np.sinc(x / 3)
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))


def _fitted() -> tuple[Plane, Plane]:
    """Even and odd coefficients (3, 5) of the first three weights in powers of t - 1/2."""
    # Chebyshev's points keep the greatest error small.
    z = 0.5 * np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    weights = exact(z + 0.5)
    mirrored = weights[:, :2:-1]
    even = np.linalg.lstsq(
        z[:, None] ** (2 * np.arange(_TERMS)), (weights[:, :3] + mirrored) / 2, rcond=None
    )[0]
    odd = np.linalg.lstsq(
        z[:, None] ** (2 * np.arange(_TERMS) + 1), (weights[:, :3] - mirrored) / 2, rcond=None
    )[0]
    return even.T.astype(np.float32), odd.T.astype(np.float32)


_EVEN, _ODD = _fitted()


@jit(fastmath=FAST)
def weights_of_row(t, weights):  # type: ignore[no-untyped-def]
    """Weights (6, n) of the samples at -2 … 3 for places ``t`` (n,) from 0 to 1."""
    for a in range(3):
        e0, e1, e2, e3, e4 = _EVEN[a, 0], _EVEN[a, 1], _EVEN[a, 2], _EVEN[a, 3], _EVEN[a, 4]
        o0, o1, o2, o3, o4 = _ODD[a, 0], _ODD[a, 1], _ODD[a, 2], _ODD[a, 3], _ODD[a, 4]
        for x in range(len(t)):
            z = t[x] - np.float32(0.5)
            q = z * z
            even = e0 + q * (e1 + q * (e2 + q * (e3 + q * e4)))
            odd = z * (o0 + q * (o1 + q * (o2 + q * (o3 + q * o4))))
            weights[a, x] = even + odd
            weights[5 - a, x] = even - odd
