"""A trail followed over a frame: its path, its width, and the light left beyond a cut."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from stackkit.arrays import Array, Mask, Plane
from stackkit.jit import jit

VOICE = 4.0
"""Limit of one sample's deviation, in standard deviations: a hot pixel is no trail."""
_STRIDE = 48
"""Length of the pieces in which a trail is followed, px."""
_PARTS = (0.2, 0.35, 0.5, 0.65, 0.8)
"""Where on a line a piece of it is looked for first."""
_SIDEWAYS = 4
"""How far beside its direction the next piece is looked for, px."""
_MIDDLE = 8
"""How far from its brightest line the middle of a broad trail is looked for, px."""
_STARTS, _GOES_ON = 4.0, 3.0
"""Standard deviations of a piece to begin with, and of one that goes on."""
_GAPS = 3
"""Pieces in a row that may be missing: aircraft blink, stars cover the line."""
_REACH = 20
"""Half the width over which a cross profile is taken, px."""
LEAST, _MOST = 3.0, 16.0
"""Half the width that is cut, px: 3 holds all but a hundredth of the light of stars 2.5 px wide."""
_DARK = 0.003
"""Share of samples darker than 4 σ above which it is ground; by chance it is 0.00003."""
_BANDED, _ALIGNED = 1.5, 0.04
"""Strength up to which, and slope against rows or columns, up to which it may be banding."""
_GAUSSIAN = 2.6
"""σ of a Gaussian within which all but a hundredth of its light lies."""
_SHOULDER = 4.0
"""Width of the shoulders on which light beyond a cut is looked for, px."""
_STAYS = 0.003
"""Share of a trail's light that may stay beyond the cut."""
_BRIGHT = 3.0
"""Strength above which a trail is cut a pixel wider: the remainder would be visible."""


@dataclass(frozen=True)
class Trail:
    """Light that crossed a frame: ``path`` of nodes (x, y) in px of its mosaic, the full ``width``
    that is cut, px, the mean deviation of a sample on the ridge (``strength``), in its noise, the
    ``light`` across it (deviations added), and the share of it beyond the cut (``left``, as far as
    noise allows).
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


def as_path(line: Array) -> tuple[tuple[float, float], ...]:
    """Places (N, 2) as plain numbers."""
    return tuple((float(x), float(y)) for x, y in line)


def places_along(trail: Trail, step: float) -> Array:
    """Places (N, 2) along a trail's path about ``step`` px apart, its ends among them."""
    nodes = np.array(trail.path)
    along = np.append(0, np.cumsum(np.hypot(*np.diff(nodes, axis=0).T)))
    at = np.linspace(0, along[-1], max(int(along[-1] / step), 2))
    return np.stack([np.interp(at, along, nodes[:, axis]) for axis in (0, 1)], axis=1)


def followed(deviation: Plane, starry: Mask, line: Array) -> Trail | None:
    """The trail that a line (2, 2) is a piece of; None when it does not continue.

    A faint one along a row or a column is banding, and one beside which samples are dark is a
    skyline.
    """
    along = line[1] - line[0]
    along /= np.hypot(*along)
    # A short one may lie anywhere on the line.
    tried = [
        _piece(deviation, starry, line[0] + part * (line[1] - line[0]), along) for part in _PARTS
    ]
    start, sure = max(tried, key=lambda found: found[1])
    if sure < _STARTS:
        return None
    forward, backward = (_one_way(deviation, starry, start, sign * along) for sign in (1.0, -1.0))
    nodes = [*reversed(backward), start, *forward]
    path = _lengthened(np.array(nodes), along)
    profile, sigma, dark = _profile(deviation, starry, path)
    if dark > _DARK:
        return None
    strength = float(np.max(_over(profile)))
    half = _half_width(profile, sigma) + (strength > _BRIGHT)
    if strength < _BANDED and _aligned(path):
        return None
    light, beyond = _light(profile, half)
    return Trail(as_path(path), 2 * half, strength, light, beyond / max(light + beyond, 1e-6))


def _aligned(path: Array) -> bool:
    """Whether a path keeps to a row or a column."""
    width, height = np.ptp(path, axis=0)
    return bool(min(width, height) < _ALIGNED * max(width, height))


def _one_way(deviation: Plane, starry: Mask, start: Array, along: Array) -> list[Array]:
    """Nodes beyond ``start``, as far as the trail goes on."""
    nodes: list[Array] = []
    here, missed = start, 0
    height, width = deviation.shape
    while missed <= _GAPS:
        ahead = here + _STRIDE * along
        if not (-_STRIDE < ahead[0] < width + _STRIDE and -_STRIDE < ahead[1] < height + _STRIDE):
            break
        place, sure = _piece(deviation, starry, ahead, along)
        if sure < _GOES_ON:
            missed += 1
            here = ahead
            continue
        turned = place - (nodes[-1] if nodes else start)
        turned /= np.hypot(*turned)
        # A single piece is off by a pixel in 48: its direction counts for a quarter.
        along = along + 0.25 * (turned - along)
        along /= np.hypot(*along)
        nodes.append(place)
        here, missed = place, 0
    return nodes


