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
    """The frames given to every method."""

    given: Count
    """Light frames found."""
    used: Count
    """Light frames used."""
    reference: str | None
    """File of the reference frame."""
    exposure_s: NonNegative | None
    """Exposure of one frame, s; null when unknown or not the same in all."""
    total_s: NonNegative | None
    """Total exposure of the frames used, s."""


class MakeRecord(TypedDict):
    """The camera, from the files."""

    make: str | None
    """Maker."""
    model: str | None
    """Model."""


class FiguresRecord(TypedDict):
    """Measurements of a method's stack."""

    noise_gain: NonNegative | None
    """Noise of one frame over the noise of this stack."""
    noise_share: NonNegative | None
    """The noise gain over the square root of the number of frames used."""
    width_px: NonNegative | None
    """Median FWHM of the stars, px."""
    width_ratio: NonNegative | None
    """The FWHM over that of one frame."""
    depth_mag: float | None
    """By how many magnitudes a star detected at 5 sigma may be fainter than in one frame."""
    trail_left: float | None
    """What is left of trails, as a share of what a plain mean leaves; null without trails."""
    hot_left: float | None
    """Mean excess along the tracks of hot pixels, in units of the noise of one frame; null without
    any."""
    core_bias: float | None
    """Light in the cores of bright stars compared with the mean's, as a fraction; null without such
    stars."""
    colour_shift: TwoOrNone | None
    """Red over green and blue over green of the stars compared with the mean's, as fractions."""
    faintest_adu: NotRequired[NonNegative | None]
    """Light in green, ADU, of a star at five times the noise."""


class MethodRecord(FiguresRecord):
    """One method, its parameters and the measurements of its stack.

    In the order in which they were made.
    """

    name: Text
    """Its name, as the option of the command takes it; no two are the same."""
    purpose: str
    """What it is for, one line."""
    parameters: dict[str, float | str | bool | None]
    """Names and values of its parameters."""
    rejected_share: Share | None
    """Share of the samples that were rejected; null where the method rejects none."""
    seconds: NonNegative | None
    """Time taken by the method alone, s."""
    score: Annotated[float, Meta(le=1)] | None
    """Its usefulness relative to the best method, which has 1."""


class RecommendationRecord(TypedDict):
    """The recommended method; null when none is recommended."""

    method: str
    """Name of the method."""
    reasons: list[str]
    """The reasons, in sentences."""
    as_good: list[str]
    """Names of methods that are equally good within the measurement's accuracy."""


class ConvergenceRecord(TypedDict):
    """One point of the convergence."""

    frames: Annotated[int, Meta(ge=1)]
    """Number of frames stacked."""
    noise_gain: NonNegative | None
    """Noise of one frame over the noise of their stack."""


CropPlace = Literal["star-field", "trail", "faint", "corner", "bright-star"]


class CropRecord(TypedDict):
    """One place of the picture, cut out of the stacks."""

    place: CropPlace
    """What the place shows; each at most once."""
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
    """By how much the crop should be enlarged."""
    pictures: dict[str, str]
    """Name of the PNG file of each method; all of one place have the same stretch."""
    note: str | None
    """What to look for here."""


class TimingRecord(TypedDict):
    """Times taken."""

    shared_s: NonNegative | None
    """Reading, calibration and alignment, which all methods share, s."""
    all_s: NonNegative | None
    """Total, s."""


class ComparisonRecord(TypedDict):
    """The same frames integrated by several methods, and the measurements of each.

    A missing figure is null, never a guess.
    """

    format: Literal["stackkit-compare/1"]
    """Name and version of this shape."""
    version: str
    """Version of stackkit that wrote the record."""
    made: Annotated[str, Meta(extra_json_schema={"format": "date-time"})]
    """Time of the comparison, UTC, ISO 8601."""
    frames: ComparedFramesRecord
    camera: MakeRecord | None
    methods: Annotated[list[MethodRecord], Meta(min_length=1, max_length=12)]
    """One to twelve methods."""
    recommendation: RecommendationRecord | None
    convergence: list[ConvergenceRecord]
    """Noise gain of the first frames by the recommended method, by rising number."""
    crops: list[CropRecord]
    """The places cut out; those that this night does not have are missing."""
    timing: TimingRecord
