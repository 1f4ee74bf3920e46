"""Pairing stars: choice of the reference, fixed detections, each frame's pairs with the reference.

Detections that stay at the same sample while others move are no stars (lamps, defects): they would
match perfectly with zero motion, and are set aside first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackkit.align.matching import LEAST_PAIRS, Match, match
from stackkit.arrays import Index
from stackkit.stars.detect import Stars

_STATIC_DISTANCE = 0.6
_STATIC_SHARE = 0.6
_LEAST_SHARE = 0.5
"""Share of the stars found again below which the fixed detections may be stars too."""
_ALL_STILL = 0.7
"""Share of fixed detections above which it is the sky that does not move."""
_STIRRED = 0.15
"""Motion from frame to frame, px, that only the sky has and lamps do not."""
_TRIALS = 3
"""Candidates for the reference that are tried, until half of the frames match."""
_CUT = 0.2
"""Relative merit of a truncated frame as the reference: the grid's extent and the sky background
depend on it, so that it serves only where the complete ones show next to nothing."""
_INTERMEDIATES = 3
"""Frames nearby in time through which one that does not match the reference is matched."""


@dataclass(frozen=True)
class Pairing:
    """Lists run over the frames: ``kept[k]`` rows of table k that may be stars; ``pairs[k]`` (n, 2)
    star of the reference, star of frame k, empty where nothing matches; ``chances[k]`` the
    probability that these pairs are chance, NaN where there are none.
    """

    reference: int
    kept: list[Index]
    pairs: list[Index]
    chances: list[float]


def candidates(tables: Sequence[Stars], shares: Sequence[float] | None) -> list[int]:
    """All frames, the best for a reference first; ``shares`` as in :func:`pair_all`."""
    counts = np.array([len(t) for t in tables], dtype=float)
    widths = np.array([typical_width(t) for t in tables])
    middle = (len(tables) - 1) / 2
    away = np.abs(np.arange(len(tables)) - middle) / max(middle, 1.0)
    sharp = np.nan_to_num(np.nanmedian(widths) / widths, nan=0.0) if counts.any() else 0 * counts
    score = np.sqrt(counts) * sharp * (1 - 0.3 * away)
    if shares is not None:
        score = np.where(np.array(shares) < 1, _CUT * score, score)
    return [int(k) for k in np.argsort(-score, kind="stable")]


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


def pair_all(tables: Sequence[Stars], shares: Sequence[float] | None = None) -> Pairing:
    """Each frame's pairs with the best reference.

    ``shares``: the fraction of each frame's samples present, where some files are truncated.
    """
    flags = static_flags(tables)
    moving = [np.nonzero(~flag)[0] for flag in flags]
    still = float(np.median([flag.mean() for flag in flags if len(flag)] or [0.0]))
    found = []
    for reference in candidates(tables, shares)[:_TRIALS]:
        trial = _match_all(tables, moving, reference)
        if _usual_share(trial) < _LEAST_SHARE:
            # Few moving detections are found again: the sky hardly moves, or lamps under clouds.
            everything = [np.arange(len(t)) for t in tables]
            others = _match_all(tables, everything, reference)
            sky = still > _ALL_STILL or _motion(tables, others) > _STIRRED
            if sky and sum(map(len, others.pairs)) > 2 * sum(map(len, trial.pairs)):
                trial = others
        found.append(trial)
        if 2 * _matched(trial.pairs) >= len(tables) - 1:
            break
        # A frame of something else may rank best as a reference, but no other frame matches it.
    best = max(found, key=lambda trial: _matched(trial.pairs))
    own = best.kept[best.reference]
    pairs, chances = list(best.pairs), list(best.chances)
    pairs[best.reference], chances[best.reference] = np.stack([own, own], axis=1), 0.0
    return replace(best, pairs=pairs, chances=chances)


def _matched(pairs: list[Index]) -> int:
    return sum(len(p) > 0 for p in pairs)


def _motion(tables: Sequence[Stars], trial: Pairing) -> float:
    """Median distance, px, of the pairs' places from the reference's, in the median frame."""
    target = tables[trial.reference].xy
    moved = [
        float(np.median(np.hypot(*(tables[k].xy[p[:, 1]] - target[p[:, 0]]).T)))
        for k, p in enumerate(trial.pairs)
        if len(p) and k != trial.reference
    ]
    return float(np.median(moved)) if moved else 0.0


def _usual_share(trial: Pairing) -> float:
    """Share of the kept stars that are found again, in the median frame."""
    kept, reference = trial.kept, trial.reference
    shares = [
        len(p) / max(min(len(kept[k]), len(kept[reference])), 1)
        for k, p in enumerate(trial.pairs)
        if k != reference
    ]
    return float(np.median(shares)) if shares else 1.0


def _match_all(tables: Sequence[Stars], kept: list[Index], reference: int) -> Pairing:
    """Each frame matched with the reference, or through one nearby that is."""
    pairs = [np.zeros((0, 2), dtype=np.int64) for _ in tables]
    chances = [float("nan") for _ in tables]
    order = sorted(range(len(tables)), key=lambda k: (abs(k - reference), k))
    target = tables[reference].xy[kept[reference]]
    missed = []
    for k in order[1:]:
        found = match(target, tables[k].xy[kept[k]])
        if found is None:
            missed.append(k)
        else:
            pairs[k], chances[k] = _numbers(found, kept[reference], kept[k]), found.chance
    for k in missed:
        near = [j for j in sorted(order[1:], key=lambda j: (abs(j - k), j)) if len(pairs[j])]
        for between in near[:_INTERMEDIATES]:
            found = match(tables[between].xy[kept[between]], tables[k].xy[kept[k]])
            if found is not None:
                pairs[k] = _through(pairs[between], _numbers(found, kept[between], kept[k]))
                if len(pairs[k]) >= LEAST_PAIRS:
                    chances[k] = found.chance + chances[between]
                    break
                pairs[k] = np.zeros((0, 2), dtype=np.int64)
    return Pairing(reference, kept, pairs, chances)


def _numbers(found: Match, a: Index, b: Index) -> Index:
    return np.stack([a[found.pairs[:, 0]], b[found.pairs[:, 1]]], axis=1)


def _through(first: Index, second: Index) -> Index:
    """Pairs (a, c) from pairs (a, b) and (b, c)."""
    _, i, j = np.intersect1d(first[:, 1], second[:, 0], return_indices=True)
    return np.stack([first[i, 0], second[j, 1]], axis=1)
