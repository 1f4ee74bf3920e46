"""How bright the Moon makes the sky: Krisciunas & Schaefer 1991, PASP 103, 1033.

Their model is good to 8 to 23 % for a clear sky; haze and snow make it brighter.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from stackkit.arrays import Array

EXTINCTION = 0.17
"""Magnitudes per airmass in V, for a clear sky near sea level (common practice)."""
DARK_SKY = 21.5
"""mag/arcsec² in V of a sky far from towns (common practice: 21 to 22 in the countryside)."""


def moonlit_nanolamberts(
    phase_angle: Any, separation: Any, moon_zenith: Any, sky_zenith: Any, extinction: float
) -> Array:
    """Brightness that the Moon adds, nanolamberts (equations 3, 15, 20 and 21 of the paper).

    All angles in degrees: Sun-Moon-Earth (0 at full Moon), between Moon and the place in the sky,
    and both from the zenith.  Arrays broadcast.  0 where the Moon is below the horizon.
    """
    angle = np.abs(np.asarray(phase_angle, dtype=np.float64))
    illuminance = 10 ** (-0.4 * (3.84 + 0.026 * angle + 4e-9 * angle**4))
    rho = np.asarray(separation, dtype=np.float64)
    scattering = 10**5.36 * (1.06 + np.cos(np.radians(rho)) ** 2) + 10 ** (6.15 - rho / 40)
    to_moon = 10 ** (-0.4 * extinction * _airmass(moon_zenith))
    to_sky = 1 - 10 ** (-0.4 * extinction * _airmass(sky_zenith))
    light = scattering * illuminance * to_moon * to_sky
    return np.asarray(np.where(np.asarray(moon_zenith) < 90, light, 0.0))


def magnitudes(nanolamberts: Any) -> Array:
    """mag/arcsec² in V of a brightness (equation 1 of the paper); infinite for none."""
    with np.errstate(divide="ignore"):
        return np.asarray((20.7233 - np.log(np.asarray(nanolamberts) / 34.08)) / 0.92104)


def nanolamberts(magnitude: Any) -> Array:
    """The inverse of :func:`magnitudes`."""
    return np.asarray(34.08 * np.exp(20.7233 - 0.92104 * np.asarray(magnitude)))


def _airmass(zenith: Any) -> Array:
    """Equation 3: finite at the horizon."""
    sine = np.sin(np.radians(np.minimum(zenith, 90.0)))
    return np.asarray(1 / np.sqrt(1 - 0.96 * sine**2))
