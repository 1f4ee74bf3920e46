"""What ``plan --json`` prints."""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import LocalTime, Positive, Share, Two, TwoOrNone
from stackkit.schemas.nights import (
    ChosenNightRecord,
    NightRecord,
    PlanPlaceRecord,
    SpanRecord,
)


class TrackRecord(TypedDict):
    """A point of it."""

    time: LocalTime
    altitude_deg: float
    """Degrees."""
    azimuth_deg: float
    """Degrees."""
    compass: str
    """The nearest of sixteen points."""


Level = Literal["low", "half up", "high"]
Fit = Literal["fits", "small", "larger"]


class TargetRecord(TypedDict):
    """A target in the window."""

    id: str
    """Its name for programs."""
    name: str
    """Its name."""
    kind: str
    """What it is."""
    ra_deg: float
    """ICRS."""
    dec_deg: float
    """ICRS."""
    size_deg: Two
    """Along and across."""
    mag: float | None
    """V, of the whole or of its brightest star."""
    ease: Annotated[int, Meta(ge=1, le=3)]
    """1: shows in one frame; 2: in a stack; 3: wants a dark sky and many frames."""
    why: str
    """What it is good for."""
    usable: SpanRecord
    best: LocalTime
    altitude_deg: float
    """When it is best, without refraction."""
    azimuth_deg: float
    """From north over east."""
    compass: str
    """The nearest of sixteen points."""
    level: Level
    """Below 35°, below 60°, above."""
    track: list[TrackRecord]
    """Its way through the usable span."""
    moon_distance_deg: float | None
    """null when the Moon is down."""
    near_moon: bool
    """Within 30° of a Moon above the horizon."""
    sky_mag: float
    """Brightness of the sky there, mag/arcsec² in V: Krisciunas & Schaefer 1991."""
    washed: bool
    """It is diffuse, and the sky too bright for that."""
    moonlight_mag: float
    """By how much the Moon brightens it."""
    size_px: Two
    """Along and across, in the middle of the picture."""
    fit: Fit
    """Whether it goes with this lens."""
    score: float
    """By which targets are ordered."""


class AimRecord(TypedDict):
    """Where the level camera looks."""

    altitude_deg: float
    azimuth_deg: float
    compass: str
    declination_deg: float
    """Of what stands in the middle."""
    at: LocalTime | None
    target: str | None
    """Name of the pick."""


class PlanCameraRecord(TypedDict):
    """What the settings are for."""

    said: str
    """As it was given."""
    like: str | None
    """Name of the test frame."""
    assumed: bool
    """No camera was given: a usual phone's."""
    focal_mm: Positive
    focal_35mm: Positive
    """By the diagonal."""
    f_number: Positive
    pitch_um: Positive
    size_px: Two
    """Width and height."""
    projection: str
    """rectilinear, stereographic, equidistant or equisolid."""
    field_deg: TwoOrNone
    """Across the middle; null where the lens's circle does not reach the sides."""
    sees: str
    """The field in words."""
    scale_arcsec_px: float
    """In the middle."""


class StarSpeedRecord(TypedDict):
    """How fast stars move."""

    fastest: float
    middle: float
    slowest: float


class RuleRecord(TypedDict):
    """One."""

    name: str
    formula: str
    seconds: float
    middle_px: float
    """Trail in the middle."""
    fastest_px: float
    """Longest trail."""


class ExposureRecord(TypedDict):
    """How long."""

    set_s: Positive
    """To set, seconds."""
    asked: bool
    """It was asked for."""
    trail_px: float
    """Longest trail in the picture then."""
    allowed_px: float
    """Trail that is allowed."""
    limit_s: float
    """Seconds until the fastest star of the picture trails by that, by the lens's projection."""
    middle_limit_s: float | None
    """The same for a star in the middle; null at the pole."""
    rate_px_s: StarSpeedRecord
    why: str
    """Why the best known rule allows more; empty where it does not."""
    rules: list[RuleRecord]
    """Rules of thumb beside it."""


