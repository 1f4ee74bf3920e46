"""Normal equations of a bundle: cameras dense, stars apart (Triggs et al. 2000, section 6).

Unknowns in this order: the lens, a few for each frame, a few more that belong to no observation.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from stackkit.arrays import Array, Index
from stackkit.jit import jit


class Normal(NamedTuple):
    """H (P, P) and g (P,) of the cameras; per star W (S, P, 2), V (S, 2, 2) and b (S, 2)."""

    h: Array
    g: Array
    w: Array
    v: Array
    b: Array


def gathered(
    numbers: tuple[Index, Index],
    jacobians: tuple[Array, Array, Array],
    error: Array,
    counts: tuple[int, int, int],
) -> Normal:
    """Sums over observations (M,): frame and star ``numbers``, weighted derivatives by lens
    (M, 2, L), frame (M, 2, K) and star (M, 2, 2), weighted ``error`` (M, 2); ``counts`` of frames,
    stars and further unknowns.
    """
    frames, stars, extra = counts
    lens, own = jacobians[0].shape[2], jacobians[1].shape[2]
    total = lens + own * frames + extra
    parts = Normal(
        np.zeros((total, total)),
        np.zeros(total),
        np.zeros((stars, total, 2)),
        np.zeros((stars, 2, 2)),
        np.zeros((stars, 2)),
    )
    _gather(*numbers, *jacobians, error, *parts)
    low = np.tril_indices(total, -1)
    parts.h[low] = parts.h.T[low]
    return parts


@jit
def _gather(frame, star, by_lens, by_frame, by_star, error, h, g, w, v, b):  # type: ignore[no-untyped-def]
    lens, own = by_lens.shape[2], by_frame.shape[2]
    for m in range(len(frame)):
        at, s = lens + own * frame[m], star[m]
        for axis in range(2):
            e = error[m, axis]
            o, f, d = by_lens[m, axis], by_frame[m, axis], by_star[m, axis]
            for i in range(lens):
                for j in range(i, lens):
                    h[i, j] += o[i] * o[j]
                for j in range(own):
                    h[i, at + j] += o[i] * f[j]
                g[i] += o[i] * e
                w[s, i, 0] += o[i] * d[0]
                w[s, i, 1] += o[i] * d[1]
            for i in range(own):
                for j in range(i, own):
                    h[at + i, at + j] += f[i] * f[j]
                g[at + i] += f[i] * e
                w[s, at + i, 0] += f[i] * d[0]
                w[s, at + i, 1] += f[i] * d[1]
            for i in range(2):
                b[s, i] += d[i] * e
                v[s, i, 0] += d[i] * d[0]
                v[s, i, 1] += d[i] * d[1]


def summed(number: Index, values: Array, count: int) -> Array:
    """Sums (count, …) of values (M, …) by number (M,)."""
    flat = values.reshape(len(values), -1)
    columns = [np.bincount(number, column, count) for column in flat.T]
    return np.asarray(np.stack(columns, axis=1).reshape(count, *values.shape[1:]), np.float64)


def reduced(normal: Normal, damping: float) -> tuple[Array, Array]:
    """H and g without the stars (Schur complement), damped after Marquardt."""
    trace = np.einsum("sii->s", normal.v)[:, None, None]
    inverse = np.linalg.inv(normal.v + np.eye(2) * (damping * trace + 1e-9))
    count = len(normal.g)
    w = normal.w.transpose(1, 0, 2).reshape(count, -1)
    carried = (normal.w @ inverse).transpose(1, 0, 2).reshape(count, -1)
    h = normal.h - carried @ w.T
    h[np.arange(count), np.arange(count)] += damping * np.diag(normal.h)
    return h, normal.g - carried @ normal.b.ravel()
