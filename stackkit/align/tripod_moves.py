"""Where the tripod was pushed, from the frames' rotations alone.

In the axes of the reference camera frame k is rotated by R_k = δ_k · D_s · exp(c_k [v]): the sky
turns steadily by v with the clock c, wind shakes each frame by δ_k, and a push is a lasting step of
the pose D.  Without times c is the number of the frame, plus any pauses: a pause rotates about v
like the sky itself, so that only a step across v, or against it, is a push.

Everything is fitted at once by least absolute deviations, since wind moves single frames by more
than the sky turns between two, and a rate fitted without the pushes is biased by them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc

from stackkit.arrays import Array, Index
from stackkit.geometry.rotation import rotation, rotation_vector

_LEAST_PX = 3.0
"""Least move of the picture's middle, px, that counts as a push …"""
_LEAST_SCATTER = 4.0
"""… and as a multiple of the scatter of single frames, since gusts of wind may last."""
_CHANCE = 1e-3
"""Probability per session that a step this clear comes from scatter alone …"""
_CHANCE_PAUSE, _CHANCE_BACK = 0.005, 0.05
"""… and, for a clear step, that it is about the axis only: onward like a pause, or back like files
out of order, which is rarer."""
_SIDE = 3
"""Frames on either side: fewer that are off may each be shaken …"""
_AIMED = np.radians(5.0)
"""… unless by so much that the camera was re-aimed: then two suffice, or one at an end …"""
_AGREE = 0.1
"""… or the two agree to this share of the step, as shaken frames would not."""
_BESIDE = 3
"""Frames on either side whose medians must differ too: slow drift is no push …"""
_SUDDEN = 0.6
"""… by this share of the step."""
_NEAR = 5
"""Frames on either side of which at least ``_SIDE`` must be on their side of the step."""
_SHAKE_PX = 0.3
_PRIOR_FRAMES = 2.0
"""Prior scatter, px, and its weight in frames."""
_AHEAD = 2
"""Changes tried in vain before the search ends: a move there and back shows only as a pair."""
_ROUNDS, _SWEEPS = 8, 4
_STILL = 1e-9
"""A sweep that turns no frame by more than this, rad, is the last."""
_TRIED = 48
"""Places tried at once."""
_AXIAL = 2.0
"""A step along the sky rotation by this multiple of its part across it includes a pause."""
_MOST_ALIKE = 0.9
"""Highest correlation of the wind from frame to frame."""
_RIDGE = 1e-9
_UNEVEN = 2.0
"""Ratio of the scatter along the axis to that across above which frame intervals vary."""
_LEVERAGE = 3.0
"""Distance in time, in typical ones, above which a frame weighs less: its clock may be wrong."""
_MAXWELL = 1.538
"""Median length of a Gaussian vector of three components with unit standard deviations …"""
_FREEDOM = 1.6
"""… and degrees of freedom that a frame adds to a scatter taken from such a median."""


@dataclass(frozen=True)
class Rest:
    """The sky's ``rate`` v (3,) rad per unit of ``clock`` (P,), the frames with which segments
    begin (the first is 0), and the segments' poses (G, 3, 3).
    """

    rate: Array
    clock: Array
    begins: tuple[int, ...]
    poses: Array

    @property
    def segment(self) -> Index:
        """Each frame's segment (P,)."""
        frames = np.arange(len(self.clock))
        return np.asarray(np.searchsorted(np.array(self.begins), frames, side="right") - 1)


@dataclass(frozen=True)
class _Step:
    """The change with which a segment begins: the log probability that scatter causes it, and its
    part across the sky rotation; the size of that part, rad, and its part along the sky rotation,
    in units of the clock; whether it is large and sudden enough.
    """

    chance: float
    chance_across: float
    across: float
    onward: float
    plain: bool


@dataclass(frozen=True)
class _Session:
    """Rotations (P, 3, 3), focal length in px, whether times are not known."""

    turns: Array
    focal: float
    clockless: bool


