"""Rows of a plan: the nights, twilight, Moon."""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import Day, Latitude, LocalTime, Longitude, NonNegative, Share


class PlanPlaceRecord(TypedDict):
    """The place."""

    latitude: Latitude
    """North positive."""
    longitude: Longitude
    """East positive."""
    height_m: float
    """Metres above the sea."""
    zone: str
    """Name of the time zone, or its offset."""


SpanRecord = TypedDict("SpanRecord", {"from": LocalTime, "until": LocalTime})


NightVerdict = Literal["good", "fair", "poor"]
WindowKind = Literal["dark", "astronomical", "nautical"]


class NightRecord(TypedDict):
    """A night from one mean solar noon to the next."""

    date: Day
    """Local date of the evening."""
    rank: Annotated[int, Meta(ge=1)]
    """1 is the best of the nights."""
    verdict: NightVerdict
    """poor: less than a quarter of an hour of dark window; good: two hours or more; else fair."""
    reason: str
    """Why, in words."""
    worth_h: NonNegative
    """Equivalent hours of moonless dark sky, for faint objects: an hour under moonlight counts
    B0 / (B0 + B). With a target: while that is above the skyline."""
    sunset: LocalTime | None
    sunrise: LocalTime | None
    astronomical: list[SpanRecord]
    """Sun below -18°."""
    astronomical_h: NonNegative
    """Hours of it."""
    dark: list[SpanRecord]
    """The dark window: Sun below -18°, and the Moon down or less than 30 % lit."""
    dark_h: NonNegative
    """Hours of it."""
    moonrise: LocalTime | None
    moonset: LocalTime | None
    lit: Share
    """Share of the Moon's disc that is lit, seen from the Earth's centre, when the Sun is lowest.
    """
    waxing: bool
    """Whether the Moon is waxing."""
    phase: str
    """Name of the Moon's phase."""
    strip: Annotated[str, Meta(pattern=r"^[stmd]{48}$")]
    """Half hours from solar noon to solar noon: s Sun up, t twilight, m dark except for the Moon, d
    dark."""


class DuskDawnRecord(TypedDict):
    """When the Sun's centre passes this depth; null where it does not."""

    dusk: LocalTime | None
    dawn: LocalTime | None


class TwilightsRecord(TypedDict):
    """Sunset and sunrise (-50'), and the ends of civil, nautical and astronomical twilight."""

    sun: DuskDawnRecord
    civil: DuskDawnRecord
    nautical: DuskDawnRecord
    astronomical: DuskDawnRecord


class SunBelowRecord(TypedDict):
    """Spans in which the Sun is below each of these depths."""

    sun: list[SpanRecord]
    """Within whole."""
    civil: list[SpanRecord]
    """Within whole."""
    nautical: list[SpanRecord]
    """Within whole."""
    astronomical: list[SpanRecord]
    """Within whole."""


WindowRecord = TypedDict(
    "WindowRecord",
    {"kind": WindowKind, "from": LocalTime, "until": LocalTime},
)


class ChosenNightRecord(NightRecord):
    """The night that is planned."""

    whole: SpanRecord
    sun_lowest_deg: float
    """The Sun's lowest altitude."""
    sun_lowest_at: LocalTime
    twilights: TwilightsRecord
    sun_below: SunBelowRecord
    moon_up: list[SpanRecord]
    """The Moon's upper limb above the horizon."""
    moon_in_dark_h: NonNegative
    """Hours of it with the Sun below -18°."""
    window: WindowRecord
    """The usable hours: the longest dark span, else the longest with the Sun below -18°, else
    below -12°."""
    moonlit_mag: float
    """The sky above 30° at its brightest in the window, mag/arcsec² in V."""
    next_dark: Day | None
    """The next evening with the Sun below -18°, where this one has none."""
