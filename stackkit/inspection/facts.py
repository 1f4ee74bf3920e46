"""What one frame's samples tell: codes really used, levels, stars.  Arrays in, figures out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.calibrate import clip_level
from stackkit.raw.decode import Mosaic
from stackkit.register import typical_width
from stackkit.stars import Stars

Plane = NDArray[np.float32]
Shares = tuple[float, float, float]

_RARE = 1e-5
"""Share of the samples below which a code tells nothing of the steps between codes: single sites
that the camera has put right may lie between them."""
_BRIGHTER = 200
"""Stars, the brightest, whose shape is told."""


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
    """What stars a frame has: ``fwhm`` px, ``elongation`` 0 (round) to 1; None without stars."""

    stars: int
    fwhm: float | None
    elongation: float | None
    saturated: int


@dataclass(frozen=True)
class Facts:
    """One frame.  ``level``: median of R, G, B above black as a share of the range; ``clipped``:
    share of the samples at its end; ``seen``: None where no stars were looked for.
    """

    codes: Codes
    level: Shares
    clipped: float
    seen: Seen | None = None


def codes_of(data: NDArray[np.uint16], white: float) -> Codes:
    """The codes that occur in ``data`` (H, W) of a sensor that clips at ``white``.

    The step is the greatest common divisor of the distances between codes: 4 where a camera of 12
    bits writes 14.
    """
    counts = np.bincount(data.ravel(), minlength=1)
    every = np.flatnonzero(counts)
    usual = np.flatnonzero(counts > _RARE * data.size)
    step = int(np.gcd.reduce(np.diff(usual))) if len(usual) > 1 else None
    bits = (int(white) // step).bit_length() if step else None
    return Codes(int(every[0]), int(every[-1]), step, bits)


def span_of(mosaic: Mosaic) -> float:
    """ADU from black to white."""
    return float(mosaic.white - mosaic.black.max())


def measure(mosaic: Mosaic, adu: Plane, stars: Stars | None = None) -> Facts:
    """The facts of one frame; ``adu`` (H, W) are its samples above black, NaN where missing."""
    clipped = float(np.mean(mosaic.data >= clip_level(mosaic) + mosaic.black.max()))
    codes = codes_of(mosaic.data, mosaic.white)
    return Facts(codes, levels(mosaic, adu), clipped, None if stars is None else seen(stars))


def levels(mosaic: Mosaic, adu: Plane) -> Shares:
    """Median of each colour as a share of the range."""
    found: list[list[Plane]] = [[], [], []]
    for y, x in np.ndindex(2, 2):
        # Every fourth row and column of a site is enough for a level.
        found[int(mosaic.pattern[y, x])].append(adu[y::8, x::8].ravel())
    r, g, b = (_median(np.concatenate(parts)) / span_of(mosaic) for parts in found)
    return r, g, b


def _median(samples: Plane) -> float:
    known = samples[np.isfinite(samples)]
    return float(np.median(known)) if len(known) else float("nan")


def seen(stars: Stars) -> Seen:
    """Number and typical shape of the stars of one frame."""
    if len(stars) == 0:
        return Seen(0, None, None, 0)
    width = typical_width(stars)
    shape = float(np.median(stars.elongation[:_BRIGHTER]))
    fwhm = width if np.isfinite(width) else None
    return Seen(len(stars), fwhm, shape, int(stars.saturated.sum()))
