"""The session's geometry by bundle adjustment: one lens, a rotation for each frame.

Between two frames of a camera on a tripod the sky turns; the lens stays.  All matched stars of
all frames are explained together (Triggs et al. 2000): a shared lens, a rotation per frame, a
direction per star.  The star directions are eliminated (Schur complement), so that the system
solved has a few numbers per frame.  Residuals are weighted by each centroid's own uncertainty and
by Huber's function (Huber 1981); the Jacobian is analytic.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackkit.geometry import (
    REFRACTION,
    Array,
    Lens,
    Mapping,
    best_rotation,
    project,
    reaching,
    rotation,
    unproject,
)
from stackkit.raw.opcodes import LensHint

Index = NDArray[np.int64]

_PRIOR = {
    **{"f": 0.3, "cx": 0.02, "cy": 0.02, "k1": 0.3, "k2": 0.2, "p1": 0.01, "p2": 0.01},
    **{"zenith_a": 0.5, "zenith_b": 0.5},
}
"""What of lens and air is solved for, with its standard deviation before any star is seen.

f is relative; cx and cy are shares of f; the zenith moves by radians along two tangents.
"""
_LENS = len(_PRIOR)
KNOWN_FOCAL = 0.05
"""Relative standard deviation of a focal length that the file gives."""
_SYSTEMATIC = 0.02
"""Centroid error that does not fall with brightness, px (seeing, sampling)."""
_HUBER = 2.0
_ROUNDS = 40
_SETTLED = 1e-6
"""Relative fall of the cost below which the solution is taken as found."""


@dataclass(frozen=True)
class Observations:
    """Matched stars as columns (M,): frame number, star number, place (M, 2) px, its sigma px."""

    frame: Index
    star: Index
    xy: Array
    sigma: Array


@dataclass(frozen=True)
class Geometry:
    """The solution: lens, rotations (F, 3, 3) from the reference's camera axes to each frame's.

    ``residual`` (M,) px of each observation; ``focal_sigma`` the focal length's relative
    uncertainty.
    """

    lens: Lens
    rotations: Array
    residual: Array
    focal_sigma: float

    def mapping(self, frame: int) -> Mapping:
        """Reference grid ↔ this frame."""
        return Mapping(self.lens, self.lens, self.rotations[frame])


class _State(NamedTuple):
    """Lens, rotations (F, 3, 3), star directions (S, 3)."""

    lens: Lens
    turns: Array
    directions: Array


class _System(NamedTuple):
    """Normal equations with the stars apart: H (P, P), g (P,); per star W (S, 2, P), V, b.

    ``weight`` (M,) is each observation's: 1 / sigma², less for outliers.
    """

    cost: float
    h: Array
    g: Array
    w: Array
    v: Array
    b: Array
    weight: Array


class _Problem(NamedTuple):
    """What does not change while solving."""

    seen: Observations
    sigma: Array
    start: Lens
    prior: Array
    reference: int
    size: tuple[int, int]


def first_lens(
    width: int,
    height: int,
    focal_px: float | None,
    up: tuple[float, float] = (0.0, -1.0),
    hint: LensHint | None = None,
) -> tuple[Lens, float]:
    """A lens to start from and the relative uncertainty of its focal length.

    Without a focal length, a wide phone lens is assumed and left nearly free.  ``up`` is the
    direction in the picture (x, y) in which the sky lies; the camera is thought to look half up.
    ``hint`` is what the file says of the lens's bending.
    """
    zenith = (up[0] * np.sqrt(0.5), up[1] * np.sqrt(0.5), float(np.sqrt(0.5)))
    f, spread = (0.7 * width, _PRIOR["f"]) if focal_px is None else (focal_px, KNOWN_FOCAL)
    lens = Lens(f, (width - 1) / 2, (height - 1) / 2, air=REFRACTION, zenith=zenith)
    bent = None if hint is None else _bent(lens, hint)
    return (lens if bent is None else reaching(bent, width, height)), spread


def _bent(lens: Lens, hint: LensHint) -> Lens | None:
    """The lens with the radial terms of a hint; None where they are of no camera's.

    A hint counts radii in its own unit, in the corrected picture, where they are f · tan θ.
    """
    k = hint.radial
    if hint.fisheye:  # its powers of θ = arctan r as a series in r
        k = (k[0], k[1] - k[0] / 3, k[2] - k[1] + k[0] / 5, 0.0)
    if not 0.5 < k[0] < 2 or not hint.unit > 0:
        return None
    q = (lens.f / hint.unit) ** 2
    k1, k2 = q * k[1] / k[0], q * q * k[2] / k[0]
    if not (abs(k1) < 1 and abs(k2) < 1):
        return None
    x, y = hint.centre
    return replace(lens, f=lens.f * k[0], cx=float(x), cy=float(y), k1=float(k1), k2=float(k2))


def solve(
    seen: Observations,
    start: Lens,
    focal_prior: float,
    frames: int,
    reference: int,
    size: tuple[int, int],
    begin: Lens | None = None,
) -> Geometry:
    """Lens, rotations and star directions that explain the observations best.

    ``start`` is the lens expected, with ``focal_prior``; ``begin`` one already found to go on from.
    ``size`` is (width, height).  Frames without observations keep the identity.  The reference
    must see every star that is numbered.
    """
    prior = np.array(list(_PRIOR.values()))
    prior[0] = focal_prior
    problem = _Problem(seen, np.hypot(seen.sigma, _SYSTEMATIC), start, prior, reference, size)
    state = _first_state(problem, frames, begin or start)
    system = _system(problem, state)
    damping = 1e-4
    for _ in range(_ROUNDS):
        trial = _step(problem, system, state, damping)
        fresh = _system(problem, trial)
        if fresh.cost < system.cost:
            settled = system.cost - fresh.cost < _SETTLED * system.cost
            state, system, damping = trial, fresh, max(damping / 5, 1e-10)
            if settled:
                break
        else:
            damping *= 8
            if damping > 1e6:
                break
    error = project(state.lens, _turned(seen, state)) - seen.xy
    spread = float(np.sqrt(max(np.linalg.pinv(_reduced(system, 0.0)[0], hermitian=True)[0, 0], 0)))
    return Geometry(state.lens, state.turns, np.hypot(error[:, 0], error[:, 1]), spread)


def _first_state(problem: _Problem, frames: int, begin: Lens) -> _State:
    """Star directions from the reference, rotations by Kabsch from the shared stars."""
    seen, lens = problem.seen, reaching(begin, *problem.size)
    own = seen.frame == problem.reference
    directions = np.zeros((int(seen.star.max()) + 1, 3))
    directions[seen.star[own]] = unproject(lens, seen.xy[own])
    turns = np.tile(np.eye(3), (frames, 1, 1))
    for k in range(frames):
        here = seen.frame == k
        if here.sum() >= 3 and k != problem.reference:
            turns[k] = best_rotation(directions[seen.star[here]], unproject(lens, seen.xy[here]))
    return _State(lens, turns, directions)


def _turned(seen: Observations, state: _State) -> Array:
    """Each observation's star in the axes of its frame (M, 3)."""
    return np.asarray(np.einsum("mij,mj->mi", state.turns[seen.frame], state.directions[seen.star]))


