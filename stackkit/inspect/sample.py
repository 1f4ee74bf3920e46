"""What frames of one setting have in common, from a few of them: noise and hot pixels."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.mosaic_cache import Cache
from stackkit.raw.decode import Mosaic
from stackkit.robust import sigma_about_zero
from stackkit.sensor.noise_model import SensorNoise, sensor_noise
from stackkit.sensor.suspects import find_defects, spikes

_CLEAR = 12.0
"""σ by which a suspect must stand out in one frame to count.  On simulated nights of six frames
whose stars hardly move the weaker ones are mostly stars."""
MOST = 5
"""Number of frames examined for what all have in common."""


@dataclass(frozen=True)
class Sample:
    """``head``: a mosaic of the setting, its data cut down to a corner; ``noise`` of its sensor;
    ``defects`` (H, W): suspect sites, ``clear``: how many of them are certain; ``frames``: how many
    were examined; ``dark_noise``: scatter (ADU) of the samples from frame to frame, which without
    light is the read noise; None for one frame.
    """

    head: Mosaic
    noise: SensorNoise
    defects: NDArray[np.bool_]
    clear: int
    frames: int
    dark_noise: float | None = None


def chosen(count: int) -> list[int]:
    """Frame numbers to examine: the middle two, which are consecutive, and others spread out."""
    middle = {max(count // 2 - 1, 0), min(count // 2, count - 1)}
    spread = np.linspace(0, count - 1, min(count, MOST)).round()
    return sorted(middle | {int(k) for k in spread})


def study(
    cache: Cache,
    numbers: Sequence[int],
    pairs: Sequence[tuple[int, int]],
    head: Mosaic,
    profile: Sequence[tuple[float, float]] | None,
    pool: Executor,
) -> Sample:
    """The sample of the frames ``numbers`` in the cache.

    Noise is measured from ``pairs`` of them that show the same scene; without pairs from one frame.
    """
    defects = find_defects(cache, numbers, pool)

    def plane(number: int, without: NDArray[np.bool_] | None = defects) -> Plane:
        codes = mosaic_cache.get(cache, number, mosaic_cache.whole(cache))
        return mosaic_cache.decode(codes, cache.coding, without=without)

    middle = numbers[len(numbers) // 2]
    clear = int((spikes(plane(middle, None), _CLEAR, quantum=1.0) & defects).sum())

    noise = sensor_noise(plane, pairs, middle, head, profile)
    scatter = frame_noise(plane(pairs[0][0]), plane(pairs[0][1])) if pairs else None
    return Sample(head, noise, defects, clear, len(numbers), scatter)


def frame_noise(one: Plane, other: Plane) -> float | None:
    """Standard deviation of a sample from frame to frame, ADU (EMVA Standard 1288, 6.6: temporal
    dark noise from two images); outliers beyond 6 σ, as of flickering sites, are left out.
    """
    apart = (one - other).ravel()
    apart = apart[np.isfinite(apart)]
    if len(apart) == 0:
        return None
    spread = max(sigma_about_zero(apart), 1.0)
    near = apart[np.abs(apart) < 6 * spread]
    return float(np.std(near, dtype=np.float64) / np.sqrt(2))
