"""What to point at: a list of bright targets, found even if misspelt, and where each is."""

from __future__ import annotations

import difflib
import json
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files

import numpy as np

from stackkit.arrays import Array
from stackkit.errors import InputError, UsageError
from stackkit.plan.camera import Camera, size_px
from stackkit.plan.sky import ephemeris as eph
from stackkit.plan.sky.events import Span, below, common, longest, moments, nodes, outside
from stackkit.plan.sky.moonlight import DARK_SKY, magnitudes, nanolamberts
from stackkit.plan.sky.night import DAY, Night, sky_moonlight, solar_noon
from stackkit.plan.sky.places import Place
from stackkit.schemas.plan import Fit

LEAST_ALTITUDE = 20.0
"""Degrees below which extinction and haze dim too much (common practice: 20 to 30)."""
NEAR_MOON = 30.0
"""Degrees from a Moon above the horizon within which a target is "near" it (common practice)."""
_LEAST_SKYLINE = 5
"""Degrees below which haze leaves nothing to photograph (common practice)."""
_STEP = 300.0
_WAYPOINTS = 13
_PLAIN = ("id", "name", "kind", "ra", "dec", "mag", "ease", "appeal", "why")
_CLOSE = 0.72
"""Similarity above which another spelling is taken for the name, if no other comes near."""
_NEAR = 0.6
"""Similarity above which a name is suggested."""
_WANDERERS = (
    *("moon", "planets", "mercury", "venus", "mars"),
    *("jupiter", "saturn", "uranus", "neptune"),
)
WASHED = 20.0
"""mag/arcsec² below which a sky drowns faint diffuse objects (common practice: the Milky Way
is lost at the edge of towns, 19.5 to 20).
"""
_EASE = {1: 1.0, 2: 0.7, 3: 0.45}
_APPEAL = {1: 0.6, 2: 0.8, 3: 1.0}
_FITTING = {"fits": 1.0, "larger": 0.7, "small": 0.4}
_HIGH_ENOUGH = 50.0
_SUFFERS = {"Milky Way": 0.4, "nebula": 0.4, "galaxy": 0.4}
"""The factors of a ranking for beginners: how easy, how rewarding, how well it fits, how high
(above ``_HIGH_ENOUGH`` no better), how long it is up, and the loss to moonlight: in full for
diffuse objects, as the time for a signal to noise grows; little for stars.
"""


@dataclass(frozen=True)
class Target:
    """Degrees, ICRS; ``size`` along and across; ``ease`` 1 (one frame) to 3 (dark sky, many);
    ``appeal`` 1 to 3, how rewarding a first picture of it is (our judgement).
    """

    id: str
    name: str
    also: tuple[str, ...]
    kind: str
    ra: float
    dec: float
    size: tuple[float, float]
    mag: float | None
    ease: int
    appeal: int
    why: str


@dataclass(frozen=True)
class Standing:
    """A target through a night's window.

    ``usable``: its longest span above the skyline; ``best``: the best time to start, when it is
    highest among the moments from which the run still fits into that span (the span's start if
    there is none), with altitude and azimuth (degrees) then; ``track``: moment, altitude, azimuth
    on the way; ``moon_distance`` degrees, None with the Moon down; ``sky`` brightness there,
    mag/arcsec², ``dimmed`` magnitudes brighter than without Moon; ``washed``: whether the target is
    diffuse and the sky too bright for it;
    ``px``: its size in pixels; ``fit``: "fits", "small" or "larger" than the field; ``score``.
    """

    target: Target
    usable: Span
    best: float
    altitude: float
    azimuth: float
    track: tuple[tuple[float, float, float], ...]
    moon_distance: float | None
    sky: float
    dimmed: float
    washed: bool
    px: tuple[float, float]
    fit: Fit
    score: float


@dataclass(frozen=True)
class Visibility:
    """The conditions: the ``window`` of a night at a place, the ``least`` altitude in degrees, the
    moonless ``sky`` brightness in mag/arcsec², and the length of the ``run`` of frames in seconds.
    """

    place: Place
    night: Night
    window: Span
    least: float
    sky: float
    run: float


