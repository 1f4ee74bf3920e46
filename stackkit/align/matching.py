"""Matching the stars of two frames: seeds, growth, the probability of a chance match.

Similar triangles (``triangles.py``) give similarities that hold around one place.  The credible
ones are grown outwards, with a model that gains degrees of freedom as pairs are added, since
through a wide lens no plane transform holds over the whole picture.  The probability that the
pairs are chance is computed along the way, as the expected number of models as good in unrelated
fields (the reasoning of Moisan & Stival 2004, IJCV 57:201, with the local star density).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from stackkit.align.spatial import (
    Grid,
    around,
    gridded,
    mutual,
    nearest_one,
    nearness,
    parts,
    smoothed,
    usual,
    variances,
)
from stackkit.align.triangles import Seed, seeds
from stackkit.arrays import Array, Index
from stackkit.jit import jit

_LEVELS = ((40, 6), (60, 14), (200, 7), (6000, 6))
"""Stars that form triangles, and with how many neighbours, until something is found."""
_SEEDS = 12
"""Seeds of each level that are grown at most."""
_STEPS = 20
"""Steps of growth at most."""
_LEAST_OF_DEGREE = (2, 8, 24, 60)
"""Pairs from which on a similarity (0) or a polynomial of degree 1, 2, 3 may be the model."""
_HELD = 0.85
"""Share of the stars found that a step of growth must keep, or the model is too stiff."""
_LEAST_GROWTH = 1.1
"""Smallest growth of the region: at this factor a step is taken even if it keeps fewer."""
_AROUND = 8
"""Neighbours from which the local star density and distortion are estimated."""
_ROUND = 20
"""Neighbours searched for those with a partner, and stars that vote on a seed."""
_CROSSED = 0.02
"""Share of stars that may be paired wrongly while a match grows: sets the search radius."""
_STRAY = 3.0
"""Multiple of its neighbours' typical residual beyond which a pair is dropped."""
_REPEATED = 0.5
"""Share of the pairs that may coincide after a shift, as the lamps of a row do."""
_NARROW = 0.03
"""Ratio of width to length below which the pairs lie in a row."""
LEAST_PAIRS = 6
MOST_CHANCE = 1e-6
"""Probability of a chance match above which a match is refused."""


@dataclass(frozen=True)
class Match:
    """Pairs (N, 2) of star numbers (a, b) and the probability that they are chance."""

    pairs: Index
    chance: float


@dataclass(frozen=True)
class _Step:
    """Pairs found in a region by a model of some degree, the stars tried, and the chance."""

    pairs: Index
    degree: int
    trials: int
    chance: float


@dataclass(frozen=True)
class _Target:
    """The stars of b in cells, with the variances and density of the ``around`` nearest of each.

    ``room`` px is the search radius while a match grows.
    """

    grid: Grid
    spread: Array
    crowding: Array
    around: int
    room: float


def match(a: Array, b: Array, *, tolerance: float = 2.0) -> Match | None:
    """Match stars ``a`` (N, 2) with ``b`` (M, 2), px, brightest first; None rather than a guess.

    ``tolerance`` px is the position error allowed.  Where stars are sparse and the lens distorts,
    a star may lie up to four times as far from where its neighbours put it.
    """
    found = best_match(a, b, tolerance)
    return found if found is not None and found.chance < MOST_CHANCE else None


def best_match(a: Array, b: Array, tolerance: float, limit: float = MOST_CHANCE) -> Match | None:
    """The first match with a chance below ``limit``, else the best there is, however poor."""
    if len(a) < LEAST_PAIRS or len(b) < LEAST_PAIRS:
        return None
    target = _target(b, tolerance)
    near = around(gridded(a), min(_ROUND + 1, len(a)))
    best: Match | None = None
    lamps = 0
    for level, (size, neighbours) in enumerate(_LEVELS):
        if level > 1 and _LEVELS[level - 1][0] >= max(len(a), len(b)):
            break
        tried = seeds(a, near, target.grid, target.crowding, size, neighbours, tolerance)
        for seed in tried[:_SEEDS]:
            grown = _grown(a, near, target, seed, tolerance)
            if grown is None or (best is not None and grown[0].chance >= best.chance):
                continue
            found, witnesses = grown
            if _lamps(target, witnesses) or _lamps(target, found.pairs[:, 1]):
                lamps += 1
                if lamps == _SEEDS:
                    return best
                continue
            best = found
            if best.chance < limit:
                return best
    return best


def _target(b: Array, tolerance: float) -> _Target:
    count = min(_AROUND, len(b) - 1)
    grid = gridded(b)
    spread = variances(b, around(grid, count + 1))
    crowding = nearness(np.full(len(b), tolerance), spread, count) / (np.pi * tolerance**2)
    room = np.sqrt(_CROSSED / (np.pi * np.median(crowding)))
    room = float(np.clip(room, tolerance, 4 * tolerance))
    return _Target(grid, spread, crowding, count, room)


