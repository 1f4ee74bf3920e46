"""What can be measured of a method's picture without knowing the truth.

The yardstick is the weighted sum of all samples but the outliers.  For Gaussian noise it is a
complete sufficient statistic, so the difference between it and any other average of the same
samples is independent of it (Basu 1955, Sankhyā 15:377): a method's noise is the yardstick's,
measured from the halves of the session, and that of the difference, in which the scene cancels,
added in squares.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates

from stackkit.arrays import Array, Plane
from stackkit.compare.yardstick import GREEN, Yardstick
from stackkit.noise.photon_transfer import block_means, block_noise
from stackkit.schemas.comparison import FiguresRecord
from stackkit.stars import photometry
from stackkit.stars.detect import SIGMA_TO_FWHM
from stackkit.stars.photometry import middle

_STRIP = np.array([-1.0, 0.0, 1.0])
_BESIDE = np.array([-9.0, -8.0, -7.0, 7.0, 8.0, 9.0])
"""A strip three pixels wide on a path, and two such strips beside it."""
_AWAY = 6.0
_BRIGHT = 100
"""Number of brightest stars on which cores and colours are measured."""
_WORST = 50.0
"""Standard deviations at which the deviation of a pixel is capped."""


def figures(value: Plane, yard: Yardstick) -> FiguresRecord:
    """The figures of one method's picture (3, H, W)."""
    noise = _noise(value, yard)
    gain = float(np.nanmean(yard.noise_frame / noise)) if np.isfinite(noise).any() else np.nan
    width = middle(photometry.widths(value[GREEN], yard.stars))
    ratio = width / yard.width_frame
    bright = yard.stars[:_BRIGHT]
    sigma = width / SIGMA_TO_FWHM
    return {
        "noise_gain": gain,
        "noise_share": gain / np.sqrt(yard.frames),
        "width_px": width,
        "width_ratio": ratio,
        # A star's light is as uncertain as the sky under it: noise times width.
        "depth_mag": float(2.5 * np.log10(gain / ratio)) if gain > 0 and ratio > 0 else None,
        "faintest_adu": float(5 * 8 * noise[GREEN] * np.sqrt(4 * np.pi) * sigma),
        "trail_left": _trail_left(value, yard),
        "hot_left": _hot_left(value, yard),
        "core_bias": _against_mean(photometry.cores, value, yard, bright),
        "colour_shift": _colour_shift(value, yard, bright),
    }


def _noise(value: Plane, yard: Yardstick) -> Array:
    """Noise (3,) of means of blocks."""
    away = [
        block_noise(block_means(one - own)[None])[0]
        for one, own in zip(value, yard.value, strict=True)
    ]
    return np.hypot(yard.noise, [np.nan if v is None else v for v in away])


def error(value: Plane, yard: Yardstick) -> float:
    """Root of the mean square error of a pixel, in noise of the yardstick; deviations are capped at
    ``_WORST`` standard deviations.
    """
    squares = []
    for one, own, variance in zip(value, yard.value, yard.variance, strict=True):
        away = np.clip((one - own) ** 2 / variance, 0, _WORST**2)
        squares.append(np.nanmean(away[~yard.starry & np.isfinite(away)], dtype=np.float64))
    return float(np.sqrt(1 + np.mean(squares)))


def _at(plane: Plane, places: Array) -> Array:
    """A plane interpolated (bilinear) at places (…, 2), NaN outside."""
    x, y = np.moveaxis(places, -1, 0)
    return np.asarray(map_coordinates(plane, [y, x], order=1, cval=np.nan))


def _excess(plane: Plane, path: Array, offsets: Array = _STRIP, beside: Array = _BESIDE) -> Array:
    """Strip along a path (steps, 2) minus the strips beside it: (steps,)."""
    along = np.gradient(path, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    on, off = (
        _at(plane, path[None] + np.asarray(side)[:, None, None] * normal[None]).mean(axis=0)
        for side in (offsets, beside)
    )
    return np.asarray(on - off)


def _trail_left(value: Plane, yard: Yardstick) -> float | None:
    """What is left of all trails, as a share of what the plain mean keeps; None without trails.

    By least squares on differences from the yardstick, in which the scene cancels.
    """
    found, expected = 0.0, 0.0
    for path in yard.paths:
        for one, own, mean in zip(value, yard.value, yard.mean, strict=True):
            beneath = _excess(own, path)
            kept, here = _excess(mean, path) - beneath, _excess(one, path) - beneath
            good = np.isfinite(kept) & np.isfinite(here)
            found += float(np.sum(kept[good] * here[good]))
            expected += float(np.sum(kept[good] ** 2))
    return yard.left + (1 - yard.left) * found / expected if expected > 0 else None


def _hot_left(value: Plane, yard: Yardstick) -> float | None:
    """Mean excess along hot pixels' tracks, in noise of one frame; None without drift."""
    if len(yard.tracks) == 0 or yard.frames < 2:
        return None
    along = yard.tracks[:, -1] - yard.tracks[:, 0]
    length = np.linalg.norm(along, axis=1, keepdims=True)
    if not np.median(length) > _AWAY:
        return None
    aside = (_AWAY * np.stack([-along[:, 1], along[:, 0]], axis=1) / np.maximum(length, 1e-9))[
        :, None
    ]
    left = []
    for c in range(3):
        mine = yard.colours == c
        plane = np.where(yard.starry, np.nan, value[c])
        beside = [_at(plane, yard.tracks[mine] + s * aside[mine]) for s in (1, -1)]
        excess = _at(plane, yard.tracks[mine]) - (beside[0] + beside[1]) / 2
        left.append((excess / (8 * yard.noise_frame[c])).ravel())
    known = np.concatenate(left)
    known = known[np.isfinite(known)]
    return float(known.mean()) if len(known) else None


def _against_mean(measure, value: Plane, yard: Yardstick, stars: Array) -> float | None:  # type: ignore[no-untyped-def]
    """Median of a measure of stars over that in the plain mean, minus one; None without stars."""
    if len(stars) == 0:
        return None
    ratio = middle(measure(value[GREEN], stars) / measure(yard.mean[GREEN], stars)) - 1
    return ratio if np.isfinite(ratio) else None


def _colour_shift(value: Plane, yard: Yardstick, stars: Array) -> list[float | None] | None:
    """Median difference of stars' R/G and B/G from those in the plain mean, relative."""
    if len(stars) == 0:
        return None
    ours, theirs = (
        np.stack([photometry.light(p, stars) for p in picture]) for picture in (value, yard.mean)
    )
    shift = [middle((ours[c] / ours[1]) / (theirs[c] / theirs[1])) - 1 for c in (0, 2)]
    return [float(v) for v in shift] if np.isfinite(shift).all() else None
