"""Master frames: the combination of many darks, flats or biases of one setting.

A dark and a bias are ADU above the file's black; a flat is the relative response of each site,
1 in the middle of the field.  Each carries the variance of its own value.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Plane
from stackkit.calibration import mosaic_cache
from stackkit.calibration.mosaic_cache import Cache, Coding, Window
from stackkit.calibration.pattern_shrinkage import SMOOTH_NOISE, columns, shrunk, smooth_part, spots
from stackkit.calibration.quantiles import insert
from stackkit.errors import InputError
from stackkit.jit import jit
from stackkit.noise.photon_transfer import Noise
from stackkit.robust import MAD_TO_SIGMA
from stackkit.session.folder_kinds import Kind

LEAST_RESPONSE = 0.05
"""A site with less response is missing: dividing by so little is dividing by noise."""
_FAR = 5.0
"""σ of the noise model beyond which a sample is left out of the mean.

Of the model, not of the samples themselves, whose largest deviation is (N-1)/√N of their own σ
(Shiffler 1988): with the model, one odd frame of three is found.
"""
_BUDGET = 64 * 2**20
"""Bytes of samples in memory at a time."""


@dataclass(frozen=True)
class Setting:
    """What the camera was set to; a figure that the files do not give is None.

    ``exposure`` in seconds; ``pattern`` the colours (0 R, 1 G, 2 B) of the top left sites by rows.
    """

    camera: str | None
    iso: int | None
    exposure: float | None
    pattern: tuple[int, int, int, int]


@dataclass(frozen=True)
class Master:
    """One master frame.

    ``value`` (H, W) float32: ADU above black (dark, bias) or relative response (flat), NaN where
    it is not known; ``variance`` (H, W) float32: that of ``value``; ``count``: frames in it.
    """

    kind: Kind
    value: Plane
    variance: Plane
    count: int
    setting: Setting

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in sites."""
        return self.value.shape[1], self.value.shape[0]


