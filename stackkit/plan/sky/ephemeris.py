"""Where Sun, Moon and stars are in the sky of a place, for many moments at once.

Moments are seconds since 1970, UTC, float64 (N,).  Directions are unit vectors (N, 3) as east,
north, up, without refraction.

Uses the IAU's SOFA routines (through pyerfa; no file is read): the Earth by ``epv00``, the
Moon by ``moon98`` (ELP 2000-82, abridged by Meeus; about 10″), precession and nutation IAU 2000B.
UT1 is taken as UTC, within 0.9 s of which leap seconds keep it; terrestrial time uses the leap
seconds known to pyerfa, after the last of them by the same offset.  Polar motion (0.3″) and the
aberration of stars (20″) are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import erfa
import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array
from stackkit.plan.sky.places import Place

FIRST_YEAR, LAST_YEAR = 1973, 2099
"""Leap seconds began in 1972; ``epv00`` is for 1900 to 2100."""
MOON_RADIUS = 1737.4
"""km (IAU 2015)."""
_UNIX = 2440587.5
"""Julian date of 1970-01-01 0h."""
_DAY = 86400.0
_AU = 149597870.7
_LIGHT = 173.144632674
"""Speed of light, AU a day (IAU 2012)."""
_TT = 32.184
"""Terrestrial time minus atomic time, seconds (IAU 1991)."""


@dataclass(frozen=True)
class Body:
    """``direction`` (N, 3) as seen from the place; ``distance`` (N,) from it, km."""

    direction: Array
    distance: Array

    @property
    def sine(self) -> Array:
        """Sine of the altitude."""
        return self.direction[:, 2]


@dataclass(frozen=True)
class Moonlight:
    """``phase_angle`` (N,) Sun, Moon, Earth's centre, rad, 0 at full; ``lit`` share; ``waxing``."""

    phase_angle: Array
    lit: Array
    waxing: NDArray[np.bool_]


def sun(place: Place, moments: Array) -> Body:
    """The Sun's apparent direction."""
    vector = _sun(moments) * _AU
    return _seen(place, moments, vector)


def moon(place: Place, moments: Array) -> Body:
    """The Moon's direction as seen from the place: its parallax is up to a degree."""
    return _seen(place, moments, _moon(moments))


def stars(place: Place, moments: Array, right_ascension: Any, declination: Any) -> Array:
    """Directions (N, 3) of these ICRS coordinates, rad: one position, or N of them."""
    fixed = _unit(np.asarray(right_ascension), np.asarray(declination))
    fixed = np.broadcast_to(fixed, (len(moments), 3))
    return _apply(_horizon(place) @ _turned(moments), fixed)


def sidereal_time(place: Place, moment: float) -> float:
    """Local apparent sidereal time, rad: the right ascension (of date) on the meridian."""
    ut1, _ = _julian(np.array([moment]))
    return float((erfa.gst00b(*ut1) + np.radians(place.longitude))[0] % (2 * np.pi))


def moonlight(moments: Array) -> Moonlight:
    """How the Moon is lit, as seen from the Earth's centre, as in almanacs.

    The lit share is (1 + cos i) / 2 of the phase angle i (Meeus, *Astronomical Algorithms*,
    chapter 48).
    """
    sun_to, moon_to = _sun(moments) * _AU, _moon(moments)
    back = sun_to - moon_to
    cosine = -np.sum(back * moon_to, axis=1) / (_length(back) * _length(moon_to))
    # Waxing: the Moon is east of the Sun along the ecliptic.
    matrix = erfa.ecm06(*_julian(moments)[1])
    moon_on, sun_on = (_apply(matrix, vector) for vector in (moon_to, sun_to))
    ahead = np.arctan2(moon_on[:, 1], moon_on[:, 0]) - np.arctan2(sun_on[:, 1], sun_on[:, 0])
    angle = np.arccos(np.clip(cosine, -1, 1))
    return Moonlight(angle, (1 + cosine) / 2, np.sin(ahead) > 0)


def altitude(direction: Array) -> Array:
    """Degrees above the horizon (…,)."""
    return np.asarray(np.degrees(np.arcsin(np.clip(direction[..., 2], -1, 1))))


def azimuth(direction: Array) -> Array:
    """Degrees (…,) from north through east, 0 to 360."""
    return np.asarray(np.degrees(np.arctan2(direction[..., 0], direction[..., 1])) % 360)


def separation(one: Array, other: Array) -> Array:
    """Degrees (…,) between directions."""
    cross = _length(np.cross(one, other))
    return np.asarray(np.degrees(np.arctan2(cross, np.sum(one * other, axis=-1))))


def _julian(moments: Array) -> tuple[tuple[Any, Any], tuple[Any, Any]]:
    """UT1 and TT as Julian dates in two parts."""
    days = np.floor(moments / _DAY)
    share = (moments - days * _DAY) / _DAY
    known, offsets = _leap_seconds()
    ahead = offsets[np.clip(np.searchsorted(known, moments, side="right") - 1, 0, None)] + _TT
    return (_UNIX + days, share), (_UNIX + days, share + ahead / _DAY)


@cache
def _leap_seconds() -> tuple[Array, Array]:
    """Moments at which TAI - UTC changes, and its value in seconds from then on."""
    table = erfa.leap_seconds.get()
    start = [(np.datetime64(f"{row['year']:04d}-{row['month']:02d}", "s")) for row in table]
    return np.array(start).astype(np.float64), table["tai_utc"].astype(np.float64)


def _sun(moments: Array) -> Array:
    """Apparent geocentric Sun (N, 3), AU, ICRS axes: aberration moves it 20″."""
    helio, bary = erfa.epv00(*_julian(moments)[1])
    vector = -helio["p"]
    return np.asarray(vector + bary["v"] / _LIGHT * _length(vector)[:, None])


def _moon(moments: Array) -> Array:
    """Geocentric Moon (N, 3), km, ICRS axes."""
    return np.asarray(erfa.moon98(*_julian(moments)[1])["p"] * _AU)


def _turned(moments: Array) -> Array:
    """Matrices (N, 3, 3) from ICRS axes to those of the rotating Earth."""
    ut1, tt = _julian(moments)
    return np.asarray(erfa.rz(erfa.gst00b(*ut1), erfa.pnm00b(*tt)))


def _horizon(place: Place) -> Array:
    """Matrix (3, 3) from the Earth's axes to east, north, up."""
    lat, lon = np.radians([place.latitude, place.longitude])
    up = _unit(lon, lat)
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    return np.stack([east, np.cross(up, east), up])


def _seen(place: Place, moments: Array, vector: Array) -> Body:
    """A body at the geocentric ``vector`` (N, 3), km, as seen from the place."""
    lat, lon = np.radians([place.latitude, place.longitude])
    here = erfa.gd2gc(erfa.WGS84, lon, lat, place.height) / 1000
    seen = (_apply(_turned(moments), vector) - here) @ _horizon(place).T
    distance = _length(seen)
    return Body(np.asarray(seen / distance[:, None]), distance)


def _apply(matrices: Array, vectors: Array) -> Array:
    return np.asarray(np.einsum("nij,nj->ni", matrices, vectors))


def _length(vectors: Array) -> Array:
    return np.asarray(np.sqrt(np.sum(vectors * vectors, axis=-1)))


def _unit(longitude: Any, latitude: Any) -> Array:
    across = np.cos(latitude)
    return np.stack(
        [across * np.cos(longitude), across * np.sin(longitude), np.sin(latitude)], axis=-1
    )
