"""The noise of a session's sensor: from the frames, or from what the file says of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackkit import calibrate
from stackkit.intake import Lights
from stackkit.noise import (
    Noise,
    NoiseMeasurement,
    looks_denoised,
    photon_transfer,
    photon_transfer_alone,
    profile_noise,
    reconcile,
)

Plane = NDArray[np.float32]

_PAIRS = 3
"""Pairs of frames, spread over the session, that the noise is measured from."""
_ENOUGH = 150_000
"""Pixels from which on smoothing can be told."""


@dataclass(frozen=True)
class SensorNoise:
    """The model to go by, where it comes from (``words``), what was measured (None if nothing), and
    whether the raws were smoothed before they were written.
    """

    noise: Noise
    words: str
    measured: NoiseMeasurement | None
    denoised: bool


def sensor_noise(
    lights: Lights,
    clean: Callable[[int], Plane],
    profile: Sequence[tuple[float, float]] | None,
) -> SensorNoise:
    """Noise of the lights; ``clean`` gives a light's calibrated samples by its number."""

    def plain(number: int) -> Plane:
        return calibrate.unmultiplied(clean(number), lights.mosaic, lights.correction)

    numbers = lights.numbers
    clip = calibrate.clip_level(lights.mosaic)
    if len(numbers) > 1:
        last = len(numbers) - 2
        starts = np.unique(np.linspace(0, last, min(_PAIRS, (last + 2) // 2)).round().astype(int))
        pairs = [(plain(numbers[k]), plain(numbers[k + 1])) for k in starts]
        measured = photon_transfer(pairs, clip)
    else:
        measured = photon_transfer_alone(plain(numbers[0]), clip)
    span = float(lights.mosaic.white - lights.mosaic.black.max())
    said = profile_noise(profile, span) if profile else None
    noise, words = reconcile(measured, said)
    # Neither a single frame nor small ones can tell smoothing from their stars.
    enough = len(numbers) > 1 and lights.size[0] * lights.size[1] >= _ENOUGH
    denoised = enough and measured is not None and looks_denoised(measured)
    return SensorNoise(noise, words, measured, denoised)
