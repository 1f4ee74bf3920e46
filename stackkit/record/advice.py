"""What to do differently next time, from the record."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from stackkit.geometry.lens import SIDEREAL
from stackkit.grading.diagnosis import Cause
from stackkit.schemas.frames import FrameRecord
from stackkit.schemas.geometry import GeometryRecord
from stackkit.schemas.run import CameraRecord

_MUCH_SKY = 0.5
"""Share of the range that the sky background may fill."""
_FEW = 16
"""Frames below which more of them are recommended."""
_OFTEN = 0.1
"""Share of the frames above which advice is given."""


def advice(
    rows: Sequence[FrameRecord], geometry: GeometryRecord, camera: CameraRecord
) -> list[str]:
    """What to do differently next time, from the measurements; empty where all was well."""
    lights = [row for row in rows if row["role"] == "light"]
    used = [row for row in lights if row["used"]]
    counts = {cause: sum(row["cause"] == cause for row in lights) for cause in Cause}
    often = max(_OFTEN * len(lights), 1)
    shaken = counts[Cause.SHAKEN] + counts[Cause.TRAILED]
    pushes = len(geometry["pushes"] or [])
    found = []
    if shaken >= often or pushes:
        found.append(
            "The camera moved: hang a bag from the tripod or put it lower, out of the wind, start "
            "each series with the self-timer, and step away."
        )
    if counts[Cause.DEW]:
        found.append(
            "Dew settled on the lens: let the camera take on the air's temperature before you "
            "start, shade the lens, and keep a hand warmer beside it."
        )
    if counts[Cause.DEFOCUS] >= often:
        found.append("Focus was lost: set it by hand on a bright star, and lock it.")
    if counts[Cause.TORCH]:
        found.append("Light shone in: keep torches and screens away from the front of the lens.")
    found += [*_exposure(geometry, used), *_sky(camera, used)]
    if 1 < len(used) < _FEW:
        found.append(
            f"{len(used)} frames went in: noise falls with the square root of their number, so "
            f"four times as many would halve it."
        )
    return found


def _exposure(geometry: GeometryRecord, used: Sequence[FrameRecord]) -> Iterator[str]:
    """Whether stars at the celestial equator, where they move fastest, trailed by more than their
    width in each exposure.
    """
    lens = geometry["lens"]
    width = median_of([row["fwhm_px"] for row in used])
    seconds = median_of([row["exposure_s"] for row in used])
    if lens and width and seconds:
        drift = SIDEREAL * lens["f"] * seconds
        if drift > width:
            yield (
                f"In {seconds:g} s stars move by up to {drift:.0f} px, more than their own width: "
                f"with this lens take more frames of {seconds * width / drift:.2g} s or less."
            )


def _sky(camera: CameraRecord, used: Sequence[FrameRecord]) -> Iterator[str]:
    skies = [row["sky_adu"][1] for row in used if row["sky_adu"] is not None]
    level, white, black = median_of(skies), camera["white"], camera["black"]
    if level and white and black:
        share = level / (white - float(np.mean(black)))
        if share > _MUCH_SKY:
            yield (
                f"The sky alone fills {100 * share:.0f} % of the sensor's range: expose for a "
                "shorter time or at a lower ISO, so that stars keep their colours."
            )


def median_of(values: Sequence[float | None]) -> float | None:
    """The median of those that are known; None where none is."""
    known = [float(v) for v in values if v is not None and np.isfinite(v)]
    return float(np.median(known)) if known else None
