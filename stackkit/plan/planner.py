"""The whole plan in order: nights → the night → targets → aim → exposure → series → list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from stackkit.errors import InputError, UsageError
from stackkit.plan import like
from stackkit.plan.camera import Camera, Given, camera, described
from stackkit.plan.checklist import Occasion, Section, checklist
from stackkit.plan.exposure import TRAIL, Aim, Limit, limit
from stackkit.plan.ranking import Ranked, next_dark, ranked
from stackkit.plan.series import TOTAL, Series, run_length, series
from stackkit.plan.sky import ephemeris as eph
from stackkit.plan.sky.events import Span
from stackkit.plan.sky.moonlight import DARK_SKY
from stackkit.plan.sky.night import Night, evening_of, nights
from stackkit.plan.sky.places import Place
from stackkit.plan.targets import (
    LEAST_ALTITUDE,
    Standing,
    Target,
    Visibility,
    check_rises,
    culmination,
    matching,
    standing,
)
from stackkit.plan.targets import ranked as ranked_targets
from stackkit.schemas.nights import WindowKind

NIGHTS = 30
_PHONE = ("phone", "phone-ultrawide")
_ROUNDS = 4
_LOW = 35.0
"""Altitude in degrees below which the view may be obstructed."""


@dataclass(frozen=True)
class Request:
    """What is asked for; None where not given.  ``moment``: now, seconds since 1970, UTC.

    ``evening`` without ``count`` is that one night; otherwise ``count`` nights are ranked.
    """

    place: Place
    moment: float
    evening: date | None = None
    count: int | None = None
    target: str | None = None
    camera: str | None = None
    like: Path | None = None
    exposure: float | None = None
    minutes: float = TOTAL
    trail: float = TRAIL
    skyline: float = LEAST_ALTITUDE
    sky: float = DARK_SKY


@dataclass(frozen=True)
class Plan:
    """All results, from which :mod:`stackkit.plan.record` makes the record.

    ``nights``: one, or all that were ranked; ``chosen`` the one the rest is about, with the
    ``window`` to work in (``kind``: dark, astronomical or nautical).  ``pick``: the standing
    that ``aim`` is for, None where nothing is well placed; ``wanted``: the target asked for.
    """

    request: Request
    nights: Sequence[Ranked]
    chosen: Ranked
    kind: WindowKind
    window: Span
    next_dark: date | None
    wanted: Target | None
    standings: Sequence[Standing]
    pick: Standing | None
    camera: Camera
    camera_said: str
    trial: like.Trial | None
    aim: Aim
    limit: Limit
    series: Series
    iso: like.IsoAdvice | None
    sections: Sequence[Section]


def plan(request: Request) -> Plan:
    """Plans the night of a request.

    Raises ``UsageError`` for an invalid request, ``InputError`` for a target that never rises,
    nights without darkness, and a test frame that cannot be read.
    """
    place = request.place
    wanted = _wanted(request)
    trial = like.trial(request.like) if request.like else None
    given, said = _camera(request.camera, trial)
    shot_with = camera(given)
    listed = _listed(request, wanted)
    undark = not any(r.night.under["astronomical"] for r in listed)
    soon = next_dark(place, listed[0].night.date) if undark else None
    chosen = min(listed, key=lambda r: r.rank)
    best = chosen.night.best
    if best is None or (undark and not (request.evening and request.count is None)):
        raise InputError(_no_darkness(listed, soon))
    kind, window = best
    standings, pick, bound = _settled(request, chosen.night, window, wanted, shot_with)
    aim = _aim(place, pick)
    exposure = request.exposure or bound.exposure
    frames = series(
        shot_with,
        aim,
        exposure,
        request.minutes,
        trial.bytes if trial else None,
        _room(window, pick),
    )
    occasion = Occasion(
        evening=chosen.night.date,
        latitude=place.latitude,
        exposure=exposure,
        phone=any(word in said for word in _PHONE),
        late=pick is not None and pick.best > chosen.night.middle,
        low=pick is not None and pick.altitude < _LOW,
    )
    return Plan(
        request=request,
        nights=listed,
        chosen=chosen,
        kind=kind,
        window=window,
        next_dark=soon,
        wanted=(pick.target if pick else wanted[0]) if wanted else None,
        standings=standings,
        pick=pick,
        camera=shot_with,
        camera_said=said,
        trial=trial,
        aim=aim,
        limit=bound,
        series=frames,
        iso=like.iso_advice(trial, exposure) if trial else None,
        sections=checklist(occasion),
    )


def _listed(request: Request, wanted: Sequence[Target]) -> list[Ranked]:
    """The nights asked for, ranked for the target if there is only one."""
    place = request.place
    alone = wanted[0] if len(wanted) == 1 else None
    return ranked(place, nights(place, *_dates(request)), request.sky, alone, request.skyline)


def _dates(request: Request) -> tuple[date, int]:
    first = request.evening or evening_of(request.place, request.moment)
    count = request.count or (1 if request.evening else NIGHTS)
    early = first.year < eph.FIRST_YEAR
    if early or first > date(eph.LAST_YEAR, 12, 31) - timedelta(days=count):
        raise UsageError(
            f"The ephemeris covers {eph.FIRST_YEAR} to {eph.LAST_YEAR}: it has no "
            + (f"night of {first}." if count == 1 else f"{count} nights from {first} on.")
        )
    return first, count


def _wanted(request: Request) -> list[Target]:
    """The targets asked for that rise high enough here, the highest first."""
    if request.target is None:
        return []
    place = request.place
    found = sorted(matching(request.target), key=lambda target: -culmination(place, target))
    check_rises(place, found[0], request.skyline)
    return [target for target in found if culmination(place, target) > request.skyline]


def _no_darkness(listed: Sequence[Ranked], soon: date | None) -> str:
    first, count = listed[0].night.date, len(listed)
    those = f"the night of {first}" if count == 1 else f"any of the {count} nights from {first} on"
    when = f"the next dark night is that of {soon}" if soon else "there is none within a year"
    # Only where a single night would be planned.
    brighter = any(row.night.best for row in listed)
    hint = " For a brighter night anyway: --date." if brighter else ""
    return f"There is no darkness in {those}: {when}.{hint}"


def _camera(text: str | None, trial: like.Trial | None) -> tuple[Given, str]:
    """What is known of the camera, and the words for it; a usual phone by default."""
    if trial is None:
        said = text if text is not None else "phone"
        return described(said), said
    return described(text or "", trial.given), text or ""


def _settled(
    request: Request, night: Night, window: Span, wanted: Sequence[Target], shot_with: Camera
) -> tuple[Sequence[Standing], Standing | None, Limit]:
    """The standings, the pick and its exposure, which depend on each other: the aim on the start,
    the start on how long the frames take, and that on the aim.
    """
    bound = limit(shot_with, _aim(request.place, None), request.trail)
    exposure = request.exposure or bound.exposure
    for _ in range(_ROUNDS):
        run = run_length(exposure, request.minutes)
        standings, pick = _standings(request, night, window, wanted, shot_with, run)
        bound = limit(shot_with, _aim(request.place, pick), request.trail)
        exposure = request.exposure or bound.exposure
        if run_length(exposure, request.minutes) <= run:
            break
    return standings, pick, bound


def _standings(
    request: Request,
    night: Night,
    window: Span,
    wanted: Sequence[Target],
    shot_with: Camera,
    run: float,
) -> tuple[Sequence[Standing], Standing | None]:
    """The targets that are well placed in the window, and the one to aim at."""
    visibility = Visibility(request.place, night, window, request.skyline, request.sky, run)
    every = ranked_targets(visibility, shot_with)
    among = (row for row in every if not wanted or row.target in wanted)
    pick = next(among, None)
    if pick is None and wanted:
        # The target asked for is reported even where it is too low.
        pick = standing(visibility, wanted[0], shot_with, 0.0)
    return every, pick


def _room(window: Span, pick: Standing | None) -> float:
    """Seconds within which the frames have to end."""
    if pick:
        return pick.usable[1] - pick.best
    return window[1] - window[0]


def _aim(place: Place, pick: Standing | None) -> Aim:
    """At the pick; without one 45° up towards the equator, where stars move fastest."""
    if pick:
        return Aim(pick.altitude, pick.azimuth, place.latitude)
    return Aim(45.0, 180.0 if place.latitude >= 0 else 0.0, place.latitude)
