"""The variance of a sample: photon transfer from the night's own frames.

Model (EMVA Standard 1288, photon transfer): variance = slope · signal + floor, in ADU above black;
slope is 1/gain (ADU per electron), floor the read noise squared plus 1/12 for whole codes.

The difference of two frames holds no fixed pattern, but stars that have moved between them, most of
them too faint to be seen one by one: up to a quarter of its variance in the Milky Way.  Noise is
uncorrelated between neighbours, starlight is not.  So the frames are cut into small blocks; the
starriest show how starlight's covariance with its neighbours scales with its variance (whatever the
star image, the drift and the trail), and with that key the covariances of the quiet blocks give
their share of starlight.  Only then is a line fitted to variance against signal.

Every mean here is a plain mean: medians and clipping would bend the line (they are biased for the
skewed scatter of variances).  Blocks are chosen by the *sum* of the frames, which is independent of
the difference: of n electrons in two frames, each lies in either with equal probability.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Mask, Plane
from stackkit.noise.blocks import LAGS, OTHER, OWN, Blocks, measure_blocks
from stackkit.robust import MAD_TO_SIGMA

BLOCK_MEAN = 8
"""Side of the blocks whose means measure a picture's noise, px."""
QUANTISATION = 1 / 12
"""Variance that rounding to whole codes adds, ADU² (EMVA Standard 1288)."""
DENOISED = 0.03
"""Correlation of neighbours above which a raw has been denoised.

Measured over 42 nights: untouched frames up to 0.004 (in the densest Milky Way); with each colour's
plane smoothed by a Gaussian of σ 0.5, a 3×3 median or a bilateral filter, from 0.06.
"""

_BESIDE = [n for n, (j, i) in enumerate(LAGS) if (j, i) in ((0, 2), (2, 0))]
_QUIET = 1.5
"""Scatter within a block, as a multiple of the noise, up to which it counts as quiet …"""
_STARRY = 2.0
"""… and from which on it shows what starlight is like."""
_FEWEST_STARRY = 40
_FREE = 0.05
"""How far the starlight estimated with the starry blocks' key may be off in quiet ones."""
_QUIETEST = 0.3
"""Share of the blocks, those of least scatter, by which the fit begins."""
_ROUNDS = 4
_LEAST_SPREAD = 0.3
_UNSURE = 0.3
"""Error of the slope, as a share of the steepest possible, above which it is not used."""
_SURE = 0.1
"""The same, up to which it is preferred to the file's noise profile …"""
_DISAGREES = 1.5
"""… and a ratio of the two that is reported."""


@dataclass(frozen=True)
class Noise:
    """Variance of a sample = ``slope`` · signal + ``floor`` (ADU², signal in ADU above black)."""

    slope: float
    floor: float


@dataclass(frozen=True)
class NoiseMeasurement:
    """A measured noise model, its standard errors, and how far neighbours are correlated.

    ``whiteness`` is the correlation of neighbouring samples of the same colour in the difference
    of two frames: 0 for a sensor's own noise.
    """

    noise: Noise
    slope_error: float
    floor_error: float
    whiteness: float


UNKNOWN = Noise(0.0, 1.0)
"""Where nothing can be measured: the same for every sample."""


def gain(noise: Noise) -> float | None:
    """Electrons per ADU (EMVA Standard 1288: 1/K); None when no slope could be measured."""
    return 1 / noise.slope if noise.slope > 0 else None


def read_noise(noise: Noise) -> float | None:
    """Read noise in electrons, that of rounding taken out; None when there is no gain."""
    if noise.slope <= 0:
        return None
    return float(np.sqrt(max(noise.floor - QUANTISATION, 0.0))) / noise.slope


def variance_of(noise: Noise, signal: float | Array) -> Array:
    """Variance (ADU²) of samples whose expected signal is ``signal`` ADU above black."""
    return np.asarray(noise.floor + noise.slope * np.maximum(signal, 0.0))


