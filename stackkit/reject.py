"""Which samples do not belong: every raw sample held against what the first stack says there.

A first robust stack predicts each sample of each frame at its own place.  A sample is rejected
when it stands out from the prediction by more than its own noise allows; where the picture is
steep, registration and seeing allow more, so that star cores stay.  Trails are wider than one
sample and faint at their shoulders: the average over 3×3 samples finds them, and what is found is
cut two samples wider.  A site that is off in most frames is a defect, however little.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, uniform_filter

from stackkit import resample, scratch
from stackkit.geometry import unproject
from stackkit.integrate import Placed, Step
from stackkit.noise import variance_of
from stackkit.scratch import Cache, Window
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
_VOICE = 3.0
"""The most that one frame may say for a site's being a defect: one trail is not always."""
FEWEST = 3
"""With fewer frames there is no telling which one is wrong."""
_HALO = 4
_BAND = 512
_DISC = np.array([[0, 1, 1, 1, 0], *[[1] * 5] * 3, [0, 1, 1, 1, 0]], dtype=bool)


def judge(
    cache: Cache,
    frames: Sequence[Placed],
    layout: NDArray[np.int64],
    defects: Mask,
    first: Stack,
    pool: Executor,
    step: Step,
) -> tuple[Mask, float]:
    """Lay rejection masks over the frames in the cache.

    Returns the defect mask (H, W), widened by the sites that are off in most frames, and the share
    of samples rejected.
    """
    if len(frames) < FEWEST:
        return defects, 0.0
    model = np.where(np.isfinite(first.value), first.value, np.float32(np.nan))
    spread = np.nanmedian(first.variance, axis=(1, 2))
    deviation_sum = np.zeros(cache.shape, dtype=np.float32)
    seen = np.zeros(cache.shape, dtype=np.int16)

    def one(frame: Placed) -> tuple[Mask, Plane]:
        deviation = np.empty(cache.shape, dtype=np.float32)
        for top in range(0, cache.shape[0], _BAND):
            bottom = min(top + _BAND, cache.shape[0])
            band = Window(top, bottom, 0, cache.shape[1])
            deviation[top:bottom] = _deviation(cache, frame, layout, defects, model, spread, band)
        return outliers(deviation), deviation

    rejected = 0
    # In order and one by one: sums of floats must not depend on which thread is first.
    for done, (frame, (mask, deviation)) in enumerate(
        zip(frames, _lazily(pool, one, frames), strict=True), start=1
    ):
        scratch.put_rejected(cache, frame.number, mask)
        rejected += int(mask.sum())
        there = np.isfinite(deviation)
        deviation_sum[there] += np.clip(deviation[there], -_VOICE, _VOICE)
        seen += there
        step(done, len(frames))
    mean = deviation_sum / np.sqrt(np.maximum(seen, 1))
    enough = seen >= max(FEWEST, len(frames) // 2)
    return defects | (enough & (np.abs(mean) > ALWAYS)), rejected / (len(frames) * defects.size)


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
    layout: NDArray[np.int64],
    defects: Mask,
    model: Plane,
    spread: Plane,
    band: Window,
) -> Plane:
    """(sample - prediction) / its standard deviation for the rows of a band, NaN where unknown."""
    rows, columns = band.bottom - band.top, band.right - band.left
    codes = scratch.get(cache, frame.number, band)
    codes[defects[band.top : band.bottom]] = 0
    adu = scratch.decode(codes, cache.coding)
    y, x = np.mgrid[band.top : band.bottom, 0:columns]
    rays = unproject(frame.mapping.frame, np.stack([x, y], axis=-1).reshape(-1, 2))
    expected = np.empty((rows, columns), dtype=np.float32)
    contrast = np.empty((rows, columns), dtype=np.float32)
    resample.predict(
        model,
        band.top,
        (np.ascontiguousarray(np.linalg.inv(frame.mapping.matrix)), frame.mapping.reference.packed),
        (frame.level.offset, frame.level.unit, frame.level.transparency),
        layout,
        rays,
        expected,
        contrast,
    )
    variance = variance_of(frame.noise, expected.astype(np.float64))
    variance += float(np.max(spread)) + (STEEPNESS * contrast) ** 2
    return np.asarray((adu - expected) / np.sqrt(variance), dtype=np.float32)


def outliers(deviation: Plane) -> Mask:
    """Samples (H, W) to reject, from deviations in standard deviations (NaN where unknown)."""
    known = np.isfinite(deviation)
    filled = np.where(known, deviation, 0)
    alone = np.abs(filled) > SINGLE
    # One hot sample must not make a trail of its neighbours: it counts as far as it may go alone.
    capped = np.clip(filled, -SINGLE, SINGLE)
    density = np.maximum(uniform_filter(known.astype(np.float32), 3), 1 / 9)
    together = uniform_filter(capped, 3) * 3 / np.sqrt(density)
    return alone | binary_dilation(np.abs(together) > TOGETHER, structure=_DISC)
