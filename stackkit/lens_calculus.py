"""How a star's pixel follows from lens, air and direction: derivatives and steps of the lens.

The lens's unknowns, in this order: log f; cx and cy as shares of f; k1, k2, k3; p1, p2; the
zenith, which moves along two unit vectors across it (radians); log of the refraction constant.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stackkit.geometry import AIR, LOWEST, Array, Lens, Projection, reaching

UNKNOWNS = ("f", "cx", "cy", "k1", "k2", "k3", "p1", "p2", "zenith_a", "zenith_b", "air")
COUNT = len(UNKNOWNS)
BENDING = ("k1", "k2", "k3", "p1", "p2")
_LONGEST = 0.3
"""Step of log f and of the zenith that is taken at once."""


def tangents(directions: Array) -> Array:
    """Two unit vectors across each direction (S, 3), as columns (S, 3, 2).

    Written out: three quarters of the time went into ``np.cross`` otherwise.
    """
    x, y, z = directions[:, 0], directions[:, 1], directions[:, 2]
    upright = np.abs(x) < 0.8  # across the x axis, else across the y axis
    zero = np.zeros_like(x)
    one = np.stack(
        [np.where(upright, zero, -z), np.where(upright, z, zero), np.where(upright, -y, x)]
    )
    one /= np.sqrt(np.sum(one * one, axis=0))
    a, b, c = one
    other = [y * c - z * b, z * a - x * c, x * b - y * a]
    return np.stack([one.T, np.stack(other, axis=1)], axis=2)


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


def _fallen(lens: Lens, x: Array, y: Array, z: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Projected a, b (M,), and g, q, s with ∂a/∂(x, y, z) = (g + q x², q x y, -s x), b alike."""
    if lens.projection == Projection.RECTILINEAR:
        g = 1 / z
        return x * g, y * g, g, np.zeros_like(g), g * g
    h2 = np.maximum(x * x + y * y, 1e-14)
    h, n2 = np.sqrt(h2), h2 + z * z
    angle = np.arctan2(h, z)
    if lens.projection == Projection.STEREOGRAPHIC:
        radius, slope = 2 * np.tan(angle / 2), 1 / np.cos(angle / 2) ** 2
    elif lens.projection == Projection.EQUIDISTANT:
        radius, slope = angle, np.ones_like(angle)
    else:
        radius, slope = 2 * np.sin(angle / 2), np.cos(angle / 2)
    g = radius / h
    return x * g, y * g, g, (slope * z / n2 - g) / h2, slope / n2


def pixel_jacobians(
    lens: Lens, directions: Array, focal: Array, zeniths: Array, tilts: Array
) -> tuple[Array, Array]:
    """∂(u, v)/∂unknowns (M, 2, 11) and ∂(u, v)/∂direction (M, 2, 3) of unit directions (M, 3).

    ``focal`` (M,) and ``zeniths`` (M, 3) are those of each direction's frame, ``tilts`` (M, 3, 2)
    the ways in which its zenith moves.
    """
    sine = np.maximum(np.sum(directions * zeniths, axis=1), LOWEST)[:, None]
    lift = 1 / (sine + AIR[0] / (sine + AIR[1]))
    x, y, z = (directions + lens.air * lift * zeniths).T
    a, b, g, q, s = _fallen(lens, x, y, z)
    r2 = a * a + b * b
    r4 = np.minimum(r2, lens.r_max**2)
    radial = 1 + r4 * (lens.k1 + r4 * (lens.k2 + r4 * lens.k3))
    bend = lens.k1 + r4 * (2 * lens.k2 + r4 * 3 * lens.k3)
    aa = radial + 2 * a * a * bend + 2 * lens.p1 * b + 6 * lens.p2 * a
    ab = 2 * a * b * bend + 2 * lens.p1 * a + 2 * lens.p2 * b
    bb = radial + 2 * b * b * bend + 6 * lens.p1 * b + 2 * lens.p2 * a
    ua = a * radial + 2 * lens.p1 * a * b + lens.p2 * (r2 + 2 * a * a)
    vb = b * radial + lens.p1 * (r2 + 2 * b * b) + 2 * lens.p2 * a * b
    # The centre lies in shares of the shared focal length, not of the frame's own.
    zero, one, r6 = np.zeros_like(a), lens.f / focal, r2 * r2 * r2
    cross, wide, high = 2 * a * b, r2 + 2 * a * a, r2 + 2 * b * b
    for_u = np.stack([ua, one, zero, a * r2, a * r2 * r2, a * r6, cross, wide], axis=1)
    for_v = np.stack([vb, zero, one, b * r2, b * r2 * r2, b * r6, high, cross], axis=1)
    by_lens = focal[:, None, None] * np.stack([for_u, for_v], axis=1)
    by_x = np.stack([g + q * x * x, q * x * y], axis=1)
    by_y = np.stack([q * x * y, g + q * y * y], axis=1)
    by_z = np.stack([-s * x, -s * y], axis=1)
    fall = np.stack([by_x, by_y, by_z], axis=2)
    bent = np.stack([np.stack([aa, ab], axis=1), np.stack([ab, bb], axis=1)], axis=1)
    by_lifted = focal[:, None, None] * (bent @ fall)
    steepness = lift**2 * (AIR[0] / (sine + AIR[1]) ** 2 - 1)  # d lift / d sine
    turned = np.einsum("mi,mij->mj", directions, tilts)[:, None, :]
    zenith = zeniths[:, :, None]
    lifted = tilts * lift[:, :, None] + zenith * turned * steepness[:, :, None]
    by_zenith = by_lifted @ (lens.air * lifted)
    # Refraction also presses the sky together towards the horizon.
    pressed = (by_lifted @ zenith) * (lens.air * steepness)[:, :, None]
    by_direction = by_lifted + pressed * zeniths[:, None, :]
    by_air = (by_lifted @ zenith) * (lens.air * lift)[:, :, None]
    return np.concatenate([by_lens, by_zenith, by_air], axis=2), by_direction