def _away(lens: Lens, start: Lens) -> Array:
    """How far a lens is from the start, in the units of ``_PRIOR``."""
    ratio = float(np.log(lens.f / start.f))
    centre = (lens.cx - start.cx) / start.f, (lens.cy - start.cy) / start.f
    bent = [getattr(lens, k) - getattr(start, k) for k in ("k1", "k2", "p1", "p2")]
    zenith = np.array(lens.zenith)
    tilt = _tangents(zenith[None])[0].T @ (zenith - np.array(start.zenith))
    return np.array([ratio, *centre, *bent, *tilt])


def _moved(lens: Lens, step: Array, size: tuple[int, int]) -> Lens:
    """The lens after a step in the parameters, its reach set anew."""
    zenith = np.array(lens.zenith)
    zenith = zenith + _tangents(zenith[None])[0] @ np.clip(step[7:9], -0.3, 0.3)
    zenith /= np.sqrt(np.sum(zenith**2))
    moved = replace(
        lens,
        f=lens.f * float(np.exp(np.clip(step[0], -0.3, 0.3))),
        cx=float(lens.cx + lens.f * step[1]),
        cy=float(lens.cy + lens.f * step[2]),
        k1=float(lens.k1 + step[3]),
        k2=float(lens.k2 + step[4]),
        p1=float(lens.p1 + step[5]),
        p2=float(lens.p2 + step[6]),
        zenith=(float(zenith[0]), float(zenith[1]), float(zenith[2])),
    )
    return reaching(moved, *size)


