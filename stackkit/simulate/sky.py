"""The sky: stars with magnitudes and colours, a band like the Milky Way, movers.

Star counts follow log N(<m) = 3.7 + 0.47 (m - 6) for the whole sky (about 5,000 stars to the
sixth magnitude: handbook figure, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from stackkit.arrays import Array
from stackkit.geometry.lens import Projection, project, unproject
from stackkit.simulate.night import (
    Night,
    apply,
    camera_matrix,
    frame_lens,
    generator,
    mid_time,
    refract,
    sky_matrix,
)


@dataclass(frozen=True)
class Catalogue:
    """Stars: direction (N, 3) at the session's start, rates (N, 3) in e⁻/s for R, G, B."""

    direction: Array
    magnitude: Array
    rate: Array


@dataclass(frozen=True)
class Mover:
    """One mover in one frame: end points in pixels, e⁻ per pixel of length (3,), width, strobes."""

    frame: int
    start: tuple[float, float]
    end: tuple[float, float]
    brightness: tuple[float, float, float]
    sigma: float
    strobes: tuple[tuple[float, float, float], ...] = ()


@lru_cache(maxsize=4)
def catalogue(night: Night) -> Catalogue:
    """The stars of all frames of the night, brightest first."""
    rng = generator(night, 1)
    middle = mid_time(night, night.frames // 2)
    axis = apply(sky_matrix(night, middle).T, camera_matrix(night, 0)[2:3])[0]
    field = _half_field(night)
    longest = max(middle, mid_time(night, night.frames - 1) - middle)
    drift = 7.3e-5 * longest + np.radians(night.bump_degrees)
    cap = min(1.25 * field + drift + 0.02, np.pi)
    share = (1 - np.cos(cap)) / 2
    total = 10 ** (3.7 + 0.47 * (night.faintest - 6)) * share * night.star_density
    count = int(rng.poisson(total))
    magnitude = np.sort(night.faintest + np.log10(1 - rng.random(count)) / 0.47)
    magnitude = np.maximum(magnitude, -1.0)
    cosine = 1 - rng.random(count) * (1 - np.cos(cap))
    angle = 2 * np.pi * rng.random(count)
    sine = np.sqrt(1 - cosine**2)
    helper = np.array([1.0, 0, 0]) if abs(axis[0]) < 0.8 else np.array([0, 1.0, 0])
    e1 = np.cross(axis, helper)
    e1 /= np.sqrt(np.sum(e1 * e1))
    e2 = np.cross(axis, e1)
    direction = (
        cosine[:, None] * axis
        + (sine * np.cos(angle))[:, None] * e1
        + (sine * np.sin(angle))[:, None] * e2
    )
    colour = np.clip(rng.normal(0.65, 0.45, count), -0.3, 1.8)
    flux = night.zero_rate * 10 ** (-0.4 * magnitude)
    bands = np.stack([10 ** (0.2 * (colour - 0.6)), np.ones(count), 10 ** (-0.3 * (colour - 0.6))])
    return Catalogue(direction, magnitude, (flux * bands).T * np.array(night.sensitivity))


def _half_field(night: Night) -> float:
    """Angle, rad, from the axis to the corners, by the lens's projection."""
    if night.projection == Projection.RECTILINEAR:
        return float(np.arctan(np.hypot(night.width, night.height) / 2 / night.focal))
    corner = unproject(frame_lens(night), [0.0, 0.0])
    if not np.isfinite(corner).all():  # the corners are outside the image circle
        return float(np.pi)
    return float(np.arccos(np.clip(corner[2], -1, 1)))


def pixels(night: Night, directions: Array, k: int, seconds: float) -> Array:
    """Pixels (N, 2) in frame k of star directions (N, 3) at a time since the session's start."""
    now = apply(sky_matrix(night, seconds), directions)
    if night.refraction:
        now = refract(now)
    return project(frame_lens(night, k), apply(camera_matrix(night, k), now))


def airmass(altitude: Array) -> Array:
    """Airmass, 1 at the zenith, for altitudes in degrees: Kasten & Young 1989."""
    above = np.maximum(altitude, 0.0)
    return np.asarray(
        1 / (np.sin(np.radians(above)) + 0.50572 * (above + 6.07995) ** -1.6364), dtype=np.float64
    )


def extinction(night: Night, directions: Array, seconds: float) -> Array:
    """Transmission (N,) of the air relative to that at the zenith."""
    up = apply(sky_matrix(night, seconds), directions)[:, 2]
    altitude = np.degrees(np.arcsin(np.clip(up, -1, 1)))
    return np.asarray(10 ** (-0.4 * night.extinction * (airmass(altitude) - 1)))


def glow(night: Night, k: int, local: Array) -> Array:
    """Sky brightness in e⁻/s per pixel, (N, 3), for camera directions ``local`` (N, 3) of frame k.

    Airglow and town light grow towards the horizon and to one side; the Milky Way moves with the
    stars and has structure down to about a degree.
    """
    axes = camera_matrix(night, k)
    horizontal = apply(axes.T, local)
    low = 1 - np.clip(horizontal[:, 2], 0, 1)
    side = 0.5 + 0.5 * horizontal[:, 0]
    base = night.sky_rate * (1 + night.sky_gradient * (1.5 * low**2 + 0.5 * side * low))
    fixed = apply(sky_matrix(night, mid_time(night, k)).T, horizontal)
    pole = np.array([0.8, 0.55, 0.2])
    pole /= np.sqrt(np.sum(pole * pole))
    across = fixed[:, 0] * pole[0] + fixed[:, 1] * pole[1] + fixed[:, 2] * pole[2]
    band = np.exp(-0.5 * (across / 0.12) ** 2)
    waves = generator(night, 2)
    texture = np.zeros(len(local))
    for scale in (9.0, 21.0, 47.0):
        wave = waves.normal(0, scale, 3)
        phase = waves.random() * 2 * np.pi
        texture += np.sin(
            fixed[:, 0] * wave[0] + fixed[:, 1] * wave[1] + fixed[:, 2] * wave[2] + phase
        )
    milky = night.milky_way * night.sky_rate * band * (1 + 0.25 * texture)
    tint = np.array([0.95, 1.0, 0.9])
    warm = np.array([1.05, 1.0, 0.85])
    sensitivity = np.array(night.sensitivity)
    return np.asarray((base[:, None] * tint + milky[:, None] * warm) * sensitivity)


@lru_cache(maxsize=4)
def trails(night: Night) -> tuple[Mover, ...]:
    """Satellites (one streak, one to three frames) and aircraft (coloured, with strobes)."""
    rng = generator(night, 3)
    found: list[Mover] = []
    for _ in range(night.satellites):
        found += _mover(night, rng, frames=int(rng.integers(1, 4)), speed=rng.uniform(12, 60))
    for _ in range(night.aircraft):
        found += _mover(night, rng, frames=3, speed=rng.uniform(15, 35), aircraft=True)
    return tuple(sorted(found, key=lambda trail: trail.frame))


def _mover(
    night: Night,
    rng: np.random.Generator,
    *,
    frames: int,
    speed: float,
    aircraft: bool = False,
) -> list[Mover]:
    first = int(rng.integers(0, max(night.frames - frames + 1, 1)))
    heading = rng.uniform(0, 2 * np.pi)
    step = np.array([np.cos(heading), np.sin(heading)]) * speed * night.focal / 1350
    size = np.array([night.width, night.height])
    middle = size * rng.uniform(0.25, 0.75, 2)
    sky = night.sky_rate * night.exposure
    level = sky * rng.uniform(1.2, 5.0) * (3 if aircraft else 1)
    tint = np.array([1.0, 0.75, 0.55] if aircraft else [0.9, 1.0, 0.95])
    colour = level * tint * np.array(night.sensitivity)
    sigma = float(night.psf_sigma * (1.5 if aircraft else 1.0))
    found = []
    for i in range(frames):
        offset = (i - (frames - 1) / 2) * night.cadence
        start = middle + step * (offset - night.exposure / 2)
        end = middle + step * (offset + night.exposure / 2)
        strobes = []
        if aircraft:
            for part in np.arange(0.1, night.exposure, 1.1) / night.exposure:
                x, y = start + (end - start) * part
                strobes.append((float(x), float(y), float(level * 60)))
        if first + i < night.frames:
            found.append(
                Mover(
                    first + i,
                    (float(start[0]), float(start[1])),
                    (float(end[0]), float(end[1])),
                    (float(colour[0]), float(colour[1]), float(colour[2])),
                    sigma,
                    tuple(strobes),
                )
            )
    return found
