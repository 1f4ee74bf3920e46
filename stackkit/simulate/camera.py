"""From the sky to electrons: stars through the lens, sky background, movers, ground."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline
from scipy.ndimage import map_coordinates
from scipy.special import erf

from stackkit.arrays import Array, Plane
from stackkit.geometry.lens import unproject
from stackkit.jit import jit
from stackkit.simulate.conditions import conditions
from stackkit.simulate.night import Night, exposure_of, frame_lens, generator, mid_time
from stackkit.simulate.sky import Mover, catalogue, extinction, glow, pixels, trails

_HALF = 7
"""Half the side of the patch on which a star is drawn, px."""


def pattern_indices(pattern: str) -> NDArray[np.uint8]:
    """The 2×2 colour indices (0 R, 1 G, 2 B) of a pattern such as ``RGGB``."""
    return np.array(["RGB".index(letter) for letter in pattern], dtype=np.uint8).reshape(2, 2)


def colour_planes(night: Night) -> NDArray[np.uint8]:
    """The colour index of every sensor site (H, W)."""
    tile = pattern_indices(night.pattern)
    return np.tile(tile, (night.height // 2 + 1, night.width // 2 + 1))[
        : night.height, : night.width
    ]


@lru_cache(maxsize=4)
def vignette(night: Night) -> Plane:
    """Relative illumination over the field (H, W): cos⁴ with the strength of the night's lens."""
    y, x = np.mgrid[: night.height, : night.width]
    r2 = ((x - (night.width - 1) / 2) ** 2 + (y - (night.height - 1) / 2) ** 2) / night.focal**2
    fall = (1 + r2) ** -2.0
    lowest = float((1 + (night.width**2 + night.height**2) / 4 / night.focal**2) ** -2.0)
    return np.asarray(1 - night.vignetting * (1 - fall) / (1 - lowest), dtype=np.float32)


def _draw_stars(night: Night, k: int, seconds: float) -> Array:
    """Electrons per pixel (3, H, W) from stars in frame k, trailed over the exposure."""
    stars, suffered, exposure = catalogue(night), conditions(night, k), exposure_of(night, k)
    sigma = night.psf_sigma + (night.defocus[k] if night.defocus else 0.0)
    sigma = float(np.hypot(sigma, suffered.blur))
    steps = len(suffered.path)
    moments = seconds + exposure * ((np.arange(steps) + 0.5) / steps - 0.5)
    half = _HALF if sigma < 1.3 else int(6 * sigma)
    half += int(np.ceil(np.abs(suffered.path).max()))
    centre = pixels(night, stars.direction, k, seconds)
    inside = (
        np.abs(centre - [night.width / 2, night.height / 2])
        < [night.width / 2 + half, night.height / 2 + half]
    ).all(axis=1)
    directions, electrons = stars.direction[inside], stars.rate[inside] * exposure
    electrons = electrons * extinction(night, directions, seconds)[:, None]
    track = np.stack([pixels(night, directions, k, t) for t in moments], axis=1)
    track = track + suffered.path
    seen = np.isfinite(track).all(axis=(1, 2))  # not at the rim of a fisheye's image circle
    track, electrons = track[seen], electrons[seen]
    total = np.zeros((3, night.height, night.width))
    _paint(total, np.ascontiguousarray(track), electrons, half, np.sqrt(2) * sigma)
    return total


