"""Which samples do not belong: every raw sample held against what the first stack says there.

A first robust stack predicts each sample of each frame at its own place.  A sample is rejected
when it stands out from the prediction by more than its own noise allows; where the picture is
steep, registration and seeing allow more, so that star cores stay.  Trails are wider than one
sample and faint at their shoulders: the average over 3×3 samples finds them, and what is found is
cut two samples wider.  A site that is off in most frames is a defect, however little.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from concurrent.futures import Executor

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from stackkit import resample, scratch
from stackkit.integrate import Placed, Step
from stackkit.opening import Bayer
from stackkit.scratch import Cache
from stackkit.stack_result import Stack

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

SINGLE = 5.0
"""Deviation of one sample, in its own standard deviations, at which it is rejected."""
TOGETHER = 5.0
"""Deviation of the mean of 3×3 samples, in its standard deviations, at which they are a trail."""
STEEPNESS = 0.25
"""Share of the local contrast that a sample may be off by registration and seeing (one σ)."""
ALWAYS = 4.0
"""Mean deviation over all frames, in its standard deviations, at which a site is a defect."""
_WEAKEST = 1.2
"""With few frames, the deviation of one sample, in standard deviations, that makes a defect when it
lasts: then a good site in a hundred is lost as well, which costs less than what would stay."""
_LEAST_ALWAYS = 2.2
_VOICE = 3.0
"""The most that one frame may say for a site's being a defect: one trail is not always."""
_CROWD_SIDE, _CROWD = 15, 8.5
"""More than eight lasting sites in 15×15 are no accident: one site in a hundred may be bad, rarely
one in thirty."""
FEWEST = 3
"""With fewer frames there is no telling which one is wrong."""
_GROWTH = 2
"""How much wider than found a trail is cut, px."""


def judge(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    suspects: Mask,
    first: Stack,
    pool: Executor,
    step: Step,
) -> tuple[Mask, float]:
    """Lay rejection masks over the frames in the cache.

    Returns the defect mask (H, W) and the share of samples rejected.  Defects are the sites that
    are off in most frames; ``suspects``, which have no part in the first stack, are acquitted when
    it shows that a star stood there.
    """
    if len(frames) < FEWEST:
        return suspects, 0.0
    spread = _coarse(first.variance)
    deviation_sum = np.zeros(cache.shape, dtype=np.float32)
    seen = np.zeros(cache.shape, dtype=np.int16)
    starry = np.zeros(cache.shape, dtype=bool)

    def one(frame: Placed) -> tuple[Mask, Plane]:
        deviation = _deviation(cache, frame, sensor, first.value, spread, starry)
        return outliers(deviation), deviation

    rejected = 0
    # In order and one by one: sums of floats must not depend on which thread is first.
    for done, (frame, (mask, deviation)) in enumerate(
        zip(frames, _lazily(pool, one, frames), strict=True), start=1
    ):
        scratch.put_rejected(cache, frame.number, mask)
        rejected += int(mask.sum())
        _listen(deviation, deviation_sum, seen)
        step(done, len(frames))
    mean = deviation_sum / np.sqrt(np.maximum(seen, 1))
    known = seen >= max(FEWEST, len(frames) // 2)
    lasting = known & (np.abs(mean) > np.where(starry, ALWAYS, lasting_limit(len(frames))))
    defects = (suspects & (lasting | ~known)) | lone(lasting & ~suspects)
    return defects, rejected / (len(frames) * defects.size)


def lasting_limit(frames: int) -> float:
    """Mean deviation, in its standard deviations, at which a site of so many frames is a defect."""
    return float(np.clip(_WEAKEST * np.sqrt(frames), _LEAST_ALWAYS, ALWAYS))


def _coarse(variance: Plane) -> Plane:
    """Medians (3, …, …) of blocks of ``RELIEF_STEP`` px, those of the whole where nothing is."""
    step = resample.RELIEF_STEP
    thin = variance[:, ::4, ::4]
    short = [-side % (step // 4) for side in thin.shape[1:]]
    thin = np.pad(thin, ((0, 0), (0, short[0]), (0, short[1])), constant_values=np.nan)
    rows, columns = (side // (step // 4) for side in thin.shape[1:])
    blocks = thin.reshape(3, rows, step // 4, columns, step // 4)
    usual = np.nanmedian(thin, axis=(1, 2))[:, None, None]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # blocks that no frame reaches
        medians = np.nanmedian(blocks, axis=(2, 4))
    return np.where(np.isfinite(medians), medians, usual).astype(np.float32)


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
    model: Plane,
    spread: Plane,
    starry: Mask,
) -> Plane:
    """(sample - prediction) / its standard deviation (H, W), NaN where unknown; marks ``starry``."""
    codes = scratch.get(cache, frame.number, scratch.whole(cache))
    height, width = cache.shape
    nodes = resample.nodes_of(frame.mapping.to_reference, 0, 0, width, height)
    deviation = np.empty(cache.shape, dtype=np.float32)
    resample.deviations(
        codes,
        (cache.coding.step, cache.coding.pedestal),
        sensor.layout,
        model,
        spread,
        nodes,
        (frame.level.offset, frame.level.unit, frame.level.transparency),
        (frame.noise.slope, frame.noise.floor),
        frame.relief,
        STEEPNESS,
        deviation,
        starry,
    )
    return deviation


def lone(sites: Mask) -> Mask:
    """Without the sites (H, W) that stand in a crowd: those are ground or cloud, not defects."""
    crowd = uniform_filter(sites.astype(np.float32), _CROWD_SIDE) * _CROWD_SIDE**2
    return np.asarray(sites & (crowd < _CROWD))


@numba.njit(cache=True, nogil=True)
def _listen(deviation, total, seen):  # type: ignore[no-untyped-def]
    """Add what a frame says of each site's being off, at most ``_VOICE``."""
    for y in range(deviation.shape[0]):
        for x in range(deviation.shape[1]):
            v = deviation[y, x]
            if np.isfinite(v):
                total[y, x] += min(max(v, -_VOICE), _VOICE)
                seen[y, x] += 1


def outliers(deviation: Plane) -> Mask:
    """Samples (H, W) to reject, from deviations in standard deviations (NaN where unknown)."""
    mask = np.zeros(deviation.shape, dtype=bool)
    _mark(deviation, SINGLE, TOGETHER, mask)
    return mask


@numba.njit(cache=True, nogil=True)
def _mark(deviation, single, together, mask):  # type: ignore[no-untyped-def]
    height, width = deviation.shape
    for y in range(height):
        for x in range(width):
            total = 0.0
            count = 0
            for j in range(max(y - 1, 0), min(y + 2, height)):
                for i in range(max(x - 1, 0), min(x + 2, width)):
                    v = deviation[j, i]
                    if np.isfinite(v):
                        # A hot sample must not make a trail of its neighbours: it counts as far
                        # as it may go alone.
                        total += min(max(v, -single), single)
                        count += 1
            if abs(deviation[y, x]) > single:
                mask[y, x] = True
            if count > 0 and abs(total) > together * np.sqrt(count):
                for j in range(max(y - _GROWTH, 0), min(y + _GROWTH + 1, height)):
                    for i in range(max(x - _GROWTH, 0), min(x + _GROWTH + 1, width)):
                        if abs(j - y) + abs(i - x) < 2 * _GROWTH:
                            mask[j, i] = True
