"""The geometry of a run, as plain data for the record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from typing import Literal

import numpy as np

from stackkit.align.position_error import placing_error
from stackkit.align.register import CAMERA, Registration
from stackkit.align.sky_rotation import SkyRotation, measured_angles, pushes
from stackkit.align.warps import PolynomialMapping
from stackkit.arrays import Array, Index
from stackkit.geometry.jacobians import BENDING
from stackkit.geometry.lens import SIDEREAL, Lens, project, unproject
from stackkit.geometry.mapping import AnyMapping, Mapping
from stackkit.geometry.rotation import rotation_angle
from stackkit.schemas.frames import LensRecord, MappingRecord, ModelName, PolynomialRecord
from stackkit.schemas.geometry import (
    AxisRecord,
    ClockRecord,
    GeometryRecord,
    LensSigmaRecord,
    PushRecord,
    ResidualFieldRecord,
)

_CORNER = 0.03
"""Distance from the edges, as a share of a side, of the points taken as corners."""
_SURE_OF_AXIS = np.radians(5)
"""Uncertainty of the zenith up to which a latitude is reported."""
_ROUNDING = 12**-0.5
"""Standard deviation of rounding to whole numbers."""
_STILL = 1.0
"""Greatest motion of the picture, px, that counts as no rotation …"""
_SHOULD = 4.0
"""… if the sky should have moved by this much, px."""


def mapping_record(mapping: AnyMapping | None, model: ModelName | None) -> MappingRecord | None:
    """A mapping with all that is needed to apply it."""
    if model is not None and isinstance(mapping, PolynomialMapping):
        return {"model": model, "polynomial": polynomial_record(mapping)}
    if model is not None and isinstance(mapping, Mapping):
        return {
            "model": model,
            "matrix": mapping.matrix.tolist(),
            "reference_lens": lens_record(mapping.reference),
            "frame_lens": lens_record(mapping.frame),
        }
    return None


def polynomial_record(mapping: PolynomialMapping) -> PolynomialRecord:
    """The fields of the mapping."""
    return {
        "coefficients": mapping.coefficients.tolist(),
        "middle": mapping.middle.tolist(),
        "unit": float(mapping.unit),
        "low": mapping.low.tolist(),
        "high": mapping.high.tolist(),
    }


def lens_record(lens: Lens) -> LensRecord:
    """The fields of a lens as plain data."""
    return {
        "f": lens.f,
        "cx": lens.cx,
        "cy": lens.cy,
        "k1": lens.k1,
        "k2": lens.k2,
        "k3": lens.k3,
        "p1": lens.p1,
        "p2": lens.p2,
        "r_max": lens.r_max,
        "air": lens.air,
        "zenith": list(lens.zenith),
        "projection": lens.projection.value,
    }


def turns(registration: Registration, times: Sequence[datetime | None]) -> list[float | None]:
    """Sky rotation in degrees from the reference frame to each frame, negative before it."""
    geometry, reference = registration.geometry, registration.reference
    if registration.sky_rotation is not None:
        angles = measured_angles(registration.sky_rotation, geometry.rotations, reference)
    else:
        angles = np.array(
            [_signed(geometry.rotations[k], k, reference, times) for k in range(len(times))]
        )
    return [
        float(np.degrees(angle)) if model == CAMERA else None
        for angle, model in zip(angles, registration.models, strict=True)
    ]


def _signed(turn: Array, k: int, reference: int, times: Sequence[datetime | None]) -> float:
    mine, other = times[k], times[reference]
    earlier = mine < other if mine and other else k < reference
    return -rotation_angle(turn) if earlier else rotation_angle(turn)


UNKNOWN_GEOMETRY: GeometryRecord = {
    "lens": None,
    "lens_sigma": None,
    "field_deg": None,
    "axis": None,
    "turn_deg": None,
    "rate_arcsec_s": None,
    "rate_sigma_arcsec_s": None,
    "clock": None,
    "sway_px": None,
    "pushes": None,
    "residual_px": None,
    "zones_px": None,
    "uncertainty_px": None,
    "still": None,
    "residual_field": None,
}
"""For a single frame."""


def geometry_record(
    registration: Registration | None,
    files: Sequence[str],
    times: Sequence[datetime | None],
    size: tuple[int, int],
    used: Sequence[bool],
) -> GeometryRecord:
    """The session's geometry; lists run over the registration's frames."""
    if registration is None:
        return UNKNOWN_GEOMETRY
    geometry, sky_rotation = registration.geometry, registration.sky_rotation
    chosen = [k for k, one in enumerate(used) if one]
    degrees = turns(registration, times)
    known = [turned for k in chosen if (turned := degrees[k]) is not None]
    residuals_px = [registration.residuals[k] for k in chosen]
    zones = np.array([registration.zones[k] for k in chosen])
    by_lens = sum(model == CAMERA for model in registration.models) > 1
    return {
        "lens": lens_record(geometry.lens) if by_lens else None,
        "lens_sigma": _lens_sigma(registration) if by_lens else None,
        "field_deg": field(geometry.lens, *size) if by_lens else None,
        "axis": _axis(registration, size) if sky_rotation else None,
        "turn_deg": max(known) - min(known) if known else None,
        "rate_arcsec_s": _arcsec(sky_rotation.rate) if sky_rotation else None,
        "rate_sigma_arcsec_s": _arcsec(sky_rotation.rate_sigma) if sky_rotation else None,
        "clock": _clock(sky_rotation) if sky_rotation else None,
        "sway_px": sky_rotation.across * geometry.lens.f if sky_rotation else None,
        "pushes": _pushes(registration, files, times) if sky_rotation else [],
        "residual_px": _median(residuals_px),
        "zones_px": [_median(column) for column in zones.T] if len(zones) else None,
        "uncertainty_px": uncertainty(registration, size) if by_lens else None,
        "still": still(registration, times, size),
        "residual_field": residual_field(registration) if by_lens else None,
    }


def residual_field(registration: Registration) -> ResidualFieldRecord | None:
    """Residuals of the stars from the lens model over the picture: {columns, rows, px: row by row}.

    To a ten-thousandth of a pixel; None for a cell with too few stars.
    """
    beside = registration.beside
    if beside is None or not np.isfinite(beside).any():
        return None
    rows, columns, _ = beside.shape
    px = [vector.round(4).tolist() if np.isfinite(vector).all() else None
          for vector in beside.reshape(-1, 2)]  # fmt: skip
    return {"columns": columns, "rows": rows, "px": px}


def _median(values: Sequence[float] | Array) -> float | None:
    finite = [float(v) for v in values if np.isfinite(v)]
    return float(np.median(finite)) if finite else None


def _arcsec(rate: float | None) -> float | None:
    return None if rate is None else float(np.degrees(rate) * 3600)


def _lens_sigma(registration: Registration) -> LensSigmaRecord:
    """Standard deviations of the lens parameters: f and centre px, zenith degrees; 0 if fixed."""
    geometry = registration.geometry
    lens, sigma = geometry.lens, np.sqrt(np.maximum(np.diag(geometry.covariance), 0)).tolist()
    bending = dict(zip(BENDING, sigma[3:8], strict=True))
    return {
        "f": lens.f * sigma[0],
        "cx": lens.f * sigma[1],
        "cy": lens.f * sigma[2],
        "zenith_deg": math.degrees(math.hypot(*sigma[8:10])),
        "k1": bending["k1"],
        "k2": bending["k2"],
        "k3": bending["k3"],
        "p1": bending["p1"],
        "p2": bending["p2"],
        "air": lens.air * sigma[10],
    }


def field(lens: Lens, width: int, height: int) -> list[float] | None:
    """Field of view across the middle, degrees, width and height; None where a fisheye's image
    circle does not reach the sides.
    """
    x, y = (width - 1) / 2, (height - 1) / 2
    sides = [[[-0.5, y], [x, y], [width - 0.5, y]], [[x, -0.5], [x, y], [x, height - 0.5]]]
    rays = unproject(lens, sides)
    if not np.isfinite(rays).all():
        return None
    return [
        sum(float(np.degrees(np.arccos(np.clip(a @ b, -1, 1)))) for a, b in pairwise(r))
        for r in rays
    ]


def _axis(registration: Registration, size: tuple[int, int]) -> AxisRecord:
    """The axis of sky rotation in the reference's camera axes, its pole, and the latitude."""
    sky_rotation, geometry = registration.sky_rotation, registration.geometry
    assert sky_rotation is not None
    lens = geometry.lenses[registration.reference]
    pole, place = _pole_within(lens, sky_rotation.axis, size)
    tilt = np.sqrt(geometry.covariance[8, 8] + geometry.covariance[9, 9])
    sigma = float(np.hypot(sky_rotation.axis_sigma, tilt))
    sine = float(np.clip(sky_rotation.axis @ np.array(lens.zenith), -1, 1))
    moves = bool(
        sky_rotation.rate
        and sky_rotation.rate_sigma
        and sky_rotation.rate > 5 * sky_rotation.rate_sigma
    )
    sure = moves and sigma < _SURE_OF_AXIS
    return {
        "direction": sky_rotation.axis.tolist(),
        "sigma_deg": float(np.degrees(sky_rotation.axis_sigma)) if moves else None,
        "pole": pole,
        "pole_px": place,
        # To a degree only: whoever gets the record should not learn the place.
        "latitude_deg": float(np.round(np.degrees(np.arcsin(sine)))) if sure else None,
        "latitude_sigma_deg": float(np.hypot(np.degrees(sigma), _ROUNDING)) if sure else None,
    }