class SeriesRecord(TypedDict):
    """How many."""

    frames: Annotated[int, Meta(ge=1)]
    exposure_s: float
    total_s: float
    """Of exposure."""
    cadence_s: float
    """From start to start."""
    length_s: float
    """In all."""
    asked_s: float
    """The same if all that was asked for fitted into the hours."""
    bytes: int
    """On the card, at most."""
    battery_share: Share
    """A guess."""
    drift_px: Two
    """Of the middle's star from start to end, right and down."""
    drift_words: str
    framing: str
    shared_share: Share
    """Share of the picture that all frames see."""
    bottom_deg: float
    """Altitude at the middle of the lower edge."""
    ground: str
    """When to stop for the foreground."""
    start_by: LocalTime | None
    stop_at: LocalTime | None


class IsoAdviceRecord(TypedDict):
    """Noise of the test frame's ISO in the planned exposure."""

    iso: int
    """Of the frame."""
    sky_e: float
    """Electrons of sky a pixel in the planned exposure."""
    read_e: float
    """Electrons of read noise."""
    noise_ratio: float
    """Noise of the sky with reading over that without."""
    lowest_iso: int | None
    """Keeps that surely under 1.15."""
    words: str


class IsoRecord(TypedDict):
    """What a test frame tells of the ISO."""

    remark: str
    """Why nothing, or empty."""
    advice: IsoAdviceRecord | None


class ChecklistItemRecord(TypedDict):
    """What is to be done by one moment."""

    title: str
    items: list[str]


class TargetCurveRecord(TypedDict):
    """A target's altitudes at the times."""

    id: str
    name: str
    altitude: list[float]


class CurvesRecord(TypedDict):
    """Altitudes from solar noon to solar noon."""

    times: list[LocalTime]
    sun: list[float]
    moon: list[float]
    targets: list[TargetCurveRecord]


class ChartedStarRecord(TypedDict):
    """A star of the chart."""

    mag: float
    name: str
    altitude_deg: float
    azimuth_deg: float


class DirectionRecord(TypedDict):
    """A direction."""

    altitude_deg: float
    azimuth_deg: float


class ChartedTargetRecord(TypedDict):
    """A target in the chart."""

    id: str
    name: str
    altitude_deg: float
    azimuth_deg: float


class SkyRecord(TypedDict):
    """The sky when the pick stands best."""

    time: LocalTime
    stars: list[ChartedStarRecord]
    moon: DirectionRecord | None
    targets: list[ChartedTargetRecord]
    frame: list[DirectionRecord]
    """The picture's edge, once around."""


class ChartRecord(TypedDict):
    """Figures for the page's charts."""

    curves: CurvesRecord
    sky: SkyRecord | None


class PlanRecord(TypedDict):
    """A planned night.

    Times are ISO 8601 with the offset of the place's own clocks then, to the second; angles in
    degrees; a missing figure is null, never a guess.
    """

    format: Literal["stackkit-plan/1"]
    """Name and version of this shape."""
    stackkit: str
    """Version of stackkit that made the plan."""
    made: LocalTime
    place: PlanPlaceRecord
    sky_mag: float
    """Brightness of the sky there without the Moon, as given or taken for granted."""
    skyline_deg: float
    """Altitude from which on targets count."""
    summary: list[str]
    """What to do, in sentences."""
    remarks: list[str]
    """What is to be known besides."""
    ranking: str
    """What the ranks of the nights go by."""
    nights: Annotated[list[NightRecord], Meta(min_length=1)]
    """The nights that were ranked, by date; one where one was asked for."""
    night: ChosenNightRecord
    wanted: str | None
    """id of the target that was asked for."""
    targets: list[TargetRecord]
    """All that stand above the skyline in the window, the best first."""
    pick: TargetRecord | None
    """What the aim and the settings are for; a target that was asked for may stand below the
    skyline."""
    aim: AimRecord
    camera: PlanCameraRecord
    exposure: ExposureRecord
    series: SeriesRecord
    iso: IsoRecord | None
    """null without a test frame."""
    weather: str
    """That it is not known, and what to look up."""
    checklist: list[ChecklistItemRecord]
    """By when things are to be done."""
    cautions: list[str]
    """What can hurt somebody."""
    chart: ChartRecord
