"""Outlier rejection: every raw sample compared with the value that the first stack predicts.

A first robust stack predicts each sample of each frame at its own place.  A sample is rejected
when it deviates from the prediction by more than its own noise allows; where the picture is
steep, alignment error and seeing allow more, so that star cores stay.  Trails are wider than one
sample and faint at their shoulders: the average over 3×3 samples finds them, and they are cut two
samples wider than found; trails that cross the frame as a line are cut along their whole length
(``trails.py``).  Fixed patterns of the sensor follow from the same deviations (``fixed_pattern``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from stackkit.arrays import Mask, Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.apply import RELIEF_STEP
from stackkit.calibration.mosaic_cache import Cache
from stackkit.integration.first_stack import FirstStack
from stackkit.integration.methods import STEEPNESS
from stackkit.integration.nodes import nodes_of
from stackkit.integration.prediction import deviations
from stackkit.integration.rejection.trail_path import Trail
from stackkit.integration.rejection.trails import find_trails, movers, trail_mask
from stackkit.integration.tiles import Placed, Step
from stackkit.jit import FAST, jit
from stackkit.raw.bayer import Bayer
from stackkit.robust import block_medians
from stackkit.run.checkpoints import Checkpoints, advance, newest
from stackkit.sensor.fixed_pattern import (
    Evidence,
    Pattern,
    add_evidence,
    convicted,
    fixed_pattern,
    no_evidence,
    pattern_share,
    restless,
)


@dataclass(frozen=True)
class Verdict:
    """Defects (H, W), fixed pattern (H, W) in codes of the cache (None when it is too weak to
    subtract), the share of samples rejected (None when none were judged), and the trails in the
    frames by their numbers.
    """

    defects: Mask
    pattern: Pattern | None
    rejected: float | None
    trails: dict[int, tuple[Trail, ...]] = field(default_factory=dict)


SINGLE = 5.0
"""Deviation of one sample, in its own standard deviations, at which it is rejected."""
TOGETHER = 5.0
"""Deviation of the mean of 3×3 samples, in its standard deviations, at which they are a trail."""
FEWEST = 3
"""With fewer frames it is impossible to know which one is wrong."""
_A_FEW = 8
"""Frames between checkpoints."""
_GROWTH = 2
"""How much wider than found a trail is cut, px."""


def judge(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    suspects: Mask,
    first: FirstStack,
    pool: Executor,
    step: Step,
    checkpoints: Checkpoints | None = None,
    name: str = "judged",
) -> Verdict:
    """Write rejection masks for the frames in the cache; the verdict, with defects and pattern.

    ``suspects`` (H, W) are left out of the first stack; they are acquitted when it shows a star
    there.  Progress is kept in the ``checkpoints`` under this ``name``.
    """
    in_time = sorted(frames, key=lambda frame: frame.number)
    one = partial(_compared, cache, sensor, first, find_trails)
    so_far = _gathered(cache, in_time, partial(_lazily, pool, one), step, checkpoints, name)
    evidence, rejected, found = so_far.evidence, so_far.rejected, so_far.lines
    trails = movers(found, {frame.number: frame.mapping for frame in frames}, len(frames))
    rejected += sum(pool.map(partial(_cut, cache), trails, trails.values()))
    moved = _drift(in_time, cache.shape)
    defects = convicted(evidence, suspects, len(frames), moved)
    unfit = defects | restless(evidence)
    share = pattern_share(evidence, unfit, moved)
    pattern = None
    if share > 0:
        noise = _sky_noise(first, frames[0])
        pattern = fixed_pattern(evidence, unfit, share, noise, sensor.layout, cache.coding)
    return Verdict(defects, pattern, rejected / (len(frames) * defects.size), trails)


def lasting_defects(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    suspects: Mask,
    first: FirstStack,
    pool: Executor,
    step: Step,
    checkpoints: Checkpoints | None = None,
    name: str = "hot",
) -> Mask:
    """The defects (H, W) alone that :func:`judge` would find, in less time."""
    in_time = sorted(frames, key=lambda frame: frame.number)
    one = partial(_compared, cache, sensor, first, lambda _deviation, _starry: [])
    so_far = _gathered(cache, in_time, partial(_lazily, pool, one), step, checkpoints, name)
    return convicted(so_far.evidence, suspects, len(frames), _drift(in_time, cache.shape))


@dataclass
class _SoFar:
    """Results of the frames ``done`` so far: their ``evidence``, how many samples were
    ``rejected``, and the ``lines`` in them by number.
    """

    evidence: Evidence
    rejected: int = 0
    lines: dict[int, list[Trail]] = field(default_factory=dict)
    done: int = 0


def _gathered(
    cache: Cache,
    frames: Sequence[Placed],
    judged: Callable[[Sequence[Placed]], Iterable[tuple[Mask, Plane, Mask, list[Trail]]]],
    step: Step,
    checkpoints: Checkpoints | None,
    name: str,
) -> _SoFar:
    """Add one frame after the other, in order: sums of floats must not depend on which thread is
    first.
    """
    masks = [mosaic_cache.mask_file(cache, frame.number) for frame in frames]
    so_far = newest(checkpoints, name, masks, _SoFar(no_evidence(cache.shape)))
    rest = frames[so_far.done :]
    for frame, (mask, deviation, starry, lines) in zip(rest, judged(rest), strict=True):
        mosaic_cache.put_rejected(cache, frame.number, mask)
        so_far.done += 1
        so_far.rejected += int(mask.sum())
        np.logical_or(so_far.evidence.starry, starry, out=so_far.evidence.starry)
        if lines:
            so_far.lines[frame.number] = lines
        add_evidence(so_far.evidence, deviation, mask, late=2 * so_far.done > len(frames))
        if so_far.done % _A_FEW == 0:
            advance(checkpoints, name, masks, so_far.done, so_far)
        step(so_far.done, len(frames))
    return so_far


def _compared(
    cache: Cache,
    sensor: Bayer,
    first: FirstStack,
    lines_in: Callable[[Plane, Mask], list[Trail]],
    frame: Placed,
) -> tuple[Mask, Plane, Mask, list[Trail]]:
    """A frame's samples to reject, deviations, steep places, and the lines in it."""
    starry = np.zeros(cache.shape, dtype=bool)
    deviation = _deviation(cache, frame, sensor, first, starry)
    return outliers(deviation), deviation, starry, lines_in(deviation, starry)


