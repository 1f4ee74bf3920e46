"""Measurements of the lights: suspect sites, the sensor's noise, and stars and sky of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit.calibration import apply, mosaic_cache
from stackkit.calibration.load import Lights
from stackkit.noise.photon_transfer import Noise
from stackkit.run.checkpoints import checkpointed
from stackkit.run.context import Context
from stackkit.sensor.noise_model import SensorNoise, by_setting, sensor_noise, spread_pairs
from stackkit.sensor.suspects import find_defects
from stackkit.session.grouping import Frame
from stackkit.stars.detect import Stars, detect
from stackkit.stars.first_check import UNSEEN, FirstCheck, first_check
from stackkit.stars.sky_mesh import Sky, measure_sky


@dataclass(frozen=True)
class Measurement:
    """Measurements of one frame; ``scale``: exposure · ISO relative to the other frames'."""

    stars: Stars
    sky: Sky
    noise: Noise
    first_check: FirstCheck = UNSEEN
    scale: float = 1.0


def measure_frames(
    lights: Lights, frames: Sequence[Frame], context: Context
) -> tuple[NDArray[np.bool_], SensorNoise, list[Measurement]]:
    """Suspect sites, the noise of most of the frames, and what is seen in each."""
    numbers = lights.numbers
    suspects, sensors = checkpointed(
        context.place.checkpoints, "sensor", lambda: _sensors(lights, frames, context)
    )
    clip, pattern = apply.clip_level(lights.mosaic), lights.mosaic.pattern

    def measured(number: int) -> Measurement:
        adu, seen = _clean(lights, number, suspects), frames[number].metadata
        noise = sensors[seen.iso].noise
        stars = detect(adu, pattern, noise, clip, lights.reliefs[number])
        scale = (seen.exposure or 1.0) * (seen.iso or 1)
        return Measurement(stars, measure_sky(adu, pattern), noise, first_check(adu, clip), scale)

    def one(number: int) -> Measurement:
        return checkpointed(
            context.place.checkpoints, f"{number:05d}.stars", lambda: measured(number)
        )

    measurements = []
    for measurement in context.pool.map(one, numbers):
        measurements.append(measurement)
        context.progress("Finding stars", len(measurements), len(numbers))
    return suspects, next(iter(sensors.values())), measurements


def _clean(lights: Lights, number: int, suspects: NDArray[np.bool_]) -> NDArray[np.float32]:
    """A frame's samples (H, W), ADU, without the suspect ones."""
    codes = mosaic_cache.get(lights.cache, number, mosaic_cache.whole(lights.cache))
    return mosaic_cache.decode(codes, lights.cache.coding, without=suspects)


def _sensors(
    lights: Lights, frames: Sequence[Frame], context: Context
) -> tuple[NDArray[np.bool_], dict[int | None, SensorNoise]]:
    """Suspect sites (H, W), and the noise at each ISO, that of most of the frames first."""
    numbers = lights.numbers
    context.progress("Finding hot pixels", 0, 1)
    suspects = find_defects(lights.cache, numbers, context.pool)
    context.progress("Finding hot pixels", 1, 1)

    def plain(number: int) -> NDArray[np.float32]:
        clean = _clean(lights, number, suspects)
        return apply.unmultiplied(clean, lights.mosaic, lights.correction)

    sensors = {}
    for iso, own in by_setting(numbers, frames).items():
        profile = frames[own[0]].metadata.noise_profile
        pairs, each = spread_pairs(own), context.pool.map
        sensors[iso] = sensor_noise(plain, pairs, own[0], lights.mosaic, profile, each)
    return suspects, sensors
