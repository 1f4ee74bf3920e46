"""What is wrong with a frame, from its indicators and those of the frames around it."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from stackkit.align.matching import LEAST_PAIRS
from stackkit.arrays import Array
from stackkit.grading.indicators import Indicators, scatter


class Cause(StrEnum):
    """Why a frame has reduced weight or is left out; the words are those of run.json."""

    NONE = ""
    CLOUD = "cloud"
    HAZE = "haze"
    LOW = "low in the sky"
    DEFOCUS = "out of focus"
    SHAKEN = "shaken"
    TRAILED = "trailed"
    DEW = "dew"
    GLOW = "moonlight or twilight"
    TORCH = "torch or headlights"
    COVERED = "lens covered"
    CLIPPED = "over-exposed"
    MOVED = "camera moved"
    ELSEWHERE = "another part of the sky"
    UNREAD = "not readable"


_NOTABLE = -0.1
"""Loss, as ln of a frame's relative weight, above which it is reported …"""
_BEYOND = 4.0
"""… if it is beyond the session's own scatter from frame to frame, in standard deviations …"""
_ANYWAY = -0.7
"""… or halves the weight."""
_DARK = 0.15
"""Share of the usual sky background below which the lens is covered."""
STREAKED = 0.45
"""Elongation above which stars are trailed, not shaken: long axis 2.5 times the short one."""
_DRAWN = 0.12
_BLURRED = -0.5
_LASTING = 4
"""Least number of frames that haze lasts, and that dawn or dew take to build up."""
_THIN = 0.5
"""Least share of light that haze lets through."""
_PATCHY = 0.12
_SMOOTH = 0.15
"""Greatest difference in ln of light between frames with the same haze."""
_CREEPING = 0.7
"""Least rank correlation with time of a gradual change."""
_ONE_SIDED = 0.5
_FEW = 0.3
"""Share of the usual number of stars below which they are hidden."""
CLIPPED = 0.1
"""Share of clipped samples beyond the usual above which too much is clipped."""


def of_unplaced(s: Indicators, k: int, stars: int, stray: str, *, seen: bool) -> Cause:
    """Why a frame could not be placed; ``seen``: whether the sky background exceeds the noise."""
    if s.clipped[k] > CLIPPED:
        return Cause.CLIPPED
    if seen and s.sky[k] < _DARK:
        return Cause.COVERED
    if stray:
        return Cause.ELSEWHERE
    if stars >= LEAST_PAIRS and (s.twin[k] or s.drawn[k] > _DRAWN):
        return Cause.TRAILED if s.drawn[k] > _DRAWN else Cause.SHAKEN
    if s.stars[k] < _FEW and s.spots[k] > 0.5:
        return Cause.DEFOCUS
    if s.stars[k] < _FEW:
        return Cause.CLOUD
    return Cause.DEFOCUS if s.width[k] > 1.5 else Cause.ELSEWHERE


def of_blur(s: Indicators, k: int) -> Cause:
    """Why a placed frame's stars are wide."""
    if s.drawn[k] > STREAKED:
        return Cause.TRAILED
    return Cause.SHAKEN if s.twin[k] or s.drawn[k] > _DRAWN else Cause.DEFOCUS


def of_loss(s: Indicators, k: int) -> Cause:
    """Why a placed frame's weight is reduced; NONE when the loss is not notable."""
    steady = s.by_light - 2 * s.drift
    losses = np.stack([steady, s.by_sky, s.by_blur])
    limits = np.array([_limit(column) for column in losses])
    with np.errstate(invalid="ignore"):
        struck = losses < limits[:, None]
    if not struck[:, k].any():
        return Cause.LOW if s.by_light[k] < limits[0] else Cause.NONE
    if _dew(losses, struck, k):
        return Cause.DEW
    worst = int(np.argmin(np.where(struck[:, k], losses[:, k], 0)))
    # Part of a blurred star's light escapes its fit, so blur takes precedence over lost light.
    if struck[2, k] and (worst == 2 or s.drawn[k] > _DRAWN or s.by_blur[k] < _BLURRED):
        return of_blur(s, k)
    if worst == 1:
        return _of_sky(s, struck, k)
    return _of_light(s, struck[0], k)


def _limit(column: Array) -> float:
    return max(min(_NOTABLE, -_BEYOND * scatter(column)), _ANYWAY)


def _run(which: NDArray[np.bool_], k: int) -> tuple[int, int]:
    """First and last of the consecutive frames around k for which ``which`` is true."""
    first = last = k
    while first > 0 and which[first - 1]:
        first -= 1
    while last < len(which) - 1 and which[last + 1]:
        last += 1
    return first, last


def _dew(losses: Array, struck: NDArray[np.bool_], k: int) -> bool:
    """Whether light and sharpness decrease together, progressively, until the session's end."""
    unplaced = ~np.isfinite(losses[0])
    first, last = _run(struck[0] | struck[2] | unplaced, k)
    seen = np.arange(first, last + 1)[~unplaced[first : last + 1]]
    if last < len(unplaced) - 1 or last - first + 1 < _LASTING - 1 or len(seen) < 2:
        return False
    light, blur = losses[0][seen], losses[2][seen]
    both = light.min() < _NOTABLE and blur.min() < _NOTABLE
    return bool(both and _rising(-light) > _CREEPING and _rising(-blur) > _CREEPING)


def _rising(values: Array) -> float:
    """Rank correlation with time (Spearman 1904) of values without ties."""
    if len(values) < 2:
        return 0.0
    ranks = np.argsort(np.argsort(values))
    return float(np.corrcoef(ranks, np.arange(len(values)))[0, 1])


def _of_sky(s: Indicators, struck: NDArray[np.bool_], k: int) -> Cause:
    """The cause of a bright sky: lit cloud, moonlight or twilight, or a lamp."""
    first, last = _run(struck[1], k)
    at_an_end = first == 0 or last == len(s.sky) - 1
    course = s.sky[first : last + 1]
    outward = _rising(course if last == len(s.sky) - 1 else -course)
    if last - first + 1 >= _LASTING - 1 and at_an_end and outward > _CREEPING:
        return Cause.GLOW
    if struck[0, k]:
        return _of_light(s, struck[0], k)
    if last - first + 1 < _LASTING - 1 or s.uneven[k] > _ONE_SIDED * (s.sky[k] - 1):
        return Cause.TORCH
    return Cause.GLOW


def _of_light(s: Indicators, struck: NDArray[np.bool_], k: int) -> Cause:
    """Haze is thin, even and steady; any other loss of light is cloud."""
    with np.errstate(invalid="ignore"):
        alike = np.abs(np.log(s.light / s.light[k])) < _SMOOTH
    first, last = _run(struck & alike, k)
    even = not s.patchy[k] > _PATCHY
    thin = s.light[k] > _THIN and last - first + 1 >= _LASTING
    return Cause.HAZE if even and thin else Cause.CLOUD
