"""Pure mathematics of the camera: directions, pixels, rotations and the mapping between frames.

Conventions
-----------
Pixel (0, 0) is the centre of the first pixel of the visible mosaic; x runs right, y down.
Camera axes: x right, y down, z forward.  Angles are radians.

The lens model is the radial-tangential one of Brown (1966), written as in most camera
calibration libraries: with tangent-plane coordinates ``a = X/Z``, ``b = Y/Z``, ``r² = a² + b²``::

    a' = a (1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 a b + p2 (r² + 2 a²)
    b' = b (1 + k1 r² + k2 r⁴ + k3 r⁶) + p1 (r² + 2 b²) + 2 p2 a b
    u  = cx + f a',   v = cy + f b'

Before the lens lies the air: refraction lifts a direction d towards the zenith z by R₀ tan ζ (the
classical first term; common practice), that is d' ∝ d + R₀ z / (d·z).  It stays with the camera
while the sky turns, like the lens's own bending, and is kept with it.

Beyond ``r_max`` the radial polynomial is continued by its tangent, so that the mapping stays
monotone and defined outside the picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

REFRACTION = np.radians(1.02 / 60)
"""R₀ at sea level, 1010 hPa and 10 °C (Saemundsson 1986, as given in Meeus, chapter 16)."""
_LOWEST = 0.05
"""Sine of the altitude below which refraction is no longer followed."""

#: The radial slope d(r')/dr at which the polynomial is no longer followed.
_LEAST_SLOPE = 0.25


@dataclass(frozen=True)
class Lens:
    """A lens: focal length and centre in px, dimensionless distortion, reach in tangent units.

    ``air`` is the refraction constant R₀ in radians, 0 for none, and ``zenith`` the unit vector
    upwards in camera axes.
    """

    f: float
    cx: float
    cy: float
    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    r_max: float = np.inf
    air: float = 0.0
    zenith: tuple[float, float, float] = (0.0, -1.0, 0.0)

    @property
    def packed(self) -> Array:
        """The lens as a vector (13,) in the order of the fields, as the kernels index it."""
        bending = (self.k1, self.k2, self.k3, self.p1, self.p2, self.r_max)
        return np.array([self.f, self.cx, self.cy, *bending, self.air, *self.zenith])


def reaching(lens: Lens, width: int, height: int, margin: float = 1.1) -> Lens:
    """The same lens with ``r_max`` set for a picture of this size.

    The reach is where the picture's farthest corner (times ``margin``) lies, or where the radial
    polynomial becomes too flat to be inverted, whichever comes first.
    """
    corner = margin * np.hypot(max(lens.cx, width - lens.cx), max(lens.cy, height - lens.cy))
    r = np.linspace(0.0, 4.0, 4001)
    r2 = r * r
    radius = r * (1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3)))
    slope = 1 + r2 * (3 * lens.k1 + r2 * (5 * lens.k2 + r2 * 7 * lens.k3))
    beyond = (slope < _LEAST_SLOPE) | (radius * lens.f > corner)
    reach = r[max(int(np.argmax(beyond)) - 1, 1)] if beyond.any() else r[-1]
    return replace(lens, r_max=float(reach))


@numba.njit(cache=True, inline="always")
def _radial(lens: Array, r2: float) -> tuple[float, float]:
    """r'/r and d(r')/dr at tangent radius √r2."""
    if r2 <= lens[8] * lens[8]:
        scale = 1 + r2 * (lens[3] + r2 * (lens[4] + r2 * lens[5]))
        slope = 1 + r2 * (3 * lens[3] + r2 * (5 * lens[4] + r2 * 7 * lens[5]))
        return scale, slope
    m2 = lens[8] * lens[8]
    scale_m = 1 + m2 * (lens[3] + m2 * (lens[4] + m2 * lens[5]))
    slope_m = 1 + m2 * (3 * lens[3] + m2 * (5 * lens[4] + m2 * 7 * lens[5]))
    r = np.sqrt(r2)
    return (scale_m * lens[8] + slope_m * (r - lens[8])) / r, slope_m


@numba.njit(cache=True)
def project_one(lens: Array, x: float, y: float, z: float) -> tuple[float, float]:
    """Pixel (u, v) of the direction (x, y, z); NaN behind the camera."""
    if lens[9] > 0:
        n = np.sqrt(x * x + y * y + z * z)
        x, y, z = x / n, y / n, z / n
        lift = lens[9] / max(x * lens[10] + y * lens[11] + z * lens[12], _LOWEST)
        x, y, z = x + lift * lens[10], y + lift * lens[11], z + lift * lens[12]
    if z <= 1e-6:
        return np.nan, np.nan
    a = x / z
    b = y / z
    r2 = a * a + b * b
    scale, _ = _radial(lens, r2)
    p1 = lens[6]
    p2 = lens[7]
    u = lens[1] + lens[0] * (a * scale + 2 * p1 * a * b + p2 * (r2 + 2 * a * a))
    v = lens[2] + lens[0] * (b * scale + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b)
    return u, v


@numba.njit(cache=True)
def unproject_one(lens: Array, u: float, v: float) -> tuple[float, float, float]:
    """Unit direction seen at pixel (u, v): Newton's method on the lens equations."""
    ta = (u - lens[1]) / lens[0]
    tb = (v - lens[2]) / lens[0]
    p1 = lens[6]
    p2 = lens[7]
    a = ta
    b = tb
    for _ in range(30):
        r2 = a * a + b * b
        scale, slope = _radial(lens, r2)
        fa = a * scale + 2 * p1 * a * b + p2 * (r2 + 2 * a * a) - ta
        fb = b * scale + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b - tb
        if fa * fa + fb * fb < 1e-26:
            break
        q = (slope - scale) / r2 if r2 > 0 else 0.0
        jaa = scale + q * a * a + 2 * p1 * b + 6 * p2 * a
        jab = q * a * b + 2 * p1 * a + 2 * p2 * b
        jbb = scale + q * b * b + 6 * p1 * b + 2 * p2 * a
        det = jaa * jbb - jab * jab
        if det == 0:
            break
        a -= (jbb * fa - jab * fb) / det
        b -= (jaa * fb - jab * fa) / det
    n = 1 / np.sqrt(a * a + b * b + 1)
    if lens[9] > 0:
        x, y, z = _without_air(lens, a * n, b * n, n)
        return x, y, z
    return a * n, b * n, n


