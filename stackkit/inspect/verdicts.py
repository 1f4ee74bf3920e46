"""What the figures mean, in sentences: reasons, advice, verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackkit.align.matching import LEAST_PAIRS
from stackkit.inspect.facts import Seen
from stackkit.noise.limits import READ_SHARE
from stackkit.noise.photon_transfer import Noise, variance_of

BRIGHT_SKY = 0.5
"""Share of the range above which the sky leaves stars too little room (common practice)."""
FULL = 0.9
"""Share of the range above which nothing but sky is visible."""
_DARK = 0.005
"""Share of the range below which a picture is black."""
_MOST_CLIPPED = 0.01
_LONG = 1.0
"""Trail as a multiple of the stars' width above which stars look elongated."""
_SPREAD = 0.23
"""A trail of L px adds L²/12 to the variance along it, 8 ln 2 · L²/24 to the mean square FWHM."""
_SHARP = 1.5
"""The least FWHM of stars, px."""
_ELONGATED = 0.35
_UNLIKE = 0.3
"""Spread of the widths above which they are not those of stars (0.03 to 0.2 on simulated nights
in focus, 0.3 to 0.8 in photographs by day)."""
_WIDE = 5.0
"""FWHM, px, above which stars are probably out of focus (common practice)."""
_FEW = 10
_COARSE = 0.5
"""Noise of the sky, in steps between codes, below which the steps become visible."""


@dataclass(frozen=True)
class NightFigures:
    """What the advice on a set of lights is based on; None where unknown.

    ``exposure`` s; ``level`` of the sky in R, G, B as a share of the range of ``span`` ADU;
    ``step`` between codes; ``fwhm`` px; ``drift`` px/s as measured, ``fastest``: the greatest speed
    of the sky in px/s, from the focal length.
    """

    count: int
    exposure: float | None
    level: tuple[float, float, float]
    clipped: float
    span: float
    step: int | None
    noise: Noise | None
    stars: int
    fwhm: float | None
    elongation: float | None
    drift: float | None
    fastest: float | None


def read_noise_share(conditions: NightFigures) -> float | None:
    """Noise of the green sky over what it would be without read noise; None without a gain."""
    noise = conditions.noise
    if noise is None or noise.slope <= 0:
        return None
    sky = max(conditions.level[1], 0.0) * conditions.span
    return float(np.sqrt(1 + noise.floor / max(noise.slope * sky, 1e-9)))


def trail(conditions: NightFigures) -> float | None:
    """Motion of a star during an exposure, px."""
    if conditions.drift is None or conditions.exposure is None:
        return None
    return conditions.drift * conditions.exposure


def unfit(level: Sequence[float], seen: Seen | None, exposure: float | None, graded: str) -> str:
    """Why a light cannot be stacked; empty when it can.  ``graded``: the reason in its grade."""
    brightest = max(level)
    if brightest > FULL:
        return f"overexposed: the sky fills {_percent(brightest)} of the range"
    if graded:
        return graded
    if seen is None or not seen.stars:
        return "no stars in it: cloud, a covered lens, or far out of focus"
    if seen.stars < LEAST_PAIRS:
        return f"only {seen.stars} stars in it, too few to place it"
    if exposure is None and not _like_stars(seen):
        return "its brightest spots are not shaped like stars: not a night sky, or trailed"
    return ""


def _like_stars(seen: Seen) -> bool:
    """Stars are round and of equal width; bright spots in daylight scenes are neither."""
    if seen.spread is None or seen.elongation is None:
        return False
    return seen.spread < _UNLIKE or seen.elongation < _ELONGATED


def short_exposure(exposure: float | None, level: Sequence[float]) -> str:
    """Description of a picture whose exposure is too short for stars."""
    if max(level) < _DARK:
        return "hardly any light in it: too short an exposure for stars, or a covered lens"
    how = f" ({seconds(exposure)})" if exposure else ""
    return f"taken in bright light{how}: no stars; fine as a test of what the camera writes"


def advice(conditions: NightFigures) -> list[str]:
    """What to do better next time, the most important first."""
    return [
        text
        for text in (
            _too_bright(conditions),
            _drawn_out(conditions),
            _out_of_focus(conditions),
            _too_short(conditions),
            _too_coarse(conditions),
            _too_few(conditions),
        )
        if text
    ]


