"""One night over a place: twilights, the Moon, and when it is dark.

A night lasts from one mean solar noon of the place to the next, whatever the clock time, and is
named by the date of its evening there.  Conventions: the Sun rises and sets when its centre is 50′
below the true horizon (34′ of refraction and 16′ of its own radius), the Moon when its upper limb
is, 34′ below, by its true size; twilights end when the Sun's centre is 6, 12 and 18° below,
without refraction (Explanatory Supplement; common practice).  The height of the place is not used
to lower the horizon, since hills around may raise it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np

from stackkit.arrays import Array
from stackkit.plan.sky import ephemeris as eph
from stackkit.plan.sky.events import (
    Span,
    below,
    common,
    hours,
    joined,
    longest,
    lowest,
    moments,
    nodes,
    outside,
)
from stackkit.plan.sky.moonlight import EXTINCTION, moonlit_nanolamberts, nanolamberts
from stackkit.plan.sky.places import Place
from stackkit.schemas.nights import WindowKind

DEPRESSIONS = {"sun": 50 / 60, "civil": 6.0, "nautical": 12.0, "astronomical": 18.0}
"""Degrees of the Sun's centre below the horizon at sunset and at the end of each twilight."""
LITTLE_MOON = 0.3
"""Lit share of the Moon below which it hardly disturbs (common practice)."""
_LEAST = 0.25
"""The least time in hours for a series of frames."""
_REFRACTION = np.radians(34 / 60)
DAY = 86400.0
_STEP = 600.0
"""Seconds between the moments at which the sky's brightness is evaluated."""
_HIGH = (35.0, 60.0)
"""Altitudes, degrees, of the two rings where the sky's brightness is evaluated."""


@dataclass(frozen=True)
class Night:
    """Facts of a night; all spans lie within ``whole``; those at its ends may continue beyond it.

    ``under``: when the Sun is below each of :data:`DEPRESSIONS`; ``moon_up``; ``lit`` share,
    ``waxing`` and ``phase_angle`` (degrees) of the Moon at ``middle``, the Sun's lowest;
    ``lowest``: its altitude then, degrees.
    """

    date: date
    whole: Span
    middle: float
    lowest: float
    under: dict[str, list[Span]]
    moon_up: list[Span]
    lit: float
    waxing: bool
    phase_angle: float

    @property
    def dark(self) -> list[Span]:
        """The dark window: Sun below -18°, and the Moon down or under 30 % lit."""
        astronomical = self.under["astronomical"]
        if self.lit < LITTLE_MOON:
            return astronomical
        return common(astronomical, outside(self.moon_up, self.whole))

    @property
    def best(self) -> tuple[WindowKind, Span] | None:
        """The longest span of the darkest kind available, if any is long enough."""
        kinds: dict[WindowKind, Sequence[Span]] = {
            "dark": self.dark,
            "astronomical": self.under["astronomical"],
            "nautical": self.under["nautical"],
        }
        for name, spans in kinds.items():
            span = longest(spans)
            if span and hours([span]) >= _LEAST:
                return name, span
        return None


def solar_noon(place: Place, evening: date) -> float:
    """Mean solar noon at which the night of that evening begins, seconds since 1970, UTC."""
    wall = datetime(evening.year, evening.month, evening.day, 12, tzinfo=place.zone).timestamp()
    noon = datetime(evening.year, evening.month, evening.day, 12, tzinfo=UTC).timestamp()
    noon -= place.longitude / 15 * 3600
    return noon + DAY * round((wall - noon) / DAY)


def evening_of(place: Place, moment: float) -> date:
    """The date of the night that a moment belongs to."""
    day = place.clock(moment).date()
    return next(
        evening
        for evening in (day + timedelta(days=k) for k in (1, 0, -1, -2))
        if solar_noon(place, evening) <= moment
    )


def nights(place: Place, first: date, count: int) -> list[Night]:
    """``count`` nights from the evening ``first`` on."""
    dates = [first + timedelta(days=k) for k in range(count)]
    wholes = [(start := solar_noon(place, day), start + DAY) for day in dates]
    at = np.concatenate([nodes(whole) for whole in wholes])
    sun, moon = eph.sun(place, at), eph.moon(place, at)
    sines = sun.sine.reshape(count, -1)
    radius = np.arcsin(eph.MOON_RADIUS / moon.distance)
    # Sines, not angles: an altitude has a kink where the body passes the zenith.
    over = (moon.sine + np.sin(radius + _REFRACTION)).reshape(count, -1)
    found = []
    for day, whole, sun_sine, moon_over in zip(dates, wholes, sines, over, strict=True):
        under = {
            name: below(sun_sine + np.sin(np.radians(angle)), whole)
            for name, angle in DEPRESSIONS.items()
        }
        middle, depth = lowest(sun_sine, whole)
        light = eph.moonlight(np.array([middle]))
        found.append(
            Night(
                date=day,
                whole=whole,
                middle=middle,
                lowest=float(np.degrees(np.arcsin(depth))),
                under=under,
                moon_up=outside(below(moon_over, whole), whole),
                lit=float(light.lit[0]),
                waxing=bool(light.waxing[0]),
                phase_angle=float(np.degrees(light.phase_angle[0])),
            )
        )
    return found


def moonless_hours(place: Place, spans: Sequence[Span], sky: float) -> float:
    """The equivalent hours of moonless sky, for faint objects.

    Against a background B the time for a given signal to noise grows with B, so an hour under
    moonlight counts B₀ / (B₀ + B); B is the median over the sky above 30°.
    """
    total = 0.0
    for span in joined(spans):
        at = moments(span, _STEP)
        share = nanolamberts(sky) / (nanolamberts(sky) + sky_moonlight(place, at))
        total += float(np.trapezoid(share, at)) / 3600
    return total


def sky_moonlight(place: Place, at: Array, sky: Array | None = None) -> Array:
    """Nanolamberts (N,) that the Moon adds at directions ``sky`` (N, 3), by default the median of
    the sky above 30°.
    """
    moon = eph.moon(place, at).direction
    phase = np.degrees(eph.moonlight(at).phase_angle)
    if sky is not None:
        return _added(phase, moon, sky)
    ring = np.radians(np.arange(0, 360, 45.0))
    high = [np.radians(angle) for angle in _HIGH]
    directions = [
        np.array([np.cos(h) * np.sin(az), np.cos(h) * np.cos(az), np.sin(h)])
        for h in high
        for az in ring
    ]
    each = [_added(phase, moon, np.broadcast_to(d, moon.shape)) for d in directions]
    return np.asarray(np.median(each, axis=0))


def _added(phase: Array, moon: Array, sky: Array) -> Array:
    return moonlit_nanolamberts(
        phase,
        eph.separation(moon, sky),
        90 - eph.altitude(moon),
        90 - eph.altitude(sky),
        EXTINCTION,
    )
