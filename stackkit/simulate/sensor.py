"""From electrons to codes: the sensor with its faults, and calibration frames.

Expected electrons are rounded to 1/1024 before the noise is drawn, so that the last digit of a
sine, which differs between processors, does not affect the files.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array
from stackkit.simulate.camera import colour_planes, ideal_picture, vignette
from stackkit.simulate.night import Night, exposure_of, generator, iso_of

Sites = NDArray[np.int64]


@dataclass(frozen=True)
class Exposure:
    """One simulated frame: codes (H, W) of the sensor."""

    codes: NDArray[np.uint16]
    index: int


@lru_cache(maxsize=4)
def hot_pixels(night: Night) -> tuple[Sites, Sites, Array]:
    """Rows, columns and excess in e⁻ per exposure of the hot pixels (long-tailed distribution)."""
    rng = generator(night, 4)
    count = int(night.hot_fraction * night.width * night.height)
    y = rng.integers(0, night.height, count)
    x = rng.integers(0, night.width, count)
    excess = (8.0 * night.exposure * rng.pareto(1.3, count) + 10.0) * night.warmth
    return y, x, np.minimum(excess, 3.0 * night.white * night.gain)


def flickering(night: Night) -> NDArray[np.bool_]:
    """Which of the hot pixels (hot,) are hot in half of the frames only."""
    return generator(night, 12).random(len(hot_pixels(night)[0])) < night.flicker_share


@lru_cache(maxsize=4)
def dead_pixels(night: Night) -> tuple[Sites, Sites]:
    """Rows and columns of sites without response to light."""
    rng = generator(night, 13)
    count = int(night.dead_fraction * night.width * night.height)
    return rng.integers(0, night.height, count), rng.integers(0, night.width, count)


@lru_cache(maxsize=4)
def bad_columns(night: Night) -> tuple[Sites, Array]:
    """Bad columns from a row on: their (column, first row), and their excess in e⁻."""
    rng = generator(night, 14)
    places = np.stack(
        [rng.integers(0, side, night.bad_columns) for side in (night.width, night.height // 2)],
        axis=1,
    )
    return places, rng.uniform(15, 60, night.bad_columns) * rng.choice([-1, 1], night.bad_columns)


@lru_cache(maxsize=4)
def dark_signal(night: Night) -> Array:
    """Expected e⁻ (H, W) without light in one exposure, without hot pixels."""
    shape = (night.height, night.width)
    signal = np.zeros(shape)
    if night.dark_pattern:
        signal += night.dark_pattern * generator(night, 15).gamma(1.0, 1.0, shape)
    if night.amp_glow:
        y, x = np.ogrid[: night.height, : night.width]
        away = np.sqrt((y / night.height) ** 2 + (1 - x / night.width) ** 2)
        signal += night.amp_glow * night.exposure * np.exp(-away / 0.25)
    return signal * night.warmth


@lru_cache(maxsize=4)
def _offsets(night: Night) -> Array:
    """e⁻ (H, W) that the electronics add to every frame, without noise."""
    offset = np.zeros((night.height, night.width))
    if night.column_pattern:
        columns = generator(night, 16).normal(0, night.column_pattern, night.width)
        offset += np.rint(columns * 1024)[None, :] / 1024
    for (column, row), excess in zip(*bad_columns(night), strict=True):
        offset[row:, column] += excess
    return offset


@lru_cache(maxsize=4)
def _response(night: Night) -> Array:
    """Relative response of each site (H, W); 1 on average, 0 where it is dead."""
    shape = (night.height, night.width)
    response = 1 + night.light_pattern * generator(night, 17).normal(0, 1, shape)
    response[dead_pixels(night)] = 0
    return response


def expose(night: Night, k: int) -> Exposure:
    """Frame k from the sensor: shot noise, faults, read noise, black level, clipping."""
    light = np.choose(colour_planes(night), ideal_picture(night, k, movers=True))
    longer = exposure_of(night, k) / night.exposure
    electrons_a_code = night.gain * night.iso / iso_of(night, k)
    noise = (generator(night, 6, k), generator(night, 18, k))
    return Exposure(_codes(night, light, *noise, longer, electrons_a_code), k)


def dark(night: Night, k: int) -> NDArray[np.uint16]:
    """Dark frame k: the night's exposure with the lens covered."""
    light = np.zeros((night.height, night.width))
    return _codes(night, light, generator(night, 19, k), generator(night, 20, k))


def flat(night: Night, k: int, share: float = 0.4) -> NDArray[np.uint16]:
    """Flat frame k: an evenly lit field, its middle at ``share`` of the range in green.

    The exposure is short, so there is no dark signal in it.
    """
    level = share * (night.white - night.black) * night.gain
    colour = np.array(night.sensitivity) / max(night.sensitivity)
    light = level * colour[colour_planes(night)] * vignette(night)
    return _codes(night, light, generator(night, 21, k), generator(night, 22, k), 0.0)


def bias(night: Night, k: int) -> NDArray[np.uint16]:
    """Bias frame k: no light and no time."""
    light = np.zeros((night.height, night.width))
    return _codes(night, light, generator(night, 23, k), generator(night, 24, k), 0.0)


def _codes(
    night: Night,
    light: Array,
    rng: np.random.Generator,
    faults: np.random.Generator,
    longer: float = 1.0,
    electrons_a_code: float = 0.0,
) -> NDArray[np.uint16]:
    """Codes (H, W) of expected electrons, the dark signal of ``longer`` times the night's exposure;
    the night's own gain where ``electrons_a_code`` is 0.
    """
    electrons = light * _response(night) if night.light_pattern or night.dead_fraction else light
    if longer:
        y, x, excess = hot_pixels(night)
        if night.flicker_share:
            excess = excess * ~(flickering(night) & (faults.random(len(excess)) < 0.5))
        electrons = electrons + dark_signal(night) * longer
        np.add.at(electrons, (y, x), excess * longer)
    electrons = np.rint(electrons * 1024) / 1024
    caught = rng.poisson(electrons).astype(np.float64)
    caught += rng.normal(0, night.read_noise, electrons.shape)
    if night.column_pattern or night.bad_columns:
        caught += _offsets(night)
    if night.row_noise:
        caught += faults.normal(0, night.row_noise, night.height)[:, None]
    codes = np.clip(
        np.rint(caught / (electrons_a_code or night.gain) + night.black), 0, night.white
    )
    return codes.astype(np.uint16)