def at_rest(turns: Array, clock: Array, rate: Array, focal: float, *, clockless: bool) -> Rest:
    """The sky's rate and the tripod's segments from rotations (P, 3, 3) in time order.

    ``clock`` (P,) is that of the frames, or their numbers when ``clockless``; ``rate`` (3,) a
    first guess; ``focal`` in px.
    """
    session = _Session(turns, focal, clockless)
    calm = Rest(rate, clock, (0,), (turns[0] @ rotation(-clock[0] * rate))[None])
    found = tried = _settled(calm, session)
    vain = 0
    while vain < _AHEAD and (k := _likeliest(tried, session)) is not None:
        vain += 1
        # Corrected for the number of ways to choose these places.
        limit = float(np.log(_CHANCE) - vain * np.log(len(clock)))
        tried = _pruned(_settled(_parted(tried, k), session), session, limit, keep=k)
        clear = _pruned(tried, session, limit)
        if len(clear.begins) > len(found.begins):
            found = tried = clear
            vain = 0
    return _without_pauses(found, session) if clockless else found


def _parted(rest: Rest, k: int) -> Rest:
    """With a segment of its own from frame k on."""
    begins = tuple(sorted([*rest.begins, k]))
    s = begins.index(k)
    return replace(rest, begins=begins, poses=np.insert(rest.poses, s, rest.poses[s - 1], axis=0))


def _joined(rest: Rest, s: int) -> Rest:
    """Without the beginning of segment s."""
    begins = rest.begins[:s] + rest.begins[s + 1 :]
    return replace(rest, begins=begins, poses=np.delete(rest.poses, s, axis=0))


def _departures(rest: Rest, turns: Array) -> Array:
    """Residual of each rotation from rate and poses (P, 3), rad, in the reference's axes."""
    poses = rest.poses[rest.segment]
    turned = rotation(-rest.clock[:, None] * rest.rate)
    return np.asarray(rotation_vector(poses.transpose(0, 2, 1) @ turns @ turned))


def _columns(rest: Rest) -> Array:
    """Regressors (P, 1 + G): the clock, and a step where each segment begins."""
    after = np.arange(len(rest.clock))[:, None] >= np.array(rest.begins)
    return np.concatenate([rest.clock[:, None], after.astype(np.float64)], axis=1)


def _least_absolute(columns: Array, away: Array, clock: Array) -> tuple[Array, Array, Array]:
    """Coefficients (…, p, 3) of the fit of ``away`` (P, 3) by columns (…, P, p) with the least sum
    of lengths, inverse products (…, p, p), and residuals (…, P, 3).
    """
    far = np.abs(clock - np.median(clock))
    trust = np.minimum(1.0, _LEVERAGE * np.median(far) / np.maximum(far, 1e-9))
    weight = np.broadcast_to(trust, columns.shape[:-1])
    scale = np.maximum(np.abs(columns).max(axis=-2, keepdims=True), 1e-12)
    scaled = columns / scale
    turned = np.swapaxes(scaled, -1, -2)
    ridge = _RIDGE * np.eye(columns.shape[-1])
    for _ in range(_ROUNDS):
        inverse = np.linalg.inv((turned * weight[..., None, :]) @ scaled + ridge)
        by = inverse @ (turned @ (weight[..., None] * away))
        left = away - scaled @ by
        size = np.linalg.norm(left, axis=-1)
        # Within half the usual scatter all have equal weight.
        usual = 0.5 * np.median(size, axis=-1, keepdims=True) + 1e-9
        weight = trust * np.minimum(1.0, usual / np.maximum(size, 1e-12))
    inverse = np.linalg.inv((turned * trust) @ scaled + ridge)
    back = np.swapaxes(scale, -1, -2)
    return by / back, inverse / back / scale, left


def _settled(rest: Rest, session: _Session) -> Rest:
    """Rate and poses fitted anew."""
    columns = _columns(rest)
    for _ in range(_SWEEPS):
        by = _least_absolute(columns, _departures(rest, session.turns), rest.clock)[0]
        steps = np.cumsum(by[1:], axis=0)
        rest = replace(rest, rate=rest.rate + by[0], poses=rest.poses @ rotation(steps))
        if np.abs(columns @ by).max() < _STILL:
            break
    return rest


