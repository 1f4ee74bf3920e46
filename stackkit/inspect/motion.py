"""What happens between the frames: motion of the sky and of the camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np
from scipy.ndimage import distance_transform_edt

from stackkit.align.pairing import static_flags
from stackkit.align.register import Registration
from stackkit.align.sky_rotation import pushes
from stackkit.arrays import Array
from stackkit.geometry.lens import SIDEREAL
from stackkit.record.geometry import placed_in_order
from stackkit.record.geometry import turns as degrees_turned
from stackkit.record.rate import is_known
from stackkit.stars.detect import Stars

_TOO_FAST = 2.0
"""Highest plausible star speed over that in the middle: distortion may stretch corners."""
_EXPECTED = 12.0
"""Stars expected in a disc that counts as empty: by chance with a probability of e⁻¹²; more often
in dark corners and dust lanes."""
_WIDEST = 0.15
"""Greatest radius of that disc as a share of the picture's shorter side."""
_GRID = 8
_LEAST_SHARE = 0.05
"""Gaps between stars amount to 4 % of simulated skies without a foreground."""


@dataclass(frozen=True)
class Jump:
    """A movement of the camera by ``px`` after frame number ``after``."""

    after: int
    px: float


@dataclass(frozen=True)
class Motion:
    """``drift`` px/s of the stars across the picture; ``rate`` arc seconds/s and ``turn`` degrees
    of the sky rotation; ``jumps`` of the camera; ``foreground`` share of the picture without stars
    in any frame.  None where unknown.
    """

    drift: float | None
    rate: float | None
    turn: float | None
    jumps: tuple[Jump, ...]
    foreground: float | None


def motion(
    tables: Sequence[Stars],
    times: Sequence[datetime | None],
    registration: Registration,
    size: tuple[int, int],
) -> Motion:
    """The motion in a registered session; lists run over its frames, ``size`` in px."""
    placed = [k for k, mapping in enumerate(registration.mappings) if mapping is not None]
    seconds = _clock(times)
    timed = all(time is not None for time in times)
    speed = _drift(tables, registration, placed, seconds) if timed else None
    return Motion(
        drift=speed,
        rate=_rate(registration),
        turn=_turn(registration, times),
        jumps=_jumps(registration, times),
        foreground=starless(tables, size),
    )


def _clock(times: Sequence[datetime | None]) -> Array:
    """Seconds since the first frame; frame numbers where times are missing."""
    known = [time for time in times if time is not None]
    if len(known) < len(times):
        return np.arange(len(times), dtype=np.float64)
    return np.array([(time - known[0]).total_seconds() for time in known])


def _rate(registration: Registration) -> float | None:
    """Rate of sky rotation, arc seconds a second; None where it is not known well enough."""
    sky_rotation = registration.sky_rotation
    if sky_rotation is None or sky_rotation.rate is None or sky_rotation.rate_sigma is None:
        return None
    rate, sigma = np.degrees([sky_rotation.rate, sky_rotation.rate_sigma]) * 3600
    return float(rate) if is_known(rate, sigma) else None


def _turn(registration: Registration, times: Sequence[datetime | None]) -> float | None:
    known = [d for d in degrees_turned(registration, times) if d is not None]
    return max(known) - min(known) if len(known) > 1 else None


def _jumps(registration: Registration, times: Sequence[datetime | None]) -> tuple[Jump, ...]:
    if registration.sky_rotation is None:
        return ()
    order = placed_in_order(registration, times)
    focal = registration.geometry.lens.f
    return tuple(Jump(p.before, p.angle * focal) for p in pushes(registration.sky_rotation, order))


def _drift(
    tables: Sequence[Stars], registration: Registration, placed: Sequence[int], seconds: Array
) -> float | None:
    """Median speed of the stars, px/s, between consecutive frames.

    None when it is faster than the sky can move with this lens: then the camera moved.
    """
    speeds = []
    for a, b in pairwise(placed):
        _, i, j = np.intersect1d(
            registration.pairs[a][:, 0], registration.pairs[b][:, 0], return_indices=True
        )
        if len(i) == 0 or seconds[b] <= seconds[a]:
            continue
        before = tables[a].xy[registration.pairs[a][i, 1]]
        after = tables[b].xy[registration.pairs[b][j, 1]]
        path = float(np.median(np.hypot(*(after - before).T)))
        speeds.append(path / (seconds[b] - seconds[a]))
    if not speeds or np.median(speeds) > _TOO_FAST * SIDEREAL * registration.geometry.lens.f:
        return None
    return float(np.median(speeds))


def starless(tables: Sequence[Stars], size: tuple[int, int]) -> float | None:
    """Share of the picture (width, height in px) without a star that moves: foreground or cloud.

    The union of all discs without a star in any frame, of an area in which ``_EXPECTED`` are usual
    (they are the same stars in all frames).  None where there are too few stars.
    """
    width, height = size
    moving = [table.xy[~still] for table, still in zip(tables, static_flags(tables), strict=True)]
    usual = float(np.median([len(xy) for xy in moving])) if moving else 0.0
    radius = float(np.sqrt(_EXPECTED * width * height / (np.pi * max(usual, 1.0))))
    if radius > _WIDEST * min(size):
        return None
    free = np.ones((-(-height // _GRID), -(-width // _GRID)), dtype=np.bool_)
    at = (np.concatenate(moving) / _GRID).astype(np.int64)
    free[np.clip(at[:, 1], 0, free.shape[0] - 1), np.clip(at[:, 0], 0, free.shape[1] - 1)] = False
    middle = _GRID * distance_transform_edt(free) > radius
    if not middle.any():
        return 0.0
    share = float(np.mean(_GRID * distance_transform_edt(~middle) <= radius))
    return share if share >= _LEAST_SHARE else 0.0
