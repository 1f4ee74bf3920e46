"""How each frame differs from the usual in its session: light, sky, sharpness, shapes.

The usual is that of the good frames, not the median: with cloud over half of the night the median
would be a cloudy frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.align.pairing import typical_width
from stackkit.align.register import Registration
from stackkit.arrays import Array
from stackkit.noise.photon_transfer import variance_of
from stackkit.robust import MAD_TO_SIGMA, sigma_about_zero
from stackkit.stars.detect import Stars
from stackkit.stars.measure import Measurement
from stackkit.stars.shapes import axes, drawn_out, second_images

_GOOD = 0.75
"""Quantile of the frames, from bad to good, that counts as usual."""
_ZONES = 3
_FEWEST = 5
"""Least number of stars in a zone to measure its light."""
_SURE = 2.0
"""Standard errors by which a trend must differ from zero …"""
_ALIKE = 0.75
"""… and share of the steps that must have its sign."""


@dataclass(frozen=True)
class Indicators:
    """Columns (N,) over the frames, NaN where unknown.

    ``light``: share of a clear frame's; ``drift``: the part of ln ``light`` that is a slow trend
    of the session; ``patchy``: scatter of the light over the picture; ``sky``: sky background over
    the usual; ``uneven``: its range over the picture beyond the usual, relative; ``width``: star
    width over the usual; ``drawn``: elongation beyond the usual, 0 to 1; ``long``, ``short``: axes
    of the star image over the usual width; ``twin``: px to second images, 0 without or where most
    have them; ``clipped``: share of the samples beyond the usual; ``spots``: coarse ones over the
    usual; ``stars``: number over the usual; ``expected``: sky of a usual frame of its setting, ADU.

    The rest are natural logarithms of the factors of a frame's weight, 0 for a usual frame:
    ``by_light``, ``by_sky``, ``by_blur``.
    """

    light: Array
    drift: Array
    patchy: Array
    sky: Array
    uneven: Array
    width: Array
    drawn: Array
    long: Array
    short: Array
    twin: Array
    clipped: Array
    spots: Array
    stars: Array
    expected: Array
    by_light: Array
    by_sky: Array
    by_blur: Array


def indicators(
    measurements: Sequence[Measurement], transparency: Sequence[float], registration: Registration
) -> Indicators:
    """The columns of a session's frames; ``transparency`` relative to the reference, in ADU."""
    scale = np.array([s.scale for s in measurements])
    placed = np.array([n > 0 for n in registration.matched])
    light = np.where(placed, np.asarray(transparency), np.nan) / scale
    light = light / _high(light)
    drift = _trend(np.log(light))
    level = np.array([np.nan_to_num(s.sky.level[1]) for s in measurements])
    sky = level / scale
    usual_sky = _middle(sky[placed & (light > 0.9)])
    widths = np.array([typical_width(s.stars) for s in measurements])
    width = widths / -_high(-widths[placed])
    leaning = np.array([drawn_out(s.stars) for s in measurements])
    usual_lean = complex(_middle(leaning[placed].real), _middle(leaning[placed].imag))
    drawn = np.abs(leaning - usual_lean)
    long, short = (np.array([axes(float(d)) for d in drawn]) * width[:, None]).T
    short = np.fmax(short, np.fmin(width, 1.0))  # motion does not make stars narrower
    counts = np.array([len(s.stars) for s in measurements], dtype=float)
    twin = np.array([second_images(s.stars) for s in measurements])
    clipped = np.array([s.first_check.clipped for s in measurements])
    spots = np.array([s.first_check.spots for s in measurements], dtype=float)
    variance = np.array(
        [float(variance_of(s.noise, g)) for s, g in zip(measurements, level, strict=True)]
    )
    expected = np.array([float(variance_of(s.noise, usual_sky * s.scale)) for s in measurements])
    reference = registration.reference
    return Indicators(
        light=light,
        drift=drift,
        patchy=np.array(
            [
                patchiness(measurements[reference].stars, s.stars, pairs)
                for s, pairs in zip(measurements, registration.pairs, strict=True)
            ]
        ),
        sky=sky / max(usual_sky, 1e-6),
        uneven=_unevenness(measurements, max(usual_sky, 1e-6)),
        width=width,
        drawn=drawn,
        long=long,
        short=short,
        twin=np.where(np.median(twin[placed]) > 0, 0.0, twin),
        clipped=clipped - np.median(clipped),
        spots=spots / max(_middle(spots[placed]), 1.0),
        stars=counts / max(_high(counts), 1.0),
        expected=usual_sky * scale,
        by_light=2 * np.log(light),
        by_sky=np.log(expected / variance),
        by_blur=np.log(sharpness(long, short)),
    )


