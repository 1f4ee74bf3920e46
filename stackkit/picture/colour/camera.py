"""The colours of a camera: its matrices, interpolated for a white (DNG 1.7.1, chapter 6).

``XYZ to camera`` is AB · CC · CM: analog balance, the calibration of the single camera, and the
colour matrix of its model, the latter two interpolated linearly in the reciprocal temperature.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from stackkit.arrays import Array
from stackkit.picture.colour.spaces import (
    D50,
    D65,
    White,
    adaptation,
    chromaticity,
    temperature,
    xyz,
)
from stackkit.raw.headers.metadata import ColourProfile, Matrix, Metadata

_D65_LIGHT = 21
_NO_CHANGE: Matrix = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
_TEMPERATURES = {
    **{1: 5503, 4: 5503, 9: 5503, 10: 6504, 11: 7504, 18: 4874, 19: 6774, 24: 3200},
    **{2: 4150, 3: 2856, 12: 6400, 13: 5050, 14: 4150, 15: 3525, 16: 2925},
    **{17: 2856, 20: 5503, 21: 6504, 22: 7504, 23: 5003},
}
"""Kelvin of EXIF's LightSource (EXIF 2.32, 4.6.5): standard lights by CIE 15:2004, fluorescent
ones by the middle of the ranges that EXIF gives, skies by the nearest daylight.
"""
_ROUNDS, _ENOUGH = 60, 1e-9
_SENSIBLE = 20.0
"""Ratio of two colours of a white above which it is invalid."""


@dataclass(frozen=True)
class CameraColour:
    """Calibrations in order of colour temperature (kelvin), the lowest first; ``balance`` (3,): the
    analog balance.  Without calibrations the camera's colours are unknown.
    """

    calibrations: tuple[tuple[float, ColourProfile], ...]
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)

    @property
    def known(self) -> bool:
        """Whether there are matrices."""
        return bool(self.calibrations)


def camera_colour(said: Metadata, table: Matrix | None) -> CameraColour:
    """From the file; otherwise from LibRaw's ``table`` of cameras (XYZ to camera, D65)."""
    profiles = [_usable(p) for p in said.colour_profiles if _invertible(p.color_matrix)]
    if not profiles and table is not None and _invertible(table):
        profiles = [ColourProfile(_D65_LIGHT, table, None)]
    known = [(float(_TEMPERATURES.get(p.illuminant or 0, 0)), p) for p in profiles]
    if len(known) > 1:  # without an illuminant no interpolation is possible
        known = [pair for pair in known if pair[0]] or known[:1]
    return CameraColour(tuple(sorted(known, key=lambda pair: pair[0])), said.analog_balance)


def _usable(profile: ColourProfile) -> ColourProfile:
    """Without forward or calibration matrices that are invalid."""
    forward, own = profile.forward_matrix, profile.calibration
    whole = forward is not None and _invertible(forward) and np.sum(forward, axis=1).min() > 0
    return replace(
        profile,
        forward_matrix=forward if whole else None,
        calibration=own if own is not None and _invertible(own) else None,
    )


def _invertible(matrix: Matrix) -> bool:
    return bool(np.linalg.cond(np.array(matrix)) < 1e4)


def sensible(neutral: tuple[float, ...] | Array | None) -> Array | None:
    """The camera's response to white (3,), greatest 1; None for implausible values."""
    if neutral is None:
        return None
    white = np.asarray(neutral, dtype=np.float64)
    if white.shape != (3,) or not (np.isfinite(white).all() and white.min() > 0):
        return None
    return white / white.max() if white.max() <= _SENSIBLE * white.min() else None


def xyz_to_camera(camera: CameraColour, white: White) -> Array:
    """The matrix (3, 3) under a light of this chromaticity."""
    return np.asarray(
        _own(camera, white) @ _between(camera, white, lambda profile: profile.color_matrix)
    )


def white_of(camera: CameraColour, neutral: Array) -> White:
    """Chromaticity of the light under which the camera records white as ``neutral`` (3,).

    The matrix depends on the light and the light on the matrix: iterated, with half steps where it
    would oscillate.
    """
    white, step = D50, np.inf
    for _ in range(_ROUNDS):
        seen = np.asarray(np.linalg.solve(xyz_to_camera(camera, white), neutral), np.float64)
        if not (seen[1] > 0 and seen.sum() > 0):
            return D65
        x, y = chromaticity(seen)
        size = abs(x - white[0]) + abs(y - white[1])
        if size < _ENOUGH:
            break
        share = 0.5 if size > 0.7 * step else 1.0
        white, step = (white[0] + share * (x - white[0]), white[1] + share * (y - white[1])), size
    return white


def neutral_of(camera: CameraColour, white: White) -> Array:
    """The camera's response (3,) to white under this light, greatest 1."""
    seen = xyz_to_camera(camera, white) @ xyz(white)
    return np.asarray(seen / seen.max())


def balanced_to_connection(camera: CameraColour, neutral: Array) -> Array:
    """The matrix (3, 3) from the camera's colours, divided by ``neutral``, to XYZ under D50.

    (1, 1, 1) becomes D50 with Y = 1.  With the forward matrices where the file has them (they are
    made for this), otherwise with the colour matrices and adaptation.
    """
    white = white_of(camera, neutral)
    if all(profile.forward_matrix for _, profile in camera.calibrations):
        forward = _between(camera, white, lambda profile: profile.forward_matrix)
        # FM · D · inverse(AB · CC) with D the inverse of diag(inverse(AB · CC) · neutral).
        back = np.linalg.inv(_own(camera, white))
        matrix = _to_white(forward) @ np.diag(1 / (back @ neutral)) @ back
    else:
        matrix = adaptation(white, D50) @ np.linalg.inv(xyz_to_camera(camera, white))
    return _to_white(matrix @ np.diag(neutral))


def _to_white(matrix: Array) -> Array:
    """The matrix with its rows scaled so that (1, 1, 1) becomes exactly D50."""
    return np.asarray(matrix * (xyz(D50) / matrix.sum(axis=1))[:, None])


def _own(camera: CameraColour, white: White) -> Array:
    """AB · CC: how this camera differs from its model."""
    calibration = _between(camera, white, lambda profile: profile.calibration or _NO_CHANGE)
    return np.asarray(np.diag(camera.balance) @ calibration)


def _between(
    camera: CameraColour, white: White, which: Callable[[ColourProfile], Matrix | None]
) -> Array:
    """A matrix for this light, interpolated between the calibrations nearest in temperature."""
    kelvins = np.array([kelvin for kelvin, _ in camera.calibrations])
    matrices = np.array([which(profile) for _, profile in camera.calibrations], dtype=np.float64)
    if len(matrices) == 1:
        return np.asarray(matrices[0])
    wanted = float(np.clip(temperature(white), kelvins[0], kelvins[-1]))
    k = int(np.clip(np.searchsorted(kelvins, wanted), 1, len(kelvins) - 1))
    low, high = 1 / kelvins[k - 1], 1 / kelvins[k]
    share = (1 / wanted - high) / (low - high) if low > high else 1.0
    return np.asarray(share * matrices[k - 1] + (1 - share) * matrices[k])
