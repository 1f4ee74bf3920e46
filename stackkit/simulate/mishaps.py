"""What can go wrong with the frames of a simulated night."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np


class MishapKind(StrEnum):
    """Kinds of mishaps, with the unit of their strength."""

    CLOUD = "cloud"  # share of the light lost, uniform
    PATCHES = "patchy cloud"  # share lost where it is thickest
    HAZE = "haze"  # share lost
    DEFOCUS = "defocus"  # σ in px, added in squares
    TREMBLE = "tremble"  # px to either side, to and fro
    JOLT = "jolt"  # px: the stars are displaced for part of the exposure
    TRAIL = "trail"  # px: the camera slips all the time
    DEW = "dew"  # at its end 1: half the light lost, stars √5 times as wide
    DAWN = "dawn"  # glow at its end, in sky rates
    TORCH = "torch"  # glow in one corner, in sky rates
    FLOODED = "flooded"  # glow everywhere, in sky rates: all is clipped or nearly so
    COVERED = "covered"  # no light at all
    EXPOSURE = "exposure"  # factor of the night's exposure
    ISO = "iso"  # factor of the night's ISO


GRADUAL = {MishapKind.DEW, MishapKind.DAWN}
"""Mishaps that grow from frame to frame."""


@dataclass(frozen=True)
class Mishap:
    """One mishap of the frames ``first`` to ``last``, both counted from 0.

    ``angle``: direction, radians, where there is one; ``glow``: glow of an opaque cloud, in sky
    rates.
    """

    kind: MishapKind
    first: int
    last: int
    strength: float = 1.0
    angle: float = 0.0
    glow: float = 0.5


def random_mishaps(
    seed: int, frames: int, count: int, sharpness: float = 0.8
) -> tuple[Mishap, ...]:
    """Up to ``count`` mishaps of random kind, time and strength; ``sharpness`` is the stars' σ, px.

    No two occur in the same frame, and at least half of the frames have none.
    """
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, 31])))
    free = np.ones(frames, bool)
    found: list[Mishap] = []
    kinds = [kind for kind in MishapKind if kind not in (MishapKind.EXPOSURE, MishapKind.ISO)]
    for _ in range(count):
        kind = kinds[int(rng.integers(len(kinds)))]
        shortest, longest = _LASTING.get(kind, (1, 2))
        length = int(rng.integers(shortest, longest + 1))
        to_the_end = kind in GRADUAL
        first = frames - length if to_the_end else int(rng.integers(0, max(frames - length, 1)))
        low, high = _STRENGTH[kind]
        strength = float(low + (high - low) * rng.random())
        strength *= sharpness / 0.8 if kind in _IN_PIXELS else 1.0
        angle, glow = 2 * np.pi * float(rng.random()), float(rng.uniform(0.3, 1.5))
        place = slice(first, first + length)
        if first >= 0 and free[place].all() and free.sum() - length >= frames / 2:
            free[place] = False
            found.append(Mishap(kind, first, first + length - 1, strength, angle, glow))
    return tuple(sorted(found, key=lambda m: m.first))


_LASTING = {
    MishapKind.CLOUD: (1, 3),
    MishapKind.PATCHES: (1, 3),
    MishapKind.HAZE: (5, 7),
    MishapKind.DEW: (4, 6),
    MishapKind.DAWN: (4, 6),
    MishapKind.COVERED: (1, 1),
    MishapKind.TORCH: (1, 1),
}
"""Fewest and most frames; otherwise 1 to 2."""
_STRENGTH = {
    MishapKind.CLOUD: (0.3, 0.98),
    MishapKind.PATCHES: (0.5, 0.95),
    MishapKind.HAZE: (0.15, 0.4),
    MishapKind.DEFOCUS: (0.5, 4.0),
    MishapKind.TREMBLE: (1.0, 3.0),
    MishapKind.JOLT: (2.0, 12.0),
    MishapKind.TRAIL: (6.0, 30.0),
    MishapKind.DEW: (0.5, 1.0),
    MishapKind.DAWN: (1.0, 8.0),
    MishapKind.TORCH: (2.0, 20.0),
    MishapKind.COVERED: (1.0, 1.0),
    MishapKind.FLOODED: (120.0, 250.0),
    MishapKind.EXPOSURE: (0.4, 0.7),
    MishapKind.ISO: (0.5, 2.0),
}
_IN_PIXELS = {MishapKind.DEFOCUS, MishapKind.TREMBLE, MishapKind.JOLT, MishapKind.TRAIL}