def _pole_within(
    lens: Lens, axis: Array, size: tuple[int, int]
) -> tuple[Literal["north", "south"] | None, list[float] | None]:
    """Which celestial pole is in the picture, and where, px."""
    poles: tuple[tuple[Literal["north", "south"], Array], ...] = (("north", axis), ("south", -axis))
    for name, ray in poles:
        place = project(lens, ray)
        inside = (place > -0.5).all() and (place < np.array(size) - 0.5).all()
        if np.isfinite(place).all() and inside:
            return name, place.tolist()
    return None, None


def _clock(sky_rotation: SkyRotation) -> ClockRecord | None:
    if sky_rotation.rate is None:
        return None
    # Wind shakes the camera along the axis as much as across it; the rest is the clock's.
    own = float(np.sqrt(max(sky_rotation.along**2 - sky_rotation.across**2, 0.0)))
    return {"trusted": sky_rotation.trusted, "scatter_s": own / SIDEREAL}


def placed_in_order(registration: Registration, times: Sequence[datetime | None]) -> Index:
    """The frames placed by the lens model, in time order where all have a time."""
    placed = [k for k, model in enumerate(registration.models) if model == CAMERA]
    timed = [t for k in placed if (t := times[k]) is not None]
    if len(timed) == len(placed):
        placed = [k for _, k in sorted(zip(timed, placed, strict=True))]
    return np.array(placed, dtype=np.int64)