def make_master(
    kind: Kind, frames: Iterable[Plane], setting: Setting, coding: Coding, folder: Path
) -> Master:
    """The master of ``frames``: ADU above black (H, W), NaN where missing or clipped.

    From flats, the dark or bias must have been subtracted.  Frames are taken one at a time and kept
    in ``folder``, coded by ``coding``, so that memory does not grow with their number.
    Raises ``InputError`` when there are none, or of different sizes; ``OutputError`` when the
    folder is full.
    """
    levels: list[Array] = []
    cache = Cache(folder, (0, 0), coding)
    for plane in frames:
        if not levels:
            cache = Cache(folder, (plane.shape[0], plane.shape[1]), coding)
        elif plane.shape != cache.shape:
            raise InputError(f"The {kind} frames differ in size. Put each size in its own folder.")
        levels.append(middle_level(plane) if kind is Kind.FLAT else np.ones((2, 2)))
        mosaic_cache.put(cache, len(levels) - 1, plane)
    if not levels:
        raise InputError(f"There is no {kind} frame that can be used.")
    level = np.stack(levels)
    noise = _frame_noise(cache, level, kind)
    value = np.empty(cache.shape, dtype=np.float32)
    variance = np.empty(cache.shape, dtype=np.float32)
    rows = max(int(_BUDGET / (6 * len(levels) * cache.shape[1])) // 2 * 2, 8)
    for top in range(0, cache.shape[0], rows):
        band = Window(top, min(top + rows, cache.shape[0]), 0, cache.shape[1])
        block = np.stack([_samples(cache, k, band) for k in range(len(levels))])
        mean = robust_mean(block, level, noise)
        value[band.top : band.bottom], variance[band.top : band.bottom] = mean
    clean = response if kind is Kind.FLAT else offset
    return Master(kind, *clean(value, variance), len(levels), setting)


def _samples(cache: Cache, frame: int, band: Window) -> Plane:
    return mosaic_cache.decode(mosaic_cache.get(cache, frame, band), cache.coding)


def middle_level(plane: Plane) -> Array:
    """Median (2, 2) of each of the four sites over the middle quarter of the field."""
    return np.array([[_middle(plane[y::2, x::2]) for x in (0, 1)] for y in (0, 1)])


def _middle(site: NDArray[np.floating]) -> float:
    height, width = site.shape
    middle = site[height // 4 : height - height // 4, width // 4 : width - width // 4]
    known = middle[np.isfinite(middle)]
    return float(np.median(known)) if len(known) else float("nan")


def robust_mean(samples: Plane, level: Array, noise: Noise) -> tuple[Plane, Plane]:
    """Mean of samples (N, h, w) in units of ``level`` (N, 2, 2), and its variance.

    Sum of samples over sum of levels, which is best for shot noise and with levels of 1 the plain
    mean.  A sample that is further than 5 σ of ``noise`` from the median is left out, but where
    more than a third are, the site flickers: all count, and the variance is that of the samples,
    as wherever they scatter clearly more than ``noise``.  NaN where a quarter is missing.
    """
    value = np.empty(samples.shape[1:], dtype=np.float32)
    variance = np.empty(samples.shape[1:], dtype=np.float32)
    by_site = np.ascontiguousarray(level.reshape(len(level), 4))
    _robust_mean(samples, by_site, noise.slope, noise.floor, value, variance)
    return value, variance


@jit
def _robust_mean(samples, level, slope, floor, value, variance):  # type: ignore[no-untyped-def]
    count = samples.shape[0]
    ordered = np.empty(count)
    for y in range(samples.shape[1]):
        for x in range(samples.shape[2]):
            site = 2 * (y & 1) + (x & 1)
            n = 0
            for k in range(count):
                v = samples[k, y, x] / level[k, site]
                if np.isfinite(v):
                    insert(ordered, n, v)
                    n += 1
            value[y, x] = np.nan
            variance[y, x] = np.nan
            if n == 0 or 4 * n < 3 * count:
                continue
            middle = 0.5 * (ordered[(n - 1) // 2] + ordered[n // 2])
            far = 0
            for k in range(count):
                away = samples[k, y, x] - middle * level[k, site]
                if away**2 > _FAR**2 * (floor + slope * max(middle, 0.0) * level[k, site]):
                    far += 1
            everything = 3 * far > n
            kept = 0
            total, light, noise = 0.0, 0.0, 0.0
            for k in range(count):
                v, one = samples[k, y, x], level[k, site]
                own = floor + slope * max(middle, 0.0) * one
                if np.isfinite(v) and (everything or (v - middle * one) ** 2 <= _FAR**2 * own):
                    kept += 1
                    total += v
                    light += one
                    noise += own
            mean = total / light
            scatter = 0.0
            for k in range(count):
                v, one = samples[k, y, x], level[k, site]
                own = floor + slope * max(middle, 0.0) * one
                if np.isfinite(v) and (everything or (v - middle * one) ** 2 <= _FAR**2 * own):
                    scatter += (v - mean * one) ** 2 / own
            value[y, x] = mean
            variance[y, x] = noise / light**2
            if kept > 1:
                scatter /= kept - 1
                if scatter > 1 + 5 * np.sqrt(2 / (kept - 1)):
                    variance[y, x] *= scatter


def _frame_noise(cache: Cache, level: Array, kind: Kind) -> Noise:
    """Noise of one frame, from two of them, or from neighbours where there is one."""
    whole = mosaic_cache.whole(cache)
    a = _samples(cache, 0, whole)
    if len(level) == 1 and kind is Kind.FLAT:
        return photon_transfer(a[:, :-2], a[:, 2:])
    if len(level) == 1:
        # A hot pixel has no equal beside it, so shot noise cannot be measured.  Sensors have one
        # electron of read noise or more (common practice), which bounds it.
        step = (a[:, :-2] - a[:, 2:]).astype(np.float64)
        floor = 0.5 * _mean_square(step[np.isfinite(step)])
        return Noise(float(np.sqrt(floor)), floor)
    ratio = np.tile(level[0] / level[1], (a.shape[0] // 2 + 1, a.shape[1] // 2 + 1))
    ratio = ratio[: a.shape[0], : a.shape[1]].astype(np.float32)
    return photon_transfer(a, _samples(cache, 1, whole) * ratio, float(np.mean(ratio)))


def photon_transfer(a: Plane, b: Plane, ratio: float = 1.0) -> Noise:
    """Noise of a sample, from two pictures of one scene: variance against signal, site by site.

    EMVA Standard 1288.  Sites are sorted by their signal, so that hot pixels give the shot noise of
    darks.  ``ratio`` is the factor by which ``b`` was multiplied to be like ``a``.
    """
    there = np.isfinite(a) & np.isfinite(b)
    one, two = a[there].astype(np.float64), b[there].astype(np.float64)
    if len(one) < 2:
        return Noise(0.0, 1.0)
    signal, step = 0.5 * (one + two), (one - two) / np.sqrt(1 + ratio)
    low = 5 * np.sqrt(_mean_square(step))
    place = np.ceil(np.log(np.maximum(signal / low, 1e-9)) / np.log(1.4))
    place = np.maximum(place, 0).astype(np.int64)
    x, y, weight = [], [], []
    for k in np.unique(place):
        inside = place == k
        count = int(inside.sum())
        if count >= 30:
            x.append(float(np.median(signal[inside])))
            y.append(_mean_square(step[inside]))
            weight.append(min(count, 10_000) ** 0.5 / y[-1])
    if len(x) < 2:
        level = y[0] if y else _mean_square(step)
        # Too little range for a slope: as steep as one electron of read noise allows.
        return Noise(float(np.sqrt(level)) if not x or x[0] < low else level / x[0], level)
    slope, floor = (float(v) for v in np.polyfit(x, y, 1, w=weight))
    if slope <= 0:
        return Noise(0.0, float(np.median(y)))
    if floor < 1 / 12:  # less than rounding to whole codes gives
        return Noise(float(np.median(np.array(y) / np.array(x))), 1 / 12)
    return Noise(slope, floor)


def _mean_square(step: Array) -> float:
    """Mean square without outliers; codes are whole, so their median sets only the limit."""
    away = np.abs(step)
    if not len(away):
        return 1 / 12
    near = step[away <= 3.5 * (MAD_TO_SIGMA * np.median(away) + 0.5)]
    return max(float(np.mean(near**2)) * 1.006, 1 / 12)


def response(mean: Plane, variance: Plane) -> tuple[Plane, Plane]:
    """Relative response (H, W) and its variance, from a mean flat in units of its middle.

    The smooth part (the lens) and spots (dust) are kept; of the differences between single sites
    (PRNU of EMVA 1288), only the share that is not noise.  Below ``LEAST_RESPONSE`` it is NaN.
    """
    value, spread = np.empty_like(mean), np.empty_like(variance)
    for y, x in np.ndindex(2, 2):
        site, noise = (plane[y::2, x::2].astype(np.float64) for plane in (mean, variance))
        smooth = np.maximum(smooth_part(site), 1e-3)
        detail, noise = site / smooth - 1, noise / smooth**2
        shared = spots(detail, noise)
        own, left = shrunk(detail - shared, noise)
        whole = smooth * (1 + shared + own)
        whole /= _middle(whole)
        left = (left + SMOOTH_NOISE * noise) * smooth**2
        value[y::2, x::2] = np.where(whole >= LEAST_RESPONSE, whole, np.nan)
        spread[y::2, x::2] = np.where(whole >= LEAST_RESPONSE, left, np.nan)
    return value, spread


def offset(mean: Plane, variance: Plane) -> tuple[Plane, Plane]:
    """Pattern (H, W) of a mean dark or bias and its variance, the mean's noise taken out.

    Kept are the smooth part (glow), columns, and sites that stand out; of the rest (DSNU of EMVA
    1288) only the share that is not noise.
    """
    value, spread = np.empty_like(mean), np.empty_like(variance)
    for y, x in np.ndindex(2, 2):
        site, noise = (plane[y::2, x::2].astype(np.float64) for plane in (mean, variance))
        shared = smooth_part(site)
        shared = shared + columns(site - shared, noise)
        own, left = shrunk(site - shared, noise)
        value[y::2, x::2] = shared + own
        spread[y::2, x::2] = left + SMOOTH_NOISE * noise
    return value, spread


@dataclass(frozen=True)
class Chosen:
    """The masters for some lights; ``words``: a sentence for each that was left out, and why."""

    dark: Master | None
    flat: Master | None
    bias: Master | None
    words: tuple[str, ...]


def choose(
    masters: Sequence[Master],
    camera: str | None,
    size: tuple[int, int],
    iso: int | None,
    exposure: float | None,
) -> Chosen:
    """The masters that fit lights of this camera, size (width, height), ISO and exposure (s).

    Of several darks the one nearest in exposure is taken (it may have to be scaled, see
    ``dark_scaling``), then the one of most frames.
    """
    words: list[str] = []
    fitting: dict[Kind, list[Master]] = {kind: [] for kind in Kind}
    for master in masters:
        reason = _unfit(master, camera, size, iso)
        if reason:
            words.append(f"The {described(master)} is left out: {reason}.")
        else:
            fitting[master.kind].append(master)
    best = {
        kind: min(found, key=lambda m: (_apart(m, exposure), -m.count), default=None)
        for kind, found in fitting.items()
    }
    for kind, found in fitting.items():
        words += [
            f"The {described(m)} is left out: another {kind} fits the lights as well or better."
            for m in found
            if m is not best[kind]
        ]
    return Chosen(best[Kind.DARK], best[Kind.FLAT], best[Kind.BIAS], tuple(words))


def _unfit(master: Master, camera: str | None, size: tuple[int, int], iso: int | None) -> str:
    """Why a master cannot be used for such lights; empty when it may be."""
    own = master.setting
    if master.size != size:
        return f"it is {_sides(master.size)}, the lights are {_sides(size)}"
    if own.camera != camera:
        return f"it is of another camera ({own.camera or 'unknown'}), not {camera or 'unknown'}"
    if master.kind is not Kind.FLAT and own.iso != iso and None not in (own.iso, iso):
        return f"it was taken at ISO {own.iso}, the lights at ISO {iso}"
    return ""


def _apart(master: Master, exposure: float | None) -> float:
    """How far a dark's exposure is from the lights', as a logarithm; 0 for other kinds."""
    if master.kind is not Kind.DARK or exposure is None:
        return 0.0
    own = master.setting.exposure
    return abs(float(np.log(own / exposure))) if own else float("inf")


def _sides(size: tuple[int, int]) -> str:
    return "×".join(map(str, size))


def described(master: Master) -> str:
    """A master in words: ``dark of 8 s at ISO 3200 (20 frames)``."""
    own = master.setting
    timed = master.kind is Kind.DARK and own.exposure
    seconds = f" of {own.exposure:g} s" if timed else ""
    iso = f" at ISO {own.iso}" if own.iso and master.kind is not Kind.FLAT else ""
    return f"{master.kind}{seconds}{iso} ({master.count} frame{'s' * (master.count > 1)})"
