"""Small scenes for the rooms between the raw file and the picture: mosaics, caches, frames."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import settings
from numpy.typing import NDArray
from scipy.special import erf

from stackkit import integrate, resample, scratch
from stackkit.geometry import Mapping, plane_mapping
from stackkit.integrate import Placed
from stackkit.methods import METHODS, Method
from stackkit.noise import Noise
from stackkit.normalise import Level, flat_level
from stackkit.scratch import Cache
from stackkit.simulate import Night, expose
from stackkit.simulate.camera import pattern_indices
from stackkit.stack_result import Stack
from stackkit.stars import Stars

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def examples(count: int) -> settings:
    """Settings of a property test: the same ``count`` examples in every run."""
    return settings(deadline=None, max_examples=count, derandomize=True)


class Here(Executor):
    """Runs at once, in this thread: the plainest executor."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(fn(*args, **kwargs))
        return future


@contextmanager
def threads(count: int) -> Iterator[Executor]:
    with ThreadPoolExecutor(count) as pool:
        yield pool


def quiet(_done: int, _of: int) -> None:
    """A progress callback that says nothing."""


def layout(pattern: str, shape: Sequence[int]) -> NDArray[np.int64]:
    """The kernels' layout of a pattern's name and a shape (H, W)."""
    return resample.layout_of(pattern_indices(pattern), shape[1], shape[0])


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
    cache = Cache(folder, (height, width), scratch.coding_for(black, white))
    for number, adu in enumerate(mosaics):
        scratch.put(cache, number, np.asarray(adu, dtype=np.float32))
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
) -> Placed:
    """A frame of the cache: by default the reference, with unit noise and weight."""
    size = (cache.shape[1], cache.shape[0])
    return Placed(
        number,
        mapping or shift(0, 0),
        level or flat_level(size),
        noise or Noise(0.0, 1.0),
        weight,
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
) -> Stack:
    defects = no_defects(cache) if defects is None else defects
    grid = layout(pattern, cache.shape)
    return integrate.combine(cache, frames, grid, defects, method, pool or Here(), quiet)


def summed(
    cache: Cache,
    frames: Sequence[Placed],
    pattern: str = "RGGB",
    defects: NDArray[np.bool_] | None = None,
    pool: Executor | None = None,
) -> tuple[Stack, integrate.NoiseBlocks]:
    defects = no_defects(cache) if defects is None else defects
    grid = layout(pattern, cache.shape)
    return integrate.total(cache, frames, grid, defects, pool or Here(), quiet)


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
    codes: NDArray[np.uint16], pattern: str, step: float = 1.0, pedestal: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Planes and confidence (3, H, W) of a window, place by place from the table of taps.

    NaN where too little is there.
    """
    height, width = codes.shape
    offsets, weights, counts = resample.opening_taps(layout(pattern, codes.shape))
    planes = np.full((3, height, width), np.nan)
    confidence = np.full((3, height, width), resample.FILLED)
    for c, y, x in np.ndindex(planes.shape):
        site = 2 * (y % 2) + x % 2
        total = weight = 0.0
        for t in range(counts[c, site]):
            j, i = y + offsets[c, site, t, 0], x + offsets[c, site, t, 1]
            if 0 <= j < height and 0 <= i < width and codes[j, i]:
                total += weights[c, site, t] * float(codes[j, i])
                weight += weights[c, site, t]
        if weight > 0.2:
            planes[c, y, x] = (total / weight - 1) * step - pedestal
            confidence[c, y, x] = min(weight, 1.0)
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
    )
