"""The session's geometry by bundle adjustment: one lens, a rotation for each frame.

Between two frames of a camera on a tripod the sky turns; the lens stays.  All matched stars of all
frames are explained together (Triggs et al. 2000): a shared lens, a rotation and (where the data
require it) a scale per frame, a direction per star.  What is known of the sky rotation
(``sky_rotation.SkyRotation``) ties the rotations together as far as clock and tripod can be
trusted.  The star directions are eliminated (Schur complement), so that the system solved has a few
numbers per frame.  Residuals are weighted by each centroid's own uncertainty and by Huber's
function (Huber 1981); the Jacobian is analytic.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackkit.align.normal_equations import Normal, gathered, linearise, pool_rays, reduced
from stackkit.align.sky_rotation import SkyRotation, tie
from stackkit.arrays import Array, Index
from stackkit.geometry import jacobians
from stackkit.geometry.jacobians import COUNT, tangents
from stackkit.geometry.lens import UP_X, UP_Z, F, Lens, project_rows, unproject_rows
from stackkit.geometry.mapping import Mapping
from stackkit.geometry.rotation import rotation

PER_FRAME = 4
"""Unknowns of a frame: a rotation vector and the logarithm of its scale."""
_PRIOR = {
    **{"f": 0.3, "cx": 0.02, "cy": 0.02, "k1": 0.3, "k2": 0.2, "k3": 0.0, "p1": 0.0, "p2": 0.0},
    **{"zenith_a": 0.5, "zenith_b": 0.5, "air": 0.1},
}
"""Standard deviations of the lens's unknowns before any star is seen; 0 keeps one as it is."""
_ON_DEMAND = {"k3": 0.1, "p1": 0.01, "p2": 0.01}
"""The same for parameters that are freed only where the data require it."""
_SCALE = 0.01
_SYSTEMATIC = 0.02
"""Centroid error that does not fall with brightness, px (seeing, sampling)."""
_ROUNDS = 40
_RIDGE = 1e-9
"""Damping that keeps undetermined unknowns from making the system singular."""
SETTLED = 1e-6
"""Relative decrease of the cost below which a solution is final."""


@dataclass(frozen=True)
class Observations:
    """Matched stars as columns (M,): frame number, star number, place (M, 2) px, its sigma px."""

    frame: Index
    star: Index
    xy: Array
    sigma: Array


@dataclass(frozen=True)
class Freedom:
    """What is fitted besides focal length, centre, k1, k2 and zenith."""

    k3: bool = False
    tangential: bool = False
    scales: bool = False


PLAIN = Freedom()


@dataclass(frozen=True)
class Start:
    """Where the search begins: the lens expected and the relative uncertainty of its focal length,
    the rotations (F, 3, 3) of the frames from the reference, a lens and scales already found, if
    any, and what is fitted.
    """

    lens: Lens
    focal_prior: float
    turns: Array
    reference: int
    size: tuple[int, int]
    begin: Lens | None = None
    scales: Array | None = None
    freedom: Freedom = PLAIN


@dataclass(frozen=True)
class Geometry:
    """The solution.

    ``rotations`` (F, 3, 3) from the reference's camera axes to each frame's, ``lenses`` one per
    frame (scale and zenith differ), ``directions`` (S, 3) of the stars, ``residual`` (M,) px of
    each observation.  ``covariance`` (P, P) over the lens (11), then ``PER_FRAME`` numbers a frame,
    scaled by ``unit``², the observations' scatter over that expected from their uncertainties.
    """

    lens: Lens
    lenses: tuple[Lens, ...]
    rotations: Array
    directions: Array
    residual: Array
    covariance: Array
    unit: float
    cost: float

    @property
    def focal_sigma(self) -> float:
        """Relative standard deviation of the focal length."""
        return float(np.sqrt(max(self.covariance[0, 0], 0.0)))

    @property
    def scales(self) -> Array:
        """Focal length of each frame over the shared one's (F,)."""
        return np.array([lens.f for lens in self.lenses]) / self.lens.f

    def mapping(self, frame: int, reference: int) -> Mapping:
        """Reference grid ↔ this frame."""
        return Mapping(self.lenses[reference], self.lenses[frame], self.rotations[frame])