def _pushes(
    registration: Registration, files: Sequence[str], times: Sequence[datetime | None]
) -> list[PushRecord]:
    sky_rotation = registration.sky_rotation
    assert sky_rotation is not None
    order = placed_in_order(registration, times)
    focal = registration.geometry.lens.f
    return [
        {
            "before": files[push.before],
            "after": files[push.after],
            "time": time.isoformat().replace("+00:00", "Z") if time else None,
            "degrees": float(np.degrees(push.angle)),
            "px": push.angle * focal,
        }
        for push in pushes(sky_rotation, order)
        for time in [times[push.after]]
    ]


def uncertainty(registration: Registration, size: tuple[int, int]) -> list[float | None]:
    """Standard deviation, px, of the mapping at the centre and in the worst corner, at its worst
    in all frames.
    """
    width, height = size
    x, y = _CORNER * width, _CORNER * height
    places = [
        [width / 2, height / 2],
        [x, y],
        [width - x, y],
        [x, height - y],
        [width - x, height - y],
    ]
    frames = [k for k, model in enumerate(registration.models) if model == CAMERA]
    found = np.array(
        [placing_error(registration.geometry, k, registration.reference, np.array(places))
         for k in frames]
    )  # fmt: skip
    return [_most(found[:, 0]), _most(found[:, 1:])]


def _most(values: Array) -> float | None:
    """The greatest; None where a fisheye shows none of the points."""
    seen = values[np.isfinite(values)]
    return float(seen.max()) if len(seen) else None


def still(
    registration: Registration, times: Sequence[datetime | None], size: tuple[int, int]
) -> bool:
    """Whether nothing rotated though the sky should have: copies, a cap, indoors, a mount."""
    x, y = np.meshgrid(np.linspace(0, size[0] - 1, 5), np.linspace(0, size[1] - 1, 5))
    grid = np.stack([x, y], axis=-1)
    placed = [mapping for mapping in registration.mappings if mapping is not None]
    if len(placed) < 2:
        return False
    moved = max(float(np.nanmax(np.abs(m.from_reference(grid) - grid))) for m in placed)
    known = [time for time in times if time is not None]
    span = (max(known) - min(known)).total_seconds() if known else 0.0
    should = span * SIDEREAL * registration.geometry.lens.f
    return moved < _STILL and (should > _SHOULD or span == 0)
