"""The parameters of a simulated night, and where the camera points in each frame.

The sky is described in the place's horizontal axes (east, north, up) at the time of the first
frame.  Stars rotate about the celestial pole at the sidereal rate (86164.0905 s per turn, IAU),
are lifted by refraction (Saemundsson 1986) and projected by the lens onto the sensor.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import numpy as np

from stackkit.arrays import Array
from stackkit.geometry.lens import SIDEREAL, Lens, Projection, reaching
from stackkit.geometry.rotation import rotation
from stackkit.simulate.mishaps import Mishap, MishapKind


@dataclass(frozen=True)
class Night:
    """All parameters of a simulated session; the defaults are a wide phone lens at 45°."""

    seed: int = 1
    frames: int = 24
    width: int = 2000
    height: int = 1500
    # lens: pixels, dimensionless
    focal: float = 1350.0
    k1: float = -0.06
    k2: float = 0.02
    projection: Projection = Projection.RECTILINEAR
    psf_sigma: float = 0.8
    vignetting: float = 0.4
    # pointing, degrees
    latitude: float = 47.0
    altitude: float = 45.0
    azimuth: float = 150.0
    roll: float = 0.0
    refraction: bool = True
    # time, seconds
    exposure: float = 8.0
    cadence: float = 20.0
    start: datetime = datetime(2026, 10, 13, 20, 41, 7, 250000, tzinfo=UTC)
    clock_noise: float = 0.0
    with_times: bool = True
    # sensor: electrons per code, electrons, codes
    gain: float = 1.6
    read_noise: float = 2.2
    black: float = 256.0
    white: int = 4095
    pattern: str = "RGGB"
    sensitivity: tuple[float, float, float] = (0.52, 1.0, 0.66)
    hot_fraction: float = 4e-4
    iso: int = 3200
    # sensor faults: shares of sites, electrons (σ), share of the light (σ), warmth as a factor
    flicker_share: float = 0.0  # of the hot pixels, hot in half of the frames only
    dead_fraction: float = 0.0
    bad_columns: int = 0
    dark_pattern: float = 0.0  # e⁻ per exposure, differs from site to site, grows with warmth
    column_pattern: float = 0.0  # e⁻, the same in every frame
    row_noise: float = 0.0  # e⁻, new in every frame
    amp_glow: float = 0.0  # e⁻/s in the brightest corner
    warmth: float = 1.0
    light_pattern: float = 0.0
    shading_map: bool = False  # the files have GainMaps that correct the vignetting
    orientation: int = 1
    # sky: electrons per second
    zero_rate: float = 3.0e4
    sky_rate: float = 6.0
    sky_gradient: float = 0.5
    milky_way: float = 0.5
    star_density: float = 1.0
    faintest: float = 10.5
    extinction: float = 0.0  # magnitudes per airmass beyond the first airmass
    # what goes wrong
    satellites: int = 3
    aircraft: int = 1
    foreground: bool = False
    wind: float = 0.0
    bump_frame: int = 0
    bump_degrees: float = 0.0
    sag: float = 0.0  # degrees per hour by which the tripod head sinks
    portrait_frame: int = 0  # from here on the camera is held upright
    refocus_frame: int = 0
    refocus_scale: float = 1.0
    pause_frame: int = 0  # there is a pause before this frame
    pause: float = 0.0  # seconds
    clear: tuple[float, ...] = ()
    defocus: tuple[float, ...] = ()
    mishaps: tuple[Mishap, ...] = ()


def generator(night: Night, *key: int) -> np.random.Generator:
    """An independent stream of random numbers for one purpose of one night."""
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([night.seed, *key])))


def frame_lens(night: Night, k: int = 0) -> Lens:
    """The true lens of frame k: its focal length changes when it is refocused."""
    turned = bool(night.refocus_frame) and k >= night.refocus_frame
    focal = night.focal * (night.refocus_scale if turned else 1.0)
    x, y = (night.width - 1) / 2, (night.height - 1) / 2
    lens = Lens(focal, x, y, night.k1, night.k2, projection=night.projection)
    return reaching(lens, night.width, night.height, margin=1.3)


@lru_cache(maxsize=8)
def _shake(night: Night) -> Array:
    """Small rotation vectors (frames, 3): wind, a sinking head, and a bump from one frame on."""
    rng = generator(night, 10)
    vectors = rng.normal(0, 1, (night.frames, 3)) * night.wind / night.focal
    vectors[:, 2] *= 0.3
    vectors[:, 0] += np.radians(night.sag / 3600) * np.array(
        [begin(night, k) for k in range(night.frames)]
    )
    if night.bump_degrees and night.bump_frame:
        bump = rng.normal(0, 1, 3)
        bump *= np.radians(night.bump_degrees) / np.sqrt(np.sum(bump * bump))
        vectors[night.bump_frame :] += bump
    return vectors


def camera_matrix(night: Night, k: int) -> Array:
    """Rows are the camera's axes (x right, y down, z forward) in east, north, up for frame k."""
    az, alt, roll = np.radians([night.azimuth, night.altitude, night.roll])
    z = np.array([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])
    x = np.array([np.cos(az), -np.sin(az), 0.0])
    y = np.cross(z, x)
    if night.portrait_frame and k >= night.portrait_frame:
        roll += np.pi / 2
    still = np.array([x * np.cos(roll) + y * np.sin(roll), y * np.cos(roll) - x * np.sin(roll), z])
    return _product(rotation(_shake(night)[k]), still)


