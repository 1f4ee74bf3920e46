"""All frames onto one reference: choice of the reference frame, shared stars, one geometry.

Detections that stay at the same sample while others move are no stars (lamps, defects): they would
match perfectly with zero motion, and are set aside first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache, partial
from typing import Final

import numpy as np
from threadpoolctl import threadpool_limits

from stackkit.align.bundle import (
    PER_FRAME,
    PLAIN,
    SETTLED,
    Freedom,
    Geometry,
    Observations,
    Start,
    gain_by,
    solve,
    unsolved,
)
from stackkit.align.lens_choice import begun, upright
from stackkit.align.lens_start import first_lens
from stackkit.align.pairing import Pairing, pair_all
from stackkit.align.predict import placed_near
from stackkit.align.sky_rotation import SkyRotation, expected, fit_sky_rotation
from stackkit.align.tracks import Tracks, field_of, follow, gathered, offsets, residuals, spread
from stackkit.align.unmatched import reasons
from stackkit.align.warps import Warp, best_warp
from stackkit.arrays import Array, Index
from stackkit.geometry.jacobians import COUNT
from stackkit.geometry.lens import Lens
from stackkit.geometry.mapping import AnyMapping
from stackkit.raw.opcodes.apply import LensHint
from stackkit.schemas.frames import ModelName
from stackkit.stars.detect import Stars

CAMERA: Final = "camera"
"""The model of a frame that the shared lens and a rotation explain."""
_ROUGHLY = 1e-4
"""Relative decrease of the cost at which a first geometry is good enough to follow stars by."""
_REACH = ((4.0, 8_000, _ROUGHLY), (2.0, 40_000, SETTLED))
"""px within which detections are the same star, observations that are solved for at most (the rest
follow), and how exactly: before and after the geometry is refined.
"""
_ZONES = (0.35, 0.75)
"""Shares of the half diagonal up to which it is the centre, and from which on a corner."""
_LEAST_STARS = 150
_ASKED = 40.0
"""Decrease of the cost above which more parameters are freed …"""
_SHARE = 0.01
"""… and its share of the cost."""
_SUSPECT = 2.0
"""Multiple of the usual scatter above which a frame may be warped …"""
_WARPED = 1.5
"""… and of a warp's residual (and 0.1 px) above which it is."""


_WORST = 0.5
"""Share of the worst ratio above which a frame is left out with the worst one."""


@dataclass(frozen=True)
class Registration:
    """What is known of each frame's place: lists run over the frames.

    ``pairs[k]`` (n, 2): star of the reference, star of frame k; ``mappings[k]`` None when frame k
    was not placed; ``models[k]`` names its model (``CAMERA`` or a warp's name);
    ``residuals[k]`` the median distance, px, of its stars from where they should be, and
    ``zones[k]`` the same at the centre, in the middle and in the corners; ``matched[k]`` its stars
    that other frames show too; ``sky_rotation`` how sky and tripod moved, None where unknown;
    ``unmatched_reasons`` why frames were not matched, where that is known; ``chances`` the
    probability that a frame's match is chance, NaN where there is none; ``beside`` (rows,
    columns, 2), px: the typical offset of stars from where the lens puts them, by their place in
    the picture.
    """

    reference: int
    geometry: Geometry
    pairs: list[Index]
    mappings: list[AnyMapping | None]
    models: list[ModelName | None]
    residuals: list[float]
    zones: list[tuple[float, float, float]]
    matched: list[int]
    sky_rotation: SkyRotation | None
    unmatched_reasons: dict[int, str]
    chances: list[float]
    beside: Array | None = None


