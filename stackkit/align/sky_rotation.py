"""Sky rotation and tripod motion: axis, rate, pushes, and how far each can be trusted.

The rotation from the reference's camera axes to frame k's is decomposed as::

    R_k = δ_k · D_s · T(φ_k),    T(φ) = exp(-φ [n])

T is the sky rotation by φ_k about the axis n (towards the north celestial pole, in the reference's
camera axes), D_s the pose of the tripod in segment s (a push begins a new one), and δ_k the
residual motion from wind and clock errors.  φ_k = ω (t_k - t_ref) with the sidereal rate ω
(86164.0905 s a turn, IAU).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from stackkit.align.tripod_moves import at_rest
from stackkit.arrays import Array, Index
from stackkit.geometry.jacobians import tangents
from stackkit.geometry.lens import SIDEREAL
from stackkit.geometry.rotation import rotation, rotation_vector
from stackkit.robust import MAD_TO_SIGMA

_HUBER = 2.0
_ROUNDS = 12
_CLOCK = 0.3
"""Prior standard deviation of a clock, s: many count whole seconds."""
_SHAKE_PX = 0.3
"""The same of wind shake, px."""
_PRIOR_FRAMES = 2.0
"""Weight of these priors, in frames."""
_OFF, _FAR = 30.0, 15.0
"""Seconds, and multiple of the usual deviation, above which a single time is not trusted."""
_UNTRUSTED = 4.0
"""Standard deviations off the sidereal rate above which the clock is not trusted."""


@dataclass(frozen=True)
class SkyRotation:
    """Axis (3,), angles φ_k (F,) rad (NaN where no time is known), segment of each frame (F,),
    poses (G, 3, 3) of the segments.

    ``along`` and ``across`` the axis, rad: standard deviations of δ_k; ``along`` includes the
    clock error.  ``trusted``: whether ``angle`` comes from a clock that agrees with the sidereal
    rate.  ``rate`` rad/s measured from stars and clock, with its standard deviation; None without
    times.  ``axis_sigma`` rad.
    """

    axis: Array
    angle: Array
    segment: Index
    poses: Array
    along: float
    across: float
    trusted: bool
    rate: float | None
    rate_sigma: float | None
    axis_sigma: float

    def moved(self, step: Array) -> SkyRotation:
        """After a step in the axis (2) and each segment's pose (3)."""
        axis = self.axis + tangents(self.axis[None])[0] @ step[:2]
        poses = rotation(step[2:].reshape(-1, 3)) @ self.poses
        return replace(self, axis=axis / np.linalg.norm(axis), poses=poses)


def expected(sky_rotation: SkyRotation) -> Array:
    """Rotations (F, 3, 3) predicted from clock and tripod: D_s · T(φ_k)."""
    turned = rotation(-sky_rotation.angle[:, None] * sky_rotation.axis)
    return np.asarray(sky_rotation.poses[sky_rotation.segment] @ turned)


def _left_jacobian(vectors: Array) -> Array:
    """J (N, 3, 3) with exp([v + dv]) ≈ exp([J dv]) exp([v]), rotation vectors (N, 3)."""
    size = np.linalg.norm(vectors, axis=1)[:, None, None]
    k = np.zeros((len(vectors), 3, 3))
    k[:, 0, 1], k[:, 0, 2], k[:, 1, 2] = -vectors[:, 2], vectors[:, 1], -vectors[:, 0]
    k -= k.transpose(0, 2, 1)
    small = size < 1e-6
    safe = np.where(small, 1.0, size)
    one = np.where(small, 0.5, (1 - np.cos(safe)) / safe**2)
    two = np.where(small, 1 / 6, (safe - np.sin(safe)) / safe**3)
    return np.asarray(np.eye(3) + one * k + two * (k @ k))


