"""From the camera's linear colours to a standard space: white balance, matrix, clipping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from stackkit.arrays import Array, Plane
from stackkit.errors import UsageError
from stackkit.jit import FAST, jit
from stackkit.picture.colour import camera, spaces
from stackkit.picture.colour.camera import CameraColour, sensible
from stackkit.picture.colour.spaces import D55, SRGB, Space
from stackkit.schemas.picture import CameraColourRecord, ColourRecord, White

Balance = tuple[float, float, float]

AS_SHOT: Final = "asshot"
DAYLIGHT: Final = "daylight"
STARS: Final = "stars"
"""The choices of white, besides three multipliers."""
BESIDE = 6
"""Distance from a clipped pixel within which colours are wrong, px."""
_FAINTEST, _CLEAR = 1.3, 2.0
"""Rims are corrected above the first multiple of the sky background, and fully above the second:
noise must not raise green.
"""
_NEARLY = 0.9
"""Share of the clipping level above which a sample begins to count as clipped."""
_WORDS = {
    AS_SHOT: "as shot",
    DAYLIGHT: "daylight (5500 K)",
    STARS: "the average colour of the stars",
}


@dataclass(frozen=True)
class CameraWhite:
    """What is known of a session's white and colours.

    ``as_shot`` and ``stars`` (3,) are the camera's response to white, as it recorded it and from
    the average star; None where unknown.
    """

    colour: CameraColour
    as_shot: Balance | None
    stars: Balance | None


@dataclass(frozen=True)
class Development:
    """How ADU are converted to linear light of ``space``.

    ``neutral`` (3,): the camera's response to white, greatest 1; ``matrix`` (3, 3) from the
    camera's colours, divided by it, to the space, which keeps (1, 1, 1); ``white``: ADU that
    become 1.0 in the colour that clips first; ``clip``: ADU above which a colour is clipped;
    ``sky``: ADU in green of the typical sky background.
    ``kelvin``: temperature of the white, None where the camera's colours are not known: then they
    are taken as those of sRGB.  ``words``: what is white; ``remark``: what was not available.
    """

    neutral: Array
    matrix: Array
    white: float
    clip: float
    space: Space
    kelvin: float | None
    words: str
    remark: str = ""
    sky: float = 0.0

    @property
    def gains(self) -> Array:
        """Multipliers (3,) of the camera's colours, the least 1."""
        return np.asarray(1 / self.neutral)


def camera_white(
    colour: CameraColour,
    neutral: tuple[float, ...] | None,
    white_xy: tuple[float, ...] | None,
    balance: Balance | None,
    stars: Balance | None,
) -> CameraWhite:
    """White as shot from DNG's AsShotNeutral, else AsShotWhiteXY, else the multipliers that LibRaw
    found; implausible figures count as missing.
    """
    shot = sensible(neutral)
    if shot is None and white_xy is not None and colour.known:
        shot = sensible(camera.neutral_of(colour, (white_xy[0], white_xy[1])))
    if shot is None and balance is not None:
        shot = sensible(1 / np.array(balance))
    return CameraWhite(colour, _plain(shot), _plain(sensible(stars)))


def _plain(neutral: Array | None) -> Balance | None:
    return None if neutral is None else (float(neutral[0]), float(neutral[1]), float(neutral[2]))


def development(
    known: CameraWhite,
    asked: str | Balance,
    white: float,
    clip: float,
    space: Space = SRGB,
    sky: float = 0.0,
) -> Development:
    """The development with the white ``asked`` for: ``asshot``, ``daylight``, ``stars``, or
    multipliers for R, G, B.

    What is not available is replaced by the next best, with a remark.  Raises ``UsageError`` for an
    unknown white.
    """
    if isinstance(asked, str):
        neutral, words, remark = _white(known, asked)
    else:
        neutral, remark = 1 / np.array(asked), ""
        words = "multipliers {:g}, {:g}, {:g}".format(*asked)
    neutral = neutral / neutral.max()
    kelvin = None
    if known.colour.known:
        kelvin = spaces.temperature(camera.white_of(known.colour, neutral))
        to_connection = camera.balanced_to_connection(known.colour, neutral)
    else:
        to_connection = spaces.to_connection(SRGB)
    matrix = np.linalg.solve(spaces.to_connection(space), to_connection)
    matrix = matrix / matrix.sum(axis=1)[:, None]  # white is exact
    return Development(neutral, matrix, white, clip, space, kelvin, words, remark, sky)


def _white(known: CameraWhite, asked: str) -> tuple[Array, str, str]:
    """The white (3,), where it comes from in words, and what was not available."""
    daylight = camera.neutral_of(known.colour, D55) if known.colour.known else None
    have = {AS_SHOT: known.as_shot, DAYLIGHT: sensible(daylight), STARS: known.stars}
    why = {
        AS_SHOT: "The camera does not say what it took for white",
        DAYLIGHT: "The camera's colours are not known, so neither is its daylight",
        STARS: "There are too few unclipped stars to average their colour",
    }
    if asked not in have:
        raise UsageError(f"There is no white “{asked}”. Choose one of: {', '.join(have)}.")
    for choice in (asked, *(other for other in (AS_SHOT, STARS, DAYLIGHT) if other != asked)):
        found = have[choice]
        if found is not None:
            remark = "" if choice == asked else f"{why[asked]}; white is {_WORDS[choice]} instead."
            return np.array(found), _WORDS[choice], remark
    return np.ones(3), "not balanced", f"{why[asked]}; the colours are left as the sensor has them."