def chance_of(near: Array, trials: int, used: int, models: float) -> float:
    """Number of models expected to fit as well among unrelated stars, 1 at most.

    ``near`` (K,): for each pair the probability of a chance star as near; ``trials`` the
    stars that could have had a partner; ``used`` the pairs that determine a model; ``models`` the
    logarithm of the number of models.  For each k: the binomial tail of k - used hits among
    trials - used at the k-th smallest probability, which is raised by k / (k - used), since the
    fit has reduced the residuals.  The smallest over k counts, times the number of k tried.
    """
    k = np.arange(used + 1, len(near) + 1)
    if len(k) == 0:
        return 1.0
    hits, tries = k - used, max(trials, len(near)) - used
    p = np.clip(np.sort(near)[used:] * k / hits, 1e-30, 1 - 1e-9)
    # First term of the tail; a geometric series bounds the rest while hits > tries · p.
    ratio = np.minimum((tries - hits) * p / ((hits + 1) * (1 - p)), 0.999)
    log = gammaln(tries + 1) - gammaln(hits + 1) - gammaln(tries - hits + 1)
    log = log + hits * np.log(p) + (tries - hits) * np.log1p(-p) - np.log1p(-ratio)
    tail = np.where(hits > tries * p, np.minimum(log, 0.0), 0.0)
    return float(np.exp(np.clip(np.min(tail) + models + np.log(len(k)), -690.0, 0.0)))


def _grown(
    a: Array, near: Index, target: _Target, seed: Seed, tolerance: float
) -> tuple[Match, Index] | None:
    """A seed grown as far as it goes, with the chance of the most significant step on the way.

    Also returned are the stars of b that took part in that step.
    """
    away = np.hypot(*(a - a[seed.centre]).T)
    reach, farthest = float(away[near[seed.centre, -1]]), float(away.max())
    z = seed.factor * (a[:, 0] + 1j * a[:, 1]) + seed.shift
    guess = np.stack([z.real, z.imag], axis=1)
    pairs, _ = mutual(target.grid, guess, target.room, away <= reach)
    least, witnesses = 1.0, pairs[:, 1]
    share, degree, grown, factor = 0.0, 0, reach, 2.0
    for _ in range(_STEPS):
        step = _extended(a, target, pairs, away <= reach, degree, share)
        if step is None:
            return None
        # Corrected for the number of seeds and steps tried.
        chance = step.chance * len(a) * _STEPS
        if chance < least:
            least, witnesses = chance, step.pairs[:, 1]
        if not _held(step, share) and factor > _LEAST_GROWTH:
            factor = np.sqrt(factor)
            reach = grown * factor
            continue
        complete = reach >= farthest and len(step.pairs) <= len(pairs)
        pairs, degree, share = step.pairs, step.degree, len(step.pairs) / max(step.trials, 1)
        if complete:
            break
        factor = min(factor * factor, 2.0)
        grown, reach = reach, reach * factor
    pairs = _settled(a, near, target, pairs, tolerance)
    return (Match(pairs, least), witnesses) if len(pairs) >= LEAST_PAIRS else None


def _extended(
    a: Array, target: _Target, pairs: Index, inside: NDArray[np.bool_], degree: int, share: float
) -> _Step | None:
    """Pairs of the stars ``inside`` by the simplest model that still finds that share of them."""
    grid = target.grid
    low, high = grid.xy.min(axis=0), grid.xy.max(axis=0)
    best: _Step | None = None
    for freedom in range(degree, len(_LEAST_OF_DEGREE)):
        if len(pairs) < _LEAST_OF_DEGREE[freedom]:
            break
        modelled = _modelled(a[pairs[:, 0]], grid.xy[pairs[:, 1]], a, freedom)
        if modelled is None:
            break
        guess, used = modelled
        found, distance = mutual(grid, guess, target.room, inside)
        if best is not None and len(found) <= len(best.pairs):
            continue
        trials = int(((guess >= low) & (guess <= high)).all(axis=1)[inside].sum())
        near = nearness(distance, target.spread[found[:, 1]], target.around)
        # The number of models: any choice of the pairs that determine one, from both lists.
        models = used * np.log(inside.sum() * len(grid.xy)) - gammaln(used + 1)
        chance = chance_of(near, trials, used, float(models))
        best = _Step(found, freedom, trials, chance)
        if _held(best, share):
            break
    return best


def _held(step: _Step, share: float) -> bool:
    """Whether as many stars are found as the share in the smaller region predicts, less 2 σ."""
    promised = share * step.trials
    return bool(len(step.pairs) >= _HELD * promised - 2 * np.sqrt(promised))


