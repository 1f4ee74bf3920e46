"""The lens that a session's geometry starts from: as the files describe it, or a guess."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stackkit.geometry.lens import REFRACTION, Lens, reaching
from stackkit.raw.opcodes.apply import LensHint

KNOWN_FOCAL = 0.05
"""Relative standard deviation of a focal length that the file gives."""
UNKNOWN_FOCAL = 0.5
"""The same of a guess."""
_USUAL = 0.7
"""Focal length over the picture's width of a phone's main lens."""


def first_lens(
    width: int,
    height: int,
    focal_px: float | None,
    up: tuple[float, float] = (0.0, -1.0),
    hint: LensHint | None = None,
) -> tuple[Lens, float]:
    """A lens to start from and the relative uncertainty of its focal length.

    Without a focal length, a wide phone lens is assumed and left nearly free.  ``up`` is the
    direction in the picture (x, y) of the sky; the camera is assumed to point 45° up.  ``hint`` is
    the lens distortion recorded in the file.
    """
    zenith = (up[0] * np.sqrt(0.5), up[1] * np.sqrt(0.5), float(np.sqrt(0.5)))
    f, spread = (_USUAL * width, UNKNOWN_FOCAL) if focal_px is None else (focal_px, KNOWN_FOCAL)
    lens = Lens(f, (width - 1) / 2, (height - 1) / 2, air=REFRACTION, zenith=zenith)
    bent = None if hint is None else _bent(lens, hint)
    return reaching(lens if bent is None else bent, width, height), spread


def _bent(lens: Lens, hint: LensHint) -> Lens | None:
    """The lens with the radial terms of a hint; None where no real lens has such terms.

    A hint measures radii in its own unit, in the corrected picture, where they are f · tan θ.
    """
    k = hint.radial
    if hint.fisheye:  # its powers of θ = arctan r as a series in r
        k = (k[0], k[1] - k[0] / 3, k[2] - k[1] + k[0] / 5, 0.0)
    if not 0.5 < k[0] < 2 or not hint.unit > 0:
        return None
    q = (lens.f / hint.unit) ** 2
    k1, k2 = q * k[1] / k[0], q * q * k[2] / k[0]
    if not (abs(k1) < 1 and abs(k2) < 1):
        return None
    x, y = hint.centre
    return replace(lens, f=lens.f * k[0], cx=float(x), cy=float(y), k1=float(k1), k2=float(k2))
