"""Derivatives of a star's pixel by lens, refraction and direction, and steps of the lens.

The lens's unknowns, in this order: log f; cx and cy as shares of f; k1, k2, k3; p1, p2; the
zenith, which moves along two unit vectors across it (radians); log of the refraction constant.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stackkit.arrays import Array
from stackkit.geometry.lens import (
    AIR,
    K1,
    K2,
    K3,
    KIND,
    LOWEST,
    P1,
    P2,
    R0,
    REACH,
    UP_X,
    UP_Z,
    F,
    Lens,
    reaching,
)
from stackkit.jit import jit

UNKNOWNS = ("f", "cx", "cy", "k1", "k2", "k3", "p1", "p2", "zenith_a", "zenith_b", "air")
COUNT = len(UNKNOWNS)
BENDING = ("k1", "k2", "k3", "p1", "p2")
_LONGEST = 0.3
"""Step of log f and of the zenith that is taken at once."""


def tangents(directions: Array) -> Array:
    """Two unit vectors across each direction (S, 3), as columns (S, 3, 2)."""
    out = np.empty((len(directions), 3, 2))
    _tangents(np.ascontiguousarray(directions), out)
    return out


@jit
def _tangents(directions, out):  # type: ignore[no-untyped-def]
    for i in range(len(directions)):
        x, y, z = directions[i, 0], directions[i, 1], directions[i, 2]
        # Across the x axis, or where that is near, across the y axis.
        a, b, c = (0.0, z, -y) if abs(x) < 0.8 else (-z, 0.0, x)
        n = np.sqrt(a * a + b * b + c * c)
        a, b, c = a / n, b / n, c / n
        out[i, 0, 0], out[i, 1, 0], out[i, 2, 0] = a, b, c
        out[i, 0, 1], out[i, 1, 1], out[i, 2, 1] = y * c - z * b, z * a - x * c, x * b - y * a


def away(lens: Lens, start: Lens) -> Array:
    """How far a lens is from the start, in the unknowns (11,)."""
    ratio = float(np.log(lens.f / start.f))
    centre = (lens.cx - start.cx) / start.f, (lens.cy - start.cy) / start.f
    bent = [getattr(lens, k) - getattr(start, k) for k in BENDING]
    zenith = np.array(lens.zenith)
    tilt = tangents(zenith[None])[0].T @ (zenith - np.array(start.zenith))
    thicker = float(np.log(lens.air / start.air)) if lens.air > 0 < start.air else 0.0
    return np.array([ratio, *centre, *bent, *tilt, thicker])


def moved(lens: Lens, step: Array, size: tuple[int, int]) -> Lens:
    """The lens after a step (11,) in the unknowns, its reach set anew for (width, height)."""
    zenith = np.array(lens.zenith)
    zenith = zenith + tangents(zenith[None])[0] @ np.clip(step[8:10], -_LONGEST, _LONGEST)
    zenith /= np.sqrt(np.sum(zenith**2))
    bent = [float(getattr(lens, k) + by) for k, by in zip(BENDING, step[3:8], strict=True)]
    stepped = replace(
        lens,
        f=lens.f * float(np.exp(np.clip(step[0], -_LONGEST, _LONGEST))),
        cx=float(lens.cx + lens.f * step[1]),
        cy=float(lens.cy + lens.f * step[2]),
        k1=bent[0],
        k2=bent[1],
        k3=bent[2],
        p1=bent[3],
        p2=bent[4],
        zenith=(float(zenith[0]), float(zenith[1]), float(zenith[2])),
        air=float(lens.air * np.exp(np.clip(step[10], -_LONGEST, _LONGEST))),
    )
    return reaching(stepped, *size)


@jit
def _fall(projection: float, x: float, y: float, z: float) -> tuple[float, float, float]:
    """g, q, s of a projection to (a, b) = g (x, y): ∂a/∂(x, y, z) = (g + q x², q x y, -s x)."""
    if projection == 0.0:
        return 1 / z, 0.0, 1 / (z * z)
    h2 = max(x * x + y * y, 1e-14)
    h, n2 = np.sqrt(h2), h2 + z * z
    angle = np.arctan2(h, z)
    if projection == 1.0:
        radius, slope = 2 * np.tan(angle / 2), 1 / np.cos(angle / 2) ** 2
    elif projection == 2.0:
        radius, slope = angle, 1.0
    else:
        radius, slope = 2 * np.sin(angle / 2), np.cos(angle / 2)
    g = radius / h
    return g, (slope * z / n2 - g) / h2, slope / n2


@jit
def jacobians_at(lens, shared, ray, tilts, by_lens, by_ray):  # type: ignore[no-untyped-def]
    """∂(u, v)/∂unknowns (2, 11) and ∂(u, v)/∂direction (2, 3) of a unit direction (3,), in place.

    ``lens`` (14,) is the packed one of the direction's frame, ``shared`` the focal length that all
    frames share, ``tilts`` (3, 2) the ways in which the frame's zenith moves.
    """
    f, reach = lens[F], lens[REACH]
    k1, k2, k3, p1, p2 = lens[K1], lens[K2], lens[K3], lens[P1], lens[P2]
    up, air = lens[UP_X : UP_Z + 1], lens[R0]
    sine = max(ray[0] * up[0] + ray[1] * up[1] + ray[2] * up[2], LOWEST)
    lift = 1 / (sine + AIR[0] / (sine + AIR[1]))
    x, y, z = ray[0] + air * lift * up[0], ray[1] + air * lift * up[1], ray[2] + air * lift * up[2]
    g, q, s = _fall(lens[KIND], x, y, z)
    a, b = x * g, y * g
    r2 = a * a + b * b
    r4 = min(r2, reach * reach)
    radial = 1 + r4 * (k1 + r4 * (k2 + r4 * k3))
    bend = k1 + r4 * (2 * k2 + r4 * 3 * k3)
    aa = f * (radial + 2 * a * a * bend + 2 * p1 * b + 6 * p2 * a)
    ab = f * (2 * a * b * bend + 2 * p1 * a + 2 * p2 * b)
    bb = f * (radial + 2 * b * b * bend + 6 * p1 * b + 2 * p2 * a)
    cross, wide, high = 2 * a * b, r2 + 2 * a * a, r2 + 2 * b * b
    by_lens[0, 0] = f * (a * radial + p1 * cross + p2 * wide)
    by_lens[1, 0] = f * (b * radial + p1 * high + p2 * cross)
    # The centre is in units of the shared focal length, not of the frame's own.
    by_lens[0, 1], by_lens[0, 2] = shared, 0.0
    by_lens[1, 1], by_lens[1, 2] = 0.0, shared
    power = r2
    for i in range(3, 6):
        by_lens[0, i], by_lens[1, i] = f * a * power, f * b * power
        power *= r2
    by_lens[0, 6], by_lens[1, 6] = f * cross, f * high
    by_lens[0, 7], by_lens[1, 7] = f * wide, f * cross
    ax, ay, bx, by = g + q * x * x, q * x * y, q * x * y, g + q * y * y
    by_ray[0, 0], by_ray[1, 0] = aa * ax + ab * bx, ab * ax + bb * bx
    by_ray[0, 1], by_ray[1, 1] = aa * ay + ab * by, ab * ay + bb * by
    by_ray[0, 2], by_ray[1, 2] = -s * (aa * x + ab * y), -s * (ab * x + bb * y)
    steepness = lift**2 * (AIR[0] / (sine + AIR[1]) ** 2 - 1)  # d lift / d sine
    for i in range(2):
        upward = by_ray[i, 0] * up[0] + by_ray[i, 1] * up[1] + by_ray[i, 2] * up[2]
        for j in range(2):
            raised = ray[0] * tilts[0, j] + ray[1] * tilts[1, j] + ray[2] * tilts[2, j]
            sideways = 0.0
            for n in range(3):
                sideways += by_ray[i, n] * tilts[n, j]
            by_lens[i, 8 + j] = air * (lift * sideways + steepness * raised * upward)
        by_lens[i, 10] = air * lift * upward
        # Refraction also compresses the sky towards the horizon.
        for n in range(3):
            by_ray[i, n] += air * steepness * upward * up[n]


@jit
def _jacobians(lens, shared, rays, tilts, by_lens, by_ray):  # type: ignore[no-untyped-def]
    for m in range(len(rays)):
        jacobians_at(lens, shared, rays[m], tilts, by_lens[m], by_ray[m])


def pixel_jacobians(
    lens: Lens, shared: float, tilts: Array, directions: Array
) -> tuple[Array, Array]:
    """∂(u, v)/∂unknowns (M, 2, 11) and ∂(u, v)/∂direction (M, 2, 3) of unit directions (M, 3).

    ``lens`` is that of the frame, ``shared`` the focal length that all frames share, ``tilts``
    (3, 2) the ways in which the zenith moves.
    """
    by_lens, by_ray = np.empty((len(directions), 2, COUNT)), np.empty((len(directions), 2, 3))
    rays, tilts = np.ascontiguousarray(directions), np.ascontiguousarray(tilts)
    _jacobians(lens.packed, shared, rays, tilts, by_lens, by_ray)
    return by_lens, by_ray
