"""Trails are lines: they are found along their whole length and cut at their full width.

Single samples show a satellite's ridge, not its shoulders, and nothing of a faint one.  The
deviations from the first stack are added along all lines of overlapping squares (``line_sums``);
lines brighter than noise are followed both ways over the frame, including bends, and the width
follows from the cross profile.

Stars, spikes and edges leave dark lines as well as bright ones, passing lights do not: in each
square a line must also be brighter than the darkest one is dark.  Where the picture is steep
nothing is added at all, and wide structure (clouds, the Milky Way) is subtracted first.
"""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from functools import cache
from itertools import pairwise

import numpy as np
from scipy.ndimage import uniform_filter
from scipy.spatial import cKDTree

from stackkit.arrays import Array, Mask, Plane
from stackkit.geometry.mapping import AnyMapping
from stackkit.integration.rejection import line_sums
from stackkit.integration.rejection.trail_path import (
    LEAST,
    VOICE,
    Trail,
    as_path,
    followed,
    places_along,
)
from stackkit.jit import FAST, jit
from stackkit.robust import MAD_TO_SIGMA, sigma_about_zero

_BIN = 3
"""Side of the cells in which deviations are added, px: about the width of a trail."""
_SQUARES = (64, 32)
"""Cells of the squares' sides, for long lines and short ones; squares lie half over each other."""
_WIDE = 15
"""Cells over which the surroundings are averaged and subtracted."""
_CHANCE = 6.0
"""Standard deviations of a line's sum above which it is no chance: a frame of three million
samples has some 10⁷ lines, and one in 10⁹ is so bright by chance."""
_DARKEST = 1.3
"""How many times brighter than the darkest line of its square a trail must be."""
_FEWEST_CELLS = 20
"""Cells of the shortest line considered: it may cut off a corner of its square."""
_UNREST = 1.35
"""Scatter of a square's cells, in their standard deviation, above which it holds ground or
cloud …"""
_DARK_CELLS = 0.01
"""… and the share of dark cells that indicates the same."""
_BESIDE, _MARGIN = 12.0, 3
"""Lights up to this distance from a line, px, are cut this much wider than found."""
_SPOTS = 12.0
"""Distance, px, of the places by which trails are compared."""
_SAME = 9.0
"""Distance from another trail's places, px, up to which a place falls on it."""
_MOST_TRAILS = 40
"""Trails in a frame: more are not real lines."""


def find_trails(deviation: Plane, starry: Mask) -> list[Trail]:
    """The trails in a frame's deviations (H, W), in standard deviations, NaN where unknown.

    ``starry`` (H, W): where the picture is so steep that deviations mean little.  Strongest first.
    """
    cells, noise = _cells(deviation, starry)

    def brightest(y: int, x: int, side: int) -> tuple[float, Array] | None:
        square = np.ascontiguousarray(cells[y : y + side, x : x + side])
        return _brightest(square, noise, _shares(side))

    queue: list[tuple[float, int, int, int]] = []
    for corner in _corners(cells.shape):
        best = brightest(*corner)
        if best is not None:
            heapq.heappush(queue, (-best[0], *corner))
    found: list[Trail] = []
    while queue and len(found) < _MOST_TRAILS:
        queued, y, x, side = heapq.heappop(queue)
        corner = (y, x, side)
        best = brightest(*corner)
        if best is None:
            continue
        if best[0] < -queued - 1e-6:  # part of it has been cut meanwhile
            heapq.heappush(queue, (-best[0], *corner))
            continue
        line = (best[1] + [x, y] + 0.5) * _BIN - 0.5
        trail = followed(deviation, starry, line)
        _blank(cells, trail or Trail(as_path(line), 2 * LEAST, 0.0))
        if trail is not None:
            found.append(trail)
    return found


