"""A series of frames: how many, how long, how many bytes, and the sky they have in common."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf

import numpy as np

from stackkit.geometry.lens import unproject
from stackkit.plan.camera import Camera
from stackkit.plan.exposure import Aim, axes, moved

TOTAL = 8.0
"""Minutes of exposure in all: 7 to 10 serve a phone well (common practice)."""
_PAUSE = 1.5
"""Seconds between frames that a camera takes for writing (common practice)."""
_BYTES = 2.0
"""Bytes per pixel of an uncompressed raw file."""
_BATTERY = 5 / 60
"""Share of a full battery used in ten minutes at worst: a guess."""
_ACROSS = 61
"""Points across the picture at which the shared sky is counted."""


@dataclass(frozen=True)
class Series:
    """``frames`` of ``exposure`` s, one every ``cadence`` s, ``seconds`` in all; less than the
    ``asked`` seconds where those do not fit into the usable hours.

    ``bytes`` on the card, ``battery`` share of a full one (a guess); ``drift`` px (x, y) of the
    star in the middle from start to end; ``shared``: share of the picture common to all frames;
    ``bottom``: altitude (degrees) at the middle of the lower edge.
    """

    exposure: float
    frames: int
    cadence: float
    seconds: float
    asked: float
    bytes: float
    battery: float
    drift: tuple[float, float]
    shared: float
    bottom: float


def run_length(exposure: float, minutes: float) -> float:
    """Seconds from the first frame's start to the last one's end, if all fit."""
    return _wanted(exposure, minutes) * (exposure + _PAUSE) - _PAUSE


def _wanted(exposure: float, minutes: float) -> int:
    return max(ceil(60 * minutes / exposure - 1e-6), 3)


def series(
    camera: Camera,
    aim: Aim,
    exposure: float,
    minutes: float,
    file_bytes: float | None,
    room: float = inf,
) -> Series:
    """Frames of ``exposure`` seconds for ``minutes`` of exposure in all, at least three, or as
    many as end within ``room`` seconds, at least one.
    """
    cadence = exposure + _PAUSE
    frames = int(max(min(_wanted(exposure, minutes), (room + _PAUSE) // cadence), 1))
    seconds = frames * cadence - _PAUSE
    w, h = camera.size
    # Middles of equal cells, so that their count measures an area.
    middles = (np.arange(_ACROSS) + 0.5) / _ACROSS
    grid = np.meshgrid(w * middles - 0.5, h * middles - 0.5)
    xy = np.stack(grid, axis=-1).reshape(-1, 2)
    ends = moved(camera, aim, xy, np.array([-seconds / 2, seconds / 2]))
    inside = (ends >= -0.5) & (ends <= np.array([w - 0.5, h - 0.5]))
    shared = float(np.mean(inside.all(axis=(0, 2))))
    x, y = (ends[1] - ends[0])[len(xy) // 2]
    low = unproject(camera.lens, np.array([[(w - 1) / 2, h - 0.5]])) @ axes(aim)
    # Outside a fisheye's image circle: its lowest point is a right angle below its middle.
    bottom = np.degrees(np.arcsin(np.clip(low[0, 2], -1, 1)))
    return Series(
        exposure=exposure,
        frames=frames,
        cadence=cadence,
        seconds=seconds,
        asked=run_length(exposure, minutes),
        bytes=frames * (file_bytes or _BYTES * w * h),
        battery=min(_BATTERY * seconds / 600, 1.0),
        drift=(float(x), float(y)),
        shared=shared,
        bottom=float(bottom) if np.isfinite(bottom) else aim.altitude - 90,
    )
