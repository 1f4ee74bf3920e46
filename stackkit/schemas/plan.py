"""The record that ``plan --json`` prints."""

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
    """A point of a target's track."""

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
    """Its identifier."""
    name: str
    """Its name."""
    kind: str
    """Its kind."""
    ra_deg: float
    """ICRS."""
    dec_deg: float
    """ICRS."""
    size_deg: Two
    """Along and across."""
    mag: float | None
    """V, of the whole or of its brightest star."""
    ease: Annotated[int, Meta(ge=1, le=3)]
    """1: shows in one frame; 2: in a stack; 3: needs a dark sky and many frames."""
    why: str
    """What it is good for."""
    usable: SpanRecord
    best: LocalTime
    altitude_deg: float
    """When it is best, without refraction."""
    azimuth_deg: float
    """From north through east."""
    compass: str
    """The nearest of sixteen points."""
    level: Level
    """Below 35°, below 60°, above."""
    track: list[TrackRecord]
    """Its positions during the usable span."""
    moon_distance_deg: float | None
    """Distance from the Moon; null when the Moon is down."""
    near_moon: bool
    """Within 30° of a Moon above the horizon."""
    sky_mag: float
    """Brightness of the sky there, mag/arcsec² in V: Krisciunas & Schaefer 1991."""
    washed: bool
    """Whether it is diffuse and the sky too bright for it."""
    moonlight_mag: float
    """By how much the Moon brightens the sky there, magnitudes."""
    size_px: Two
    """Size along and across, in the middle of the picture."""
    fit: Fit
    """How its size suits this lens."""
    score: float
    """The score by which targets are ordered."""


class AimRecord(TypedDict):
    """Where the level camera points."""

    altitude_deg: float
    azimuth_deg: float
    compass: str
    declination_deg: float
    """Declination of the middle of the picture."""
    at: LocalTime | None
    target: str | None
    """Name of the pick."""


class PlanCameraRecord(TypedDict):
    """The camera that the settings are for."""

    said: str
    """The camera as given."""
    like: str | None
    """Name of the test frame."""
    assumed: bool
    """Whether no camera was given and a usual phone is assumed."""
    focal_mm: Positive
    focal_35mm: Positive
    """The 35 mm equivalent, by the diagonal."""
    f_number: Positive
    pitch_um: Positive
    size_px: Two
    """Width and height."""
    projection: str
    """rectilinear, stereographic, equidistant or equisolid."""
    field_deg: TwoOrNone
    """Across the middle; null where the lens's image circle does not reach the sides."""
    sees: str
    """The field in words."""
    scale_arcsec_px: float
    """Image scale in the middle."""


class StarSpeedRecord(TypedDict):
    """Speeds of the stars across the picture."""

    fastest: float
    middle: float
    slowest: float


class RuleRecord(TypedDict):
    """A rule of thumb."""

    name: str
    formula: str
    seconds: float
    middle_px: float
    """Length of the trail in the middle."""
    fastest_px: float
    """Longest trail."""


class ExposureRecord(TypedDict):
    """The exposure time."""

    set_s: Positive
    """The exposure to set, seconds."""
    asked: bool
    """Whether the user asked for this exposure."""
    trail_px: float
    """Longest trail in the picture with this exposure."""
    allowed_px: float
    """Allowed length of trails."""
    limit_s: float
    """Seconds until the fastest star of the picture trails by allowed_px, by the projection."""
    middle_limit_s: float | None
    """The same for a star in the middle; null at the pole."""
    rate_px_s: StarSpeedRecord
    why: str
    """Why the best-known rule allows more; empty where it does not."""
    rules: list[RuleRecord]
    """Rules of thumb for comparison."""


class SeriesRecord(TypedDict):
    """The series of frames."""

    frames: Annotated[int, Meta(ge=1)]
    exposure_s: float
    total_s: float
    """Total exposure."""
    cadence_s: float
    """Time from the start of one frame to the start of the next."""
    length_s: float
    """Length of the whole series."""
    asked_s: float
    """Length of the series asked for, which may not fit into the usable hours."""
    bytes: int
    """Space on the card, at most."""
    battery_share: Share
    """Share of a full battery that is used, a guess."""
    drift_px: Two
    """Motion of a star in the middle from start to end, right and down."""
    drift_words: str
    framing: str
    shared_share: Share
    """Share of the picture common to all frames."""
    bottom_deg: float
    """Altitude at the middle of the lower edge."""
    ground: str
    """When to stop because of the foreground."""
    start_by: LocalTime | None
    stop_at: LocalTime | None


class IsoAdviceRecord(TypedDict):
    """Noise at the test frame's ISO with the planned exposure."""

    iso: int
    """ISO of the test frame."""
    sky_e: float
    """Electrons of sky background per pixel in the planned exposure."""
    read_e: float
    """Electrons of read noise."""
    noise_ratio: float
    """Noise of the sky with read noise over that without."""
    lowest_iso: int | None
    """The lowest ISO that surely keeps noise_ratio below 1.15."""
    words: str


class IsoRecord(TypedDict):
    """Advice on the ISO from a test frame."""

    remark: str
    """Why there is no advice; otherwise empty."""
    advice: IsoAdviceRecord | None


class ChecklistItemRecord(TypedDict):
    """Things to do on one occasion."""

    title: str
    items: list[str]


class TargetCurveRecord(TypedDict):
    """Altitudes of a target at the times of the chart."""

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
    """The sky when the picked target is best placed."""

    time: LocalTime
    stars: list[ChartedStarRecord]
    moon: DirectionRecord | None
    targets: list[ChartedTargetRecord]
    frame: list[DirectionRecord]
    """The outline of the picture."""


class ChartRecord(TypedDict):
    """Figures for the page's charts."""

    curves: CurvesRecord
    sky: SkyRecord | None


class PlanRecord(TypedDict):
    """A planned night.

    Times are ISO 8601 with the offset of local time then, to the second; angles in
    degrees; a missing figure is null, never a guess.
    """

    format: Literal["stackkit-plan/1"]
    """Name and version of this shape."""
    stackkit: str
    """Version of stackkit that made the plan."""
    made: LocalTime
    place: PlanPlaceRecord
    sky_mag: float
    """Brightness of the sky there without the Moon, as given or assumed."""
    skyline_deg: float
    """Altitude above which targets count."""
    summary: list[str]
    """What to do, in sentences."""
    remarks: list[str]
    """Further remarks, in sentences."""
    ranking: str
    """How the nights are ranked."""
    nights: Annotated[list[NightRecord], Meta(min_length=1)]
    """The ranked nights by date; a single one if one was asked for."""
    night: ChosenNightRecord
    wanted: str | None
    """id of the target asked for."""
    targets: list[TargetRecord]
    """All targets above the skyline in the window, the best first."""
    pick: TargetRecord | None
    """The target of the aim and settings; one that was asked for may be below the
    skyline."""
    aim: AimRecord
    camera: PlanCameraRecord
    exposure: ExposureRecord
    series: SeriesRecord
    iso: IsoRecord | None
    """Advice on the ISO; null without a test frame."""
    weather: str
    """That the weather is not included, and what to look up."""
    checklist: list[ChecklistItemRecord]
    """Things to do, by occasion."""
    cautions: list[str]
    """Dangers to be careful of."""
    chart: ChartRecord
