"""Similar triangles in two lists of stars, and the similarity transform that each pair gives.

Triangles of neighbouring stars are described by two side ratios, which are invariant under
rotation, shift and scale (Groth 1986, AJ 91:1244; ratios as in Valdes et al. 1995, PASP 107:1119).
Two similar triangles give a similarity.  Its neighbourhood votes on it: how many of the stars
around have a counterpart, compared with how many would by chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackkit.align.spatial import Grid, nearest_one, parts
from stackkit.arrays import Array, Index
from stackkit.jit import jit

_SCALES = (0.9, 1.1)
"""Frames of one camera: refocusing changes the scale little, distortion locally more."""
_NOISE = 0.4
_BEND = 0.006
"""A side ratio is uncertain by noise (px, over the longest side) and by lens distortion."""
_SHORTEST = 3.0
"""Sides below this, px, have ratios of noise."""
_ALIKE = 150
"""Triangles of b compared with one of a: one similar to more of them is not distinctive."""
_CENTRES = 400
"""Stars of a around which triangles are drawn, spread over their brightness."""
_MOST = 50
"""Similarities that are returned."""
_BY_CHANCE = 0.01
"""Share of the voting stars that may find a counterpart by chance: sets the search radius."""


@dataclass(frozen=True)
class Triangles:
    """Vertices (T, 3) opposite the longest, middle, shortest side; ratios (T, 2); that side (T,).

    ``ratios`` are middle/longest and shortest/longest side.
    """

    vertices: Index
    ratios: Array
    longest: Array
    clockwise: NDArray[np.bool_]


@dataclass(frozen=True)
class Seed:
    """A similarity z → factor · z + shift (complex) that holds around a star of a, its centre."""

    factor: complex
    shift: complex
    centre: int


def triangles(xy: Array, neighbours: int = 6, centres: Index | None = None) -> Triangles:
    """Triangles of each of the stars ``centres`` (all) with pairs of its nearest in ``xy`` (N, 2).

    Each triangle once.  Grows linearly with the stars.
    """
    count = min(neighbours + 1, len(xy))
    if count < 3:
        nothing = np.zeros(0)
        return Triangles(np.zeros((0, 3), np.int64), np.zeros((0, 2)), nothing, nothing > 0)
    of = np.arange(len(xy)) if centres is None else centres
    near = cKDTree(xy).query(xy[of], k=count)[1].astype(np.int64)
    first, second = np.triu_indices(count, k=1)
    first, second = first[count - 1 :], second[count - 1 :]
    corners = np.stack(
        [np.repeat(near[:, :1], len(first), axis=1), near[:, first], near[:, second]], axis=2
    ).reshape(-1, 3)
    corners.sort(axis=1)
    n = len(xy)
    _, once = np.unique((corners[:, 0] * n + corners[:, 1]) * n + corners[:, 2], return_index=True)
    return _described(xy, corners[once])


def _described(xy: Array, corners: Index) -> Triangles:
    z = (xy[:, 0] + 1j * xy[:, 1])[corners]
    opposite = np.abs(z[:, [1, 2, 0]] - z[:, [2, 0, 1]])
    order = np.argsort(-opposite, axis=1, kind="stable")
    sides = np.take_along_axis(opposite, order, axis=1)
    corners = np.take_along_axis(corners, order, axis=1)
    z = np.take_along_axis(z, order, axis=1)
    clockwise = ((z[:, 1] - z[:, 0]).conj() * (z[:, 2] - z[:, 0])).imag > 0
    good = sides[:, 2] > _SHORTEST
    ratios = sides[good, 1:] / sides[good, :1]
    return Triangles(corners[good], ratios, sides[good, 0], clockwise[good])


def seeds(
    a: Array,
    around: Index,
    b: Grid,
    crowding: Array,
    size: int,
    neighbours: int,
    tolerance: float,
) -> list[Seed]:
    """Similarities that the ``size`` brightest of ``a`` (N, 2) and ``b`` suggest, the best first.

    ``around`` (N, K) are each star of a and its nearest, which vote on its similarities;
    ``crowding`` (M,) is the density of b around each of its stars, per px².  Returned are those
    whose votes agree better than the best of as many unrelated triangles would.
    """
    stars = min(size, len(a))
    centres = np.arange(0, stars, max(stars // _CENTRES, 1))
    ta = triangles(a[:stars], neighbours, centres)
    tb = triangles(b.xy[:size], neighbours)
    if len(ta.longest) == 0 or len(tb.longest) == 0:
        return []
    order = np.argsort(tb.ratios[:, 0], kind="stable")
    room = np.clip(np.sqrt(_BY_CHANCE / (np.pi * crowding)), tolerance, 5 * tolerance)
    out = np.zeros((len(ta.longest), 5))
    tried = _try_all(
        *(ta.vertices, ta.ratios, ta.longest, ta.clockwise),
        *(tb.vertices[order], tb.ratios[order], tb.longest[order], tb.clockwise[order]),
        *(np.ascontiguousarray(a), around, crowding, room),
        *(*parts(b), out),
    )
    best = np.argsort(-out[:, 0], kind="stable")[:_MOST]
    best = best[out[best, 0] > max(np.log(max(tried, 1)) - 1.0, 0.0)]
    return [
        Seed(complex(m, n), complex(s, t), int(centre))
        for (_, m, n, s, t), centre in zip(out[best], ta.vertices[best, 0], strict=True)
    ]


@jit
def _try_all(va, ra, la, ca, vb, rb, lb, cb, a, witnesses, crowding, room, *rest):  # type: ignore[no-untyped-def]
    """The best similarity of each triangle of a: its score and four numbers; pairs tried."""
    out = rest[6]
    tried = 0
    for t in range(len(la)):
        slack = min(_NOISE / la[t] + _BEND, 0.03)
        most = tried + _ALIKE
        for u in range(np.searchsorted(rb[:, 0], ra[t, 0] - slack), len(lb)):
            if rb[u, 0] > ra[t, 0] + slack or tried > most:
                break
            scale = lb[u] / la[t]
            if (
                abs(rb[u, 1] - ra[t, 1]) > slack
                or ca[t] != cb[u]
                or scale < _SCALES[0]
                or scale > _SCALES[1]
            ):
                continue
            tried += 1
            similarity = _similarity(a, rest[0], va[t], vb[u])
            of_b = vb[u, 0]
            score = _score(
                a, va[t], witnesses[va[t, 0]], similarity, crowding[of_b], room[of_b], rest
            )
            if score > out[t, 0]:
                out[t, 0] = score
                for i in range(4):
                    out[t, 1 + i] = similarity[i]
    return tried


@jit
def _similarity(a, b, va, vb):  # type: ignore[no-untyped-def]
    """Least-squares similarity of three pairs: real and imaginary part of factor and shift."""
    ax = (a[va[0], 0] + a[va[1], 0] + a[va[2], 0]) / 3
    ay = (a[va[0], 1] + a[va[1], 1] + a[va[2], 1]) / 3
    bx = (b[vb[0], 0] + b[vb[1], 0] + b[vb[2], 0]) / 3
    by = (b[vb[0], 1] + b[vb[1], 1] + b[vb[2], 1]) / 3
    along, across, norm = 0.0, 0.0, 0.0
    for i in range(3):
        px, py = a[va[i], 0] - ax, a[va[i], 1] - ay
        qx, qy = b[vb[i], 0] - bx, b[vb[i], 1] - by
        along += px * qx + py * qy
        across += px * qy - py * qx
        norm += px * px + py * py
    m, n = along / norm, across / norm
    return m, n, bx - m * ax + n * ay, by - n * ax - m * ay


@jit
def _score(a, corners, around, similarity, density, room, rest):  # type: ignore[no-untyped-def]
    """Chernoff's bound on the probability of a chance agreement of the votes, as -log (Poisson)."""
    xy, order, start, origin, cell, columns = rest[0], rest[1], rest[2], rest[3], rest[4], rest[5]
    m, n, s, t = similarity
    width, height = columns * cell, (len(start) - 1) // columns * cell
    agreed, asked = 0, 0
    for i in around:
        if i == corners[0] or i == corners[1] or i == corners[2]:
            continue
        x, y = m * a[i, 0] - n * a[i, 1] + s, n * a[i, 0] + m * a[i, 1] + t
        u, v = x - origin[0], y - origin[1]
        if u < 0 or v < 0 or u > width or v > height:
            continue
        asked += 1
        if asked > 10 and agreed == 0:
            break
        if nearest_one(xy, order, start, origin, cell, columns, x, y, room)[0] >= 0:
            agreed += 1
    expected = asked * min(np.pi * density * room * room, 1.0)
    if agreed <= expected:
        return 0.0
    return agreed * np.log(agreed / expected) - agreed + expected
