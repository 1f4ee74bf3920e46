"""Pictures of the frames themselves: a thumbnail of each, and one frame alone.

All thumbnails have the same stretch, set by the session's usual sky, so that cloud, twilight and a
covered lens are visible in comparison.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.load import Lights
from stackkit.calibration.mosaic_cache import Coding
from stackkit.grading.grade import Grade
from stackkit.integration.demosaic import EVERY_RIM, open_window, opening_taps
from stackkit.noise.photon_transfer import Noise, variance_of
from stackkit.picture.preview import upright_picture
from stackkit.picture.shrink import shrink
from stackkit.raw.bayer import Bayer, bayer
from stackkit.run.checkpoints import checkpointed
from stackkit.run.context import Context

_LARGEST, _SMALLEST = 240, 120
"""Longer side of a thumbnail, px: up to ``_MANY`` frames, and the least."""
_MANY = 150
BYTES = 2_000_000
"""Bytes of all thumbnails together."""
_EFFORT = 2
"""Of WebP's search, 0 to 6: a hundredth more bytes than the usual 4, in a third of the time."""
_QUALITIES = (82, 70, 58, 46, 34, 22, 10)
"""Qualities of WebP, 0 to 100: the first whose file is small enough is used."""
_TINY = 32
"""Size in px below which a picture is not reduced."""
_SOFT, _WHITE = 1.0, 40.0
"""Light above the usual sky, in steps, at which the stretch changes from linear to logarithmic, and
which becomes full scale."""
_ROWS = 512
"""Rows that are demosaicked at a time."""
_BEYOND = 8
"""Rows beside a band that its interpolation needs."""


@dataclass(frozen=True)
class OneFrame:
    """A frame as the sensor gave it, with hot pixels, calibrated: codes (H, W) of the cache."""

    codes: NDArray[np.uint16]
    coding: Coding
    pattern: NDArray[np.uint8]


@dataclass(frozen=True)
class FramePictures:
    """``thumbnails``: WebP files by the number of the light; ``alone``: the reference frame."""

    thumbnails: Mapping[int, bytes]
    alone: OneFrame


def picture_name(number: int) -> str:
    """File name of the thumbnail of a light."""
    return f"frame-{number + 1:05d}.webp"


def make_thumbnails(
    lights: Lights,
    reference: int,
    grades: Sequence[Grade],
    noise: Noise,
    orientations: Mapping[int, int],
    suspects: NDArray[np.bool_],
    context: Context,
) -> FramePictures:
    """Pictures of the lights.

    ``reference``: number of the frame whose grid the stack has; ``grades`` in the order of
    ``lights.numbers``; ``orientations`` (EXIF) by number; ``suspects`` (H, W): sites that do not
    show the sky.
    """
    side = side_of(len(lights.numbers))
    most = BYTES // len(lights.numbers)
    gains = np.array(lights.mosaic.balance or (1.0, 1.0, 1.0))
    skies = np.array([grade.sky for grade in grades if grade.sky], dtype=np.float64)
    sky = np.nan_to_num(np.nanmedian(skies, axis=0)) * gains if len(skies) else np.zeros(3)
    step = _step(sky, float(variance_of(noise, float(sky[1]))), lights.size, side)

    def made(number: int) -> bytes:
        codes = mosaic_cache.get(lights.cache, number, mosaic_cache.whole(lights.cache))
        adu = mosaic_cache.decode(codes, lights.cache.coding, without=suspects)
        light = _small(adu, lights.mosaic.pattern, side) * gains[:, None, None]
        shown = _stretched((light - sky[:, None, None]) / step)
        return webp(upright_picture(np.moveaxis(shown, 0, -1), orientations[number]), most)

    def one(number: int) -> bytes:
        return checkpointed(
            context.place.checkpoints, f"{number:05d}.thumbnail", lambda: made(number)
        )

    pictures = dict(zip(lights.numbers, context.pool.map(one, lights.numbers), strict=True))
    codes = mosaic_cache.get(lights.cache, reference, mosaic_cache.whole(lights.cache))
    return FramePictures(pictures, OneFrame(codes, lights.cache.coding, lights.mosaic.pattern))


def side_of(frames: int) -> int:
    """Longer side of the thumbnails, px, for a number of frames."""
    return int(np.clip(_LARGEST * np.sqrt(_MANY / max(frames, 1)), _SMALLEST, _LARGEST))


