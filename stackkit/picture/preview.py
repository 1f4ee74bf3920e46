"""The stack as a small stretched picture: 8-bit sRGB, for viewing only.

The steps: development to linear sRGB (clipped pixels neutral), shrinking by area, subtraction of
the smooth sky background, an arcsinh stretch of the light that keeps the colours (Lupton et al.
2004, PASP 116:133).  The result of the stretch is taken as the sRGB-encoded value.
"""

from __future__ import annotations

import struct
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from zlib import crc32

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Mask, Plane
from stackkit.picture.colour.develop import Development, develop, develop_rows
from stackkit.picture.gradient import SkyModel, fit_sky, sky_of_grid, tiles
from stackkit.picture.orientation import upright
from stackkit.picture.shrink import shrink
from stackkit.robust import block_medians
from stackkit.run.files import replacing
from stackkit.run.workers import HERE

Picture = NDArray[np.uint8]

LONGEST = 2048
"""Greatest long side, px."""
SKY = 0.12
"""Encoded value of the empty sky, as a share of full scale."""
_PEDESTAL = 6.0
"""How far, in noise sigmas, the sky is above the zero of the stretch."""
_DISC = np.hypot(*np.mgrid[-4:5, -4:5]) <= 4.5
"""The surroundings of a star, px, …"""
_BRIGHT = 80.0
"""… that is brighter than this many noise sigmas."""
_SQUARE = 32
"""Side of the squares, px, whose medians give the surroundings of a place."""
_WHITE = 1500.0
"""Light, in noise sigmas, that the stretch takes to full scale."""
_COLOUR_TRUST = 8.0
"""Light above the sky, in noise sigmas, whose colour is shown at half its strength."""
_PNG_LEVEL = 1
"""A twelfth more bytes than the usual level, in a quarter of the time."""
_JPEG_QUALITY = 90
"""Common practice for pictures to share."""


@dataclass(frozen=True)
class Rendering:
    """How pictures on one grid are rendered alike: ``how`` they are developed, the ``sky`` (ADU)
    that is subtracted, the ``noise`` of the small picture's light, and its greatest long side.
    """

    how: Development
    sky: SkyModel
    noise: float
    longest: int = LONGEST


def rendered(
    value: Plane, how: Development, longest: int = LONGEST, pool: Executor = HERE
) -> tuple[Rendering, Picture]:
    """The rendering for the linear picture ``value`` (3, H, W) in ADU, and the picture so rendered.

    ``how`` develops to linear sRGB.
    """
    small = pool.submit(shrink, value, longest)
    light = pool.submit(_light, value, how, longest).result()
    sky = fit_sky(small.result())
    excess = light - _light_of(sky, how, light.shape)
    _, scatter, _ = tiles(excess)
    least = 1e-5 * float(np.nanmax(np.abs(light), initial=0.0)) + 1e-9
    noise = max(float(np.median(scatter)), least) if len(scatter) else 1.0
    return Rendering(how, sky, noise, longest), _shown(excess / np.float32(noise))


def render(value: Plane, rendering: Rendering) -> Picture:
    """The preview (h, w, 3) of a linear picture (3, H, W) in ADU, not yet upright.

    Pixels without any colour are black.
    """
    light = _light(value, rendering.how, rendering.longest)
    excess = light - _light_of(rendering.sky, rendering.how, light.shape)
    return _shown(excess / np.float32(rendering.noise))


def _shown(excess: Plane) -> Picture:
    """The picture of channels (3, h, w) in noise sigmas above the sky."""
    small = _without_rings(excess)
    known = np.isfinite(small).all(axis=0)
    small = np.where(known, small, 0)
    encoded = _coloured(small.mean(axis=0), small)
    encoded[:, ~known] = 0
    shown = np.rint(encoded * 255).astype(np.uint8)
    return np.moveaxis(shown, 0, -1).copy(order="C")


def upright_picture(picture: Picture, orientation: int) -> Picture:
    """The preview (h, w, 3), upright."""
    return np.moveaxis(upright(np.moveaxis(picture, -1, 0), orientation), 0, -1).copy(order="C")


def write_png(path: Path, picture: Picture) -> None:
    """Write an upright preview (h, w, 3) without loss.  Raises ``OutputError``."""
    with replacing(path) as temporary:
        temporary.write_bytes(
            _called_srgb(bytes(imagecodecs.png_encode(picture, level=_PNG_LEVEL)))
        )


def write_jpeg(path: Path, picture: Picture) -> None:
    """Write an upright preview (h, w, 3), small enough to send.  Raises ``OutputError``."""
    with replacing(path) as temporary:
        temporary.write_bytes(imagecodecs.jpeg_encode(picture, level=_JPEG_QUALITY))


