"""The best possible: true mapping, true hot pixels, true trails, exact interpolation.

It shows what the measures themselves can resolve, and where a mapping found from the stars can
at most arrive.  Slow on purpose: nothing here is meant to be imitated.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import binary_dilation, gaussian_filter, map_coordinates, spline_filter

from stackkit.arrays import Array
from stackkit.simulate import Night
from stackkit.simulate.folder import frame_name

from . import mosaic, truth
from .figures import Result
from .mosaic import Mask, Picture

_FAINTEST_TRAIL = 0.02
"""A site is a mover's where it adds this much of a sample's noise."""
_SUPPORT = 2
"""Pixels on each side that a cubic spline leans on noticeably."""


def dense_mapping(night: Night, reference: int, k: int, step: int = 16) -> Array:
    """Places (2, H, W) as y, x in frame k of the reference's pixels; exact every ``step`` px."""
    xs = np.arange(-step, night.width + 2 * step, step, dtype=np.float64)
    ys = np.arange(-step, night.height + 2 * step, step, dtype=np.float64)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    there = truth.carry(night, grid, reference, k).reshape(len(ys), len(xs), 2)
    y, x = np.arange(night.height), np.arange(night.width)
    return np.stack([RectBivariateSpline(ys, xs, there[..., axis])(y, x) for axis in (1, 0)])


def _missing(night: Night, k: int, site: np.ndarray) -> Mask:
    """Sites of frame k that a hot pixel or a mover has spoilt."""
    missing = truth.hot_mask(night)
    light = truth.trail_light(night, k)
    if light is not None:
        seen = np.choose(site, light)
        missing |= seen > _FAINTEST_TRAIL * truth.sample_noise(night, k).min()
    return missing


def _filled(plane: Picture, hole: Mask) -> Picture:
    """The plane with its holes bridged smoothly, so that a spline does not ring."""
    weight = gaussian_filter((~hole).astype(np.float32), 3)
    smooth = gaussian_filter(np.where(hole, 0, plane), 3) / np.maximum(weight, 1e-6)
    return np.where(hole, smooth, plane).astype(np.float32)


def _resampled(plane: Picture, place: Array) -> Picture:
    """A demosaiced plane at the places (2, H, W); NaN outside and where a hole is near."""
    hole = ~np.isfinite(plane)
    near = binary_dilation(hole, np.ones((2 * _SUPPORT + 1,) * 2)) if hole.any() else hole
    coefficients = spline_filter(_filled(plane, hole), order=3, output=np.float32)
    value = map_coordinates(coefficients, place, np.float32, order=3, prefilter=False)
    rows, cols = np.rint(place).astype(np.int32)
    height, width = plane.shape
    inside = (rows >= 1) & (rows < height - 1) & (cols >= 1) & (cols < width - 1)
    inside[inside] = ~near[rows[inside], cols[inside]]
    return np.where(inside, value, np.nan).astype(np.float32)


def stack(folder: Path, night: Night) -> Result:
    """The mean of all good samples on the grid of the middle frame."""
    started = time.perf_counter()
    reference = night.frames // 2
    total = np.zeros((3, night.height, night.width))
    count = np.zeros((3, night.height, night.width))
    for k in range(night.frames):
        data, site = mosaic.read(folder / frame_name(k))
        planes = mosaic.demosaic(data, site, _missing(night, k, site))
        place = dense_mapping(night, reference, k)
        for colour in range(3):
            value = _resampled(planes[colour], place)
            good = np.isfinite(value)
            total[colour][good] += value[good]
            count[colour] += good
    with np.errstate(invalid="ignore"):
        value = (total / np.where(count > 0, count, np.nan)).astype(np.float32)
    return Result(value, reference, time.perf_counter() - started)