def _modelled(p: Array, q: Array, at: Array, degree: int) -> tuple[Array, int] | None:
    """Least-squares model of pairs p → q (N, 2) at places, and how many pairs determine it.

    ``degree`` that of a polynomial, 0 for a similarity.
    """
    middle, size = p.mean(axis=0), max(float(p.std()), 1e-9)
    if degree == 0:
        z, w = (p - middle) @ [1, 1j], (q - q.mean(axis=0)) @ [1, 1j]
        turned = (at - middle) @ [1, 1j] * (np.vdot(z, w) / max(np.vdot(z, z).real, 1e-9))
        return np.stack([turned.real, turned.imag], axis=1) + q.mean(axis=0), 2
    terms = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]

    def design(xy: Array) -> Array:
        x, y = ((xy - middle) / size).T
        columns = {(0, 0): np.ones_like(x)}
        for i, j in terms[1:]:
            columns[i, j] = columns[i, j - 1] * y if j else columns[i - 1, j] * x
        return np.stack(list(columns.values()), axis=1)

    solution = _solved(design(p), q - middle)
    return (design(at) @ solution + middle, len(terms)) if solution is not None else None


def _solved(design: Array, values: Array) -> Array | None:
    """Least squares by the normal equations, for columns of similar size; None if singular."""
    normal = design.T @ design
    solution, _, rank, _ = np.linalg.lstsq(normal, design.T @ values, rcond=1e-13)
    return np.asarray(solution) if rank == len(normal) else None


def _settled(a: Array, near: Index, target: _Target, pairs: Index, tolerance: float) -> Index:
    """The pairs when each star is compared with its neighbours' residuals from the model.

    Distortion beyond the model is similar among neighbours: pairs spread from where there are some
    already.  A wrong pair disagrees with its neighbours and is dropped.
    """
    grid = target.grid
    for _ in range(_STEPS):
        before = len(pairs)
        pairs, _ = mutual(grid, _placed(a, near, grid.xy, pairs), target.room)
        if len(pairs) <= 1.005 * before:
            break
    for _ in range(2):
        pairs, distance = mutual(grid, _placed(a, near, grid.xy, pairs), target.room)
        column = np.full(len(a), np.nan)
        column[pairs[:, 0]] = distance
        stray = _STRAY * usual(near, column, _AROUND + 1)[pairs[:, 0]]
        limit = np.maximum(stray, 0.25 * tolerance)
        crossed = nearness(distance, target.spread[pairs[:, 1]], target.around)
        good = (distance <= limit) & (crossed < _CROSSED)
        pairs = pairs[good]
        if good.all():
            break
    return pairs


def _placed(a: Array, near: Index, b: Array, pairs: Index) -> Array:
    """Where (N, 2) stars of a should be in b: the model plus the neighbours' residuals."""
    degree = sum(len(pairs) >= least for least in _LEAST_OF_DEGREE) - 1
    modelled = _modelled(a[pairs[:, 0]], b[pairs[:, 1]], a, degree) if degree >= 0 else None
    guess = modelled[0] if modelled is not None else np.full_like(a, np.nan)
    if len(pairs) <= _AROUND:
        return guess
    residual = np.full_like(a, np.nan)
    residual[pairs[:, 0]] = b[pairs[:, 1]] - guess[pairs[:, 0]]
    return guess + smoothed(a, near, residual, _AROUND)


def _lamps(target: _Target, own: Index) -> bool:
    """Whether the stars ``own`` of b lie in one line, or a motion puts half of them onto others.

    Rows, grids and rings of lamps do so, and then any match is ambiguous.  Motions are tried
    that carry a star and a neighbour onto another star and its neighbour.
    """
    b = target.grid
    if len(own) < 3:
        return False
    small, large = np.linalg.eigvalsh(np.cov(b.xy[own].T))
    if small < _NARROW**2 * large:
        return True
    few = np.arange(0, len(own), max(len(own) // 40, 1))
    near = own[around(gridded(b.xy[own]), min(5, len(own)), few)]
    return bool(_carried(*parts(b), near, target.room, _REPEATED * (len(few) - 2)))


@jit
def _carried(xy, order, start, origin, cell, columns, near, within, enough):  # type: ignore[no-untyped-def]
    z = xy[:, 0] + 1j * xy[:, 1]
    for i in range(0, len(near), max(len(near) // 6, 1)):
        here = z[near[i, 0]]
        edge = z[near[i, 1]] - here
        for k in range(len(near)):
            there = z[near[k, 0]]
            for m in range(1, near.shape[1]):
                other = z[near[k, m]] - there
                if abs(abs(other) - abs(edge)) > within or abs(edge) <= within:
                    continue
                if abs(there - here) <= within and abs(other - edge) <= within:
                    continue
                # A short edge measures a small rotation poorly: then none is assumed.
                turn = other / edge if abs(other - edge) > within else 1.0 + 0.0j
                turn /= abs(turn)
                met = -2  # the star and its neighbour are carried by construction
                for n in range(len(near)):
                    w = there + turn * (z[near[n, 0]] - here)
                    if (
                        nearest_one(
                            xy, order, start, origin, cell, columns, w.real, w.imag, within
                        )[0]
                        >= 0
                    ):
                        met += 1
                if met >= enough:
                    return True
    return False
