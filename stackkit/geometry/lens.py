"""Pure mathematics of the camera: directions, pixels, rotations and the mapping between frames.

Conventions
-----------
Pixel (0, 0) is the centre of the first pixel of the visible mosaic; x runs right, y down.
Camera axes: x right, y down, z forward.  Angles are radians.

A lens first projects: a ray at the angle θ from the axis goes to the radius r(θ), with r = tan θ
(rectilinear), 2 tan(θ/2) (stereographic), θ (equidistant) or 2 sin(θ/2) (equisolid): the
projections of Kannala & Brandt (2006), section 2.  Then it bends, by the radial-tangential model of
Brown (1966), written as in most camera calibration libraries: with ``a = r(θ) X/√(X² + Y²)``, ``b``
alike (for a rectilinear lens X/Z and Y/Z) and ``r² = a² + b²``::

    a' = a (1 + k1 r² + k2 r⁴ + k3 r⁶) + 2 p1 a b + p2 (r² + 2 a²)
    b' = b (1 + k1 r² + k2 r⁴ + k3 r⁶) + p1 (r² + 2 b²) + 2 p2 a b
    u  = cx + f a',   v = cy + f b'

Refraction by the air lifts a direction d towards the zenith z, d' ∝ d + R₀ z / D
with D = c + κ / (c + λ) and c = d·z: a continued fraction whose first term is the classical
R₀ tan ζ.  Fitted to Saemundsson's formula (1986; Meeus, chapter 16), it agrees within 0.01′ down to
the horizon.  Refraction stays with the camera while the sky turns, like the lens's own distortion,
and is part of the lens here.

Beyond ``r_max`` the radial polynomial is continued by its tangent, so that the mapping stays
monotone and defined outside the picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array
from stackkit.jit import jit

SIDEREAL = 2 * np.pi / 86164.0905
"""Rate of sky rotation, rad/s (IAU)."""
REFRACTION = np.radians(1.0189 / 60)
"""R₀ at sea level, 1010 hPa and 10 °C."""
AIR = (0.003126, 0.0889)
"""κ and λ, by which the finite thickness of the air lessens refraction near the horizon."""
LOWEST = -0.01
"""Sine of the altitude below which refraction no longer grows."""

_ALL_ROUND = 3.1
"""Angle from the axis, rad, up to which a fisheye is followed."""

#: The radial slope d(r')/dr at which the polynomial is no longer followed.
_LEAST_SLOPE = 0.25


class Projection(StrEnum):
    """How the angle from the axis becomes a radius, before the lens bends it further."""

    RECTILINEAR = "rectilinear"
    STEREOGRAPHIC = "stereographic"
    EQUIDISTANT = "equidistant"
    EQUISOLID = "equisolid"


_NUMBER = {projection: float(n) for n, projection in enumerate(Projection)}
#: Radius beyond which no ray falls: θ = π for the equidistant and the equisolid projection.
_WIDEST = (4.0, 4.0, 3.1, 1.99)


F, CX, CY, K1, K2, K3, P1, P2, REACH, R0, UP_X, UP_Y, UP_Z, KIND = range(14)
"""Indices of the numbers in a packed lens, as the compiled loops take it."""


@dataclass(frozen=True)
class Lens:
    """A lens: focal length and centre in px, dimensionless distortion, reach in units of r(θ).

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
    projection: Projection = Projection.RECTILINEAR

    @property
    def packed(self) -> Array:
        """The lens as a vector (14,) in the order of the fields, as the kernels index it."""
        bending = (self.k1, self.k2, self.k3, self.p1, self.p2, self.r_max)
        air = (self.air, *self.zenith)
        return np.array([self.f, self.cx, self.cy, *bending, *air, _NUMBER[self.projection]])


def reaching(lens: Lens, width: int, height: int, margin: float = 1.1) -> Lens:
    """The same lens with ``r_max`` set for a picture of this size.

    The reach is where the picture's farthest corner (times ``margin``) lies, or where the radial
    polynomial becomes too flat to be inverted, whichever comes first.
    """
    corner = margin * np.hypot(max(lens.cx, width - lens.cx), max(lens.cy, height - lens.cy))
    r = np.linspace(0.0, _WIDEST[int(_NUMBER[lens.projection])], 4001)
    r2 = r * r
    radius = r * (1 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3)))
    slope = 1 + r2 * (3 * lens.k1 + r2 * (5 * lens.k2 + r2 * 7 * lens.k3))
    beyond = (slope < _LEAST_SLOPE) | (radius * lens.f > corner)
    reach = r[max(int(np.argmax(beyond)) - 1, 1)] if beyond.any() else r[-1]
    return replace(lens, r_max=float(reach))


@jit(inline="always")
def _radial(lens: Array, r2: float) -> tuple[float, float]:
    """r'/r and d(r')/dr at tangent radius √r2."""
    if r2 <= lens[REACH] * lens[REACH]:
        scale = 1 + r2 * (lens[K1] + r2 * (lens[K2] + r2 * lens[K3]))
        slope = 1 + r2 * (3 * lens[K1] + r2 * (5 * lens[K2] + r2 * 7 * lens[K3]))
        return scale, slope
    m2 = lens[REACH] * lens[REACH]
    scale_m = 1 + m2 * (lens[K1] + m2 * (lens[K2] + m2 * lens[K3]))
    slope_m = 1 + m2 * (3 * lens[K1] + m2 * (5 * lens[K2] + m2 * 7 * lens[K3]))
    r = np.sqrt(r2)
    return (scale_m * lens[REACH] + slope_m * (r - lens[REACH])) / r, slope_m


