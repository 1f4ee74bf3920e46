"""Integration in order: first stack, outlier rejection, and the combination of the rest."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from stackkit.calibration import apply, mosaic_cache
from stackkit.calibration.load import Lights
from stackkit.integration.first_stack import FirstStack, first_stack
from stackkit.integration.methods import Method
from stackkit.integration.rejection.outliers import FEWEST, Verdict, judge, lasting_defects
from stackkit.integration.tiles import (
    Outcome,
    Placed,
    Room,
    combine,
    values_by_method,
)
from stackkit.integration.weighted_sum import NoiseBlocks, total
from stackkit.results import Stack
from stackkit.run.checkpoints import CheckpointedPool, checkpointed
from stackkit.run.context import Context

_CLIPPED = 0.95
"""Share of the clip level above which a pixel of the stack counts as clipped."""
_FIRST_FRAMES = 9
"""Frames in the first stack: enough to judge by, and quick even when there are a hundred."""
_FILL, _WIDEST = 8, 2.0
"""Frames that fill a grid of twice as many places, and width of stars, px, up to which it shows
more detail."""


@dataclass(frozen=True)
class Judgement:
    """The verdict on the samples, and the first stack (3, H, W) they were compared with.

    ``expected`` is None when there were too few frames to judge.
    """

    verdict: Verdict
    expected: NDArray[np.float32] | None


@dataclass(frozen=True)
class Integration:
    """A picture and how it was made: by which method, with which verdict on the samples (a method
    of the table uses only the defects), and on how many places a pixel.  ``noise`` is None where
    it was not measured; ``remark``: a remark for the report, mostly empty.
    """

    picture: Stack
    method: str
    verdict: Verdict
    noise: NoiseBlocks | None = None
    sampling: Literal[1, 2] = 1
    remark: str = ""


def judge_samples(
    lights: Lights, placed: Sequence[Placed], suspects: NDArray[np.bool_], context: Context
) -> Judgement:
    """Compare every sample with a first stack.

    With few frames hot pixels affect the stack that should reveal them: then a stack before it
    finds them.
    """
    if len(placed) < FEWEST:
        return Judgement(Verdict(suspects, None, 0.0), None)
    shelf = context.place.checkpoints
    masks = [mosaic_cache.mask_file(lights.cache, frame.number) for frame in placed]

    def found() -> NDArray[np.bool_]:
        first = _first_stack(lights, placed, suspects, context, "Trial stack", "hot")
        known = (lights.cache, placed, lights.sensor, suspects, first, context.pool)
        return lasting_defects(*known, _step(context, "Confirming hot pixels"), shelf, "hot.judged")

    def judged() -> Judgement:
        first = _first_stack(lights, placed, defects, context, "First stack", "look")
        known = (lights.cache, placed, lights.sensor, defects, first, context.pool)
        verdict = judge(*known, _step(context, "Rejecting outliers"), shelf, "look.judged")
        return Judgement(verdict, first.value)

    defects = suspects if len(placed) > _FIRST_FRAMES else checkpointed(shelf, "hot", found)
    return checkpointed(shelf, "look", judged, masks)


def _first_stack(
    lights: Lights,
    placed: Sequence[Placed],
    defects: NDArray[np.bool_],
    context: Context,
    title: str,
    entry: str,
) -> FirstStack:
    """The median of a few frames without the ``defects``: what samples are compared with."""
    shelf, name = context.place.checkpoints, f"{entry}.first"
    few = _spread_over(placed, _FIRST_FRAMES)
    pool, step = CheckpointedPool(context.pool, shelf, name), _step(context, title)
    known = (lights.cache, few, lights.sensor, defects, clip(lights), pool, step)
    return checkpointed(shelf, name, lambda: first_stack(*known))


def combine_by_sample(
    lights: Lights,
    placed: Sequence[Placed],
    judgement: Judgement,
    context: Context,
    sampling: int = 1,
) -> tuple[Stack, NoiseBlocks]:
    """The weighted mean of the samples not rejected, on a grid of ``sampling`` places a pixel, and
    its noise.
    """
    known = (judgement.verdict.defects, judgement.verdict.pattern, judgement.expected)
    step = _step(context, "Combining")
    grid = (lights.cache, placed, lights.sensor)
    pool = CheckpointedPool(context.pool, context.place.checkpoints, "result.sum")
    return total(*grid, *known, clip(lights), pool, step, sampling)


def finest(asked: Literal[1, 2], frames: int, width: float) -> tuple[Literal[1, 2], str]:
    """Places a pixel that ``frames`` with stars of this ``width`` (FWHM, px) fill, and the reason
    where it is not what was ``asked`` for, else empty.

    A Gaussian 2 px wide has a thirtieth of its contrast left at the sensor's own limit (half a wave
    a pixel): beyond it there is only noise.
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
    lights: Lights, placed: Sequence[Placed], judgement: Judgement, method: Method, context: Context
) -> Integration:
    """All samples but the defects combined by a method of the table."""
    known = (lights.sensor, judgement.verdict.defects, method, judgement.expected, clip(lights))
    pool = CheckpointedPool(context.pool, context.place.checkpoints, "result.method")
    picture = combine(lights.cache, placed, *known, pool, _step(context, "Combining"))
    return Integration(picture, method.name, Verdict(judgement.verdict.defects, None, None))


def each(
    lights: Lights,
    placed: Sequence[Placed],
    judgement: Judgement,
    methods: Sequence[Method],
    context: Context,
    room: Room,
) -> list[Outcome]:
    """The same samples combined by several methods, as :func:`combined` would one by one."""
    known = (lights.sensor, judgement.verdict.defects, methods, judgement.expected, clip(lights))
    step = _step(context, "Combining by method")
    return values_by_method(lights.cache, placed, *known, context.pool, step, room)


def clip(lights: Lights) -> float:
    """ADU above which a pixel of the stack counts as clipped."""
    return _CLIPPED * apply.clip_level(lights.mosaic)


def _step(context: Context, name: str) -> Callable[[int, int], None]:
    return lambda done, of: context.progress(name, done, of)


def _spread_over(placed: Sequence[Placed], most: int) -> list[Placed]:
    """At most ``most`` frames, evenly over the session, the reference first."""
    rest = sorted(placed[1:], key=lambda frame: frame.number)
    count = min(len(rest), most - 1)
    return [placed[0], *(rest[int(i)] for i in np.linspace(0, len(rest) - 1, count).round())]
