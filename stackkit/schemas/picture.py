"""Rows of a run's record: how the frames were combined, and the result."""

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
    """Noise of the stack of the first few frames."""

    frames: Annotated[int, Meta(ge=1)]
    """Number of frames."""
    noise_gain: NonNegative | None
    """Noise of one frame over that of their stack."""


class TrailRecord(TypedDict):
    """A trail that was cut out of a frame."""

    frame: str
    """File name."""
    start: Two
    """x, y in px of the frame."""
    end: Two
    """x, y in px of the frame."""
    width_px: NonNegative
    """Full width that was cut out, px."""


class CoverageRecord(TypedDict):
    """Number of frames per pixel as a coarse map in sensor orientation; COVERAGE in the FITS file
    has every pixel.
    """

    columns: Annotated[int, Meta(ge=1)]
    """Cells across."""
    rows: Annotated[int, Meta(ge=1)]
    """Cells from top to bottom."""
    frames: list[NonNegative]
    """Mean number of frames in each cell, row by row."""


class FaintestRecord(TypedDict):
    """The faintest star detected at 5 sigma in green, from the noise and the stars' widths; null
    where they could not be measured.
    """

    frame_adu: NonNegative
    """Its light in one frame, in ADU."""
    stack_adu: NonNegative
    """Its light in the stack, in ADU of one frame."""
    gained_mag: float
    """The difference in magnitudes: how much fainter the faintest star is."""


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
    """By what factor the noise fell compared with a single frame."""
    pattern: bool
    """Whether a fixed pattern of the sensor was subtracted."""
    noise_by_frames: list[NoiseByFramesRecord]
    """By what factor the noise fell with the first frame, the first two, four, eight … and all;
    empty where it was not measured."""
    star_gain: NonNegative
    """Signal-to-noise of a star in the stack over that in the reference, from the frames' weights:
    the root of their sum."""
    trails: list[TrailRecord]
    """Trails that crossed the frames and were cut out; empty where the method does not look for
    them."""
    sampling: Literal[1, 2]
    """Grid pixels per sensor pixel, in either direction."""
    clip_adu: float
    """ADU above black at which a pixel of the stack counts as clipped; its value is kept."""
    coverage: CoverageRecord
    faintest: FaintestRecord | None


class CameraColourRecord(TypedDict):
    """The camera's matrices for this white; null when the file has none."""

    white_xy: Two
    """CIE 1931 chromaticity of the white."""
    xyz_to_camera: Matrix
    """From XYZ to the camera's colours."""
    balanced_to_xyz_d50: Matrix
    """From the camera's colours, divided by neutral, to XYZ under D50."""
    illuminants_k: list[float | None]
    """Colour temperatures of the calibration illuminants, kelvin; null where unknown."""
    forward: bool
    """Whether forward matrices were used."""


White = Literal["asshot", "daylight", "stars"]


class ColourRecord(TypedDict):
    """Colour conversion of the pictures for editing and of the preview (DNG 1.7.1, chapter 6).

    Null where no files were written.
    """

    white: White | Three
    """The white asked for: asshot, daylight, stars, or multipliers for R, G, B."""
    white_words: str
    """What was taken as white, in words."""
    neutral: Three
    """The camera's response to white: R, G, B, greatest 1."""
    multipliers: Three
    """Multipliers of R, G, B, least 1."""
    kelvin: float | None
    """Correlated colour temperature of the white; null when the camera's colours are not known."""
    space: str
    """Name of the colour space of stack.tif, which is linear."""
    camera: CameraColourRecord | None
    balanced_to_space: Matrix
    """From the camera's colours, divided by neutral, to linear R, G, B of the space."""
    assumed: bool
    """Whether the camera's colours are unknown and were taken as those of sRGB."""
    full_adu: Positive
    """ADU that become 1.0 in the colour that clips first."""
    as_shot: Three | None
    """White as the camera recorded it: R, G, B, greatest 1."""
    stars: Three | None
    """Median colour of the unclipped stars: R, G, B, greatest 1."""


class GradientRecord(TypedDict):
    """The smooth sky background of the stack; null where there is too little sky to measure it."""

    strength: Annotated[float, Meta(ge=1)]
    """Greatest ratio of the brightness of a place to that of the place opposite."""
    towards_deg: float
    """Direction in which it gets brighter in the upright picture, degrees clockwise from up."""
    sky_adu: Three
    """Its median in R, G, B, ADU."""
    map: list[list[float]]
    """Sky background over its median, in rows from the top of the upright picture."""


class EditingRecord(TypedDict):
    """What the numbers in stack.tif mean.

    Null where no files were written.
    """

    bits: Literal[16, 32]
    """Bits per value."""
    pedestal: NonNegative
    """Added to every value, so that editors keep the noise of a dark sky."""
    below_zero_share: float
    """Share of the values that are still below zero."""
    full_scale: float
    """The value that becomes full scale in a 16-bit file."""
    gradient_removed: bool
    """Whether the smooth sky background was subtracted from stack.fits, stack.tif and stack.dng."""


class OutputRecord(TypedDict):
    """The files that were written."""

    folder: str
    """The folder of the files below."""
    files: dict[str, str]
    """File names by kind, such as fits, tiff, preview, jpeg, record."""
    width: Annotated[int, Meta(ge=1)]
    """Width of the stack in pixels, in sensor orientation."""
    height: Annotated[int, Meta(ge=1)]
    """Height of the stack in pixels, in sensor orientation."""
