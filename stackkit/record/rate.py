"""The rate of the sky's rotation, as sentences about it need it."""

from __future__ import annotations

SIDEREAL_ARCSEC = 15.041
"""Arcseconds a second: 360° in a sidereal day of 86164.09 s (IAU)."""
_TOO_VAGUE = 0.01
"""Share of the rate by which a measured one may be uncertain to be reported."""


def is_known(rate: float | None, sigma: float | None) -> bool:
    """Whether a measured rate and its standard deviation, arcseconds a second, mean anything."""
    return rate is not None and sigma is not None and sigma <= _TOO_VAGUE * SIDEREAL_ARCSEC
