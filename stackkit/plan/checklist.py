"""What to take, do and be careful of on this night, in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

_TROPIC = 23.44
"""Latitude of the tropics, degrees: the obliquity of the ecliptic."""
_COLD, _MILD, _WARM = "cold", "mild", "warm"
_CLOTHES = {
    _COLD: (
        "Clothes for 10 °C colder than the forecast says, because you will be standing still: hat,"
        " thin gloves under thick ones, warm shoes, something hot to drink. Frost drains batteries."
    ),
    _MILD: (
        "A warm jacket, a hat and long trousers even after a warm day, because you will be standing"
        " still; the grass will be wet."
    ),
    _WARM: (
        "A jacket for the small hours, long sleeves and something against insects; damp air "
        "puts dew on lenses."
    ),
}


@dataclass(frozen=True)
class Occasion:
    """What the list depends on: the evening, the place, the settings, whether it gets late."""

    evening: date
    latitude: float
    exposure: float
    phone: bool
    late: bool
    low: bool


@dataclass(frozen=True)
class Section:
    """Things to do on one occasion, in order."""

    title: str
    items: tuple[str, ...]


def season(evening: date, latitude: float) -> str:
    """Cold, mild or warm, by month and latitude (the usual season, not a forecast)."""
    if abs(latitude) < _TROPIC:
        return _WARM
    # Months from the middle of the local winter, which is in January in the north.
    from_winter = (evening.month - (1 if latitude > 0 else 7)) % 12
    from_winter = min(from_winter, 12 - from_winter)
    if abs(latitude) > 60:
        return _COLD if from_winter <= 4 else _MILD
    cold = 1 if abs(latitude) < 35 else 2
    return _COLD if from_winter <= cold else _MILD if from_winter <= 4 else _WARM


def cautions() -> tuple[str, ...]:
    """Dangers; local rules and warnings come first."""
    return (
        "Local rules and warnings come first: if they say no, stay at home.",
        "Tell somebody where you are and until when; go with someone if you can.",
        (
            "See the place by daylight. Mind cliffs, water, tides and mud; stand well off roads and"
            " be seen beside them. Ask before you step on private land; leave wildlife in peace."
        ),
        "Never point a camera or any optics at the Sun, and pack up before it rises.",
    )


def weather() -> str:
    """That the plan does not include the weather, and what to look up."""
    return (
        "This plan does not know the weather. On the day look up cloud cover by the hour (low, "
        "middle and high cloud), wind and gusts, dew point against temperature, frost, thunder "
        "and official warnings; at the coast the tide."
    )


def checklist(occasion: Occasion) -> tuple[Section, ...]:
    """The list, by when things are to be done."""
    return (
        Section("In daylight, at home", _at_home(occasion)),
        Section("Take along", _take_along(occasion)),
        Section("Before the first frame", _before(occasion)),
        Section("While it runs, and after", _after(occasion)),
    )


def _at_home(occasion: Occasion) -> tuple[str, ...]:
    night_mode = "stabiliser and night mode off" if occasion.phone else "stabiliser off"
    return (
        f"Set raw on and {night_mode}; take one frame and see what it is: stackkit inspect FRAME.",
        "Charge camera and power bank; empty the card.",
        "Practise in a dark room: exposure, ISO, manual focus, timer, without a lamp.",
    )


def _take_along(occasion: Occasion) -> tuple[str, ...]:
    return (
        (
            "Tripod on firm ground, its centre column down, or a beanbag on a wall; a weight"
            " against wind."
        ),
        (
            "Power bank, kept warm inside your coat; a cloth, and a hand warmer or band around the "
            "lens against dew."
        ),
        "Red light, water, a charged phone.",
        _CLOTHES[season(occasion.evening, occasion.latitude)],
    )


def _before(occasion: Occasion) -> tuple[str, ...]:
    low = ("It is low: find an open view in that direction by daylight.",) if occasion.low else ()
    return (
        "Flight mode on. Half an hour without white light until your eyes see in the dark.",
        *low,
        "Focus by hand on a bright star, as small as it gets, and look again after an hour.",
        f"One frame of {occasion.exposure:g} s at full magnification: round stars, no shake?",
        "Self-timer or remote; then hands off.",
    )


def _after(occasion: Occasion) -> tuple[str, ...]:
    late = ("It will be late: rest before you drive.",) if occasion.late else ()
    return (
        (
            "Every ten minutes: dew on the lens? focus? still aimed well? If the tripod was nudged,"
            " go on."
        ),
        (
            f"Last, lens covered, ten frames of {occasion.exposure:g} s at the same ISO, outside in"
            " the cold: your darks."
        ),
        *late,
    )