def _departures(sky_rotation: SkyRotation, turns: Array) -> tuple[Array, Array, Array]:
    """δ_k as vectors (F, 3), the axis in each frame (F, 3), and ∂δ/∂axis (F, 3, 2)."""
    poses = sky_rotation.poses[sky_rotation.segment]
    away = rotation_vector(turns @ expected(sky_rotation).transpose(0, 2, 1))
    by = -sky_rotation.angle[:, None, None] * _left_jacobian(
        -sky_rotation.angle[:, None] * sky_rotation.axis
    )
    by_axis = -poses @ (by @ tangents(sky_rotation.axis[None])[0])
    return away, poses @ sky_rotation.axis, by_axis


def _weights(sky_rotation: SkyRotation, away: Array, axis: Array) -> tuple[Array, float]:
    """Inverse covariances (F, 3, 3) of δ_k with Huber's weights, and their part of the cost."""
    along = axis[:, :, None] * axis[:, None, :]
    inverse = along / sky_rotation.along**2 + (np.eye(3) - along) / sky_rotation.across**2
    size = np.sqrt(np.einsum("fi,fij,fj->f", away, inverse, away))
    far = size > _HUBER
    cost = float(np.nansum(np.where(far, 2 * _HUBER * size - _HUBER**2, size**2)))
    weight = np.where(far, _HUBER / np.maximum(size, 1e-9), 1.0)
    return inverse * weight[:, None, None], cost


def tie(
    sky_rotation: SkyRotation, turns: Array, h: Array, g: Array, first: int, per_frame: int
) -> float:
    """Adds to H and g the prior that rotations (F, 3, 3) are as expected; returns the cost.

    Frame k's rotation is at ``first + per_frame · k``; axis and poses follow after all frames.
    """
    away, axis, by_axis = _departures(sky_rotation, turns)
    inverse, cost = _weights(sky_rotation, away, axis)
    end = first + per_frame * len(turns)
    k = np.nonzero(np.isfinite(sky_rotation.angle))[0]
    own = first + per_frame * k[:, None] + np.arange(3)
    pose = end + 2 + 3 * sky_rotation.segment[k][:, None] + np.arange(3)
    where = np.concatenate([own, np.broadcast_to([end, end + 1], (len(k), 2)), pose], axis=1)
    one = np.broadcast_to(np.eye(3), (len(k), 3, 3))
    by = np.concatenate([one, by_axis[k], -one], axis=2)
    weighed = by.transpose(0, 2, 1) @ inverse[k]
    np.add.at(h, (where[:, :, None], where[:, None, :]), weighed @ by)
    np.add.at(g, where, (weighed @ away[k][:, :, None])[:, :, 0])
    return cost


def fit_sky_rotation(
    turns: Array, placed: Index, seconds: Array | None, covariance: Array, focal: float
) -> SkyRotation | None:
    """Sky rotation and tripod motion from the rotations (F, 3, 3) of the ``placed`` frames, in time
    order.

    ``seconds`` (F,) since the reference, NaN where unknown; None without a clock.  ``covariance``
    (3F, 3F) of the rotations, rad².  None with fewer than three usable frames.
    """
    timed = placed if seconds is None else placed[np.isfinite(seconds[placed])]
    clock = np.arange(len(turns), dtype=np.float64) if seconds is None else seconds
    if len(timed) < 3 or not np.ptp(clock[timed]) > 0:
        return None
    rate = _usual_rate(turns[timed], clock[timed])
    size = float(np.linalg.norm(rate))
    if size == 0:
        return None
    angle = clock * size
    first = SkyRotation(
        -rate / size, angle, np.zeros(len(turns), np.int64), np.eye(3)[None],
        _CLOCK * SIDEREAL, _SHAKE_PX / focal, False, None, None, np.inf,
    )  # fmt: skip
    start = _segmented(first, turns, timed, clock, rate, focal, clockless=seconds is None)
    if seconds is None:
        return _without_clock(start, turns)
    right = timed[_right_times(start, turns, timed)]
    if len(right) < 3:
        return None
    believed = np.full(len(turns), np.nan)
    believed[right] = clock[right]
    return _refined(start, turns, right, believed, covariance, focal)


