"""Crops: the same places for every method, with the same stretch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, uniform_filter

from stackkit.arrays import Array, Plane
from stackkit.noise.photon_transfer import block_means
from stackkit.picture.orientation import upright
from stackkit.robust import MAD_TO_SIGMA
from stackkit.schemas.comparison import CropPlace
from stackkit.stars.detect import Stars

WIDTH, HEIGHT = 160, 120
"""Size of a crop, px."""
_SMOOTH = 6.0
"""Width of the smoothing, in blocks of 8 px, which keeps nebulae and the Milky Way."""
_BLACK, _SOFT, _WHITE = 8.0, 3.0, 250.0
"""The stretch, in noise of one pixel of the yardstick: how far black is below the sky, where the
curve bends, and what is white."""


@dataclass(frozen=True)
class Crop:
    """A rectangle of the grid with its title and note: ``left``, ``top`` px."""

    key: CropPlace
    title: str
    note: str
    left: int
    top: int


def places(
    value: Plane, coverage: NDArray[np.int16], stars: Stars, trail: Array | None
) -> list[Crop]:
    """The places of a picture (3, H, W); ``trail`` (x, y): the middle of the strongest trail.

    A picture smaller than a crop has none.
    """
    _, height, width = value.shape
    if height < HEIGHT or width < WIDTH:
        return []
    full = coverage >= np.percentile(coverage, 75)
    found = [_field(stars, full)]
    if trail is not None:
        found.append(
            _around(
                "trail", "Where something crossed", "The strongest trail that was found.", trail
            )
        )
    found.append(_faint(value[1], full))
    found.append(_corner(stars, width, height, coverage))
    if len(stars):
        brightest = stars.xy[np.argmax(stars.flux)]
        found.append(
            _around("bright-star", "The brightest star", "Rings, colour and core.", brightest)
        )
    return [_inside(place, width, height) for place in found if place is not None]


def _around(key: CropPlace, title: str, note: str, centre: Array) -> Crop:
    left, top = int(centre[0]) - WIDTH // 2, int(centre[1]) - HEIGHT // 2
    return Crop(key, title, note, left, top)


def _inside(place: Crop, width: int, height: int) -> Crop:
    left = min(max(place.left, 0), width - WIDTH)
    top = min(max(place.top, 0), height - HEIGHT)
    return Crop(place.key, place.title, place.note, left, top)


def _field(stars: Stars, full: NDArray[np.bool_]) -> Crop | None:
    """Where most unclipped stars are, with good coverage."""
    title, note = "A field of stars", "Where stars are densest."
    count = np.zeros(full.shape, dtype=np.float32)
    if len(stars) == 0:
        return None
    row, column = (np.rint(v).astype(int) for v in (stars.y, stars.x))
    row, column = np.clip(row, 0, full.shape[0] - 1), np.clip(column, 0, full.shape[1] - 1)
    np.add.at(count, (row, column), np.where(stars.saturated, -5.0, 1.0))
    crowd = uniform_filter(count, (HEIGHT, WIDTH), mode="constant")
    crowd -= uniform_filter((~full).astype(np.float32), (HEIGHT, WIDTH), mode="constant", cval=1)
    y, x = np.unravel_index(int(np.argmax(crowd)), crowd.shape)
    return _around("star-field", title, note, np.array([x, y]))


def _faint(green: Plane, full: NDArray[np.bool_]) -> Crop | None:
    """Where the sky, without gradient and stars, is brightest over a wide patch."""
    blocks = block_means(green)
    covered = block_means(full.astype(np.float32)) > 0.99
    rows, columns = blocks.shape
    good = covered & np.isfinite(blocks)
    if good.sum() < 100:
        return None
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    weight = good.astype(float)
    away = np.zeros_like(blocks)
    for _ in range(4):
        root = np.sqrt(weight[good])[:, None]
        fit = np.linalg.lstsq(terms[good] * root, blocks[good] * root[:, 0], rcond=None)[0]
        away = np.where(good, blocks - terms @ fit, 0)
        scatter = MAD_TO_SIGMA * np.median(np.abs(away[good])) + 1e-9
        weight = np.where(good & (away < 2 * scatter), 1.0, 0.05)
    glow = gaussian_filter(np.clip(away, -3 * scatter, 3 * scatter), _SMOOTH)
    glow[~good] = -np.inf
    j, i = np.unravel_index(int(np.argmax(glow)), glow.shape)
    note = "Where faint glow is strongest: nebulae, the Milky Way, or town lights."
    return _around("faint", "Faint glow", note, np.array([8 * i + 4, 8 * j + 4]))


def _corner(stars: Stars, width: int, height: int, coverage: NDArray[np.int16]) -> Crop:
    """The corner with the highest coverage."""
    title, note = "A corner", "Where frames that lie badly on each other would show it first."
    tops, lefts = (0, height - HEIGHT), (0, width - WIDTH)
    corners = [Crop("corner", title, note, left, top) for top in tops for left in lefts]
    seen = [
        float(coverage[c.top : c.top + HEIGHT, c.left : c.left + WIDTH].mean()) for c in corners
    ]
    held = [
        int(
            np.count_nonzero(
                (stars.x >= c.left)
                & (stars.x < c.left + WIDTH)
                & (stars.y >= c.top)
                & (stars.y < c.top + HEIGHT)
            )
        )
        for c in corners
    ]
    return corners[max(range(4), key=lambda k: (round(seen[k], 1), held[k]))]


def crop(
    place: Crop,
    pictures: Mapping[str, Plane],
    yard: Plane,
    noise: Array,
    balance: tuple[float, float, float] | None,
    orientation: int,
    clip: float,
) -> dict[str, bytes]:
    """PNG files by method of one place, upright, all with the stretch of the yardstick ``yard``.

    ``noise`` (3,) of one of its pixels.  All colours are limited to the same value from ``clip``
    ADU on, so that a clipped star is white.
    """
    rows, columns = slice(place.top, place.top + HEIGHT), slice(place.left, place.left + WIDTH)
    gains = np.array(balance or (1.0, 1.0, 1.0))[:, None, None]
    full = clip * float(gains.min())
    unit = float(np.sqrt(np.mean((noise * gains[:, 0, 0]) ** 2)))
    sky = np.nanmedian(np.nan_to_num(yard[:, rows, columns] * gains), axis=(1, 2), keepdims=True)
    return {
        name: _png((np.minimum(picture[:, rows, columns] * gains, full) - sky) / unit, orientation)
        for name, picture in pictures.items()
    }


def _png(excess: Array, orientation: int) -> bytes:
    """Arcsinh stretch of light above black, in noise of a pixel; keeps colour (Lupton 2004)."""
    shown = np.nan_to_num(excess, nan=-_BLACK) + _BLACK
    light = np.maximum(shown.mean(axis=0), 1e-6)
    stretched = np.arcsinh(light / _SOFT) / np.arcsinh(_WHITE / _SOFT)
    encoded = np.clip(shown * (stretched / light), 0, None)
    encoded /= np.maximum(encoded.max(axis=0), 1)
    pixels = np.rint(255 * encoded).astype(np.uint8)
    return bytes(imagecodecs.png_encode(np.moveaxis(upright(pixels, orientation), 0, -1).copy("C")))