def exposure_of(night: Night, k: int) -> float:
    """Exposure of frame k, seconds."""
    return night.exposure * _factor(night, k, MishapKind.EXPOSURE)


def iso_of(night: Night, k: int) -> int:
    """ISO of frame k."""
    return round(night.iso * _factor(night, k, MishapKind.ISO))


def _factor(night: Night, k: int, kind: MishapKind) -> float:
    """Factor between a setting of frame k and the night's."""
    own = [m.strength for m in night.mishaps if m.kind is kind and m.first <= k <= m.last]
    return own[-1] if own else 1.0


def mid_time(night: Night, k: int) -> float:
    """Seconds from the start of the session to the middle of exposure k."""
    return begin(night, k) + exposure_of(night, k) / 2


def begin(night: Night, k: int) -> float:
    """Seconds from the start of the session to the start of exposure k."""
    late = night.pause if night.pause_frame and k >= night.pause_frame else 0.0
    return k * night.cadence + late


def sky_matrix(night: Night, seconds: float) -> Array:
    """The matrix from star directions at the session's start to those ``seconds`` later."""
    lat = np.radians(night.latitude)
    pole = np.array([0.0, np.cos(lat), np.sin(lat)])
    return rotation(-SIDEREAL * seconds * pole)


def refract(directions: Array) -> Array:
    """Apparent directions (N, 3) of true ones: Saemundsson's formula (Meeus, chapter 16)."""
    horizontal = np.sqrt(directions[:, 0] ** 2 + directions[:, 1] ** 2)
    altitude = np.degrees(np.arctan2(directions[:, 2], horizontal))
    low = np.maximum(altitude, -1.0)
    lift = 1.02 / np.tan(np.radians(low + 10.3 / (low + 5.11))) / 60
    apparent = np.radians(altitude + np.where(altitude > -1, np.maximum(lift, 0), 0))
    scale = np.cos(apparent) / np.maximum(horizontal, 1e-12)
    return np.stack([directions[:, 0] * scale, directions[:, 1] * scale, np.sin(apparent)], axis=1)


def frame_matrix(night: Night, k: int, reference: int) -> Array:
    """Rotation from the reference frame's camera axes to frame k's, without refraction."""
    turn = _product(
        sky_matrix(night, mid_time(night, k)), sky_matrix(night, mid_time(night, reference)).T
    )
    return _product(_product(camera_matrix(night, k), turn), camera_matrix(night, reference).T)


def times(night: Night) -> list[datetime]:
    """The times the camera writes: start of each exposure, with the clock's noise."""
    noise = generator(night, 11).normal(0, 1, night.frames) * night.clock_noise
    return [
        night.start + timedelta(seconds=round(begin(night, k) + float(noise[k]), 3))
        for k in range(night.frames)
    ]


def apply(matrix: Array, directions: Array) -> Array:
    """The product matrix · direction for directions (N, 3), in a fixed order of additions.

    Not with BLAS, whose last digit differs between processors: files must be reproducible.
    """
    x, y, z = directions[:, 0], directions[:, 1], directions[:, 2]
    return np.stack([m[0] * x + m[1] * y + m[2] * z for m in matrix], axis=1)


def _product(a: Array, b: Array) -> Array:
    return apply(a, b.T).T
