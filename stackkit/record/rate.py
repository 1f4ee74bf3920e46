"""The rate of sky rotation, and whether it is known well enough to report."""

from __future__ import annotations

SIDEREAL_ARCSEC = 15.041
"""Arcseconds a second: 360° in a sidereal day of 86164.09 s (IAU)."""
_TOO_VAGUE = 0.01
"""Relative uncertainty up to which a measured rate is reported."""


def is_known(rate: float | None, sigma: float | None) -> bool:
    """Whether a rate, arcseconds a second, is known well enough, by its standard deviation."""
    return rate is not None and sigma is not None and sigma <= _TOO_VAGUE * SIDEREAL_ARCSEC
