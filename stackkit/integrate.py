"""Walks the reference grid tile by tile and combines the frames there.

Only tiles are ever resampled, never whole frames, and a tile shrinks as frames become more: the
memory in use does not grow with their number.  Tiles are independent, so that threads change
nothing in the result.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numba
import numpy as np
from numpy.typing import DTypeLike, NDArray

from stackkit import resample, scratch
from stackkit.calibrate import EVEN
from stackkit.geometry import AnyMapping, Array
from stackkit.methods import Method, Samples
from stackkit.noise import BLOCK_MEAN, Noise, block_means
from stackkit.normalise import Level
from stackkit.opening import Bayer, Plane, open_window, opening_taps
from stackkit.response import noise_factors
from stackkit.restoration import restorable, restore, restored_factors
from stackkit.scratch import Cache, Window
from stackkit.stack_result import Stack

_BUDGET = 24 * 2**20
"""Bytes of samples that one tile may hold."""
_LARGEST_TILE = 256
_SMALLEST_TILE = 32
_REACH = 5
"""How far beyond a place its samples may lie, px."""

Mask = NDArray[np.bool_]
Pattern = NDArray[np.int16]
_Sample = TypeVar("_Sample", bound=np.generic)
Step = Callable[[int, int], None]
Parts = tuple[Any, Any, Any]
Room = Callable[[tuple[int, ...], DTypeLike], NDArray[Any]]


@dataclass(frozen=True)
class Placed:
    """A frame ready for integration: where it lies in the cache and on the grid, how it is scaled,
    how noisy it is and what weight it has.

    ``relief`` (3, …, …): by what calibration multiplied the samples of a colour, an entry every
    ``resample.RELIEF_STEP`` px; their noise grew with it.
    """

    number: int
    mapping: AnyMapping
    level: Level
    noise: Noise
    weight: float
    relief: Plane = field(default_factory=lambda: EVEN)


@dataclass(frozen=True)
class Outcome:
    """What a method made, the share of the samples that had no part in it, and the seconds of one
    core that it took.
    """

    stack: Stack
    rejected: float
    seconds: float


@dataclass(frozen=True)
class NoiseBlocks:
    """Means over blocks of ``noise.BLOCK_MEAN`` px of pure noise (n, 3, h, w): of the reference
    frame by itself, of the first two, four, eight … frames, and of all.

    ``frames`` (n,) says of how many.
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


