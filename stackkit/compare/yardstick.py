"""What all methods are compared with: the weighted sum of all samples but the outliers, and the
places of stars, trails and hot pixels on its grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve, maximum_filter, median_filter

from stackkit.arrays import Array, Plane
from stackkit.calibration import mosaic_cache
from stackkit.integration.passes import Judgement
from stackkit.integration.rejection.trail_path import Trail, places_along
from stackkit.integration.weighted_sum import NoiseBlocks
from stackkit.noise.photon_transfer import block_noise
from stackkit.pipeline import Prepared
from stackkit.raw.bayer import colour_at
from stackkit.results import Stack
from stackkit.stars.photometry import measurable, middle, widths

GREEN = 1
"""The colour whose plane is measured: half of all samples."""
_BILINEAR = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]], dtype=np.float32) / 4
_STARRY = 4.0
"""Standard deviations above the sky that make a place a star."""
_MOST_TRACKS = 2000
"""Greatest number of hot pixels whose tracks are measured."""


@dataclass(frozen=True)
class Yardstick:
    """What all methods are compared with.

    ``value`` (3, H, W); ``variance`` (3,) typical of a pixel; ``noise_frame`` and ``noise`` (3,)
    of block means of one frame and of the yardstick; ``mean`` (3, H, W) the plain mean;
    ``stars`` (N, 2) places; ``width_frame``: star width in one frame, px; ``paths`` of trails
    (steps, 2) on the grid, and the share of their light left in the yardstick itself (``left``);
    ``tracks`` (defects, frames, 2) of hot pixels, and their ``colours``; ``starry`` (H, W): where
    stars are.
    """

    value: Plane
    variance: Array
    noise_frame: Array
    noise: Array
    mean: Plane
    stars: Array
    width_frame: float
    paths: list[Array]
    left: float
    tracks: Array
    colours: NDArray[np.int64]
    starry: NDArray[np.bool_]
    frames: int


def yardstick(
    ready: Prepared, judgement: Judgement, base: Stack, noise: NoiseBlocks, mean: Plane
) -> Yardstick:
    """The yardstick of a session, from its weighted sum and its plain ``mean`` (3, H, W)."""
    lights, reference = ready.lights, ready.reference
    variance = np.array([float(np.nanmedian(plane[::3, ::3])) for plane in base.variance])
    stars = measurable(ready.tables[reference], lights.cache.shape).xy
    whole = mosaic_cache.whole(lights.cache)
    codes = mosaic_cache.get(lights.cache, lights.numbers[reference], whole)
    adu = mosaic_cache.decode(codes, lights.cache.coding, without=judgement.verdict.defects)
    single = single_width(adu, lights.mosaic.pattern, stars)
    tracks, colours = _tracks(ready, judgement)
    alone, stack = (
        np.array([np.nan if v is None else v for v in block_noise(n)])
        for n in (noise.frame, noise.stack)
    )
    starry = starry_places(base.value, float(np.sqrt(variance[1])))
    paths = _paths(ready, judgement.verdict.trails)
    return Yardstick(
        value=base.value,
        variance=variance,
        noise_frame=alone,
        noise=stack,
        mean=mean,
        stars=stars,
        width_frame=single,
        paths=paths,
        left=_left(judgement.verdict.trails),
        tracks=tracks,
        colours=colours,
        starry=starry,
        frames=len(ready.placed),
    )


def _tracks(ready: Prepared, judgement: Judgement) -> tuple[Array, NDArray[np.int64]]:
    """Places of hot sites on the grid in each frame (defects, frames, 2), and their colours."""
    y, x = np.nonzero(judgement.verdict.defects)
    if len(x) > _MOST_TRACKS:
        some = np.linspace(0, len(x) - 1, _MOST_TRACKS).astype(int)
        y, x = y[some], x[some]
    sites = np.stack([x, y], axis=1).astype(np.float64)
    in_time = sorted(ready.placed, key=lambda frame: frame.number)
    tracks = np.stack([frame.mapping.to_reference(sites) for frame in in_time], axis=1)
    layout = ready.lights.sensor.layout
    colours = np.array([colour_at(i, j, layout) for i, j in zip(x, y, strict=True)], dtype=np.int64)
    return tracks, colours


def _paths(ready: Prepared, trails: dict[int, tuple[Trail, ...]]) -> list[Array]:
    """Each trail as places (steps, 2) a pixel apart on the grid."""
    mappings = {frame.number: frame.mapping for frame in ready.placed}
    paths = []
    for number, found in sorted(trails.items()):
        for trail in found:
            paths.append(mappings[number].to_reference(places_along(trail, 1.0)))
    return paths


def _left(trails: dict[int, tuple[Trail, ...]]) -> float:
    """Share of all trails' light that is outside their cuts, weighted by light squared, as in a
    fit.
    """
    every = [trail for found in trails.values() for trail in found]
    power = sum(trail.light**2 for trail in every)
    return sum(trail.light**2 * trail.left for trail in every) / power if power > 0 else 0.0


def single_width(adu: Plane, pattern: NDArray[np.uint8], stars: Array) -> float:
    """Median FWHM, px, of stars (N, 2) in one frame (H, W) opened bilinearly in green."""
    green = np.tile(pattern == GREEN, (adu.shape[0] // 2 + 1, adu.shape[1] // 2 + 1))
    plane = np.where(green[: adu.shape[0], : adu.shape[1]] & np.isfinite(adu), adu, 0)
    return middle(widths(convolve(plane, _BILINEAR, mode="mirror"), stars))


def starry_places(value: Plane, noise: float) -> NDArray[np.bool_]:
    """Where (H, W) a picture's green is as far above its surroundings as only stars are."""
    plane = np.nan_to_num(value[GREEN])
    small = plane[: plane.shape[0] // 8 * 8, : plane.shape[1] // 8 * 8]
    blocks = small.reshape(small.shape[0] // 8, 8, -1, 8)
    sky = median_filter(np.median(blocks, axis=(1, 3)), 5)
    sky = np.repeat(np.repeat(sky, 8, axis=0), 8, axis=1)
    sky = np.pad(
        sky, [(0, plane.shape[0] - sky.shape[0]), (0, plane.shape[1] - sky.shape[1])], "edge"
    )
    return np.asarray(maximum_filter(plane - sky > _STARRY * noise, 3))