def _piece(deviation: Plane, starry: Mask, place: Array, along: Array) -> tuple[Array, float]:
    """Best place beside ``place`` for a piece of ridge, and its standard deviations."""
    offset, sure = _across(deviation, starry, *place, *along, VOICE)
    return place + offset * np.array([-along[1], along[0]]), sure


@jit
def _across(deviation, starry, x, y, dx, dy, voice):  # type: ignore[no-untyped-def]
    """The offset at which a piece stands out most over what lies beside it, and by how much."""
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
    best, sure, beside = 0, -1.0, 0.0
    for o in range(-_SIDEWAYS, _SIDEWAYS + 1):
        on, n = 0.0, 0.0
        for k in range(-1, 2):
            on += total[reach + o + k]
            n += count[reach + o + k]
        # Over both sides, each by itself: an edge stands out over one.
        off, m = -np.inf, 0.0
        for side in (-1, 1):
            light, samples = 0.0, 0.0
            for k in range(6, 10):
                light += total[reach + o + side * k]
                samples += count[reach + o + side * k]
            if samples > 0 and light / samples > off:
                off, m = light / samples, samples
        if n > _STRIDE and m > _STRIDE:
            stands_out = (on / n - off) / np.sqrt(1 / n + 1 / m)
            if stands_out > sure:
                best, sure, beside = o, stands_out, off
    # A broad or bright one is flat on top, since samples are limited: its middle.
    top = total[reach + best] / max(count[reach + best], 1.0) - beside
    moment, weight = 0.0, 0.0
    for o in range(max(best - _MIDDLE, -reach), min(best + _MIDDLE, reach) + 1):
        over = total[reach + o] / max(count[reach + o], 1.0) - beside
        if over > 0.5 * top:
            moment += o * over
            weight += over
    return (moment / weight if weight > 0 else float(best)), sure


def _lengthened(nodes: Array, along: Array) -> Array:
    """The path with one more piece at either end, where it fades out."""
    if len(nodes) == 1:
        half = _STRIDE / 2 * along
        nodes = np.stack([nodes[0] - half, nodes[0] + half])
    first, last = nodes[0] - (nodes[1] - nodes[0]), nodes[-1] + (nodes[-1] - nodes[-2])
    return np.vstack([first, nodes, last])


def _profile(deviation: Plane, starry: Mask, path: Array) -> tuple[Array, Array, float]:
    """Mean deviation (2·reach + 1,) at each distance from the path, its standard deviation, and the
    share of samples that are darker than noise makes them.
    """
    total, square, count, dark = np.zeros((4, 2 * _REACH + 1))
    for a, b in pairwise(path[1:-1]):
        _add_profile(deviation, starry, a, b, total, square, count, dark)
    known = np.maximum(count, 1)
    mean = total / known
    sigma = np.sqrt(np.maximum(square / known - mean**2, 1) / known)
    return mean, sigma, float(dark.sum() / max(count.sum(), 1))


@jit
def _add_profile(deviation, starry, a, b, total, square, count, dark):  # type: ignore[no-untyped-def]
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
                    dark[o + _REACH] += v < -VOICE


def _half_width(profile: Array, sigma: Array) -> float:
    """Half the width to cut: beyond it almost no light is left, or only what noise hides."""
    away = np.abs(np.arange(-_REACH, _REACH + 1))
    light, _ = _light(profile, LEAST)
    for half in np.arange(max(LEAST, np.ceil(_GAUSSIAN * _spread(profile))), _MOST, 1.0):
        beyond = (away > half) & (away <= half + _SHOULDER)
        hidden = 2 * float(np.sqrt(np.sum(sigma[beyond] ** 2)))
        if _light(profile, half)[1] < max(_STAYS * light, hidden):
            return float(half)
    return _MOST


def _over(profile: Array) -> Array:
    """The profile over what lies outside."""
    away = np.abs(np.arange(-_REACH, _REACH + 1))
    return np.asarray(profile - np.mean(profile[away > _REACH - 3]))


def _spread(profile: Array) -> float:
    """Width (σ, px) of the Gaussian that fits a profile best: shoulders that noise hides."""
    away = np.arange(-_REACH, _REACH + 1)
    widths = np.arange(0.8, 6.0, 0.1)
    shapes = np.exp(-0.5 * (away / widths[:, None]) ** 2)
    fits = (shapes @ _over(profile)) / np.linalg.norm(shapes, axis=1)
    return float(widths[np.argmax(fits)])


def _light(profile: Array, half: float) -> tuple[float, float]:
    """Light within ``half`` px of the path and on the shoulders beyond, over what lies outside."""
    away = np.abs(np.arange(-_REACH, _REACH + 1))
    over = _over(profile)
    shoulders = (away > half) & (away <= half + _SHOULDER)
    return float(over[away <= half].sum()), float(over[shoulders].sum())
