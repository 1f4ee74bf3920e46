"""How long until stars trail: from the lens's projection, compared with the usual rules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stackkit.arrays import Array
from stackkit.geometry.lens import SIDEREAL, project, unproject
from stackkit.geometry.rotation import rotation
from stackkit.plan.camera import Camera

TRAIL = 2.0
"""Length in px of a trail that is hardly visible: about a star's width (common practice)."""
LONGEST = 30.0
"""The longest exposure in seconds that cameras can be set to (common practice)."""
_ACROSS = 9
"""Points along each side of the picture at which the trail is computed."""
_STEPS = 8
"""Parts of the exposure during which a star is taken to move in a straight line."""


@dataclass(frozen=True)
class Aim:
    """Where the level camera points, degrees; ``latitude`` of the place."""

    altitude: float
    azimuth: float
    latitude: float

    @property
    def declination(self) -> float:
        """Declination of the middle of the picture, degrees."""
        return float(np.degrees(np.arcsin(np.clip(axes(self)[2] @ pole(self.latitude), -1, 1))))


@dataclass(frozen=True)
class Rule:
    """A rule of thumb: the seconds it allows, and the length in px of trails then, in the middle of
    the picture and where stars move fastest.
    """

    name: str
    formula: str
    seconds: float
    middle_px: float
    fastest_px: float


@dataclass(frozen=True)
class Limit:
    """By geometry: ``seconds`` until the fastest star of the picture trails by ``allowed`` px,
    ``middle_seconds`` for the one in the middle; ``rates`` px/s of the fastest, the middle's and
    the slowest; ``exposure`` to set.
    """

    allowed: float
    seconds: float
    middle_seconds: float
    rates: tuple[float, float, float]
    exposure: float
    rules: tuple[Rule, ...]


def pole(latitude: float) -> Array:
    """Direction (3,) of the celestial north pole, east, north, up."""
    lat = np.radians(latitude)
    return np.array([0.0, np.cos(lat), np.sin(lat)])


def axes(aim: Aim) -> Array:
    """Rows are the camera's axes (x right, y down, z forward) in east, north, up."""
    az, alt = np.radians([aim.azimuth, aim.altitude])
    z = np.array([np.cos(alt) * np.sin(az), np.cos(alt) * np.cos(az), np.sin(alt)])
    x = np.array([np.cos(az), -np.sin(az), 0.0])
    return np.stack([x, np.cross(z, x), z])


def moved(camera: Camera, aim: Aim, xy: Array, seconds: Array) -> Array:
    """Pixels (T, N, 2) of the stars at ``xy`` (N, 2) after ``seconds`` (T,).

    NaN behind the camera.
    """
    rays = unproject(camera.lens, xy) @ axes(aim)
    turns = rotation(-SIDEREAL * np.asarray(seconds)[:, None] * pole(aim.latitude))
    seen = np.einsum("ij,tjk,nk->tni", axes(aim), turns, rays)
    return project(camera.lens, seen)


def trails(camera: Camera, aim: Aim, seconds: float) -> Array:
    """Length in px (9, 9) of star trails over the picture, corners and middle included."""
    w, h = camera.size
    grid = np.meshgrid(np.linspace(0, w - 1, _ACROSS), np.linspace(0, h - 1, _ACROSS))
    xy = np.stack(grid, axis=-1).reshape(-1, 2)
    path = moved(camera, aim, xy, np.linspace(-seconds / 2, seconds / 2, _STEPS + 1))
    steps = np.diff(path, axis=0)
    return np.asarray(np.hypot(steps[..., 0], steps[..., 1]).sum(axis=0).reshape(_ACROSS, _ACROSS))


def limit(camera: Camera, aim: Aim, allowed: float = TRAIL) -> Limit:
    """The longest exposure for trails of ``allowed`` px, compared with the rules of thumb."""
    middle = _ACROSS // 2
    rate = trails(camera, aim, 1.0)
    fastest, slowest = float(np.nanmax(rate)), float(np.nanmin(rate))
    seconds = _until(camera, aim, allowed, allowed / fastest)
    compared = []
    for name, formula, value in rules(camera, aim.declination):
        drawn = trails(camera, aim, value)
        compared.append(
            Rule(name, formula, value, float(drawn[middle, middle]), float(np.nanmax(drawn)))
        )
    own = float(rate[middle, middle])
    return Limit(
        allowed=allowed,
        seconds=seconds,
        middle_seconds=allowed / own if own > 0 else np.inf,
        rates=(fastest, own, slowest),
        exposure=nice(min(seconds, LONGEST)),
        rules=tuple(compared),
    )


def _until(camera: Camera, aim: Aim, allowed: float, guess: float) -> float:
    """Seconds at which the longest trail is ``allowed``; trails grow almost evenly."""
    guess = min(guess, 3600.0)
    for _ in range(3):
        longest = float(np.nanmax(trails(camera, aim, guess)))
        guess = min(guess * allowed / longest, 3600.0)
    return guess


def rules(camera: Camera, declination: float) -> list[tuple[str, str, float]]:
    """Rules of thumb: name, formula, seconds.

    The first is common practice; the NPF rule, short and full, was published by F. Michaud (Société
    astronomique du Havre; source and formulae from memory): N the f-number, p the pixels' distance
    in µm, f in mm.
    """
    f, n, p = camera.focal_mm, camera.f_number, camera.pitch
    cosine = max(float(np.cos(np.radians(declination))), 0.05)
    full = (16.9 * n + 0.1 * f + 13.7 * p) / (f * cosine)
    return [
        ("500 rule", "500 / f as on 36 × 24 mm", 500 / camera.focal_35mm),
        ("NPF rule, short", "(35 N + 30 p) / f", (35 * n + 30 * p) / f),
        ("NPF rule, full", "(16.9 N + 0.1 f + 13.7 p) / (f cos δ)", full),
    ]


def nice(seconds: float) -> float:
    """The next shorter exposure that cameras can be set to: thirds of a stop, nominal values."""
    named = (30, 25, 20, 15, 13, 10, 8, 6, 5, 4, 3.2, 2.5, 2, 1.6, 1.3, 1, 0.8, 0.6, 0.5, 0.4, 0.3)
    quick = (4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125)
    steps = (*named, *(1 / k for k in quick))
    return next((float(s) for s in steps if s <= seconds * 1.0001), 1 / 125)
