"""The effects of a simulated night's mishaps on a frame's light and stars."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter, zoom

from stackkit.arrays import Array
from stackkit.simulate.mishaps import GRADUAL, Mishap, MishapKind
from stackkit.simulate.night import Night, generator

_STEPS = 7
"""Points in time that sample one exposure when only the sky moves."""
_STEP = 0.6
"""Distance in px between such points when the camera moves."""
_CLOUD_SCALE = 0.12
"""Size of a cloud's patches, as a share of the picture's width."""


@dataclass(frozen=True)
class Conditions:
    """The conditions of one frame.

    ``light``: transparency, one number or (H, W); ``veil``: glow that is added, in units of the
    night's sky rate, a number or (H, W); ``blur``: σ in px that adds in squares; ``path``
    (steps, 2): displacement of the stars during the exposure, px.
    """

    light: float | Array
    veil: float | Array
    blur: float
    path: Array


def present(night: Night, k: int) -> list[Mishap]:
    """The mishaps of frame k."""
    return [m for m in night.mishaps if m.first <= k <= m.last]


@lru_cache(maxsize=4)
def conditions(night: Night, k: int) -> Conditions:
    """All effects on frame k combined."""
    light: float | Array = 1.0
    veil: float | Array = 0.0
    blur2, path = 0.0, np.zeros((_STEPS, 2))
    for m in present(night, k):
        amount = _amount(m, k)
        if m.kind in (MishapKind.CLOUD, MishapKind.HAZE):
            light, veil = _dimmed(light, veil, 1 - amount, m.glow)
        elif m.kind is MishapKind.PATCHES:
            light, veil = _dimmed(light, veil, 1 - amount * _patches(night, m, k), m.glow)
        elif m.kind is MishapKind.DEW:
            light, veil = _dimmed(light, veil, 1 - 0.5 * amount, m.glow)
            blur2 += (2.0 * night.psf_sigma * amount) ** 2
        elif m.kind is MishapKind.DEFOCUS:
            blur2 += amount**2
        elif m.kind in (MishapKind.DAWN, MishapKind.FLOODED):
            veil = veil + amount
        elif m.kind is MishapKind.TORCH:
            veil = veil + amount * _beam(night, m)
        elif m.kind is MishapKind.COVERED:
            light, veil = 0.0, 0.0
        elif m.kind in (MishapKind.TREMBLE, MishapKind.JOLT, MishapKind.TRAIL):
            path = _path(m, amount)
    return Conditions(light, veil, float(np.sqrt(blur2)), path)


def _amount(m: Mishap, k: int) -> float:
    """Strength in frame k; gradual mishaps grow to full strength in the last frame."""
    if m.kind in GRADUAL:
        return float(m.strength * ((k - m.first + 1) / (m.last - m.first + 1)) ** 1.5)
    return m.strength


def _dimmed(
    light: float | Array, veil: float | Array, share: float | Array, glow: float
) -> tuple[float | Array, float | Array]:
    """Light and glow through cloud, which adds glow in proportion to the light it absorbs."""
    return light * share, veil * share + glow * (1 - share)


def _patches(night: Night, m: Mishap, k: int) -> Array:
    """Cloud (H, W) from 0 to 1, half of the sky at about 1/2; it drifts from frame to frame."""
    rng = generator(night, 30, m.first)
    rows, columns = 40, 60
    field = gaussian_filter(rng.normal(size=(rows, 4 * columns)), 60 * _CLOUD_SCALE, mode="wrap")
    field = np.roll(field, 7 * (k - m.first), axis=1)[:, :columns]
    field = 0.5 + field / (2 * np.ptp(field)) * 2.0
    shape = (night.height, night.width)
    full = zoom(np.clip(field, 0, 1), (shape[0] / rows, shape[1] / columns), order=1)
    return np.asarray(full[: shape[0], : shape[1]])


def _beam(night: Night, m: Mishap) -> Array:
    """Stray light (H, W) that falls off from one corner, 1 there."""
    y, x = np.mgrid[: night.height, : night.width]
    u = (x / night.width - 0.5) * np.cos(m.angle) + (y / night.height - 0.5) * np.sin(m.angle)
    return np.asarray(np.exp(-0.5 * ((u - 0.7) / 0.5) ** 2))


def _path(m: Mishap, reach: float) -> Array:
    """Displacement of stars during the exposure (steps, 2): a tremble, a jolt, or a slow slip."""
    travelled = reach * (12 if m.kind is MishapKind.TREMBLE else 2)
    steps = max(_STEPS, int(np.ceil(travelled / _STEP)))
    u = (np.arange(steps) + 0.5) / steps
    if m.kind is MishapKind.TREMBLE:
        along = reach * np.sin(2 * np.pi * 3 * u)
    elif m.kind is MishapKind.JOLT:
        along = reach * (np.where(u < 0.6, 0.0, 1.0) - 0.4)
    else:
        along = reach * (u - 0.5)
    return np.stack([along * np.cos(m.angle), along * np.sin(m.angle)], axis=1)
