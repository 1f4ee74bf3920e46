"""Which star of one frame is which star of another: triangles, votes, verification.

Triangles of neighbouring bright stars are described by two side ratios, which turning, shifting
and scaling leave alone (Groth 1986, AJ 91:1244; ratios as in Valdes et al. 1995, PASP 107:1119).
Like triangles vote for a similarity; the best ones are checked on all stars and grown into a
homography.  What is accepted has a computed probability of being chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import bdtrc

from stackkit.geometry import Array

Index = NDArray[np.int64]

_BRIGHTEST = 160
"""Stars of each frame that form triangles."""
_NEIGHBOURS = 6
_RATIO_TOLERANCE = 0.006
_SCALES = (0.9, 1.1)
"""Frames of one camera: a refocus changes the scale by little."""
_HYPOTHESES = 60
"""Similarities that are checked on all stars."""
LEAST_PAIRS = 6
MOST_CHANCE = 1e-6
"""Probability of a chance match above which a match is refused."""


@dataclass(frozen=True)
class Match:
    """Pairs (N, 2) of star numbers (a, b), a homography (3, 3) a → b, its chance probability."""

    pairs: Index
    homography: Array
    chance: float


@dataclass(frozen=True)
class Triangles:
    """Vertices (T, 3), ordered opposite the longest, middle, shortest side; side ratios (T, 2)."""

    vertices: Index
    ratios: Array
    clockwise: NDArray[np.bool_]


def triangles(xy: Array) -> Triangles:
    """Triangles of each star (N, 2) with pairs of its nearest neighbours, each triangle once.

    ``ratios`` are middle/longest and shortest/longest side.  Grows linearly with the stars.
    """
    count = min(_NEIGHBOURS + 1, len(xy))
    if count < 3:
        return Triangles(np.zeros((0, 3), np.int64), np.zeros((0, 2)), np.zeros(0, bool))
    near = cKDTree(xy).query(xy, k=count)[1]
    first, second = np.triu_indices(count - 1, k=1)
    corners = np.stack(
        [np.repeat(near[:, :1], len(first), axis=1), near[:, 1 + first], near[:, 1 + second]],
        axis=2,
    ).reshape(-1, 3)
    corners = np.unique(np.sort(corners, axis=1), axis=0)
    points = xy[corners]
    opposite = np.stack(
        [np.hypot(*(points[:, (i + 1) % 3] - points[:, (i + 2) % 3]).T) for i in range(3)], axis=1
    )
    order = np.argsort(-opposite, axis=1, kind="stable")
    sides = np.take_along_axis(opposite, order, axis=1)
    corners = np.take_along_axis(corners, order, axis=1)
    points = xy[corners]
    one, two = points[:, 1] - points[:, 0], points[:, 2] - points[:, 0]
    clockwise = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0] > 0
    good = sides[:, 2] > 3.0
    ratios = sides[:, 1:] / np.maximum(sides[:, :1], 1e-9)
    return Triangles(corners[good], ratios[good], clockwise[good])


def _similarities(a: Array, b: Array) -> tuple[Array, Array]:
    """Similarities z → m z + t as complex numbers from vertices (T, 3, 2) to (T, 3, 2)."""
    za, zb = a[..., 0] + 1j * a[..., 1], b[..., 0] + 1j * b[..., 1]
    ca, cb = za - za.mean(axis=1, keepdims=True), zb - zb.mean(axis=1, keepdims=True)
    factor = (ca.conj() * cb).sum(axis=1) / (np.abs(ca) ** 2).sum(axis=1)
    return factor, zb.mean(axis=1) - factor * za.mean(axis=1)


def match(a: Array, b: Array, *, tolerance: float = 2.0) -> Match | None:
    """Match stars ``a`` (N, 2) with ``b`` (M, 2), both brightest first; None rather than a guess.

    ``tolerance`` px is how far a star may lie from where the homography puts it.
    """
    if len(a) < LEAST_PAIRS or len(b) < LEAST_PAIRS:
        return None
    best: Match | None = None
    for size in (50, _BRIGHTEST):
        for factor, shift, centre in _hypotheses(a[:size], b[:size]):
            found = _verify(a, b, factor, shift, centre, tolerance)
            if found is not None and (best is None or found.chance < best.chance):
                best = found
            if best is not None and len(best.pairs) > 0.5 * min(len(a), len(b)):
                return best
        if best is not None and best.chance < 1e-3 * MOST_CHANCE:
            return best
    return best


def _hypotheses(a: Array, b: Array) -> list[tuple[complex, complex, complex]]:
    """Similarities worth checking, the most voted first: factor, shift, where it was measured."""
    ta, tb = triangles(a), triangles(b)
    if len(ta.vertices) == 0 or len(tb.vertices) == 0:
        return []
    near = cKDTree(ta.ratios).query_ball_tree(cKDTree(tb.ratios), _RATIO_TOLERANCE)
    ia = np.repeat(np.arange(len(near)), [len(n) for n in near])
    ib = np.array([j for n in near for j in n], dtype=np.int64)
    if len(ib) == 0:
        return []
    same = ta.clockwise[ia] == tb.clockwise[ib]
    ia, ib = ia[same], ib[same]
    factor, shift = _similarities(a[ta.vertices[ia]], b[tb.vertices[ib]])
    scale = np.abs(factor)
    fits = (scale > _SCALES[0]) & (scale < _SCALES[1])
    ia, ib, factor, shift = ia[fits], ib[fits], factor[fits], shift[fits]
    votes = np.zeros((len(a), len(b)))
    for corner in range(3):
        np.add.at(votes, (ta.vertices[ia, corner], tb.vertices[ib, corner]), 1)
    support = sum(votes[ta.vertices[ia, c], tb.vertices[ib, c]] for c in range(3))
    order = np.argsort(-np.asarray(support), kind="stable")[:_HYPOTHESES]
    centres = a[ta.vertices[ia[order]]].mean(axis=1)
    return [
        (complex(factor[i]), complex(shift[i]), complex(c[0], c[1]))
        for i, c in zip(order, centres, strict=True)
    ]


def _verify(
    a: Array, b: Array, factor: complex, shift: complex, centre: complex, tolerance: float
) -> Match | None:
    """Grow a similarity measured at one place into a homography of the whole picture."""
    tree = cKDTree(b)
    za = a[:, 0] + 1j * a[:, 1]
    zb = factor * za + shift
    guess = np.stack([zb.real, zb.imag], axis=1)
    # A wide lens bends away from the similarity with distance from where it was measured.
    allowed = np.minimum(2.0 * tolerance + 0.02 * np.abs(za - centre), 8.0 * tolerance)
    pairs = _mutual(tree, guess, allowed)
    matrix: Array | None = None
    for shrink in (4.0, 2.0, 1.0, 1.0):
        if len(pairs) >= LEAST_PAIRS:
            matrix = fit_plane(a[pairs[:, 0]], b[pairs[:, 1]])
        if matrix is None:
            return None
        pairs = _mutual(tree, apply_plane(matrix, a), np.full(len(a), shrink * tolerance))
    if matrix is None or len(pairs) < LEAST_PAIRS:
        return None
    chance = chance_of(len(pairs), apply_plane(matrix, a), b, tolerance)
    return Match(pairs, matrix, chance) if chance < MOST_CHANCE else None


def _mutual(tree: cKDTree, guess: Array, allowed: Array) -> Index:
    """Pairs that are each other's nearest within the distance allowed."""
    distance, other = tree.query(guess)
    near = np.nonzero(distance <= allowed)[0]
    near = near[np.argsort(distance[near], kind="stable")]
    _, first = np.unique(other[near], return_index=True)
    chosen = np.sort(near[first])
    return np.stack([chosen, other[chosen]], axis=1).astype(np.int64)


