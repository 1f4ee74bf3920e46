"""Rows of a run's record: the files, the mapping of each frame, the sessions."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import (
    Count,
    Digest,
    Matrix,
    NonNegative,
    Positive,
    Share,
    Text,
    Three,
    ThreeOrNone,
    Time,
    Two,
)


class LensRecord(TypedDict):
    """A lens: a projection, then radial-tangential distortion after Brown (1966).

    In the plane transforms f is 1 and all else 0.
    """

    f: Positive
    """Focal length in pixels."""
    cx: float
    """Column of the optical axis in pixels; 0 is the centre of the first pixel."""
    cy: float
    """Row of the optical axis in pixels; 0 is the centre of the first pixel."""
    k1: float
    """Radial coefficient of r squared."""
    k2: float
    """Radial coefficient of r to the fourth."""
    k3: float
    """Radial coefficient of r to the sixth."""
    p1: float
    """First tangential coefficient."""
    p2: float
    """Second tangential coefficient."""
    r_max: float | None
    """Radius r beyond which the radial polynomial is continued by its tangent; null for no such
    limit."""
    air: NonNegative
    """Refraction constant R0 in radians (at sea level 2.96e-4), 0 for none. A direction d is lifted
    to d + R0 z / (c + 0.003126 / (c + 0.0889)), z the zenith and c = d.z."""
    zenith: Three
    """Unit vector upwards in camera axes (x right, y down, z forward), measured from the
    refraction of the stars."""
    projection: Literal["rectilinear", "stereographic", "equidistant", "equisolid"]
    """Radius r of a ray at the angle t from the axis before distortion: tan t (rectilinear), 2 tan
    t/2 (stereographic), t (equidistant), 2 sin t/2 (equisolid)."""


class PolynomialRecord(TypedDict):
    """Frame pixel = middle + unit * sum of coefficients[i][j] x^i y^j, with x, y = (reference pixel
    - middle) / unit; beyond low and high it is continued by its tangent.
    """

    coefficients: list[list[Two]]
    """Coefficients [i][j], each for x and for y."""
    middle: Two
    """x, y in pixels."""
    unit: Positive
    """Pixels."""
    low: Two
    """Least x, y, in units."""
    high: Two
    """Greatest x, y, in units."""


ModelName = Literal["camera", "similarity", "affine", "homography", "quadratic", "cubic"]


class MappingRecord(TypedDict):
    """From the reference grid to this frame.

    Null when the frame was not placed. With a matrix: pixel to direction by reference_lens,
    direction times matrix, direction to pixel by frame_lens. With a polynomial: see polynomial.
    """

    model: ModelName
    """camera: lens and rotation. Else a transform of this frame alone, chosen by cross-validation
    where no lens explains it: similarity, affine, homography (the matrix is between pixels),
    quadratic, cubic (a polynomial)."""
    matrix: NotRequired[Matrix]
    """3 x 3 matrix, row by row, that takes a direction (column vector: x right, y down, z forward)
    in the reference frame's axes to the frame's."""
    reference_lens: NotRequired[LensRecord]
    """Lens of the reference grid."""
    frame_lens: NotRequired[LensRecord]
    """Lens of the frame."""
    polynomial: NotRequired[PolynomialRecord]


_ONE_MODEL = Meta(
    extra_json_schema={
        "anyOf": [
            {"required": ["matrix", "reference_lens", "frame_lens"]},
            {"required": ["polynomial"]},
        ]
    }
)


class FrameRecord(TypedDict):
    """One file of the folder, used or not."""

    file: Text
    """File name as given, relative to the folder."""
    role: Literal["light", "copy", "other"]
    """light: an exposure of the sky that can be stacked; copy: a complete or truncated copy of
    another file here; other: anything else."""
    used: bool
    """Whether the file is part of the stack."""
    reason: str
    """Why the file is not used, or has reduced weight, or what is missing in it, in plain words;
    else empty."""
    cause: Literal[
        "",
        "cloud",
        "haze",
        "low in the sky",
        "out of focus",
        "shaken",
        "trailed",
        "dew",
        "moonlight or twilight",
        "torch or headlights",
        "lens covered",
        "over-exposed",
        "camera moved",
        "another part of the sky",
        "not readable",
    ]
    """The reason in one word, for grouping; empty where there is none, or for files that are not
    lights."""
    session: Annotated[int, Meta(ge=1)] | None
    """Number of the session it belongs to; null if it belongs to none."""
    salvaged: Share | None
    """Share of the samples still readable in a truncated file; null for whole files."""
    time: Time | None
    """Middle of the exposure, ISO 8601, UTC."""
    time_source: str | None
    """Where the time comes from."""
    exposure_s: NonNegative | None
    """Exposure time in seconds."""
    iso: Count | None
    """ISO setting."""
    stars: Count | None
    """Number of stars detected."""
    fwhm_px: NonNegative | None
    """Median FWHM of the stars, in pixels."""
    weight: NonNegative
    """Weight in the stack, relative to the other frames; 0 when not used."""
    matched: Count | None
    """Stars matched with other frames at the expected places."""
    residual_px: NonNegative | None
    """Median distance of the matched stars from the positions the mapping predicts, in pixels."""
    chance: Share | None
    """Computed probability that the match of this frame's stars with the others' is by chance;
    frames above one in a million are refused."""
    zones_px: ThreeOrNone | None
    """residual_px at the centre, in the middle and in the corners of the picture; null where there
    are no stars."""
    turn_deg: float | None
    """Sky rotation from the reference frame, in degrees: negative before it, positive after."""
    transparency: NonNegative | None
    """Light of the same stars in ADU, relative to the reference frame, not corrected for exposure
    and ISO."""
    light: NonNegative | None
    """Transparency relative to a clear frame of this session, corrected for exposure and ISO.
    Slightly above 1 in the clearest frames."""
    elongation: NonNegative | None
    """Elongation of the stars beyond what is usual in the session: 0 round, 1 a line."""
    clipped: Share | None
    """Share of the samples that are clipped."""
    worth: NonNegative | None
    """Relative weight compared with a usual frame of its exposure: the product of the factors for
    transparency, sky background and sharpness. From 0.02 on a frame is used if it can be placed."""
    sky_adu: Three | None
    """Sky background in R, G, B, in ADU above black."""
    mapping: Annotated[MappingRecord, _ONE_MODEL] | None
    sha256: Digest | None
    """SHA-256 of the file's bytes, in hexadecimal; null for files that were not read whole."""
    picture: Annotated[str, Meta(pattern=r"^frame-\d{5,}\.webp$")] | None
    """Name of its thumbnail within the pictures file of output.files; null where there is none."""


