"""Measurements of one frame's samples: codes really used, levels, stars."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.calibration.apply import clip_level, span
from stackkit.noise.photon_transfer import Noise
from stackkit.raw.decode import Mosaic
from stackkit.stars.detect import Stars

Shares = tuple[float, float, float]

_RARE = 1e-5
"""Share of the samples below which a code is ignored when finding the steps between codes: single
sites corrected by the camera may have values between them."""
_BRIGHTER = 200
"""Number of brightest stars whose shape is measured."""
_ENOUGH = 10
FEW_STARS = 200
"""Number of stars below which a frame may be far out of focus, and is examined at half size."""


@dataclass(frozen=True)
class Codes:
    """``lowest`` and ``highest`` code in the picture; ``step`` between codes, None if there is only
    one; ``bits`` that white needs in such steps.
    """

    lowest: int
    highest: int
    step: int | None
    bits: int | None


@dataclass(frozen=True)
class Seen:
    """The stars of a frame: ``fwhm`` px, ``elongation`` 0 (round) to 1, ``spread`` of the widths
    (interquartile range over median); None without stars.
    """

    stars: int
    fwhm: float | None
    elongation: float | None
    spread: float | None


@dataclass(frozen=True)
class Facts:
    """One frame.  ``level``: typical R, G, B above black as a share of the range; ``clipped``:
    share of clipped samples; ``seen``: None where stars were not searched for.
    """

    codes: Codes
    level: Shares
    clipped: float
    seen: Seen | None = None


def codes_of(data: NDArray[np.uint16], white: float) -> Codes:
    """The codes that occur in ``data`` of a sensor that clips at ``white``.

    The step is the greatest common divisor of the distances between codes: 4 where a camera of 12
    bits writes 14.
    """
    counts = np.bincount(data.ravel(), minlength=1)
    every = np.flatnonzero(counts)
    usual = np.flatnonzero(counts > _RARE * data.size)
    step = int(np.gcd.reduce(np.diff(usual))) if len(usual) > 1 else None
    bits = (int(white) // step).bit_length() if step else None
    return Codes(int(every[0]), int(every[-1]), step, bits)


def measure(mosaic: Mosaic, adu: Plane, seen: Seen | None = None) -> Facts:
    """The facts of one frame; ``adu`` (H, W) are its samples above black, NaN where missing."""
    data = mosaic.data if mosaic.missing is None else mosaic.data[~mosaic.missing]
    clipped = float(np.mean(data >= clip_level(mosaic) + mosaic.black.max()))
    codes = codes_of(data, mosaic.white)
    return Facts(codes, levels(mosaic, adu), clipped, seen)


def levels(mosaic: Mosaic, adu: Plane) -> Shares:
    """Typical level of each colour as a share of the range."""
    found: list[list[Plane]] = [[], [], []]
    for y, x in np.ndindex(2, 2):
        # Every fourth row and column of a site is enough for a level.
        found[int(mosaic.pattern[y, x])].append(adu[y::8, x::8].ravel())
    r, g, b = (_middle_of(np.concatenate(parts)) / span(mosaic) for parts in found)
    return r, g, b


def _middle_of(samples: Plane) -> float:
    """Mean of the middle half: like a median, but finer than whole codes."""
    known = np.sort(samples[np.isfinite(samples)])
    if len(known) == 0:
        return float("nan")
    quarter = len(known) // 4
    return float(known[quarter : len(known) - quarter].mean(dtype=np.float64))


def seen(stars: Stars, halved: Stars | None = None) -> Seen:
    """Number and typical shape of the stars of one frame.

    ``halved``: the stars found in the :func:`halved` frame.  Where these are more, the stars are
    too wide to be found at full size, and their shape is taken from there.
    """
    if halved is not None and len(halved) >= max(len(stars), _ENOUGH):
        wide = seen(halved)
        fwhm = None if wide.fwhm is None else 2 * wide.fwhm
        return Seen(len(stars), fwhm, wide.elongation, wide.spread)
    if len(stars) == 0:
        return Seen(0, None, None, None)
    shape = float(np.median(stars.elongation[:_BRIGHTER]))
    widths = stars.fwhm[~stars.saturated][:_BRIGHTER]
    if len(widths) == 0:
        return Seen(len(stars), None, shape, None)
    low, middle, high = (float(q) for q in np.percentile(widths, (25, 50, 75)))
    return Seen(len(stars), middle, shape, (high - low) / middle)


def halved(adu: Plane, noise: Noise) -> tuple[Plane, Noise]:
    """The mosaic at half its size, each site the mean of 2×2 of its colour, and its noise."""
    height, width = (side // 4 * 2 for side in adu.shape)
    half = np.empty((height, width), dtype=np.float32)
    for y, x in np.ndindex(2, 2):
        site = adu[y::2, x::2][:height, :width]
        rows = site[::2] + site[1::2]
        half[y::2, x::2] = (rows[:, ::2] + rows[:, 1::2]) / 4
    return half, Noise(noise.slope / 4, noise.floor / 4)