def _cut(cache: Cache, number: int, trails: Sequence[Trail]) -> int:
    """Add a frame's trails to its rejected samples; how many samples that adds."""
    mask = mosaic_cache.get_rejected(cache, number, mosaic_cache.whole(cache))
    wider = mask | trail_mask(trails, mask)
    mosaic_cache.put_rejected(cache, number, wider)
    return int(wider.sum()) - int(mask.sum())


def _drift(frames: Sequence[Placed], shape: tuple[int, int]) -> float:
    """How far the sky moved over the sensor from the first frame to the last, px: the median."""
    x, y = (np.linspace(0, side - 1, 7) for side in shape[::-1])
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    first, last = (frames[k].mapping.from_reference(places) for k in (0, -1))
    return float(np.nan_to_num(np.nanmedian(np.hypot(*(last - first).T))))


def _sky_noise(first: FirstStack, frame: Placed) -> Plane:
    """Standard deviation (3, …, …) of a sample of the empty sky about the first stack, in ADU."""
    sky = block_medians(first.value[:, ::4, ::4], RELIEF_STEP // 4)
    sky = np.maximum(np.where(np.isfinite(sky), sky, np.nanmedian(sky, (1, 2), keepdims=True)), 0)
    rows, columns = (np.arange(side) for side in sky.shape[1:])
    rows, columns = (
        np.minimum(at, side - 1)
        for at, side in zip((rows, columns), frame.relief.shape[1:], strict=True)
    )
    gain = frame.relief[:, rows[:, None], columns]
    variance = gain * (frame.noise.slope * sky + frame.noise.floor * gain) + first.spread
    return np.asarray(np.sqrt(variance), dtype=np.float32)


def _lazily(pool: Executor, one, frames):  # type: ignore[no-untyped-def]
    """Like ``pool.map``, but at most two results wait at a time: each is as large as a frame."""
    waiting = [pool.submit(one, frame) for frame in frames[:2]]
    for frame in [*frames[2:], None, None]:
        if not waiting:
            break
        result = waiting.pop(0).result()
        if frame is not None:
            waiting.append(pool.submit(one, frame))
        yield result


def _deviation(
    cache: Cache,
    frame: Placed,
    sensor: Bayer,
    first: FirstStack,
    starry: Mask,
) -> Plane:
    """(sample - prediction) / its standard deviation (H, W), NaN if unknown; marks ``starry``."""
    codes = mosaic_cache.get(cache, frame.number, mosaic_cache.whole(cache))
    height, width = cache.shape
    nodes = nodes_of(frame.mapping.to_reference, 0, 0, width, height)
    deviation = np.empty(cache.shape, dtype=np.float32)
    deviations(
        codes,
        (cache.coding.step, cache.coding.pedestal),
        sensor.layout,
        first.value,
        first.spread,
        nodes,
        (frame.level.offset, frame.level.unit, frame.level.transparency),
        (frame.noise.slope, frame.noise.floor),
        frame.relief,
        STEEPNESS,
        deviation,
        starry,
    )
    return deviation


def outliers(deviation: Plane) -> Mask:
    """Samples (H, W) to reject, from deviations in standard deviations (NaN where unknown)."""
    mask = np.zeros(deviation.shape, dtype=bool)
    _mark(deviation, SINGLE, TOGETHER, mask)
    return mask


@jit(fastmath=FAST)
def _mark(deviation, single, together, mask):  # type: ignore[no-untyped-def]
    """Reject single samples, and around means of 3×3 samples that are too far off."""
    height, width = deviation.shape
    # Sums and numbers of three samples side by side, of the last three rows; beyond the edge none.
    sums, counts = np.zeros((2, 3, width), dtype=np.float32)
    value, there = np.zeros((2, width + 2), dtype=np.float32)
    limit, zero = np.float32(single), np.float32(0)
    for below in range(height + 1):
        k = below % 3
        if below < height:
            for x in range(width):
                v = deviation[below, x]
                # A hot sample must not make a trail of its neighbours: its value is capped at the
                # limit for one sample.
                value[x + 1] = zero if np.isnan(v) else min(max(v, -limit), limit)
                there[x + 1] = 0 if np.isnan(v) else 1
            for x in range(width):
                sums[k, x] = value[x] + value[x + 1] + value[x + 2]
                counts[k, x] = there[x] + there[x + 1] + there[x + 2]
        else:
            sums[k], counts[k] = 0, 0
        y = below - 1
        for x in range(width if y >= 0 else 0):
            if abs(deviation[y, x]) > single:
                mask[y, x] = True
            total = sums[0, x] + sums[1, x] + sums[2, x]
            count = counts[0, x] + counts[1, x] + counts[2, x]
            if total * total > together * together * count:
                for j in range(max(y - _GROWTH, 0), min(y + _GROWTH + 1, height)):
                    for i in range(max(x - _GROWTH, 0), min(x + _GROWTH + 1, width)):
                        if abs(j - y) + abs(i - x) < 2 * _GROWTH:
                            mask[j, i] = True
