"""The stack as TIFF: the editing file, linear and white-balanced, that opens nearly everywhere.

Classic TIFF 6.0, contiguous 32-bit float RGB, deflate with the floating-point predictor (TIFF
Technical Note 3), 64-row strips.  The same stack gives the same bytes: no date is written.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from tifffile import TiffWriter

from stackkit.output.files import replacing
from stackkit.output.upright import upright
from stackkit.stack_result import Stack

_ROWS = 64
_CLASSIC_LIMIT = 2**32 - 2**25
"""Bytes of samples that surely fit a file with 32-bit offsets, with room for its tables."""
_ORIENTATION_TAG = (274, "H", 1, 1, True)


def write_tiff(
    path: Path,
    stack: Stack,
    balance: tuple[float, float, float] | None,
    orientation: int,
    white: float,
) -> None:
    """Write ``stack.value`` to ``path``, upright, balanced, with ``white`` at 1.0.

    ``balance``: multipliers for R, G, B (None: as the camera sees it); ``orientation``: EXIF 1-8
    of the sensor picture; ``white``: ADU above black at which the camera clips.  Pixels that no
    frame reaches are 0.  Values above 1 are kept.  Raises ``OutputError``.
    """
    picture = upright(stack.value, orientation)
    _, height, width = picture.shape
    scale = np.array(balance or (1.0, 1.0, 1.0)) / white
    with (
        replacing(path) as temporary,
        temporary.open("wb") as file,
        TiffWriter(file, byteorder="<", bigtiff=needs_bigtiff(height, width)) as tiff,
    ):
        tiff.write(
            _strips(picture, scale.astype(np.float32)),
            shape=(height, width, 3),
            dtype=np.float32,
            photometric="rgb",
            planarconfig="contig",
            compression="adobe_deflate",
            predictor=3,
            rowsperstrip=_ROWS,
            description=description(white, balance is not None),
            software="stackkit",
            metadata=None,
            extratags=[_ORIENTATION_TAG],
        )


def needs_bigtiff(height: int, width: int) -> bool:
    """Whether a float RGB picture may outgrow classic TIFF; not every editor opens the other."""
    return height * width * 3 * 4 > _CLASSIC_LIMIT


def description(white: float, balanced: bool) -> str:
    """What a person who opens the file should know, in ASCII."""
    colour = "white-balanced as shot" if balanced else "not white-balanced"
    return (
        "Linear light: twice the value is twice the light, so the picture looks dark until it is "
        f"stretched. Red, green, blue as the camera's filters see them, {colour}. "
        f"1.0 is the level at which the camera clips, {white:g} ADU above black in one frame. "
        "Pixels that no frame reaches are 0."
    )


def _strips(picture: NDArray[np.float32], scale: NDArray[np.float32]) -> Iterator[bytes]:
    """Encoded strips of ``picture`` (3, H, W), made one at a time: memory stays small."""
    for start in range(0, picture.shape[1], _ROWS):
        rows = np.moveaxis(picture[:, start : start + _ROWS], 0, -1) * scale
        strip = np.nan_to_num(rows, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        predicted = imagecodecs.floatpred_encode(np.ascontiguousarray(strip, "<f4"), axis=-2)
        yield bytes(imagecodecs.deflate_encode(predicted.tobytes()))
