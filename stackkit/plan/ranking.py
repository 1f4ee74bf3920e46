"""The coming nights ranked, with the reason for each rank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from stackkit.plan.sky import ephemeris as eph
from stackkit.plan.sky.events import Span, common, hours, nodes
from stackkit.plan.sky.night import DAY, DEPRESSIONS, LITTLE_MOON, Night, moonless_hours, solar_noon
from stackkit.plan.sky.places import Place, minute
from stackkit.plan.targets import Target, high
from stackkit.schemas.nights import NightVerdict

_GOOD = 2.0
"""Hours of dark window that make a night good: a series takes a quarter of an hour, and
finding, focusing and trying take the rest.
"""
_LEAST = 0.25
_ENOUGH = 4.0
"""Hours beyond which more are no better."""
_YEAR = 400
"""Days ahead searched for a dark night: a little more than a year."""
_AT_ONCE = 50
"""Days computed together."""


@dataclass(frozen=True)
class Ranked:
    """A night, its ``rank`` from 1 on, its darkness as equivalent ``moonless_hours`` (with a
    target: while that is high enough), a ``verdict`` and the ``reason``.  The verdict is poor with
    less than a quarter of an hour of dark window, good with two hours, else fair.
    """

    night: Night
    rank: int
    moonless_hours: float
    verdict: NightVerdict
    reason: str


def ranked(
    place: Place, nights: Sequence[Night], sky: float, target: Target | None, least: float
) -> list[Ranked]:
    """The nights by date, each with its rank.

    Those with four hours or more of dark sky come first; of equals those dark soonest after dusk,
    then the nearest in date.  ``least``: degrees of altitude above which the target counts.
    """
    counted = [_counted(place, night, target, least) for night in nights]
    scores = [moonless_hours(place, spans, sky) for spans in counted]

    def key(k: int) -> tuple[float, float, date]:
        night = nights[k]
        dusk = min((start for start, _ in night.under["astronomical"]), default=0.0)
        begin = min((start for start, _ in common(night.dark, counted[k])), default=dusk + DAY)
        late = round((begin - dusk) / 3600)
        return -min(round(2 * scores[k]) / 2, _ENOUGH), late, night.date

    order = sorted(range(len(nights)), key=key)
    return [
        Ranked(
            night=nights[k],
            rank=order.index(k) + 1,
            moonless_hours=scores[k],
            verdict=_verdict(hours(common(nights[k].dark, counted[k]))),
            reason=_reason(place, nights[k]) + _of_target(nights[k], counted[k], target, least),
        )
        for k in range(len(nights))
    ]


def _verdict(dark: float) -> NightVerdict:
    if dark < _LEAST:
        return "poor"
    return "good" if dark >= _GOOD else "fair"


def _counted(place: Place, night: Night, target: Target | None, least: float) -> list[Span]:
    dark = night.under["astronomical"]
    return common(dark, high(place, night.whole, target, least)) if target else dark


def _reason(place: Place, night: Night) -> str:
    """Why the night is dark or not, in a few words."""
    sun_down, dark = night.under["astronomical"], night.dark
    lit = f"{100 * night.lit:.0f} % lit"
    if not sun_down:
        return f"never fully dark: the Sun's lowest is {_signed(night.lowest)}, not -18°"
    if not common(sun_down, night.moon_up):
        return "the Moon is down while it is dark"
    if night.lit < LITTLE_MOON:
        return f"thin Moon ({lit}), little in the way"
    if hours(dark) < 0.1:
        return f"bright Moon ({lit}) through all of the dark hours"
    first, last = dark[0][0], dark[-1][1]
    parts = []
    if first > sun_down[0][0] + 60:
        parts.append(f"once the Moon ({lit}) is down at {minute(place, first)}")
    if last < sun_down[-1][1] - 60:
        parts.append(f"until the Moon ({lit}) is up at {minute(place, last)}")
    return "dark " + " and ".join(parts or [f"but for the Moon ({lit}) in between"])


def _of_target(night: Night, counted: Sequence[Span], target: Target | None, least: float) -> str:
    if target is None or not night.under["astronomical"]:
        return ""
    if not counted:
        return f"; {target.name} not above {least:g}° then"
    both = hours(common(night.dark, counted))
    return f"; {target.name} up for {both:.1f} h of the dark" if both else ""


def _signed(degrees: float) -> str:
    return f"{'-' if degrees < 0 else ''}{abs(degrees):.0f}°"


def next_dark(place: Place, after: date) -> date | None:
    """The first evening from ``after`` on when the Sun sinks below -18°, within 400 days."""
    depth = -np.sin(np.radians(DEPRESSIONS["astronomical"]))
    for ahead in range(0, _YEAR, _AT_ONCE):
        days = [after + timedelta(days=ahead + k) for k in range(_AT_ONCE)]
        days = [day for day in days if day.year <= eph.LAST_YEAR]
        if not days:
            return None
        starts = [solar_noon(place, day) for day in days]
        at = np.concatenate([nodes((start, start + DAY)) for start in starts])
        lowest = eph.sun(place, at).sine.reshape(len(days), -1).min(axis=1)
        if (lowest < depth).any():
            return days[int(np.argmax(lowest < depth))]
    return None