def pixel_jacobians(lens: Lens, directions: Array) -> tuple[Array, Array]:
    """∂(u, v)/∂(log f, cx/f, cy/f, k1, k2, p1, p2, zenith) (M, 2, 9) and /∂direction (M, 2, 3).

    ``directions`` are unit vectors.  The zenith moves along the two tangents of ``_tangents``;
    that refraction shrinks differences of directions by R₀ is left out.
    """
    zenith = np.array(lens.zenith)
    sine = np.maximum(directions @ zenith, 0.05)[:, None]
    x, y, z = (directions + lens.air / sine * zenith).T
    a, b = x / z, y / z
    r2 = a * a + b * b
    r4 = np.minimum(r2, lens.r_max**2)
    radial = 1 + r4 * (lens.k1 + r4 * (lens.k2 + r4 * lens.k3))
    bend = lens.k1 + r4 * (2 * lens.k2 + r4 * 3 * lens.k3)
    aa = radial + 2 * a * a * bend + 2 * lens.p1 * b + 6 * lens.p2 * a
    ab = 2 * a * b * bend + 2 * lens.p1 * a + 2 * lens.p2 * b
    bb = radial + 2 * b * b * bend + 6 * lens.p1 * b + 2 * lens.p2 * a
    ua = a * radial + 2 * lens.p1 * a * b + lens.p2 * (r2 + 2 * a * a)
    vb = b * radial + lens.p1 * (r2 + 2 * b * b) + 2 * lens.p2 * a * b
    zero, one = np.zeros_like(a), np.ones_like(a)
    for_u = np.stack([ua, one, zero, a * r2, a * r2 * r2, 2 * a * b, r2 + 2 * a * a], axis=1)
    for_v = np.stack([vb, zero, one, b * r2, b * r2 * r2, r2 + 2 * b * b, 2 * a * b], axis=1)
    by_lens = lens.f * np.stack([for_u, for_v], axis=1)
    along_u = np.stack([aa, ab, -(aa * a + ab * b)], axis=1)
    along_v = np.stack([ab, bb, -(ab * a + bb * b)], axis=1)
    by_direction = lens.f / z[:, None, None] * np.stack([along_u, along_v], axis=1)
    tilts = _tangents(zenith[None])[0]
    lifted = tilts / sine[:, :, None] - zenith[:, None] * ((directions @ tilts) / sine**2)[:, None]
    by_zenith = by_direction @ (lens.air * lifted)
    return np.concatenate([by_lens, by_zenith], axis=2), by_direction


def _tangents(directions: Array) -> Array:
    """Two unit vectors across each direction, as columns (S, 3, 2)."""
    helper = np.where(np.abs(directions[:, :1]) < 0.8, [[1.0, 0, 0]], [[0, 1.0, 0]])
    one = np.cross(directions, helper)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    return np.stack([one, np.cross(directions, one)], axis=2)


def _system(problem: _Problem, state: _State) -> _System:
    """Residuals, their derivatives and the normal equations at one state."""
    seen, turned = problem.seen, _turned(problem.seen, state)
    error = (project(state.lens, turned) - seen.xy) / problem.sigma[:, None]
    error = np.where(np.isfinite(error), error, 1e3)
    size = np.hypot(error[:, 0], error[:, 1])
    far = size > _HUBER
    huber = np.where(far, 2 * _HUBER * size - _HUBER**2, size**2)
    root = np.sqrt(np.where(far, _HUBER / np.maximum(size, 1e-9), 1.0))

    by_lens, by_direction = pixel_jacobians(state.lens, turned)
    cross = np.zeros((len(turned), 3, 3))
    cross[:, 0, 1], cross[:, 0, 2], cross[:, 1, 2] = turned[:, 2], -turned[:, 1], turned[:, 0]
    cross -= cross.transpose(0, 2, 1)
    basis = _tangents(state.directions)
    by_star = by_direction @ state.turns[seen.frame] @ basis[seen.star]
    scale = (root / problem.sigma)[:, None, None]
    away = _away(state.lens, problem.start)
    cost = float(huber.sum() + np.sum((away / problem.prior) ** 2))
    h, g, w, v, b = _normal_equations(
        seen,
        (by_lens * scale, by_direction @ cross * scale, by_star * scale),
        error * root[:, None],
        (len(state.turns), len(state.directions)),
    )
    lens = np.arange(_LENS)
    h[lens, lens] += problem.prior**-2
    g[lens] += away * problem.prior**-2
    fixed = slice(_LENS + 3 * problem.reference, _LENS + 3 * problem.reference + 3)
    h[fixed, :] = h[:, fixed] = w[:, :, fixed] = g[fixed] = 0
    diagonal = np.arange(len(g))
    h[diagonal, diagonal] += np.where(h[diagonal, diagonal] == 0, 1.0, 0.0)
    return _System(cost, h, g, w, v, b, (root / problem.sigma) ** 2)


