"""Figures for the charts: altitudes through the night, and the sky with the picture's frame."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

import numpy as np

from stackkit.arrays import Array
from stackkit.geometry.lens import unproject
from stackkit.plan.camera import Camera
from stackkit.plan.exposure import Aim, axes
from stackkit.plan.planner import Plan
from stackkit.plan.sky import ephemeris as eph
from stackkit.plan.sky.events import moments
from stackkit.plan.targets import track
from stackkit.schemas.plan import CurvesRecord, DirectionRecord, SkyRecord

_STEP = 600.0
_SHOWN = 6
"""Targets whose tracks are drawn."""
_BORDER = 12
"""Points along each side of the frame."""


def curves(made: Plan) -> CurvesRecord:
    """Altitudes (degrees) of Sun, Moon and the best targets from solar noon to solar noon.

    Moments as ISO 8601 in the place's zone.
    """
    place, night = made.request.place, made.chosen.night
    at = moments(night.whole, _STEP)
    chosen = [made.pick, *(s for s in made.standings if s is not made.pick)] if made.pick else []
    shown = [s.target for s in chosen if s][:_SHOWN]
    return {
        "times": [place.clock(round(t)).isoformat() for t in at.tolist()],
        "sun": _rounded(eph.altitude(eph.sun(place, at).direction)),
        "moon": _rounded(eph.altitude(eph.moon(place, at).direction)),
        "targets": [
            {
                "id": target.id,
                "name": target.name,
                "altitude": _rounded(eph.altitude(track(place, at, target))),
            }
            for target in dict.fromkeys(shown)
        ],
    }


def sky_chart(made: Plan) -> SkyRecord | None:
    """The sky when the picked target is best placed: altitudes and azimuths, degrees.

    None without a pick.
    """
    if made.pick is None:
        return None
    place, moment = made.request.place, np.array([made.pick.best])
    ra, dec, mags, names = _stars()
    seen = eph.stars(place, np.full(len(ra), made.pick.best), ra, dec)
    up = seen[:, 2] > 0
    moon = eph.moon(place, moment).direction
    placed = {s.target.id: s.target for s in (made.pick, *made.standings)}
    shown = list(placed.values())[:_SHOWN]
    return {
        "time": place.clock(round(made.pick.best)).isoformat(),
        "stars": [
            {**_at(direction), "mag": mag, "name": name}
            for direction, mag, name, risen in zip(seen, mags, names, up, strict=True)
            if risen
        ],
        "moon": _at(moon[0]) if moon[0, 2] > 0 else None,
        "targets": [{"id": t.id, "name": t.name, **_at(track(place, moment, t)[0])} for t in shown],
        "frame": [_at(direction) for direction in border(made.camera, made.aim)],
    }


def border(camera: Camera, aim: Aim) -> Array:
    """Directions (N, 3), east, north, up, along the edge of the picture, once around.

    Points outside a fisheye's image circle are left out.
    """
    w, h = camera.size
    along = np.linspace(0, 1, _BORDER, endpoint=False)
    x = np.concatenate([along, np.ones(_BORDER), 1 - along, np.zeros(_BORDER)]) * w - 0.5
    y = np.concatenate([np.zeros(_BORDER), along, np.ones(_BORDER), 1 - along]) * h - 0.5
    rays = unproject(camera.lens, np.stack([x, y], axis=-1))
    return np.asarray(rays[np.isfinite(rays[:, 0])] @ axes(aim))


@cache
def _stars() -> tuple[Array, Array, list[float], list[str]]:
    """The bundled bright stars: right ascension, declination (rad), magnitude, name."""
    text = files("stackkit.plan").joinpath("stars.json").read_text(encoding="utf-8")
    rows = json.loads(text)["stars"]
    ra, dec = np.radians(np.array([row[1:3] for row in rows], dtype=np.float64)).T
    return ra, dec, [row[3] for row in rows], [row[4] for row in rows]


def _at(direction: Array) -> DirectionRecord:
    return {
        "altitude_deg": round(float(eph.altitude(direction)), 2),
        "azimuth_deg": round(float(eph.azimuth(direction)), 2),
    }


def _rounded(values: Array) -> list[float]:
    return [round(float(value), 2) for value in values]