class _State(NamedTuple):
    """Lens, log scales (F,), rotations (F, 3, 3), star directions (S, 3), the sky rotation."""

    lens: Lens
    scales: Array
    turns: Array
    directions: Array
    sky_rotation: SkyRotation | None


class _System(NamedTuple):
    """Normal equations, each observation's information on its star's direction (M, 3, 3), cost."""

    normal: Normal
    information: Array
    cost: float


class _Problem(NamedTuple):
    """What does not change while solving."""

    seen: Observations
    sigma: Array
    start: Start
    prior: Array
    scale_prior: float


def solve(
    seen: Observations,
    start: Start,
    sky_rotation: SkyRotation | None = None,
    settled: float = SETTLED,
) -> Geometry:
    """Lens, rotations and star directions that explain the observations best.

    Frames without observations keep their rotations.  ``settled`` is the relative decrease of the
    cost below which the solution counts as converged.
    """
    problem = _problem(seen, start)
    state = _first_state(problem, sky_rotation)
    system = _system(problem, state)
    damping = 1e-4
    for _ in range(_ROUNDS):
        trial = _step(problem, system, state, damping)
        fresh = _system(problem, trial)
        if fresh.cost < system.cost:
            gained = system.cost - fresh.cost
            state, system, damping = trial, fresh, max(damping / 5, 1e-10)
            if gained < settled * system.cost:
                break
        else:
            damping *= 8
            if damping > 1e6:
                break
    return _solution(problem, state, system)


def unsolved(start: Start) -> Geometry:
    """The geometry before any frame is matched: the lens expected, no rotations solved."""
    frames = len(start.turns)
    covariance = np.zeros((COUNT + PER_FRAME * frames,) * 2)
    covariance[0, 0] = start.focal_prior**2
    none = np.zeros(0)
    lenses = (start.lens,) * frames
    return Geometry(start.lens, lenses, start.turns, np.zeros((0, 3)), none, covariance, 1.0, 0.0)


def gain_by(
    seen: Observations, start: Start, sky_rotation: SkyRotation | None = None
) -> tuple[float, float]:
    """How far the cost would fall from a solution found with less freedom (Rao's score test), and
    the cost.  Only one linear system is solved.
    """
    problem = _problem(seen, start)
    system = _system(problem, _first_state(problem, sky_rotation))
    h, g = reduced(system.normal, _RIDGE)
    return float(g @ np.linalg.solve(h, g)), system.cost


def _problem(seen: Observations, start: Start) -> _Problem:
    freedom = start.freedom
    free = {**_PRIOR, "f": start.focal_prior}
    if freedom.k3:
        free["k3"] = _ON_DEMAND["k3"]
    if freedom.tangential:
        free |= {"p1": _ON_DEMAND["p1"], "p2": _ON_DEMAND["p2"]}
    scale = _SCALE if freedom.scales else 0.0
    prior = np.array([free[name] for name in jacobians.UNKNOWNS])
    return _Problem(seen, np.hypot(seen.sigma, _SYSTEMATIC), start, prior, scale)


def _first_state(problem: _Problem, sky_rotation: SkyRotation | None) -> _State:
    start = problem.start
    lens = start.begin or start.lens
    turns = start.turns.copy()
    scales = np.zeros(len(turns)) if start.scales is None else np.log(start.scales)
    state = _State(lens, scales, turns, np.zeros((0, 3)), sky_rotation)
    return _seen_from(problem, state, np.eye(3) / problem.sigma[:, None, None] ** 2)


