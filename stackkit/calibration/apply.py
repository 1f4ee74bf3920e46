"""From codes to ADU above black: dark, banding, and then either a flat or the file's own shading.

Samples that a file or a dark marks as unusable are missing (NaN).  What multiplies the samples
multiplies their noise: the *relief* holds the factor.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from stackkit.arrays import Plane
from stackkit.calibration.banding import row_offsets
from stackkit.jit import jit
from stackkit.raw.decode import Mosaic
from stackkit.raw.opcodes import apply
from stackkit.raw.opcodes.lists import Opcodes

RELIEF_SHIFT = 5
RELIEF_STEP = 1 << RELIEF_SHIFT
"""Step of tables of slowly varying quantities (gains, the model's variance), px."""


EVEN = np.ones((3, 1, 1), dtype=np.float32)
"""The relief of samples that were not multiplied."""
_CLIPPED = 0.995
"""Share of the range from which on a sample may be clipped."""


@dataclass(frozen=True, eq=False)
class Correction:
    """What the session's masters do to every light, None where there is none.

    ``dark`` (H, W): ADU to subtract, NaN where the sample is unusable; ``flat`` (H, W): response to
    divide by, NaN likewise, and then the file's own shading opcodes are left out.
    """

    dark: Plane | None = None
    flat: Plane | None = None


@dataclass(frozen=True)
class Calibrated:
    """``adu`` (H, W) above black, NaN where missing, clipped samples with their value.

    ``relief`` (3, …, …): factor by which the samples of a colour were multiplied, an entry every
    ``RELIEF_STEP`` px; ``banding``: scatter of the rows' offsets that were subtracted, ADU, 0
    where they are no more than noise.
    """

    adu: Plane
    relief: Plane
    banding: float


def calibrate(mosaic: Mosaic, correction: Correction | None = None) -> Calibrated:
    """The calibrated samples of a mosaic."""
    correction = correction or Correction()
    adu = above_black(mosaic)
    if correction.dark is not None:
        adu -= correction.dark
    banding = _without_bands(adu)
    if correction.flat is not None:
        adu /= correction.flat
        return Calibrated(adu, _evening(correction, mosaic.pattern.tobytes()), banding)
    if mosaic.opcodes.linear or mosaic.opcodes.picture or mosaic.opcodes.raw:
        whole = np.float32(span(mosaic))
        adu /= whole
        apply.apply(mosaic.opcodes, adu, mosaic.pattern)
        adu *= whole
    return Calibrated(adu, _shading(mosaic.opcodes, adu.shape, mosaic.pattern.tobytes()), banding)


def above_black(mosaic: Mosaic) -> Plane:
    """ADU above black (H, W) of a mosaic, NaN where missing or at sites that the file calls bad."""
    adu = np.empty(mosaic.data.shape, dtype=np.float32)
    _subtract(mosaic.data, mosaic.black.astype(np.float32), adu)
    if mosaic.black_detail is not None:
        adu -= mosaic.black_detail
    if mosaic.missing is not None:
        adu[mosaic.missing] = np.nan
    marked = apply.marked_sites(mosaic.opcodes, mosaic.data, mosaic.pattern)
    if marked is not None:
        adu[marked] = np.nan
    return adu


@jit
def _subtract(data, black, adu):  # type: ignore[no-untyped-def]
    for y in range(data.shape[0]):
        even, odd = black[y & 1, 0], black[y & 1, 1]
        for x in range(0, data.shape[1] - 1, 2):
            adu[y, x] = data[y, x] - even
            adu[y, x + 1] = data[y, x + 1] - odd
        if data.shape[1] & 1:
            adu[y, -1] = data[y, -1] - even


def _without_bands(adu: Plane) -> float:
    """Subtracts row offsets from ``adu`` where they are more than noise; their scatter in ADU."""
    offsets = row_offsets(adu)
    if offsets is None:
        return 0.0
    adu -= offsets[:, None]
    return float(np.std(offsets))


def relief_of(gain: Plane, pattern: NDArray[np.uint8]) -> Plane:
    """Means (3, …, …) of a gain (H, W) over the sites of each colour in blocks of RELIEF_STEP."""
    height, width = gain.shape
    step = RELIEF_STEP // 2
    total = np.zeros((3, -(-height // RELIEF_STEP), -(-width // RELIEF_STEP)), dtype=np.float64)
    count = np.zeros_like(total)
    for y, x in np.ndindex(2, 2):
        site = gain[y::2, x::2]
        finite = np.isfinite(site)
        known = np.where(finite, site, 0)
        colour = pattern[y, x]
        for sums, plane in ((total, known), (count, finite)):
            rows = np.add.reduceat(plane, np.arange(0, plane.shape[0], step), axis=0, dtype=float)
            blocks = np.add.reduceat(rows, np.arange(0, plane.shape[1], step), axis=1)
            sums[colour, : blocks.shape[0], : blocks.shape[1]] += blocks
    usual = float(total.sum() / max(count.sum(), 1.0)) or 1.0
    return np.where(count > 0, total / np.maximum(count, 1), usual).astype(np.float32)


@lru_cache(maxsize=1)
def _evening(correction: Correction, pattern: bytes) -> Plane:
    """Relief of a flat; all lights of a session have the same."""
    assert correction.flat is not None
    return relief_of(np.float32(1) / correction.flat, _sites(pattern))


def _sites(pattern: bytes) -> NDArray[np.uint8]:
    return np.frombuffer(pattern, dtype=np.uint8).reshape(2, 2)


@lru_cache(maxsize=4)
def _shading(codes: Opcodes, shape: tuple[int, int], pattern: bytes) -> Plane:
    """Relief of the file's own shading; frames of a session mostly carry the same."""
    gain = apply.gain_field(codes, shape, _sites(pattern))
    return EVEN if gain is None else relief_of(gain, _sites(pattern))


def unmultiplied(adu: Plane, mosaic: Mosaic, correction: Correction) -> Plane:
    """Calibrated samples (H, W) divided by what multiplied them, as photon transfer wants them.

    ``mosaic`` may be only the corner of one, for its pattern and opcodes.
    """
    if correction.flat is not None:
        return adu * correction.flat
    gain = apply.gain_field(mosaic.opcodes, (adu.shape[0], adu.shape[1]), mosaic.pattern)
    return adu if gain is None else adu / gain


def span(mosaic: Mosaic) -> float:
    """ADU from the highest black level to white."""
    return float(mosaic.white - np.max(mosaic.black))


def clip_level(mosaic: Mosaic) -> float:
    """ADU from which on a sample of any colour may be clipped, before it is multiplied."""
    return span(mosaic) * _CLIPPED
