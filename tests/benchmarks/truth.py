"""What the simulator knows, in the form the measures and the oracle need.

Places are pixels (N, 2) as x, y; pictures are (3, H, W) in ADU above black.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from stackkit.arrays import Array
from stackkit.geometry.lens import project, unproject
from stackkit.simulate import Night, frame_lens, ideal_picture
from stackkit.simulate.camera import colour_planes, trail_profile, vignette
from stackkit.simulate.night import apply, camera_matrix, mid_time, refract, sky_matrix
from stackkit.simulate.sensor import hot_pixels
from stackkit.simulate.sky import catalogue, pixels, trails

from .mosaic import Mask, Picture, demosaic


def _unrefract(apparent: Array) -> Array:
    """True directions (N, 3) of apparent ones: Newton-like steps on :func:`refract` itself."""
    true = apparent.copy()
    for _ in range(12):
        true += apparent - refract(true)
        true /= np.linalg.norm(true, axis=1, keepdims=True)
    return true


def carry(night: Night, xy: Array, source: int, target: int) -> Array:
    """Where the sky seen at pixels ``xy`` of frame ``source`` lies in frame ``target``."""
    if source == target:
        return np.array(xy, dtype=np.float64)
    horizontal = apply(camera_matrix(night, source).T, unproject(frame_lens(night, source), xy))
    if night.refraction:
        horizontal = _unrefract(horizontal)
    back = sky_matrix(night, mid_time(night, source)).T
    later = apply(sky_matrix(night, mid_time(night, target)), apply(back, horizontal))
    if night.refraction:
        later = refract(later)
    return project(frame_lens(night, target), apply(camera_matrix(night, target), later))


@lru_cache(maxsize=2)
def picture(night: Night, k: int) -> Picture:
    """Frame k without noise, movers or defects, every colour at every pixel."""
    return (ideal_picture(night, k) / night.gain).astype(np.float32)


def stars(night: Night, k: int, margin: float) -> tuple[Array, Array]:
    """Pixels (N, 2) and green ADU (N,) of the stars in frame k, brightest first."""
    catalog = catalogue(night)
    xy = pixels(night, catalog.direction, k, mid_time(night, k))
    size = np.array([night.width, night.height])
    with np.errstate(invalid="ignore"):
        inside = ((xy > margin) & (xy < size - 1 - margin)).all(axis=1)
    return xy[inside], catalog.rate[inside, 1] * night.exposure / night.gain


def sample_noise(night: Night, k: int) -> Array:
    """Noise (3,) in ADU of one raw sample of the empty sky in frame k."""
    electrons = np.median(picture(night, k), axis=(1, 2)) * night.gain
    return np.asarray(np.sqrt(electrons + night.read_noise**2) / night.gain)


def trail_light(night: Night, k: int) -> Array | None:
    """What movers add to frame k (3, H, W) in ADU; None when nothing passes."""
    passing = [trail_profile(night, trail) for trail in trails(night) if trail.frame == k]
    return sum(passing[1:], passing[0]) * vignette(night) / night.gain if passing else None


def hot_mask(night: Night) -> Mask:
    """The hot sites (H, W)."""
    mask = np.zeros((night.height, night.width), bool)
    y, x, _ = hot_pixels(night)
    mask[y, x] = True
    return mask


def hot_tracks(night: Night, reference: int) -> tuple[Array, NDArray[np.uint8]]:
    """Where each hot pixel lands on the reference grid, (hot, frames, 2), and its colour (hot,)."""
    y, x, _ = hot_pixels(night)
    xy = np.stack([x, y], axis=1).astype(np.float64)
    tracks = [carry(night, xy, k, reference) for k in range(night.frames)]
    return np.stack(tracks, axis=1), colour_planes(night)[y, x]


def trail_paths(night: Night, reference: int) -> list[Array]:
    """Each trail as places (steps, 2) one pixel apart on the reference grid."""
    paths = []
    for trail in trails(night):
        start, end = np.array(trail.start), np.array(trail.end)
        steps = np.linspace(0, 1, int(np.hypot(*(end - start))) + 1)
        xy = start + steps[:, None] * (end - start)
        paths.append(carry(night, xy, trail.frame, reference))
    return paths


def near_strobes(night: Night, reference: int, xy: Array, reach: float = 12.0) -> Mask:
    """Which places (N, 2) of the reference grid lie beside any aircraft's strobe.

    Strobes are a hundred times brighter than a trail and would outvote all trails.
    """
    near = np.zeros(len(xy), bool)
    for trail in trails(night):
        spots = np.array([strobe[:2] for strobe in trail.strobes])
        for x, y in carry(night, spots, trail.frame, reference) if len(spots) else ():
            near |= np.hypot(xy[:, 0] - x, xy[:, 1] - y) < reach
    return near


def mean_of_trails(night: Night, reference: int, xy: Array) -> Picture:
    """What a plain mean of the frames leaves of all movers, (3, H, W) in ADU.

    Only the pixels around the places ``xy`` (N, 2) are worked out, the others are NaN.  Movers
    come through the mosaic like everything else, so they are demosaiced here too.
    """
    wanted = np.zeros((night.height, night.width), bool)
    for corner in np.floor(xy).astype(np.int64) + np.array(
        [[[0, 0]], [[1, 0]], [[0, 1]], [[1, 1]]]
    ):
        inside = ((corner >= 0) & (corner < [night.width, night.height])).all(axis=1)
        wanted[corner[inside, 1], corner[inside, 0]] = True
    pixels_ = np.argwhere(wanted)[:, ::-1].astype(np.float64)
    site = colour_planes(night)
    mean = np.full((3, night.height, night.width), np.nan, np.float32)
    mean[:, wanted] = 0
    for k in range(night.frames):
        light = trail_light(night, k)
        if light is not None:
            seen = demosaic(np.choose(site, light).astype(np.float32), site)
            place = carry(night, pixels_, reference, k).T[::-1]
            mean[:, wanted] += [map_coordinates(plane, place, order=3) for plane in seen]
    mean /= night.frames
    return mean
