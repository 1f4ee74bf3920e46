"""Defects and fixed pattern: deviations that stay with the sensor while the sky moves over it.

Every frame gives for every site the deviation of its sample from the first stack's prediction.  A
site that is off in most frames is a defect.  Lasting deviations too weak to be seen site by site
are a fixed pattern, which the drifting sky would draw out into streaks.  Its strength follows from
the two halves of the session: what they agree on is pattern, the rest is noise.  A site's mean
deviation, times the pattern's share in it (Wiener), is subtracted.  Where the sky does not move,
the first stack holds the pattern itself and nothing is subtracted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter
from scipy.special import erfc

from stackkit.arrays import Mask, Plane
from stackkit.calibration.apply import RELIEF_STEP
from stackkit.calibration.mosaic_cache import Coding
from stackkit.jit import jit
from stackkit.raw.bayer import colour_at
from stackkit.robust import sigma_about_zero

Pattern = NDArray[np.int16]

_BEYOND_DOUBT = 4.0
"""Mean deviation over all frames, in standard deviations of such means, that makes a defect."""
_PER_ROOT = 1.3
"""With few frames the limit is this much times √N: a lasting deviation of 1.3 standard deviations
of a sample would be visible in the picture.  Then a good site in a hundred is lost as well, at the
cost of its light only."""
_LEAST = 2.6
_STARRY, _HALO = 1.0, 2
"""Increase of the limit near a star's path, and the distance, px: there the light counts."""
_VOICE = 3.0
"""Limit of one frame's deviation at a site: a single trail is no lasting defect."""
_PIECE = 4
"""Rejected samples in 3×3 that form a group: a trail, not a hot pixel."""
_CROWD_SIDE, _CROWD = 15, 8.5
"""More than eight lasting sites in 15×15 are no chance: one site in a hundred may be bad, rarely
one in thirty."""
_RESTLESS = 0.35
"""Share of sites beyond 2 σ in 15×15 that no pattern explains; by chance it is 0.05."""
_FEWEST = 3
_MOVED, _APART = 3.5, 8.0
"""Drift of the sky, px, above which a star without its core (two widths) and a faint star that
moved from one half of the session to the other (two widths again) differ from sensor defects."""
_LEAST_PATTERN = 0.1
"""Share of the pattern in the variance of a site's mean above which it is subtracted."""


@dataclass(frozen=True)
class Evidence:
    """Sums over the frames for each site, filled in by :func:`add_evidence`.

    ``voices`` (2, H, W): summed deviations of the session's two halves; how many were ``seen``
    (2, H, W), and whether a star ever crossed the site (``starry``, H, W).
    """

    voices: Plane
    seen: NDArray[np.int16]
    starry: Mask


def no_evidence(shape: tuple[int, int]) -> Evidence:
    """No frames added yet, for any site (H, W)."""
    voices = np.zeros((2, *shape), dtype=np.float32)
    return Evidence(voices, np.zeros((2, *shape), dtype=np.int16), np.zeros(shape, dtype=bool))


def add_evidence(evidence: Evidence, deviation: Plane, rejected: Mask, *, late: bool) -> None:
    """Add the deviations of one frame of the first or the second (``late``) half of the session.

    ``deviation`` (H, W) in standard deviations, NaN where unknown; ``rejected`` (H, W).  Groups of
    rejected samples are something in the sky and do not count.
    """
    _add_evidence(deviation, rejected, evidence.voices[int(late)], evidence.seen[int(late)])


@jit
def _add_evidence(deviation, rejected, voices, seen):  # type: ignore[no-untyped-def]
    height, width = deviation.shape
    for y in range(height):
        for x in range(width):
            v = deviation[y, x]
            if rejected[y, x]:
                around = 0
                for j in range(max(y - 1, 0), min(y + 2, height)):
                    for i in range(max(x - 1, 0), min(x + 2, width)):
                        around += rejected[j, i]
                if around >= _PIECE:
                    continue
            if np.isfinite(v):
                voices[y, x] += min(max(v, -_VOICE), _VOICE)
                seen[y, x] += 1


def limits(frames: int) -> tuple[float, float]:
    """Mean deviation, in standard deviations of such means, that makes a defect.

    For this number of frames; the first for the empty sky, the second where a star passed.
    """
    limit = float(np.clip(_PER_ROOT * np.sqrt(frames), _LEAST, _BEYOND_DOUBT))
    return limit, limit + _STARRY