def photon_transfer(
    pairs: Sequence[tuple[Plane, Plane]],
    clip: float = np.inf,
    each: Callable[..., Iterable[Any]] = map,
) -> NoiseMeasurement | None:
    """Noise model from pairs of mosaics (H, W) of the same camera setting; None if none is usable.

    ADU above black, NaN where missing, before any flat or shading correction (which would bend the
    line).  The frames of a pair should follow each other.  Blocks with samples at ``clip`` or above
    are ignored; ``each`` maps over the pairs, maybe in parallel.  Where the signals differ too
    little for a slope, all noise is taken for that of light; ``slope_error`` is then as large as
    the slope.
    """
    blocks = measure_blocks(pairs, clip, each)
    if len(blocks.group) == 0:
        return None
    every = np.ones(len(blocks.group))
    quiet = _quietest(blocks.signal.mean(axis=1), blocks.scatter.mean(axis=1))
    level = np.full_like(blocks.variance, max(float(blocks.variance[quiet].mean()), 1e-9))
    line = _weighted_line(blocks, blocks.variance, level, every * quiet)
    for _ in range(_ROUNDS):
        line = _improved(blocks, line, every)
    parts = np.unique(blocks.group)
    without = [_improved(blocks, line, 1.0 * (blocks.group != part)) for part in parts]
    slope_error = _jackknife([other.noise.slope for other in without])
    floor_error = _jackknife([other.noise.floor for other in without])
    return _sensible(line, slope_error, floor_error, _whiteness(blocks, _level(blocks, line)))


