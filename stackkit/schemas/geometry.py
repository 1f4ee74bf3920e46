"""Rows of a run's record: lens, axis and rate of sky rotation, movements of the camera."""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from msgspec import Meta

from stackkit.schemas.fields import NonNegative, Three, ThreeOrNone, Two, TwoOrNone
from stackkit.schemas.frames import LensRecord


class LensSigmaRecord(TypedDict):
    """Standard deviations of the lens parameters: f, cx, cy in pixels, the direction of the zenith
    in degrees, the coefficients in their own units; 0 for parameters that were not fitted.
    """

    f: NonNegative
    """Of the focal length, in pixels."""
    cx: NonNegative
    """Of the optical axis's column, in pixels."""
    cy: NonNegative
    """Of the optical axis's row, in pixels."""
    zenith_deg: NonNegative
    """Of the zenith's direction, in degrees."""
    k1: NonNegative
    """Of k1."""
    k2: NonNegative
    """Of k2."""
    k3: NonNegative
    """Of k3."""
    p1: NonNegative
    """Of p1."""
    p2: NonNegative
    """Of p2."""
    air: NonNegative
    """Of the refraction constant, in radians."""


class AxisRecord(TypedDict):
    """The axis of the sky's rotation in the reference frame's axes; null when it could not be
    measured.
    """

    direction: Three
    """Unit vector to the celestial pole about which the sky turns counterclockwise as seen from the
    camera (the north pole), in camera axes (x right, y down, z forward); without times its sign is
    a guess."""
    sigma_deg: NonNegative | None
    """Standard deviation of the direction in degrees."""
    pole: Literal["north", "south"] | None
    """Which celestial pole is in the picture."""
    pole_px: Two | None
    """Position of that pole in the reference frame, in pixels."""
    latitude_deg: float | None
    """The latitude that axis and zenith imply, in whole degrees north; null unless both are known
    within a few degrees."""
    latitude_sigma_deg: NonNegative | None
    """Its standard deviation in degrees."""


class ClockRecord(TypedDict):
    """The camera's clock compared with the sky: whether the rate it gives agrees with the sidereal
    rate, and the scatter of single times, in seconds; null without times.
    """

    trusted: bool
    """Whether the rate agrees with the sidereal rate within its uncertainty; then the clock helps
    to measure the lens."""
    scatter_s: NonNegative
    """Standard deviation of single times, in seconds."""


class PushRecord(TypedDict):
    """A movement of the camera between two frames."""

    before: str
    """The last file before it."""
    after: str
    """The first file after it."""
    time: str | None
    """Middle of the first exposure after it, ISO 8601."""
    degrees: NonNegative
    """By how much, in degrees."""
    px: NonNegative
    """The same in pixels at the middle of the picture."""


class ResidualFieldRecord(TypedDict):
    """Typical residuals of the stars from the model of lens and rotation, by position in the
    picture (sensor orientation), medians over all frames; null without a lens.
    """

    columns: Annotated[int, Meta(ge=1)]
    """Cells across."""
    rows: Annotated[int, Meta(ge=1)]
    """Cells from top to bottom."""
    px: list[Two | None]
    """x, y in pixels for each cell, row by row; null where there are too few stars."""


class GeometryRecord(TypedDict):
    """Lens, sky rotation and camera movements, measured from the stars."""

    lens: LensRecord | None
    """The lens shared by the frames; null when it could not be measured."""
    lens_sigma: LensSigmaRecord | None
    field_deg: Two | None
    """Width and height of the field in degrees; null where a fisheye's image circle does not reach
    the sides."""
    axis: AxisRecord | None
    turn_deg: float | None
    """Sky rotation from the first used frame to the last, in degrees."""
    rate_arcsec_s: float | None
    """Rate of sky rotation in arc seconds per second of time, from stars and clock alone, without
    assuming the sidereal rate (15.041); null without times."""
    rate_sigma_arcsec_s: NonNegative | None
    """Standard deviation of rate_arcsec_s."""
    clock: ClockRecord | None
    sway_px: NonNegative | None
    """Residual motion of single frames about the steady rotation, standard deviation in pixels at
    the middle: wind, a weak tripod."""
    pushes: list[PushRecord] | None
    """When the camera was moved between two frames, in order of time."""
    residual_px: NonNegative | None
    """Median residual of all matched stars from the mappings, in pixels."""
    zones_px: ThreeOrNone | None
    """residual_px at the centre (inside 0.35 of the half diagonal), in the middle, and in the
    corners (from 0.75)."""
    uncertainty_px: TwoOrNone | None
    """Standard deviation of the mappings at the centre and in the worst corner, in the worst frame,
    from the solution's covariance, in pixels; null for places that a fisheye does not show."""
    still: bool | None
    """Whether nothing rotated though the sky should have."""
    residual_field: ResidualFieldRecord | None
