"""Bayer mosaics as DNG, by the DNG specification 1.4 (lossless JPEG, chapter 2).

Used by the simulator; both LibRaw and tifffile open the files.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from stackkit.output.about import gps_tags
from stackkit.output.tiff_container import (
    ASCII,
    BYTE,
    DOUBLE,
    LONG,
    RATIONAL,
    SHORT,
    SRATIONAL,
    UNDEFINED,
    one_picture,
)

_DAYLIGHT = 20
_DAYLIGHT_MATRIX = (2.2229, -0.8541, -0.2960, -0.5599, 1.4049, 0.1420, -0.1152, 0.1723, 1.0179)
"""XYZ to the colours of a camera whose white is D55 (light 20 of EXIF), with colours somewhat paler
than sRGB's, as with real sensor filters.
"""


@dataclass(frozen=True)
class MosaicTags:
    """The metadata of a raw file.  Levels in codes, times UTC, lengths in mm.

    ``place``: latitude and longitude in degrees, north and east positive.
    """

    pattern: str
    black: tuple[float, float, float, float]
    white: int
    make: str
    model: str
    neutral: tuple[float, float, float]
    exposure: float
    iso: int
    f_number: float
    focal_mm: float
    focal_35mm: int
    orientation: int = 1
    start: datetime | None = None
    noise_profile: tuple[float, float] | None = None
    opcode_list_2: bytes | None = None
    place: tuple[float, float] | None = None
    color_matrix: tuple[float, ...] = _DAYLIGHT_MATRIX
    software: str = "stackkit simulate"


def mosaic_dng(codes: NDArray[np.uint16], tags: MosaicTags) -> bytes:
    """The bytes of a DNG 1.4 file with the mosaic ``codes`` (H, W), H even.

    Two sensor rows are joined into one row of the lossless JPEG, so that the sample above is one
    of the same colour and the file gets smaller; readers fill the picture in reading order.
    """
    height, width = codes.shape
    bits = max(int(tags.white).bit_length(), 8)
    joined = np.ascontiguousarray(codes.reshape(height // 2, width * 2))
    strip = bytes(imagecodecs.ljpeg_encode(joined, bitspersample=bits))
    main = {
        254: (LONG, 0),
        256: (LONG, width),
        257: (LONG, height),
        258: (SHORT, 16),
        259: (SHORT, 7),
        262: (SHORT, 32803),
        271: (ASCII, tags.make),
        272: (ASCII, tags.model),
        274: (SHORT, tags.orientation),
        277: (SHORT, 1),
        278: (LONG, height),
        284: (SHORT, 1),
        305: (ASCII, tags.software),
        33421: (SHORT, (2, 2)),
        33422: (BYTE, tuple("RGB".index(letter) for letter in tags.pattern)),
        50706: (BYTE, (1, 4, 0, 0)),
        50707: (BYTE, (1, 1, 0, 0)),
        50708: (ASCII, f"{tags.make} {tags.model}"),
        50710: (BYTE, (0, 1, 2)),
        50711: (SHORT, 1),
        50713: (SHORT, (2, 2)),
        50714: (RATIONAL, tags.black),
        50717: (LONG, tags.white),
        50718: (RATIONAL, (1, 1)),
        50719: (LONG, (0, 0)),
        50720: (LONG, (width, height)),
        50721: (SRATIONAL, _as_white(tags.color_matrix, tags.neutral)),
        50728: (RATIONAL, tags.neutral),
        50778: (SHORT, _DAYLIGHT),
        50829: (LONG, (0, 0, height, width)),
    }
    if tags.noise_profile is not None:
        main[51041] = (DOUBLE, tags.noise_profile)
    if tags.opcode_list_2 is not None:
        main[51009] = (UNDEFINED, tags.opcode_list_2)
    exif: dict[int, tuple[int, object]] = {
        33434: (RATIONAL, tags.exposure),
        33437: (RATIONAL, tags.f_number),
        34855: (SHORT, tags.iso),
        36864: (UNDEFINED, b"0232"),
        37386: (RATIONAL, tags.focal_mm),
        41989: (SHORT, tags.focal_35mm),
    }
    if tags.start is not None:
        start = tags.start.astimezone(UTC)
        exif[36867] = (ASCII, start.strftime("%Y:%m:%d %H:%M:%S"))
        exif[36881] = (ASCII, "+00:00")
        exif[37521] = (ASCII, f"{start.microsecond // 1000:03d}")
    return one_picture(main, exif, strip, gps_tags(tags.place))


def _as_white(matrix: Sequence[float], neutral: Sequence[float]) -> list[float]:
    """The matrix, row by row, of a camera that sees its white as ``neutral``."""
    return [value * neutral[k // 3] for k, value in enumerate(matrix)]
