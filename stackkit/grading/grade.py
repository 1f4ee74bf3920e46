"""Grades each frame: whether it is used, with what weight, and why that is reduced or zero."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stackkit.align.matching import LEAST_PAIRS
from stackkit.align.pairing import typical_width
from stackkit.align.register import Registration
from stackkit.grading.diagnosis import CLIPPED, STREAKED, Cause, of_blur, of_loss, of_unplaced
from stackkit.grading.indicators import Indicators, indicators, sharpness
from stackkit.noise.photon_transfer import variance_of
from stackkit.stars.measure import Measurement
from stackkit.stars.sky_mesh import Sky, where_seen

LEAST_WEIGHT = 0.02
"""Relative weight below which a frame is left out: fifty such frames add as much as one."""
MOST_OFF = 0.5
"""Median residual of the stars, px, above which a frame is misaligned, unless its centroids are
that uncertain."""


@dataclass(frozen=True)
class Grade:
    """A frame's grade.  ``weight`` is relative to the reference's, 0 when not used.

    ``reason``: why it is left out or has reduced weight, in words, ``cause`` in one word;
    ``relative_weight`` compared with a usual frame of its exposure.  ``fwhm`` and ``residual`` px;
    ``elongation`` beyond the session's, 0 to 1; ``sky`` ADU for R, G, B; ``clipped`` share of the
    samples; ``transparency`` ADU relative to the reference, ``light``: share of a clear frame's
    light; None where it could not be measured.
    """

    used: bool
    weight: float
    reason: str = ""
    cause: Cause = Cause.NONE
    relative_weight: float | None = None
    stars: int | None = None
    matched: int | None = None
    fwhm: float | None = None
    elongation: float | None = None
    residual: float | None = None
    transparency: float | None = None
    light: float | None = None
    sky: tuple[float, float, float] | None = None
    clipped: float | None = None


def unread(reason: str) -> Grade:
    """The grade of a file without samples."""
    return Grade(False, 0.0, reason, Cause.UNREAD)


def grade(
    measurements: Sequence[Measurement],
    transparency: Sequence[float],
    registration: Registration | None,
) -> list[Grade]:
    """Grades in the order of the frames.

    Weight = transparency² / sky variance · sharpness: the inverse variance of a star's light after
    the frame is scaled to the reference, times the factor for blur (``indicators.sharpness``).
    Without a registration (one frame) the frame is simply used.
    """
    plain = [_measured(measurement) for measurement in measurements]
    if registration is None:
        return plain
    found = indicators(measurements, transparency, registration)
    reference = registration.reference
    weights = _weights(measurements, transparency, found, reference)
    grades = []
    for k, known in enumerate(plain):
        own = replace(
            known,
            matched=registration.matched[k],
            residual=_or_none(registration.residuals[k]),
            transparency=_or_none(transparency[k]),
            light=_or_none(found.light[k]),
            elongation=_or_none(found.drawn[k]),
            relative_weight=_or_none(
                np.exp(found.by_light[k] + found.by_sky[k] + found.by_blur[k])
            ),
        )
        cause, fault = Cause.NONE, ""
        if k != reference:
            cause, fault = _fault(
                own, measurements[k], registration.unmatched_reasons.get(k, ""), found, k
            )
        if fault:
            grades.append(replace(own, used=False, weight=0.0, reason=fault, cause=cause))
            continue
        cause = of_loss(found, k)
        counts = own.relative_weight or 0
        reason = f"{_words(cause, found, k)}; weight {counts:.2f}" if cause else ""
        grades.append(replace(own, weight=weights[k], reason=reason, cause=cause))
    return grades


def _measured(measurement: Measurement) -> Grade:
    return Grade(
        True,
        1.0,
        stars=len(measurement.stars),
        fwhm=_or_none(typical_width(measurement.stars)),
        sky=measurement.sky.level,
        clipped=measurement.first_check.clipped,
    )


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _weights(
    measurements: Sequence[Measurement],
    transparency: Sequence[float],
    found: Indicators,
    reference: int,
) -> list[float]:
    """Each frame's inverse variance on the reference's scale, relative to the reference's, whose
    sky is taken where the frame has data; sharpness 1 where unknown.
    """
    sharp = np.nan_to_num(sharpness(found.long, found.short), nan=1.0)
    light = np.square(transparency) * sharp / (transparency[reference] ** 2 * sharp[reference])
    known = measurements[reference]
    return [
        float(
            share
            * _variance(known, where_seen(known.sky, measurement.sky))
            / _variance(measurement)
        )
        for share, measurement in zip(light, measurements, strict=True)
    ]


def _variance(measurement: Measurement, sky: Sky | None = None) -> float:
    """Variance of a green sample at the level of ``sky`` (default: the frame's own), ADU²."""
    level = float(np.nan_to_num((sky or measurement.sky).level[1]))
    return float(variance_of(measurement.noise, level))


def _fault(
    found: Grade, measurement: Measurement, stray: str, s: Indicators, k: int
) -> tuple[Cause, str]:
    """Why a frame is not used, as a cause and in words; empty when it is."""
    stars = len(measurement.stars)
    if not stars or stars < LEAST_PAIRS or found.residual is None or not found.matched:
        seen = bool(s.expected[k] > np.sqrt(measurement.noise.floor))
        cause = of_unplaced(s, k, stars, stray, seen=seen)
        return cause, stray or f"{_words(cause, s, k)}; {_how_few(stars)}"
    certain = float(np.median(measurement.stars.sigma_xy[:200]))
    if s.clipped[k] > CLIPPED:
        return Cause.CLIPPED, _words(Cause.CLIPPED, s, k)
    if s.twin[k] and s.drawn[k] < STREAKED:
        return Cause.SHAKEN, _words(Cause.SHAKEN, s, k)
    if found.residual > max(MOST_OFF, 4 * certain):
        cause = of_blur(s, k)
        off = f"lie {found.residual:.1f} px from where they should"
        if cause is Cause.DEFOCUS:
            return Cause.MOVED, f"camera moved: its stars {off}"
        return cause, f"{_words(cause, s, k)}; they {off}"
    if s.drawn[k] > STREAKED:
        return Cause.TRAILED, f"{_words(Cause.TRAILED, s, k)}, whose light cannot be measured"
    if found.relative_weight is not None and found.relative_weight < LEAST_WEIGHT:
        cause = of_loss(s, k)
        return cause, f"{_words(cause, s, k)}; it would add next to nothing"
    return Cause.NONE, ""


def _how_few(stars: int) -> str:
    if not stars:
        return "no stars in it"
    if stars < LEAST_PAIRS:
        return f"only {'one star' if stars == 1 else f'{stars} stars'} in it, too few to place it"
    return f"its {stars} stars do not match the other frames"


def _words(cause: Cause, s: Indicators, k: int) -> str:
    """The cause with its measured figures."""
    lost = f"{100 * (1 - s.light[k]):.0f} % of the light lost" if s.light[k] < 1 else ""
    blurred = f"stars {s.width[k]:.1f} times as wide as usual" if s.width[k] > 0 else ""
    figures = {
        Cause.CLOUD: lost,
        Cause.HAZE: lost,
        Cause.LOW: lost,
        Cause.DEFOCUS: blurred,
        Cause.SHAKEN: "stars are elongated or double",
        Cause.TRAILED: "stars are streaks",
        Cause.DEW: ", ".join(text for text in (lost, blurred) if text),
        Cause.GLOW: f"the sky {s.sky[k]:.1f} times as bright as usual",
        Cause.TORCH: f"the sky {s.sky[k]:.1f} times as bright as usual",
        Cause.COVERED: "neither stars nor sky",
        Cause.CLIPPED: f"{100 * s.clipped[k]:.0f} % of the samples clipped",
    }.get(cause, "")
    return f"{cause}: {figures}" if figures else str(cause)
