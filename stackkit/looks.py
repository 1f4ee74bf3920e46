"""Integration in order: first stack, judgement of the samples, and what is made of the rest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit import calibrate, scratch
from stackkit.intake import Desk, Lights
from stackkit.integrate import (
    Outcome,
    Placed,
    Room,
    combine,
    values_by_method,
)
from stackkit.methods import METHODS, Method
from stackkit.noise import block_noise
from stackkit.reject import FEWEST, Verdict, judge
from stackkit.shelf import Remembering, kept
from stackkit.stack_result import Stack
from stackkit.summing import NoiseBlocks, total

_CLIPPED = 0.95
"""Share of the clip level from which on a pixel of the stack counts as clipped."""
_FIRST_FRAMES = 9
"""Frames in the first stack: enough to judge by, and no more to wait for with a hundred."""
_FILL, _WIDEST = 8, 2.0
"""Frames that fill a grid of twice as many places, and width of stars, px, up to which there is
something to be seen on it."""
_LOOKS = (("First stack", "Rejecting outliers"), ("Second stack", "Rejecting again"))


@dataclass(frozen=True)
class Looked:
    """The verdict on the samples, and the first stack (3, H, W) they were held against.

    ``expected`` is None when there were too few frames to judge.
    """

    verdict: Verdict
    expected: NDArray[np.float32] | None


def look(
    lights: Lights, placed: Sequence[Placed], suspects: NDArray[np.bool_], desk: Desk
) -> Looked:
    """Hold every sample against a first stack, twice where hot pixels weigh in that stack."""
    looked = Looked(Verdict(suspects, None, 0.0), None)
    masks = [scratch.mask_file(lights.cache, frame.number) for frame in placed]
    times = _times_judged(len(placed))
    for k in range(times):
        # The masks are written over by the next look.
        beside = masks if k == times - 1 else []
        again = partial(_look_again, lights, placed, looked.verdict.defects, desk, k)
        looked = kept(desk.place.shelf, f"look-{k}", again, beside)
    return looked


def _look_again(
    lights: Lights, placed: Sequence[Placed], defects: NDArray[np.bool_], desk: Desk, k: int
) -> Looked:
    """The ``k``-th look: a first stack without the ``defects`` known, and the verdict by it."""
    stacking, rejecting = _LOOKS[k]
    grid = (lights.sensor, defects)
    few = _spread_over(placed, _FIRST_FRAMES)
    name = f"look-{k}.first"
    known = (*grid, METHODS["median"], None, clip(lights))
    pool = Remembering(desk.pool, desk.place.shelf, name)
    told = _told(desk, stacking)
    first = kept(desk.place.shelf, name, lambda: combine(lights.cache, few, *known, pool, told))
    found = partial(judge, lights.cache, placed, *grid, first, desk.pool)
    verdict = found(_told(desk, rejecting), desk.place.shelf, f"look-{k}.judged")
    return Looked(verdict, first.value)


def sum_up(
    lights: Lights, placed: Sequence[Placed], looked: Looked, desk: Desk, sampling: int = 1
) -> tuple[Stack, NoiseBlocks]:
    """The weighted mean of what the verdict left, on a grid of so many places a pixel, and its
    noise.
    """
    known = (looked.verdict.defects, looked.verdict.pattern, looked.expected)
    told = _told(desk, "Combining")
    grid = (lights.cache, placed, lights.sensor)
    pool = Remembering(desk.pool, desk.place.shelf, "result.sum")
    return total(*grid, *known, clip(lights), pool, told, sampling)


def finest(asked: int, frames: int, width: float) -> tuple[int, str]:
    """Places a pixel that so many frames with stars so wide (FWHM, px) fill, and why not what was
    asked for, empty when it is.

    A Gaussian 2 px wide has a thirtieth of its contrast left at the sensor's own limit (half a wave
    a pixel): beyond it noise is all there is.
    """
    if asked == 1:
        return 1, ""
    if frames < _FILL:
        why = f"{frames} frames do not fill a finer grid; it takes {_FILL}"
    elif not width <= _WIDEST:
        why = f"stars are {width:.1f} px wide, and the sensor's own grid holds all of that"
    else:
        return asked, ""
    return 1, f"The grid was not made finer: {why}."


def combined(
    lights: Lights, placed: Sequence[Placed], looked: Looked, method: Method, desk: Desk
) -> Stack:
    """What a method of the table makes of the samples, none left out but the defects."""
    known = (lights.sensor, looked.verdict.defects, method, looked.expected, clip(lights))
    pool = Remembering(desk.pool, desk.place.shelf, "result.method")
    return combine(lights.cache, placed, *known, pool, _told(desk, "Combining"))


def each(
    lights: Lights,
    placed: Sequence[Placed],
    looked: Looked,
    methods: Sequence[Method],
    desk: Desk,
    room: Room,
) -> list[Outcome]:
    """What several methods make of the same samples, as :func:`combined` would one by one."""
    known = (lights.sensor, looked.verdict.defects, methods, looked.expected, clip(lights))
    told = _told(desk, "Combining by method")
    return values_by_method(lights.cache, placed, *known, desk.pool, told, room)


def summary(
    placed: Sequence[Placed], verdict: Verdict, noise: NoiseBlocks | None
) -> dict[str, Any]:
    """What integration tells the record."""
    return {
        "defects": int(verdict.defects.sum()),
        "pattern": verdict.pattern is not None,
        "rejected_share": verdict.rejected,
        "noise_frame_adu": block_noise(noise.frame) if noise else None,
        "noise_stack_adu": block_noise(noise.stack) if noise else None,
        "noise_by_frames": convergence(noise) if noise else [],
        "trails": [
            {"frame": number, "start": trail.start, "end": trail.end, "width_px": trail.width}
            for number, found in sorted(verdict.trails.items())
            for trail in found
        ],
        "star_gain": float(np.sqrt(sum(frame.weight for frame in placed))),
    }


def summary_of_method(placed: Sequence[Placed], verdict: Verdict) -> dict[str, Any]:
    """What integration by a method of the table tells: only the defects are the verdict's."""
    return summary(placed, Verdict(verdict.defects, None, None), None)


def convergence(noise: NoiseBlocks) -> list[dict[str, Any]]:
    """By how much the noise fell with the first frame, two, four … all: {frames, noise_gain}.

    Means over the colours that could be told.
    """
    levels = [
        np.array([np.nan if v is None else v for v in block_noise(means)]) for means in noise.means
    ]
    rows = []
    for frames, level in zip(noise.frames, levels, strict=True):
        gains = levels[0] / np.where(level > 0, level, np.nan)
        known = gains[np.isfinite(gains)]
        rows.append({"frames": frames, "noise_gain": float(known.mean()) if len(known) else None})
    return rows


def clip(lights: Lights) -> float:
    """From where on a pixel of the stack counts as clipped, ADU."""
    return _CLIPPED * calibrate.clip_level(lights.mosaic)


def _told(desk: Desk, name: str) -> Callable[[int, int], None]:
    return lambda done, of: desk.tell(name, done, of)


def _times_judged(frames: int) -> int:
    """With few frames a hot pixel weighs in the first stack that is to tell it: judged twice."""
    if frames < FEWEST:
        return 0
    return 2 if frames <= _FIRST_FRAMES else 1


def _spread_over(placed: Sequence[Placed], most: int) -> list[Placed]:
    """At most so many frames, evenly over the session, the reference first."""
    rest = sorted(placed[1:], key=lambda frame: frame.number)
    count = min(len(rest), most - 1)
    return [placed[0], *(rest[int(i)] for i in np.linspace(0, len(rest) - 1, count).round())]
