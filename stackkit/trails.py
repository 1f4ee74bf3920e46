"""Trails are lines: what crosses a frame is found along its whole length and cut at its full width.

Single samples show a satellite's ridge, not its shoulders, and nothing of a faint one.  The
deviations from the first stack are added along all lines of overlapping squares (``radon.py``);
what is brighter than noise can be is followed both ways over the frame, as far as it goes and as
it bends, and its cross profile says how wide it is.

Stars, spikes and edges leave dark lines as well as bright ones, light that passes does not: in each
square a line must also be brighter than the darkest one is dark.  Where the picture is steep
nothing is added at all, and what is wide (clouds, the Milky Way) is taken away first.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from stackkit import radon
from stackkit.geometry import Array

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

_BIN = 3
"""Side of the cells in which deviations are added, px: about the width of a trail."""
_SQUARE = 64
"""Cells of a square's side; squares lie half over each other."""
_VOICE = 4.0
"""The most that one sample may say, in standard deviations: a hot pixel is no trail."""
_WIDE = 15
"""Cells over which the surroundings are averaged and taken away."""
_CHANCE = 6.5
"""Standard deviations of a line's sum from which on it is no accident: a frame of three million
samples has some 10⁷ lines, and one in 10¹⁰ is so bright by chance."""
_DARKEST = 1.3
"""How many times brighter than the darkest line of its square a trail must be."""
_FEWEST_CELLS = 24
_UNREST = 1.35
"""Scatter of a square's cells, in their standard deviation, from which on it holds ground or
cloud."""
_STRIDE = 48
"""Length of the pieces in which a trail is followed, px."""
_SIDEWAYS = 4
"""How far beside its direction the next piece is looked for, px."""
_GOES_ON = 4.0
"""Standard deviations of a piece that goes on."""
_GAPS = 2
"""Pieces in a row that may be missing: aircraft blink, stars stand before the line."""
_REACH = 20
"""Half the width over which a cross profile is taken, px."""
_LEAST, _MOST = 3.0, 16.0
"""Half the width that is cut, px: 3 holds all but a hundredth of the light of stars 2.5 px wide."""
_SHOULDER = 4.0
"""Width of the shoulders on which light beyond a cut is looked for, px."""
_STAYS = 0.003
"""Share of a trail's light that may stay beyond the cut."""
_BRIGHT = 3.0
"""Strength from which on a trail is cut a pixel wider: what is left of it would be seen."""
_BESIDE, _MARGIN = 12.0, 3
"""Lights beside a line up to this distance, px, are cut so much wider than found."""
_MOST_TRAILS = 40


@dataclass(frozen=True)
class Trail:
    """Light that crossed a frame: ``path`` of nodes (x, y) in px of its mosaic, the full ``width``
    that is cut, px, the mean deviation of a sample on the ridge (``strength``), in its noise and at
    most 4, the ``light`` across it (deviations added), and what share of it lies beyond the cut
    (``left``, as well as noise lets tell).
    """

    path: tuple[tuple[float, float], ...]
    width: float
    strength: float
    light: float = 0.0
    left: float = 0.0

    @property
    def start(self) -> tuple[float, float]:
        """Where the path begins."""
        return self.path[0]

    @property
    def end(self) -> tuple[float, float]:
        """Where it ends."""
        return self.path[-1]


def find_trails(deviation: Plane, starry: Mask) -> list[Trail]:
    """The trails in a frame's deviations (H, W), in standard deviations, NaN where unknown.

    ``starry`` (H, W): where the picture is so steep that deviations mean little.  Strongest first.
    """
    cells, noise = _cells(deviation, starry)
    if min(cells.shape) < _SQUARE:
        return []
    known = radon.counts(_SQUARE)
    queue: list[tuple[float, int, int]] = []
    for y, x in _corners(cells.shape):
        best = _brightest(cells[y : y + _SQUARE, x : x + _SQUARE], noise, known)
        if best is not None:
            heapq.heappush(queue, (-best[0], y, x))
    found: list[Trail] = []
    while queue and len(found) < _MOST_TRAILS:
        told, y, x = heapq.heappop(queue)
        best = _brightest(cells[y : y + _SQUARE, x : x + _SQUARE], noise, known)
        if best is None:
            continue
        if best[0] < -told - 1e-6:  # something of it has been cut meanwhile
            heapq.heappush(queue, (-best[0], y, x))
            continue
        line = (np.array(best[1:]).reshape(2, 2) + [x, y] + 0.5) * _BIN - 0.5
        trail = _followed(deviation, starry, line)
        taken = trail if trail is not None else Trail(_nodes(line), 2 * _LEAST, 0.0)
        _blank(cells, taken)
        if trail is not None:
            found.append(trail)
    return found


