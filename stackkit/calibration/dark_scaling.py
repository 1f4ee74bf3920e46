"""Scaling of a dark to the lights, measured on the hot pixels that both show.

A dark taken on a warmer evening, or for longer, has the same hot pixels, brighter.  Its scale is
the ratio of their excess over the sites of the same colour around them, in the lights and in the
dark, so that neither the sky background nor its gradient matters.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Plane
from stackkit.calibration.masters import Master, described
from stackkit.noise.photon_transfer import Noise
from stackkit.robust import MAD_TO_SIGMA

Sites = NDArray[np.int64]

_HOT = 8.0
"""σ by which a site must stand out in the dark to be measured by."""
_FEWEST = 12
"""Hot pixels from which on a scale can be trusted."""
_LEFT_OF_STARS = 0.01
"""Relative error of a scale from star residuals in the median over few lights (measured on
simulated nights of six frames)."""
_MOST = 20_000
_SIGNIFICANT = 5.0
_EXPLAINS = 0.5
"""Share of the hot signal that a dark must take away to be used."""
_NOISIER = 3.0
"""Variance that a site's dark signal may add, in units of the frame's own, before the sample is
missing rather than corrected: it is then half as good as the others."""
_ROUND = tuple((y, x) for y in (-2, 0, 2) for x in (-2, 0, 2) if (y, x) != (0, 0))
_BESIDE = ((-1, 0), (1, 0), (0, -1), (0, 1))
"""The four direct neighbours of a site, rows and columns."""


@dataclass(frozen=True)
class DarkFit:
    """How a dark fits these lights.

    ``scale``: its signal in the lights over that in the dark, None when it could not be measured
    (and 1 is taken); ``scale_error``: 1 σ of it; ``explained``: the share of the hot pixels'
    signal in the lights that the scaled dark removes; ``words``: a sentence for the user.
    """

    scale: float | None
    scale_error: float | None
    explained: float | None
    accepted: bool
    words: str


def fit_dark(
    lights: Plane, dark: Master, bias: Master | None = None, exposure: float | None = None
) -> DarkFit:
    """Fit ``dark`` to ``lights``: the median over some lights at each site, in ADU (H, W), each
    light less its sky's level, NaN where missing or clipped.

    The bias' pattern, if there is a bias, is the same in both and not scaled.  ``exposure`` is the
    lights' in seconds: a dark without hot pixels to measure by is taken as it is when its exposure
    is the same, and refused when not.  Raises ``ValueError`` when the shapes differ.
    """
    if lights.shape != dark.value.shape:
        raise ValueError(f"a dark of {dark.value.shape} for lights of {lights.shape}")
    fixed = bias.value if bias is not None else np.float32(0)
    signal, seen = dark.value - fixed, lights - fixed
    quiet = MAD_TO_SIGMA * float(np.nanmedian(np.abs(excess(seen, *_sample(lights.shape)))))
    least = max(quiet, float(np.sqrt(np.nanmedian(dark.variance))))
    y, x = _hot_sites(signal, least)
    ours, theirs = excess(seen, y, x), excess(signal, y, x)
    there = np.isfinite(ours) & np.isfinite(theirs)
    y, x, ours, theirs = y[there], x[there], ours[there], theirs[there]
    if len(y) < _FEWEST:
        return _unmeasured(dark, exposure)
    spread = quiet**2 + 2 * dark.variance[y, x].astype(np.float64)
    sigma = np.sqrt(np.maximum(spread, 1e-6)) / theirs
    scale = _weighted_median(ours / theirs, 1 / sigma)
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(ours / theirs - scale) / sigma))
    error = 1.2533 * max(scatter, 1.0) / float(np.sqrt(np.sum(sigma**-2)))
    error = float(np.hypot(error, _LEFT_OF_STARS * scale))
    if abs(scale - 1) <= 2 * error:
        scale = 1.0
    before, after = (float(np.sum(np.abs(v))) for v in (ours, ours - scale * theirs))
    explained = 1 - after / max(before, 1e-9)
    return _judged(dark, scale, error, explained)


def _judged(dark: Master, scale: float, error: float, explained: float) -> DarkFit:
    name = f"The {described(dark)}"
    found = (scale, error, explained)
    if scale < _SIGNIFICANT * error:
        words = (
            f"{name} is left out: its hot pixels do not show in the lights. It may be of another "
            "camera, or the camera already takes darks away itself."
        )
        return DarkFit(*found, accepted=False, words=words)
    if explained <= 0:
        words = f"{name} is left out: taking it away would make the hot pixels worse."
        return DarkFit(*found, accepted=False, words=words)
    share = f"{100 * explained:.0f} % of the hot pixels' signal"
    if explained < _EXPLAINS:
        words = (
            f"{name} is left out: it would take away only {share}. Take darks on the same evening "
            "as the lights, with the same settings."
        )
        return DarkFit(*found, accepted=False, words=words)
    if scale == 1.0:
        return DarkFit(*found, accepted=True, words=f"{name} fits as it is: it takes away {share}.")
    words = (
        f"{name} is scaled by {scale:.3g} ± {error:.1g}, as bright as its hot pixels are in the "
        f"lights (another temperature or exposure): it takes away {share}."
    )
    return DarkFit(*found, accepted=True, words=words)


def _unmeasured(dark: Master, exposure: float | None) -> DarkFit:
    own = dark.setting.exposure
    name = f"The {described(dark)}"
    if own and exposure and abs(own / exposure - 1) < 0.05:
        words = f"{name} has too few hot pixels to check it by; it is taken as it is."
        return DarkFit(None, None, None, accepted=True, words=words)
    words = (
        f"{name} is left out: its exposure is not known to be that of the lights, and it has too "
        "few hot pixels to be scaled by."
    )
    return DarkFit(None, None, None, accepted=False, words=words)


def to_subtract(
    dark: Master | None, fit: DarkFit | None, bias: Master | None, noise: Noise, sky: float
) -> Plane | None:
    """ADU (H, W) to subtract from each light, NaN where its sample is missing, not corrected.

    That is where the master is NaN (it was clipped), and where the hot pixel's shot noise and the
    master's own add more than three times the variance of a sample at the ``sky`` (ADU above
    black).  None when there is neither an accepted dark nor a bias.
    """
    if dark is None or fit is None or not fit.accepted:
        return bias.value if bias is not None else None
    scale = np.float32(fit.scale if fit.scale is not None else 1.0)
    fixed = bias.value if bias is not None else np.float32(0)
    plane = fixed + scale * (dark.value - fixed)
    own = noise.floor + noise.slope * max(sky, 0.0)
    added = noise.slope * np.maximum(plane, 0) + scale**2 * dark.variance
    y, x = np.nonzero(added > _NOISIER * own)
    # Signal that the neighbours share (glow) makes the frame noisier there, but is no defect.
    alone = noise.slope * np.maximum(excess(plane, y, x), 0) + scale**2 * dark.variance[y, x]
    bad = alone > _NOISIER * own
    plane[y[bad], x[bad]] = np.nan
    return np.asarray(plane, dtype=np.float32)


def excess(plane: Plane, y: Sites, x: Sites) -> Array:
    """How far the sites (y, x) of a mosaic stand out from the median of the eight sites of their
    colour around them; NaN where they are missing.
    """
    near = _at(plane, y, x, _ROUND)
    known = np.isfinite(near).any(axis=1)
    middle = np.full(len(y), np.nan)
    middle[known] = np.nanmedian(near[known], axis=1)
    return np.asarray(plane[y, x] - middle, dtype=np.float64)


def _at(plane: Plane, y: Sites, x: Sites, steps: tuple[tuple[int, int], ...]) -> Array:
    """Samples (n, steps) beside the sites; mirrored at the edges, where colours stay the same."""
    height, width = plane.shape
    down, across = (np.array(step) for step in zip(*steps, strict=True))
    rows = (height - 1) - np.abs((height - 1) - np.abs(y[:, None] + down))
    columns = (width - 1) - np.abs((width - 1) - np.abs(x[:, None] + across))
    return np.asarray(plane[rows, columns], dtype=np.float64)


def _sample(shape: tuple[int, ...]) -> tuple[Sites, Sites]:
    """Sites spread evenly over a plane, some ten thousand."""
    count = shape[0] * shape[1]
    places = np.arange(0, count, max(count // _MOST, 1) | 1)
    return places // shape[1], places % shape[1]


def _standing_out(plane: Plane, limit: float, least: float = 0.05) -> tuple[Sites, Sites, float]:
    """Sites of at least ``limit`` σ of excess, and σ (``least`` or more); some ten thousand."""
    y, x = _sample(plane.shape)
    sample = excess(plane, y, x)
    sigma = max(MAD_TO_SIGMA * float(np.nanmedian(np.abs(sample))), least)
    high = np.zeros(plane.shape, dtype=bool)
    for j, i in np.ndindex(2, 2):
        site = plane[j::2, i::2]
        with np.errstate(invalid="ignore"):
            high[j::2, i::2] = site > np.nanmedian(site) + 0.7 * limit * sigma
    y, x = np.nonzero(high)
    every = max(len(y) // _MOST, 1)
    y, x = y[::every], x[::every]
    with np.errstate(invalid="ignore"):
        out = excess(plane, y, x) > limit * sigma
    return y[out], x[out], sigma


def _hot_sites(signal: Plane, least: float) -> tuple[Sites, Sites]:
    """Sites that stand out alone: no columns, which do not scale, and nothing wider."""
    y, x, sigma = _standing_out(signal, _HOT, least)
    near = np.nan_to_num(_at(signal, y, x, _ROUND), nan=np.inf).max(axis=1, initial=-np.inf)
    alone = signal[y, x] - near > 0.5 * _HOT * sigma
    return y[alone], x[alone]


def count_blobs(plane: Plane) -> tuple[int, int]:
    """Sites of a mosaic that stand out, and how many of them do so together with their direct
    neighbours, as stars do (several px wide) and hot pixels do not.
    """
    y, x, sigma = _standing_out(plane, 10.0)
    if len(y) == 0:
        return 0, 0
    own = excess(plane, y, x)
    beside = np.stack(
        [
            excess(plane, _inside(y + j, plane.shape[0]), _inside(x + i, plane.shape[1]))
            for j, i in _BESIDE
        ]
    )
    shared = np.nanmedian(np.nan_to_num(beside), axis=0)
    return len(y), int(np.sum((shared > 0.1 * own) & (shared > 3 * sigma)))


def _inside(places: Sites, side: int) -> Sites:
    return np.clip(places, 0, side - 1)


def _weighted_median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    running = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(running, 0.5 * running[-1])])