@cache
def targets() -> tuple[Target, ...]:
    """The bundled list."""
    text = files("stackkit.plan").joinpath("targets.json").read_text(encoding="utf-8")
    rows = json.loads(text)["targets"]
    return tuple(
        Target(
            **{key: row[key] for key in _PLAIN},
            also=tuple(row["also"]),
            size=(row["size"][0], row["size"][1]),
        )
        for row in rows
    )


def matching(text: str) -> list[Target]:
    """All targets of a kind if ``text`` names one, otherwise the single target that is meant.

    Raises ``UsageError`` as :func:`named`.
    """
    asked = _plain(text)
    return [t for t in targets() if _plain(t.kind) == asked] or [named(text)]


def named(text: str) -> Target:
    """The target that is meant; raises ``UsageError`` with the nearest names if there is none."""
    if _plain(text).removeprefix("full ") in _WANDERERS:
        raise UsageError(
            f"{text!r}: the Moon and planets are not planned, only what --targets shows."
        )
    names = {_plain(name): t for t in targets() for name in (*t.also, t.name, t.id)}
    asked = _plain(text)
    if asked in names:
        return names[asked]
    likeness = {name: difflib.SequenceMatcher(None, asked, name).ratio() for name in names if asked}
    order = sorted(likeness, key=lambda name: -likeness[name])
    distinct = list(dict.fromkeys(names[name] for name in order))
    within = {names[name] for name in names if len(asked) > 3 and f" {asked} " in f" {name} "}
    if len(within) == 1:
        return within.pop()
    # A catalogue number that differs by a digit is another object, not a misspelling.
    spelt = order and not re.search(r"\d", asked)
    if spelt and likeness[order[0]] >= _CLOSE:
        rival = next((likeness[n] for n in order if names[n] is not distinct[0]), 0.0)
        if likeness[order[0]] - rival > 0.05:
            return distinct[0]
    alike = [names[name] for name in order if likeness[name] >= _NEAR]
    near = sorted(within, key=lambda t: t.name) or list(dict.fromkeys(alike))[:3]
    meant = f" Did you mean {_either([t.name for t in near[:4]])}?" if near else ""
    raise UsageError(f"No target {text!r} is in the list.{meant} --targets shows all of them.")