def trail_mask(trails: Sequence[Trail], rejected: Mask) -> Mask:
    """What of a frame (H, W) to reject for its trails, besides what is ``rejected`` already.

    Each trail at its full width, and the lights close beside it, a margin wider than they were
    found.
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


def _corners(shape: tuple[int, ...]) -> list[tuple[int, int]]:
    """Upper left cells of the squares, the last of a row or column flush with the edge."""
    rows, columns = (
        sorted({*range(0, side - _SQUARE, _SQUARE // 2), side - _SQUARE}) for side in shape
    )
    return [(y, x) for y in rows for x in columns]


def _cells(deviation: Plane, starry: Mask) -> tuple[Plane, float]:
    """Sums of cells over √samples, the wide surroundings taken away, and their scatter."""
    cells = np.zeros([side // _BIN for side in deviation.shape], dtype=np.float32)
    _bin(deviation, starry, _VOICE, cells)
    cells -= uniform_filter(cells, _WIDE)
    some = cells[::2, ::2]
    some = some[some != 0]
    scatter = 1.4826 * float(np.median(np.abs(some))) if len(some) > 99 else 1.0
    return cells, max(scatter, 1.0)


@numba.njit(cache=True, nogil=True)
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


def _brightest(
    square: Plane, noise: float, known: Plane
) -> tuple[float, float, float, float, float] | None:
    """The line of a square that no accident explains: its sum in standard deviations, its ends in
    cells; None without one.
    """
    square = np.ascontiguousarray(square)
    some = square[square != 0]
    if len(some) < square.size // 4 or float(np.std(some)) > _UNREST * noise * _crowding(square):
        return None
    light, dark, turn, begin, slope = _extremes(square, known)
    if light < _CHANCE * noise or light < _DARKEST * dark:
        return None
    x0, y0, x1, y1 = radon.ends(_SQUARE, turn, begin, slope)
    return light / noise, x0, y0, x1, y1


def _crowding(square: Plane) -> float:
    """Allowance for one bright trail in the scatter: single cells count for 3 at most."""
    clipped = np.clip(square, -3, 3)
    return float(np.std(square)) / max(float(np.std(clipped)), 1e-6)


@numba.njit(cache=True, nogil=True)
def _extremes(square, known):  # type: ignore[no-untyped-def]
    """The brightest and the darkest line over √cells, and where the brightest lies."""
    n = square.shape[0]
    sums, room = np.zeros((2 * n, n), dtype=np.float32), np.zeros((2 * n, n), dtype=np.float32)
    light, dark, at_turn, at_begin, at_slope = 0.0, 0.0, 0, 0, 0
    for turn in range(radon.TURNS):
        radon.line_sums(square, turn, sums, room)
        for begin in range(2 * n):
            for slope in range(n):
                cells = known[begin, slope]
                if cells >= _FEWEST_CELLS:
                    value = sums[begin, slope] / np.sqrt(cells)
                    if value > light:
                        light, at_turn, at_begin, at_slope = value, turn, begin, slope
                    dark = max(dark, -value)
    return light, dark, at_turn, at_begin, at_slope


def _nodes(line: Array) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in line)


def _followed(deviation: Plane, starry: Mask, line: Array) -> Trail | None:
    """The trail that a line (2, 2) is a piece of; None when nothing goes on along it."""
    middle, along = line.mean(axis=0), line[1] - line[0]
    along /= np.hypot(*along)
    start, sure, ridge = _piece(deviation, starry, middle, along)
    if sure < _GOES_ON:
        return None
    forward, backward = (_one_way(deviation, starry, start, sign * along) for sign in (1.0, -1.0))
    nodes = [*(n for n, _ in reversed(backward)), start, *(n for n, _ in forward)]
    if len(nodes) < 3:
        return None
    strength = float(np.mean([ridge, *(r for _, r in backward), *(r for _, r in forward)]))
    path = _lengthened(np.array(nodes))
    profile, sigma = _profile(deviation, starry, path)
    half = _half_width(profile, sigma) + (strength > _BRIGHT)
    light, beyond = _light(profile, half)
    return Trail(_nodes(path), 2 * half, strength, light, beyond / max(light + beyond, 1e-6))


def _one_way(
    deviation: Plane, starry: Mask, start: Array, along: Array
) -> list[tuple[Array, float]]:
    """Nodes beyond ``start`` and the ridge's strength there, as far as the trail goes on."""
    nodes: list[tuple[Array, float]] = []
    here, missed = start, 0
    height, width = deviation.shape
    while missed <= _GAPS:
        ahead = here + _STRIDE * along
        if not (-_STRIDE < ahead[0] < width + _STRIDE and -_STRIDE < ahead[1] < height + _STRIDE):
            break
        place, sure, ridge = _piece(deviation, starry, ahead, along)
        if sure < _GOES_ON:
            missed += 1
            here = ahead
            continue
        last = nodes[-1][0] if nodes else start
        turned = place - last
        turned /= np.hypot(*turned)
        # A single piece is off by a pixel in 48: its direction counts for a quarter.
        along = along + 0.25 * (turned - along)
        along /= np.hypot(*along)
        nodes.append((place, ridge))
        here, missed = place, 0
    return nodes