def _right_times(sky_rotation: SkyRotation, turns: Array, timed: Index) -> NDArray[np.bool_]:
    """Which of the timed frames have times consistent with the others: a clock may be adjusted."""
    away, axis, _ = _departures(sky_rotation, turns)
    late = np.sum(away[timed] * axis[timed], axis=1) / SIDEREAL
    late -= np.median(late)
    return np.asarray(np.abs(late) < max(_OFF, _FAR * float(np.median(np.abs(late)))))


def _usual_rate(turns: Array, clock: Array) -> Array:
    """Rotation vector (3,) per second, in the reference's axes: within a segment only the sky
    rotates.

    Least absolute deviation over pairs up to an eighth of the session apart; those across a push
    are a minority of them (Weiszfeld's iteration).
    """
    pairs = [
        (clock[apart:] - clock[:-apart], turns[:-apart].transpose(0, 2, 1) @ turns[apart:])
        for apart in range(1, max(len(turns) // 8, 1) + 1)
    ]
    wait = np.concatenate([wait for wait, _ in pairs])
    vectors = rotation_vector(np.concatenate([between for _, between in pairs]))
    rates, wait = vectors[wait > 0] / wait[wait > 0, None], wait[wait > 0]
    # A longer interval gives a better rate, but one clock an hour off must not outweigh the rest.
    trust = np.minimum(wait, 3 * np.median(wait))
    rate = np.median(rates, axis=0)
    for _ in range(30):
        away = np.linalg.norm(rates - rate, axis=1)
        weight = trust / np.maximum(away, 1e-12 + 0.01 * float(np.median(away)))
        rate = weight @ rates / np.sum(weight)
    return np.asarray(rate)


def _segmented(
    sky_rotation: SkyRotation,
    turns: Array,
    placed: Index,
    clock: Array,
    rate: Array,
    focal: float,
    *,
    clockless: bool,
) -> SkyRotation:
    """With the pushes that divide the session, the segments' poses, and the rate besides."""
    rest = at_rest(turns[placed], clock[placed], rate, focal, clockless=clockless)
    # Frames that are not placed get the segment of their neighbours by number, since ``placed`` is
    # in time order.
    by_number = np.argsort(placed)
    order = np.searchsorted(placed[by_number], np.arange(len(turns)), side="right") - 1
    segment = rest.segment[by_number[np.clip(order, 0, None)]]
    size = float(np.linalg.norm(rest.rate))
    return replace(
        sky_rotation, axis=-rest.rate / size, angle=clock * size, segment=segment, poses=rest.poses
    )


def _without_clock(sky_rotation: SkyRotation, turns: Array) -> SkyRotation:
    """Angles from the rotations themselves: the component of each about the axis."""
    untwisted = sky_rotation.poses[sky_rotation.segment].transpose(0, 2, 1) @ turns
    vectors = rotation_vector(untwisted)
    return replace(sky_rotation, angle=-vectors @ sky_rotation.axis)


def _refined(
    sky_rotation: SkyRotation,
    turns: Array,
    timed: Index,
    clock: Array,
    covariance: Array,
    focal: float,
) -> SkyRotation:
    """Axis, rate and poses by robust least squares; the scatter left; whether to trust the clock.

    The priors of clock error and wind shake count as ``_PRIOR_FRAMES`` frames.
    """
    rate = float(sky_rotation.angle[timed[-1]] / clock[timed[-1]] if clock[timed[-1]] else 0.0)
    rate = rate or float(sky_rotation.angle[timed[0]] / clock[timed[0]])
    inverse = by = np.zeros(0)
    for _ in range(_ROUNDS):
        sky_rotation = replace(sky_rotation, angle=clock * rate)
        away, axis, by_axis = _departures(sky_rotation, turns)
        by = _design(sky_rotation, axis, by_axis, clock)[timed]
        inverse = _weights(sky_rotation, away, axis)[0][timed]
        normal = np.einsum("fip,fij,fjq->pq", by, inverse, by)
        g = np.einsum("fip,fij,fj->p", by, inverse, away[timed])
        step = -np.linalg.lstsq(normal, g, rcond=1e-12)[0]
        sky_rotation, rate = sky_rotation.moved(step[1:]), rate + float(step[0])
        sky_rotation = _scattered(sky_rotation, away[timed], axis[timed], focal)
    spread = np.linalg.pinv(np.einsum("fip,fij,fjq->pq", by, inverse, by), hermitian=True)
    carried = np.einsum("pq,fiq,fij->pfj", spread, by, inverse).reshape(len(spread), -1)
    at = (3 * timed[:, None] + np.arange(3)).ravel()
    errors = spread + carried @ covariance[np.ix_(at, at)] @ carried.T
    # Scatter from a few frames is itself uncertain (Student's distribution, roughly).
    errors = errors * (1 + 4 / max(len(timed) - 2, 1))
    sigma = float(np.sqrt(errors[0, 0]))
    trusted = abs(rate - SIDEREAL) < _UNTRUSTED * sigma
    return replace(
        sky_rotation,
        angle=clock * (SIDEREAL if trusted else rate),
        trusted=bool(trusted),
        rate=rate,
        rate_sigma=sigma,
        axis_sigma=float(np.sqrt(errors[1, 1] + errors[2, 2])),
    )


def _design(sky_rotation: SkyRotation, axis: Array, by_axis: Array, clock: Array) -> Array:
    """∂δ/∂(rate, axis, poses) (F, 3, 3 + 3G)."""
    count = len(sky_rotation.poses)
    by = np.zeros((len(axis), 3, 3 + 3 * count))
    by[:, :, 0] = axis * clock[:, None]
    by[:, :, 1:3] = by_axis
    for k, s in enumerate(sky_rotation.segment):
        by[k, :, 3 + 3 * s : 6 + 3 * s] = -np.eye(3)
    return by


def _scattered(sky_rotation: SkyRotation, away: Array, axis: Array, focal: float) -> SkyRotation:
    """The sky rotation with the scatter of its residuals, along and across the axis."""
    along = np.sum(away * axis, axis=1)
    across = np.linalg.norm(away - along[:, None] * axis, axis=1)
    # Each a median, converted to the standard deviation of one and of two Gaussian components.
    found = np.median(np.abs(along)) * MAD_TO_SIGMA, np.median(across) / np.sqrt(2 * np.log(2))
    thought = _CLOCK * SIDEREAL, _SHAKE_PX / focal
    poses = len(sky_rotation.poses)
    free = max(len(away) - 1 - poses, 0), max(len(away) - 1 - poses, 0)
    sigma = [
        float(
            np.sqrt(
                (_PRIOR_FRAMES * a * a + n * b * b * len(away) / max(n, 1)) / (_PRIOR_FRAMES + n)
            )
        )
        for a, b, n in zip(thought, found, free, strict=True)
    ]
    return replace(sky_rotation, along=sigma[0], across=sigma[1])


@dataclass(frozen=True)
class Push:
    """Between frames ``before`` and ``after`` the camera was turned by ``angle`` rad."""

    before: int
    after: int
    angle: float


def pushes(sky_rotation: SkyRotation, order: Index) -> tuple[Push, ...]:
    """Where one segment ends and the next begins; ``order``: the placed frames in time order."""
    found = []
    for a, b in pairwise(order):
        one, other = sky_rotation.segment[a], sky_rotation.segment[b]
        if one != other:
            between = rotation_vector(sky_rotation.poses[other] @ sky_rotation.poses[one].T)
            found.append(Push(int(a), int(b), float(np.linalg.norm(between))))
    return tuple(found)


def measured_angles(sky_rotation: SkyRotation, turns: Array, reference: int) -> Array:
    """Sky rotation from the reference to each frame (F,), rad, as measured on the stars."""
    still = sky_rotation.poses[sky_rotation.segment].transpose(0, 2, 1) @ turns
    angle = -rotation_vector(still) @ sky_rotation.axis
    return np.asarray(angle - angle[reference])