def sharpness(long: Array, short: Array) -> Array:
    """The factor of a frame's weight for the shape of its stars.

    ``long`` and ``short`` are the axes (σ) of its star image, in units of those of the sharp frames
    with which it is averaged.  With weights w the position of a star in the sum has a variance of
    Σ w² v / Σᵢⱼ wᵢ wⱼ Jᵢⱼ, where Jᵢⱼ = ∫ f² Pᵢ Pⱼ for the transforms P of the star images
    (matched filter); for Gaussians J ∝ 1 / (sᵢ² + sⱼ²)².  For one frame added to many sharp ones
    the best weight is (1/v) (2 s₀² / (s₀² + s²))², and any smaller weight helps too: it makes
    neither the noise nor the position of a star worse.
    """
    along, across = 2 / (1 + long**2), 2 / (1 + short**2)
    return np.asarray(np.sqrt(along * across) * (along + across) / 2)


def patchiness(reference: Stars, frame: Stars, pairs: NDArray[np.int64]) -> float:
    """Scatter of ln light over thirds of the picture, without that of noise; NaN if unknown."""
    a, b = pairs[:, 0], pairs[:, 1]
    good = ~(reference.saturated[a] | frame.saturated[b])
    good &= (reference.flux[a] > 0) & (frame.flux[b] > 0)
    a, b = a[good], b[good]
    if len(a) < 2 * _FEWEST:
        return float("nan")
    ratio = np.log(frame.flux[b] / reference.flux[a])
    low, high = reference.xy[a].min(axis=0), reference.xy[a].max(axis=0)
    cell = ((reference.xy[a] - low) / np.maximum(high - low, 1e-9) * (_ZONES - 1e-6)).astype(int)
    middles, errors = [], []
    for zone in range(_ZONES**2):
        own = ratio[cell @ [1, _ZONES] == zone]
        if len(own) >= _FEWEST:
            middles.append(np.median(own))
            spread = MAD_TO_SIGMA * np.median(np.abs(own - np.median(own)))
            errors.append(1.25 * spread / np.sqrt(len(own)))  # error of a median, Gaussian
    if len(middles) < 3:
        return float("nan")
    return float(np.sqrt(max(np.var(middles, ddof=1) - np.mean(np.square(errors)), 0)))


def scatter(column: Array) -> float:
    """Standard deviation of a column from frame to frame.

    From the lower third of the steps (0.4307 σ for a Gaussian): slow trends, jumps, and faults of
    up to half of the frames do not count.
    """
    steps = np.abs(np.diff(column[np.isfinite(column)]))
    return float(np.quantile(steps, 1 / 3) / 0.4307 / np.sqrt(2)) if len(steps) else 0.0


def _trend(column: Array) -> Array:
    """The slow trend in a column (N,), 0 at its highest end; 0 if there is no certain trend.

    Its slope is the median step from frame to frame, on which clouds and dew, which come and go
    within a few frames, have no influence.
    """
    steps = np.diff(column)
    steps = steps[np.isfinite(steps)]
    if len(steps) < _FEWEST:
        return np.zeros_like(column)
    slope = float(np.median(steps))
    alike = float(np.mean(np.sign(steps) == np.sign(slope)))
    spread = sigma_about_zero(steps - slope)
    if alike < _ALIKE or abs(slope) < _SURE * 1.25 * spread / np.sqrt(len(steps)):
        return np.zeros_like(column)
    line = slope * np.arange(len(column))
    return np.asarray(line - line.max())


def _unevenness(measurements: Sequence[Measurement], usual: float) -> Array:
    """Range of each frame's sky over the picture beyond the usual, relative to usual sky (N,)."""
    planes = np.array([s.sky.mesh[1] / s.scale for s in measurements], dtype=float)
    with np.errstate(all="ignore"):
        beyond = planes - np.median(planes, axis=0)
        low, high = np.nanpercentile(beyond.reshape(len(planes), -1), [10, 90], axis=1)
    return np.asarray((high - low) / usual)


def _middle(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _high(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(np.quantile(known, _GOOD)) if len(known) else float("nan")
