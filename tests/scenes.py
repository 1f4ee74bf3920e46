"""Small scenes for the rooms between the raw file and the picture: mosaics, caches, frames."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import settings
from numpy.typing import NDArray
from scipy.special import erf

from stackkit.calibration import mosaic_cache
from stackkit.calibration.apply import EVEN
from stackkit.calibration.mosaic_cache import Cache
from stackkit.geometry.mapping import Mapping, plane_mapping
from stackkit.grading.photometric import Level, flat_level
from stackkit.integration import demosaic, tiles, weighted_sum
from stackkit.integration.first_stack import FirstStack, first_stack
from stackkit.integration.methods import METHODS, Method
from stackkit.integration.tiles import Placed
from stackkit.noise.photon_transfer import Noise
from stackkit.raw.bayer import Bayer, bayer
from stackkit.results import Stack
from stackkit.run.workers import Here
from stackkit.simulate import Night, expose
from stackkit.simulate.camera import pattern_indices
from stackkit.stars.detect import Stars

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def examples(count: int) -> settings:
    """Settings of a property test: the same ``count`` examples in every run."""
    return settings(deadline=None, max_examples=count, derandomize=True)


@contextmanager
def threads(count: int) -> Iterator[Executor]:
    with ThreadPoolExecutor(count) as pool:
        yield pool


def quiet(_done: int, _of: int) -> None:
    """A progress callback that says nothing."""


def layout(
    pattern: str, shape: Sequence[int], balance: tuple[float, float, float] | None = None
) -> Bayer:
    """The sensor of a pattern's name and a shape (H, W); colours keep to themselves by default."""
    return bayer(pattern_indices(pattern), shape[1], shape[0], balance)


