"""The variance of a sample: photon transfer from the frames themselves.

Model (EMVA Standard 1288): variance = slope · signal + floor, in ADU above black; slope is
1/gain (ADU per electron), floor the read noise squared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

_BLOCK = 16
"""Side, in sites of one colour, of the blocks whose mean and scatter make one point each."""
BLOCK_MEAN = 8
"""Side of the blocks whose means tell how much noise a picture has, px."""
MAD_TO_SIGMA = 1.4826


@dataclass(frozen=True)
class Noise:
    """Variance of a sample = ``slope`` · signal + ``floor`` (ADU², signal in ADU above black)."""

    slope: float
    floor: float


def _blocks(site: Plane) -> Plane:
    """A site plane (h, w) cut into rows of one block each (n, _BLOCK²)."""
    rows, columns = site.shape[0] // _BLOCK, site.shape[1] // _BLOCK
    cut = site[: rows * _BLOCK, : columns * _BLOCK]
    cut = cut.reshape(rows, _BLOCK, columns, _BLOCK)
    return cut.transpose(0, 2, 1, 3).reshape(rows * columns, _BLOCK * _BLOCK)


def _points(a: Plane, b: Plane) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median signal and variance of a single sample for each block of two frames."""
    means, variances = [], []
    for dy in (0, 1):
        for dx in (0, 1):
            one, two = _blocks(a[dy::2, dx::2]), _blocks(b[dy::2, dx::2])
            full = np.isfinite(one).all(axis=1) & np.isfinite(two).all(axis=1)
            one, two = one[full], two[full]
            means.append(0.5 * (np.median(one, axis=1) + np.median(two, axis=1)))
            variances.append(0.5 * _clipped_variance((one - two).astype(np.float64)))
    return np.concatenate(means).astype(np.float64), np.concatenate(variances)


def _clipped_variance(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance of each row without its outliers.

    Codes are integers, whose median absolute deviation comes in coarse steps; it only sets the
    limit here (3.5 σ, where a Gaussian's variance loses 0.6 %, made good).
    """
    deviation = rows - np.median(rows, axis=1, keepdims=True)
    limit = 3.5 * (MAD_TO_SIGMA * np.median(np.abs(deviation), axis=1, keepdims=True) + 0.5)
    inside = np.abs(deviation) <= limit
    count = np.maximum(inside.sum(axis=1), 2)
    mean = np.where(inside, deviation, 0).sum(axis=1) / count
    square = np.where(inside, (deviation - mean[:, None]) ** 2, 0).sum(axis=1)
    return np.asarray(square / (count - 1) * 1.006)


def measure_noise(pairs: list[tuple[Plane, Plane]]) -> Noise:
    """Noise model from pairs of calibrated mosaics (H, W) of the same camera setting.

    Differences of two frames at the same site leave no fixed pattern; medians over small blocks
    leave no stars.  The line is fitted by repeated medians over bins of signal, so that blocks
    with ground or clouds in them do not tilt it.  With too little range of signal for a slope,
    the slope is the steepest that the data allow through zero.
    """
    signal, variance = (
        np.concatenate(v) for v in zip(*[_points(a, b) for a, b in pairs], strict=True)
    )
    keep = np.isfinite(signal) & np.isfinite(variance) & (variance > 0)
    signal, variance = signal[keep], variance[keep]
    if len(signal) == 0:
        return Noise(0.0, 1.0)
    order = np.argsort(signal, kind="stable")
    bins = np.array_split(order, min(40, max(len(order) // 25, 1)))
    x = np.array([np.median(signal[i]) for i in bins])
    y = np.array([np.median(variance[i]) for i in bins])
    level = float(np.median(y))
    steepest = level / max(float(np.median(x)), 1e-6) if np.median(x) > 0 else 0.0
    far = np.abs(x[:, None] - x[None, :]) > 0.15 * max(float(np.ptp(x)), 1e-6)
    if len(x) >= 4 and far.any() and np.ptp(x) > 0.2 * abs(float(np.median(x))):
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes = (y[:, None] - y[None, :]) / (x[:, None] - x[None, :])
        slope = float(
            np.median([np.median(s[f]) for s, f in zip(slopes, far, strict=True) if f.any()])
        )
        slope = float(np.clip(slope, 0.0, steepest))
    else:
        slope = max(steepest, 0.0)
    floor = max(float(np.median(y - slope * x)), 0.02 * level, 1e-6)
    return Noise(slope, floor)


def measure_noise_alone(adu: Plane) -> Noise:
    """Noise model from a single frame: neighbours of the same colour stand for the second frame."""
    shifted = np.full_like(adu, np.nan)
    shifted[:, :-2] = adu[:, 2:]
    return measure_noise([(adu[:, :-2], shifted[:, :-2])])


def variance_of(noise: Noise, signal: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance (ADU²) of samples whose expected signal is ``signal`` ADU above black."""
    return np.asarray(noise.floor + noise.slope * np.maximum(signal, 0.0))


def block_means(picture: NDArray[np.floating], side: int = BLOCK_MEAN) -> NDArray[np.float64]:
    """Means of the blocks of ``side`` px of a picture (…, H, W); what is left over is cut off."""
    rows, columns = picture.shape[-2] // side, picture.shape[-1] // side
    cut = picture[..., : rows * side, : columns * side]
    cut = cut.reshape(*picture.shape[:-2], rows, side, columns, side)
    return np.asarray(cut.mean(axis=(-3, -1), dtype=np.float64))


def block_noise(means: NDArray[np.float64]) -> list[float | None]:
    """Standard deviation of block means (3, h, w) for each colour; None with too few blocks.

    From differences of neighbouring blocks, by their median absolute deviation.  Means of blocks,
    unlike single pixels, do not get quieter when a picture is merely blurred.
    """
    found: list[float | None] = []
    for colour in means:
        steps = np.concatenate([np.diff(colour, axis=0).ravel(), np.diff(colour, axis=1).ravel()])
        steps = steps[np.isfinite(steps)]
        away = np.abs(steps - np.median(steps)) if len(steps) >= 8 else None
        found.append(None if away is None else float(MAD_TO_SIGMA * np.median(away) / np.sqrt(2)))
    return found
