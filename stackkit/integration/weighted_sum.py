"""The weighted sum of all samples not rejected, tile by tile, and its measured noise."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from stackkit.arrays import Array, Codes, Mask, Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.mosaic_cache import Cache, Window
from stackkit.geometry.mapping import AnyMapping
from stackkit.integration.halves import noise_of_one, noise_of_sum
from stackkit.integration.prediction import expect
from stackkit.integration.resample import add_frame
from stackkit.integration.tiles import (
    LARGEST_TILE,
    Placed,
    Step,
    empty_stack,
    factors_for,
    fill,
    opened_tile,
    sharpened,
    source_window,
    tile_nodes,
    tiles,
    within,
)
from stackkit.jit import jit
from stackkit.noise.photon_transfer import BLOCK_MEAN
from stackkit.raw.bayer import Bayer
from stackkit.results import Stack

Pattern = NDArray[np.int16]

_NOTHING = np.zeros((0, 0), dtype=np.uint16)
_RIM = 4
"""Reach, px, of the samples that contribute to a demosaiced and interpolated value."""


@dataclass(frozen=True)
class Finer:
    """A mapping whose grid has ``sampling`` places a pixel; the first pixel's places lie about its
    centre.
    """

    mapping: AnyMapping
    sampling: int

    def from_reference(self, xy: Any, /) -> Array:
        """Frame pixels of places of the fine grid."""
        return self.mapping.from_reference((np.asarray(xy) + 0.5) / self.sampling - 0.5)

    def to_reference(self, xy: Any, /) -> Array:
        """Places of the fine grid of frame pixels."""
        return (self.mapping.to_reference(xy) + 0.5) * self.sampling - 0.5


@dataclass(frozen=True)
class NoiseBlocks:
    """Means over blocks of ``noise.BLOCK_MEAN`` px of pure noise (n, 3, h, w): of the reference
    frame by itself, of the first two, four, eight … frames, and of all.

    ``frames`` (n,): the number of frames in each.
    """

    frames: tuple[int, ...]
    means: Array

    @property
    def frame(self) -> Array:
        """Of the reference frame (3, h, w)."""
        return np.asarray(self.means[0])

    @property
    def stack(self) -> Array:
        """Of the whole stack (3, h, w)."""
        return np.asarray(self.means[-1])


def total(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    defects: Mask,
    pattern: Pattern | None,
    first: Plane | None,
    clip: float,
    pool: Executor,
    step: Step,
    sampling: int = 1,
) -> tuple[Stack, NoiseBlocks]:
    """Weighted mean of all samples that are neither defective nor rejected, and its noise.

    Sums and weights of all frames are added before the division, so that a sample missing in one
    frame costs its own weight and nothing else.  ``first``, a first stack (3, H, W), bridges the
    gaps between which the others are interpolated: a star with a gap in it stays a star.
    ``pattern`` (H, W) is taken off every sample, in codes of the cache.  From ``clip`` ADU on
    pixels count as clipped, and are left as they are.  The grid has ``sampling`` places a pixel in
    either direction.
    """
    factors = factors_for(len(frames), sensor, sampling)
    counts, block = told_counts(len(frames)), BLOCK_MEAN * sampling
    grid = (cache.shape[0] * sampling, cache.shape[1] * sampling)
    fine = [replace(frame, mapping=_finer(frame.mapping, sampling)) for frame in frames]
    shape = (len(counts), 3, grid[0] // block, grid[1] // block)
    noise = np.full(shape, np.nan)

    def one(tile: Window) -> tuple[list[Any], Array]:
        size = (3, tile.bottom - tile.top, tile.right - tile.left)
        here = np.full((len(counts), 3, size[1] // block, size[2] // block), np.nan)
        # Apart: the reference, and every other frame.  Their differences are pure noise.
        parts = np.zeros((3, 4, *size), dtype=np.float32)
        for k, frame in enumerate(frames):
            nodes = tile_nodes(fine[k].mapping, tile)
            window = source_window(nodes, tile, cache.shape)
            codes = (
                mosaic_cache.get(cache, frame.number, window) if window is not None else _NOTHING
            )
            # Nothing at all: behind the end of a file that was cut off.
            if window is not None and codes.any():
                if pattern is not None:
                    _take_off(codes, within(pattern, window))
                missing = within(defects, window)
                missing = missing | mosaic_cache.get_rejected(cache, frame.number, window)
                missing |= _rim(codes)
                _expect(cache, frame, window, sensor, codes, missing, first)
                opened = opened_tile(cache, frame, nodes, window, sensor, codes, missing)
                group = 0 if k == 0 else 1 + k % 2
                add_frame(opened, factors, float(frame.weight), parts[group])
            if k > 0 and k + 1 in counts:
                noise_of_sum(parts, block, here[counts.index(k + 1)])
        noise_of_one(parts, block, here[0])
        sums = parts.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            value, variance = sums[0] / sums[1], sums[2] / sums[1] ** 2
        return [value, variance, sums[3].min(axis=0)], here

    picture = empty_stack(grid)
    means = fill([picture.value, picture.variance, picture.coverage], LARGEST_TILE, one, pool, step)
    for tile, here in zip(tiles(grid, LARGEST_TILE), means, strict=True):
        y, x = tile.top // block, tile.left // block
        noise[:, :, y : y + here.shape[2], x : x + here.shape[3]] = here
    picture = sharpened(picture, len(frames), sensor, clip, pool, sampling)
    return picture, NoiseBlocks(counts, noise)


def _finer(mapping: AnyMapping, sampling: int) -> AnyMapping:
    return mapping if sampling == 1 else Finer(mapping, sampling)


def told_counts(frames: int) -> tuple[int, ...]:
    """Numbers of frames for which the noise is measured: 1, 2, 4, 8 …, all."""
    return tuple(sorted({min(2**k, frames) for k in range(frames.bit_length() + 1)}))


def _rim(codes: Codes) -> Mask:
    """Samples (h, w) that a frame lacks within interpolation's reach of those that it has."""
    lacking: Mask = np.asarray(codes == 0)
    if not lacking.any():
        return lacking
    return np.asarray(lacking & binary_dilation(~lacking, np.ones((3, 3)), _RIM))


@jit
def _take_off(codes, pattern):  # type: ignore[no-untyped-def]
    for y in range(codes.shape[0]):
        for x in range(codes.shape[1]):
            if codes[y, x] != 0:
                codes[y, x] = min(max(np.int32(codes[y, x]) - pattern[y, x], 1), 65535)


def _expect(
    cache: Cache,
    frame: Placed,
    window: Window,
    sensor: Bayer,
    codes: Codes,
    missing: Mask,
    first: Plane | None,
) -> None:
    """Put the first stack's prediction into the codes of the missing samples, 0 without one."""
    if first is None:
        codes[missing] = 0
        return
    rows, columns = np.nonzero(missing)
    sites = np.stack([columns + window.left, rows + window.top], axis=1)
    expect(
        codes,
        sites,
        (cache.coding.step, cache.coding.pedestal),
        (window.left, window.top),
        sensor.layout,
        first,
        frame.mapping.to_reference(sites.astype(np.float64)),
        (frame.level.offset, frame.level.unit, frame.level.transparency),
    )