def develop(native: Plane, how: Development) -> Plane:
    """Linear light (3, h, w) of the space from camera-native ADU (3, h, w).

    A clipped colour is raised to the brightest of the others, as its true value is higher: so white
    stays white.  Beside such a place red and blue are wider than green (their samples are farther
    apart), which makes a purple rim: green is raised to their geometric mean, below which hardly
    any star's is.  A missing colour becomes the mean of the others; where all are missing the pixel
    stays missing.
    """
    light = np.empty(native.shape, dtype=np.float32)
    clipped = np.zeros(native.shape[1:], dtype=np.bool_)
    gains = (how.gains / how.white).astype(np.float32)
    _balance(native, gains, np.float32(how.clip), light, clipped)
    if clipped.any():
        light[1] = _without_rim(light, clipped, how)
    _to_space(light, how.matrix.astype(np.float32))
    return light


@jit(fastmath=FAST)
def _balance(native, gains, clip, light, clipped):  # type: ignore[no-untyped-def]
    """White balance, clipped colours raised to the brightest: ``light``, and where that was."""
    nearly = np.float32(_NEARLY) * clip
    for y in range(native.shape[1]):
        full = np.float32(0)
        for c in range(3):
            row, out = native[c, y], light[c, y]
            for x in range(native.shape[2]):
                out[x] = row[x] * gains[c]
                full = row[x] if row[x] > full else full
        if not full > nearly:
            continue
        for x in range(native.shape[2]):
            brightest = -np.float32(np.inf)
            for c in range(3):
                if light[c, y, x] > brightest:
                    brightest = light[c, y, x]
            for c in range(3):
                share = (native[c, y, x] / clip - _NEARLY) / (1 - _NEARLY)
                if share > 0:
                    share = min(share, 1.0)
                    share *= share * (3 - 2 * share)
                    light[c, y, x] += share * (brightest - light[c, y, x])
                    clipped[y, x] = True


@jit(fastmath=FAST)
def _to_space(light, matrix):  # type: ignore[no-untyped-def]
    """Fill missing colours with the mean of the others, and take all to the space, in place."""
    zero, one = np.float32(0), np.float32(1)
    for y in range(light.shape[1]):
        red, green, blue = light[0, y], light[1, y], light[2, y]
        for x in range(light.shape[2]):
            r, g, b = red[x], green[x], blue[x]
            no_r, no_g, no_b = np.isnan(r), np.isnan(g), np.isnan(b)
            total = (zero if no_r else r) + (zero if no_g else g) + (zero if no_b else b)
            count = (zero if no_r else one) + (zero if no_g else one) + (zero if no_b else one)
            mean = total / count
            r, g, b = mean if no_r else r, mean if no_g else g, mean if no_b else b
            red[x] = matrix[0, 0] * r + matrix[0, 1] * g + matrix[0, 2] * b
            green[x] = matrix[1, 0] * r + matrix[1, 1] * g + matrix[1, 2] * b
            blue[x] = matrix[2, 0] * r + matrix[2, 1] * g + matrix[2, 2] * b


def _without_rim(light: Plane, clipped: NDArray[np.bool_], how: Development) -> Plane:
    """Green (h, w), raised beside clipped pixels where it is below red and blue combined."""
    beside = maximum_filter(clipped, size=2 * BESIDE + 1)
    red, green, blue = light
    wanted = np.sqrt(np.maximum(red, 0) * np.maximum(blue, 0))
    sky = np.float32(how.sky * how.gains[1] / how.white)
    bright = np.clip((wanted - _FAINTEST * sky) / ((_CLEAR - _FAINTEST) * sky + 1e-9), 0, 1)
    mended = green + bright * np.maximum(wanted - green, 0)
    return np.asarray(np.where(beside, mended, green))


def develop_rows(value: Plane, first: int, last: int, how: Development) -> Plane:
    """Rows from ``first`` up to ``last`` of a picture (3, H, W), as in the whole picture."""
    top = max(first - BESIDE, 0)
    return develop(value[:, top : last + BESIDE], how)[:, first - top : last - top]


def colour_record(how: Development, asked: White | Balance, known: CameraWhite) -> ColourRecord:
    """The record of the colours of the pictures for editing."""
    colour = known.colour
    matrices: CameraColourRecord | None = None
    if colour.known:
        white = camera.white_of(colour, how.neutral)
        matrices = {
            "white_xy": list(white),
            "xyz_to_camera": camera.xyz_to_camera(colour, white).tolist(),
            "balanced_to_xyz_d50": camera.balanced_to_connection(colour, how.neutral).tolist(),
            "illuminants_k": [kelvin or None for kelvin, _ in colour.calibrations],
            "forward": all(profile.forward_matrix for _, profile in colour.calibrations),
        }
    return {
        "white": asked if isinstance(asked, str) else list(asked),
        "white_words": how.words,
        "neutral": how.neutral.tolist(),
        "multipliers": how.gains.tolist(),
        "kelvin": how.kelvin,
        "space": how.space.name,
        "camera": matrices,
        "balanced_to_space": how.matrix.tolist(),
        "assumed": not colour.known,
        "full_adu": how.white,
        "as_shot": known.as_shot and list(known.as_shot),
        "stars": known.stars and list(known.stars),
    }