def _too_bright(c: NightFigures) -> str:
    brightest = max(c.level)
    if brightest >= BRIGHT_SKY:
        shorter = "expose shorter"
        if c.exposure and brightest < FULL:
            shorter += f" (about {seconds(nice(c.exposure * 0.3 / brightest))})"
        return (
            f"Overexposed: the sky fills {_percent(brightest)} of the range, which leaves little "
            f"room for stars. Next time {shorter}, or lower the ISO."
        )
    if c.clipped > _MOST_CLIPPED:
        return (
            f"{_percent(c.clipped)} of the samples are clipped: a lamp or the Moon is in the"
            " picture. Turn the camera away from it, or use a shorter exposure."
        )
    return ""


def _drawn_out(c: NightFigures) -> str:
    """Trails or a shaken camera: elongated stars with or without enough motion of the sky."""
    if c.fwhm is None or c.elongation is None or not c.exposure:
        return ""
    length = trail(c)
    if length is not None:
        width = float(np.sqrt(max(c.fwhm**2 - _SPREAD * length**2, _SHARP**2)))
        if length > _LONG * width:
            most = nice(c.exposure * width / length)
            start = f"Stars are trailed: they move {length:.1f} px during an exposure"
            return f"{start}. {_up_to(most)}"
    if c.elongation <= _ELONGATED:
        return ""
    start = f"Stars are elongated ({c.elongation:.2f})"
    if length is None and c.fastest is None:
        return f"{start}: trailed by the sky's rotation, or shaken."
    if length is None and c.fastest and c.fastest * c.exposure > _LONG * c.fwhm:
        return (
            f"{start}; with this lens the sky may move {c.fastest * c.exposure:.0f} px in "
            f"{seconds(c.exposure)}: trailed. {_up_to(nice(c.fwhm / c.fastest))}"
        )
    return (
        f"{start} more than the sky's rotation explains: the camera shook. Use a timer, and shelter"
        " the tripod from wind."
    )


def _up_to(longest: float) -> str:
    return f"Exposures of up to {seconds(longest)} would keep them round; take more of them."


def _out_of_focus(c: NightFigures) -> str:
    if c.fwhm is None or c.fwhm <= _WIDE:
        return ""
    return (
        f"Stars are {c.fwhm:.1f} px wide, which is a lot: focus again on a bright star, and look "
        "for dew on the lens."
    )


def _too_short(c: NightFigures) -> str:
    share = read_noise_share(c)
    if share is None or share < READ_SHARE:
        return ""
    how = "expose longer or use a wider aperture"
    length = trail(c)
    if length is not None and c.fwhm is not None and length > 0.7 * c.fwhm:
        how = "use a wider aperture, or take more frames (longer exposures would trail)"
    if share > 3:
        return (
            "The sky is hardly brighter than the read noise: most of the noise is the camera's"
            f" own. Next time {how}."
        )
    return (
        f"Read noise makes the sky {_percent(share - 1)} noisier than its own light does. "
        f"Next time {how}."
    )


def _too_coarse(c: NightFigures) -> str:
    if c.noise is None or c.step is None:
        return ""
    scatter = float(np.sqrt(variance_of(c.noise, max(c.level[1], 0.0) * c.span)))
    if scatter >= _COARSE * c.step:
        return ""
    return (
        f"The noise of the sky is only {scatter / c.step:.2f} of one digital step: faint detail is"
        " lost. Raise the ISO, or expose longer."
    )


def _too_few(c: NightFigures) -> str:
    if c.count >= _FEW or not c.stars:
        return ""
    if c.count == 1:
        return "One frame alone: there is nothing to average. Take a few dozen."
    return f"{c.count} frames are few: noise falls with their square root. Take a few dozen."


def nice(value: float) -> float:
    """A round figure: the next lower of 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8 · 10ⁿ."""
    if not value > 0:
        return value
    scale = 10.0 ** np.floor(np.log10(value))
    steps = [s for s in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 8) if s * scale <= value * (1 + 1e-9)]
    return float(steps[-1] * scale) if steps else float(scale)


def seconds(value: float) -> str:
    """An exposure as cameras show it: 8 s, 1.5 s, 1/250 s."""
    if 0 < value < 0.3:
        return f"1/{round(1 / value)} s"
    return f"{value:.3g} s"


def _percent(share: float) -> str:
    """Two significant figures, or whole percent from 99.5 on."""
    return f"{100 * share:.2g} %" if share < 0.995 else f"{100 * share:.0f} %"