def photon_transfer_alone(adu: Plane, clip: float = np.inf) -> NoiseMeasurement | None:
    """The same from a single mosaic (H, W): neighbours of a colour replace the second frame.

    Every other pair of columns makes the one frame, the rest the other; so do pairs of rows.
    Unlike two frames, one cannot separate fixed pattern from noise, and ``whiteness`` shows only
    strong smoothing.
    """
    height, width = (side // 4 * 4 for side in adu.shape)
    columns = np.arange(width).reshape(-1, 4)
    rows = np.arange(height).reshape(-1, 4)
    beside = (adu[:, columns[:, :2].ravel()], adu[:, columns[:, 2:].ravel()])
    below = (adu[rows[:, :2].ravel()], adu[rows[:, 2:].ravel()])
    return photon_transfer([beside, below], clip)


def looks_denoised(measurement: NoiseMeasurement) -> bool:
    """Whether the raw has been smoothed: its noise is shared between neighbours.

    Frames that the phone merged before writing keep white noise and are not detected by this.
    """
    return measurement.whiteness >= DENOISED


def profile_noise(profile: Sequence[tuple[float, float]], span: float) -> Noise | None:
    """Noise of the DNG tag NoiseProfile (51041), its pairs (S, O) for all planes or one each.

    The tag gives the variance S · x + O of values x from 0 (black) to 1 (white); ``span`` is white
    minus black in ADU (DNG specification 1.7.1, NoiseProfile).  Planes are averaged.  None where
    the tag is empty or holds what no sensor does.
    """
    pairs = np.asarray(profile, dtype=np.float64).reshape(-1, 2)
    if len(pairs) == 0 or not np.isfinite(pairs).all() or not span > 0:
        return None
    scale, offset = pairs.mean(axis=0)
    if scale <= 0:
        return None
    return Noise(float(scale * span), max(float(offset * span**2), QUANTISATION))


def reconcile(measured: NoiseMeasurement | None, profile: Noise | None) -> tuple[Noise, str]:
    """The noise model to use, and in words where it comes from.

    The measurement is how the samples really scatter, and they are judged by that; it is preferred
    where its slope is known to a tenth.  A profile that disagrees is not used, but reported: the
    data in the file are not those of the sensor it describes (denoised, merged, scaled).
    """
    if measured is not None and measured.slope_error < _SURE * measured.noise.slope:
        return measured.noise, f"measured from the frames{_remark(measured, profile)}"
    if profile is not None:
        return profile, "from the file's noise profile; the frames do not show enough to measure it"
    if measured is not None:
        return measured.noise, "roughly measured: the frames have too little range of brightness"
    return UNKNOWN, "unknown: there is nothing to measure; every sample counts alike"


def _remark(measured: NoiseMeasurement, profile: Noise | None) -> str:
    """What is odd about the noise measured, in words."""
    ratio = profile.slope / measured.noise.slope if profile is not None else 1.0
    if looks_denoised(measured):
        words = "; neighbours share their noise: this raw has been denoised"
    else:
        words = "; denoised or merged before it was written" if ratio > _DISAGREES else ""
    if ratio > _DISAGREES:
        words += f" (the file's noise profile promises {ratio:.1f} times as much noise)"
    elif ratio < 1 / _DISAGREES:
        words += f"; {1 / ratio:.1f} times as much noise as the file's noise profile promises"
    return words


def _quietest(signal: Array, scatter: Array) -> Mask:
    """The blocks of least scatter among those of similar signal.

    The groups are large, so that the blocks of one trail cannot make a group of their own.
    """
    quiet = np.zeros(len(signal), dtype=bool)
    order = np.argsort(signal, kind="stable")
    for alike in np.array_split(order, min(max(len(order) // 100, 1), 16)):
        quiet[alike] = scatter[alike] <= np.quantile(scatter[alike], _QUIETEST)
    return quiet


# The line


@dataclass(frozen=True)
class _Line:
    """A fitted line, the middle of its points, and which share of their spread is not noise."""

    noise: Noise
    signal: float
    variance: float
    spread: float


def _level(blocks: Blocks, line: _Line) -> Array:
    """Variance (n, 4) to be expected of every block and site."""
    return np.maximum(variance_of(line.noise, blocks.signal), 0.05 * max(line.variance, 1e-9))


def _excess(blocks: Blocks, level: Array) -> Array:
    """Scatter within each block (n,) as a multiple of what noise alone gives the mean of two."""
    return np.asarray(2 * blocks.scatter.mean(axis=1) / level.mean(axis=1))


def _improved(blocks: Blocks, line: _Line, share: Array) -> _Line:
    """The line through the blocks that are quiet by a first one, starlight taken out of them.

    ``share`` (n,) is the weight of each block.
    """
    level, counted = _level(blocks, line), share > 0
    excess = _excess(blocks, level)
    quiet = excess < max(_QUIET, float(np.median(excess)))
    share = share * quiet / np.maximum(excess, 1) ** 2
    light = _starlight(blocks, level, _key(blocks, level, excess, counted))
    light *= _adjustment(blocks, level, excess, share, light)
    return _weighted_line(blocks, blocks.variance - light, level, share)


def _adjustment(blocks: Blocks, level: Array, excess: Array, share: Array, light: Array) -> float:
    """Factor to correct the estimated starlight by: 1 within a few per cent.

    Choosing quiet blocks prefers stars whose two images cancel in the mean of the frames, so the
    key of the starry blocks does not quite fit.  A third unknown of the line (variance against
    estimated starlight, by instrumental variables: ``excess`` is independent of the difference's
    noise) corrects this, held near 1 where there are few stars.
    """
    weight = share[:, None] * blocks.freedom / (2 * level**2)
    hint = (excess[:, None] - 1) * level
    if not light.any() or (weight * hint).sum() <= 0:
        return 1.0
    hint *= (weight * light).sum() / (weight * hint).sum()
    x, one = blocks.signal, np.ones_like(light)
    unknowns = np.stack([x, one, light]).reshape(3, -1)
    instruments = np.stack([x * weight, weight, hint * weight]).reshape(3, -1)
    matrix = instruments @ unknowns.T
    right = instruments @ blocks.variance.ravel()
    matrix[2, 2] += _FREE**-2
    right[2] += _FREE**-2
    return float(np.linalg.solve(matrix, right)[2])


def _weighted_line(blocks: Blocks, variance: Array, level: Array, share: Array) -> _Line:
    """Least squares over blocks, by their ``share``, allowing for the noise of the signals.

    With n samples in two frames, a mean signal has the variance level / 2n, and the covariance
    slope² · signal / 2n with the variance found beside it (Poisson law).
    """
    x, n = blocks.signal, blocks.freedom
    weight = share[:, None] * n / level**2
    total = float(weight.sum())
    if total <= 0:  # the part left out was all there is
        return _Line(Noise(0.0, float(variance.mean())), float(x.mean()), float(variance.mean()), 0)
    mean_x, mean_y = float((weight * x).sum()) / total, float((weight * variance).sum()) / total
    seen = float((weight * (x - mean_x) ** 2).sum())
    spread = seen - float((weight * level / (2 * n)).sum())
    if spread <= 0:
        return _Line(Noise(0.0, mean_y), mean_x, mean_y, 0.0)
    joint = float((weight * (x - mean_x) * (variance - mean_y)).sum())
    slope = joint / spread
    slope = (joint - slope**2 * float((weight * x / (2 * n)).sum())) / spread
    return _Line(Noise(slope, mean_y - slope * mean_x), mean_x, mean_y, spread / seen)


def _key(blocks: Blocks, level: Array, excess: Array, counted: Mask) -> Array:
    """Starlight's covariances (4, lags) as a share of its variance, from the starry blocks.

    Without the very brightest, which are few.  Zero where there is too little starlight.
    """
    none = np.zeros(OTHER.shape)
    starry = (excess > _STARRY) & (excess < np.quantile(excess, 0.995)) & counted
    if np.count_nonzero(starry) < _FEWEST_STARRY:
        return none
    weight = 1 / blocks.scatter[starry].mean(axis=1)
    light = weight @ (blocks.variance[starry] - level[starry])
    error = np.sqrt(weight**2 @ (2 * level[starry] ** 2 / blocks.freedom[starry]))
    if (light < 5 * error).any():
        return none
    return np.asarray(np.einsum("b,bsl->sl", weight, blocks.covariance[starry]) / light[:, None])


def _starlight(blocks: Blocks, level: Array, key: Array) -> Array:
    """Variance (n, 4) of moving starlight in each block, from its covariances.

    Only those between different sites are used, each weighted by its sensitivity: correlation of
    neighbours of one colour may as well be a denoised raw's noise.
    """
    if not key.any():
        return np.zeros_like(level)
    middle = level.mean(axis=0)
    weights = np.where(OWN, 0.0, key / middle[OTHER])
    weights /= (weights * key).sum(axis=1, keepdims=True)
    return np.asarray(np.einsum("bsl,sl->bs", blocks.covariance, weights))


def _whiteness(blocks: Blocks, level: Array) -> float:
    """Correlation with the next samples of the same colour, starlight's taken out."""
    excess = _excess(blocks, level)
    key = _key(blocks, level, excess, np.ones(len(excess), dtype=bool))
    chosen = excess <= np.quantile(excess, _QUIETEST)
    light = _starlight(blocks, level, key)[chosen].mean(axis=0)
    beside = blocks.covariance[chosen][:, :, _BESIDE].mean(axis=(0, 2))
    noise = np.maximum(blocks.variance[chosen].mean(axis=0) - light, 1e-9)
    return float(np.mean((beside - light * key[:, _BESIDE].mean(axis=1)) / noise))


def _jackknife(values: Sequence[float]) -> float:
    """Standard error from estimates that each left out one part of the field."""
    if len(values) < 2:
        return float("inf")
    return float(np.sqrt((len(values) - 1) * np.var(values)))


def _sensible(
    line: _Line, slope_error: float, floor_error: float, whiteness: float
) -> NoiseMeasurement:
    """The measurement within physical limits: no negative slope, no floor below rounding's."""
    steepest = max(line.variance - QUANTISATION, 0.0) / line.signal if line.signal > 0 else 0.0
    if line.spread < _LEAST_SPREAD or slope_error > _UNSURE * steepest:
        slope, slope_error, floor_error = steepest, max(steepest, slope_error), line.variance
    else:
        slope = float(np.clip(line.noise.slope, 0.0, steepest))
    floor = max(line.variance - slope * line.signal, QUANTISATION)
    return NoiseMeasurement(Noise(slope, floor), slope_error, floor_error, whiteness)


# Of pictures


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