def trail_mask(trails: Sequence[Trail], rejected: Mask) -> Mask:
    """Samples of a frame (H, W) to reject for its trails, besides those ``rejected`` already.

    Each trail at its full width, and the lights close beside it, a margin wider than found.
    """
    mask = np.zeros_like(rejected)
    for trail in trails:
        nodes = np.array(trail.path)
        lights = np.zeros_like(rejected)
        for a, b in pairwise(nodes):
            _draw(mask, a, b, trail.width / 2)
            _draw(lights, a, b, trail.width / 2 + _BESIDE)
        _grow(lights & rejected, _MARGIN, mask)
    return mask


def movers(
    found: Mapping[int, Sequence[Trail]], mappings: Mapping[int, AnyMapping], frames: int
) -> dict[int, tuple[Trail, ...]]:
    """The trails of moving objects, by the frames' numbers.

    A line found at one place of the sensor, or at one place of the sky, in a third of all
    ``frames`` and at least three, is static: a skyline, a spike, a fault of the lens.
    """
    here = {k: [places_along(trail, _SPOTS) for trail in trails] for k, trails in found.items()}
    sky = {k: [mappings[k].to_reference(spots) for spots in here[k]] for k in found}
    often = max(3.0, frames / 3)
    moving = {}
    for k, trails in found.items():
        kept = [
            trail
            for n, trail in enumerate(trails)
            if all(_frames_with(where[k][n], where) < often for where in (here, sky))
        ]
        if kept:
            moving[k] = tuple(kept)
    return moving


def _frames_with(spots: Array, where: Mapping[int, Sequence[Array]]) -> int:
    """In how many frames half of the places fall on some trail."""
    return sum(
        any(
            np.mean(cKDTree(other).query(spots, distance_upper_bound=_SAME)[0] < _SAME) > 0.5
            for other in others
            if np.isfinite(other).all()
        )
        for others in where.values()
        if np.isfinite(spots).all()
    )


