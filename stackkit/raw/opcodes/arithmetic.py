"""The arithmetic of DNG opcodes on a plane of samples, in place (DNG 1.7.1, chapter 7).

A *view* is ``plane[rows, columns]`` with steps, the sites that an opcode touches.  NaN stays NaN.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Mask, Plane
from stackkit.jit import jit
from stackkit.raw.opcodes.tables import (
    Area,
    BadSites,
    Content,
    Delta,
    GainMap,
    Polynomial,
    Scale,
    Table,
    Trim,
    Vignette,
)

Pattern = NDArray[np.uint8]
Between = tuple[NDArray[np.int64], NDArray[np.float32]]
_FAST = {"contract", "reassoc", "nsz"}
"""Liberties with the order of additions, not with NaN."""


@dataclass(frozen=True)
class Placement:
    """Where the visible mosaic lies: ``corner``, its pixel (0, 0) (row, column) in the coordinates
    of the opcode's list; ``active``, the same in the active area; ``area`` its height and width.
    """

    corner: tuple[int, int]
    active: tuple[int, int]
    area: tuple[int, int]


def act(found: Content, plane: Plane, window: Placement, pattern: Pattern | None) -> None:
    """Do one opcode to ``plane`` (H, W); one that changes no values does nothing.

    ``pattern`` (2, 2) for opcodes of list 3, which have planes 0 R, 1 G, 2 B; else None.
    """
    if isinstance(found, Vignette):
        _brighten(plane, found, window)
    if not isinstance(found, GainMap | Scale | Delta | Table | Polynomial):
        return
    for rows, columns, colour in _sites(found.area, window.corner, plane.shape, pattern):
        view = plane[rows, columns]
        with np.errstate(over="ignore"):
            match found:
                case GainMap():
                    _map(view, found, (rows, columns), colour, window)
                case Scale():
                    view *= _of_lines(found, rows, columns, window)
                case Delta():
                    view += _of_lines(found, rows, columns, window)
                case Table(_, entries):
                    _map_by_table(view, entries)
                case Polynomial(_, coefficients):
                    _map_by_polynomial(view, np.array(coefficients))


def mark(mask: Mask, found: BadSites | Trim, window: Placement) -> None:
    """Mark the sites that are bad, or outside."""
    if isinstance(found, Trim):
        within = np.array([[found.top, found.left, found.bottom, found.right]])
        mask |= ~_covered(within, mask.shape, window.corner)
        return
    y, x = (found.points - window.corner).T
    here = (y >= 0) & (y < mask.shape[0]) & (x >= 0) & (x < mask.shape[1])
    mask[y[here], x[here]] = True
    if found.rectangles.size:
        mask |= _covered(found.rectangles, mask.shape, window.corner)


def optics(centre: tuple[float, float], area: tuple[int, int]) -> tuple[float, float, float]:
    """Optical centre x, y in the active area, and the distance of the pixel farthest from it.

    ``centre`` x, y from 0, the first pixel, to 1, the last (FixVignetteRadial, WarpRectilinear).
    """
    height, width = area
    x, y = centre[0] * (width - 1), centre[1] * (height - 1)
    farthest = np.hypot(max(x, width - 1 - x), max(y, height - 1 - y))
    return x, y, max(float(farthest), 1.0)


def _covered(
    rectangles: NDArray[np.int64], shape: tuple[int, ...], corner: tuple[int, int]
) -> Mask:
    """What lies within at least one of ``rectangles`` (N, 4): top, left, first row and column
    beyond.

    Their corners are summed up, since a file may hold any number of them.
    """
    sides = np.clip(rectangles - [*corner, *corner], 0, [*shape, *shape])
    top, left, bottom, right = sides[(sides[:, :2] < sides[:, 2:]).all(axis=1)].T
    depth = np.zeros((shape[0] + 1, shape[1] + 1), dtype=np.int32)
    for y, x, step in ((top, left, 1), (bottom, right, 1), (top, right, -1), (bottom, left, -1)):
        np.add.at(depth, (y, x), step)
    np.cumsum(depth, axis=0, out=depth)
    np.cumsum(depth, axis=1, out=depth)
    return np.asarray(depth[:-1, :-1] > 0)


def _within(first: int, last: int, pitch: int, corner: int, size: int) -> slice:
    """Every ``pitch``-th place from ``first`` to before ``last``, of ``size`` from ``corner``."""
    start = first - corner
    if start < 0:
        start %= pitch
    return slice(start, max(min(last - corner, size), 0), pitch)


def _sites(
    area: Area, corner: tuple[int, int], shape: tuple[int, ...], pattern: Pattern | None
) -> Iterator[tuple[slice, slice, int]]:
    """Rows, columns and colour plane of the sites an opcode touches.

    With a ``pattern`` they are parted by colour: every second one, whether the pitch is even or
    odd, has the same place in the pattern.
    """
    rows = _within(area.top, area.bottom, area.row_pitch, corner[0], shape[0])
    columns = _within(area.left, area.right, area.column_pitch, corner[1], shape[1])
    if pattern is None:
        yield rows, columns, 0
        return
    for down, across in np.ndindex(2, 2):
        y = slice(rows.start + down * rows.step, rows.stop, 2 * rows.step)
        x = slice(columns.start + across * columns.step, columns.stop, 2 * columns.step)
        plane = int(pattern[y.start & 1, x.start & 1])
        if area.plane <= plane < area.plane + area.planes:
            yield y, x, plane


def _of_lines(found: Scale | Delta, rows: slice, columns: slice, window: Placement) -> Plane:
    """The values for ``rows`` or ``columns``, shaped to go with them."""
    area, axis = found.area, found.axis
    sites = (rows, columns)[axis]
    first, pitch = ((area.top, area.row_pitch), (area.left, area.column_pitch))[axis]
    numbers = (
        np.arange(sites.start, sites.stop, sites.step) + window.corner[axis] - first
    ) // pitch
    return np.expand_dims(found.values[numbers], 1 - axis)


def _brighten(plane: Plane, found: Vignette, window: Placement) -> None:
    """FixVignetteRadial: r is 1 at the pixel farthest from the optical centre."""
    x, y, unit = optics(found.centre, window.area)
    up = (np.arange(plane.shape[0]) + window.active[0] - y) / unit
    across = (np.arange(plane.shape[1]) + window.active[1] - x) / unit
    k, up2, across2 = (np.asarray(a, dtype=np.float32) for a in (found.k, up**2, across**2))
    _multiply_radially(plane, k, up2, across2)


def _map(
    view: Plane, found: GainMap, sites: tuple[slice, slice], colour: int, window: Placement
) -> None:
    """Multiply by a GainMap; a colour beyond the map's planes takes the last one."""
    between = []
    for axis, part in enumerate(sites):
        places = np.arange(part.start, part.stop, part.step) + window.active[axis]
        share = (places + 0.5) / window.area[axis]
        points = found.gains.shape[axis]
        between.append(_between(share, found.origin[axis], found.spacing[axis], points))
    gains = found.gains[:, :, min(colour, found.gains.shape[2] - 1)]
    padded = np.pad(gains, [(0, int(n == 1)) for n in gains.shape], mode="edge")
    _multiply_by_map(view, padded, *between[0], *between[1])