def _step(sky: Array, variance: float, size: tuple[int, int], side: int) -> float:
    """ADU of one step of the stretch: half of the sky background, or more if the noise needs it."""
    samples = max((max(size) / (4 * side)) ** 2, 1.0)
    return max(0.5 * float(sky.mean()), 4 * float(np.sqrt(variance / samples)), 1e-3)


def _small(adu: Plane, pattern: NDArray[np.uint8], side: int) -> Plane:
    """A mosaic (H, W) as R, G, B (3, h, w) with a longer side of about ``side``; NaN where there
    are no data.  The brightest of four area means is taken: stars would be lost otherwise.
    """
    planes = []
    for colour in range(3):
        sites = np.argwhere(pattern == colour)
        own = [adu[y : adu.shape[0] // 2 * 2 : 2, x : adu.shape[1] // 2 * 2 : 2] for y, x in sites]
        plane = _mean(own)
        # By a whole factor: areas of uneven size would show as a pattern in the noise.
        times = max(round(max(plane.shape) / (2 * side)), 1)
        plane = shrink(plane[None], max(plane.shape) // times)[0]
        h, w = max(plane.shape[0] // 2, 1), max(plane.shape[1] // 2, 1)
        four = plane[: 2 * h, : 2 * w]
        if min(four.shape) > 1:
            four = np.fmax(np.fmax(four[::2, ::2], four[1::2, ::2]),
                           np.fmax(four[::2, 1::2], four[1::2, 1::2]))  # fmt: skip
        planes.append(four)
    return np.stack(planes)


def _mean(planes: Sequence[Plane]) -> Plane:
    """Mean of the known values of planes of one shape."""
    if len(planes) == 1:
        return planes[0]
    known = sum(np.isfinite(p).astype(np.float32) for p in planes)
    total = sum(np.nan_to_num(p) for p in planes)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(total / known, dtype=np.float32)


def _stretched(light: Array) -> NDArray[np.uint8]:
    """Light above the usual sky, in steps, as 8 bit: no light is black, the sky a fifth."""
    with np.errstate(invalid="ignore"):
        raised = np.arcsinh((np.maximum(light, -1) + 1) / _SOFT) / np.arcsinh((_WHITE + 1) / _SOFT)
    return np.asarray(np.rint(255 * np.clip(np.nan_to_num(raised), 0, 1)), dtype=np.uint8)


def webp(picture: NDArray[np.uint8], most: int) -> bytes:
    """A picture (h, w, 3) as WebP of ``most`` bytes at most: at lower quality, or half as large."""
    plain = picture.copy(order="C")
    for quality in _QUALITIES:
        data = bytes(imagecodecs.webp_encode(plain, level=quality, lossless=False, method=_EFFORT))
        if len(data) <= most or max(plain.shape) < _TINY:
            return data
    return webp(picture[::2, ::2], most)


def opened(frame: OneFrame, sampling: int = 1) -> Plane:
    """The frame as R, G, B (3, H·sampling, W·sampling), ADU, NaN where there are no data.

    Each colour is interpolated linearly between its samples without a shift, so that it is aligned
    with a stack on this frame's grid.
    """
    height, width = frame.codes.shape
    sensor = bayer(frame.pattern, width, height)
    out = np.empty((3, height, width), dtype=np.float32)
    for top in range(0, height, _ROWS):
        bottom = min(top + _ROWS, height)
        first, last = max(top - _BEYOND, 0), min(bottom + _BEYOND, height)
        rows = _opened_rows(frame, sensor, first, last)
        out[:, top:bottom] = rows[:, top - first : bottom - first]
    if sampling > 1:
        out = out.repeat(sampling, axis=1).repeat(sampling, axis=2)
    return np.asarray(out)


def _opened_rows(frame: OneFrame, sensor: Bayer, first: int, last: int) -> Plane:
    codes = frame.codes[first:last]
    planes, confidence = np.empty((2, 3, *codes.shape), dtype=np.float32)
    coding = (frame.coding.step, frame.coding.pedestal)
    nothing = np.zeros(codes.shape, dtype=np.bool_)
    kind = (coding, sensor.layout, sensor.cross, opening_taps(sensor.layout), EVERY_RIM)
    open_window(codes, nothing, *kind, planes, confidence)
    planes[confidence <= 0] = np.nan
    return np.asarray(planes)
