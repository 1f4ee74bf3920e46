"""When a frame was taken: the clocks of a file, the best first, and what each of them lacks."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone

from stackkit.raw.headers.tags import Directory

_CLOCKS = (
    ("EXIF", 36867, 37521, (36881, 36880)),
    ("EXIF time of digitising", 36868, 37522, (36882, 36880)),
    ("EXIF time of writing", 306, 37520, (36880,)),
)
"""Where a time may be stored: its name, date, fraction of the second, zone; the best first."""
_GPS_TIME, _GPS_DATE = 7, 29

_CLOCK_FORM = re.compile(r"\s*(\d{4})\D(\d\d)\D(\d\d)\D(\d\d)\D(\d\d)\D(\d\d)")
_DATE_FORM = re.compile(r"\s*(\d{4})\D(\d\d)\D(\d\d)")
_ZONE_FORM = re.compile(r"\s*([+-])(\d\d):?(\d\d)")
_NAME_FORM = re.compile(
    r"(?<!\d)((?:19|20)\d\d)([-._]?)(\d\d)\2(\d\d)[-_. T]+"
    r"(\d\d)([-._]?)(\d\d)\6(\d\d)(\d{3})?(?!\d)"
)
"""Year, month, day, then hour, minute, second and perhaps milliseconds (common practice)."""
_LEEWAY = timedelta(days=1)
"""How far a clock in another zone may be ahead."""

Time = tuple[datetime | None, str | None]
"""Aware, UTC, at the middle of the exposure; and where it comes from."""


def by_tags(tags: Directory, exposure: float | None) -> Time:
    """The time from the tags; EXIF times are taken for the start of the exposure.

    The time of the last GPS fix, in UTC, comes after all others: it may be an old one.
    """
    for source, date, fraction, zones in _CLOCKS:
        start = _clock(tags.get(date, ""), tags.get(fraction, ""))
        if start is None:
            continue
        shift = next((s for s in (_zone(tags.get(z, "")) for z in zones) if s is not None), None)
        if shift is None:
            source += ", zone not given, taken as UTC"
        return middle(start, shift or timedelta(0), exposure, source)
    start = _gps_clock(tags.get(_GPS_DATE, ""), tags.get(_GPS_TIME, ()))
    return middle(start, timedelta(0), exposure, "GPS time stamp") if start else (None, None)


def by_name(name: str, exposure: float | None) -> Time:
    """The time in a file's name, as in ``frame_20241013_204107.dng``: a guess, marked as one."""
    for found in _NAME_FORM.finditer(name):
        year, _, month, day, hour, _, minute, second, milli = found.groups()
        start = _datetime((year, month, day, hour, minute, second), 1000 * int(milli or 0))
        if start is not None:
            source = "file name, zone not known, taken as UTC"
            return middle(start, timedelta(0), exposure, source)
    return None, None


def middle(start: datetime, shift: timedelta, exposure: float | None, source: str) -> Time:
    """The middle of an exposure (s) that began at ``start`` on a clock ``shift`` ahead of UTC."""
    if exposure is None:
        source += ", start of an exposure of unknown length"
    try:
        aware = start.replace(tzinfo=timezone(shift)).astimezone(UTC)
        return aware + timedelta(seconds=(exposure or 0.0) / 2), source
    except (ValueError, OverflowError):
        return None, None


def warned(time: Time, now: datetime) -> Time:
    """``time``, its source with a remark where it lies more than a day after ``now``."""
    when, source = time
    if when is None or source is None or when - now <= _LEEWAY:
        return time
    return when, f"{source}, lies in the future: a clock is wrong"


def _clock(date: str, fraction: str) -> datetime | None:
    found = _CLOCK_FORM.match(date)
    micro = int(fraction[:6].ljust(6, "0")) if re.fullmatch("[0-9]+", fraction) else 0
    return _datetime(found.groups(), micro) if found else None


def _datetime(figures: tuple[str, ...], micro: int) -> datetime | None:
    try:
        year, month, day, hour, minute, second = map(int, figures)
        return datetime(year, month, day, hour, minute, second, micro)
    except ValueError:
        return None


def _gps_clock(date: str, stamp: tuple[float, ...]) -> datetime | None:
    """EXIF 2.32, 4.6.6: GPSDateStamp, and GPSTimeStamp in hours, minutes, seconds of UTC."""
    found = _DATE_FORM.match(date)
    day = _datetime((*found.groups(), "0", "0", "0"), 0) if found else None
    if day is None or len(stamp) != 3:
        return None
    hours, minutes, seconds = stamp
    if not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 61):
        return None
    try:
        return day + timedelta(hours=hours, minutes=minutes, seconds=seconds)
    except OverflowError:
        return None


def _zone(offset: str) -> timedelta | None:
    found = _ZONE_FORM.fullmatch(offset)
    if not found:
        return None
    sign, hours, minutes = found.groups()
    size = timedelta(hours=int(hours), minutes=int(minutes))
    return (-size if sign == "-" else size) if size <= timedelta(hours=15) else None