def _between(share: NDArray[np.float64], origin: float, step: float, points: int) -> Between:
    """Between which two map points places lie in one direction, and how far along.

    ``share`` of the picture's height or width at the pixels' centres, (pixel + 1/2) / size: so the
    reference implementation; the text leaves it open.  Beyond the ends the end points hold.
    """
    at = np.clip((share - origin) / step, 0, points - 1)
    index = np.minimum(at.astype(np.int64), max(points - 2, 0))
    return index, (at - index).astype(np.float32)


@jit(fastmath=_FAST)
def _multiply_by_map(view, gains, above, down, before, across):  # type: ignore[no-untyped-def]
    """Multiply by ``gains`` (points down, points across), linear between points both ways."""
    line = np.empty(gains.shape[1], dtype=np.float32)
    rise = np.zeros(gains.shape[1], dtype=np.float32)
    for y in range(view.shape[0]):
        upper, lower = gains[above[y]], gains[above[y] + 1]
        for p in range(line.size):
            line[p] = upper[p] + down[y] * (lower[p] - upper[p])
        for p in range(line.size - 1):
            rise[p] = line[p + 1] - line[p]
        for x in range(view.shape[1]):
            p = before[x]
            view[y, x] *= line[p] + across[x] * rise[p]


@jit(fastmath=_FAST)
def _multiply_radially(view, k, up2, across2):  # type: ignore[no-untyped-def]
    """Multiply by 1 + Σ k_i (r²)^(i + 1), r² = ``up2`` of the row + ``across2`` of the column."""
    for y in range(view.shape[0]):
        for x in range(view.shape[1]):
            r2 = up2[y] + across2[x]
            gain = k[0] + r2 * (k[1] + r2 * (k[2] + r2 * (k[3] + r2 * k[4])))
            view[y, x] *= np.float32(1) + r2 * gain


@jit
def _map_by_table(view, entries):  # type: ignore[no-untyped-def]
    """Replace values by ``entries`` (units of 1/65535) at 65535 times the value, linear between.

    The last entry serves for what lies beyond it.  Below 0 the table goes on as its mirror image
    through its first entry, so that noise about black keeps its mean.
    """
    last = entries.size - 1
    for y in range(view.shape[0]):
        for x in range(view.shape[1]):
            value = view[y, x]
            if np.isnan(value):
                continue
            at = min(abs(np.float64(value)) * 65535.0, np.float64(last))
            i = int(at)
            found = entries[i] + (at - i) * (entries[min(i + 1, last)] - entries[i])
            view[y, x] = (2.0 * entries[0] - found if value < 0 else found) / 65535.0


@jit
def _map_by_polynomial(view, coefficients):  # type: ignore[no-untyped-def]
    """Replace values by Σ coefficient_i value^i, kept within 0 to 1; values over 1 count as 1.

    Below 0 the curve goes on as its mirror image through its value at 0.
    """
    start = min(max(coefficients[0], 0.0), 1.0)
    for y in range(view.shape[0]):
        for x in range(view.shape[1]):
            value = view[y, x]
            if np.isnan(value):
                continue
            at = min(abs(np.float64(value)), 1.0)
            found = 0.0
            for i in range(coefficients.size - 1, -1, -1):
                found = found * at + coefficients[i]
            found = min(max(found, 0.0), 1.0)
            view[y, x] = 2.0 * start - found if value < 0 else found
