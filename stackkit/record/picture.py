"""The record of the finished picture: noise, coverage, the faintest star."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Array, Plane
from stackkit.integration.passes import Integration
from stackkit.integration.tiles import Placed
from stackkit.integration.weighted_sum import NoiseBlocks
from stackkit.noise.photon_transfer import block_noise
from stackkit.schemas.picture import (
    CoverageRecord,
    FaintestRecord,
    IntegrationRecord,
    NoiseByFramesRecord,
)
from stackkit.stars.detect import SIGMA_TO_FWHM
from stackkit.stars.photometry import middle, widths

_CELLS = 24
"""Cells along the longer side of the coverage map."""
_SURE = 5.0
"""Noise sigmas by which a star is detected with certainty."""
_BLOCK = 8
"""Side, px, of the blocks of whose means the noise is measured."""


def integration_record(
    placed: Sequence[Placed],
    integration: Integration,
    names: Sequence[str],
    clip: float,
    alone: Plane,
    stars: Array,
) -> IntegrationRecord:
    """How the frames ``placed`` were combined, and the result.

    ``names``: the files of all lights by number; ``clip``: where the stack clips, ADU; ``alone``
    (H, W): the reference frame in green; ``stars`` (N, 2): places in it to measure widths at.
    """
    picture, verdict, noise = integration.picture, integration.verdict, integration.noise
    before = block_noise(noise.frame) if noise else None
    after = block_noise(noise.stack) if noise else None
    green = (before[1], after[1]) if before and after else (None, None)
    faint = faintest(alone, picture.value[1], stars, green, integration.sampling)
    return {
        "method": integration.method,
        "frames": len(placed),
        "defects": int(verdict.defects.sum()),
        "rejected_share": verdict.rejected,
        "noise_frame_adu": before,
        "noise_stack_adu": after,
        "noise_gain": green[0] / green[1] if green[0] and green[1] else None,
        "pattern": verdict.pattern is not None,
        "noise_by_frames": convergence(noise) if noise else [],
        "star_gain": float(np.sqrt(sum(frame.weight for frame in placed))),
        "trails": [
            {
                "frame": names[number],
                "start": list(trail.start),
                "end": list(trail.end),
                "width_px": trail.width,
            }
            for number, found in sorted(verdict.trails.items())
            for trail in found
        ],
        "sampling": integration.sampling,
        "clip_adu": clip,
        "coverage": coverage_record(picture.coverage),
        "faintest": faint,
    }


def convergence(noise: NoiseBlocks) -> list[NoiseByFramesRecord]:
    """By what factor the noise fell with the first frame, two, four … all.

    Means over the colours that could be measured.
    """
    levels = [
        np.array([np.nan if v is None else v for v in block_noise(means)]) for means in noise.means
    ]
    rows: list[NoiseByFramesRecord] = []
    for frames, level in zip(noise.frames, levels, strict=True):
        gains = levels[0] / np.where(level > 0, level, np.nan)
        known = gains[np.isfinite(gains)]
        rows.append({"frames": frames, "noise_gain": float(known.mean()) if len(known) else None})
    return rows


def coverage_record(coverage: NDArray[np.int16]) -> CoverageRecord:
    """Mean number of frames (H, W) in about square cells: {columns, rows, frames: row by row}."""
    height, width = coverage.shape
    across, down = (
        min(max(round(_CELLS * side / max(width, height)), 1), side) for side in (width, height)
    )
    rows = np.linspace(0, height, down + 1).round().astype(int)
    columns = np.linspace(0, width, across + 1).round().astype(int)
    total = np.add.reduceat(np.add.reduceat(coverage, rows[:-1], 0, np.int64), columns[:-1], 1)
    means = total / np.outer(np.diff(rows), np.diff(columns))
    return {"columns": across, "rows": down, "frames": means.round(2).ravel().tolist()}


def faintest(
    alone: Plane,
    stack: Plane,
    stars: Array,
    noise: tuple[float | None, float | None],
    sampling: int = 1,
) -> FaintestRecord | None:
    """Light of the faintest star detected at 5 sigma, in one frame and in the stack, green.

    ``alone`` (H, W): the frame; ``stack``: the picture, ``sampling`` times as large; ``stars``
    (N, 2): places in the frame to measure widths at; ``noise``: of both, of means of 8 × 8 px.  A
    star's light under a Gaussian of width s is known to noise · √(4π) · s, for white noise (King
    1983, PASP 95:163).  None where noise or widths are unknown.
    """
    fine = (stars + 0.5) * sampling - 0.5
    limits = []
    both = ((alone, stars, noise[0], 1), (stack, fine, noise[1], sampling))
    for plane, places, level, scale in both:
        width = middle(widths(plane, places)) / scale if len(stars) else np.nan
        if not level or not np.isfinite(width):
            return None
        sigma = width / SIGMA_TO_FWHM
        limits.append(float(_SURE * _BLOCK * level * np.sqrt(4 * np.pi) * sigma))
    gained = float(2.5 * np.log10(limits[0] / limits[1]))
    return {"frame_adu": limits[0], "stack_adu": limits[1], "gained_mag": gained}