def _zeniths(state: _State, reference: int) -> tuple[Array, Array]:
    """Each frame's zenith (F, 3) and how it moves (F, 3, 2): the tripod's pose turns it too."""
    up = np.array(state.lens.zenith)
    tilts = tangents(up[None])[0]
    if state.sky_rotation is None:
        frames = len(state.turns)
        return np.tile(up, (frames, 1)), np.tile(tilts, (frames, 1, 1))
    poses, segment = state.sky_rotation.poses, state.sky_rotation.segment
    moved = (poses @ poses[segment[reference]].T)[segment]
    return moved @ up, moved @ tilts


def _packed(state: _State, zeniths: Array) -> Array:
    """Each frame's lens as the kernels index it (F, 14)."""
    rows = np.tile(state.lens.packed, (len(state.turns), 1))
    rows[:, F] *= np.exp(state.scales)
    rows[:, UP_X : UP_Z + 1] = zeniths
    return rows


def _system(problem: _Problem, state: _State) -> _System:
    """Residuals, their derivatives and the normal equations at one state."""
    seen = problem.seen
    zeniths, tilts = _zeniths(state, problem.start.reference)
    many = len(seen.star)
    error, huber = np.empty((many, 2)), np.empty(many)
    by_lens, by_frame = np.empty((many, 2, COUNT)), np.empty((many, 2, PER_FRAME))
    by_star, by_ray = np.empty((many, 2, 2)), np.empty((many, 2, 3))
    across = np.ascontiguousarray(tangents(state.directions))
    linearise(
        *(seen.frame, seen.star, seen.xy, problem.sigma, _packed(state, zeniths), state.lens.f),
        *(np.ascontiguousarray(tilts), state.turns, state.directions, across),
        *(error, huber, by_lens, by_frame, by_star, by_ray),
    )
    counts = len(state.turns), len(state.directions), _extra(state)
    normal = gathered((seen.frame, seen.star), (by_lens, by_frame, by_star), error, counts)
    cost = float(huber.sum()) + _add_priors(problem, state, normal)
    return _System(normal, by_ray.transpose(0, 2, 1) @ by_ray, cost)


def _extra(state: _State) -> int:
    """Unknowns of the sky rotation: its axis (2) and each segment's pose (3)."""
    return (
        2 + 3 * len(state.sky_rotation.poses)
        if state.sky_rotation and state.sky_rotation.trusted
        else 0
    )


def _add_priors(problem: _Problem, state: _State, normal: Normal) -> float:
    """Adds the priors to the normal equations; returns their part of the cost."""
    away = jacobians.away(state.lens, problem.start.lens)
    free = problem.prior > 0
    held = np.where(free, 1 / np.where(free, problem.prior, 1.0) ** 2, 0.0)
    at = np.arange(COUNT)
    normal.h[at, at] += held
    normal.g[:COUNT] += away * held
    cost = float(np.sum(away**2 * held))
    scales = COUNT + PER_FRAME * np.arange(len(state.turns)) + 3
    if problem.scale_prior > 0:
        normal.h[scales, scales] += problem.scale_prior**-2
        normal.g[scales] += state.scales * problem.scale_prior**-2
        cost += float(np.sum((state.scales / problem.scale_prior) ** 2))
    if state.sky_rotation is not None and state.sky_rotation.trusted:
        cost += tie(state.sky_rotation, state.turns, normal.h, normal.g, COUNT, PER_FRAME)
    fixed = _held(problem, len(normal.g))
    normal.h[fixed, :] = normal.h[:, fixed] = normal.g[fixed] = 0
    normal.w[:, fixed, :] = 0
    diagonal = np.arange(len(fixed))
    normal.h[diagonal, diagonal] += np.where(np.diag(normal.h) == 0, 1.0, 0.0)
    return cost


