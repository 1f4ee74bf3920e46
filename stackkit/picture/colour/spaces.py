"""Whites, adaptation between them, and the colour spaces of pictures.

Chromaticities are CIE 1931 x, y; XYZ has Y = 1 for white.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stackkit.arrays import Array
from stackkit.errors import UsageError

White = tuple[float, float]

D50: White = (0.3457, 0.3585)
"""White of the connection space (DNG 1.7.1, chapter 6; ICC.1:2022 has it as XYZ)."""
D55: White = (0.33242, 0.34743)
"""CIE 15:2004, table T.3: photographic daylight (ISO 7589)."""
D65: White = (0.3127, 0.3290)
"""As rounded in IEC 61966-2-1 and ITU-R BT.2020."""

_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
"""XYZ to sharpened cone responses (Lam 1985), as in DNG and ICC.1:2022 (annex E)."""

# Reciprocal megakelvin, u, v and slope of lines of equal temperature in the CIE 1960 diagram:
# Robertson 1968, JOSA 58:1528; Wyszecki & Stiles, Color Science (1982), table 1(3.11).
_ISOTEMPERATURE = np.array(
    [
        (0, 0.18006, 0.26352, -0.24341), (10, 0.18066, 0.26589, -0.25479),
        (20, 0.18133, 0.26846, -0.26876), (30, 0.18208, 0.27119, -0.28539),
        (40, 0.18293, 0.27407, -0.30470), (50, 0.18388, 0.27709, -0.32675),
        (60, 0.18494, 0.28021, -0.35156), (70, 0.18611, 0.28342, -0.37915),
        (80, 0.18740, 0.28668, -0.40955), (90, 0.18880, 0.28997, -0.44278),
        (100, 0.19032, 0.29326, -0.47888), (125, 0.19462, 0.30141, -0.58204),
        (150, 0.19962, 0.30921, -0.70471), (175, 0.20525, 0.31647, -0.84901),
        (200, 0.21142, 0.32312, -1.0182), (225, 0.21807, 0.32909, -1.2168),
        (250, 0.22511, 0.33439, -1.4512), (275, 0.23247, 0.33904, -1.7298),
        (300, 0.24010, 0.34308, -2.0637), (325, 0.24792, 0.34655, -2.4681),
        (350, 0.25591, 0.34951, -2.9641), (375, 0.26400, 0.35200, -3.5814),
        (400, 0.27218, 0.35407, -4.3633), (425, 0.28039, 0.35577, -5.3762),
        (450, 0.28863, 0.35714, -6.7262), (475, 0.29685, 0.35823, -8.5955),
        (500, 0.30505, 0.35907, -11.324), (525, 0.31320, 0.35968, -15.628),
        (550, 0.32129, 0.36011, -23.325), (575, 0.32931, 0.36038, -40.770),
        (600, 0.33724, 0.36051, -116.45),
    ]
)  # fmt: skip


@dataclass(frozen=True)
class Space:
    """Linear light of three ``primaries`` (x, y of R, G, B) under a ``white``."""

    key: str
    name: str
    primaries: tuple[White, White, White]
    white: White


SRGB = Space("srgb", "sRGB", ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), D65)
"""IEC 61966-2-1."""
REC2020 = Space("rec2020", "Rec. 2020", ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)), D65)
"""ITU-R BT.2020, table 3."""
PROPHOTO = Space(
    "prophoto", "ROMM RGB", ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)), D50
)
"""ISO 22028-2, known as ProPhoto."""
SPACES = {space.key: space for space in (SRGB, REC2020, PROPHOTO)}


def space_named(key: str) -> Space:
    """The space with this key; raises ``UsageError`` with the valid names."""
    if key not in SPACES:
        raise UsageError(f"There is no colour space “{key}”. Choose one of: {', '.join(SPACES)}.")
    return SPACES[key]


def xyz(white: White) -> Array:
    """XYZ (3,) with Y = 1."""
    x, y = white
    return np.array([x / y, 1.0, (1 - x - y) / y])


def chromaticity(colour: Array) -> White:
    """x, y of XYZ (3,)."""
    x, y, z = (float(value) for value in colour)
    return x / (x + y + z), y / (x + y + z)


def adaptation(source: White, target: White) -> Array:
    """The matrix (3, 3) that adapts XYZ under ``source`` to ``target``."""
    before, after = _BRADFORD @ xyz(source), _BRADFORD @ xyz(target)
    return np.asarray(np.linalg.inv(_BRADFORD) @ np.diag(after / before) @ _BRADFORD)


def to_connection(space: Space) -> Array:
    """The matrix (3, 3) from linear RGB of ``space`` to XYZ under D50."""
    corners = np.stack([xyz(primary) for primary in space.primaries], axis=1)
    amounts = np.linalg.solve(corners, xyz(space.white))
    return adaptation(space.white, D50) @ (corners * amounts)


def temperature(white: White) -> float:
    """Correlated colour temperature in kelvin by Robertson's lines, 1667 to 100,000."""
    x, y = white
    u, v = 4 * x / (12 * y - 2 * x + 3), 6 * y / (12 * y - 2 * x + 3)
    mired, along, up, slope = _ISOTEMPERATURE.T
    away = ((v - up) - slope * (u - along)) / np.hypot(1, slope)
    below = np.nonzero(away < 0)[0]
    if len(below) == 0:
        return float(1e6 / mired[-1])
    k = max(int(below[0]), 1)
    share = away[k - 1] / (away[k - 1] - away[k]) if below[0] else 0.0
    return float(1e6 / max(mired[k - 1] + share * (mired[k] - mired[k - 1]), 10.0))