@numba.njit(cache=True)
def _without_air(lens: Array, x: float, y: float, z: float) -> tuple[float, float, float]:
    """True direction of an apparent one: d = μ d' - (R₀/(d·z)) z, by iteration on d·z."""
    along = x * lens[10] + y * lens[11] + z * lens[12]
    sine = along
    lift = 0.0
    size = 1.0
    for _ in range(40):
        lift = lens[9] / max(sine, _LOWEST)
        size = lift * along + np.sqrt(1 - lift * lift * (1 - along * along))
        fresh = size * along - lift
        if abs(fresh - sine) < 1e-15:
            break
        sine = fresh
    x, y, z = size * x, size * y, size * z
    return x - lift * lens[10], y - lift * lens[11], z - lift * lens[12]


@numba.njit(cache=True, nogil=True)
def _project_many(lens: Array, directions: Array, out: Array) -> None:
    for i in range(directions.shape[0]):
        out[i, 0], out[i, 1] = project_one(
            lens, directions[i, 0], directions[i, 1], directions[i, 2]
        )


@numba.njit(cache=True, nogil=True)
def _unproject_many(lens: Array, xy: Array, out: Array) -> None:
    for i in range(xy.shape[0]):
        out[i, 0], out[i, 1], out[i, 2] = unproject_one(lens, xy[i, 0], xy[i, 1])


def _rows(values: Any, columns: int) -> tuple[Array, tuple[int, ...]]:
    array = np.asarray(values, dtype=np.float64)
    if array.shape[-1:] != (columns,):
        raise ValueError(f"expected an array of shape (…, {columns}), got {array.shape}")
    return np.ascontiguousarray(array.reshape(-1, columns)), array.shape[:-1]


def project(lens: Lens, directions: Any) -> Array:
    """Pixels (…, 2) as x, y of directions (…, 3) in camera axes; NaN behind the camera."""
    rows, shape = _rows(directions, 3)
    out = np.empty((len(rows), 2))
    _project_many(lens.packed, rows, out)
    return out.reshape(*shape, 2)


def unproject(lens: Lens, xy: Any) -> Array:
    """Unit directions (…, 3) in camera axes of pixels (…, 2); inverse of :func:`project`."""
    rows, shape = _rows(xy, 2)
    out = np.empty((len(rows), 3))
    _unproject_many(lens.packed, rows, out)
    return out.reshape(*shape, 3)


@dataclass(frozen=True)
class Mapping:
    """Where a place of the reference grid lies in a frame, and back.

    Pixel → direction through ``reference``; direction in the frame's axes = ``matrix`` ·
    direction; → pixel through ``frame``.  With two distortion-free lenses and a general matrix it
    is a homography, so that the plane transforms are the same object.
    """

    reference: Lens
    frame: Lens
    matrix: Array

    def from_reference(self, xy: Any) -> Array:
        """Frame pixels (…, 2) of reference pixels (…, 2)."""
        return project(self.frame, unproject(self.reference, xy) @ self.matrix.T)

    def to_reference(self, xy: Any) -> Array:
        """Reference pixels (…, 2) of frame pixels (…, 2)."""
        inverse = np.linalg.inv(self.matrix)
        return project(self.reference, unproject(self.frame, xy) @ inverse.T)


def plane_mapping(matrix: Any) -> Mapping:
    """A mapping from a homography (3, 3) that takes reference pixels to frame pixels."""
    plane = Lens(1.0, 0.0, 0.0)
    return Mapping(plane, plane, np.asarray(matrix, dtype=np.float64))


def rotation(vector: Any) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,) in radians (Rodrigues' formula)."""
    v = np.asarray(vector, dtype=np.float64)
    angle = float(np.sqrt(np.sum(v * v)))
    k = np.array([[0, -v[2], v[1]], [v[2], 0, -v[0]], [-v[1], v[0], 0]])
    if angle < 1e-9:
        return np.asarray(np.eye(3) + k + 0.5 * (k @ k))
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * k + (1 - np.cos(angle)) / angle**2 * (k @ k)
    )


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