def _corners(shape: tuple[int, ...]) -> list[tuple[int, int, int]]:
    """Row and column of the squares' upper left cells, and their side; the last of a row or column
    lies flush with the edge.
    """
    corners = []
    for side in _SQUARES:
        if min(shape) >= side:
            rows, columns = (
                sorted({*range(0, length - side, side // 2), length - side}) for length in shape
            )
            corners += [(y, x, side) for y in rows for x in columns]
    return corners


def _cells(deviation: Plane, starry: Mask) -> tuple[Plane, float]:
    """Sums of cells over √samples, the wide surroundings subtracted, and their scatter."""
    cells = np.zeros([side // _BIN for side in deviation.shape], dtype=np.float32)
    _bin(deviation, starry, VOICE, cells)
    cells -= uniform_filter(cells, _WIDE)
    some = cells[::2, ::2]
    some = some[some != 0]
    scatter = sigma_about_zero(some) if len(some) > 99 else 1.0
    return cells, max(scatter, 1.0)


@jit
def _bin(deviation, starry, voice, cells):  # type: ignore[no-untyped-def]
    for y in range(cells.shape[0]):
        for x in range(cells.shape[1]):
            total, count = np.float32(0), 0
            for j in range(_BIN * y, _BIN * y + _BIN):
                for i in range(_BIN * x, _BIN * x + _BIN):
                    v = deviation[j, i]
                    if np.isfinite(v) and not starry[j, i]:
                        total += min(max(v, -voice), voice)
                        count += 1
            cells[y, x] = total / np.sqrt(count) if count > 2 else 0


def _brightest(square: Plane, noise: float, share: Plane) -> tuple[float, Array] | None:
    """The significant line of a square: its sum in standard deviations, its ends (2, 2) in cells;
    None without one.  ``share``: see :func:`_shares`.
    """
    if _restless(square, noise):
        return None
    light, dark, turn, begin, slope = _extremes(square, share)
    if light < _CHANCE * noise or light < _DARKEST * dark:
        return None
    return light / noise, np.array(line_sums.ends(len(square), turn, begin, slope)).reshape(2, 2)


@jit
def _restless(square, noise):  # type: ignore[no-untyped-def]
    """Whether a square is mostly empty or holds ground or cloud: most cells scatter, or many are
    dark, which passing lights do not cause.
    """
    known, far, dark = 0, 0, 0
    for y in range(square.shape[0]):
        for x in range(square.shape[1]):
            cell = square[y, x]
            known += cell != 0
            # More than half beyond it: the median is.
            far += abs(cell) > _UNREST / MAD_TO_SIGMA * noise
            dark += cell < -4 * noise
    return known < square.size // 4 or far > known / 2 or dark > _DARK_CELLS * known


@cache
def _shares(side: int) -> Plane:
    """1/√cells (side, 2·side) of each line of a square, 0 for lines too short to be looked at."""
    cells = line_sums.counts(side)
    return np.where(cells < _FEWEST_CELLS, 0, 1 / np.sqrt(np.maximum(cells, 1))).astype(np.float32)


@jit(fastmath=FAST)
def _extremes(square, share):  # type: ignore[no-untyped-def]
    """The brightest and the darkest line over √cells, and where the brightest lies."""
    n = square.shape[0]
    sums, room = np.zeros((n, 2 * n), dtype=np.float32), np.zeros((n, 2 * n), dtype=np.float32)
    light, dark, at_turn, at_begin, at_slope = np.float32(0), np.float32(0), 0, 0, 0
    across = square.T.copy()
    for turn in range(line_sums.TURNS):
        line_sums.line_sums(square, across, turn, sums, room)
        for slope in range(n):
            high, low = np.float32(0), np.float32(0)
            for begin in range(2 * n):
                value = sums[slope, begin] * share[slope, begin]
                high, low = max(high, value), min(low, value)
            dark = max(dark, -low)
            if high < light or high == 0:
                continue
            begin = 0
            while sums[slope, begin] * share[slope, begin] != high:
                begin += 1
            # Cells have a limit: across a bright trail several lines are equally bright.
            if high > light or (turn == at_turn and begin < at_begin):
                light, at_turn, at_begin, at_slope = high, turn, begin, slope
    return light, dark, at_turn, at_begin, at_slope


def _blank(cells: Plane, trail: Trail) -> None:
    """Take a trail out of the cells, so that the next line is another one."""
    gone = np.zeros(cells.shape, dtype=np.bool_)
    nodes = (np.array(trail.path) + 0.5) / _BIN - 0.5
    for a, b in pairwise(nodes):
        _draw(gone, a, b, trail.width / 2 / _BIN + 1.5)
    cells[gone] = 0


@jit
def _draw(mask, a, b, half):  # type: ignore[no-untyped-def]
    """Set what lies within ``half`` px of the stretch from a to b."""
    height, width = mask.shape
    low_x, high_x = min(a[0], b[0]) - half, max(a[0], b[0]) + half
    low_y, high_y = min(a[1], b[1]) - half, max(a[1], b[1]) + half
    dx, dy = b[0] - a[0], b[1] - a[1]
    square = max(dx * dx + dy * dy, 1e-9)
    for y in range(max(int(np.ceil(low_y)), 0), min(int(np.floor(high_y)) + 1, height)):
        for x in range(max(int(np.ceil(low_x)), 0), min(int(np.floor(high_x)) + 1, width)):
            t = min(max(((x - a[0]) * dx + (y - a[1]) * dy) / square, 0.0), 1.0)
            i, j = x - a[0] - t * dx, y - a[1] - t * dy
            if i * i + j * j <= half * half:
                mask[y, x] = True


@jit
def _grow(found, margin, mask):  # type: ignore[no-untyped-def]
    """Set what lies within ``margin`` px of what was found."""
    height, width = mask.shape
    for y in range(height):
        for x in range(width):
            if found[y, x]:
                for j in range(max(y - margin, 0), min(y + margin + 1, height)):
                    for i in range(max(x - margin, 0), min(x + margin + 1, width)):
                        if (j - y) ** 2 + (i - x) ** 2 <= margin * margin:
                            mask[j, i] = True
