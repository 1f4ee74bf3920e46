"""Linearised observations and normal equations of a bundle: cameras dense, stars apart (Triggs et
al. 2000, section 6).

Unknowns in this order: the lens, a few for each frame, a few more that belong to no observation.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from stackkit.arrays import Array, Index
from stackkit.geometry.jacobians import COUNT, jacobians_at
from stackkit.geometry.lens import project_one
from stackkit.jit import jit

_HUBER = 2.0
"""Error, in standard deviations, above which an observation is downweighted (Huber 1981)."""
_LOST = 1e3
"""Error, in standard deviations, of what a lens cannot see at all."""


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


@jit
def linearise(frame, star, xy, sigma, lenses, shared, tilts, turns, directions, across, *out):  # type: ignore[no-untyped-def]
    """Each observation's error over its sigma, its part of the cost, and its derivatives by lens,
    frame, star and direction, all weighted by the root of Huber's weight.
    """
    error, huber, by_lens, by_frame, by_star, by_ray = out
    ray, own = np.empty(3), np.empty((2, 3))
    for m in range(len(frame)):
        k, s = frame[m], star[m]
        _times(turns[k], directions[s], ray)
        u, v = project_one(lenses[k], ray[0], ray[1], ray[2])
        ex, ey = (u - xy[m, 0]) / sigma[m], (v - xy[m, 1]) / sigma[m]
        lost = not (np.isfinite(ex) and np.isfinite(ey))
        if lost:  # outside the lens's view: no information, but a penalty
            ex, ey = _LOST, _LOST
            ray[0], ray[1], ray[2] = 0.0, 0.0, 1.0
        size = np.sqrt(ex * ex + ey * ey)
        far = size > _HUBER
        huber[m] = 2 * _HUBER * size - _HUBER**2 if far else size**2
        root = 0.0 if lost else np.sqrt(_HUBER / size) if far else 1.0
        error[m, 0], error[m, 1] = ex * root, ey * root
        jacobians_at(lenses[k], shared, ray, tilts[k], by_lens[m], own)
        scale = root / sigma[m]
        for i in range(2):
            for j in range(COUNT):
                by_lens[m, i, j] *= scale
            x, y, z = scale * own[i, 0], scale * own[i, 1], scale * own[i, 2]
            by_frame[m, i, 0] = ray[1] * z - ray[2] * y
            by_frame[m, i, 1] = ray[2] * x - ray[0] * z
            by_frame[m, i, 2] = ray[0] * y - ray[1] * x
            by_frame[m, i, 3] = by_lens[m, i, 0]
            by_star[m, i, 0], by_star[m, i, 1] = 0.0, 0.0
            for j in range(3):
                to = x * turns[k, 0, j] + y * turns[k, 1, j] + z * turns[k, 2, j]
                by_ray[m, i, j] = to
                by_star[m, i, 0] += to * across[s, j, 0]
                by_star[m, i, 1] += to * across[s, j, 1]


@jit
def _times(matrix, vector, out):  # type: ignore[no-untyped-def]
    for i in range(3):
        out[i] = matrix[i, 0] * vector[0] + matrix[i, 1] * vector[1] + matrix[i, 2] * vector[2]


@jit
def pool_rays(frame, star, rays, turns, information, mean, told, off):  # type: ignore[no-untyped-def]
    """Each star's mean ray, its frames' summed information, and the weighted residual of the mean.

    Rays that a lens cannot see, NaN, do not count.
    """
    ray, left = np.empty(3), np.empty(3)
    for m in range(len(frame)):
        _times(turns[frame[m]].T, rays[m], ray)
        weight = information[m, 0, 0] + information[m, 1, 1] + information[m, 2, 2]
        for i in range(3):
            rays[m, i] = ray[i]
            if np.isfinite(ray[i]):
                mean[star[m], i] += weight * ray[i]
                for j in range(3):
                    told[star[m], i, j] += information[m, i, j]
    for s in range(len(mean)):
        length = np.sqrt(mean[s, 0] ** 2 + mean[s, 1] ** 2 + mean[s, 2] ** 2)
        if length > 0:
            for i in range(3):
                mean[s, i] /= length
        else:
            mean[s, 2] = 1.0
    for m in range(len(frame)):
        if np.isfinite(rays[m, 0]):
            for i in range(3):
                ray[i] = rays[m, i] - mean[star[m], i]
            _times(information[m], ray, left)
            for i in range(3):
                off[star[m], i] += left[i]
