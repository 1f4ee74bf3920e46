"""Rows of a run's record: the files, where each frame lies, the sessions."""

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
    """Unit vector upwards in camera axes (x right, y down, z forward), as the stars show it by
    refraction."""
    projection: Literal["rectilinear", "stereographic", "equidistant", "equisolid"]
    """Radius r of a ray at the angle t from the axis before distortion: tan t (rectilinear), 2 tan
    t/2 (stereographic), t (equidistant), 2 sin t/2 (equisolid)."""


class PolynomialRecord(TypedDict):
    """Frame pixel = middle + unit * sum of coefficients[i][j] x^i y^j, with x, y = (reference pixel
    - middle) / unit; beyond x, y from low to high it goes on along its tangent.
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
    direction times matrix, direction to pixel by frame_lens. With a polynomial: see there.
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
    """light: an exposure of the sky that can be stacked; copy: of a file that is here, whole or
    broken off; other: anything else."""
    used: bool
    """Whether the file is part of the stack."""
    reason: str
    """Why the file is not used, or counts less than the others, or what is lacking in it, in plain
    words; else empty."""
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
    """The reason in one word, to group by; empty where there is none, or for files that are no
    lights."""
    session: Annotated[int, Meta(ge=1)] | None
    """Number of the session it belongs to; null for what belongs to none."""
    salvaged: Share | None
    """Share of the samples that a file which was cut off still held; null for whole files."""
    time: Time | None
    """Middle of the exposure, ISO 8601, UTC."""
    time_source: str | None
    """Where the time comes from."""
    exposure_s: NonNegative | None
    """Exposure time in seconds."""
    iso: Count | None
    """Sensitivity setting."""
    stars: Count | None
    """Stars found."""
    fwhm_px: NonNegative | None
    """Median width of the stars at half their height, in pixels."""
    weight: NonNegative
    """Weight in the stack, relative to the other frames; 0 when not used."""
    matched: Count | None
    """Stars that other frames show too, at the places where they should be."""
    residual_px: NonNegative | None
    """Median distance of the matched stars from where the mapping puts them, in pixels."""
    chance: Share | None
    """Probability, computed, that the match of this frame's stars with the others' is chance;
    frames above a millionth are refused."""
    zones_px: ThreeOrNone | None
    """residual_px at the centre, in the middle and in the corners of the picture; null where there
    are no stars."""
    turn_deg: float | None
    """How far the sky had turned from the reference frame, in degrees: negative before it, positive
    after."""
    transparency: NonNegative | None
    """Light of the same stars in ADU, relative to the reference frame's, whatever exposure and ISO.
    """
    light: NonNegative | None
    """Share of the light that came through, of a clear frame's in this session; exposure and ISO
    are allowed for. Somewhat above 1 in the clearest frames."""
    elongation: NonNegative | None
    """How far the stars are drawn out in one direction beyond what is usual in the session: 0
    round, 1 a line."""
    clipped: Share | None
    """Share of the samples at their limit."""
    worth: NonNegative | None
    """What the frame adds beside a usual one of its exposure: the product of what light, sky and
    sharpness leave of it. From 0.02 on a frame is used if it can be placed."""
    sky_adu: Three | None
    """Sky level in R, G, B, in ADU above black."""
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
"""A file that is not used, not whole or of reduced weight has a reason, and no other has."""


class SessionRecord(TypedDict):
    """One of the sessions in the folder: frames of one camera, size, lens and night that were aimed
    alike.
    """

    number: Annotated[int, Meta(ge=1)]
    """What --session takes; in time order."""
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
    """Whether it is the one that was stacked."""
    why: str
    """In a few words why it is not one with the session that was stacked; empty for that one."""
