"""The record of a comparison, ``compare.json``."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import (
    Count,
    NonNegative,
    Positive,
    Share,
    Text,
    TwoOrNone,
)


class ComparedFramesRecord(TypedDict):
    """The frames that every method got."""

    given: Count
    """Light frames found."""
    used: Count
    """Light frames that went in."""
    reference: str | None
    """File of the frame that the others were laid on."""
    exposure_s: NonNegative | None
    """Exposure of one frame, s; null when unknown or not the same in all."""
    total_s: NonNegative | None
    """Exposure of all that were used, s."""


class MakeRecord(TypedDict):
    """As the files say."""

    make: str | None
    """Maker."""
    model: str | None
    """Model."""


class FiguresRecord(TypedDict):
    """What was measured of a method's stack."""

    noise_gain: NonNegative | None
    """Noise of one frame over the noise of this stack."""
    noise_share: NonNegative | None
    """The noise gain over the square root of the number of frames used."""
    width_px: NonNegative | None
    """Median full width at half maximum of the stars, px."""
    width_ratio: NonNegative | None
    """The same over that of one frame."""
    depth_mag: float | None
    """By how many magnitudes a star may be fainter than in one frame to stand out by 5 sigma."""
    trail_left: float | None
    """What is left of trails, as a share of what a plain mean leaves; null without trails."""
    hot_left: float | None
    """Mean excess along the tracks of hot pixels, in units of the noise of one frame; null without
    any."""
    core_bias: float | None
    """Light in the cores of bright stars against the mean's, as a fraction; null without such
    stars."""
    colour_shift: TwoOrNone | None
    """Red over green and blue over green of the stars against the mean's, as fractions."""
    faintest_adu: NotRequired[NonNegative | None]
    """Light in green, ADU, of a star that stands out five times from the noise."""


class MethodRecord(FiguresRecord):
    """One method, its parameters and what was measured of its stack.

    Order: as it was made.
    """

    name: Text
    """Its name, as the option of the command takes it; no two are the same."""
    purpose: str
    """What it is for, one line."""
    parameters: dict[str, float | str | bool | None]
    """Name and value of each parameter it was run with."""
    rejected_share: Share | None
    """Share of the samples that were left out; null where the method does not sort them."""
    seconds: NonNegative | None
    """Time that the method alone took, s."""
    score: Annotated[float, Meta(le=1)] | None
    """Its usefulness as a share of the best's: 1 is the best."""


class RecommendationRecord(TypedDict):
    """What to take; null when nothing speaks for any."""

    method: str
    """Name of the method."""
    reasons: list[str]
    """Whole sentences."""
    as_good: list[str]
    """Names of methods that are as good within what can be measured."""


class ConvergenceRecord(TypedDict):
    """One point."""

    frames: Annotated[int, Meta(ge=1)]
    """Frames that went in."""
    noise_gain: NonNegative | None
    """Noise of one frame over the noise of their stack."""


CropPlace = Literal["star-field", "trail", "faint", "corner", "bright-star"]


class CropRecord(TypedDict):
    """One place of the picture, cut out of the stacks."""

    place: CropPlace
    """What the place is to show; each at most once."""
    title: str
    """The place in words."""
    x: int
    """Left column of the crop on the grid of the reference frame, px, counted from 0."""
    y: int
    """Upper row of the crop, px."""
    width: Annotated[int, Meta(ge=1)]
    """Width, px."""
    height: Annotated[int, Meta(ge=1)]
    """Height, px."""
    magnified: Positive
    """How many times as large the crop is meant to be shown."""
    pictures: dict[str, str]
    """Name of the PNG file of each method; all of one place are stretched alike."""
    note: str | None
    """What to look at here."""


class TimingRecord(TypedDict):
    """Where the time went."""

    shared_s: NonNegative | None
    """Reading, cleaning and aligning, which all methods share, s."""
    all_s: NonNegative | None
    """All of it, s."""


class ComparisonRecord(TypedDict):
    """The same frames integrated by several methods, and what was measured of each.

    A missing figure is null, never a guess.
    """

    format: Literal["stackkit-compare/1"]
    """Name and version of this shape."""
    version: str
    """Version of stackkit that wrote the record."""
    made: Annotated[str, Meta(extra_json_schema={"format": "date-time"})]
    """When, UTC, ISO 8601."""
    frames: ComparedFramesRecord
    camera: MakeRecord | None
    methods: Annotated[list[MethodRecord], Meta(min_length=1, max_length=12)]
    """One to twelve methods."""
    recommendation: RecommendationRecord | None
    convergence: list[ConvergenceRecord]
    """Noise gain of the recommended method's first frames, by rising number."""
    crops: list[CropRecord]
    """A place that the night does not have is missing."""
    timing: TimingRecord
