"""Rows of a run's record: how the frames were combined and what came of it."""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import (
    Count,
    Matrix,
    NonNegative,
    Positive,
    Share,
    Three,
    ThreeOrNone,
    Two,
)


class NoiseByFramesRecord(TypedDict):
    """What the first so many frames bring."""

    frames: Annotated[int, Meta(ge=1)]
    """Number of frames."""
    noise_gain: NonNegative | None
    """Noise of one frame over that of so many."""


class TrailRecord(TypedDict):
    """A trail that was cut out of a frame."""

    frame: str
    """File name."""
    start: Two
    """x, y in px of the frame."""
    end: Two
    """x, y in px of the frame."""
    width_px: NonNegative
    """Full width that was cut, px."""


class CoverageRecord(TypedDict):
    """How many frames stand behind the pixels, as a coarse map in sensor orientation; COVERAGE in
    the FITS file has every pixel.
    """

    columns: Annotated[int, Meta(ge=1)]
    """Cells across."""
    rows: Annotated[int, Meta(ge=1)]
    """Cells from top to bottom."""
    frames: list[NonNegative]
    """Mean number of frames in each cell, row by row."""


class FaintestRecord(TypedDict):
    """The faintest star that stands out by 5 sigma in green, from the noise and the stars' widths;
    null where they could not be told.
    """

    frame_adu: NonNegative
    """Its light in one frame, in ADU."""
    stack_adu: NonNegative
    """Its light in the stack, in ADU of one frame."""
    gained_mag: float
    """The difference in magnitudes: by how much fainter stars show."""


class IntegrationRecord(TypedDict):
    """How the frames were combined."""

    method: str
    """Name of the method."""
    frames: Count
    """Number of frames combined."""
    defects: Count
    """Sensor samples treated as missing because the pixel is hot or dead."""
    rejected_share: Share | None
    """Share of the samples left out as outliers."""
    noise_frame_adu: ThreeOrNone | None
    """Noise of a single frame in R, G, B, in ADU."""
    noise_stack_adu: ThreeOrNone | None
    """Noise of the stack in R, G, B, in ADU."""
    noise_gain: NonNegative | None
    """By what factor the noise fell against a single frame."""
    pattern: bool
    """Whether a fixed pattern of the sensor was taken off."""
    noise_by_frames: list[NoiseByFramesRecord]
    """By what factor the noise fell with the first frame, the first two, four, eight … and all;
    empty where it was not measured."""
    star_gain: NonNegative
    """Signal-to-noise of a star in the stack over that in the reference, from the frames' weights:
    the root of their sum."""
    trails: list[TrailRecord]
    """What crossed the frames and was cut out as a line; empty where the method has no say in that.
    """
    sampling: Literal[1, 2]
    """Places of the grid a pixel of the sensor, in either direction."""
    clip_adu: float
    """ADU above black from which on a pixel of the stack counts as clipped: it is kept as it is."""
    coverage: CoverageRecord
    faintest: FaintestRecord | None


class CameraColourRecord(TypedDict):
    """The camera's matrices for this white; null when the file has none."""

    white_xy: Two
    """CIE 1931 chromaticity of the white."""
    xyz_to_camera: Matrix
    """XYZ to the camera's colours."""
    balanced_to_xyz_d50: Matrix
    """The camera's colours, divided by neutral, to XYZ under D50."""
    illuminants_k: list[float | None]
    """Temperatures of the lights of the calibrations, kelvin; null where unknown."""
    forward: bool
    """Whether forward matrices were used."""


White = Literal["asshot", "daylight", "stars"]


class ColourRecord(TypedDict):
    """How colours were made in the pictures for editing and in the preview (DNG 1.7.1, chapter 6).

    Null where no files were written.
    """

    white: White | Three
    """The white asked for: asshot, daylight, stars, or multipliers for R, G, B."""
    white_words: str
    """What was taken for white, in words."""
    neutral: Three
    """What white looks like to the camera: R, G, B, greatest 1."""
    multipliers: Three
    """What R, G, B were multiplied by, least 1."""
    kelvin: float | None
    """Correlated colour temperature of the white; null when the camera's colours are not known."""
    space: str
    """Name of the space whose linear light stack.tif has."""
    camera: CameraColourRecord | None
    balanced_to_space: Matrix
    """The camera's colours, divided by neutral, to linear R, G, B of the space."""
    assumed: bool
    """Whether the camera's colours are not known and were taken for sRGB's."""
    full_adu: Positive
    """ADU that are 1.0 in the colour that clips first."""
    as_shot: Three | None
    """White by the camera's own word: R, G, B, greatest 1."""
    stars: Three | None
    """The middle of the unclipped stars' colours: R, G, B, greatest 1."""


class GradientRecord(TypedDict):
    """The smooth light of the sky in the stack; null where there is too little sky to tell."""

    strength: Annotated[float, Meta(ge=1)]
    """How many times brighter a place is than that opposite it, at most."""
    towards_deg: float
    """Where it gets brighter in the upright picture, degrees clockwise from up."""
    sky_adu: Three
    """Its median in R, G, B, ADU."""
    map: list[list[float]]
    """Light over its median, in rows from the top of the upright picture."""


class EditingRecord(TypedDict):
    """What to know of the numbers in stack.tif.

    Null where no files were written.
    """

    bits: Literal[16, 32]
    """Bits of a value."""
    pedestal: NonNegative
    """Was added to every value, so that editors keep dark noise."""
    below_zero_share: float
    """Share of the values that are below zero all the same."""
    full_scale: float
    """The value that is full scale in a 16-bit file."""
    gradient_removed: bool
    """Whether the smooth light of the sky was taken off stack.fits, stack.tif and stack.dng."""


class OutputRecord(TypedDict):
    """What was written."""

    folder: str
    """The folder of the files below."""
    files: dict[str, str]
    """File names by kind, such as fits, tiff, preview, jpeg, record."""
    width: Annotated[int, Meta(ge=1)]
    """Width of the stack in pixels, in sensor orientation."""
    height: Annotated[int, Meta(ge=1)]
    """Height of the stack in pixels, in sensor orientation."""
