"""Sun and Moon by skyfield with JPL's DE421: an engine of its own, with data of its own."""

from __future__ import annotations

import warnings
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache

import numpy as np
from skyfield import almanac
from skyfield.api import Loader, wgs84

from stackkit.plan.sky.places import Place

KINDS = ("sun", "civil", "nautical", "astronomical", "moon")
THRESHOLDS = {"sun": -50 / 60, "civil": -6.0, "nautical": -12.0, "astronomical": -18.0}


@lru_cache
def engine():
    """Ephemeris and time scale, from files that come with packages."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its Earth rotation table ends earlier than this year
        from skyfield_data import get_skyfield_data_path

        load = Loader(get_skyfield_data_path(), verbose=False)
        return load("de421.bsp"), load.timescale(builtin=True)


def instants(moments):
    """skyfield's times of moments (seconds since 1970)."""
    _, scale = engine()
    return scale.from_datetimes([datetime.fromtimestamp(float(m), UTC) for m in moments])


def altitudes(place, moments, name):
    """Degrees of "sun" or "moon" over the true horizon, azimuth, and distance in km."""
    ephemeris, _ = engine()
    observer = ephemeris["earth"] + wgs84.latlon(place.latitude, place.longitude, place.height)
    seen = observer.at(instants(moments)).observe(ephemeris[name]).apparent()
    altitude, azimuth, distance = seen.altaz()
    return altitude.degrees, azimuth.degrees, distance.km


def over(place, moments, name):
    """By how many degrees the Sun is above each threshold, or the Moon's limb above -34′."""
    if name == "moon":
        altitude, _, distance = altitudes(place, moments, "moon")
        return altitude + np.degrees(np.arcsin(1737.4 / distance)) + 34 / 60
    return altitudes(place, moments, "sun")[0] - THRESHOLDS[name]


def lit(moments):
    """Share of the Moon that is lit, seen from the Earth's centre."""
    ephemeris, _ = engine()
    return almanac.fraction_illuminated(ephemeris, "moon", instants(moments))


def somewhere(rng, least=0.0):
    """A random place, evenly over the globe, its latitude at least ``least`` degrees off zero."""
    latitude = 0.0
    while abs(latitude) < least or latitude == 0.0:
        latitude = float(np.degrees(np.arcsin(rng.uniform(-1, 1))))
    longitude = float(rng.uniform(-180, 180))
    return Place(latitude, longitude, float(rng.uniform(0, 3000)), UTC, "UTC")


def cases(seed, count, high):
    """Places and evenings from 2024 to 2034, ``high`` of them above 65° of latitude."""
    rng = np.random.default_rng(seed)
    for k in range(count):
        place = somewhere(rng, 65.0 if k < high else 0.0)
        yield place, date(2024, 1, 1) + timedelta(days=int(rng.integers(0, 4000)))