def chance_of(found: int, guess: Array, b: Array, tolerance: float) -> float:
    """Probability that unrelated fields give this many pairs, times the hypotheses tried.

    Each star meets one of ``b`` by chance with the probability density · π · tolerance²; the
    binomial tail counts the rest.  Four pairs are used up by the homography itself.
    """
    low, high = b.min(axis=0), b.max(axis=0)
    inside = int(((guess >= low) & (guess <= high)).all(axis=1).sum())
    area = float(max(np.prod(high - low), 1.0))
    single = min(len(b) * np.pi * tolerance**2 / area, 0.999)
    tries = max(inside, found) - 4
    tail = float(bdtrc(found - 5, tries, single)) if found > 4 else 1.0
    return min(tail * _HYPOTHESES * 2, 1.0)


def apply_plane(matrix: Array, xy: Array) -> Array:
    """Places (N, 2) through a homography (3, 3)."""
    w = xy @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(w[:, :2] / w[:, 2:])


def fit_plane(a: Array, b: Array) -> Array | None:
    """Least-squares plane transform a → b (N, 2): homography from 12 pairs on, else affine,
    else similarity (fewer than 8).  None when the points do not determine it.
    """
    middle, spread = a.mean(axis=0), max(float(a.std()), 1e-9)
    x, y = ((a - middle) / spread).T
    u, v = ((b - middle) / spread).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    if len(a) >= 12:
        top = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=1)
        low = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=1)
    elif len(a) >= 8:
        top = np.stack([x, y, one, zero, zero, zero], axis=1)
        low = np.stack([zero, zero, zero, x, y, one], axis=1)
    else:
        top = np.stack([x, -y, one, zero], axis=1)
        low = np.stack([y, x, zero, one], axis=1)
    solution, _, rank, _ = np.linalg.lstsq(
        np.concatenate([top, low]), np.concatenate([u, v]), rcond=1e-9
    )
    if rank < top.shape[1]:
        return None
    if len(solution) == 4:
        m, n, s, t = solution
        solution = np.array([m, -n, s, n, m, t])
    full = np.append(solution, [0.0] * (8 - len(solution)) + [1.0]).reshape(3, 3)
    unit = np.array([[spread, 0, middle[0]], [0, spread, middle[1]], [0, 0, 1.0]])
    return np.asarray(unit @ full @ np.linalg.inv(unit))