def _likeliest(rest: Rest, session: _Session) -> int | None:
    """The frame at which a further change leaves the least residual; None where there is none.

    In long sessions every few frames first, then around the best of these.
    """
    frames, unknowns = len(rest.clock), 1 + len(rest.begins)
    every = -(-frames // _TRIED)
    if frames <= unknowns + 1:
        return None
    best = _best(rest, session, np.arange(1, frames, every))
    if best is None or every == 1:
        return best
    return _best(rest, session, np.arange(max(best - every + 1, 1), min(best + every, frames)))


def _best(rest: Rest, session: _Session, places: Index) -> int | None:
    """That of the places at which a further change leaves the least residual."""
    places = np.setdiff1d(places, rest.begins)
    if len(places) == 0:
        return None
    columns = _columns(rest)
    away = _departures(rest, session.turns) @ _metric(rest, session)
    frames = len(away)
    after = np.arange(frames) >= places[:, None]
    each = np.broadcast_to(columns, (len(places), *columns.shape))
    tried = np.concatenate([each, after[:, :, None]], axis=2)
    by, _, left = _least_absolute(tried, away, rest.clock)
    cost = np.sum(np.linalg.norm(left, axis=2), axis=1)
    steps = np.linalg.norm(by[:, -1], axis=1)
    sides = _sides(rest, places)
    at_end = (places == 1) | (places == frames - 1)
    together = (sides == 2) & (_between_two(rest, places, left) < _AGREE * steps)
    enough = (sides >= _SIDE) | together | ((steps > _AIMED) & ((sides >= 2) | at_end))
    cost[~enough] = np.inf
    best = int(np.argmin(cost))
    return int(places[best]) if np.isfinite(cost[best]) else None


def _sides(rest: Rest, places: Index) -> Index:
    """Frames to the nearest other change or end, from each place."""
    ends = np.array([*rest.begins, len(rest.clock)])
    return np.asarray(np.min(np.abs(places[:, None] - ends), axis=1))


def _between_two(rest: Rest, places: Index, left: Array) -> Array:
    """Distance between the two frames next to each place, on its shorter side, from the residuals
    (N, P, 3) of the fits with a change there.
    """
    ends = np.array([*rest.begins, len(rest.clock)])
    later = np.isin(places + 2, ends)
    first = np.clip(np.where(later, places, places - 2), 0, left.shape[1] - 2)
    which = np.arange(len(places))
    return np.asarray(np.linalg.norm(left[which, first] - left[which, first + 1], axis=1))


def _pruned(rest: Rest, session: _Session, limit: float, keep: int | None = None) -> Rest:
    """Without the changes that are not significant, except the one at frame ``keep``."""
    while True:
        steps = _steps(rest, session)
        vague = [
            (not one.plain, one.chance, s)
            for s, one in enumerate(steps, 1)
            if rest.begins[s] != keep and not (one.plain and one.chance < limit)
        ]
        if not vague:
            return rest
        rest = _settled(_joined(rest, max(vague)[-1]), session)


def _without_pauses(rest: Rest, session: _Session) -> Rest:
    """With steps about the axis only counted as time: pauses, and files out of order."""
    while True:
        steps = _steps(rest, session)
        vague = [
            (one.chance_across, s)
            for s, one in enumerate(steps, 1)
            if one.chance_across > np.log(_CHANCE_PAUSE if one.onward > 0 else _CHANCE_BACK)
        ]
        if not vague:
            break
        s = max(vague)[1]
        rest = _joined(_later(rest, s, steps[s - 1].onward), s)
        rest = _settled(rest, session)
    for s, one in enumerate(steps, 1):
        if one.onward * float(np.linalg.norm(rest.rate)) > _AXIAL * one.across:
            rest = _later(rest, s, one.onward)
    return _settled(rest, session)


def _later(rest: Rest, s: int, wait: float) -> Rest:
    """With a pause before segment s, in units of the clock, instead of a turn of the tripod."""
    clock = rest.clock + wait * (np.arange(len(rest.clock)) >= rest.begins[s])
    back = np.where(np.arange(len(rest.poses)) >= s, -wait, 0.0)
    return replace(rest, clock=clock, poses=rest.poses @ rotation(back[:, None] * rest.rate))


def _steps(rest: Rest, session: _Session) -> list[_Step]:
    """The changes with which segments begin, from the second segment on."""
    metric = _metric(rest, session)
    columns, away = _columns(rest), _departures(rest, session.turns) @ metric
    alike = _alike(_least_absolute(columns, away, rest.clock)[2], columns.shape[1])
    by, inverse, left = _least_absolute(
        _whitened(columns, alike), _whitened(away, alike), rest.clock
    )
    sigma, free = _scatter(left, columns.shape[1], session.focal)
    least = max(_LEAST_PX / session.focal, _LEAST_SCATTER * sigma / np.sqrt(1 - alike**2))
    rate = rest.rate @ metric + by[0]
    found = []
    for s in range(1, len(rest.begins)):
        known = rotation_vector(rest.poses[s - 1].T @ rest.poses[s]) @ metric
        step = known + by[s + 1]
        size = np.linalg.norm([known, step], axis=1)
        whole = float(size[1] / np.sqrt(inverse[s + 1, s + 1]) / sigma)
        across = _second([rate, step], inverse[np.ix_([0, s + 1], [0, s + 1])]) / sigma
        onward = float(step @ rate / (rate @ rate))
        found.append(
            _Step(
                _log_chance(whole**2 / 3, 3, free),
                _log_chance(across**2 / 2, 2, free),
                float(np.linalg.norm(step - onward * rate)),
                onward,
                bool(size.min() > least) and _sudden(rest, away, s, step),
            )
        )
    return found


def _log_chance(ratio: float, own: int, free: float) -> float:
    """Logarithm of the chance that a ratio of variances is larger (F distribution)."""
    with np.errstate(divide="ignore"):
        return float(np.log(fdtrc(own, free, ratio)))


def _scatter(left: Array, unknowns: int, focal: float) -> tuple[float, float]:
    """Standard deviation of one component of residuals (P, 3), and its degrees of freedom."""
    frames = len(left)
    free = max(frames - unknowns, 0) + _PRIOR_FRAMES
    own = float(np.median(np.linalg.norm(left, axis=1))) / _MAXWELL
    return float(
        np.sqrt((_PRIOR_FRAMES * (_SHAKE_PX / focal) ** 2 + frames * own**2) / free)
    ), _FREEDOM * free


def _second(vectors: Sequence[Array], covariance: Array) -> float:
    """How far two vectors with errors of ``covariance`` (2, 2) are from lying along one line, in
    standard deviations (second singular value; Anderson 1951, reduced rank).
    """
    values, turn = np.linalg.eigh(covariance)
    root = turn.T / np.sqrt(np.maximum(values, 1e-300))[:, None]
    return float(np.linalg.svd(root @ np.array(vectors), compute_uv=False)[1])


def _metric(rest: Rest, session: _Session) -> Array:
    """Matrix (3, 3) that residuals are multiplied by before their lengths are compared: without
    times they may scatter more along the axis than across it.
    """
    if not session.clockless:
        return np.eye(3)
    axis = rest.rate / np.linalg.norm(rest.rate)
    away = _departures(rest, session.turns)
    along = away @ axis
    across = np.linalg.norm(away - along[:, None] * axis, axis=1)
    # Medians of one and of two Gaussian components.
    own, other = np.median(np.abs(along)) / 0.6745, np.median(across) / 1.1774
    share = min(1.0, _UNEVEN * float(other) / max(float(own), 1e-12))
    return np.asarray(np.eye(3) - (1 - share) * np.outer(axis, axis))


def _alike(left: Array, unknowns: int) -> float:
    """Correlation of the wind from frame to frame, from residuals (P, 3) of a fit."""
    frames = len(left)
    size = np.linalg.norm(left, axis=1)
    own = left * np.minimum(1.0, 2 * np.median(size) / np.maximum(size, 1e-12))[:, None]
    seen = float(np.sum(own[1:] * own[:-1]) / max(np.sum(own**2), 1e-30))
    # The fitted parameters reduce it by about this much (from simulated residuals).
    free = max(frames - unknowns - 2, 1)
    return float(np.clip((frames * seen + unknowns) / free, 0.0, _MOST_ALIKE))


def _whitened(values: Array, alike: float) -> Array:
    """Each row less its part correlated with the one before (Prais and Winsten 1954)."""
    first = np.sqrt(1 - alike**2) * values[:1]
    return np.concatenate([first, values[1:] - alike * values[:-1]])


def _sudden(rest: Rest, away: Array, s: int, step: Array) -> bool:
    """Whether the frames beside the change themselves differ by much of the step, and enough of
    them are on their side of its middle: two shaken frames of three make no push.
    """
    ends = [*rest.begins, len(rest.clock)]
    along = away @ step / (step @ step)
    before = along[ends[s - 1] : ends[s]][::-1]
    after = 1 + along[ends[s] : ends[s + 1]]
    apart = np.median(after[:_BESIDE]) - np.median(before[:_BESIDE])
    theirs = np.sum(before[:_NEAR] < 0.5), np.sum(after[:_NEAR] > 0.5)
    enough = min(_SIDE, len(before)), min(_SIDE, len(after))
    return bool(apart > _SUDDEN and theirs[0] >= enough[0] and theirs[1] >= enough[1])
