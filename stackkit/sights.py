"""What is seen in the lights: suspect sites, the sensor's noise, and stars and sky of each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stackkit import calibrate, scratch
from stackkit.defects import find_defects
from stackkit.glance import glance
from stackkit.intake import Desk, Lights
from stackkit.normalise import measure_sky
from stackkit.sensor_noise import SensorNoise, by_setting, sensor_noise, spread_pairs
from stackkit.session import Frame
from stackkit.shelf import kept
from stackkit.signs import Sight
from stackkit.stars import detect


def sights_of(
    lights: Lights, frames: Sequence[Frame], desk: Desk
) -> tuple[NDArray[np.bool_], SensorNoise, list[Sight]]:
    """Suspect sites, the noise of most of the frames, and what is seen in each."""
    numbers = lights.numbers
    suspects, sensors = kept(desk.place.shelf, "sensor", lambda: _sensors(lights, frames, desk))
    clip, pattern = calibrate.clip_level(lights.mosaic), lights.mosaic.pattern

    def measured(number: int) -> Sight:
        adu, seen = _clean(lights, number, suspects), frames[number].metadata
        noise = sensors[seen.iso].noise
        stars = detect(adu, pattern, noise, clip, lights.reliefs[number])
        scale = (seen.exposure or 1.0) * (seen.iso or 1)
        return Sight(stars, measure_sky(adu, pattern), noise, glance(adu, clip), scale)

    def one(number: int) -> Sight:
        return kept(desk.place.shelf, f"{number:05d}.stars", lambda: measured(number))

    sights = []
    for sight in desk.pool.map(one, numbers):
        sights.append(sight)
        desk.tell("Finding stars", len(sights), len(numbers))
    return suspects, next(iter(sensors.values())), sights


def _clean(lights: Lights, number: int, suspects: NDArray[np.bool_]) -> NDArray[np.float32]:
    """A frame's samples (H, W), ADU, without the suspect ones."""
    codes = scratch.get(lights.cache, number, scratch.whole(lights.cache))
    return scratch.decode(codes, lights.cache.coding, without=suspects)


def _sensors(
    lights: Lights, frames: Sequence[Frame], desk: Desk
) -> tuple[NDArray[np.bool_], dict[int | None, SensorNoise]]:
    """Suspect sites (H, W), and the noise at each ISO, that of most of the frames first."""
    numbers = lights.numbers
    desk.tell("Finding hot pixels", 0, 1)
    suspects = find_defects(lights.cache, numbers, desk.pool)
    desk.tell("Finding hot pixels", 1, 1)

    def plain(number: int) -> NDArray[np.float32]:
        clean = _clean(lights, number, suspects)
        return calibrate.unmultiplied(clean, lights.mosaic, lights.correction)

    sensors = {}
    for iso, own in by_setting(numbers, frames).items():
        profile = frames[own[0]].metadata.noise_profile
        sensors[iso] = sensor_noise(plain, spread_pairs(own), own[0], lights.mosaic, profile)
    return suspects, sensors