@jit
def _radius(projection: float, angle: float) -> float:
    """r(θ) of the projections that are not rectilinear."""
    if projection == 1.0:
        return 2 * np.tan(angle / 2)  # type: ignore[no-any-return]
    return angle if projection == 2.0 else 2 * np.sin(angle / 2)


@jit
def _angle(projection: float, radius: float) -> float:
    """θ(r), the inverse of ``_radius``; NaN outside the circle that a fisheye fills."""
    if projection == 1.0:
        return 2 * np.arctan(radius / 2)  # type: ignore[no-any-return]
    if projection == 2.0:
        return radius if radius <= np.pi else np.nan
    return 2 * np.arcsin(radius / 2) if radius <= 2.0 else np.nan


@jit(inline="always")
def _lift(sine: float) -> float:
    """Share of the zenith vector added to a direction at that sine of the altitude, over R₀."""
    low = max(sine, LOWEST)
    return 1 / (low + AIR[0] / (low + AIR[1]))


@jit
def project_one(lens: Array, x: float, y: float, z: float) -> tuple[float, float]:
    """Pixel (u, v) of the direction (x, y, z); NaN behind the camera (fisheyes see to 180°)."""
    if lens[R0] > 0:
        n = np.sqrt(x * x + y * y + z * z)
        x, y, z = x / n, y / n, z / n
        lift = lens[R0] * _lift(x * lens[UP_X] + y * lens[UP_Y] + z * lens[UP_Z])
        x, y, z = x + lift * lens[UP_X], y + lift * lens[UP_Y], z + lift * lens[UP_Z]
    if lens[KIND] == 0.0:
        if z <= 1e-6:
            return np.nan, np.nan
        a = x / z
        b = y / z
    else:
        h = np.sqrt(x * x + y * y)
        angle = np.arctan2(h, z)
        if angle > _ALL_ROUND:
            return np.nan, np.nan
        stretch = _radius(lens[KIND], angle) / h if h > 1e-12 else 1.0
        a = stretch * x
        b = stretch * y
    r2 = a * a + b * b
    scale, _ = _radial(lens, r2)
    p1 = lens[P1]
    p2 = lens[P2]
    u = lens[CX] + lens[F] * (a * scale + 2 * p1 * a * b + p2 * (r2 + 2 * a * a))
    v = lens[CY] + lens[F] * (b * scale + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b)
    return u, v


@jit
def unproject_one(lens: Array, u: float, v: float) -> tuple[float, float, float]:
    """Unit direction seen at pixel (u, v): Newton's method on the lens equations.

    NaN outside a fisheye's circle.
    """
    ta = (u - lens[CX]) / lens[F]
    tb = (v - lens[CY]) / lens[F]
    p1 = lens[P1]
    p2 = lens[P2]
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
    if lens[KIND] == 0.0:
        n = 1 / np.sqrt(a * a + b * b + 1)
        x, y, z = a * n, b * n, n
    else:
        r = np.sqrt(a * a + b * b)
        angle = _angle(lens[KIND], r)
        n = np.sin(angle) / r if r > 1e-12 else 1.0
        x, y, z = a * n, b * n, np.cos(angle)
    if lens[R0] > 0:
        x, y, z = _without_air(lens, x, y, z)
    return x, y, z


@jit
def _without_air(lens: Array, x: float, y: float, z: float) -> tuple[float, float, float]:
    """True direction of an apparent one: d = μ d' - (R₀/D) z, by iteration on c."""
    along = x * lens[UP_X] + y * lens[UP_Y] + z * lens[UP_Z]
    sine = along
    lift = 0.0
    size = 1.0
    for _ in range(40):
        lift = lens[R0] * _lift(sine)
        size = lift * along + np.sqrt(1 - lift * lift * (1 - along * along))
        fresh = size * along - lift
        if abs(fresh - sine) < 1e-15:
            break
        sine = fresh
    x, y, z = size * x, size * y, size * z
    return x - lift * lens[UP_X], y - lift * lens[UP_Y], z - lift * lens[UP_Z]


@jit
def _project_many(lens: Array, directions: Array, out: Array) -> None:
    for i in range(directions.shape[0]):
        out[i, 0], out[i, 1] = project_one(
            lens, directions[i, 0], directions[i, 1], directions[i, 2]
        )


@jit
def _unproject_many(lens: Array, xy: Array, out: Array) -> None:
    for i in range(xy.shape[0]):
        out[i, 0], out[i, 1], out[i, 2] = unproject_one(lens, xy[i, 0], xy[i, 1])


@jit
def _project_rows(lenses: Array, which: NDArray[np.int64], directions: Array, out: Array) -> None:
    for i in range(directions.shape[0]):
        out[i, 0], out[i, 1] = project_one(
            lenses[which[i]], directions[i, 0], directions[i, 1], directions[i, 2]
        )


@jit
def _unproject_rows(lenses: Array, which: NDArray[np.int64], xy: Array, out: Array) -> None:
    for i in range(xy.shape[0]):
        out[i, 0], out[i, 1], out[i, 2] = unproject_one(lenses[which[i]], xy[i, 0], xy[i, 1])


def project_rows(lenses: Array, which: NDArray[np.int64], directions: Array) -> Array:
    """As :func:`project`, direction i (N, 3) through the packed lens ``lenses[which[i]]``."""
    out = np.empty((len(directions), 2))
    _project_rows(lenses, which, np.ascontiguousarray(directions), out)
    return out


def unproject_rows(lenses: Array, which: NDArray[np.int64], xy: Array) -> Array:
    """As :func:`unproject`, pixel i (N, 2) through the packed lens ``lenses[which[i]]``."""
    out = np.empty((len(xy), 3))
    _unproject_rows(lenses, which, np.ascontiguousarray(xy), out)
    return out


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