def _piece(
    deviation: Plane, starry: Mask, place: Array, along: Array
) -> tuple[Array, float, float]:
    """Best place beside ``place`` for a piece of ridge: place, standard deviations, strength."""
    offset, sure, ridge = _across(deviation, starry, place[0], place[1], along[0], along[1], _VOICE)
    return place + offset * np.array([-along[1], along[0]]), sure, ridge


@numba.njit(cache=True, nogil=True)
def _across(deviation, starry, x, y, dx, dy, voice):  # type: ignore[no-untyped-def]
    """Which offset of a piece stands out most over what lies beside it."""
    height, width = deviation.shape
    reach = 2 * _SIDEWAYS + 9
    total, count = np.zeros(2 * reach + 1), np.zeros(2 * reach + 1)
    for t in range(-(_STRIDE // 2), _STRIDE // 2):
        for o in range(-reach, reach + 1):
            i, j = int(np.rint(x + t * dx - o * dy)), int(np.rint(y + t * dy + o * dx))
            if 0 <= i < width and 0 <= j < height and not starry[j, i]:
                v = deviation[j, i]
                if np.isfinite(v):
                    total[o + reach] += min(max(v, -voice), voice)
                    count[o + reach] += 1
    best, sure, ridge = 0, -1.0, 0.0
    for o in range(-_SIDEWAYS, _SIDEWAYS + 1):
        on, n, off, m = 0.0, 0.0, 0.0, 0.0
        for k in range(-1, 2):
            on += total[reach + o + k]
            n += count[reach + o + k]
        for k in range(6, 10):
            for side in (-k, k):
                off += total[reach + o + side]
                m += count[reach + o + side]
        if n > _STRIDE and m > _STRIDE:
            mean = on / n - off / m
            stands_out = mean / np.sqrt(1 / n + 1 / m)
            if stands_out > sure:
                best, sure, ridge = o, stands_out, mean
    return best, sure, ridge


def _lengthened(nodes: Array) -> Array:
    """The path with a piece more at either end: where it fades, it is not yet gone."""
    first, last = nodes[0] - (nodes[1] - nodes[0]), nodes[-1] + (nodes[-1] - nodes[-2])
    return np.vstack([first, nodes, last])


def _profile(deviation: Plane, starry: Mask, path: Array) -> tuple[Array, Array]:
    """Mean deviation (2·reach + 1,) at each distance from the path, and its standard deviation."""
    total, square, count = np.zeros((3, 2 * _REACH + 1))
    for a, b in pairwise(path[1:-1]):
        _add_profile(deviation, starry, a, b, total, square, count)
    known = np.maximum(count, 1)
    mean = total / known
    return mean, np.sqrt(np.maximum(square / known - mean**2, 1) / known)


@numba.njit(cache=True, nogil=True)
def _add_profile(deviation, starry, a, b, total, square, count):  # type: ignore[no-untyped-def]
    height, width = deviation.shape
    length = np.hypot(b[0] - a[0], b[1] - a[1])
    dx, dy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
    for t in range(int(length)):
        for o in range(-_REACH, _REACH + 1):
            i = int(np.rint(a[0] + t * dx - o * dy))
            j = int(np.rint(a[1] + t * dy + o * dx))
            if 0 <= i < width and 0 <= j < height and not starry[j, i]:
                v = deviation[j, i]
                if np.isfinite(v):
                    total[o + _REACH] += v
                    square[o + _REACH] += v * v
                    count[o + _REACH] += 1


def _half_width(profile: Array, sigma: Array) -> float:
    """Half the width to cut: beyond it lies next to nothing of the light, or what noise hides."""
    away = np.abs(np.arange(-_REACH, _REACH + 1))
    light, _ = _light(profile, _LEAST)
    for half in np.arange(_LEAST, _MOST, 1.0):
        beyond = (away > half) & (away <= half + _SHOULDER)
        hidden = 2 * float(np.sqrt(np.sum(sigma[beyond] ** 2)))
        if _light(profile, half)[1] < max(_STAYS * light, hidden):
            return float(half)
    return _MOST


def _light(profile: Array, half: float) -> tuple[float, float]:
    """Light within ``half`` px of the path and on the shoulders beyond, over what lies outside."""
    away = np.abs(np.arange(-_REACH, _REACH + 1))
    over = profile - np.mean(profile[away > _REACH - 3])
    shoulders = (away > half) & (away <= half + _SHOULDER)
    return float(over[away <= half].sum()), float(over[shoulders].sum())


def _blank(cells: Plane, trail: Trail) -> None:
    """Take a trail out of the cells, so that the next line is another one."""
    gone = np.zeros(cells.shape, dtype=np.bool_)
    nodes = (np.array(trail.path) + 0.5) / _BIN - 0.5
    for a, b in pairwise(nodes):
        _draw(gone, a, b, trail.width / 2 / _BIN + 1.5)
    cells[gone] = 0


@numba.njit(cache=True, nogil=True)
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


@numba.njit(cache=True, nogil=True)
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
