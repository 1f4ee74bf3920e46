"""Walks the reference grid tile by tile and combines the frames there.

Only tiles are resampled, never whole frames, and with more frames tiles are smaller: the memory in
use does not grow with their number.  Tiles are independent, so that threads do not change the
result.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Codes, Mask, Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.apply import EVEN
from stackkit.calibration.mosaic_cache import Cache, Window
from stackkit.geometry.mapping import AnyMapping
from stackkit.grading.photometric import Level
from stackkit.integration.deblur import restorable, restore, restored_factors
from stackkit.integration.demosaic import beside_clipped, open_window, opening_taps
from stackkit.integration.interpolation_response import noise_factors
from stackkit.integration.methods import Method, Samples
from stackkit.integration.nodes import Nodes, limits, nodes_of
from stackkit.integration.prediction import contrasts
from stackkit.integration.resample import OpenedTile, sample_frame
from stackkit.noise.photon_transfer import Noise
from stackkit.raw.bayer import Bayer
from stackkit.results import Stack

_BUDGET = 24 * 2**20
"""Bytes of samples that one tile may hold."""
LARGEST_TILE = 256
_SMALLEST_TILE = 32
_REACH = 5
"""How far beyond a place its samples may lie, px."""

_Sample = TypeVar("_Sample", bound=np.generic)
Step = Callable[[int, int], None]
Room = Callable[[tuple[int, int, int]], Plane]
_Extra = TypeVar("_Extra")


@dataclass(frozen=True)
class Placed:
    """A frame ready for integration: where it lies in the cache and on the grid, how it is scaled,
    how noisy it is and what weight it has.

    ``relief`` (3, …, …): by what calibration multiplied the samples of a colour, an entry every
    ``RELIEF_STEP`` px; their noise grew with it.
    """

    number: int
    mapping: AnyMapping
    level: Level
    noise: Noise
    weight: float
    relief: Plane = field(default_factory=lambda: EVEN)


@dataclass(frozen=True)
class Outcome:
    """The picture (3, H, W) that a method made, the share of the samples rejected, and the seconds
    of one core that it took.
    """

    value: Plane
    rejected: float
    seconds: float


def tile_side(frames: int) -> int:
    """Side of tiles whose ``frames`` fit within the budget: three values, three variances."""
    side = int(np.sqrt(_BUDGET / (24 * max(frames, 1))))
    return int(np.clip(side // 16 * 16, _SMALLEST_TILE, LARGEST_TILE))


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
    """One method of the table over the whole grid; each frame interpolated by itself.

    ``first`` (3, H, W), a first stack, shows where the picture is steep.  From ``clip`` ADU on
    pixels count as clipped, and are left as they are.  Methods get the variances of the samples in
    the restored picture: a tenth more than before.
    """
    sample = _sampler(cache, frames, sensor, defects, first)

    def one(tile: Window) -> tuple[list[Any], None]:
        size, block = sample(tile)
        value, variance, count = method.function(block)
        return [value.reshape(size), variance.reshape(size), _fewest(count, size)], None

    picture = empty_stack(cache.shape)
    side = tile_side(len(frames))
    fill([picture.value, picture.variance, picture.coverage], side, one, pool, step)
    return sharpened(picture, len(frames), sensor, clip, pool)


def values_by_method(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    defects: Mask,
    methods: Sequence[Method],
    first: Plane | None,
    clip: float,
    pool: Executor,
    step: Step,
    room: Room,
) -> list[Outcome]:
    """The same samples combined by several methods, each frame interpolated once for all.

    ``room`` makes the arrays for the pictures; the rest as in :func:`combine`.
    """
    sample = _sampler(cache, frames, sensor, defects, first)

    def one(tile: Window) -> tuple[list[Any], Array]:
        size, block = sample(tile)
        there = np.count_nonzero(np.isfinite(block.values))
        values, spent = [], []
        for method in methods:
            start = time.thread_time()
            value, _, count = method.function(block)
            seconds = time.thread_time() - start
            spent.append((there - count.sum(dtype=np.int64), there, seconds))
            values.append(value.reshape(size))
        return values, np.array(spent)

    pictures = [room((3, *cache.shape)) for _ in methods]
    spent = np.sum(fill(pictures, tile_side(len(frames)), one, pool, step), axis=0)
    if restorable(len(frames)):
        for picture in pictures:
            picture[:] = restore(picture, sensor, clip, pool)
    return [
        Outcome(picture, float(left_out / max(there, 1)), float(seconds))
        for picture, (left_out, there, seconds) in zip(pictures, spent, strict=True)
    ]


def _sampler(
    cache: Cache,
    frames: Sequence[Placed],
    sensor: Bayer,
    defects: Mask,
    first: Plane | None,
) -> Callable[[Window], tuple[tuple[int, int, int], Samples]]:
    """A function that gives the size (3, h, w) of a tile and its samples, flattened."""
    factors = factors_for(len(frames), sensor)
    weights = np.array([frame.weight for frame in frames], dtype=np.float32)

    def sample(tile: Window) -> tuple[tuple[int, int, int], Samples]:
        size = (3, tile.bottom - tile.top, tile.right - tile.left)
        values = np.full((len(frames), *size), np.nan, dtype=np.float32)
        variances = np.full_like(values, np.nan)
        for k, opened in opened_frames(cache, frames, tile, sensor, defects):
            sample_frame(opened, factors, 1, values[k], variances[k])
        contrast = np.zeros(size, dtype=np.float32)
        if first is not None:
            contrasts(first, tile.top, tile.left, contrast)
        flat = (len(frames), -1)
        block = Samples(values.reshape(flat), variances.reshape(flat), weights, contrast.ravel())
        return size, block

    return sample


def opened_frames(
    cache: Cache, frames: Sequence[Placed], tile: Window, sensor: Bayer, defects: Mask
) -> Iterator[tuple[int, OpenedTile]]:
    """The frames that have something in a tile, by their place in the list, without defects."""
    for k, frame in enumerate(frames):
        nodes = tile_nodes(frame.mapping, tile)
        window = source_window(nodes, tile, cache.shape)
        if window is None:
            continue
        codes = mosaic_cache.get(cache, frame.number, window)
        if codes.any():  # else behind the end of a file that was cut off
            missing = within(defects, window)
            codes[missing] = 0
            yield k, opened_tile(cache, frame, nodes, window, sensor, codes, missing)


def _fewest(count: NDArray[np.int16], size: tuple[int, int, int]) -> NDArray[np.int16]:
    """How many frames count at the least in any colour (h, w)."""
    return np.asarray(count.reshape(size).min(axis=0))


def factors_for(frames: int, sensor: Bayer, sampling: int = 1) -> Plane:
    """Noise factors of the picture from this number of frames, restored or not.

    (3, 3, (2·PHASES)²): colour of the value, colour of the samples, place row by row.
    """
    found = restored_factors(sensor, sampling) if restorable(frames) else noise_factors(sensor)
    return np.ascontiguousarray(found.transpose(2, 3, 0, 1).reshape(3, 3, -1), dtype=np.float32)


def sharpened(
    picture: Stack, frames: int, sensor: Bayer, clip: float, pool: Executor, sampling: int = 1
) -> Stack:
    """The picture restored, where the number of frames allows it."""
    if not restorable(frames):
        return picture
    return replace(picture, value=restore(picture.value, sensor, clip, pool, sampling))


def within(plane: NDArray[_Sample], window: Window) -> NDArray[_Sample]:
    """A copy of a window of a plane (H, W)."""
    return np.ascontiguousarray(plane[window.top : window.bottom, window.left : window.right])


def opened_tile(
    cache: Cache,
    frame: Placed,
    nodes: Nodes,
    window: Window,
    sensor: Bayer,
    codes: Codes,
    missing: Mask,
) -> OpenedTile:
    """A frame's window in a tile, demosaiced; ``nodes``: where the tile's places lie in it."""
    planes = np.empty((3, *codes.shape), dtype=np.float32)
    confidence = np.empty_like(planes)
    coding = (cache.coding.step, cache.coding.pedestal)
    taps = opening_taps(sensor.layout)
    height, width = cache.shape
    rims = (window.top == 0, window.bottom == height, window.left == 0, window.right == width)
    open_window(codes, missing, coding, sensor.layout, sensor.cross, taps, rims, planes, confidence)
    clipped = int(codes.max()) >= sensor.layout[7]
    near = np.zeros(codes.shape if clipped else (0, 0), dtype=np.bool_)
    beside_clipped(codes, sensor.layout[7], near)
    return OpenedTile(
        planes=planes,
        confidence=confidence,
        clipped=near,
        origin=(window.left, window.top),
        layout=sensor.layout,
        nodes=nodes,
        offset=frame.level.offset,
        unit=frame.level.unit,
        transparency=frame.level.transparency,
        # A whole number given for one of them would have the loops compiled once more.
        slope=float(frame.noise.slope),
        floor=float(frame.noise.floor),
        relief=frame.relief,
    )


def tile_nodes(mapping: AnyMapping, tile: Window) -> Nodes:
    """Where a tile's places lie in a frame."""
    size = (tile.right - tile.left, tile.bottom - tile.top)
    return nodes_of(mapping.from_reference, tile.left, tile.top, *size)


