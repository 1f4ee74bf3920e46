"""The first stack: the median of a few frames, which single samples are compared with."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np

from stackkit.arrays import Mask, Plane
from stackkit.calibration.apply import RELIEF_STEP
from stackkit.calibration.mosaic_cache import Cache, Window
from stackkit.integration import kernels
from stackkit.integration.deblur import restorable, restore
from stackkit.integration.methods import METHODS, Samples
from stackkit.integration.resample import sample_frame
from stackkit.integration.tiles import (
    LARGEST_TILE,
    Placed,
    Step,
    factors_for,
    fill,
    opened_frames,
    tiles,
)
from stackkit.raw.bayer import Bayer
from stackkit.robust import block_medians
from stackkit.sorting import sorting_network

_EVERY = 4
"""Every fourth row and column suffice for the variance of blocks of ``RELIEF_STEP`` px."""


@dataclass(frozen=True)
class FirstStack:
    """``value`` (3, H, W), NaN where nothing is known; ``spread`` (3, …, …): its variance, an entry
    every ``RELIEF_STEP`` px.
    """

    value: Plane
    spread: Plane


def first_stack(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    defects: Mask,
    clip: float,
    pool: Executor,
    step: Step,
) -> FirstStack:
    """The median of the frames without the ``defects``.

    From ``clip`` ADU on pixels count as clipped, and are left as they are.
    """
    factors, network = factors_for(len(frames), sensor), sorting_network(len(frames))
    weights = np.array([frame.weight for frame in frames], dtype=np.float32)

    def one(tile: Window) -> tuple[list[Any], Plane]:
        size = (3, tile.bottom - tile.top, tile.right - tile.left)
        values = np.full((len(frames), *size), np.nan, dtype=np.float32)
        thin = (len(frames), 3, -(-size[1] // _EVERY), size[2])
        variances = np.full(thin, np.nan, dtype=np.float32)
        for k, opened in opened_frames(cache, frames, tile, sensor, defects):
            sample_frame(opened, factors, _EVERY, values[k], variances[k])
        middle = np.empty(size, dtype=np.float32)
        kernels.median_values(values.reshape(len(frames), -1), network, middle.reshape(-1))
        few, noise = (
            np.ascontiguousarray(part[..., ::_EVERY]).reshape(len(frames), -1)
            for part in (values[:, :, ::_EVERY], variances)
        )
        known = Samples(few, noise, weights, np.zeros(few.shape[1], dtype=np.float32))
        _, variance, _ = METHODS["median"].function(known)
        return [middle], block_medians(variance.reshape(3, thin[2], -1), RELIEF_STEP // _EVERY)

    value = np.empty((3, *cache.shape), dtype=np.float32)
    found = fill([value], LARGEST_TILE, one, pool, step)
    spread = np.empty((3, *(-(-side // RELIEF_STEP) for side in cache.shape)), dtype=np.float32)
    for tile, blocks in zip(tiles(cache.shape, LARGEST_TILE), found, strict=True):
        y, x = tile.top // RELIEF_STEP, tile.left // RELIEF_STEP
        spread[:, y : y + blocks.shape[1], x : x + blocks.shape[2]] = blocks
    usual = np.nan_to_num(np.nanmedian(spread, axis=(1, 2), keepdims=True))
    spread = np.where(np.isfinite(spread), spread, usual)
    if restorable(len(frames)):
        value = restore(value, sensor, clip, pool)
    return FirstStack(value, spread)
