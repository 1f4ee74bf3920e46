"""A place on Earth: coordinates in the usual notations, and its time zone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from stackkit.errors import UsageError

_SIDES = {"latitude": "NS", "longitude": "EW"}
_WORDS = {"NORTH": "N", "SOUTH": "S", "EAST": "E", "WEST": "W"}
_MARKS = str.maketrans({"−": "-", "–": "-", "’": "'", "′": "'", "”": '"', "″": '"', "º": "°"})
_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?", re.IGNORECASE)
_FORMS = "Write it like 47.37, -33.9, 47°22'12\"N or S 33 54."


@dataclass(frozen=True)
class Place:
    """Degrees, north and east positive; ``height`` above the sea in m; the zone of its clocks."""

    latitude: float
    longitude: float
    height: float
    zone: tzinfo
    zone_name: str

    def clock(self, moment: float) -> datetime:
        """Local time at a moment (seconds since 1970, UTC)."""
        # By addition: fromtimestamp has a short range on some systems.
        return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=moment)).astimezone(self.zone)


def place(latitude: str, longitude: str, height: float = 0.0, zone: str | None = None) -> Place:
    """The place of these coordinates; the zone is found from them unless it is named.

    Raises ``UsageError`` for what cannot be a place or a zone.
    """
    north, east = _degrees(latitude, longitude)
    if not -500 <= height <= 9000:
        raise UsageError(f"A height of {height:g} m is not on the ground: give metres above sea.")
    name = _zone_at(north, east) if zone is None else _spelt(zone)
    return Place(north, east, height, _zone(name), name)


def _degrees(latitude: str, longitude: str) -> tuple[float, float]:
    """Both in degrees; raises ``UsageError``, also for a pair that looks swapped."""
    sides = _parted(latitude)[0], _parted(longitude)[0]
    if sides[0] in ("E", "W") or sides[1] in ("N", "S"):
        raise UsageError(
            f"Latitude {latitude} and longitude {longitude} look swapped: N and S belong to the "
            "latitude, E and W to the longitude."
        )
    north, east = _figure(latitude, "latitude"), _figure(longitude, "longitude")
    if abs(north) > 90:
        fits = abs(east) <= 90 and abs(north) <= 180
        swapped = f" If the two are swapped, try --lat {east:g} --lon {north:g}." if fits else ""
        raise UsageError(f"There is no latitude {north:g}: it goes from -90 to 90.{swapped}")
    if abs(east) > 180:
        raise UsageError(f"There is no longitude {east:g}: it goes from -180 (west) to 180 (east).")
    return north, east


def _parted(text: str) -> tuple[str, str]:
    """The letter of the hemisphere before or after the figures, and the figures."""
    clean = re.sub(r"deg(?:rees?)?", "°", text.translate(_MARKS).strip(), flags=re.IGNORECASE)
    match = re.fullmatch(r"([A-Za-z]*)([^A-Za-z]*)([A-Za-z]*)", clean)
    if match is None or (match[1] and match[3]):
        return "?", clean
    word = (match[1] or match[3]).upper()
    return _WORDS.get(word, word), match[2].strip()


def _figure(text: str, what: str) -> float:
    letter, rest = _parted(text)
    # A comma is a decimal point where there is no point and no blank after it.
    if "." not in rest:
        rest = re.sub(r"(?<=\d),(?=\d)", ".", rest)
    match = re.fullmatch(
        r"([+-]?)\s*(\d+(?:\.\d+)?)\s*[°:\s]*"
        r"(?:(\d+(?:\.\d+)?)\s*[':\s]*(?:(\d+(?:\.\d+)?)\s*(?:\"|'')?)?)?",
        rest,
    )
    if match and match[1] and letter and letter in _SIDES[what]:
        against = (match[1] == "-") == (letter in "NE")
        raise UsageError(
            f"{text!r}: {'minus' if match[1] == '-' else 'plus'} and {letter} "
            f"{'contradict each other' if against else 'say the same twice'}. Leave out one."
        )
    if match is None or (letter and (letter not in _SIDES[what] or match[1])):
        raise UsageError(f"{text!r} is no {what}. {_FORMS}")
    whole, minutes, seconds = (float(part or 0) for part in match.groups()[1:])
    if minutes >= 60 or seconds >= 60 or (match[3] and whole % 1) or (match[4] and minutes % 1):
        raise UsageError(f"{text!r} is no {what}: minutes and seconds go to 59. {_FORMS}")
    value = whole + minutes / 60 + seconds / 3600
    return -value if match[1] == "-" or letter in ("S", "W") else value


def _zone_at(latitude: float, longitude: float) -> str:
    from tzfpy import get_tz

    name = get_tz(longitude, latitude)
    if not name:
        raise UsageError(
            f"No time zone is known at {latitude:g}, {longitude:g}. Name one: --zone Europe/Oslo, "
            "or --zone +02:00."
        )
    # At sea: these names count hours behind Greenwich, the opposite of the usual sign.
    behind = re.fullmatch(r"Etc/GMT([+-])(\d+)", name)
    if behind:
        return f"UTC{'-' if behind[1] == '+' else '+'}{behind[2]}"
    return "UTC" if name == "Etc/GMT" else str(name)


def _spelt(name: str) -> str:
    """The zone's proper spelling, whatever the capitals given."""
    known = available_timezones()
    if name in known:
        return name
    return next((zone for zone in sorted(known) if zone.casefold() == name.casefold()), name)


def _zone(name: str) -> tzinfo:
    offset = _OFFSET.fullmatch(name.translate(_MARKS).strip())
    if offset:
        ahead = timedelta(hours=int(offset[2]), minutes=int(offset[3] or 0))
        if ahead <= timedelta(hours=14):
            return timezone(ahead if offset[1] == "+" else -ahead)
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UsageError(
            f"There is no time zone {name!r}. Name it by area and city, such as --zone "
            "Europe/Oslo, or by its distance from UTC: --zone +02:00."
        ) from error


def minute_of(time: str | None) -> str:
    """Hours and minutes of an ISO 8601 time, to the nearest minute; a dash for none."""
    return f"{datetime.fromisoformat(time) + timedelta(seconds=30):%H:%M}" if time else "-"


def minute(place: Place, moment: float) -> str:
    """Local time there, to the nearest minute."""
    return f"{place.clock(moment + 30):%H:%M}"