def sites(pattern: str, shape: Sequence[int]) -> NDArray[np.uint8]:
    """Colour index of every site (H, W)."""
    tile = pattern_indices(pattern)
    return np.tile(tile, (shape[0] // 2 + 1, shape[1] // 2 + 1))[: shape[0], : shape[1]]


def mosaic(planes: NDArray[Any], pattern: str = "RGGB") -> NDArray[np.float32]:
    """The samples (H, W) that a sensor takes of planes (3, H, W)."""
    return np.choose(sites(pattern, planes.shape[1:]), planes).astype(np.float32)


def cache_of(
    folder: Path, mosaics: Sequence[NDArray[Any]], black: float = 256, white: float = 4095
) -> Cache:
    """A cache that holds mosaics in ADU above black, numbered from 0."""
    height, width = mosaics[0].shape
    cache = Cache(folder, (height, width), mosaic_cache.coding_for(black, white))
    for number, adu in enumerate(mosaics):
        mosaic_cache.put(cache, number, np.asarray(adu, dtype=np.float32))
    return cache


def shift(dx: float, dy: float) -> Mapping:
    """A frame in which everything lies (dx, dy) px further than in the reference."""
    return plane_mapping([[1, 0, dx], [0, 1, dy], [0, 0, 1]])


def placed(
    cache: Cache,
    number: int,
    mapping: Mapping | None = None,
    noise: Noise | None = None,
    weight: float = 1.0,
    level: Level | None = None,
    relief: NDArray[np.float32] = EVEN,
) -> Placed:
    """A frame of the cache: by default the reference, with unit noise and weight, as it was."""
    size = (cache.shape[1], cache.shape[0])
    return Placed(
        number,
        mapping or shift(0, 0),
        level or flat_level(size),
        noise or Noise(0.0, 1.0),
        weight,
        relief,
    )


def no_defects(cache: Cache) -> NDArray[np.bool_]:
    return np.zeros(cache.shape, dtype=bool)


def combined(
    cache: Cache,
    frames: Sequence[Placed],
    pattern: str = "RGGB",
    method: Method = METHODS["mean"],
    defects: NDArray[np.bool_] | None = None,
    pool: Executor | None = None,
    balance: tuple[float, float, float] | None = None,
) -> Stack:
    defects = no_defects(cache) if defects is None else defects
    grid = layout(pattern, cache.shape, balance)
    return tiles.combine(cache, frames, grid, defects, method, None, np.inf, pool or Here(), quiet)


def first_of(
    cache: Cache,
    frames: Sequence[Placed],
    pattern: str = "RGGB",
    defects: NDArray[np.bool_] | None = None,
    pool: Executor | None = None,
    balance: tuple[float, float, float] | None = None,
) -> FirstStack:
    """What their samples are compared with."""
    defects = no_defects(cache) if defects is None else defects
    grid = layout(pattern, cache.shape, balance)
    return first_stack(cache, frames, grid, defects, np.inf, pool or Here(), quiet)


def summed(
    cache: Cache,
    frames: Sequence[Placed],
    pattern: str = "RGGB",
    defects: NDArray[np.bool_] | None = None,
    pool: Executor | None = None,
    balance: tuple[float, float, float] | None = None,
    first: NDArray[np.float32] | None = None,
    lasting: NDArray[np.int16] | None = None,
) -> tuple[Stack, weighted_sum.NoiseBlocks]:
    defects = no_defects(cache) if defects is None else defects
    grid = layout(pattern, cache.shape, balance)
    cleaned = (defects, lasting, first)
    return weighted_sum.total(cache, frames, grid, *cleaned, np.inf, pool or Here(), quiet)


def star_picture(
    shape: tuple[int, int], xy: NDArray[Any], light: NDArray[Any], sigma: float, sky: float = 0.0
) -> NDArray[np.float64]:
    """Gaussian stars integrated over the pixels, in closed form, on an even sky (H, W)."""
    picture = np.full(shape, sky, dtype=np.float64)
    y, x = (np.arange(side + 1) - 0.5 for side in shape)
    for (cx, cy), total in zip(xy, light, strict=True):
        row, column = (
            np.diff(0.5 * erf((edge - c) / (np.sqrt(2) * sigma))) for edge, c in ((y, cy), (x, cx))
        )
        picture += total * row[:, None] * column[None, :]
    return picture


def photographed(
    rng: np.random.Generator, planes: NDArray[Any], gain: float, read: float, pattern: str = "RGGB"
) -> NDArray[np.float32]:
    """A mosaic in whole ADU, with shot noise (``gain`` e⁻/ADU) and read noise (ADU)."""
    electrons = rng.poisson(np.maximum(mosaic(planes, pattern), 0) * gain)
    return np.rint(electrons / gain + rng.normal(0, read, electrons.shape)).astype(np.float32)


def opened_plainly(
    codes: NDArray[np.uint16],
    pattern: str,
    step: float = 1.0,
    pedestal: float = 0.0,
    balance: tuple[float, float, float] | None = None,
    missing: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Planes and confidence (3, H, W) of a window, place by place as the words say.

    NaN where nothing is near.  The codes of ``missing`` samples are what is expected there, or 0.
    """
    height, width = codes.shape
    sensor, colour = layout(pattern, codes.shape, balance), sites(pattern, codes.shape)
    adu = np.where(codes == 0, np.nan, (codes - 1.0) * step - pedestal)
    padded = np.pad(adu, 2, constant_values=np.nan)
    measured = np.pad(codes != 0 if missing is None else (codes != 0) & ~missing, 2)
    planes = np.full((3, height, width), np.nan)
    confidence = np.full((3, height, width), demosaic.FILLED)
    for c, y, x in np.ndindex(planes.shape):
        own = colour[y, x]
        near = [
            (j, i) for j, i in np.ndindex(3, 3) if c == colour[(y + j + 1) % 2, (x + i + 1) % 2]
        ]
        taps = [(1, 1)] if own == c else [t for t in near if c != 1 or abs(t[0] - t[1]) == 1]
        values = np.array([padded[y + j + 1, x + i + 1] for j, i in taps])
        there = np.isfinite(values)
        if there.any():
            steps = [(-1, -1), (-1, 1), (1, -1), (1, 1)]
            steps = steps if own == 1 else [(-2, 0), (2, 0), (0, -2), (0, 2)]
            around = np.mean([padded[y + 2 + j, x + 2 + i] for j, i in steps])
            steep = padded[y + 2, x + 2] - around
            share = sensor.cross[own, c]
            planes[c, y, x] = values[there].mean() + share * np.nan_to_num(steep)
            share_there = np.mean([measured[y + j + 1, x + i + 1] for j, i in taps])
            confidence[c, y, x] = max(share_there, demosaic.FILLED)
    return planes, confidence


def exposed(night: Night, k: int) -> NDArray[np.float32]:
    """Frame k of a simulated night in ADU above black."""
    return expose(night, k).codes.astype(np.float32) - np.float32(night.black)


def star_table(flux: Sequence[float], saturated: Sequence[bool] | None = None) -> Stars:
    """A table of stars in a row that differ in flux alone."""
    n = len(flux)
    one = np.ones(n)
    return Stars(
        x=10.0 * np.arange(n),
        y=10.0 * np.arange(n),
        sigma_xy=0.05 * one,
        flux=np.asarray(flux, dtype=np.float64),
        fwhm=2.5 * one,
        elongation=0.1 * one,
        saturated=np.zeros(n, bool) if saturated is None else np.asarray(saturated),
        angle=0 * one,
    )