def _called_srgb(png: bytes) -> bytes:
    """The file with an sRGB chunk (PNG 1.2, 4.2.2.3) after the 33 bytes of its header."""
    chunk = b"sRGB\0"
    return png[:33] + struct.pack(">I", 1) + chunk + struct.pack(">I", crc32(chunk)) + png[33:]


def _light(value: Plane, how: Development, longest: int) -> Plane:
    """Linear light (3, h, w) of the small picture."""
    return shrink(value, longest, partial(develop_rows, how=how))


def _light_of(sky: SkyModel, how: Development, shape: tuple[int, ...]) -> Plane:
    """Linear light (3, h, w) of the sky."""
    return develop(sky_of_grid(sky, shape[1], shape[2]), how)


def _without_rings(excess: Plane) -> Plane:
    """Channels (3, h, w) in noise sigmas without values below the sky beside bright stars.

    Interpolation leaves a dark ring of a hundredth of a star's height, different in each colour.
    Where the sky itself is below zero (the model is not perfect, and there is ground), it is not a
    ring.
    """
    bright = np.asarray((excess > _BRIGHT).any(axis=0))
    if not bright.any():
        return excess
    beside = _around(bright)
    ground = np.minimum(_surroundings(excess), 0)
    return np.asarray(np.where(beside, np.fmax(excess, ground), excess))


def _around(bright: Mask) -> Mask:
    """Places within a disc's reach of a bright one: those are few."""
    reach = len(_DISC) // 2
    wide = np.zeros([side + 2 * reach for side in bright.shape], dtype=bool)
    rows, columns = np.nonzero(bright)
    for j, i in np.argwhere(_DISC):
        wide[rows + j, columns + i] = True
    return wide[reach:-reach, reach:-reach]


def _surroundings(excess: Plane) -> Plane:
    """The surroundings of each place (3, h, w): medians of squares, interpolated linearly."""
    coarse = block_medians(np.nan_to_num(excess), _SQUARE)
    down, across = (
        _between(n, side) for n, side in zip(coarse.shape[1:], excess.shape[1:], strict=True)
    )
    return np.stack([down @ plane @ across.T for plane in coarse])


def _between(count: int, side: int) -> Plane:
    """Matrix (side, count) of linear interpolation between the middles of the squares."""
    at = np.clip((np.arange(side) + 0.5) / _SQUARE - 0.5, 0, count - 1)
    away = np.abs(at[:, None] - np.arange(count))
    return np.asarray(np.maximum(1 - away, 0), dtype=np.float32)


def _stretch(light: Plane) -> Plane:
    """Encoded value (0-1) of light in noise sigmas above the sky.

    Above the sky: asinh(u / soft) / asinh(white / soft), u counted from the pedestal, with the
    softening that puts the sky at ``SKY``.  Below: a hyperbola with the same value and slope at
    the sky, which approaches zero but never reaches it, so that neither noise nor ground clip.
    """
    soft = _softening()
    full = np.arcsinh(_WHITE / soft)
    slope = 1 / (np.hypot(_PEDESTAL, soft) * full)
    above = np.arcsinh((np.maximum(light, 0) + np.float32(_PEDESTAL)) / np.float32(soft))
    below = SKY / (1 - np.minimum(light, 0) * np.float32(slope / SKY))
    return np.where(light > 0, above / np.float32(full), below).astype(np.float32)


def _softening() -> float:
    """The softening, in noise sigmas, that renders the sky at ``SKY`` (bisection)."""
    low, high = 1e-3, 1e6
    for _ in range(80):
        soft = float(np.sqrt(low * high))
        at_sky = np.arcsinh(_PEDESTAL / soft) / np.arcsinh(_WHITE / soft)
        low, high = (soft, high) if at_sky > SKY else (low, soft)
    return soft


def _coloured(light: Plane, excess: Plane) -> Plane:
    """Encoded channels (3, h, w) of channels ``excess`` whose mean is ``light`` (h, w).

    Both in noise sigmas above the sky.  The light is stretched and the channels keep their ratio
    to it; where the brightest would exceed full scale all three are scaled down together (Lupton
    et al. 2004).  The colour of light hardly above the noise is reduced.
    """
    raised = np.maximum(light, 0)
    trust = raised**2 / (raised**2 + _COLOUR_TRUST**2)
    stretched = _stretch(light)
    encoded = excess - light
    encoded *= stretched * trust / (raised + _PEDESTAL)
    encoded += stretched
    np.maximum(encoded, 0, out=encoded)
    encoded /= np.maximum(encoded.max(axis=0), 1)
    return encoded