_NO_REASON = {"properties": {"reason": {"const": ""}}}
_REASON = {"properties": {"reason": {"minLength": 1}}}
REASONED = Meta(
    extra_json_schema={
        "if": {"properties": {"used": {"const": True}}},
        "then": {
            "properties": {"role": {"const": "light"}},
            "if": {"properties": {"cause": {"const": ""}, "salvaged": {"const": None}}},
            "then": _NO_REASON,
            "else": _REASON,
        },
        "else": {"properties": {"reason": {"minLength": 1}, "weight": {"const": 0}}},
    }
)
"""Only a file that is not used, not whole or of reduced weight has a reason."""


class SessionRecord(TypedDict):
    """One of the sessions in the folder: frames of one camera, size, lens and night with the same
    aim.
    """

    number: Annotated[int, Meta(ge=1)]
    """Number for --session; in time order."""
    frames: Annotated[int, Meta(ge=1)]
    """How many frames belong to it."""
    first: str
    """File name of its first frame."""
    last: str
    """File name of its last frame."""
    begin: Time | None
    """Middle of the first exposure, ISO 8601, UTC."""
    end: Time | None
    """Middle of the last exposure, ISO 8601, UTC."""
    camera: str | None
    """Maker and model."""
    exposures_s: list[Positive]
    """The exposure times that occur, in seconds."""
    chosen: bool
    """Whether it is the session that was stacked."""
    why: str
    """In a few words why it is separate from the session that was stacked; empty for that one."""