@jit
def _paint(total, track, electrons, half, width):  # type: ignore[no-untyped-def]
    """Adds stars to (3, H, W): round Gaussians, exact over each pixel, along ``track`` (N, T, 2).

    ``electrons`` (N, 3) of each star, ``half``: half side of the patch on which it is drawn,
    ``width``: √2 times the Gaussian's sigma.
    """
    many, steps, _ = track.shape
    side = 2 * half + 1
    shares, patch = np.empty((2, steps, side)), np.empty((side, side))
    for n in range(many):
        left = int(np.rint(track[n, steps // 2, 0])) - half
        top = int(np.rint(track[n, steps // 2, 1])) - half
        if left <= -side or top <= -side or left >= total.shape[2] or top >= total.shape[1]:
            continue
        for t in range(steps):
            for axis, start in enumerate((left, top)):
                before = math.erf((start - 0.5 - track[n, t, axis]) / width)
                for i in range(side):
                    after = math.erf((start + i + 0.5 - track[n, t, axis]) / width)
                    shares[axis, t, i] = 0.5 * (after - before)
                    before = after
        patch[:] = 0
        for t in range(steps):
            for i in range(side):
                for j in range(side):
                    patch[i, j] += shares[1, t, i] * shares[0, t, j]
        columns = range(max(-left, 0), min(side, total.shape[2] - left))
        for colour in range(3):
            light = electrons[n, colour] / steps
            for i in range(max(-top, 0), min(side, total.shape[1] - top)):
                for j in columns:
                    total[colour, top + i, left + j] += light * patch[i, j]


def _draw_glow(night: Night, k: int) -> Array:
    """Electrons per pixel (3, H, W) from the sky background: splines through a coarse grid."""
    step = 16
    ys = np.arange(-step, night.height + 2 * step, step, dtype=float)
    xs = np.arange(-step, night.width + 2 * step, step, dtype=float)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1)
    local = unproject(frame_lens(night, k), grid).reshape(-1, 3)
    dark = ~np.isfinite(local[:, 0])  # outside a fisheye's image circle
    local[dark] = (0.0, 0.0, 1.0)
    coarse = glow(night, k, local).reshape(len(ys), len(xs), 3) * exposure_of(night, k)
    y, x = np.arange(night.height), np.arange(night.width)
    planes = np.stack([RectBivariateSpline(ys, xs, coarse[..., c])(y, x) for c in range(3)])
    if dark.any():
        sites = np.stack(np.meshgrid(x, y), axis=-1)
        planes *= np.isfinite(unproject(frame_lens(night, k), sites)[..., 0])
    return planes


def trail_profile(night: Night, trail: Mover) -> Array:
    """Electrons per pixel (3, H, W) of one mover: a blurred line and its strobes."""
    total = np.zeros((3, night.height, night.width))
    start, end = np.array(trail.start), np.array(trail.end)
    length = float(np.hypot(*(end - start)))
    ux, uy = (end - start) / length
    reach = 6 * trail.sigma
    x0 = int(max(min(start[0], end[0]) - reach, 0))
    x1 = int(min(max(start[0], end[0]) + reach + 1, night.width))
    y0 = int(max(min(start[1], end[1]) - reach, 0))
    y1 = int(min(max(start[1], end[1]) + reach + 1, night.height))
    if x1 <= x0 or y1 <= y0:
        return total
    y, x = np.mgrid[y0:y1, x0:x1]
    along = (x - start[0]) * ux + (y - start[1]) * uy
    across = (y - start[1]) * ux - (x - start[0]) * uy
    s2 = np.sqrt(2) * trail.sigma
    line = 0.5 * (erf(along / s2) - erf((along - length) / s2))
    line *= np.exp(-0.5 * (across / trail.sigma) ** 2)
    for colour in range(3):
        total[colour, y0:y1, x0:x1] += line * trail.brightness[colour]
    for sx, sy, level in trail.strobes:
        spot = np.exp(-0.5 * ((x - sx) ** 2 + (y - sy) ** 2) / trail.sigma**2)
        for colour in range(3):
            total[colour, y0:y1, x0:x1] += spot * level * night.sensitivity[colour]
    return total


@lru_cache(maxsize=4)
def _ground(night: Night) -> tuple[NDArray[np.bool_], Plane]:
    """Mask (H, W) and rate in e⁻/s (3, H, W) of a dark skyline with a few lamps."""
    rng = generator(night, 5)
    x = np.arange(night.width) / night.width
    edge = np.full(night.width, 0.84)
    for i in range(1, 9):
        wave = rng.normal(0, 0.035 / i)
        edge += wave * np.sin(2 * np.pi * i * x * 1.7 + rng.random() * 6.3)
    y = np.arange(night.height)[:, None]
    mask = y > edge[None, :] * night.height
    coarse = rng.random((night.height // 12 + 2, night.width // 12 + 2))
    where = np.array(np.mgrid[: night.height, : night.width]) / 12
    texture = map_coordinates(coarse, where, order=1)
    rate = np.asarray(0.25 + 0.5 * texture, dtype=np.float32) * night.sky_rate
    picture = np.stack([rate * s for s in night.sensitivity]).astype(np.float32)
    for _ in range(4):
        lx = rng.uniform(0.05, 0.95) * night.width
        ly = (np.interp(lx / night.width, x, edge) + 0.03) * night.height
        r2 = (np.arange(night.width)[None, :] - lx) ** 2 + (y - ly) ** 2
        spot = 400 * np.exp(-0.5 * r2 / 1.2**2) + 3 * np.exp(-0.5 * r2 / 15.0**2)
        for colour, tint in enumerate((1.0, 0.7, 0.35)):
            picture[colour] += (spot * tint * night.sensitivity[colour]).astype(np.float32)
    return mask, picture


def ideal_picture(night: Night, k: int, *, movers: bool = False) -> Array:
    """Noiseless electrons (3, H, W) of frame k: every colour at every pixel, no defects."""
    total = _draw_stars(night, k, mid_time(night, k)) + _draw_glow(night, k)
    sky = night.sky_rate * exposure_of(night, k) * np.array(night.sensitivity)[:, None, None]
    if night.clear:
        total = total * night.clear[k] + 0.5 * sky * (1 - night.clear[k])
    if night.mishaps:
        suffered = conditions(night, k)
        total = total * suffered.light + sky * suffered.veil
    if movers:
        for trail in trails(night):
            if trail.frame == k:
                total += trail_profile(night, trail)
    if night.foreground:
        mask, rate = _ground(night)
        total = np.where(mask, rate * exposure_of(night, k), total)
    return total * vignette(night)
