"""Nearest neighbours: points in cells, the nearest of each, and typical values around a place.

Compiled, since a match calls it some ten thousand times.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Index
from stackkit.jit import jit


@dataclass(frozen=True)
class Grid:
    """Points (N, 2) in square cells: ``order[start[c]:start[c + 1]]`` are those of cell c."""

    xy: Array
    order: Index
    start: Index
    origin: Array
    cell: float
    columns: int


def gridded(xy: Array) -> Grid:
    """Points (N, 2), N > 0, sorted into cells of about one point each, but no smaller than 4 px."""
    origin, extent = xy.min(axis=0), np.ptp(xy, axis=0)
    cell = float(max(4.0, np.sqrt(np.prod(extent + 1) / len(xy))))
    place = ((xy - origin) / cell).astype(np.int64)
    columns, rows = (place.max(axis=0) + 1).tolist()
    number = place[:, 1] * columns + place[:, 0]
    start = np.concatenate([[0], np.cumsum(np.bincount(number, minlength=columns * rows))])
    order = np.argsort(number, kind="stable")
    return Grid(np.ascontiguousarray(xy), order, start.astype(np.int64), origin, cell, columns)


def mutual(
    grid: Grid, places: Array, within: float, which: NDArray[np.bool_] | None = None
) -> tuple[Index, Array]:
    """Pairs (K, 2) of places (N, 2), of ``which`` only, and points that are each other's nearest.

    No farther than ``within`` px; with them their distances.  A place that is NaN has none.
    """
    index = np.full(len(grid.xy), -1, dtype=np.int64)
    distance = np.full(len(grid.xy), np.inf)
    chosen = np.isfinite(places[:, 0]) if which is None else which & np.isfinite(places[:, 0])
    _mutual_all(*parts(grid), np.ascontiguousarray(places), chosen, within, index, distance)
    met = np.nonzero(index >= 0)[0]
    return np.stack([index[met], met], axis=1), distance[met]


def parts(grid: Grid) -> tuple[Array, Index, Index, Array, float, int]:
    """The grid as compiled functions take it."""
    return grid.xy, grid.order, grid.start, grid.origin, grid.cell, grid.columns


@jit
def nearest_one(xy, order, start, origin, cell, columns, x, y, within):  # type: ignore[no-untyped-def]
    """The nearest point to (x, y) and its distance, px; -1 when none is within."""
    rows = (len(start) - 1) // columns
    u, v = x - origin[0], y - origin[1]
    left, right = max(int((u - within) // cell), 0), min(int((u + within) // cell), columns - 1)
    top, bottom = max(int((v - within) // cell), 0), min(int((v + within) // cell), rows - 1)
    best, found = within * within, -1
    if left > right:
        return found, best
    for row in range(top, bottom + 1):
        for k in range(start[row * columns + left], start[row * columns + right + 1]):
            dx, dy = xy[order[k], 0] - x, xy[order[k], 1] - y
            if dx * dx + dy * dy <= best:
                best, found = dx * dx + dy * dy, order[k]
    return found, np.sqrt(best)


@jit
def _mutual_all(xy, order, start, origin, cell, columns, places, chosen, within, index, distance):  # type: ignore[no-untyped-def]
    for i in range(len(places)):
        if not chosen[i]:
            continue
        found, away = nearest_one(
            xy, order, start, origin, cell, columns, places[i, 0], places[i, 1], within
        )
        if found >= 0 and away < distance[found]:
            index[found], distance[found] = i, away


def around(grid: Grid, count: int, of: Index | None = None) -> Index:
    """Points ``of`` the grid (M,), all by default, and the nearest of each: (M, count), count ≤ N.

    By distance, the point itself first.
    """
    of = np.arange(len(grid.xy)) if of is None else of
    near = np.empty((len(of), count), dtype=np.int64)
    _around_all(*parts(grid), of, near)
    return near


@jit
def _around_all(xy, order, start, origin, cell, columns, of, near):  # type: ignore[no-untyped-def]
    """Cells in rings around each point, until no nearer point can lie farther out."""
    rows = (len(start) - 1) // columns
    far = np.empty(near.shape[1])
    for i in range(len(of)):
        x, y = xy[of[i], 0] - origin[0], xy[of[i], 1] - origin[1]
        column, row = int(x // cell), int(y // cell)
        inside_x, inside_y = x - column * cell, y - row * cell
        slack = min(inside_x, cell - inside_x, inside_y, cell - inside_y)
        far[:] = np.inf
        near[i, 0], far[0] = of[i], -1.0
        for ring in range(max(rows, columns) + 1):
            left, right = max(column - ring, 0), min(column + ring, columns - 1)
            for v in range(max(row - ring, 0), min(row + ring, rows - 1) + 1):
                first = v * columns
                if v == row - ring or v == row + ring:
                    some = order[start[first + left] : start[first + right + 1]]
                    _closer(xy, of[i], some, near[i], far)
                    continue
                for u in (column - ring, column + ring):
                    if 0 <= u < columns:
                        some = order[start[first + u] : start[first + u + 1]]
                        _closer(xy, of[i], some, near[i], far)
            reached = ring * cell + slack
            if far[-1] <= reached * reached:
                break


@jit
def _closer(xy, i, some, near, far):  # type: ignore[no-untyped-def]
    """Put points in their places among the nearest of point i, with squared distances ``far``."""
    for j in some:
        square = (xy[j, 0] - xy[i, 0]) ** 2 + (xy[j, 1] - xy[i, 1]) ** 2
        if square < far[-1] and j != i:
            p = len(far) - 1
            while far[p - 1] > square:
                far[p], near[p] = far[p - 1], near[p - 1]
                p -= 1
            far[p], near[p] = square, j


def variances(xy: Array, near: Index) -> Array:
    """Variances (N, 2), px², along and across of the points near each, itself left out."""
    out = np.empty((len(near), 2))
    _variances(xy, near, out)
    return out


@jit
def _variances(xy, near, out):  # type: ignore[no-untyped-def]
    count = near.shape[1] - 1
    for i in range(len(near)):
        x, y, xx, yy, xy_ = 0.0, 0.0, 0.0, 0.0, 0.0
        for k in near[i, 1:]:
            u, v = xy[k, 0] - xy[i, 0], xy[k, 1] - xy[i, 1]
            x, y, xx, yy, xy_ = x + u, y + v, xx + u * u, yy + v * v, xy_ + u * v
        x, y = x / count, y / count
        xx, yy, xy_ = xx / count - x * x, yy / count - y * y, xy_ / count - x * y
        half = np.sqrt((xx - yy) ** 2 / 4 + xy_ * xy_)
        out[i, 0] = (xx + yy) / 2 + half
        out[i, 1] = max((xx + yy) / 2 - half, 0.0)


def nearness(distance: Array, variances: Array, count: int) -> Array:
    """Probability (N,) that an unrelated star lies as near as ``distance`` (N,), px.

    ``variances`` (N, 2) are those along and across of the ``count`` stars around.  Spread over a
    disc with variance s² each way they have the density count / (4 π s²); in a row, where s across
    vanishes, those within ``distance`` along it count: 0.19 makes the formula right there too.
    One star fewer, since the farthest one defines the disc.
    """
    square = distance**2
    area = np.sqrt((variances[:, 0] + 0.19 * square) * (variances[:, 1] + 0.19 * square))
    return np.asarray(-np.expm1(-(count - 1) * square / (4 * np.maximum(area, 1e-12))))


def smoothed(xy: Array, near: Index, values: Array, most: int) -> Array:
    """Value (N, 2) to expect at each point: a plane through those of the nearest that have one.

    ``near`` (N, K) as of :func:`around`; ``values`` (N, 2) NaN where there is none; at most
    ``most`` are used.  A point's own value does not count.  0 where none is near.
    """
    expected = np.zeros_like(values)
    _smooth_all(xy, near, values, most, expected)
    return expected


@jit
def _smooth_all(a, near, residual, most, expected):  # type: ignore[no-untyped-def]
    for i in range(len(a)):
        n, x, y, xx, xy, yy, u, v, xu, yu, xv, yv = (0.0,) * 12
        for k in near[i, 1:]:
            if np.isnan(residual[k, 0]):
                continue
            dx, dy = a[k, 0] - a[i, 0], a[k, 1] - a[i, 1]
            n, x, y, u, v = n + 1, x + dx, y + dy, u + residual[k, 0], v + residual[k, 1]
            xx, xy, yy = xx + dx * dx, xy + dx * dy, yy + dy * dy
            xu, yu = xu + dx * residual[k, 0], yu + dy * residual[k, 0]
            xv, yv = xv + dx * residual[k, 1], yv + dy * residual[k, 1]
            if n == most:
                break
        if n == 0:
            continue
        x, y, u, v = x / n, y / n, u / n, v / n
        # A few on one side only would tilt the plane: slopes are slightly penalised.
        ridge = 0.05 * (xx + yy) + 1e-9
        xx, yy, xy = xx - n * x * x + ridge, yy - n * y * y + ridge, xy - n * x * y
        xu, yu, xv, yv = xu - n * x * u, yu - n * y * u, xv - n * x * v, yv - n * y * v
        det = xx * yy - xy * xy
        expected[i, 0] = u - (x * (yy * xu - xy * yu) + y * (xx * yu - xy * xu)) / det
        expected[i, 1] = v - (x * (yy * xv - xy * yv) + y * (xx * yv - xy * xv)) / det


def usual(near: Index, values: Array, most: int) -> Array:
    """Median (N,) of ``values`` (N,), NaN where there is none, at each point and its nearest."""
    out = np.full(len(near), np.inf)
    _usual_all(near, values, most, out)
    return out


@jit
def _usual_all(near, values, most, out):  # type: ignore[no-untyped-def]
    known = np.empty(most)
    for i in range(len(near)):
        n = 0
        for k in near[i]:
            if n < most and not np.isnan(values[k]):
                known[n] = values[k]
                n += 1
        if n:
            out[i] = np.median(known[:n])