def _held(problem: _Problem, count: int) -> NDArray[np.bool_]:
    """Which of the unknowns (P,) are held fixed."""
    fixed = np.zeros(count, dtype=bool)
    fixed[:COUNT] = problem.prior == 0
    if problem.scale_prior == 0:
        fixed[COUNT + 3 : COUNT + PER_FRAME * len(problem.start.turns) : PER_FRAME] = True
    first = COUNT + PER_FRAME * problem.start.reference
    fixed[first : first + PER_FRAME] = True
    return fixed


def _step(problem: _Problem, system: _System, state: _State, damping: float) -> _State:
    """One damped Gauss-Newton step (Levenberg-Marquardt) of all but the stars.

    The stars do not step along their tangents but move to where the new lens sees them: distortion
    and star directions are strongly correlated, along a curved valley of the cost.
    """
    h, g = reduced(system.normal, damping)
    step = -np.asarray(np.linalg.solve(h, g), dtype=np.float64)
    frames = len(state.turns)
    by_frame = step[COUNT : COUNT + PER_FRAME * frames].reshape(frames, PER_FRAME)
    turns = rotation(by_frame[:, :3]) @ state.turns
    lens = jacobians.moved(state.lens, step[:COUNT], problem.start.size)
    sky_rotation = state.sky_rotation
    if sky_rotation is not None and _extra(state):
        sky_rotation = sky_rotation.moved(step[COUNT + PER_FRAME * frames :])
    scales = state.scales + by_frame[:, 3]
    moved = _State(lens, scales, turns, state.directions, sky_rotation)
    return _seen_from(problem, moved, system.information)


def _seen_from(problem: _Problem, state: _State, information: Array) -> _State:
    """The state with its stars (S, 3) where the frames together see each: the mean of the rays,
    each weighted by its information matrix (M, 3, 3), since a lens stretches corners.
    """
    seen, count = problem.seen, int(problem.seen.star.max()) + 1
    rows = _packed(state, _zeniths(state, problem.start.reference)[0])
    rays = unproject_rows(rows, seen.frame, seen.xy)
    mean, pooled, off = np.zeros((count, 3)), np.zeros((count, 3, 3)), np.zeros((count, 3))
    pool_rays(seen.frame, seen.star, rays, state.turns, information, mean, pooled, off)
    total = np.trace(pooled, axis1=1, axis2=2)[:, None, None] + 1e-9
    along = mean[:, :, None] * mean[:, None, :] + 1e-9 * np.eye(3)
    directions = mean + np.linalg.solve(pooled + total * along, off[:, :, None])[:, :, 0]
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    return state._replace(directions=directions)


def _solution(problem: _Problem, state: _State, system: _System) -> Geometry:
    """The solution with its uncertainties."""
    seen = problem.seen
    zeniths, _ = _zeniths(state, problem.start.reference)
    rows = _packed(state, zeniths)
    turned = np.einsum("mij,mj->mi", state.turns[seen.frame], state.directions[seen.star])
    error = project_rows(rows, seen.frame, turned) - seen.xy
    residual = np.asarray(np.hypot(error[:, 0], error[:, 1]))
    # Median length of a two-dimensional unit Gaussian: √(2 ln 2); stars take up some freedom.
    count = len(system.normal.g) + 2 * len(state.directions)
    share = max(1 - count / (2 * len(seen.star)), 0.1)
    unit = float(np.median(residual / problem.sigma) / np.sqrt(2 * np.log(2) * share))
    h, _ = reduced(system.normal, _RIDGE)
    covariance: Array = np.asarray(np.linalg.inv(h) * max(unit, 1.0) ** 2)
    held = _held(problem, len(h))
    covariance[held, :] = covariance[:, held] = 0
    lenses = tuple(
        replace(state.lens, f=float(row[0]), zenith=(float(z[0]), float(z[1]), float(z[2])))
        for row, z in zip(rows, zeniths, strict=True)
    )
    return Geometry(
        state.lens,
        lenses,
        state.turns,
        state.directions,
        residual,
        covariance,
        unit,
        system.cost,
    )