def source_window(nodes: Nodes, tile: Window, shape: tuple[int, int]) -> Window | None:
    """The part of a frame that a tile's places need, starting on even sites; None when outside."""
    found = limits(nodes, tile.right - tile.left, tile.bottom - tile.top)
    if found is None:
        return None
    low, high = found[0] - _REACH, found[1] + _REACH + 1
    left, top = (max(int(v) // 2 * 2, 0) for v in np.floor(low))
    right, bottom = min(int(np.ceil(high[0])), shape[1]), min(int(np.ceil(high[1])), shape[0])
    return Window(top, bottom, left, right) if right > left and bottom > top else None


def empty_stack(shape: tuple[int, int]) -> Stack:
    """Room for a stack of that shape (H, W), not yet filled."""
    value, variance = (np.empty((3, *shape), dtype=np.float32) for _ in range(2))
    return Stack(value, variance, np.empty(shape, dtype=np.int16))


def fill(
    pictures: Sequence[NDArray[Any]],
    side: int,
    one: Callable[[Window], tuple[Sequence[Any], _Extra]],
    pool: Executor,
    step: Step,
) -> list[_Extra]:
    """Fill pictures (…, H, W) with the parts that ``one`` returns for each tile; its extras."""
    height, width = pictures[0].shape[-2:]
    places, extras = list(tiles((height, width), side)), []
    for done, (tile, (parts, extra)) in enumerate(
        zip(places, pool.map(one, places), strict=True), start=1
    ):
        for picture, part in zip(pictures, parts, strict=True):
            picture[..., tile.top : tile.bottom, tile.left : tile.right] = part
        extras.append(extra)
        step(done, len(places))
    return extras