def convicted(evidence: Evidence, suspects: Mask, frames: int, moved: float) -> Mask:
    """Sites (H, W) that are off in most frames, and suspects without any data.

    ``moved``: how far the sky moved over the sensor, px.  Where that is little, a star without its
    core, which is suspect, resembles a hot pixel; sites that close to a star are acquitted.
    """
    seen = evidence.seen.sum(axis=0)
    mean = evidence.voices.sum(axis=0) / np.sqrt(np.maximum(seen, 1))
    known = seen >= max(_FEWEST, frames // 2)
    starry = _dilated(evidence.starry, _HALO)
    empty, crossed = limits(frames)
    off = known & (np.abs(mean) > np.float32(empty * _scatter(mean, known & ~starry)))
    off &= ~starry | (np.abs(mean) > np.float32(crossed * _scatter(mean, known & starry)))
    if moved < _MOVED:
        off &= ~starry
    accident = float(erfc(empty / np.sqrt(2)))
    return np.asarray((suspects & (off | ~known)) | lone(off & ~suspects, accident))


def _scatter(mean: Plane, known: Mask) -> float:
    """Scatter of the known sites' means: the first stack holds some of each frame's own noise."""
    some = mean[::3, ::3][known[::3, ::3]]
    return max(sigma_about_zero(some), 1e-3) if len(some) > 99 else 1.0


def lone(sites: Mask, accident: float = 0.0) -> Mask:
    """Without the sites (H, W) in a crowd: those are ground or cloud, not defects.

    ``accident`` is the share of good sites that may be among them by chance.
    """
    expected = accident * _CROWD_SIDE**2
    crowd = uniform_filter(sites.astype(np.float32), _CROWD_SIDE) * _CROWD_SIDE**2
    return np.asarray(sites & (crowd < _CROWD + expected + 3 * np.sqrt(expected)))


def _dilated(mask: Mask, reach: int) -> Mask:
    """Places within a square's ``reach`` of one that is set, in a tenth of ``ndimage``'s time."""
    for axis in (0, 1):
        wider = mask.copy()
        own, other = np.moveaxis(mask, axis, 0), np.moveaxis(wider, axis, 0)
        for step in range(1, reach + 1):
            other[step:] |= own[:-step]
            other[:-step] |= own[step:]
        mask = wider
    return mask


def restless(evidence: Evidence) -> Mask:
    """Where (H, W) most sites are off together: ground or cloud, which the sky's model does not
    explain.
    """
    seen = evidence.seen.sum(axis=0)
    mean = evidence.voices.sum(axis=0) / np.sqrt(np.maximum(seen, 1))
    off = np.abs(mean) > np.float32(2 * _scatter(mean, seen > 0))
    return np.asarray(uniform_filter(off.astype(np.float32), _CROWD_SIDE) > _RESTLESS)


def pattern_share(evidence: Evidence, defects: Mask, moved: float) -> float:
    """Share of a lasting pattern in the variance of the sites' means; 0 if negligible.

    Only where the sky moved (``moved``, px) so far that what the session's halves agree on comes
    from the sensor.
    """
    if moved < _APART:
        return 0.0
    good = ~defects & ~evidence.starry & (evidence.seen > 0).all(axis=0)
    if np.count_nonzero(good) < 10_000:
        return 0.0
    counts = [seen[good] for seen in evidence.seen]
    early, late = (v[good] / n for v, n in zip(evidence.voices, counts, strict=True))
    # By signs (quadrant correlation): a few strong sites among clean ones are no pattern.
    agree = float(np.mean(np.sign(early) * np.sign(late), dtype=np.float64))
    correlation = float(np.sin(0.5 * np.pi * agree))
    # Two halves that agree so far make a whole that agrees more (Spearman-Brown).
    share = 2 * correlation / (1 + correlation) if correlation > 0 else 0.0
    return share if share > _LEAST_PATTERN else 0.0


def fixed_pattern(
    evidence: Evidence,
    defects: Mask,
    share: float,
    noise: Plane,
    layout: NDArray[np.int64],
    coding: Coding,
) -> Pattern:
    """The pattern to subtract from each good site (H, W), in codes of the cache.

    ``noise`` (3, …, …): standard deviation of a sample in ADU, an entry every ``RELIEF_STEP`` px.
    """
    pattern = np.zeros(defects.shape, dtype=np.int16)
    voices, seen = evidence.voices.sum(axis=0), evidence.seen.sum(axis=0)
    seen[defects] = 0
    _pattern(voices, seen, share / coding.step, noise, layout, pattern)
    return pattern


@jit
def _pattern(voices, seen, share, noise, layout, pattern):  # type: ignore[no-untyped-def]
    for y in range(pattern.shape[0]):
        for x in range(pattern.shape[1]):
            if seen[y, x] > 0:
                sigma = noise[colour_at(x, y, layout), y // RELIEF_STEP, x // RELIEF_STEP]
                pattern[y, x] = np.rint(share * sigma * voices[y, x] / seen[y, x])