def _normal_equations(
    seen: Observations,
    jacobians: tuple[Array, Array, Array],
    error: Array,
    counts: tuple[int, int],
) -> tuple[Array, Array, Array, Array, Array]:
    """H, g over lens and rotations; W, V, b over the stars (see ``_System``)."""
    by_lens, by_turn, by_star = jacobians
    frames, stars = counts
    total = _LENS + 3 * frames
    h, g = np.zeros((total, total)), np.zeros(total)
    w, v, b = np.zeros((stars, total, 2)), np.zeros((stars, 2, 2)), np.zeros((stars, 2))
    h[:_LENS, :_LENS] = np.einsum("mai,maj->ij", by_lens, by_lens)
    g[:_LENS] = np.einsum("mai,ma->i", by_lens, error)
    for k in range(frames):
        here = seen.frame == k
        at = slice(_LENS + 3 * k, _LENS + 3 * k + 3)
        turn = by_turn[here]
        h[:_LENS, at] = np.einsum("mai,maj->ij", by_lens[here], turn)
        h[at, :_LENS] = h[:_LENS, at].T
        h[at, at] = np.einsum("mai,maj->ij", turn, turn)
        g[at] = np.einsum("mai,ma->i", turn, error[here])
        # A star is seen once in a frame, so plain assignment does not lose anything.
        w[seen.star[here], at] = np.einsum("mai,maj->mij", turn, by_star[here])
    np.add.at(w[:, :_LENS], seen.star, np.einsum("mai,maj->mij", by_lens, by_star))
    np.add.at(v, seen.star, np.einsum("mai,maj->mij", by_star, by_star))
    np.add.at(b, seen.star, np.einsum("mai,ma->mi", by_star, error))
    return h, g, w.transpose(0, 2, 1), v, b


def _reduced(system: _System, damping: float) -> tuple[Array, Array]:
    """H and g without the stars (Schur complement)."""
    trace = np.einsum("sii->s", system.v)[:, None, None]
    inverse = np.linalg.inv(system.v + np.eye(2) * (damping * trace + 1e-9))
    carried = inverse @ system.w
    count = len(system.g)
    h = system.h - carried.reshape(-1, count).T @ system.w.reshape(-1, count)
    h[np.arange(count), np.arange(count)] += damping * np.diag(system.h)
    return h, system.g - np.einsum("sjp,sj->p", carried, system.b)


def _step(problem: _Problem, system: _System, state: _State, damping: float) -> _State:
    """One damped Gauss-Newton step (Levenberg-Marquardt) of lens and rotations.

    The stars follow not along their tangents but to where the new lens sees them: distortion and
    star directions trade against each other over long ways, along a bent valley.
    """
    h, g = _reduced(system, damping)
    step = -np.asarray(np.linalg.solve(h, g), dtype=np.float64)
    vectors = step[_LENS:].reshape(-1, 3)
    turns = np.array([rotation(v) @ turn for v, turn in zip(vectors, state.turns, strict=True)])
    lens = _moved(state.lens, step[:_LENS], problem.size)
    return _State(lens, turns, _seen_from(problem, lens, turns, system.weight))


def _seen_from(problem: _Problem, lens: Lens, turns: Array, weight: Array) -> Array:
    """Star directions (S, 3): the weighted mean of where the frames see each star."""
    seen = problem.seen
    rays = np.einsum("mji,mj->mi", turns[seen.frame], unproject(lens, seen.xy))
    total = np.zeros((int(seen.star.max()) + 1, 3))
    np.add.at(total, seen.star, rays * weight[:, None])
    return np.asarray(total / np.linalg.norm(total, axis=1, keepdims=True))