def register(
    tables: Sequence[Stars],
    size: tuple[int, int],
    focal_px: float | None,
    up: tuple[float, float] = (0.0, -1.0),
    hint: LensHint | None = None,
    times: Sequence[datetime | None] | None = None,
    shares: Sequence[float] | None = None,
) -> Registration:
    """Match every frame with the reference and solve the session's geometry.

    ``size`` (width, height); ``focal_px`` a focal length to start from, if any; ``up`` where in the
    picture (x, y) the zenith lies, roughly; ``hint`` the lens as the file describes it; ``times``
    of mid-exposure; ``shares`` the fraction of each frame's samples present, where files are
    truncated.  Frames that do not match have no mapping; nothing is raised.
    """
    # Many small matrices: threads waiting for each other would make it ten times as slow.
    with threadpool_limits(limits=1, user_api="blas"):
        return _registered(tables, size, first_lens(*size, focal_px, up, hint), times, shares)


def _registered(
    tables: Sequence[Stars],
    size: tuple[int, int],
    first: tuple[Lens, float],
    times: Sequence[datetime | None] | None,
    shares: Sequence[float] | None,
) -> Registration:
    paired = pair_all(tables, shares)
    lens, prior = first
    turns = np.tile(np.eye(3), (len(tables), 1, 1))
    start = Start(lens, prior, turns, paired.reference, size)
    clock = _seconds(times, paired.reference)
    session = _Session(tables, paired, clock, size, cache(partial(_warp, tables, paired, size)))
    if sum(len(pairs) > 0 for pairs in paired.pairs) < 2:
        alone = [paired.reference]
        return _registration(session, unsolved(start), _own(session, alone), alone, None)
    geometry, placed, start = _from_pairs(session, start)
    if len(placed) > 1:
        session, geometry, placed = _with_lost(session, geometry, placed, start)
        return _from_tracks(session, geometry, placed, start)
    tracks = _own(session, placed)
    return _registration(session, geometry, tracks, placed, None)


@dataclass(frozen=True)
class _Session:
    """What is given: tables, pairs, seconds since the reference (NaN where unknown) or None, size;
    and ``warp``, which fits a frame's own mapping from its pairs with the reference, once.
    """

    tables: Sequence[Stars]
    paired: Pairing
    clock: Array | None
    size: tuple[int, int]
    warp: Callable[[int], Warp | None]


def _seconds(times: Sequence[datetime | None] | None, reference: int) -> Array | None:
    """Seconds since the reference's time (F,), NaN where unknown; None without two times."""
    if times is None or times[reference] is None:
        return None
    zero = times[reference]
    clock = [(t - zero).total_seconds() if t and zero else np.nan for t in times]
    return np.array(clock) if np.isfinite(clock).sum() > 2 else None


