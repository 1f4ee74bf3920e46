"""All figures of one stack: the measures applied to a night whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array
from stackkit.simulate import Night
from stackkit.simulate.folder import frame_name

from . import measures, mosaic, truth
from .mosaic import Picture

GREEN = 1
CENTRE, CORNER = 0.35, 0.75
"""Shares of the half diagonal: inside is the centre, from there on is the corner."""
_MARGIN = 20.0
_LEAST_SHARP = 400.0
"""Green ADU a star needs for the centroid and the width."""
_LEAST_FLUX = 200.0
"""Green ADU a star needs for the photometry."""
_CROWDING = 0.01
"""A star is isolated when its neighbours shift its noiseless centroid by less than this, px."""
_UNSATURATED = 0.7
"""Brightest pixel allowed, as a share of the white level."""


@dataclass(frozen=True)
class Result:
    """A stack (3, H, W) in ADU above black on the grid of one of its frames, and its time."""

    value: Picture
    reference_index: int
    seconds: float


@dataclass(frozen=True)
class Figures:
    """The figures, as defined in DEVELOPERS.md, of one stack."""

    centroid_centre: float
    centroid_corner: float
    noise_gain: float
    width_ratio: float
    trail_left: float
    hot_residue: float
    photometric_slope: float
    colour_offset: float
    ring: float


def single_frame(folder: Path, k: int) -> Picture:
    """Frame k as the camera wrote it, demosaiced bilinearly (3, H, W)."""
    return mosaic.demosaic(*mosaic.read(folder / frame_name(k)))


def _unsaturated(night: Night, plane: Picture, xy: Array) -> NDArray[np.bool_]:
    """Stars whose brightest pixel, sky included, stays below the white level."""
    corner = np.rint(xy).astype(int)
    step = np.arange(-2, 3)
    rows = corner[:, 1, None, None] + step[:, None]
    peak = plane[rows, corner[:, 0, None, None] + step].max(axis=(1, 2))
    return np.asarray(peak < _UNSATURATED * (night.white - night.black))


def _ring_mask(night: Night, k: int) -> mosaic.Mask:
    """Green pixels that are too bright to be taken for sky beside a star."""
    return measures.star_mask(truth.picture(night, k)[GREEN], truth.sample_noise(night, k)[GREEN])


def sharp_stars(night: Night, k: int) -> Array:
    """Places (N, 2) of the isolated, unsaturated stars of frame k that are bright enough."""
    plane = truth.picture(night, k)[GREEN]
    xy, adu = truth.stars(night, k, _MARGIN)
    xy = xy[adu > _LEAST_SHARP]
    xy = xy[_unsaturated(night, plane, xy)]
    seen, _ = measures.moments(plane, xy, _ring_mask(night, k))
    return np.asarray(xy[np.hypot(*(seen - xy).T) < _CROWDING])


def centroid_errors(value: Picture, night: Night, reference: int) -> tuple[float, float]:
    """Median distance from the true places, px, at the centre and in the corners."""
    xy = sharp_stars(night, reference)
    seen, _ = measures.moments(value[GREEN], xy, _ring_mask(night, reference))
    distance = np.hypot(*(seen - xy).T)
    middle = np.array([night.width - 1, night.height - 1]) / 2
    r = np.hypot(*(xy - middle).T) / np.hypot(*middle)
    return float(np.nanmedian(distance[r < CENTRE])), float(np.nanmedian(distance[r >= CORNER]))


def width_ratio(value: Picture, night: Night, reference: int, single: Picture) -> float:
    """Width in the stack over that in the single frame, median over the same stars."""
    xy, masked = sharp_stars(night, reference), _ring_mask(night, reference)
    widths = [measures.moments(plane[GREEN], xy, masked)[1] for plane in (value, single)]
    return float(np.nanmedian(widths[0] / widths[1]))


def noise_gain(value: Picture, night: Night, reference: int, single: Picture) -> float:
    """Noise of the single frame over that of the stack as a share of √frames, mean of colours."""
    ideal = truth.picture(night, reference)
    noise = truth.sample_noise(night, reference)
    gains = []
    for colour in range(3):
        masked = measures.star_mask(ideal[colour], noise[colour])
        one, stack = (
            measures.block_noise(picture[colour] - ideal[colour], masked)
            for picture in (single, value)
        )
        gains.append(one / stack)
    return float(np.mean(gains) / np.sqrt(night.frames))


def _dark_residual(value: Picture, night: Night, reference: int) -> Picture:
    """Stack minus truth, NaN on stars (whose width differs from the truth's)."""
    ideal = truth.picture(night, reference)
    noise = truth.sample_noise(night, reference)
    masked = [measures.star_mask(ideal[c], 2 * noise[c]) for c in range(3)]
    return np.where(masked, np.nan, value - ideal).astype(np.float32)


def trail_left(value: Picture, night: Night, reference: int) -> float:
    """Share of what a plain mean leaves of all trails."""
    offsets = np.concatenate([measures.STRIP, measures.BESIDE])
    paths = truth.trail_paths(night, reference)
    places = np.concatenate([measures.strip_places(path, offsets) for path in paths], axis=1)
    flat = places.reshape(-1, 2)
    clear = ~truth.near_strobes(night, reference, flat).reshape(places.shape[:2]).any(axis=0)
    places = places[:, clear]
    found, expected = (
        measures.excess(np.stack([measures.at(plane, places) for plane in picture]))
        for picture in (
            _dark_residual(value, night, reference),
            truth.mean_of_trails(night, reference, flat),
        )
    )
    return measures.share_left(found, expected)


def hot_residue(value: Picture, night: Night, reference: int, single: Picture) -> float:
    """Mean excess on hot pixels' tracks, in noise of the single frame's pixels."""
    residual = _dark_residual(value, night, reference)
    alone = _dark_residual(single, night, reference)
    tracks, colour = truth.hot_tracks(night, reference)
    left = [
        measures.track_excess(residual[c], tracks[colour == c]) / measures.spread(alone[c])
        for c in range(3)
    ]
    return float(np.nanmean(np.concatenate([part.ravel() for part in left])))


def photometric_slope(value: Picture, night: Night, reference: int) -> float:
    """Slope of log flux in the stack against log flux of the truth, both measured alike."""
    plane = truth.picture(night, reference)[GREEN]
    xy, adu = truth.stars(night, reference, _MARGIN)
    xy = xy[adu > _LEAST_FLUX]
    xy, masked = xy[_unsaturated(night, plane, xy)], _ring_mask(night, reference)
    return measures.slope(*(measures.flux(p, xy, masked) for p in (plane, value[GREEN])))


def colour_offset(value: Picture, night: Night, reference: int) -> float:
    """The largest distance, px, of red or blue stars from green ones: medians over nine zones."""
    xy, masked = sharp_stars(night, reference), _ring_mask(night, reference)
    seen = [measures.moments(plane, xy, masked)[0] for plane in value]
    zone = (xy * 3 / [night.width, night.height]).astype(int) @ [1, 3]
    away = [
        np.hypot(*np.nanmedian((seen[c] - seen[GREEN])[zone == z], axis=0))
        for c in (0, 2)
        for z in range(9)
        if np.count_nonzero(zone == z) > 9
    ]
    return float(np.max(away)) if away else float("nan")


def ring(value: Picture, night: Night, reference: int) -> float:
    """The darkest of the rings (mean of a pixel's width) around stars, as a share of their peak.

    From the mean profile of the brightest isolated stars minus that of the truth.
    """
    plane = truth.picture(night, reference)[GREEN]
    bright = sharp_stars(night, reference)
    profile = measures.mean_profile(value[GREEN] - plane, bright[:100])
    peak = measures.mean_profile(plane, bright[:100])
    return float(np.min(profile[2:]) / (peak[0] - peak[-1]))


def figures(value: Picture, night: Night, reference: int, single: Picture) -> Figures:
    """Every figure of a stack on the grid of frame ``reference``."""
    centre, corner = centroid_errors(value, night, reference)
    return Figures(
        centroid_centre=centre,
        centroid_corner=corner,
        noise_gain=noise_gain(value, night, reference, single),
        width_ratio=width_ratio(value, night, reference, single),
        trail_left=trail_left(value, night, reference),
        hot_residue=hot_residue(value, night, reference, single),
        photometric_slope=photometric_slope(value, night, reference),
        colour_offset=colour_offset(value, night, reference),
        ring=ring(value, night, reference),
    )
