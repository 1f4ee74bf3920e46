"""All frames onto one reference: which frame that is, which stars are shared, one geometry.

Stars that stay at the same sample while others move are no stars (lamps, defects): they would
match perfectly with zero motion, and are set aside first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackkit.bundle import Geometry, Observations, first_lens, solve
from stackkit.geometry import Array, Lens, Mapping, plane_mapping
from stackkit.matching import LEAST_PAIRS, Match, apply_plane, fit_plane, match
from stackkit.raw.opcodes import LensHint
from stackkit.stars import Stars

Index = NDArray[np.int64]

_STATIC_DISTANCE = 0.6
_STATIC_SHARE = 0.6
_UNEXPLAINED = 1.5
"""A frame whose residual is so many times a plane's own (and 0.1 px) is not the lens's doing."""
_LEAST_SHARE = 0.5
"""Share of the stars found again below which it is asked whether what stays may be stars too."""
_TRIALS = 3
"""Candidates for the reference that are tried, until half of the frames match."""
_HANDS = 3
"""Frames nearby in time through which a frame is matched that does not match the reference."""


@dataclass(frozen=True)
class Registration:
    """What is known of each frame's place: lists run over the frames.

    ``pairs[k]`` (n, 2): star of the reference, star of frame k; ``mappings[k]`` None when frame k
    was not matched; ``residuals[k]`` the median distance, px, of its stars from the mapping.
    """

    reference: int
    geometry: Geometry
    pairs: list[Index]
    mappings: list[Mapping | None]
    residuals: list[float]


def choose_reference(tables: Sequence[Stars]) -> int:
    """The frame with many, sharp stars, rather near the middle of the session."""
    return _candidates(tables)[0]


def _candidates(tables: Sequence[Stars]) -> list[int]:
    """All frames, the best for a reference first."""
    counts = np.array([len(t) for t in tables], dtype=float)
    widths = np.array([typical_width(t) for t in tables])
    middle = (len(tables) - 1) / 2
    away = np.abs(np.arange(len(tables)) - middle) / max(middle, 1.0)
    sharp = np.nan_to_num(np.nanmedian(widths) / widths, nan=0.0) if counts.any() else 0 * counts
    worth = np.sqrt(counts) * sharp * (1 - 0.3 * away)
    return [int(k) for k in np.argsort(-worth, kind="stable")]


def typical_width(stars: Stars) -> float:
    """Median FWHM, px, of the brighter unsaturated stars; NaN without stars."""
    widths = stars.fwhm[~stars.saturated][:200]
    return float(np.median(widths)) if len(widths) else float("nan")


def static_flags(tables: Sequence[Stars]) -> list[NDArray[np.bool_]]:
    """For each frame, which detections sit at one place in most frames."""
    trees = [cKDTree(t.xy) if len(t) else None for t in tables]
    chosen = [tree for tree in trees if tree is not None]
    chosen = chosen[:: max(len(chosen) // 12, 1)]
    flags = []
    for table in tables:
        votes = np.zeros(len(table))
        for tree in chosen:
            if len(table):
                votes += np.isfinite(tree.query(table.xy, distance_upper_bound=_STATIC_DISTANCE)[0])
        flags.append(votes > max(_STATIC_SHARE * len(chosen), 2))
    return flags


def register(
    tables: Sequence[Stars],
    size: tuple[int, int],
    focal_px: float | None,
    up: tuple[float, float] = (0.0, -1.0),
    hint: LensHint | None = None,
) -> Registration:
    """Match every frame with the reference and solve the session's geometry.

    ``size`` (width, height); ``focal_px`` a focal length to start from, if any; ``up`` where in the
    picture (x, y) the zenith lies, roughly; ``hint`` the file's own word on the lens.  Frames that
    do not match have no mapping; nothing is raised.
    """
    moving = [np.nonzero(~flag)[0] for flag in static_flags(tables)]
    found = []
    for reference in _candidates(tables)[:_TRIALS]:
        kept, pairs = moving, _match_all(tables, moving, reference)
        if _usual_share(pairs, kept, reference) < _LEAST_SHARE:
            # Little of what moves is found again: a sky that hardly moves, rather than lamps.
            everything = [np.arange(len(t)) for t in tables]
            others = _match_all(tables, everything, reference)
            if sum(map(len, others)) > 2 * sum(map(len, pairs)):
                kept, pairs = everything, others
        found.append((reference, kept, pairs))
        if 2 * _matched(pairs) >= len(tables) - 1:
            break
        # A frame that shows something else would make the best reference of all, and a lonely one.
    reference, kept, pairs = max(found, key=lambda trial: _matched(trial[2]))
    own = kept[reference]
    pairs[reference] = np.stack([own, own], axis=1)
    return _solved(tables, pairs, reference, size, first_lens(*size, focal_px, up, hint))


def _matched(pairs: list[Index]) -> int:
    return sum(len(p) > 0 for p in pairs)


def _usual_share(pairs: list[Index], kept: list[Index], reference: int) -> float:
    """Share of the kept stars that are found again, in the median frame."""
    shares = [
        len(p) / max(min(len(kept[k]), len(kept[reference])), 1)
        for k, p in enumerate(pairs)
        if k != reference
    ]
    return float(np.median(shares)) if shares else 1.0


def _match_all(tables: Sequence[Stars], kept: list[Index], reference: int) -> list[Index]:
    """Pairs of reference star and frame star for each frame; empty where nothing matches."""
    pairs = [np.zeros((0, 2), dtype=np.int64) for _ in tables]
    order = sorted(range(len(tables)), key=lambda k: (abs(k - reference), k))
    target = tables[reference].xy[kept[reference]]
    missed = []
    for k in order[1:]:
        found = match(target, tables[k].xy[kept[k]])
        if found is None:
            missed.append(k)
        else:
            pairs[k] = _numbers(found, kept[reference], kept[k])
    for k in missed:
        near = [j for j in sorted(order[1:], key=lambda j: (abs(j - k), j)) if len(pairs[j])]
        for hand in near[:_HANDS]:
            found = match(tables[hand].xy[kept[hand]], tables[k].xy[kept[k]])
            if found is not None:
                pairs[k] = _through(pairs[hand], _numbers(found, kept[hand], kept[k]))
                if len(pairs[k]) >= LEAST_PAIRS:
                    break
                pairs[k] = np.zeros((0, 2), dtype=np.int64)
    return pairs


def _numbers(found: Match, a: Index, b: Index) -> Index:
    return np.stack([a[found.pairs[:, 0]], b[found.pairs[:, 1]]], axis=1)


def _through(first: Index, second: Index) -> Index:
    """Pairs (a, c) from pairs (a, b) and (b, c)."""
    _, i, j = np.intersect1d(first[:, 1], second[:, 0], return_indices=True)
    return np.stack([first[i, 0], second[j, 1]], axis=1)


def _solved(
    tables: Sequence[Stars],
    pairs: list[Index],
    reference: int,
    size: tuple[int, int],
    first: tuple[Lens, float],
) -> Registration:
    """One lens for all frames; frames that it does not explain get a plane each, and no say."""
    planes = [
        _plane(tables[reference].xy[p[:, 0]], tables[k].xy[p[:, 1]]) for k, p in enumerate(pairs)
    ]
    odd = [len(p) == 0 for p in pairs]
    while True:
        geometry, residuals = _lens_and_turns(tables, pairs, odd, reference, size, first)
        worse = [
            k
            for k, (_, plain) in enumerate(planes)
            if k != reference and not odd[k] and residuals[k] > _UNEXPLAINED * plain + 0.1
        ]
        if not worse:
            break
        # The one explained worst may have spoiled the lens for the others.
        odd[max(worse, key=lambda k: residuals[k] / (planes[k][1] + 0.1))] = True
    mappings: list[Mapping | None] = []
    for k, (plane, plain) in enumerate(planes):
        if odd[k]:
            mappings.append(plane)
            residuals[k] = plain if plane is not None else float("nan")
        else:
            mappings.append(geometry.mapping(k))
    return Registration(reference, geometry, pairs, mappings, residuals)


def _lens_and_turns(
    tables: Sequence[Stars],
    pairs: list[Index],
    odd: list[bool],
    reference: int,
    size: tuple[int, int],
    first: tuple[Lens, float],
) -> tuple[Geometry, list[float]]:
    """The solution without the ``odd`` frames, and each frame's median residual, px."""
    chosen = [k for k in range(len(pairs)) if not odd[k]]
    frame = np.concatenate([np.full(len(pairs[k]), k) for k in chosen])
    star = np.concatenate([pairs[k][:, 0] for k in chosen])
    xy = np.concatenate([tables[k].xy[pairs[k][:, 1]] for k in chosen])
    sigma = np.concatenate([tables[k].sigma_xy[pairs[k][:, 1]] for k in chosen])
    number = np.unique(star, return_inverse=True)[1]
    seen = Observations(frame, number, xy, sigma)
    geometry = solve(seen, *first, len(pairs), reference, size)
    residuals = [float("nan")] * len(pairs)
    for k in chosen:
        residuals[k] = float(np.median(geometry.residual[frame == k]))
    return geometry, residuals


def _plane(a: Array, b: Array) -> tuple[Mapping | None, float]:
    """A homography for a frame that one shared lens does not explain, and its median residual."""
    matrix = fit_plane(a, b) if len(a) >= LEAST_PAIRS else None
    if matrix is None:
        return None, float("inf")
    away = apply_plane(matrix, a) - b
    return plane_mapping(matrix), float(np.median(np.hypot(away[:, 0], away[:, 1])))