def _thinned(seen: Observations, start: Start, most: int) -> Observations:
    frames = len(np.unique(seen.frame))
    return spread(seen, max(most // max(frames, 1), _LEAST_STARS), start.size)


def _own(session: _Session, frames: Sequence[int]) -> Tracks:
    """Tracks of the matched pairs alone: every star is one of the reference's."""
    rows = [(pairs[:, 0], pairs[:, 1]) for pairs in session.paired.pairs]
    return gathered(session.tables, rows, frames)


def _from_pairs(session: _Session, start: Start) -> tuple[Geometry, list[int], Start]:
    """A first geometry from the pairs, the frames that it explains, and the start for the next."""
    placed = [k for k, pairs in enumerate(session.paired.pairs) if len(pairs)]
    given = start
    start = begun(_own(session, placed).seen, given)
    while True:
        tracks = _own(session, placed)
        seen = _thinned(tracks.seen, start, _REACH[0][1])
        geometry = solve(seen, start, settled=_ROUGHLY)
        odd = _odd(session, geometry, tracks, placed)
        if not odd:
            break
        if start.freedom == PLAIN and _freedom(seen, _going_on(start, geometry)).scales:
            # Perhaps the focus was changed; a lens fitted without scales is no start then.
            start = begun(tracks.seen, replace(given, freedom=Freedom(scales=True)))
            continue
        placed = [k for k in placed if k not in odd]
    sky_rotation = _pushes_alone(_sky_rotation(session, geometry, placed))
    start = upright(seen, start, geometry, sky_rotation)
    return solve(seen, start, sky_rotation, _ROUGHLY), placed, start


def _pushes_alone(sky_rotation: SkyRotation | None) -> SkyRotation | None:
    """At first only the pushes are used: when the tripod moves, so does the zenith."""
    return replace(sky_rotation, trusted=False) if sky_rotation else None


def _odd(session: _Session, geometry: Geometry, tracks: Tracks, placed: Sequence[int]) -> list[int]:
    """The frames that fit worst compared with a warp of their own.  Only the worst, since they may
    have spoiled the lens for the others.
    """
    away = residuals(tracks, geometry)
    middle = {k: float(np.median(away[tracks.seen.frame == k])) for k in placed}
    noise = {k: float(np.median(tracks.seen.sigma[tracks.seen.frame == k])) for k in placed}
    suspects = [k for k in placed if middle[k] > _SUSPECT * noise[k] + 0.1]
    ratios = {}
    for k in suspects:
        warp = session.warp(k)
        if k != session.paired.reference and warp is not None:
            ratios[k] = middle[k] / (_WARPED * warp.residual + 0.1)
    worst = max(ratios.values(), default=0.0)
    return [k for k, ratio in ratios.items() if ratio > max(1.0, _WORST * worst)]


def _warp(tables: Sequence[Stars], paired: Pairing, size: tuple[int, int], k: int) -> Warp | None:
    """The own mapping of frame ``k``."""
    pairs = paired.pairs[k]
    if len(pairs) == 0:
        return None
    a, b = tables[paired.reference], tables[k]
    sigma = np.hypot(a.sigma_xy[pairs[:, 0]], b.sigma_xy[pairs[:, 1]])
    return best_warp(a.xy[pairs[:, 0]], b.xy[pairs[:, 1]], sigma, size)


def _with_lost(
    session: _Session, geometry: Geometry, placed: list[int], start: Start
) -> tuple[_Session, Geometry, list[int]]:
    """The session and its geometry with the frames that no triangle matched but whose stars are
    where they were predicted.
    """
    lost = [k for k, pairs in enumerate(session.paired.pairs) if len(pairs) == 0]
    if not lost:
        return session, geometry, placed
    sky_rotation = _sky_rotation(session, geometry, placed)
    turns, chances = geometry.rotations.copy(), list(session.paired.chances)
    for k in lost:
        xy = session.tables[k].xy[session.paired.kept[k]]
        near = min(placed, key=lambda j: (abs(j - k), j))
        guess = turns[near]
        if sky_rotation is not None and np.isfinite(sky_rotation.angle[k]):
            guess = expected(sky_rotation)[k]
        found = placed_near(xy, geometry.directions, geometry.lenses[near], guess, start.size)
        if found is not None:
            turns[k], chances[k] = found
            placed = sorted([*placed, k])
    session = replace(session, paired=replace(session.paired, chances=chances))
    return session, replace(geometry, rotations=turns), placed


def _sky_rotation(
    session: _Session, geometry: Geometry, placed: Sequence[int]
) -> SkyRotation | None:
    order = np.array(sorted(placed, key=lambda k: _when(session, k)))
    turns = slice(COUNT, COUNT + PER_FRAME * len(geometry.rotations))
    own = geometry.covariance[turns, turns].reshape((len(geometry.rotations), PER_FRAME) * 2)
    covariance = own[:, :3, :, :3].reshape((3 * len(geometry.rotations),) * 2)
    return fit_sky_rotation(geometry.rotations, order, session.clock, covariance, geometry.lens.f)


def _when(session: _Session, k: int) -> tuple[float, int]:
    time = k if session.clock is None else session.clock[k]
    return (float(time) if np.isfinite(time) else np.inf, k)


def _from_tracks(
    session: _Session, geometry: Geometry, placed: list[int], start: Start
) -> Registration:
    """The geometry refined on every star that a few frames show, with what is known of the sky."""
    reference, kept = session.paired.reference, session.paired.kept
    for reach, most, settled in _REACH:
        tracks = follow(session.tables, kept, geometry, placed, reference, reach)
        seen = _thinned(tracks.seen, start, most)
        free = _pushes_alone(_sky_rotation(session, geometry, placed))
        geometry = solve(seen, _going_on(start, geometry), free, settled)
    freedom = _freedom(seen, _going_on(start, geometry), free)
    if freedom != start.freedom:
        start = replace(start, freedom=freedom)
        geometry = solve(seen, _going_on(start, geometry), free)
    sky_rotation = _sky_rotation(session, geometry, placed)
    if sky_rotation is not None and sky_rotation.trusted:
        geometry = solve(seen, _going_on(start, geometry), sky_rotation)
    return _registration(session, geometry, tracks, placed, sky_rotation)


def _going_on(start: Start, geometry: Geometry) -> Start:
    return replace(start, begin=geometry.lens, turns=geometry.rotations, scales=geometry.scales)


def _freedom(seen: Observations, start: Start, sky_rotation: SkyRotation | None = None) -> Freedom:
    """What is free already, and what else the data require."""
    asked = {name: True for name, free in vars(start.freedom).items() if free}
    for name in vars(start.freedom).keys() - asked.keys():
        freer = replace(start, freedom=replace(start.freedom, **{name: True}))
        gain, cost = gain_by(seen, freer, sky_rotation)
        asked[name] = gain > max(_ASKED, _SHARE * cost)
    return Freedom(**asked)


def _registration(
    session: _Session,
    geometry: Geometry,
    tracks: Tracks,
    placed: Sequence[int],
    sky_rotation: SkyRotation | None,
) -> Registration:
    """The registration, frame by frame."""
    reference, size = session.paired.reference, session.size
    beside = offsets(tracks, geometry)
    away = np.hypot(*beside.T)
    frames = range(len(session.tables))
    pairs = list(session.paired.pairs)
    mappings: list[AnyMapping | None] = [None for _ in frames]
    models: list[ModelName | None] = [None for _ in frames]
    middle, zones = [np.nan for _ in frames], [(np.nan,) * 3 for _ in frames]
    for k in frames:
        if k in placed:
            here = tracks.seen.frame == k
            pairs[k] = _shared(tracks, reference, k)
            mappings[k], models[k] = geometry.mapping(k, reference), CAMERA
            middle[k] = float(np.median(away[here])) if here.any() else np.nan
            zones[k] = _by_zone(tracks.seen.xy[here], away[here], size)
            continue
        warp = session.warp(k)
        if warp is not None:
            mappings[k], models[k], middle[k] = warp.mapping, warp.model.value, warp.residual
    matched = [len(tracks.of(k)[0]) if k in placed else len(pairs[k]) for k in frames]
    lost = [k for k in frames if mappings[k] is None]
    unmatched_reasons = reasons(session.tables, session.paired, lost, size) if lost else {}
    return Registration(
        reference,
        geometry,
        pairs,
        mappings,
        models,
        middle,
        zones,
        matched,
        sky_rotation,
        unmatched_reasons,
        session.paired.chances,
        field_of(tracks.seen.xy, beside, size),
    )


def _shared(tracks: Tracks, reference: int, k: int) -> Index:
    """Rows of the reference's and of frame k's table that show the same star."""
    (one, a), (other, b) = tracks.of(reference), tracks.of(k)
    _, i, j = np.intersect1d(one, other, return_indices=True)
    return np.stack([a[i], b[j]], axis=1)


def _by_zone(xy: Array, away: Array, size: tuple[int, int]) -> tuple[float, float, float]:
    """Medians at the centre, in the middle and in the corners; NaN where there is no star."""
    middle = (np.array(size) - 1) / 2
    radius = np.hypot(*(xy - middle).T) / np.hypot(*middle)
    zone = np.digitize(radius, _ZONES)
    inner, mid, outer = (
        float(np.median(away[zone == z])) if (zone == z).any() else np.nan for z in range(3)
    )
    return inner, mid, outer
