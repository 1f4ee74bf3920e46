"""Judges each frame: whether it is used, with what weight, and if not, why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stackkit.matching import LEAST_PAIRS
from stackkit.noise import Noise, variance_of
from stackkit.normalise import Sky, where_seen
from stackkit.pairing import typical_width
from stackkit.register import Registration
from stackkit.stars import Stars

MOST_BLUR = 1.6
"""Star width over the session's median above which a frame would blur the stack."""
LEAST_LIGHT = 0.1
"""Transparency below which a frame adds only noise."""
MOST_OFF = 0.5
"""Median distance of stars from the mapping, px, above which a frame does not lie where it should,
unless its centroids are so uncertain."""
_SHAKEN = 0.35
"""Elongation of the stars beyond the session's median that says the camera moved."""


@dataclass(frozen=True)
class Grade:
    """A frame's judgement.  ``weight`` is relative to the reference's, 0 when not used.

    ``fwhm`` and ``residual`` px; ``sky`` ADU for R, G, B; ``transparency`` relative to the
    reference; None where it could not be measured.
    """

    used: bool
    weight: float
    reason: str = ""
    stars: int | None = None
    matched: int | None = None
    fwhm: float | None = None
    residual: float | None = None
    transparency: float | None = None
    sky: tuple[float, float, float] | None = None


def unread(reason: str) -> Grade:
    """A file that gave no samples."""
    return Grade(False, 0.0, reason)


def grade(
    tables: Sequence[Stars],
    skies: Sequence[Sky],
    transparency: Sequence[float],
    noise: Noise,
    registration: Registration | None,
) -> list[Grade]:
    """Grades in the order of the frames.

    Weight = transparency² / (sky variance · width²): the inverse variance of a star's light after
    the frame is scaled to the reference, since a wider star takes in the noise of more sky (the
    noise-equivalent area, 4π σ² for a Gaussian: King 1983, PASP 95:163).  Without a registration
    (one frame) the frame is simply used.
    """
    plain = [_measured(table, sky) for table, sky in zip(tables, skies, strict=True)]
    if registration is None:
        return plain
    reference = registration.reference
    widths = np.array([typical_width(table) for table in tables])
    usual_width = float(np.nanmedian(widths))
    shapes = np.array([np.median(t.elongation[:200]) if len(t) else np.nan for t in tables])
    usual_shape = float(np.nanmedian(shapes))
    grades = []
    for k, known in enumerate(plain):
        found = replace(
            known,
            matched=registration.matched[k],
            residual=_or_none(registration.residuals[k]),
            transparency=_or_none(transparency[k]),
        )
        wide = widths[k] / usual_width
        shaken = shapes[k] > usual_shape + _SHAKEN
        stray = registration.strays.get(k, "")
        reason = "" if k == reference else _fault(found, tables[k], stray, wide, shaken)
        if reason:
            grades.append(replace(found, used=False, weight=0.0, reason=reason))
        else:
            beside = where_seen(skies[reference], skies[k])
            share = transparency[k] ** 2 * _sky_variance(beside, noise)
            share *= _width_share(widths[reference], widths[k])
            grades.append(replace(found, weight=float(share / _sky_variance(skies[k], noise))))
    return grades


def _measured(table: Stars, sky: Sky) -> Grade:
    return Grade(True, 1.0, stars=len(table), fwhm=_or_none(typical_width(table)), sky=sky.level)


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _width_share(reference: float, width: float) -> float:
    """Noise-equivalent area of the reference's stars over this frame's; 1 where unknown."""
    share = (reference / width) ** 2 if width > 0 else np.nan
    return float(share) if np.isfinite(share) else 1.0


def _sky_variance(sky: Sky, noise: Noise) -> float:
    level = np.nan_to_num(sky.level[1])
    return float(variance_of(noise, float(level)))


def _fault(found: Grade, table: Stars, stray: str, wide: float, shaken: bool) -> str:
    """Why a frame is not used; empty when it is.  ``stray``: why it fits nowhere, if known."""
    if not found.stars:
        return "no stars in it: cloud, a covered lens, or far out of focus"
    if found.stars < LEAST_PAIRS:
        stars = "one star" if found.stars == 1 else f"{found.stars} stars"
        return f"only {stars} in it, too few to place it"
    if found.residual is None or not found.matched:
        return (
            stray
            or f"its {found.stars} stars do not match the other frames: cloud, or another direction"
        )
    certain = float(np.median(table.sigma_xy[:200]))
    if found.residual > max(MOST_OFF, 4 * certain):
        return f"its stars lie {found.residual:.1f} px from where they should: the camera moved"
    if found.transparency is not None and found.transparency < LEAST_LIGHT:
        return f"only {100 * found.transparency:.0f} % of the light came through: cloud or dew"
    if wide > MOST_BLUR and found.fwhm is not None:
        cause = "shaken during the exposure" if shaken else "out of focus, or dew on the lens"
        return f"blurred: stars {found.fwhm:.1f} px wide, {wide:.1f} times the usual: {cause}"
    return ""
