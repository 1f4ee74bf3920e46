"""The noise of a session's sensor: measured from the frames, or from the file's noise profile."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from stackkit.arrays import Plane
from stackkit.calibration import apply
from stackkit.noise.photon_transfer import (
    Noise,
    NoiseMeasurement,
    looks_denoised,
    photon_transfer,
    photon_transfer_alone,
    profile_noise,
    reconcile,
)
from stackkit.raw.decode import Mosaic
from stackkit.session.grouping import Frame

_PAIRS = 3
"""Pairs of frames, spread over the session, that the noise is measured from."""
_ENOUGH = 150_000
"""Pixels needed to detect smoothing."""


@dataclass(frozen=True)
class SensorNoise:
    """The model used, where it comes from (``words``), the measurement (None if there is none), and
    whether the raws were smoothed before they were written.
    """

    noise: Noise
    words: str
    measured: NoiseMeasurement | None
    denoised: bool


def spread_pairs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """A few pairs of frames that follow each other, spread over the session; none of one frame."""
    last = len(numbers) - 2
    if last < 0:
        return []
    starts = np.unique(np.linspace(0, last, min(_PAIRS, (last + 2) // 2)).round().astype(int))
    return [(numbers[k], numbers[k + 1]) for k in starts]


def by_setting(numbers: Sequence[int], frames: Sequence[Frame]) -> dict[int | None, list[int]]:
    """The frames' numbers by ISO, the commonest first: of each those of its commonest exposure."""
    groups: dict[int | None, dict[float | None, list[int]]] = {}
    for number in numbers:
        seen = frames[number].metadata
        groups.setdefault(seen.iso, {}).setdefault(seen.exposure, []).append(number)
    order = sorted(groups, key=lambda iso: -sum(map(len, groups[iso].values())))
    return {iso: max(groups[iso].values(), key=len) for iso in order}


def sensor_noise(
    plain: Callable[[int], Plane],
    pairs: Sequence[tuple[int, int]],
    alone: int,
    head: Mosaic,
    profile: Sequence[tuple[float, float]] | None,
    each: Callable[..., Iterable[Any]] = map,
) -> SensorNoise:
    """Noise of frames of one setting, measured from ``pairs`` of them, or from the one ``alone``.

    ``plain`` gives a frame's samples (H, W) in ADU above black, not multiplied by flat or shading;
    ``head`` gives their levels; ``profile`` is the DNG's NoiseProfile;
    ``each`` maps over the pairs, maybe in parallel.
    """
    clip = apply.clip_level(head)
    planes = list(each(lambda pair: (plain(pair[0]), plain(pair[1])), pairs))
    if pairs:
        measured = photon_transfer(planes, clip, each)
    else:
        measured = photon_transfer_alone(plain(alone), clip)
    said = profile_noise(profile, apply.span(head)) if profile else None
    noise, words = reconcile(measured, said)
    # In a single frame or small ones, smoothing cannot be distinguished from stars.
    enough = bool(pairs) and planes[0][0].size >= _ENOUGH
    denoised = enough and measured is not None and looks_denoised(measured)
    return SensorNoise(noise, words, measured, denoised)