def tile_side(frames: int) -> int:
    """Side of tiles that hold so many frames within the budget: three values, three variances."""
    side = int(np.sqrt(_BUDGET / (24 * max(frames, 1))))
    return int(np.clip(side // 16 * 16, _SMALLEST_TILE, _LARGEST_TILE))


def tiles(shape: tuple[int, int], side: int) -> Iterator[Window]:
    """Tiles of the grid (H, W), in reading order."""
    for top in range(0, shape[0], side):
        for left in range(0, shape[1], side):
            yield Window(top, min(top + side, shape[0]), left, min(left + side, shape[1]))


def combine(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    defects: Mask,
    method: Method,
    first: Plane | None,
    clip: float,
    pool: Executor,
    step: Step,
) -> Stack:
    """One method of the table over the whole grid: :func:`combine_each` with a single one."""
    return combine_each(cache, frames, sensor, defects, [method], first, clip, pool, step)[0].stack


def combine_each(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    defects: Mask,
    methods: Sequence[Method],
    first: Plane | None,
    clip: float,
    pool: Executor,
    step: Step,
    room: Room = np.empty,
) -> list[Outcome]:
    """Methods of the table over the whole grid, all on the same samples, each frame interpolated
    once.

    ``first`` (3, H, W), a first stack, tells where the picture is steep.  From ``clip`` ADU on
    pixels count as clipped, and are left as they are.  Methods are told the variances that samples
    have in the restored picture: a tenth more than they have as they come.  ``room`` makes the
    arrays for the pictures.
    """
    sharpened = restorable(len(frames))
    factors = restored_factors(sensor) if sharpened else noise_factors(sensor)
    weights = np.array([frame.weight for frame in frames], dtype=np.float32)

    def one(tile: Window) -> tuple[list[Parts], NDArray[np.float64]]:
        size = (3, tile.bottom - tile.top, tile.right - tile.left)
        values = np.full((len(frames), *size), np.nan, dtype=np.float32)
        variances = np.full_like(values, np.nan)
        for k, frame in enumerate(frames):
            window = source_window(frame.mapping, tile, cache.shape)
            if window is not None:
                codes = scratch.get(cache, frame.number, window)
                missing = _within(defects, window)
                codes[missing] = 0
                opened = _opened(cache, frame, tile, window, sensor, codes, missing)
                resample.sample_frame(*opened, factors, values[k], variances[k])
        contrast = np.zeros(size, dtype=np.float32)
        if first is not None:
            resample.contrasts(first, tile.top, tile.left, contrast)
        flat = (len(frames), -1)
        block = Samples(values.reshape(flat), variances.reshape(flat), weights, contrast.ravel())
        there = np.count_nonzero(np.isfinite(block.values))
        parts, spent = [], []
        for method in methods:
            start = time.thread_time()
            value, variance, count = method.function(block)
            seconds = time.thread_time() - start
            spent.append((there - count.sum(dtype=np.int64), there, seconds))
            fewest = count.reshape(size).min(axis=0)
            parts.append((value.reshape(size), variance.reshape(size), fewest))
        return parts, np.array(spent)

    side = tile_side(len(frames))
    stacks, spent = _assemble(cache.shape, side, len(methods), one, pool, step, room)
    sums = np.sum(spent, axis=0)
    for stack in stacks:
        if sharpened:
            stack.value[:] = restore(stack.value, sensor, clip)
    return [
        Outcome(stack, float(left_out / max(there, 1)), float(seconds))
        for stack, (left_out, there, seconds) in zip(stacks, sums, strict=True)
    ]


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
) -> tuple[Stack, NoiseBlocks]:
    """Weighted mean of all samples that are neither defective nor rejected, and its noise.

    Sums and weights of all frames are added before the division, so that a sample missing in one
    frame costs its own weight and nothing else.  ``first``, a first stack (3, H, W), bridges the
    gaps between which the others are interpolated: a star with a gap in it stays a star.
    ``pattern`` (H, W) is taken off every sample, in codes of the cache.  From ``clip`` ADU on
    pixels count as clipped, and are left as they are.
    """
    sharpened = restorable(len(frames))
    factors = restored_factors(sensor) if sharpened else noise_factors(sensor)
    counts = told_counts(len(frames))
    shape = (len(counts), 3, cache.shape[0] // BLOCK_MEAN, cache.shape[1] // BLOCK_MEAN)
    noise = np.full(shape, np.nan)

    def one(tile: Window) -> tuple[list[Parts], None]:
        size = (3, tile.bottom - tile.top, tile.right - tile.left)
        y, x = tile.top // BLOCK_MEAN, tile.left // BLOCK_MEAN
        here = noise[:, :, y : y + size[1] // BLOCK_MEAN, x : x + size[2] // BLOCK_MEAN]
        # Apart: the reference, and every other frame.  Their differences are pure noise.
        parts = np.zeros((3, 4, *size))
        for k, frame in enumerate(frames):
            window = source_window(frame.mapping, tile, cache.shape)
            if window is not None:
                codes = scratch.get(cache, frame.number, window)
                if pattern is not None:
                    _take_off(codes, _within(pattern, window))
                missing = _within(defects, window)
                missing = missing | scratch.get_rejected(cache, frame.number, window)
                _expect(cache, frame, window, sensor, codes, missing, first)
                opened = _opened(cache, frame, tile, window, sensor, codes, missing)
                group = 0 if k == 0 else 1 + k % 2
                resample.add_frame(*opened, factors, frame.weight, parts[group])
            if k > 0 and k + 1 in counts:
                here[counts.index(k + 1)] = block_means(_noise_of_sum(parts))
        here[0] = block_means(_noise_of_one(parts))
        sums = parts.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            value, variance = sums[0] / sums[1], sums[2] / sums[1] ** 2
        return [(value, variance, sums[3].min(axis=0))], None

    (picture,), _ = _assemble(cache.shape, _LARGEST_TILE, 1, one, pool, step, np.empty)
    if sharpened:
        picture = replace(picture, value=restore(picture.value, sensor, clip))
    return picture, NoiseBlocks(counts, noise)


def told_counts(frames: int) -> tuple[int, ...]:
    """Of how many frames the noise is told: 1, 2, 4, 8 …, all."""
    return tuple(sorted({min(2**k, frames) for k in range(frames.bit_length() + 1)}))


def _noise_of_one(parts: Array) -> Array:
    """Noise of the reference frame at each place, the scene taken out.

    From independent parts with weights a and b: the reference minus the rest, times √(b/(a + b)),
    has the reference's own variance.
    """
    own, rest = parts[0], parts[1] + parts[2]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.sqrt(rest[1] / (own[1] + rest[1]))
        return np.asarray((own[0] / own[1] - rest[0] / rest[1]) * share)


def _noise_of_sum(parts: Array) -> Array:
    """Noise of the sum of the frames so far: a difference of halves, times √(a·b)/(a + b)."""
    one, other = parts[0] + parts[1], parts[2]
    with np.errstate(invalid="ignore", divide="ignore"):
        both = np.sqrt(one[1] * other[1]) / (one[1] + other[1])
        return np.asarray((one[0] / one[1] - other[0] / other[1]) * both)


def _within(plane: NDArray[_Sample], window: Window) -> NDArray[_Sample]:
    return np.ascontiguousarray(plane[window.top : window.bottom, window.left : window.right])


@numba.njit(cache=True, nogil=True)
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
    codes: scratch.Codes,
    missing: Mask,
    first: Plane | None,
) -> None:
    """Put what the first stack expects into the codes of the missing samples, 0 without one."""
    if first is None:
        codes[missing] = 0
        return
    rows, columns = np.nonzero(missing)
    sites = np.stack([columns + window.left, rows + window.top], axis=1)
    resample.expect(
        codes,
        sites,
        (cache.coding.step, cache.coding.pedestal),
        (window.left, window.top),
        sensor.layout,
        first,
        frame.mapping.to_reference(sites.astype(np.float64)),
        (frame.level.offset, frame.level.unit, frame.level.transparency),
    )


def _opened(
    cache: Cache,
    frame: Placed,
    tile: Window,
    window: Window,
    sensor: Bayer,
    codes: scratch.Codes,
    missing: Mask,
) -> tuple[Any, ...]:
    """What the kernels want to know of a frame in a tile, in their order."""
    planes = np.empty((3, *codes.shape), dtype=np.float32)
    confidence = np.empty_like(planes)
    coding = (cache.coding.step, cache.coding.pedestal)
    taps = opening_taps(sensor.layout)
    open_window(codes, missing, coding, sensor.layout, sensor.cross, taps, planes, confidence)
    return (
        planes,
        confidence,
        (window.left, window.top),
        sensor.layout,
        resample.nodes_of(
            frame.mapping.from_reference,
            tile.left,
            tile.top,
            tile.right - tile.left,
            tile.bottom - tile.top,
        ),
        (frame.level.offset, frame.level.unit, frame.level.transparency),
        (frame.noise.slope, frame.noise.floor),
        frame.relief,
    )


def source_window(mapping: AnyMapping, tile: Window, shape: tuple[int, int]) -> Window | None:
    """The part of a frame that a tile's places need, starting on even sites; None when outside."""
    x = np.linspace(tile.left, tile.right - 1, 9)
    y = np.linspace(tile.top, tile.bottom - 1, 9)
    there = mapping.from_reference(np.stack(np.meshgrid(x, y), axis=-1)).reshape(-1, 2)
    there = there[np.isfinite(there).all(axis=1)]
    if len(there) == 0:
        return None
    low, high = there.min(axis=0) - _REACH, there.max(axis=0) + _REACH + 1
    left, top = (max(int(v) // 2 * 2, 0) for v in np.floor(low))
    right, bottom = min(int(np.ceil(high[0])), shape[1]), min(int(np.ceil(high[1])), shape[0])
    return Window(top, bottom, left, right) if right > left and bottom > top else None


def _assemble(
    shape: tuple[int, int],
    side: int,
    pictures: int,
    one: Callable[[Window], tuple[list[Parts], Any]],
    pool: Executor,
    step: Step,
    room: Room,
) -> tuple[list[Stack], list[Any]]:
    """So many pictures of the grid from what ``one`` makes of each tile, and what else it tells."""
    stacks = [
        Stack(room((3, *shape), np.float32), room((3, *shape), np.float32), room(shape, np.int16))
        for _ in range(pictures)
    ]
    places, told = list(tiles(shape, side)), []
    for done, (tile, (parts, more)) in enumerate(
        zip(places, pool.map(one, places), strict=True), start=1
    ):
        rows, columns = slice(tile.top, tile.bottom), slice(tile.left, tile.right)
        for stack, (value, variance, coverage) in zip(stacks, parts, strict=True):
            stack.value[:, rows, columns] = value
            stack.variance[:, rows, columns] = variance
            stack.coverage[rows, columns] = coverage
        told.append(more)
        step(done, len(places))
    return stacks, told