def _either(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _plain(text: str) -> str:
    """Lower case without accents, punctuation and articles; M 42 is M42."""
    bare = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().casefold()
    words = re.sub(r"[^a-z0-9]+", " ", bare.replace("'", "")).split()
    kept = " ".join(word for word in words if word not in ("the", "of", "in"))
    return re.sub(r"\b(m|ngc|ic|messier|melotte|mel) (?=\d)", _catalogue, kept)


def _catalogue(match: re.Match[str]) -> str:
    return {"messier": "m", "mel": "melotte"}.get(match[1], match[1])


def check_rises(place: Place, target: Target, least: float) -> None:
    """Raises ``InputError`` for a target that never rises to ``least`` degrees, with the latitude
    from which it does.
    """
    top = culmination(place, target)
    if top > least:
        return
    # Towards the latitude of its declination the target is higher.
    north = target.dec > place.latitude
    side, way = ("north", 1) if north else ("south", -1)
    here, well = (_latitude(target.dec + way * (angle - 90)) for angle in (0.0, least))
    start = f"At {_latitude(place.latitude)} {target.name}"
    free = int(top) - 2
    view = f" With a free view: --skyline {free}." if free >= _LEAST_SKYLINE else ""
    said = (
        f"never rises above {top:.0f}°; {side} of {well} it stands above {least:g}°.{view}"
        if top > 0
        else f"never rises: it does {side} of {here}, and stands above {least:g}° {side} of {well}."
    )
    raise InputError(f"{start} {said}{_instead(place, target, least)}")


def culmination(place: Place, target: Target) -> float:
    """Its greatest altitude in degrees; negative where it never rises."""
    return 90.0 - abs(place.latitude - target.dec)


def _instead(place: Place, target: Target, least: float) -> str:
    """Another part of the Milky Way that is high there, for one that is not."""
    if target.kind != "Milky Way":
        return ""
    parts = [
        part
        for part in targets()
        if part.kind == target.kind and culmination(place, part) > max(least, _HIGH_ENOUGH)
    ]
    best = max(parts, key=lambda part: part.appeal, default=None)
    return f" {best.name} is high there." if best else ""


def _latitude(value: float) -> str:
    return f"{abs(value):.0f}° {'N' if value >= 0 else 'S'}"


def high(place: Place, whole: Span, target: Target, least: float) -> list[Span]:
    """When the target is above ``least`` degrees."""
    sine = track(place, nodes(whole), target)[:, 2]
    return outside(below(sine - np.sin(np.radians(least)), whole), whole)


def standing(
    visibility: Visibility, target: Target, camera: Camera, least: float | None = None
) -> Standing | None:
    """The target through the window; None if it never reaches ``least`` degrees in it (by default
    those of ``visibility``).
    """
    place, sky = visibility.place, visibility.sky
    over = high(place, visibility.night.whole, target, visibility.least if least is None else least)
    usable = longest(common(over, [visibility.window]))
    if usable is None:
        return None
    at = moments(usable, _STEP)
    directions = track(place, at, target)
    starts = moments((usable[0], max(usable[1] - visibility.run, usable[0])), _STEP)
    started = track(place, starts, target)
    k = int(np.argmax(started[:, 2]))
    here, then = started[k : k + 1], starts[k : k + 1]
    moon = eph.moon(place, then).direction
    moon_up = float(eph.altitude(moon)[0]) > 0
    light = float(sky_moonlight(place, then, here)[0])
    seen = float(magnitudes(nanolamberts(sky) + light))
    px = size_px(camera, target.size)
    fit = _fit(camera, px)
    altitude = float(eph.altitude(here)[0])
    way = np.linspace(0, len(at) - 1, _WAYPOINTS).round().astype(int)
    columns = (at[way], eph.altitude(directions[way]), eph.azimuth(directions[way]))
    share = min((usable[1] - usable[0]) / 1800, 1.0)
    score = (
        _EASE[target.ease]
        * _APPEAL[target.appeal]
        * _FITTING[fit]
        * min(float(np.sin(np.radians(altitude)) / np.sin(np.radians(_HIGH_ENOUGH))), 1.0)
        * 10 ** (-_SUFFERS.get(target.kind, 0.08 * target.ease) * max(DARK_SKY - seen, 0.0))
        * (0.3 + 0.7 * share)
    )
    return Standing(
        target,
        usable,
        float(then[0]),
        altitude,
        float(eph.azimuth(here)[0]),
        tuple(zip(*(column.tolist() for column in columns), strict=True)),
        float(eph.separation(moon, here)[0]) if moon_up else None,
        seen,
        sky - seen,
        _diffuse(target) and seen < WASHED,
        px,
        fit,
        score,
    )


def _diffuse(target: Target) -> bool:
    """Whether its light is spread thin; the brightest nebulae show from towns."""
    return target.kind in ("Milky Way", "galaxy") or (target.kind == "nebula" and target.ease > 1)


def _fit(camera: Camera, px: tuple[float, float]) -> Fit:
    """Whether a target of ``px`` pixels suits the picture: it fits, and is not too small."""
    long, short = max(camera.size), min(camera.size)
    if px[0] > 0.95 * long or px[1] > 0.95 * short:
        return "larger"
    return "small" if px[0] < 0.015 * long else "fits"


def ranked(visibility: Visibility, camera: Camera) -> list[Standing]:
    """All targets that are high enough in the window, the easiest and best placed first, those that
    the sky washes out last.
    """
    every = (standing(visibility, target, camera) for target in targets())
    return sorted((s for s in every if s), key=lambda s: (s.washed, -s.score))


def track(place: Place, at: Array, target: Target) -> Array:
    """Directions (N, 3) of the target, east, north, up."""
    return eph.stars(place, at, *np.radians([target.ra, target.dec]))


def month_at_midnight(place: Place, target: Target, year: int) -> str:
    """The month in which the target culminates at solar midnight."""
    days = [date(year, month, 15) for month in range(1, 13)]
    midnights = (solar_noon(place, day) + DAY / 2 for day in days)
    away = [np.degrees(eph.sidereal_time(place, at)) - target.ra for at in midnights]
    apart = [abs((angle + 180) % 360 - 180) for angle in away]
    return f"{days[int(np.argmin(apart))]:%B}"
