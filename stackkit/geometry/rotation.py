"""Rotations as matrices, vectors and angles.

By numpy and not by ``scipy.spatial.transform``, which raises for NaN: a frame without a time has
no angle, and its NaN must pass through to where such frames are ignored.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from stackkit.arrays import Array


def rotation(vector: Any) -> Array:
    """Rotation matrices (…, 3, 3) of rotation vectors (…, 3) in radians (Rodrigues' formula)."""
    v = np.asarray(vector, dtype=np.float64)
    angle = np.sqrt(np.sum(v * v, axis=-1))[..., None, None]
    k = np.zeros((*v.shape, 3))
    k[..., 0, 1], k[..., 0, 2], k[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    k = k - np.swapaxes(k, -1, -2)
    small = angle < 1e-9
    safe = np.where(small, 1.0, angle)
    one = np.where(small, 1.0, np.sin(safe) / safe)
    two = np.where(small, 0.5, (1 - np.cos(safe)) / safe**2)
    return np.asarray(np.eye(3) + one * k + two * (k @ k))


def rotation_vector(matrix: Any) -> Array:
    """The rotation vector (…, 3) of rotation matrices (…, 3, 3) that turn by less than π."""
    m = np.asarray(matrix, dtype=np.float64)
    twice = np.stack(
        [
            m[..., 2, 1] - m[..., 1, 2],
            m[..., 0, 2] - m[..., 2, 0],
            m[..., 1, 0] - m[..., 0, 1],
        ],
        axis=-1,
    )
    sine = 0.5 * np.sqrt(np.sum(twice**2, axis=-1))
    angle = np.arctan2(sine, 0.5 * (np.trace(m, axis1=-2, axis2=-1) - 1))
    factor = np.where(sine > 1e-12, angle / np.where(sine > 1e-12, 2 * sine, 1.0), 0.5)
    return np.asarray(twice * factor[..., None])


def rotation_angle(matrix: Any) -> float:
    """Angle of a rotation matrix, radians, accurate for small angles too."""
    m = np.asarray(matrix, dtype=np.float64)
    axis = np.array([m[2, 1] - m[1, 2], m[0, 2] - m[2, 0], m[1, 0] - m[0, 1]])
    return float(np.arctan2(0.5 * np.linalg.norm(axis), 0.5 * (np.trace(m) - 1)))


def best_rotation(a: Any, b: Any) -> Array:
    """The rotation R (3, 3) that minimises Σ|R aᵢ - bᵢ|² (Kabsch 1976), a and b (N, 3)."""
    u, _, vt = np.linalg.svd(np.asarray(b).T @ np.asarray(a))
    sign = np.sign(np.linalg.det(u @ vt))
    return np.asarray(u @ np.diag([1.0, 1.0, sign]) @ vt)
